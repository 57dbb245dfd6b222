"""Checks and plans of another register, a backup or a bundle, taken into this one and marked so.

Notes
-----
What is imported is entered anew, and says where it came from. A chain cannot take entries from the
middle of another one, and whoever signed there has no right here. Choice: each check and each
decision on it becomes an entry of this chain under the key that it had, with the place, the hashes
and the signature that it had there, signed here by a licensed person; `confirm` puts the entry of
the other register together again and compares its hash. Limits and scanners stay there: what a
check was made with stands in its own entry. Instead of: a second chain beside the first. Cost: that
the other register was the laboratory's own, only its signatures and the person who imported tell.
"""

from __future__ import annotations

import dataclasses
import hashlib
import shutil
import tempfile
import zipfile
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from veneercheck.core.errors import RecordError, Told
from veneercheck.machine.aside import move_into_place, room_in
from veneercheck.record.audit import Difference, audit
from veneercheck.record.bundle import as_on_record, bundle_content, bundle_faults
from veneercheck.record.canonical import canonical
from veneercheck.record.keeping import BROKEN, backup_entries, leaves
from veneercheck.record.located import file_hashes, folder_of, number_of, place_on_record
from veneercheck.record.people import People, signature_faults
from veneercheck.record.planning import PLAN, made_of
from veneercheck.record.register import Entry, Register, link
from veneercheck.record.tables import MARKS

Say = Callable[[str], None]
Sign = Callable[[Mapping[str, Any]], Mapping[str, Any]]

_MADE = {"check": "result.json", PLAN: "plan.json"}
"""Kinds of entries that come over, and the file that tells one of a key from another."""

_ON_CHECKS = ("decision", "hold", "disposal")
_SHOWN = 12


def _silent(_: str) -> None:
    pass


@dataclasses.dataclass(frozen=True, slots=True)
class Source:
    """Where checks come from.

    Parameters
    ----------
    name : str
    mark : str
        What tells that register from any other; of a bundle, what its check says.
    entries : list of Entry
    read : callable
        The bytes of a file of a check, by its name and the hash on record.
    """

    name: str
    mark: str
    entries: list[Entry]
    read: Callable[[Entry, str, str], bytes]


@dataclasses.dataclass(frozen=True, slots=True)
class Taken:
    """What came of an import.

    Parameters
    ----------
    checks, more, there : int
        Checks and entries on them that are on record now, and checks that were there already.
    conflicts : tuple of str
        What was not taken, and why.
    left : mapping of str to int
        Kinds of entries that are not imported, and how many.
    plans : int
        Plans that are on record now.
    """

    checks: int
    more: int
    there: int
    conflicts: tuple[str, ...]
    left: Mapping[str, int]
    plans: int = 0


@contextmanager
def source_of(place: str) -> Iterator[Source]:
    """Another register (a file or a database), a backup or a bundle; it must be whole.

    Raises
    ------
    RecordError
        If anything in it is not as it was put on record.
    """
    file = Path(place)
    if "://" not in place and not file.is_file():
        raise RecordError("there is nothing to import.", where=place, next_step="Check the path.")
    if "://" in place or not zipfile.is_zipfile(file):
        with _register(place) as source:
            yield source
        return
    with zipfile.ZipFile(file) as archive:
        names = set(archive.namelist())
    yield _bundle(file) if "record.json" in names else _backup(file)


@contextmanager
def _register(place: str) -> Iterator[Source]:
    """A register; one in SQLite is read from a copy, since an older form would be brought here."""
    with tempfile.TemporaryDirectory(prefix="veneercheck-") as room:
        where = place
        if "://" not in place:
            where = str(shutil.copyfile(place, Path(room) / "register.sqlite"))
        with Register(where) as other:
            _refuse([str(one) for one in audit(other)], place)
            entries = list(other.entries())

        def read(check: Entry, name: str, sha: str) -> bytes:
            folder = Path(check.body["folder"])
            base = Path() if "://" in place else Path(place).absolute().parent
            return as_on_record(base / folder / name, sha)

        yield _looked_at(Source(place, _mark(entries), entries, read))


def _backup(file: Path) -> Source:
    entries = backup_entries(file)

    def read(check: Entry, name: str, sha: str) -> bytes:
        return _member(file, f"cases/{check.key}/{name}", sha)

    return _looked_at(Source(str(file), _mark(entries), entries, read))


