"""Checks on record: a folder for each that is whole or not there, and its entry.

Notes
-----
The same check is the same entry. A process may die between renaming a folder and entering it.
Choice: the key is the hash of scans, case, limits and version; the folder bears its first twelve
digits, so that doing it again finds what is there. Instead of: a journal. Cost: repeating a check
on purpose leaves no second entry; `records confirm` is meant for that.
"""

from __future__ import annotations

import dataclasses
import json
import re
import shutil
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from veneercheck.case.folders import ORDER, is_finished, look_whole, write_text
from veneercheck.case.order import Settled
from veneercheck.case.run import carry_out
from veneercheck.core.errors import RecordError, Told
from veneercheck.machine.aside import move_into_place, room_in
from veneercheck.machine.texts import writable
from veneercheck.record.located import file_hashes, folder_of, place_on_record
from veneercheck.record.sameness import (
    EARLIER,
    EARLIER_FILES,
    PLAN_FILES,
    PLANNED,
    key_of,
    key_of_order,
    limits_kept,
    look_at_scan,
    order_document,
    place_in,
)
from veneercheck.report.counted import STANDING

if TYPE_CHECKING:
    from collections.abc import Callable

    from veneercheck.record import Entry, Register
    from veneercheck.report import Language, Paper

    Say = Callable[[str], None]

_COMPANIONS = (".obj",)
"""Formats whose colours lie in other files: such a scan is left where it is."""

_INITIALS = re.compile(r"\w{1,8}")


@dataclasses.dataclass(frozen=True, slots=True)
class Made:
    """A case folder that is whole.

    Parameters
    ----------
    folder : Path
    key : str
        Hash of scans, case, limits and version: the same check has the same key.
    fresh : bool
        False where it was there already.
    """

    folder: Path
    key: str
    fresh: bool


def _silent(_: str) -> None:
    pass


def initials(who: str) -> str:
    """Initials as they may stand on record; a longer name is refused."""
    if not _INITIALS.fullmatch(who):
        raise RecordError(
            Told("«{who}» cannot stand on record.", who=who),
            where="--who",
            next_step="Give initials: one to eight letters or digits.",
        )
    return who


def make_case_folder(
    work: Settled,
    store: Path,
    *,
    keep_scans: bool = True,
    with_report: bool = True,
    lang: Language = "en",
    paper: Paper = "a4",
    now: datetime | None = None,
    say: Say = _silent,
    standing: Mapping[str, Any] | None = None,
    done: Path | None = None,
) -> Made:
    """Check a case into a folder of its own, made aside and renamed.

    Parameters
    ----------
    work : Settled
    store : Path
        Holds the case folders.
    keep_scans : bool
        Copy the scans into the folder, so that the check can be repeated from it alone.
    with_report : bool
    lang : {"en", "de"}
    paper : {"a4", "us-letter"}
    now : datetime, optional
    say : callable
    standing : mapping, optional
        With what and by which limits it is made (`record.standing`): laid beside the result.
    done : Path, optional
        Folder in which this very check was made already: its files are taken as they are.

    Returns
    -------
    Made
        Where the same check was made before, its folder as it is.
    """
    from veneercheck.record import sha256_of_file

    made = found_whole(work, store)
    if made is not None:
        return made
    called = work.called or (writable(work.framework.name), writable(work.waxup.name))
    with room_in(store) as room:
        there = work.scans
        used = {
            role: kept_scan(scan, role, room, keep_scans) for role, scan in there.items() if scan
        }
        hashes = {role: sha256_of_file(scan) for role, scan in used.items()}
        earlier = _kept_some(work.earlier, room / EARLIER, EARLIER_FILES)
        plan = _kept_some(work.plan, room / PLANNED, PLAN_FILES)
        order = order_document(work, dict(zip(there, called, strict=False)), used, hashes, room)
        key = key_of_order(order)
        folder = place_in(store, work, key)
        if is_finished(folder):
            return Made(folder, key, fresh=False)
        settled = dataclasses.replace(
            work,
            framework=used["framework"],
            waxup=used["waxup"],
            called=called,
            earlier=earlier,
            plan=plan,
            die=used.get("die"),
            reference=used.get("painted"),
        )
        if standing is not None:
            text = json.dumps({**standing, "key": key}, indent=1, ensure_ascii=False)
            write_text(room / STANDING, text + "\n")
        if done is not None:
            shutil.copytree(done, room, dirs_exist_ok=True)
        else:
            carry_out(
                settled, out=room, with_report=with_report, lang=lang, paper=paper, now=now, say=say
            )
        write_text(room / ORDER, json.dumps(order, indent=1, ensure_ascii=False) + "\n")
        return Made(folder, key, fresh=move_into_place(room, folder))


