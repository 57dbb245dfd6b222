"""People on record: initials, role and public key; who may do what; what was signed by whom."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from veneercheck.core.errors import RecordError, Told
from veneercheck.record.canonical import canonical
from veneercheck.report.counted import verdict_of

LICENSED, CHECKER, TECHNICIAN, LEFT = "licensed", "checker", "technician", "left"
ROLES = (LICENSED, CHECKER, TECHNICIAN, LEFT)
"""`left` works here no more: what that person signed before stays valid."""

RECOVERY = "recovery"
"""Stands in place of initials where the key that was put away at the beginning signed."""

MAY: Mapping[str, tuple[str, ...]] = {
    "enrol people": (LICENSED,),
    "approve limits": (LICENSED,),
    "accept with findings": (LICENSED,),
    "accept": (LICENSED, CHECKER),
    "decide": (LICENSED, CHECKER, TECHNICIAN),
    "propose limits": (LICENSED, CHECKER),
    "keep records": (LICENSED, CHECKER),
    "import records": (LICENSED,),
}
"""Who may do what: our own choice, the narrowest that a small laboratory can work with."""

_UNSIGNED = ("signature", "files")
"""What a signature does not cover: itself, and files that are drawn after it was given."""


@dataclasses.dataclass(frozen=True, slots=True)
class Person:
    """Somebody enrolled, as of the latest entry on them.

    Parameters
    ----------
    initials, name, role : str
    public : str
        Ed25519 public key, 64 hexadecimal digits.
    """

    initials: str
    name: str
    role: str
    public: str


class People:
    """Who is enrolled, entry by entry of the chain."""

    def __init__(self) -> None:
        self.known: dict[str, Person] = {}
        self.recovery = ""

    def __bool__(self) -> bool:
        return bool(self.known)

    def take(self, body: Mapping[str, Any]) -> None:
        """Know what an entry says of a person; any other entry says nothing."""
        if body.get("kind") != "person":
            return
        names = ("initials", "name", "role", "public")
        person = Person(*(str(body[name]) for name in names))
        self.recovery = self.recovery or str(body.get("recovery", ""))
        self.known[person.initials] = person

    def may(self, initials: str, act: str) -> Person:
        """The person, if they may do that.

        Raises
        ------
        RecordError
            If nobody is enrolled under these initials, or their role does not include it.
        """
        person = self.known.get(initials)
        if person is None:
            raise RecordError(
                Told("«{initials}» is not enrolled.", initials=initials),
                where="--who",
                next_step="A licensed person enrols people: «veneercheck people enrol».",
            )
        if person.role not in MAY[act]:
            raise RecordError(
                Told(
                    "{initials} is on record as «{role}», who may not {act}.",
                    initials=initials,
                    role=Told(person.role),
                    act=Told(act),
                ),
                where="--who",
                next_step=Told("It is for: {known}.", known=", ".join(MAY[act])),
            )
        return person


def people_of(bodies: Iterable[Mapping[str, Any]]) -> People:
    """Who is enrolled after all of these entries."""
    people = People()
    for body in bodies:
        people.take(body)
    return people


def act_of(body: Mapping[str, Any], verdict: str | None) -> str | None:
    """What an entry does that not everybody may do; None where nobody need sign it.

    Parameters
    ----------
    body : mapping
    verdict : str or None
        Of the check that a decision is on.
    """
    if "imported" in body:
        return "import records"
    if body["kind"] == "decision":
        if body["what"] != "accepted":
            return "decide"
        return "accept" if verdict == "no findings" else "accept with findings"
    return {
        "person": "enrol people",
        "limits": "propose limits",
        "approval": "approve limits",
        "scanner": "keep records",
        "calibration": "keep records",
        "verification": "decide",
        "repeatability": "decide",
        "hold": "keep records",
        "disposal": "enrol people",
    }.get(body["kind"])


def signed_text(body: Mapping[str, Any]) -> bytes:
    """The bytes that are signed: all of a body but the signature and the files drawn after it."""
    told = {name: value for name, value in body.items() if name not in _UNSIGNED}
    return f"veneercheck signed 1\n{canonical(told)}".encode()


def is_signed_by(body: Mapping[str, Any], public: str) -> bool:
    """Whether the signature of a body is one of this key."""
    from cryptography.exceptions import InvalidSignature
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    try:
        key = Ed25519PublicKey.from_public_bytes(bytes.fromhex(public))
        key.verify(bytes.fromhex(body["signature"]["value"]), signed_text(body))
    except (InvalidSignature, ValueError, KeyError, TypeError):
        return False
    return True


def signature_faults(
    bodies: Iterable[tuple[int, str, Mapping[str, Any]]],
) -> Iterator[tuple[int, str]]:
    """Entries that are not signed as they must be, each with what is wrong.

    Parameters
    ----------
    bodies : iterable of (int, str, mapping)
        Place, key and body of every entry, or of those of a bundle, in order of their places.

    Yields
    ------
    (int, str)
        From the first person enrolled on, whatever needs a right must be signed by somebody who
        had it at that place of the chain; a decision, besides, by somebody who knew of all
        decisions on the check before it, so that none is left out, repeated or put elsewhere.
    """
    people, verdicts, decided = People(), dict[str, str](), dict[str, list[str]]()
    for seq, key, body in bodies:
        try:
            if body["kind"] == "check":
                fault = _fault(people, body, None, []) if "imported" in body else None
                if fault:
                    yield seq, fault
                verdicts[key] = verdict_of(body["result"], body.get("standing"))
            else:
                verdict = verdicts.get(body.get("check_key", ""))
                fault = _fault(people, body, verdict, decided.get(body.get("check_key", ""), []))
                if fault:
                    yield seq, fault
            if body["kind"] == "decision":
                decided.setdefault(body["check_key"], []).append(key)
            people.take(body)
        except (KeyError, TypeError):  # an altered body is told by its hash
            continue


def _fault(
    people: People, body: Mapping[str, Any], verdict: str | None, before: list[str]
) -> str | None:
    """What is wrong with the signature of an entry, given who was enrolled before it."""
    act = act_of(body, verdict)
    first = body["kind"] == "person" and not people
    if act is None or (not people and not first):
        return None
    signature = body.get("signature")
    if not signature:
        return "is not signed, though people are enrolled"
    by, public = str(signature["by"]), _key_of(people, body, str(signature["by"]))
    if not public or not is_signed_by(body, public):
        return "its signature is not that of an enrolled person: it was forged"
    if not first and by != RECOVERY and not _has_right(people.known[by], body, act):
        return f"is signed by {by}, who may not {act}"
    own = body["kind"] == "decision" and "imported" not in body
    if own and list(body["after"]) != before:
        return "was signed after other decisions than those before it: repeated or moved"
    return None


def _key_of(people: People, body: Mapping[str, Any], by: str) -> str:
    """The public key that must have signed; empty where nobody could have."""
    person = body["kind"] == "person"
    if person and not people:
        return str(body["public"]) if (by, LICENSED) == (body["initials"], body["role"]) else ""
    if person and by == RECOVERY:
        return people.recovery
    return people.known[by].public if by in people.known else ""


def _has_right(person: Person, body: Mapping[str, Any], act: str) -> bool:
    """Whether the role includes it; a person's own new key, in the same role, always."""
    own = body["kind"] == "person" and body["initials"] == person.initials
    return person.role in MAY[act] or (own and body["role"] == person.role != LEFT)