def _bundle(file: Path) -> Source:
    _refuse([str(one) for one in bundle_faults(file)], str(file))
    entries, beside = bundle_content(file)
    told = (entries[0].body.get("standing") or {}).get("register")
    inorder = sorted((*entries, *beside), key=lambda entry: entry.seq)

    def read(_: Entry, name: str, sha: str) -> bytes:
        return _member(file, f"case/{name}", sha)

    return Source(str(file), told or entries[0].hash, inorder, read)


def _member(file: Path, name: str, sha: str) -> bytes:
    with zipfile.ZipFile(file) as archive:
        try:
            content = archive.read(name)
        except BROKEN as error:
            raise _damaged(str(file), str(error)) from None
    if hashlib.sha256(content).hexdigest() != sha:
        raise _damaged(str(file), f"{name} is not the file on record")
    return content


def _mark(entries: list[Entry]) -> str:
    return entries[0].hash if entries else ""


def _looked_at(source: Source) -> Source:
    bodies = ((one.seq, one.key, one.body) for one in source.entries)
    _refuse([f"entry {seq}: {what}" for seq, what in signature_faults(bodies)], source.name)
    return source


def _refuse(faults: list[str], where: str) -> None:
    if faults:
        raise _damaged(where, faults[0])


def _damaged(where: str, what: str) -> RecordError:
    return RecordError(
        Told("it is not whole: {what}.", what=what.rstrip(".")),
        where=where,
        next_step="Nothing of it was put on record; take a copy that «records confirm» finds "
        "whole.",
    )


def take_in(
    register: Register,
    source: Source,
    store: Path,
    *,
    who: str,
    sign: Sign,
    now: datetime,
    same_numbers: bool = False,
    say: Say = _silent,
) -> Taken:
    """Put the checks of another register on record here; nothing is overwritten.

    Parameters
    ----------
    register : Register
    source : Source
    store : Path
        Where their case folders are made.
    who : str
        Initials of who imports.
    sign : callable
        Gives a body its signature; as it is where nobody is enrolled.
    now : datetime
    same_numbers : bool
        A case number stands for the same case in both.
    say : callable
    """
    moment = now.isoformat(timespec="seconds")
    about = {"register": source.mark, "who": who, "imported_at_utc": moment}
    people, known = People(), dict[int, People]()
    for entry in source.entries:  # who they were, at the place of each entry
        known[entry.seq] = _copy(people)
        people.take(entry.body)
    told, conflicts = Counter[str](), list[str]()
    for check in (one for one in source.entries if one.body["kind"] in _MADE):
        on_it = [one for one in source.entries if one.body.get("check_key") == check.key]
        on_it = [one for one in on_it if one.body["kind"] in _ON_CHECKS]
        state = _state(register, check, on_it, source.mark, same_numbers)
        if state:
            told["there"] += state == _THERE
            conflicts += [] if state == _THERE else [f"{_called(check)}: {state}"]
            continue
        say(f"importing {_called(check)}")
        if register.with_key(check.key) is None:
            folder = _bring(source, check, on_it, store)
            on_record = place_on_record(register, folder)
            body = _anew(check, {**about, **_origin(check, known)}, on_record)
            register.append(check.key, sign(body))
            told[str(check.body["kind"])] += 1
        for one in on_it:
            if register.with_key(one.key) is None:
                register.append(one.key, sign(_anew(one, {**about, **_origin(one, known)})))
                told["more"] += 1
    kinds = Counter(str(one.body["kind"]) for one in source.entries)
    left = {kind: n for kind, n in kinds.items() if kind not in (*_MADE, *_ON_CHECKS)}
    some = (told["check"], told["more"], told["there"])
    return Taken(*some, tuple(conflicts), left, told[PLAN])


_THERE = "is on record here already"


def _state(
    register: Register, check: Entry, on_it: list[Entry], mark: str, same_numbers: bool
) -> str:
    """Why a check is not taken: it is there already, or what stands against it; else nothing."""
    there = register.with_key(check.key)
    if there is not None:
        kind = check.body["kind"]
        if there.body["files"].get(_MADE[kind]) != check.body["files"].get(_MADE[kind]):
            return f"another result of the same {kind} is on record here"
        lacking = [one.seq for one in on_it if register.with_key(one.key) is None]
        if not lacking:
            return _THERE
        mine = (there.body.get("imported") or {}).get("register") == mark
        if mine and _is_whole(folder_of(register, there), check, on_it):
            return ""  # an import that was stopped
        return f"it is on record here without entries {lacking} on it"
    return "" if same_numbers else _number_taken(register, check, mark)


