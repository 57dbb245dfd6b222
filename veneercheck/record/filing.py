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
import os
import re
import shutil
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from veneercheck import __version__
from veneercheck.case.folders import ORDER, is_finished, look_whole, write_text
from veneercheck.case.order import Settled
from veneercheck.case.run import carry_out
from veneercheck.core.errors import RecordError, Told
from veneercheck.machine.aside import move_into_place, room_in
from veneercheck.machine.texts import writable
from veneercheck.report.counted import STANDING

if TYPE_CHECKING:
    from collections.abc import Callable

    from veneercheck.core.types import Limits
    from veneercheck.record import Entry, Register
    from veneercheck.report import Language, Paper

    Say = Callable[[str], None]

EARLIER = "earlier"
_EARLIER_FILES = ("result.json", "space.ply", "contour.ply")

ORDER_SCHEMA = "veneercheck order 1"

_KEY_IN_NAME = 12

_START_OF_KEY = re.compile(r"[0-9a-f]{8,64}")
"""What may stand for a check in place of its case number; less might be the start of a number."""

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
            role: _kept_scan(scan, role, room, keep_scans) for role, scan in there.items() if scan
        }
        hashes = {role: sha256_of_file(scan) for role, scan in used.items()}
        earlier = _kept_earlier(work.earlier, room)
        order = _order_document(work, dict(zip(there, called, strict=False)), used, hashes, room)
        key = _key(order)
        folder = _place(store, work, key)
        if is_finished(folder):
            return Made(folder, key, fresh=False)
        settled = dataclasses.replace(
            work,
            framework=used["framework"],
            waxup=used["waxup"],
            called=called,
            earlier=earlier,
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
    folder = _place(store, work, key)
    return Made(folder, key, fresh=False) if is_finished(folder) else None


def key_of(work: Settled) -> str:
    """What makes a check the same, before anything is copied."""
    from veneercheck.record import sha256_of_file

    there = {role: scan for role, scan in work.scans.items() if scan is not None}
    for scan in there.values():
        _look_at(scan)
    hashes = {role: sha256_of_file(scan) for role, scan in there.items()}
    earlier = {}
    if work.earlier is not None:
        kept_files = [name for name in _EARLIER_FILES if (work.earlier / name).is_file()]
        earlier = {name: sha256_of_file(work.earlier / name) for name in kept_files}
    return _hash({**_settings(work), "scans": hashes, "earlier": earlier})


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


def limits_kept(limits: Limits) -> dict[str, Any]:
    """Limits as they are written down; what is as ever is left out, so that keys stay."""
    from veneercheck.record.rebuild import kept

    found: dict[str, Any] = kept(limits)
    if not limits.calibration_needed:
        del found["calibration_needed"]
    return found


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


def file_hashes(folder: Path) -> dict[str, str]:
    """SHA-256 of every file of a folder, by its path within."""
    from veneercheck.record import sha256_of_file

    files = sorted(path for path in folder.rglob("*") if path.is_file())
    return {path.relative_to(folder).as_posix(): sha256_of_file(path) for path in files}


def folder_of(register: Register, entry: Entry) -> Path:
    """Where the case folder of an entry lies."""
    return place_of(register, entry.body["folder"])


def place_of(register: Register, on_record: str) -> Path:
    """Where a case folder lies, by the path that is on record."""
    folder = Path(on_record)
    if folder.is_absolute() or register.file is None:
        return folder
    return register.file.parent / folder


def one_check(register: Register, case: str) -> Entry:
    """The latest check of a case number, or the one check of the start of a key or of a code.

    Raises
    ------
    RecordError
        If nothing bears that number, and it is no start of one key alone.
    """
    from veneercheck.report.standing import read_code

    if (code := read_code(case)) is not None:
        return _of_code(register, *code)
    of_number = register.checks_of(case)
    if of_number:
        return of_number[-1]
    of_key = register.checks_with_key(case) if _START_OF_KEY.fullmatch(case) else []
    if len(of_key) == 1:
        return of_key[0]
    if of_key:
        raise RecordError(
            Told(
                "{count} checks have a key that begins with «{case}».", count=len(of_key), case=case
            ),
            where=register.shown,
            next_step="Give more signs of the key, or the case number.",
        )
    raise RecordError(
        Told("no check of «{case}» is on record.", case=case),
        where=register.shown,
        next_step="List them with «veneercheck records list»; give a case number as it stands "
        "there, or at least 8 signs of the key.",
    )


def _of_code(register: Register, key: str, result_sha: str) -> Entry:
    """The check that the code on a printed report says, if the paper tells of this very result."""
    entry = register.with_key(key)
    if entry is None or entry.body["kind"] != "check":
        raise RecordError(
            "the check of this paper is not on record here.",
            where=register.shown,
            next_step="Name the register that it was filed in.",
        )
    if entry.body["files"].get("result.json") != result_sha:
        raise RecordError(
            "this paper tells of another result than the one on record.",
            where=register.shown,
            next_step="Go by the record; «veneercheck records confirm» says whether it is whole.",
        )
    return entry


def files_on_record(register: Register, check: Entry) -> dict[str, str]:
    """What every file of a case folder must be, after the decisions on it."""
    files = dict(check.body["files"])
    for decision in register.decisions_on(check.key):
        files |= decision.body["files"]
    return files


def _order_document(
    work: Settled,
    called: Mapping[str, str],
    used: Mapping[str, Path],
    hashes: Mapping[str, str],
    room: Path,
) -> dict[str, Any]:
    def place(scan: Path) -> str:
        inside = scan.is_relative_to(room)
        return scan.relative_to(room).as_posix() if inside else str(scan.absolute())

    return {
        **_settings(work),
        "scans": {
            role: {
                "sha256": hashes[role],
                "place": place(scan),
                "called": called.get(role, writable(scan.name)),
            }
            for role, scan in used.items()
        },
        "earlier": file_hashes(room / EARLIER) if (room / EARLIER).exists() else {},
    }


def _settings(work: Settled) -> dict[str, Any]:
    """What an order says besides its files."""
    from veneercheck.record.rebuild import kept

    return {
        "schema": ORDER_SCHEMA,
        "version": __version__,
        "case": kept(work.case),
        "limits": limits_kept(work.limits),
        "unit": work.unit,
        "aligned": work.aligned,
        # Only where it is said, so that what is on record keeps its key.
        **({} if work.waxup_kind == "scan" else {"waxup_kind": work.waxup_kind}),
    }


def _place(store: Path, work: Settled, key: str) -> Path:
    return store / f"{_slug(work.case.number)}-{key[:_KEY_IN_NAME]}"


def _key(order: Mapping[str, Any]) -> str:
    """What makes a check the same: everything but where its scans lie and what they are called."""
    scans = {role: scan["sha256"] for role, scan in order["scans"].items()}
    return _hash({**order, "scans": scans})


def _hash(document: Mapping[str, Any]) -> str:
    from veneercheck.record import canonical, sha256_of

    return sha256_of(canonical(document))


def _look_at(scan: Path) -> None:
    """Refuse a path that leads to no scan before it is hashed or copied."""
    from veneercheck.scan.intake import look_at
    from veneercheck.scan.limits import ReadCaps

    look_at(scan, ReadCaps())


def _kept_scan(scan: Path, role: str, room: Path, keep: bool) -> Path:
    _look_at(scan)
    suffixes = "".join(scan.suffixes[-2:]) if scan.suffix.lower() == ".gz" else scan.suffix
    if not keep or suffixes.lower().startswith(_COMPANIONS):
        return scan
    copy = room / "scans" / f"{role}{suffixes.lower()}"
    copy.parent.mkdir(exist_ok=True)
    shutil.copyfile(scan, copy)
    return copy


def _kept_earlier(folder: Path | None, room: Path) -> Path | None:
    """The result that this one is compared with, in the case folder too."""
    if folder is None:
        return None
    copy = room / EARLIER
    copy.mkdir()
    for name in _EARLIER_FILES:
        if (folder / name).is_file():
            shutil.copyfile(folder / name, copy / name)
    return copy


def _slug(number: str | None) -> str:
    """A case number as the start of a folder's name."""
    return re.sub(r"[^\w.-]+", "_", number or "").strip("._")[:60] or "case"


def place_on_record(register: Register, folder: Path) -> str:
    """A folder as it goes on record: from the register's own where that is a file, so that both
    can be moved together."""
    if register.file is None:
        return str(folder.absolute())
    return Path(os.path.relpath(folder.absolute(), register.file.parent)).as_posix()
