"""Bytes of a file, read once: what is hashed is what is parsed."""

from __future__ import annotations

import dataclasses
import hashlib
import os
import stat
import zlib
from pathlib import Path

from veneercheck.core.errors import ScanError, Told
from veneercheck.machine.texts import writable
from veneercheck.scan.limits import ReadCaps, too_large

_MIB = 1 << 20
_GZIP_MAGIC = b"\x1f\x8b"
_GZIP_WINDOW = 16 + zlib.MAX_WBITS
_PIECE_BYTES = 4 * _MIB
"""Unpacked at a time, so that a bomb is noticed before it fills the memory."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Intake:
    """What was read from one file.

    Parameters
    ----------
    name : str
        The file's name without its folder, safe to print and to store.
    data : bytes
        The content.
    sha256 : str
        Of the bytes in the file as it was read.
    """

    name: str
    data: bytes
    sha256: str


def printable_name(path: Path) -> str:
    """A file name that can be shown and stored, whatever bytes it is made of."""
    text = writable(path.name or str(path))
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)


def look_at(path: Path, caps: ReadCaps) -> None:
    """Refuse what is no readable file of a possible size, without reading it."""
    name = printable_name(path)
    try:
        _check_kind(path.stat(), name, caps)
    except (OSError, ValueError) as error:
        raise _refusal(error, name) from None


def take_in(path: Path, caps: ReadCaps) -> Intake:
    """Read a regular file whole, unless it is too large, missing, locked or still growing."""
    name = printable_name(path)
    try:
        data = _read_regular(path, name, caps)
    except (OSError, ValueError) as error:
        raise _refusal(error, name) from None
    if not data:
        raise ScanError("the file is empty.", where=name, next_step="Export the scan again.")
    return Intake(name, data, hashlib.sha256(data).hexdigest())


def unpacked(intake: Intake, caps: ReadCaps) -> Intake:
    """The same with its content unpacked, if it is compressed; the hash stays the file's.

    Raises
    ------
    ScanError
        If it is damaged, compressed twice, or grows beyond the limit.
    """
    if intake.data[:2] != _GZIP_MAGIC:
        return intake
    return dataclasses.replace(intake, data=_gunzip(intake.data, intake.name, caps))


def _read_regular(path: Path, name: str, caps: ReadCaps) -> bytes:
    # Not blocking: opening a pipe that nobody writes to would wait for ever.
    flags = os.O_RDONLY | getattr(os, "O_BINARY", 0) | getattr(os, "O_NONBLOCK", 0)
    handle = os.open(path, flags)
    with os.fdopen(handle, "rb", buffering=0) as file:
        before = os.fstat(handle)
        _check_kind(before, name, caps)
        data = _read_at_most(file, before.st_size)
        after = os.fstat(handle)
    changed = after.st_mtime_ns != before.st_mtime_ns or after.st_size != before.st_size
    if changed or len(data) != before.st_size:
        raise ScanError(
            "the file changed while it was read.",
            where=name,
            next_step="Wait until the export has finished and try again.",
        )
    return data


def _check_kind(found: os.stat_result, name: str, caps: ReadCaps) -> None:
    if stat.S_ISDIR(found.st_mode):
        raise IsADirectoryError
    if not stat.S_ISREG(found.st_mode):
        raise ScanError(
            "this is a device or a pipe, not a file.", where=name, next_step="Give the scan file."
        )
    if found.st_size > caps.file_bytes:
        raise too_large(
            Told(
                "the file holds {st_size:.0f} MB; the limit is {file_bytes:.0f} MB.",
                st_size=found.st_size / _MIB,
                file_bytes=caps.file_bytes / _MIB,
            ),
            name,
        )


def _read_at_most(file: object, size: int) -> bytes:
    pieces: list[bytes] = []
    left = size + 1  # one more than promised shows a file that still grows
    while left > 0:
        piece = file.read(left)  # type: ignore[attr-defined]
        if not piece:
            break
        pieces.append(piece)
        left -= len(piece)
    return pieces[0] if len(pieces) == 1 else b"".join(pieces)


def _refusal(error: OSError | ValueError, name: str) -> ScanError:
    if isinstance(error, FileNotFoundError | NotADirectoryError):
        what, next_step = Told("there is no such file."), Told("Check the name and the folder.")
    elif isinstance(error, IsADirectoryError):
        what = Told("this is a folder, not a scan.")
        next_step = Told("Give the scan file inside it.")
    elif isinstance(error, PermissionError):
        # Opening a folder is a refusal of permission on some systems.
        what, next_step = Told("the file may not be read."), Told("Ask for the right to read it.")
    elif isinstance(error, OSError):
        what = Told("the file cannot be opened ({why}).", why=error.strerror)
        next_step = Told("Check the path.")
    else:
        what, next_step = Told("this is not a possible file name."), Told("Check the path.")
    return ScanError(what, where=name, next_step=next_step)


def _gunzip(data: bytes, name: str, caps: ReadCaps) -> bytes:
    pieces: list[bytes] = []
    total = 0
    rest = data
    while rest[:2] == _GZIP_MAGIC:
        unpacker = zlib.decompressobj(_GZIP_WINDOW)
        while not unpacker.eof:
            try:
                piece = unpacker.decompress(rest, _PIECE_BYTES)
            except zlib.error:
                raise _broken_gzip(name) from None
            rest = unpacker.unconsumed_tail
            if not piece and not rest and not unpacker.eof:
                raise _broken_gzip(name)
            total += len(piece)
            caps.check_unpacked(total, len(data), name)
            pieces.append(piece)
        rest = unpacker.unused_data
    content = b"".join(pieces)
    if content[:2] == _GZIP_MAGIC:
        raise ScanError(
            "it is compressed twice.", where=name, next_step="Unpack it once and try again."
        )
    if not content:
        raise ScanError("the compressed file is empty.", where=name, next_step="Export it again.")
    return content


def _broken_gzip(name: str) -> ScanError:
    return ScanError(
        "the compressed file is damaged or ends too early.",
        where=name,
        next_step="Copy or export it again.",
    )
