"""A person's decision on a check: on record, and in the report of its case folder.

One order of writing, which another start can finish or undo: the files that change are made
aside and put by under the decision's key; the decision goes on record; the files are moved. What
was put by for a decision that is on record is moved by whoever comes next, and what was put by for
one that never came there is taken away.

Notes
-----
A decision is put by before it is on record. A decision changes files of a case folder and adds an
entry, and no system writes both at once; whoever stopped in between had a folder that `confirm`
called altered. Choice: the changed files are brought to disk aside, in a folder named by the keys
of decision and check; then the entry is appended, only if no other decision came first (else all is
drawn anew); then the files are moved while nobody else writes. Every later start that touches the
case moves what is on record and takes away what never came there. Instead of: a lock file, which a
kill leaves behind and a network drive does not honour. Cost: eight decisions at one moment draw the
report up to eight times each.
"""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Mapping
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from veneercheck.case.folders import write_text
from veneercheck.core.errors import RecordError, Told
from veneercheck.machine.aside import ASIDE, owner_lives, owner_name, room_in, to_disk, unwritable
from veneercheck.record.filing import initials
from veneercheck.record.located import files_on_record, folder_of, one_check
from veneercheck.record.signing import sign_decision
from veneercheck.report.counted import STANDING, verdict_of

if TYPE_CHECKING:
    from veneercheck.record import Entry, Register
    from veneercheck.record.keys import Signer

DECISIONS, DECISIONS_SCHEMA = "decisions.json", "veneercheck decisions 1"

_TAKEN_BACK = "taken back"

DECIDED = ("cut again", "accepted", "remake", "ask the dentist", _TAKEN_BACK)
"""What a person may decide; the last takes back the latest decision that stands."""

_PUT_BY = "decided-"
"""Begins the name of a folder aside whose files belong to a decision."""

_KEYS = re.compile(rf"{_PUT_BY}([0-9a-f]{{64}})-([0-9a-f]{{64}})-(.+)")
"""The keys of the decision and of its check, and who put it by."""

DRAWN_FROM = ("result.json", "space.ply", "contour.ply", "die.ply", "zones.csv", STANDING)
"""What the report is drawn from."""


def decide(
    register: Register,
    case: str,
    *,
    who: str,
    what: str,
    why: str,
    now: datetime | None = None,
    signer: Signer | None = None,
) -> Entry:
    """Put a person's decision on the latest check of a case on record, and show it in the report.

    The verdict stays as it was measured. Where people are enrolled, who decides signs it.
    """
    initials(who)
    if what not in DECIDED:
        raise RecordError(
            Told("«{what}» is no decision.", what=what),
            where="--what",
            next_step=Told("Known: {known}.", known=", ".join(DECIDED)),
        )
    check = one_check(register, case)
    folder = folder_of(register, check)
    if not folder.is_dir():
        raise RecordError(
            "the case folder is not where it was.",
            where=str(folder),
            next_step="Bring it back there, and decide again; nothing was put on record.",
        )
    finish(register, folder.parent)
    moment = (now or datetime.now(UTC)).astimezone(UTC).isoformat(timespec="seconds")
    told = {
        "check_key": check.key,
        "case_number": check.body["result"]["case"]["number"],
        "who": who,
        "what": what,
        "why": why,
        "decided_at_utc": moment,
    }
    entry = None
    while entry is None:
        entry = _put_on_record(register, check, folder, told, signer)
    return entry


def finish(register: Register, store: Path) -> None:
    """Finish what a decision left when it was stopped, or undo it where it never was on record."""
    for place in sorted((store / ASIDE).glob(f"{_PUT_BY}*")):
        _settle(register, place, ours=False)


