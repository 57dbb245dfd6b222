"""With what a check was made: its scanner and calibration, its limits and who approved them.

All of it is on record before the check. What it comes to at the moment of a check is laid beside
the result (`standing.json`) and into the check's entry, so that no later entry changes it.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from veneercheck.core.errors import RecordError, Told
from veneercheck.record.canonical import canonical, sha256_of, sha256_of_file
from veneercheck.record.marks import folded
from veneercheck.record.register import Entry, Register
from veneercheck.record.tables import ENTRIES, MARKS

STANDING_SCHEMA = "veneercheck standing 1"

VALID, OVERDUE, FAILED, ABSENT = "valid", "out of date", "failed", "absent"
"""What a calibration may be on the day of a check; `absent` also where no scanner was named."""

BUILT_IN, UNAPPROVED, APPROVED = "not on record", "not approved", "approved"
"""What limits may be; those that come with the program are never on record of themselves."""


def entries_with(register: Register, **marks: str) -> list[Entry]:
    """The entries that bear all of these marks, the oldest first."""
    wanted = sa.select(ENTRIES.c.seq)
    for name, value in marks.items():
        these = sa.select(MARKS.c.seq).where(MARKS.c.name == name, MARKS.c.value == folded(value))
        wanted = wanted.where(ENTRIES.c.seq.in_(these))
    found = [register.entry_at(row["seq"]) for row in register.rows(wanted.order_by("seq"))]
    return [entry for entry in found if entry is not None]


def scanner_body(name: str, serial: str, who: str, now: datetime) -> dict[str, Any]:
    """The entry of a scanner."""
    if not folded(name):
        raise RecordError("a scanner needs a name.", next_step="Give the one it has in the lab.")
    return {
        "kind": "scanner",
        "scanner": name,
        "serial": serial,
        "who": who,
        "entered_at_utc": _moment(now),
    }


def calibration_body(
    register: Register,
    scanner: str,
    *,
    artefact: str,
    measured_on: str,
    valid_until: str,
    trueness_um: float | None,
    precision_um: float | None,
    passed: bool,
    certificate: Path | None,
    who: str,
    now: datetime,
) -> dict[str, Any]:
    """The entry of a scanner's calibration.

    Raises
    ------
    RecordError
        If the scanner is not on record, the days are in the wrong order, or a figure is none.
    """
    known = _scanner(register, scanner)
    if date.fromisoformat(measured_on) > date.fromisoformat(valid_until):
        raise RecordError(
            Told(
                "it would be valid until {valid_until}, before it was measured on {measured_on}.",
                valid_until=valid_until,
                measured_on=measured_on,
            ),
            where="--valid-until",
            next_step="Give the day up to which the artefact's measurement holds.",
        )
    return {
        "kind": "calibration",
        "scanner": known["scanner"],
        "artefact": artefact,
        "measured_on": measured_on,
        "valid_until": valid_until,
        "trueness_um": trueness_um,
        "precision_um": precision_um,
        "passed": passed,
        "certificate": _attached(certificate),
        "who": who,
        "entered_at_utc": _moment(now),
    }


def limits_body(
    register: Register,
    limits: Mapping[str, Any],
    *,
    reason: str,
    source: Path | None,
    who: str,
    now: datetime,
) -> dict[str, Any]:
    """The entry of a profile's next revision.

    Parameters
    ----------
    limits : mapping
        As `rebuild.kept` writes them down.

    Raises
    ------
    RecordError
        If the same limits are on record under this name, or a change is given no reason.
    """
    name, sha = str(limits["name"]), limits_key(limits)
    earlier = entries_with(register, kind="limits", profile=name)
    if earlier and earlier[-1].body["limits_sha256"] == sha:
        raise RecordError(
            Told(
                "these limits are revision {body} of «{name}» already.",
                body=earlier[-1].body["revision"],
                name=name,
            ),
            next_step="Nothing needs to be done; approve them if nobody has.",
        )
    if earlier and not reason.strip():
        raise RecordError(
            Told(
                "revision {body} of «{name}» is on record: a change needs a reason.",
                body=earlier[-1].body["revision"],
                name=name,
            ),
            where="--why",
            next_step="Say why the limits change.",
        )
    return {
        "kind": "limits",
        "profile": name,
        "revision": len(earlier) + 1,
        "limits": dict(limits),
        "limits_sha256": sha,
        "reason": reason,
        "source": _attached(source),
        "who": who,
        "entered_at_utc": _moment(now),
    }


def approval_body(
    register: Register, profile: str, revision: int | None, who: str, now: datetime
) -> dict[str, Any]:
    """The entry that approves a revision, the latest one where none is named.

    Raises
    ------
    RecordError
        If there is no such revision, it is approved, or by the one who proposed it.
    """
    found = [
        one
        for one in entries_with(register, kind="limits", profile=profile)
        if revision in (None, one.body["revision"])
    ]
    if not found:
        raise RecordError(
            Told("no such revision of «{profile}» is on record.", profile=profile),
            next_step="List them: «veneercheck limits list».",
        )
    body = found[-1].body
    if approval_of(register, found[-1].key) is not None:
        raise RecordError(
            Told(
                "revision {body} of «{profile}» is approved already.",
                body=body["revision"],
                profile=profile,
            ),
            next_step="A change is a new revision: «veneercheck limits propose».",
        )
    return {
        "kind": "approval",
        "limits_key": found[-1].key,
        "profile": body["profile"],
        "revision": body["revision"],
        "limits_sha256": body["limits_sha256"],
        "same_person": body["who"] == who,
        "who": who,
        "entered_at_utc": _moment(now),
    }


def limits_key(limits: Mapping[str, Any]) -> str:
    """What makes limits the same, to the last digit."""
    return sha256_of(canonical(limits))


def standing(
    register: Register,
    limits: Mapping[str, Any],
    *,
    scanner: str,
    needed: bool,
    who: str | None,
    now: datetime,
) -> dict[str, Any]:
    """With what a check is made at this moment.

    Parameters
    ----------
    register : Register
    limits : mapping
        As `rebuild.kept` writes them down.
    scanner : str
        Its name; empty where none was named.
    needed : bool
        The limits ask for a valid calibration: without one, the verdict is at most undecided.
    who : str or None
    now : datetime

    Returns
    -------
    dict
    """
    with_what = _with_what(register, scanner, now)
    undecided = needed and with_what["calibration"]["state"] != VALID
    return {
        "schema": STANDING_SCHEMA,
        "register": register_mark(register),
        "who": who,
        **with_what,
        "limits": _by_which(register, limits),
        "undecided": ["calibration"] if undecided else [],
    }


def register_mark(register: Register) -> str | None:
    """What tells this register from any other: the hash of its first entry."""
    first = register.entry_at(1)
    return None if first is None else first.hash


def _with_what(register: Register, scanner: str, now: datetime) -> dict[str, Any]:
    if not scanner:
        return {"scanner": None, "calibration": {"state": ABSENT}}
    known = _scanner(register, scanner)
    named = {"name": known["scanner"], "serial": known["serial"]}
    return {"scanner": named, "calibration": calibration_of(register, scanner, now)}


def calibration_of(register: Register, scanner: str, now: datetime) -> dict[str, Any]:
    """A scanner's latest calibration, and what it is worth on a day."""
    on_record = entries_with(register, kind="calibration", scanner=scanner)
    if not on_record:
        return {"state": ABSENT}
    entry = max(on_record, key=lambda one: (one.body["measured_on"], one.seq))
    body, today = entry.body, now.date().isoformat()
    state = VALID if body["measured_on"] <= today <= body["valid_until"] else OVERDUE
    told = ("artefact", "measured_on", "valid_until", "trueness_um", "precision_um", "certificate")
    return {
        "state": state if body["passed"] else FAILED,
        **{name: body[name] for name in told},
        "entry": entry.key,
    }