def found_whole(work: Settled, store: Path) -> Made | None:
    """The folder of the same check, where it is there: nothing is copied to find out."""
    key = key_of(work)
    folder = place_in(store, work, key)
    return Made(folder, key, fresh=False) if is_finished(folder) else None


def check_on_record(
    register: Register,
    work: Settled,
    store: Path,
    *,
    who: str | None = None,
    with_report: bool = True,
    lang: Language = "en",
    paper: Paper = "a4",
    say: Say = _silent,
    now: datetime | None = None,
) -> tuple[Made, Entry]:
    """Check a case into its folder and enter it; where it is on record, that folder holds.

    Parameters
    ----------
    register : Register
    work : Settled
    store : Path
        Where the folder is made, if the check is not on record.
    who : str, optional
        Initials.
    with_report, lang, paper, say, now
        As for `make_case_folder`.

    Raises
    ------
    RecordError
        If the check is on record and its folder is gone: another one would not be the same.
    """
    key = key_of(work)
    there = register.with_key(key)
    if there is None:
        moment = now or datetime.now(UTC)
        made = make_case_folder(
            work,
            store,
            with_report=with_report,
            lang=lang,
            paper=paper,
            now=moment,
            say=say,
            standing=standing_of(register, work, who, moment),
        )
        return made, put_on_record(register, made, who=who)
    folder = folder_of(register, there)
    if not folder.is_dir():
        raise RecordError(
            "this check is on record, and its case folder is not where it was.",
            where=str(folder),
            next_step="Bring the folder back there; what is on record stays as it is.",
        )
    return Made(folder, key, fresh=False), there


def take_on_record(
    register: Register, work: Settled, done: Path, store: Path, *, who: str, now: datetime
) -> Entry:
    """Put a check on record that was made already; where it is on record, nothing is done.

    Parameters
    ----------
    register : Register
    work : Settled
        What it was made from.
    done : Path
        The folder that it was made into.
    store : Path
        Where its case folder is made.
    who : str
        Initials of who checked.
    now : datetime
        When it is put on record: what its scanner and limits are worth is told of that moment.
    """
    initials(who)
    there = register.with_key(key_of(work))
    if there is not None:
        return there
    standing = standing_of(register, work, who, now)
    made = make_case_folder(work, store, standing=standing, done=done)
    return put_on_record(register, made, who=who)


def standing_of(
    register: Register, work: Settled, who: str | None, now: datetime
) -> dict[str, Any]:
    """With what, and by which limits, this work is checked, as the register knows it now."""
    from veneercheck.record.standing import standing

    return standing(
        register,
        limits_kept(work.limits),
        scanner=work.scanner,
        needed=work.limits.calibration_needed,
        who=who,
        now=now,
    )


def put_on_record(register: Register, made: Made, *, who: str | None = None) -> Entry:
    """Enter a case folder in the register; what is on record already stays as it is."""
    there = register.with_key(made.key)
    if there is not None:
        return there
    look_whole(made.folder)
    body = {
        "schema": "veneercheck record 1",
        "kind": "check",
        "who": initials(who) if who else None,
        "folder": place_on_record(register, made.folder),
        "order": json.loads((made.folder / ORDER).read_text(encoding="utf-8")),
        "result": json.loads((made.folder / "result.json").read_text(encoding="utf-8")),
        "files": file_hashes(made.folder),
    }
    if (made.folder / STANDING).is_file():
        body["standing"] = json.loads((made.folder / STANDING).read_text(encoding="utf-8"))
    return register.append(made.key, body)


def kept_scan(scan: Path, role: str, room: Path, keep: bool) -> Path:
    """A scan copied into a folder under the name of its role, if it is to be and can be."""
    look_at_scan(scan)
    suffixes = "".join(scan.suffixes[-2:]) if scan.suffix.lower() == ".gz" else scan.suffix
    if not keep or suffixes.lower().startswith(_COMPANIONS):
        return scan
    copy = room / "scans" / f"{role}{suffixes.lower()}"
    copy.parent.mkdir(exist_ok=True)
    shutil.copyfile(scan, copy)
    return copy


def _kept_some(folder: Path | None, copy: Path, names: tuple[str, ...]) -> Path | None:
    """The result or plan that this check is compared with, in its own folder too."""
    if folder is None:
        return None
    copy.mkdir()
    for name in names:
        if (folder / name).is_file():
            shutil.copyfile(folder / name, copy / name)
    return copy