def _number_taken(register: Register, check: Entry, mark: str) -> str:
    """Whether the case number stands for another case here: none of its scans is the same."""
    number = number_of(check)
    own = {scan["sha256"] for scan in check.body["order"]["scans"].values()}
    for other in made_of(register, number) if number else ():
        scans = {scan["sha256"] for scan in other.body["order"].get("scans", {}).values()}
        ours = (other.body.get("imported") or {}).get("register") != mark
        if ours and not (own & scans):
            return f"case number {number} is on record here by other scans"
    return ""


def _called(check: Entry) -> str:
    number = number_of(check) or "without a number"
    return f"{check.body['kind']} {check.key[:_SHOWN]}, case {number}"


def _copy(people: People) -> People:
    found = People()
    found.known, found.recovery = dict(people.known), people.recovery
    return found


def _origin(entry: Entry, known: Mapping[int, People]) -> dict[str, Any]:
    """Where an entry stood, and who had signed it there in which role."""
    found: dict[str, Any] = {
        "seq": entry.seq,
        "previous": entry.previous,
        "hash": entry.hash,
        "folder": entry.body.get("folder"),
        "signature": entry.body.get("signature"),
        "imported": entry.body.get("imported"),
    }
    signature = entry.body.get("signature")
    person = known[entry.seq].known.get(signature["by"]) if signature else None
    return {**found, "role": person.role if person else None}


def _anew(entry: Entry, about: Mapping[str, Any], folder: str | None = None) -> dict[str, Any]:
    body = {name: value for name, value in entry.body.items() if name != "signature"}
    if folder is not None:
        body["folder"] = folder
    return {**body, "imported": dict(about)}


def original_hash(entry: Entry) -> str:
    """The hash that an imported entry had where it came from, by what it says now."""
    told = entry.body["imported"]
    ours = ("imported", "signature")
    body = {name: value for name, value in entry.body.items() if name not in ours}
    body |= {name: told[name] for name in ("folder", *ours) if told[name] is not None}
    return link(told["seq"], entry.key, canonical(body), told["previous"])


def import_faults(register: Register) -> Iterator[Difference]:
    """Imported entries that are not those of the register that they came from."""
    wanted = sa.select(MARKS.c.seq).where(MARKS.c.name == "origin").order_by(MARKS.c.seq)
    for row in register.rows(wanted):
        entry = register.entry_at(row["seq"])
        if entry is not None and original_hash(entry) != entry.body["imported"]["hash"]:
            words = "is not the entry of the register that it was imported from"
            yield Difference(f"register, entry {entry.seq}", words)


def _bring(source: Source, check: Entry, on_it: list[Entry], store: Path) -> Path:
    """The case folder here, made aside and renamed; none where its files were disposed of."""
    folder = store / Path(check.body["folder"]).name
    if any(one.body["kind"] == "disposal" for one in on_it):
        return folder
    files = _files(check, on_it)
    if folder.exists():
        if _is_whole(folder, check, on_it):
            return folder  # of an import that was stopped
        folder = store / f"{folder.name}-{check.hash[:_SHOWN]}"
    with room_in(store) as room:
        for name, sha in files.items():
            if leaves(name):
                raise _damaged(source.name, f"{name} leads out of its folder")
            (room / name).parent.mkdir(parents=True, exist_ok=True)
            (room / name).write_bytes(source.read(check, name, sha))
        move_into_place(room, folder)
    return folder


def _files(check: Entry, on_it: list[Entry]) -> dict[str, str]:
    """What every file of a case folder is after all that came on it."""
    files = dict(check.body["files"])
    for one in on_it:
        files |= one.body.get("files", {})
    return files


def _is_whole(folder: Path, check: Entry, on_it: list[Entry]) -> bool:
    """Whether a folder holds all of this, or was disposed of."""
    if any(one.body["kind"] == "disposal" for one in on_it):
        return not folder.exists()
    return folder.is_dir() and file_hashes(folder) == _files(check, on_it)
