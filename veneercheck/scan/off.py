"""OFF with any of its prefixes for colours and normals, which are passed over."""

from __future__ import annotations

import itertools
import re

import numpy as np

from veneercheck.core.errors import Told
from veneercheck.scan.limits import ReadCaps
from veneercheck.scan.polygons import triangles_of
from veneercheck.scan.raw import RawSurface, cut_short, not_understood
from veneercheck.scan.text import decimal_points, floats_of, ints_of, lines_of

_KEYWORD = re.compile(rb"^(ST)?C?N?(4?)(n?)OFF\b")
_COMMENT = re.compile(rb"#[^\r\n]*")


def is_off(data: bytes) -> bool:
    """Whether the file starts as an OFF."""
    return _KEYWORD.match(data[:64].lstrip(b"\xef\xbb\xbf \t\r\n")) is not None


def read_off(data: bytes, name: str, caps: ReadCaps) -> RawSurface:
    """Read an ASCII OFF.

    Raises
    ------
    ScanError
        If it is binary, has more than three dimensions, or ends too early.
    """
    lines = (words for line in lines_of(_COMMENT.sub(b"", data)) if (words := line.split()))
    first = next(lines)
    keyword = _KEYWORD.match(first[0].removeprefix(b"\xef\xbb\xbf"))
    if keyword is None or keyword[2] or keyword[3] or first[1:2] == [b"BINARY"]:
        raise not_understood(name, "this kind of OFF (binary, or in four dimensions) is not read.")
    told = first[1:] or next(lines, [])
    if len(told) < 2:
        raise cut_short(name, "its line of counts is missing.")
    vertices, faces = (int(n) for n in ints_of(told[:2], name))
    caps.check_triangles(faces, name)
    caps.check_points(vertices, name)
    kept = list(itertools.islice(lines, max(vertices, 0) + max(faces, 0)))
    if vertices < 0 or faces < 0 or vertices + faces > len(kept):
        raise cut_short(
            name,
            Told(
                "it names {vertices:,} vertices and {faces:,} faces, but its lines end before.",
                vertices=vertices,
                faces=faces,
            ),
        )
    return _read_lines(kept[:vertices], kept[vertices:], name, caps)


def _read_lines(
    vertices: list[list[bytes]], faces: list[list[bytes]], name: str, caps: ReadCaps
) -> RawSurface:
    if any(len(words) < 3 for words in vertices):
        raise not_understood(name, "a vertex has fewer than three coordinates.")
    words, commas = decimal_points([word for line in vertices for word in line[:3]], name)
    points = floats_of(words, name).reshape(-1, 3)
    sizes = ints_of([line[0] for line in faces], name)
    if any(not 0 <= size < len(line) for size, line in zip(sizes.tolist(), faces, strict=True)):
        raise cut_short(name, "a face names fewer corners than it promises.")
    corners = [
        word
        for size, line in zip(sizes.tolist(), faces, strict=True)
        for word in line[1 : 1 + size]
    ]
    cut_faces, cut = triangles_of(points, sizes, ints_of(corners, name), name, caps)
    return RawSurface(points, np.asarray(cut_faces), faults=commas + cut)
