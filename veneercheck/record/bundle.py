"""One ZIP for the case record: the same case gives the same bytes, and each byte is known.

Notes
-----
The bundle is not compressed. It must have the same bytes on every machine, and compressors differ.
Choice: stored members, one fixed time. Cost: about twice the size.

A bundle is read as its files follow one another. An altered directory at the archive's end must be
told from an altered file. Choice: a reader of local headers in ten lines, for what we wrote
ourselves; if every file is as it is on record, the archive is written anew and compared byte by
byte. Instead of: the standard library's reader, which stops at the first fault of the directory and
told of the archive alone at 4 of 50 places. Cost: none that shows; where the very beginning is
broken the directory serves after all.
"""

from __future__ import annotations

import io
import json
import struct
import zipfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from veneercheck.core.errors import RecordError, Told
from veneercheck.machine.aside import written_aside
from veneercheck.record.audit import Difference
from veneercheck.record.canonical import canonical
from veneercheck.record.prov import provenance
from veneercheck.record.register import Entry, Register, link

MANIFEST, RECORD, PROV = "manifest.json", "record.json", "prov.json"
MANIFEST_SCHEMA = "veneercheck bundle 1"

_MEMBER_BEGINS = b"PK\x03\x04"
_SIZE_AT, _HEADER_SIZE = 18, 30
"""How a file begins in a ZIP, where its size stands, and where its name (APPNOTE 4.3.7)."""

_NO_TIME = (1980, 1, 1, 0, 0, 0)
"""ZIP knows no earlier moment; the real ones stand in the record."""

_READABLE = 0o644 << 16
_UNIX = 3


def write_bundle(
    target: Path,
    folder: Path,
    on_record: Mapping[str, str],
    entries: Iterable[Entry],
    beside: Sequence[Entry] = (),
) -> Path:
    """Write the bundle of a check: its files, the entries on it, their manifest and provenance.

    Parameters
    ----------
    target : Path
        Written aside and renamed.
    folder : Path
        The case folder.
    on_record : mapping
        SHA-256 of every file of the folder, as it is on record.
    entries : iterable of Entry
        The check, then the decisions on it.
    beside : sequence of Entry
        What is on record of people, so that signatures can be verified from the bundle alone.

    Raises
    ------
    RecordError
        If a file is not as it is on record: an altered case is not bundled.
    """
    check, *decisions = entries
    told = {"entries": [_link(entry) for entry in (check, *decisions)]}
    told |= {"beside": [_link(entry) for entry in beside]} if beside else {}
    record = canonical(told)
    prov = canonical(provenance(check, decisions))
    manifest = _manifest(check, on_record, record, prov)
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        with written_aside(target) as aside, zipfile.ZipFile(aside, "w") as archive:
            for name, text in ((MANIFEST, manifest), (PROV, prov), (RECORD, record)):
                archive.writestr(_member(name), text.encode("utf-8"))
            for name in sorted(on_record):
                content = as_on_record(folder / name, on_record[name])
                archive.writestr(_member(f"case/{name}"), content)
        return target
    except OSError as error:
        raise RecordError(
            Told("the bundle cannot be written ({why}).", why=error.strerror or error),
            where=str(target),
            next_step="Check the free space, and that the case folder is whole.",
        ) from None


def bundle_faults(bundle: Path) -> list[Difference]:
    """What was altered in a bundle: a file, its manifest, or the archive round them.

    Parameters
    ----------
    bundle : Path

    Returns
    -------
    list of Difference
        Empty where every byte is what `write_bundle` wrote of this record. That the record is the
        laboratory's own, only the register can tell (`not_on_record`).
    """
    try:
        data = bundle.read_bytes()
        members, broken = _members(data)
        found = [Difference(f"{bundle.name}, {name}", what) for name, what in broken]
        found = found or _content_faults(members, bundle.name)
    except (zipfile.BadZipFile, OSError, KeyError, ValueError, TypeError) as error:
        return [Difference(bundle.name, f"cannot be read as a bundle: {error}")]
    return found or _frame_faults(data, members, bundle.name)


def _members(data: bytes) -> tuple[dict[str, bytes], list[tuple[str, str]]]:
    """The files of a bundle, read as they follow one another; and those that cannot be read.

    The archive's own directory at its end is not needed, and so may be altered itself. It serves
    where the very beginning is broken.
    """
    members, place = {}, 0
    while data[place : place + 4] == _MEMBER_BEGINS:
        size, _, name_size, more_size = struct.unpack_from("<IIHH", data, place + _SIZE_AT)
        name_at = place + _HEADER_SIZE
        name = data[name_at : name_at + name_size].decode("utf-8", "replace")
        content_at = name_at + name_size + more_size
        members[name] = data[content_at : content_at + size]
        place = content_at + size
    if RECORD in members:
        return members, []
    return _members_by_directory(data)


def _members_by_directory(data: bytes) -> tuple[dict[str, bytes], list[tuple[str, str]]]:
    members, broken = {}, []
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        for name in archive.namelist():
            try:
                members[name] = archive.read(name)
            except (zipfile.BadZipFile, NotImplementedError, RuntimeError) as error:
                broken.append((name, f"cannot be read: {error}"))
    return members, broken


