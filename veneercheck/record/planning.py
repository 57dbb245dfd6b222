"""Plans on record: a folder for each with its scans, its entry, and the plan made again.

A plan is found by its key or by its case number, is bundled as a check is, and is confirmed by
being made anew: target, depths, marks and every number must be the same to the last digit.
"""

from __future__ import annotations

import dataclasses
import json
import shutil
import tempfile
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from veneercheck import __version__
from veneercheck.case.folders import PLAN_ORDER, write_text
from veneercheck.case.planning import PlanWork, carry_out
from veneercheck.core.errors import RecordError, VeneerCheckError
from veneercheck.machine.aside import move_into_place, room_in
from veneercheck.machine.texts import writable
from veneercheck.record.filing import initials, kept_scan
from veneercheck.record.located import file_hashes, folder_of, one_check, place_on_record
from veneercheck.record.sameness import hash_of, limits_kept, slug

if TYPE_CHECKING:
    from veneercheck.record import Entry, Register
    from veneercheck.report import Language, Paper

    Say = Callable[[str], None]

PLAN = "plan"
"""Kind of the entry."""

_SCHEMA = "veneercheck plan order 1"
_KEY_IN_NAME = 12
_LEAST_OF_KEY = 8

_COMPARED = ("target.ply", "target.stl", "target.3mf", "depth.ply", "marks.csv")
"""Files that another run must give byte by byte; drawings and sheet depend on the language."""


def plan_on_record(
    register: Register,
    work: PlanWork,
    store: Path,
    *,
    who: str | None = None,
    lang: Language = "en",
    paper: Paper = "a4",
    now: datetime | None = None,
    say: Say,
) -> Entry:
    """Plan a case into a folder of its own, and enter it; where it is on record, that holds.

    Parameters
    ----------
    register : Register
    work : PlanWork
    store : Path
        Holds the folders.
    who : str, optional
        Initials.

    Raises
    ------
    RecordError
        If the plan is on record and its folder is gone.
    """
    order = _order(work)
    key = hash_of({**order, "scans": {role: one["sha256"] for role, one in order["scans"].items()}})
    there = register.with_key(key)
    if there is not None:
        if not folder_of(register, there).is_dir():
            raise RecordError(
                "this plan is on record, and its folder is not where it was.",
                where=str(folder_of(register, there)),
                next_step="Bring the folder back there; what is on record stays as it is.",
            )
        return there
    folder = store / f"{slug(work.case.number)}-plan-{key[:_KEY_IN_NAME]}"
    if not folder.is_dir():
        _make(work, order, folder, lang=lang, paper=paper, now=now or datetime.now(UTC), say=say)
    body = {
        "schema": "veneercheck record 1",
        "kind": PLAN,
        "who": initials(who) if who else None,
        "case_number": work.case.number or "",
        "folder": place_on_record(register, folder),
        "order": json.loads((folder / PLAN_ORDER).read_text(encoding="utf-8")),
        "plan": json.loads((folder / "plan.json").read_text(encoding="utf-8")),
        "files": file_hashes(folder),
    }
    return register.append(key, body)


def one_plan(register: Register, named: str) -> Entry | None:
    """The latest plan of a case number, or the one plan whose key begins so; None without any."""
    from veneercheck.record.standing import entries_with

    of_number = entries_with(register, kind=PLAN, case_number=named) if named else []
    if of_number:
        return of_number[-1]
    if len(named) < _LEAST_OF_KEY:
        return None
    of_key = [one for one in entries_with(register, kind=PLAN) if one.key.startswith(named)]
    return of_key[0] if len(of_key) == 1 else None


def made_of(register: Register, number: str) -> list[Entry]:
    """The checks and then the plans of a case number, each the oldest first."""
    from veneercheck.record.standing import entries_with

    return [*register.checks_of(number), *entries_with(register, kind=PLAN, case_number=number)]


def one_check_or_plan(register: Register, named: str) -> Entry:
    """The latest check of a case number, else its latest plan; or the one whose key begins so."""
    try:
        return one_check(register, named)
    except RecordError:
        found = one_plan(register, named)
        if found is None:
            raise
        return found


