"""Binary STL, written whole or not at all."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

import numpy as np

from veneercheck.core.errors import ScanError
from veneercheck.core.mesh import face_normals
from veneercheck.core.types import TriangleMesh
from veneercheck.scan.intake import printable_name

_HEADER = b"binary STL, lengths in millimetres"
_RECORD = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])

_NEW_FILE = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)


def stl_bytes(mesh: TriangleMesh) -> bytes:
    """The mesh as a binary STL; the same mesh gives the same bytes."""
    records = np.zeros(len(mesh.faces), dtype=_RECORD)
    records["normal"] = face_normals(mesh)
    records["corners"] = mesh.points_mm[mesh.faces]
    count = len(mesh.faces).to_bytes(4, "little")
    return _HEADER.ljust(80, b" ") + count + records.tobytes()


def write_stl(path: Path, mesh: TriangleMesh) -> None:
    """Write a binary STL; a reader sees the old file or the new one, never a part.

    Raises
    ------
    ScanError
        If the folder cannot be written to or the disk is full; nothing is left behind.
    """
    try:
        _replace(Path(path), stl_bytes(mesh))
    except OSError as error:
        raise ScanError(
            f"the file cannot be written ({error.strerror}).",
            where=printable_name(Path(path)),
            next_step="Check the folder, its rights and the room on the disk.",
        ) from None


def _replace(path: Path, content: bytes) -> None:
    aside = path.with_name(f".{path.name}.{os.getpid()}.part")
    handle = os.open(aside, _NEW_FILE, 0o666)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(handle)
        aside.replace(path)
    except BaseException:
        with contextlib.suppress(OSError):
            aside.unlink()
        raise