def _by_which(register: Register, limits: Mapping[str, Any]) -> dict[str, Any]:
    found = entries_with(register, kind="limits", limits_sha256=limits_key(limits))
    if not found:
        return {"state": BUILT_IN, "profile": limits["name"], "revision": None}
    approvals = [(one, approval_of(register, one.key)) for one in found]
    entry, approval = next((pair for pair in approvals if pair[1]), approvals[-1])
    told = {
        "state": UNAPPROVED if approval is None else APPROVED,
        "profile": entry.body["profile"],
        "revision": entry.body["revision"],
        "author": entry.body["who"],
        "source": entry.body["source"],
        "entry": entry.key,
    }
    if approval is not None:
        told["approved_by"] = approval.body["who"]
        told["approved_at_utc"] = approval.body["entered_at_utc"]
    return told


def approval_of(register: Register, limits_entry: str) -> Entry | None:
    """The entry that approves a revision of limits, if there is one."""
    found = entries_with(register, kind="approval", limits_key=limits_entry)
    return found[-1] if found else None


def _scanner(register: Register, name: str) -> Mapping[str, Any]:
    found = entries_with(register, kind="scanner", scanner=name)
    if not found:
        raise RecordError(
            Told("no scanner «{name}» is on record.", name=name),
            where="--scanner",
            next_step="Put it there: «veneercheck scanners add».",
        )
    return found[-1].body


def _attached(file: Path | None) -> dict[str, str] | None:
    """A file by its name and hash: what it holds stays where it is kept."""
    if file is None:
        return None
    try:
        return {"file": file.name, "sha256": sha256_of_file(file)}
    except OSError as error:
        raise RecordError(
            Told("cannot be read ({why}).", why=error.strerror or error),
            where=str(file),
            next_step="Check the path.",
        ) from None


def _moment(now: datetime) -> str:
    return now.isoformat(timespec="seconds")
