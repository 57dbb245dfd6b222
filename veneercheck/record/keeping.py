"""Keeping the record: how long, what must stay, what goes; all of it in one file, and back."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import shutil
import zipfile
import zlib
from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any

from veneercheck.case.folders import unwritable
from veneercheck.core.errors import RecordError, Told
from veneercheck.record.deciding import finish
from veneercheck.record.located import files_on_record, folder_of, number_of, place_of
from veneercheck.record.planning import one_check_or_plan

if TYPE_CHECKING:
    from veneercheck.record import Entry, Register

Say = Callable[[str], None]

HELD, RELEASED = "held", "released"

_SCHEMA = "veneercheck backup 1"

_WITH_FOLDERS = ("check", "plan")
"""Kinds of entries whose files lie in a folder of their own."""
BROKEN = (zipfile.BadZipFile, zlib.error, RuntimeError, EOFError, KeyError, ValueError, TypeError)
"""What a damaged ZIP may raise: a kind of packing that is unknown is a `RuntimeError`, too."""

_ABOUT, _ENTRIES = "backup.json", "entries.jsonl"


def _silent(_: str) -> None:
    pass


@dataclasses.dataclass(frozen=True, slots=True)
class Kept:
    """What a backup holds, or what came back from one.

    Parameters
    ----------
    entries, folders, files : int
    head : str
        Hash of the last entry.
    """

    entries: int
    folders: int
    files: int
    head: str


def hold_body(
    register: Register, case: str, *, what: str, why: str, who: str, now: datetime
) -> dict[str, Any]:
    """The entry that holds a check back from disposal, or lets go of it.

    Raises
    ------
    RecordError
        If it is held already, or not held.
    """
    check = one_check_or_plan(register, case)
    if (what == HELD) == is_held(register, check.key):
        state = Told("already") if what == HELD else Told("not")
        raise RecordError(Told("this check is {state} held.", state=state), where=register.shown)
    return {
        "kind": "hold",
        "check_key": check.key,
        "case_number": number_of(check) or None,
        "what": what,
        "why": why,
        "who": who,
        "entered_at_utc": now.isoformat(timespec="seconds"),
    }


def is_held(register: Register, check_key: str) -> bool:
    """Whether a check must not be disposed of."""
    return hold_of(register, check_key) is not None


def hold_of(register: Register, check_key: str) -> Entry | None:
    """The hold that stands on a check, if one does."""
    from veneercheck.record.standing import entries_with

    found = entries_with(register, kind="hold", check_key=check_key)
    return found[-1] if found and found[-1].body["what"] == HELD else None


def disposal_of(register: Register, check_key: str) -> Entry | None:
    """The entry by which a check was disposed of, if it was."""
    from veneercheck.record.standing import entries_with

    found = entries_with(register, kind="disposal", check_key=check_key)
    return found[-1] if found else None


def expired(register: Register, years: int, now: datetime) -> Iterator[tuple[Entry, bool]]:
    """Checks and plans made so many years ago whose files are still kept, and whether held."""
    from veneercheck.record.finding import Wanted, find
    from veneercheck.record.plans_found import find_plans

    until = (now.date().isoformat()[:4], now.date().isoformat()[4:])
    last = f"{int(until[0]) - years:04d}{until[1]}"
    old = Wanted(until=last)
    keys = [one.key for one in find(register, old)]
    keys += [one.key for one in find_plans(register, old)]
    for key in keys:
        check = register.with_key(key)
        gone = disposal_of(register, key) is not None
        if check is not None and not (gone and not folder_of(register, check).exists()):
            yield check, is_held(register, key)


def disposal_body(
    register: Register, check: Entry, *, years: int, why: str, who: str, now: datetime
) -> dict[str, Any]:
    """The entry of a disposal: the hashes of all that goes stay on record."""
    return {
        "kind": "disposal",
        "check_key": check.key,
        "case_number": number_of(check) or None,
        "kept_years": years,
        "disposed": files_on_record(register, check),
        "why": why,
        "who": who,
        "entered_at_utc": now.isoformat(timespec="seconds"),
    }


def remove_disposed(register: Register, check: Entry) -> None:
    """Remove the folder of a check whose disposal is on record; what hangs half is removed too."""
    if disposal_of(register, check.key) is None or is_held(register, check.key):
        raise RecordError(
            "its disposal is not on record, or it is held.", where=str(folder_of(register, check))
        )
    folder = folder_of(register, check)
    try:
        if folder.exists():
            shutil.rmtree(folder)
    except OSError as error:
        raise unwritable(folder, error) from None


def backup(register: Register, target: Path, *, say: Say = _silent) -> Kept:
    """Write the whole record into one ZIP: every entry, and every file of every case.

    Parameters
    ----------
    register : Register
    target : Path
        Written aside and renamed.
    say : callable

    Raises
    ------
    RecordError
        If the register or a file is not as it was put on record: a backup must be whole.
    """
    from veneercheck.record.audit import audit
    from veneercheck.record.bundle import as_on_record

    found = audit(register)
    if found:
        raise RecordError(
            Told("the register was altered ({found}).", found=found[0]),
            where=register.shown,
            next_step="Run «veneercheck records confirm»; keep the last backup that is whole.",
        )
    entries = list(register.entries())
    aside = target.with_name(f".{target.name}.partial")
    folders = files = 0
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        with zipfile.ZipFile(aside, "w", zipfile.ZIP_STORED, allowZip64=True) as archive:
            archive.writestr(_ENTRIES, "".join(map(_line, entries)))
            for check in _kept_checks(register, entries):
                say(f"backing up {folder_of(register, check).name}")
                finish(register, folder_of(register, check).parent)
                folders += 1
                for name, sha in sorted(files_on_record(register, check).items()):
                    content = as_on_record(folder_of(register, check) / name, sha)
                    archive.writestr(f"cases/{check.key}/{name}", content)
                    files += 1
            kept = Kept(len(entries), folders, files, entries[-1].hash if entries else "")
            about = {"schema": _SCHEMA, **dataclasses.asdict(kept)}
            archive.writestr(_ABOUT, json.dumps(about))
        aside.replace(target)
    except OSError as error:
        raise unwritable(target, error) from None
    finally:
        aside.unlink(missing_ok=True)
    return kept


def restore(source: Path, place: str, *, anywhere: bool = False, say: Say = _silent) -> Kept:
    """Bring a whole record back from its ZIP, to where there is none.

    Parameters
    ----------
    source : Path
    place : str
        The register to make: a file, or the URL of a database.
    anywhere : bool
        Folders that do not lie below the register's own go back to where they lay.
    say : callable

    Raises
    ------
    RecordError
        If the file is damaged, or anything is there already: nothing is overwritten.
    """
    from veneercheck.record import Register

    try:
        with zipfile.ZipFile(source) as archive:
            entries = list(_entries_of(archive, source))
            with Register(place) as register:
                if register.entry_at(1) is not None:
                    raise RecordError(
                        "there is a register with entries.",
                        where=register.shown,
                        next_step="Restore to a place where there is none.",
                    )
                known = _Reading(archive, source, entries)
                wanted = [(check, _free(register, check, anywhere)) for check in known.checks()]
                for check, folder in wanted:
                    say(f"bringing back {folder.name}")
                    known.bring(check, folder)
                register.take_over(entries)
    except BROKEN as error:
        raise _damaged(source, str(error)) from None
    except OSError as error:
        raise unwritable(Path(place), error) from None
    return Kept(len(entries), len(wanted), known.files, entries[-1].hash if entries else "")


def backup_entries(source: Path) -> list[Entry]:
    """The entries of a backup, each link of their chain looked at."""
    try:
        with zipfile.ZipFile(source) as archive:
            return list(_entries_of(archive, source))
    except BROKEN as error:
        raise _damaged(source, str(error)) from None


def _line(entry: Entry) -> str:
    names = ("seq", "key", "text", "previous", "hash")
    return json.dumps({name: getattr(entry, name) for name in names}) + "\n"


def _kept_checks(register: Register, entries: list[Entry]) -> Iterator[Entry]:
    for entry in entries:
        if entry.body["kind"] in _WITH_FOLDERS and disposal_of(register, entry.key) is None:
            yield entry


def _entries_of(archive: zipfile.ZipFile, source: Path) -> Iterator[Entry]:
    """Every entry, each link of the chain looked at."""
    from veneercheck.record import Entry
    from veneercheck.record.register import FIRST, link

    about = json.loads(archive.read(_ABOUT))
    if about["schema"] != _SCHEMA:
        raise _damaged(source, "another program or version wrote it")
    previous, count = FIRST, 0
    for line in archive.read(_ENTRIES).decode("utf-8").splitlines():
        told = json.loads(line)
        entry = Entry(**told, body=json.loads(told["text"]))
        whole = link(entry.seq, entry.key, entry.text, previous)
        if (entry.hash, entry.previous, entry.seq) != (whole, previous, count + 1):
            raise _damaged(source, f"entry {count + 1} does not match its hash")
        yield entry
        previous, count = entry.hash, count + 1
    if count != about["entries"]:
        raise _damaged(source, f"{count} of {about['entries']} entries are there")


class _Reading:
    """The case folders in a backup."""

    def __init__(self, archive: zipfile.ZipFile, source: Path, entries: list[Entry]) -> None:
        self.archive, self.source, self.entries, self.files = archive, source, entries, 0
        gone = (one for one in entries if one.body["kind"] == "disposal")
        self._gone = {one.body["check_key"] for one in gone}

    def checks(self) -> list[Entry]:
        """The checks and plans whose files were kept."""
        return [
            one
            for one in self.entries
            if one.body["kind"] in _WITH_FOLDERS and one.key not in self._gone
        ]

    def bring(self, check: Entry, folder: Path) -> None:
        """Write the files of a check, aside and then renamed; each compared with its hash."""
        aside = folder.with_name(f".{folder.name}.partial")
        shutil.rmtree(aside, ignore_errors=True)
        for name, sha in self._files(check).items():
            content = self.archive.read(f"cases/{check.key}/{name}")
            if hashlib.sha256(content).hexdigest() != sha or leaves(name):
                raise _damaged(self.source, f"{name} of {folder.name} is not the one on record")
            (aside / name).parent.mkdir(parents=True, exist_ok=True)
            (aside / name).write_bytes(content)
            self.files += 1
        aside.replace(folder)

    def _files(self, check: Entry) -> dict[str, str]:
        found = dict(check.body["files"])
        for one in self.entries:
            if one.body["kind"] == "decision" and one.body["check_key"] == check.key:
                found |= one.body["files"]
        return found


def _free(register: Register, check: Entry, anywhere: bool) -> Path:
    """Where a case folder goes back to, if that is allowed and nothing is there."""
    on_record, folder = check.body["folder"], folder_of(register, check)
    if (leaves(on_record) or register.file is None) and not anywhere:
        raise RecordError(
            "this folder did not lie below its register.",
            where=str(place_of(register, on_record)),
            next_step="To bring it back to that very place, give --anywhere.",
        )
    if folder.exists():
        raise RecordError(
            "there is something in the way; nothing is overwritten.",
            where=str(folder),
            next_step="Move it away, or restore to another place.",
        )
    return folder


def leaves(path: str) -> bool:
    """Whether a path leads out of the folder that it counts from."""
    parts = PurePosixPath(path)
    return parts.is_absolute() or ".." in parts.parts or Path(path).is_absolute()


def _damaged(source: Path, what: str) -> RecordError:
    return RecordError(
        Told("this backup is damaged, or none: {what}.", what=what),
        where=str(source),
        next_step="Take another copy; nothing of this one was put on record.",
    )
