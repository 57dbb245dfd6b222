"""OBJ: vertices and faces of any size; materials are ignored and never looked for."""

from __future__ import annotations

import re

import numpy as np

from veneercheck.core.types import Ints
from veneercheck.scan.limits import ReadCaps
from veneercheck.scan.polygons import triangles_of
from veneercheck.scan.raw import RawSurface, not_understood
from veneercheck.scan.text import decimal_points, floats_of, ints_of, lines_of

_VERTEX_LINE = re.compile(rb"^[ \t]*v[ \t]+[-+.\d]", re.MULTILINE)
_FACE_LINE = re.compile(rb"^[ \t]*f[ \t]+-?\d", re.MULTILINE)
_CONTINUED = re.compile(rb"\\\r?\n")


def is_obj(data: bytes) -> bool:
    """Whether the file has lines of vertices, as only OBJ writes them."""
    return _VERTEX_LINE.search(data) is not None and b"\x00" not in data[:1024]


def read_obj(data: bytes, name: str, caps: ReadCaps) -> RawSurface:
    """Read an OBJ, all its groups together.

    Raises
    ------
    ScanError
        If a line is cut short, or a face names a vertex that does not exist.
    """
    caps.check_triangles(sum(1 for _ in _FACE_LINE.finditer(data)), name)
    numbers: list[bytes] = []
    corners: list[bytes] = []
    counts: list[int] = []
    known: list[int] = []
    most = 3 * (caps.most_points + 1)
    for line in lines_of(_CONTINUED.sub(b" ", data)):
        words = line.split()
        if not words:
            continue
        if words[0] == b"v":
            if len(words) < 4:
                raise not_understood(name, "a vertex has fewer than three coordinates.")
            numbers += words[1:4]
            if len(numbers) >= most:
                caps.check_points(len(numbers) // 3, name)
        elif words[0] == b"f":
            corners += [word.partition(b"/")[0] for word in words[1:]]
            counts.append(len(words) - 1)
            known.append(len(numbers) // 3)
    numbers, commas = decimal_points(numbers, name)
    points = floats_of(numbers, name).reshape(-1, 3)
    sizes = np.array(counts, dtype=np.int64)
    flat = _absolute(ints_of(corners, name), np.repeat(np.array(known, dtype=np.int64), sizes))
    faces, cut = triangles_of(points, sizes, flat, name, caps)
    return RawSurface(points, faces, faults=commas + cut)


def _absolute(index: Ints, known: Ints) -> Ints:
    """From 1 upward, or from −1 backward over the vertices known at that line, to from 0."""
    absolute = np.where(index < 0, known + index, index - 1)
    # 0 is no index at all; −1 makes the range check refuse it.
    return np.where((index == 0) | (absolute < 0), -1, absolute)
