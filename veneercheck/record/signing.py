"""People enrolled in a register, and whether everything that must be signed is."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import TYPE_CHECKING, Any

from veneercheck.core.errors import RecordError, Told

if TYPE_CHECKING:
    from veneercheck.record import Entry, Register
    from veneercheck.record.audit import Difference
    from veneercheck.record.keys import Signer
    from veneercheck.record.people import People


def person_entries(register: Register) -> list[Entry]:
    """What is on record of people, the oldest first."""
    from veneercheck.record.standing import entries_with

    return entries_with(register, kind="person")


def enrolled(register: Register, *, on: str | None = None) -> People:
    """Who is enrolled now, or was at the end of a day (UTC)."""
    from veneercheck.record.people import people_of

    bodies = (entry.body for entry in person_entries(register))
    return people_of(one for one in bodies if on is None or one["entered_at_utc"][:10] <= on)


def role_at(register: Register, initials: str, seq: int) -> str | None:
    """The role in which somebody stood on record before an entry."""
    from veneercheck.record.people import people_of

    before = (entry.body for entry in person_entries(register) if entry.seq < seq)
    person = people_of(before).known.get(initials)
    return person.role if person else None


def enrol(
    register: Register,
    signer: Signer,
    told: Mapping[str, Any],
    now: datetime,
) -> Entry:
    """Put a person with their public key on record, or what has changed of one.

    Parameters
    ----------
    register : Register
    signer : Signer
        The first person enrols themselves; later a licensed person does it, a person their own
        new key with the old one, or the recovery key.
    told : mapping
        `initials`, `name`, `role`, `public`, `reason`; of the first one also `recovery`.
    now : datetime

    Raises
    ------
    RecordError
        If the signer may not do that.
    """
    from veneercheck.record import canonical, sha256_of
    from veneercheck.record.filing import initials
    from veneercheck.record.people import LICENSED, RECOVERY, ROLES

    initials(told["initials"])
    if told["role"] not in ROLES:
        raise RecordError(
            Told("«{told}» is no role.", told=told["role"]),
            where="--role",
            next_step=Told("Known: {known}.", known=", ".join(ROLES)),
        )
    people = enrolled(register)
    if not people and (signer.initials != told["initials"] or told["role"] != LICENSED):
        raise RecordError(
            "nobody is enrolled: the first one must be a licensed person, who signs themselves.",
            where="--role",
            next_step="Enrol that person first, with --role licensed.",
        )
    if people and signer.initials != RECOVERY:
        known = people.known.get(told["initials"])
        own = known is not None and signer.initials == known.initials and told["role"] == known.role
        signing = people.known.get(signer.initials) if own else None
        signing = signing or people.may(signer.initials, "enrol people")
        if signing.public != signer.public:
            raise _another_key(signer.initials)
    if people and signer.initials == RECOVERY and signer.public != people.recovery:
        raise _another_key(signer.initials)
    body = {"kind": "person", **told, "entered_at_utc": now.isoformat(timespec="seconds")}
    body = signer.signed(body)
    return register.append(sha256_of(canonical(body)), body)


def _another_key(who: str) -> RecordError:
    return RecordError(
        Told("the key of {who} is not the one on record.", who=who),
        next_step="Use the latest key; a lost one is replaced by a licensed person, or with the "
        "recovery key.",
    )


def unsigned(register: Register) -> Iterator[Difference]:
    """Entries that are not signed as they must be."""
    from veneercheck.record.audit import Difference
    from veneercheck.record.people import signature_faults

    if not enrolled(register):
        return
    bodies = ((entry.seq, entry.key, entry.body) for entry in register.entries())
    for seq, what in signature_faults(bodies):
        yield Difference(f"register, entry {seq}", what)


def sign_decision(
    register: Register,
    signer: Signer | None,
    told: Mapping[str, Any],
    verdict: str,
    before: list[str],
) -> Mapping[str, Any]:
    """A decision with its signature; as it is where nobody is enrolled.

    Raises
    ------
    RecordError
        If people are enrolled and the decision is not signed by one who may take it.
    """
    from veneercheck.record.people import act_of

    people = enrolled(register)
    if not people:
        return told
    act = act_of({"kind": "decision", **told}, verdict)
    assert act is not None, "a decision always needs a right"
    person = people.may(told["who"], act)
    if signer is None or signer.initials != told["who"]:
        raise RecordError(
            "people are enrolled in this register: a decision must be signed by who takes it.",
            where=register.shown,
            next_step="Sign it with your key: «--keys», and your pass phrase.",
        )
    if person.public != signer.public:
        raise _another_key(signer.initials)
    body = signer.signed({"kind": "decision", **told, "after": before})
    del body["kind"]
    return body