def _frame_faults(data: bytes, members: Mapping[str, bytes], bundle: str) -> list[Difference]:
    """What was altered in the archive itself, round files that are whole."""
    again = io.BytesIO()
    with zipfile.ZipFile(again, "w") as anew:
        for name, content in members.items():
            anew.writestr(_member(name), content)
    if again.getvalue() == data:
        return []
    pairs = zip(data, again.getvalue(), strict=False)
    byte = next((at for at, (one, other) in enumerate(pairs) if one != other), len(data))
    return [Difference(f"{bundle}, byte {byte}", "is not what this program writes there")]


def _content_faults(members: Mapping[str, bytes], bundle: str) -> list[Difference]:
    import hashlib

    try:
        record_text = members[RECORD].decode("utf-8")
        entries, beside = _entries(record_text), _entries(record_text, "beside")
    except (KeyError, ValueError, TypeError) as error:
        return [Difference(f"{bundle}, {RECORD}", f"cannot be read: {error}")]
    found = [
        Difference(f"{bundle}, {RECORD}, entry {entry.seq}", "does not match its hash")
        for entry in (*entries, *beside)
        if entry.hash != link(entry.seq, entry.key, entry.text, entry.previous)
    ]
    if found:
        return found  # nothing can be compared with a record that is not the one written
    if beside:
        found += _forged(bundle, [*entries, *beside])
    check, *decisions = entries
    files = dict(check.body["files"])
    for decision in decisions:
        files |= decision.body["files"]
    prov = canonical(provenance(check, decisions))
    if members.get(PROV) != prov.encode():
        found.append(Difference(f"{bundle}, {PROV}", "does not follow from the record"))
    if members.get(MANIFEST) != _manifest(check, files, record_text, prov).encode():
        found.append(Difference(f"{bundle}, {MANIFEST}", "does not follow from the record"))
    wanted = {f"case/{name}": sha for name, sha in files.items()}
    for name in sorted(wanted.keys() | members.keys() - {MANIFEST, RECORD, PROV}):
        if name not in members or name not in wanted:
            found.append(Difference(f"{bundle}, {name}", "is missing or not on record"))
        elif hashlib.sha256(members[name]).hexdigest() != wanted[name]:
            found.append(Difference(f"{bundle}, {name}", "is not the file on record"))
    return found


def _forged(bundle: str, entries: list[Entry]) -> Iterator[Difference]:
    """Decisions in a bundle that are not signed as they must be, by the people in it."""
    from veneercheck.record.people import signature_faults

    inorder = sorted(entries, key=lambda entry: entry.seq)
    for seq, what in signature_faults((one.seq, one.key, one.body) for one in inorder):
        yield Difference(f"{bundle}, {RECORD}, entry {seq}", what)


def not_on_record(bundle: Path, register: Register) -> list[Difference]:
    """Entries of a whole bundle that are not those of a register.

    Parameters
    ----------
    bundle : Path
        In which `bundle_faults` finds nothing.
    register : Register

    Returns
    -------
    list of Difference
        Empty where the register holds the same entries at the same places of its chain.
    """
    members, _ = _members(bundle.read_bytes())
    found = []
    text = members[RECORD].decode("utf-8")
    for entry in (*_entries(text), *_entries(text, "beside")):
        there = register.entry_at(entry.seq)
        if there is None or there.hash != entry.hash:
            place = f"{bundle.name}, {RECORD}, entry {entry.seq}"
            found.append(Difference(place, "is not the one on record"))
    return found


def bundle_content(bundle: Path) -> tuple[list[Entry], list[Entry]]:
    """The entries of a whole bundle: the check and the decisions on it; those of people beside."""
    members, _ = _members(bundle.read_bytes())
    text = members[RECORD].decode("utf-8")
    return _entries(text), _entries(text, "beside")


def _entries(record: str, part: str = "entries") -> list[Entry]:
    told = json.loads(record)
    listed = told[part] if part == "entries" else told.get(part, [])
    return [Entry(**one, body=json.loads(one["text"])) for one in listed]


def _manifest(check: Entry, files: Mapping[str, str], record: str, prov: str) -> str:
    from veneercheck.record.canonical import sha256_of

    listed = {f"case/{name}": sha for name, sha in files.items()}
    return canonical(
        {
            "schema": MANIFEST_SCHEMA,
            "case_number": (check.body.get("result") or check.body["plan"])["case"]["number"],
            "check_key": check.key,
            "entry_hash": check.hash,
            "files": {**listed, RECORD: sha256_of(record), PROV: sha256_of(prov)},
        }
    )


def _link(entry: Entry) -> dict[str, Any]:
    return {
        "seq": entry.seq,
        "key": entry.key,
        "text": entry.text,
        "previous": entry.previous,
        "hash": entry.hash,
    }


def _member(name: str) -> zipfile.ZipInfo:
    """Not compressed: every machine's compressor may give other bytes."""
    member = zipfile.ZipInfo(name, _NO_TIME)
    member.external_attr = _READABLE
    member.create_system = _UNIX
    return member


def as_on_record(path: Path, sha: str) -> bytes:
    """The bytes of a file of a case, if they are those on record.

    Raises
    ------
    RecordError
        If the file is not there, or was altered.
    """
    import hashlib

    try:
        data = path.read_bytes()
    except OSError as error:
        raise RecordError(
            Told("cannot be read ({why}).", why=error.strerror or error),
            where=str(path),
            next_step="Bring the file back to where it was when it was put on record.",
        ) from None
    if hashlib.sha256(data).hexdigest() != sha:
        raise RecordError(
            "is not as it is on record.",
            where=str(path),
            next_step="Run «veneercheck records confirm».",
        )
    return data