def _put_on_record(
    register: Register,
    check: Entry,
    folder: Path,
    told: Mapping[str, Any],
    signer: Signer | None,
) -> Entry | None:
    """The entry of a decision; None where another one on the same check came first."""
    from veneercheck.record import sha256_of
    from veneercheck.record.canonical import canonical
    from veneercheck.record.register import OvertakenError

    before = register.decisions_on(check.key)
    if told["what"] == _TAKEN_BACK:
        told = {**told, "takes_back": _latest(before, folder).key}
    verdict = verdict_of(check.body["result"], check.body.get("standing"))
    told = sign_decision(register, signer, told, verdict, [entry.key for entry in before])
    key = sha256_of(canonical(told))
    if (there := register.with_key(key)) is not None:
        return there
    with room_in(folder.parent) as room:
        shown = [*(entry.body for entry in before), told]
        files = _with_decisions(register, check, folder, room, shown)
        put_by = room.rename(room.with_name(f"{_PUT_BY}{key}-{check.key}-{owner_name()}"))
        for path in [*put_by.rglob("*"), put_by]:
            to_disk(path)
        body = {"kind": "decision", **told, "files": files}
        try:
            return register.append(key, body, seen=[entry.key for entry in before])
        except OvertakenError:
            return None
        finally:  # also where somebody pressed Ctrl-C
            _settle(register, put_by, ours=True)


def _latest(decisions: list[Entry], folder: Path) -> Entry:
    from veneercheck.record.register import standing

    still = standing(decisions)
    if not still:
        raise RecordError(
            "there is no decision that could be taken back.",
            where=str(folder),
            next_step="Look at what is on record: «veneercheck records show».",
        )
    return still[-1]


def _settle(register: Register, put_by: Path, *, ours: bool) -> None:
    """Move what was put by where its decision is on record; else take it away."""
    named = _KEYS.fullmatch(put_by.name)
    check = register.with_key(named[2]) if named else None
    if named is None or check is None:
        return  # of another register
    entry = register.with_key(named[1])
    if entry is None and not ours and owner_lives(named[3]):
        return  # it is being put on record just now
    if entry is not None:
        try:
            _move(register, check, entry, put_by)
        except OSError as error:
            raise unwritable(put_by, error) from None
    shutil.rmtree(put_by, ignore_errors=True)
    with suppress(OSError):  # others work there
        put_by.parent.rmdir()


def _move(register: Register, check: Entry, entry: Entry, put_by: Path) -> None:
    """Move the files of a decision into the case folder, but for those a later one made anew."""
    folder = folder_of(register, check)
    with register.alone():
        wanted = files_on_record(register, check)
        for name, sha in entry.body["files"].items():
            if wanted.get(name) == sha and (put_by / name).is_file():
                (folder / name).parent.mkdir(exist_ok=True)
                (put_by / name).replace(folder / name)
                to_disk((folder / name).parent)


def decisions_text(decisions: list[Mapping[str, Any]]) -> str:
    """What the report reads of decisions: who, what, why and when."""
    names = ("who", "what", "why", "decided_at_utc")
    shown = [{name: body[name] for name in names} for body in decisions]
    document = {"schema": DECISIONS_SCHEMA, "decisions": shown}
    return json.dumps(document, indent=1, ensure_ascii=False) + "\n"


def _with_decisions(
    register: Register,
    check: Entry,
    folder: Path,
    room: Path,
    decisions: list[Mapping[str, Any]],
) -> dict[str, str]:
    """Draw the report with its decisions aside; hashes of the files that become others."""
    from veneercheck import report
    from veneercheck.record.bundle import as_on_record
    from veneercheck.record.located import file_hashes

    on_record = files_on_record(register, check)
    if "report.html" in on_record:
        for name in DRAWN_FROM:
            if name in on_record:
                (room / name).write_bytes(as_on_record(folder / name, on_record[name]))
    write_text(room / DECISIONS, decisions_text(decisions))
    if "report.html" in on_record:
        report.render(room, lang=report.language_of(folder))
    made = file_hashes(room)
    for name in [name for name in made if on_record.get(name) == made[name]]:
        (room / name).unlink()
        del made[name]
    return made
