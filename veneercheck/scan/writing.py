"""Binary STL, written whole or not at all; and a painted copy as PLY."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from veneercheck.core.errors import ScanError, Told
from veneercheck.core.mesh.triangles import face_normals
from veneercheck.core.types import Floats, Ints, TriangleMesh
from veneercheck.machine.aside import put
from veneercheck.scan.intake import printable_name
from veneercheck.scan.paint import PAINT_COLOURS

_HEADER = b"binary STL, lengths in millimetres"
_RECORD = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])

_PAINTED = np.dtype([("place", "<f4", 3), ("colour", "u1", 3)])
_CORNERS = np.dtype([("count", "u1"), ("vertex", "<i4", 3)])
_UNPAINTED = (200, 200, 200)
"""Grey, which says nothing."""

_PLY_HEAD = (
    "ply\nformat binary_little_endian 1.0\nelement vertex {vertices}\n"
    "property float x\nproperty float y\nproperty float z\n"
    "property uchar red\nproperty uchar green\nproperty uchar blue\n"
    "element face {faces}\nproperty list uchar int vertex_indices\nend_header\n"
)


def stl_bytes(mesh: TriangleMesh) -> bytes:
    """The mesh as a binary STL; the same mesh gives the same bytes."""
    records = np.zeros(len(mesh.faces), dtype=_RECORD)
    records["normal"] = face_normals(mesh)
    records["corners"] = mesh.points_mm[mesh.faces]
    count = len(mesh.faces).to_bytes(4, "little")
    return _HEADER.ljust(80, b" ") + count + records.tobytes()


def painted_ply_bytes(points: Floats, faces: Ints, paint: Ints) -> bytes:
    """A mesh with painted vertices as a binary PLY that reads back as it was painted.

    Parameters
    ----------
    points : ndarray, shape (n, 3)
        In whatever unit the file is to have.
    faces : ndarray of int, shape (m, 3)
    paint : ndarray of int64, shape (n,)
        `Region` codes of `PAINT_COLOURS`; any other stays unpainted.
    """
    vertices = np.zeros(len(points), dtype=_PAINTED)
    vertices["place"], vertices["colour"] = points, _UNPAINTED
    for colour, region in PAINT_COLOURS.items():
        vertices["colour"][paint == region] = colour
    triangles = np.zeros(len(faces), dtype=_CORNERS)
    triangles["count"], triangles["vertex"] = 3, faces
    head = _PLY_HEAD.format(vertices=len(points), faces=len(faces))
    return head.encode("ascii") + vertices.tobytes() + triangles.tobytes()


def write_stl(path: Path, mesh: TriangleMesh) -> None:
    """Write a binary STL; a reader sees the old file or the new one, never a part.

    Raises
    ------
    ScanError
        If the folder cannot be written to or the disk is full; nothing is left behind.
    """
    try:
        put(Path(path), [stl_bytes(mesh)], lasting=True)
    except OSError as error:
        raise ScanError(
            Told("the file cannot be written ({strerror}).", strerror=error.strerror),
            where=printable_name(Path(path)),
            next_step="Check the folder, its rights and the room on the disk.",
        ) from None