def planned_again(entry: Entry, folder: Path, say: Say) -> str | None:
    """Make a plan anew: None where all is the same, else what differs or hinders."""
    from veneercheck.record import sha256_of_file

    order = entry.body["order"]
    try:
        work = _settled_again(order, folder)
        for role, path in work.files.items():
            if not path.is_file():
                return f"the {role}'s file is not where it was ({path})"
            if sha256_of_file(path) != order["scans"][role]["sha256"]:
                return f"differs: the {role}'s file was altered ({path})"
        with tempfile.TemporaryDirectory(prefix="veneercheck-") as room:
            carry_out(work, out=Path(room) / "plan", say=say)
            return _compared(entry, Path(room) / "plan")
    except VeneerCheckError as error:
        return f"differs: this program refuses it ({error})"


def _compared(entry: Entry, anew: Path) -> str | None:
    from veneercheck.record import sha256_of_file
    from veneercheck.record.confirm import differences, told_unlike

    document = json.loads((anew / "plan.json").read_text(encoding="utf-8"))
    files = entry.body["files"]
    unlike = [
        *differences(entry.body["plan"], document),
        *(name for name in _COMPARED if sha256_of_file(anew / name) != files[name]),
    ]
    return told_unlike(unlike, entry.body["order"]["version"])


def _order(work: PlanWork) -> dict[str, Any]:
    """What a plan rests on, its files by hash."""
    from veneercheck.record import sha256_of_file
    from veneercheck.record.rebuild import kept

    return {
        "schema": _SCHEMA,
        "version": __version__,
        "case": kept(work.case),
        "limits": limits_kept(work.limits),
        "cutting": kept(work.cutting),
        "unit": work.unit,
        "scans": {
            role: {
                "sha256": sha256_of_file(path),
                "called": work.called.get(role, writable(path.name)),
            }
            for role, path in work.files.items()
        },
    }


def _make(
    work: PlanWork,
    order: Mapping[str, Any],
    folder: Path,
    *,
    lang: Language,
    paper: Paper,
    now: datetime,
    say: Say,
) -> None:
    """The whole folder is made aside, then renamed."""
    with room_in(folder.parent) as room:
        place = room / "plan"
        used: dict[str, Any] = {role: _kept(path, role, room) for role, path in work.files.items()}
        called = {role: one["called"] for role, one in order["scans"].items()}
        own = dataclasses.replace(work, called=called, **used)
        carry_out(own, out=place, lang=lang, paper=paper, now=now, say=say)
        if (room / "scans").is_dir():
            (room / "scans").rename(place / "scans")
        scans = {
            role: {**one, "place": _place(used[role], room)} for role, one in order["scans"].items()
        }
        text = json.dumps({**order, "scans": scans}, indent=1, ensure_ascii=False)
        write_text(place / PLAN_ORDER, text + "\n")
        move_into_place(place, folder)


def _kept(path: Path, role: str, room: Path) -> Path:
    if role != "wedge":
        return kept_scan(path, role, room, keep=True)
    copy = room / "scans" / f"wedge{path.suffix.lower()}"
    copy.parent.mkdir(exist_ok=True)
    shutil.copyfile(path, copy)
    return copy


def _place(path: Path, room: Path) -> str:
    inside = path.is_relative_to(room)
    return path.relative_to(room).as_posix() if inside else str(path.absolute())


def _settled_again(order: Mapping[str, Any], folder: Path) -> PlanWork:
    from veneercheck.core.plan.planned import Cutting
    from veneercheck.core.types import Case, Limits
    from veneercheck.record.rebuild import rebuild

    scans = order["scans"]
    paths: dict[str, Any] = {role: folder / one["place"] for role, one in scans.items()}
    return PlanWork(
        case=rebuild(Case, order["case"]),
        limits=rebuild(Limits, order["limits"]),
        cutting=rebuild(Cutting, order["cutting"]),
        unit=order["unit"],
        called={role: one["called"] for role, one in scans.items()},
        **paths,
    )
