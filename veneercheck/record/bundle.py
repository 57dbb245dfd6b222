"""One ZIP for the case record: the same case gives the same bytes, and each byte is known."""

from __future__ import annotations

import io
import json
import zipfile
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from veneercheck.core.errors import RecordError
from veneercheck.record.audit import Difference
from veneercheck.record.canonical import canonical
from veneercheck.record.prov import provenance
from veneercheck.record.register import Entry, link

MANIFEST, RECORD, PROV = "manifest.json", "record.json", "prov.json"
MANIFEST_SCHEMA = "veneercheck bundle 1"

_NO_TIME = (1980, 1, 1, 0, 0, 0)
"""ZIP knows no earlier moment; the real ones stand in the record."""

_READABLE = 0o644 << 16
_UNIX = 3


def write_bundle(
    target: Path, folder: Path, on_record: Mapping[str, str], entries: Iterable[Entry]
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

    Raises
    ------
    RecordError
        If a file is not as it is on record: an altered case is not bundled.
    """
    check, *decisions = entries
    record = canonical({"entries": [_link(entry) for entry in (check, *decisions)]})
    prov = canonical(provenance(check, decisions))
    manifest = _manifest(check, on_record, record, prov)
    aside = target.with_name(f".{target.name}.partial")
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        with zipfile.ZipFile(aside, "w") as archive:
            for name, text in ((MANIFEST, manifest), (PROV, prov), (RECORD, record)):
                archive.writestr(_member(name), text.encode("utf-8"))
            for name in sorted(on_record):
                content = as_on_record(folder / name, on_record[name])
                archive.writestr(_member(f"case/{name}"), content)
        return aside.replace(target)
    except OSError as error:
        raise RecordError(
            f"the bundle cannot be written ({error.strerror or error}).",
            where=str(target),
            next_step="Check the free space, and that the case folder is whole.",
        ) from None
    finally:
        aside.unlink(missing_ok=True)


def bundle_faults(bundle: Path) -> list[Difference]:
    """What was altered in a bundle: a file, its manifest, or the archive round them.

    Parameters
    ----------
    bundle : Path

    Returns
    -------
    list of Difference
        Empty where every byte is what `write_bundle` wrote of this record. That the record is the
        laboratory's own, only the register can tell.
    """
    try:
        return _inner_faults(bundle)
    except (zipfile.BadZipFile, OSError, KeyError, ValueError, TypeError, RuntimeError) as error:
        return [Difference(bundle.name, f"cannot be read as a bundle: {error}")]
    except NotImplementedError as error:
        return [Difference(bundle.name, f"cannot be read as a bundle: {error}")]


def _inner_faults(bundle: Path) -> list[Difference]:
    data = bundle.read_bytes()
    again = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as archive, zipfile.ZipFile(again, "w") as anew:
        broken = archive.testzip()
        if broken is not None:
            return [Difference(f"{bundle.name}, {broken}", "its bytes do not match their checksum")]
        names = archive.namelist()
        for name in names:
            anew.writestr(_member(name), archive.read(name))
        found = _content_faults(archive, names, bundle.name)
    if found or again.getvalue() == data:
        return found
    pairs = zip(data, again.getvalue(), strict=False)
    byte = next((at for at, (one, other) in enumerate(pairs) if one != other), len(data))
    return [Difference(f"{bundle.name}, byte {byte}", "is not what this program writes there")]


def _content_faults(archive: zipfile.ZipFile, names: list[str], bundle: str) -> list[Difference]:
    import hashlib

    record_text = archive.read(RECORD).decode("utf-8")
    entries = [
        Entry(**one, body=json.loads(one["text"])) for one in json.loads(record_text)["entries"]
    ]
    found = [
        Difference(f"{bundle}, {RECORD}, entry {entry.seq}", "does not match its hash")
        for entry in entries
        if entry.hash != link(entry.seq, entry.key, entry.text, entry.previous)
    ]
    check, *decisions = entries
    files = dict(check.body["files"])
    for decision in decisions:
        files |= decision.body["files"]
    prov = canonical(provenance(check, decisions))
    if archive.read(PROV).decode("utf-8") != prov:
        found.append(Difference(f"{bundle}, {PROV}", "does not follow from the record"))
    if archive.read(MANIFEST).decode("utf-8") != _manifest(check, files, record_text, prov):
        found.append(Difference(f"{bundle}, {MANIFEST}", "does not follow from the record"))
    wanted = {f"case/{name}": sha for name, sha in files.items()}
    for name in sorted(wanted.keys() | set(names) - {MANIFEST, RECORD, PROV}):
        if name not in names or name not in wanted:
            found.append(Difference(f"{bundle}, {name}", "is missing or not on record"))
        elif hashlib.sha256(archive.read(name)).hexdigest() != wanted[name]:
            found.append(Difference(f"{bundle}, {name}", "is not the file on record"))
    return found


def _manifest(check: Entry, files: Mapping[str, str], record: str, prov: str) -> str:
    from veneercheck.record.canonical import sha256_of

    listed = {f"case/{name}": sha for name, sha in files.items()}
    return canonical(
        {
            "schema": MANIFEST_SCHEMA,
            "case_number": check.body["result"]["case"]["number"],
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
            f"cannot be read ({error.strerror or error}).",
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
