"""STL, binary and ASCII: reading, and writing the binary form.

The binary layout is 80 bytes of header, a count, and 50 bytes a triangle: normal and three
corners as float32, and two bytes more. STL states no unit.
"""

from __future__ import annotations

import itertools
import re

import numpy as np

from veneercheck.core.errors import Told
from veneercheck.core.types import Fault, Floats
from veneercheck.scan.limits import ReadCaps
from veneercheck.scan.raw import RawSurface, cut_short, not_understood
from veneercheck.scan.text import decimal_points, floats_of

HEADER_BYTES = 84
TRIANGLE_BYTES = 50

_TRIANGLE = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
_SNIFFED_BYTES = 4096
"""Enough of a text file to hold its first facet, whatever its name line says."""

_VERTEX = re.compile(rb"\bvertex\s+(\S+)\s+(\S+)\s+(\S+)", re.IGNORECASE)
_LOOP = re.compile(rb"\bouter\s+loop\b", re.IGNORECASE)
_LOOP_END = re.compile(rb"\bend\s*loop\b", re.IGNORECASE)
_SOLID_END = re.compile(rb"\bend\s*solid\b", re.IGNORECASE)

_WORDS_A_FACET = 21
_LONGEST_FACET = 4096
"""Bytes; usual ones take 200 to 300."""

_FIXED_WORDS = {
    0: b"facet", 1: b"normal", 5: b"outer", 6: b"loop", 7: b"vertex", 11: b"vertex",
    15: b"vertex", 19: b"endloop", 20: b"endfacet",
}  # fmt: skip
"""Words of a facet that are always the same, by their place."""


def promised_triangles(data: bytes) -> int:
    """The count a binary STL states in its header, −1 if there is no room for one."""
    return int.from_bytes(data[80:84], "little") if len(data) >= HEADER_BYTES else -1


def is_exact_binary(data: bytes) -> bool:
    """Whether the size is exactly that of a binary STL with the count it states."""
    count = promised_triangles(data)
    return count >= 0 and len(data) == HEADER_BYTES + TRIANGLE_BYTES * count


def is_ascii(data: bytes) -> bool:
    """Whether the file starts as an ASCII STL: «solid», and a facet or the end in sight."""
    start = data[:_SNIFFED_BYTES].lstrip(b"\xef\xbb\xbf \t\r\n").lower()
    if not start.startswith(b"solid") or b"\x00" in start:
        return False
    return b"facet" in start or b"endsolid" in start or b"end solid" in start


def read_binary(data: bytes, name: str, caps: ReadCaps) -> RawSurface:
    """Read a binary STL.

    Raises
    ------
    ScanError
        If it states more triangles than its bytes can hold, or none at all.
    """
    promised = promised_triangles(data)
    held, rest = divmod(len(data) - HEADER_BYTES, TRIANGLE_BYTES)
    if promised > held:
        raise cut_short(
            name,
            Told(
                "its header names {promised:,} triangles, but it holds bytes for {held:,}.",
                promised=promised,
                held=held,
            ),
        )
    if promised == 0:
        raise not_understood(
            name, Told("its header names no triangle; it has bytes for {held:,}.", held=held)
        )
    caps.check_triangles(promised, name)
    records = np.frombuffer(data, dtype=_TRIANGLE, count=promised, offset=HEADER_BYTES)
    corners = np.ascontiguousarray(records["corners"]).reshape(-1, 3)
    return RawSurface(corners, None, faults=_trailing(promised, held, rest))


def _trailing(promised: int, held: int, rest: int) -> tuple[Fault, ...]:
    more = (held - promised) * TRIANGLE_BYTES + rest
    if not more:
        return ()
    words = (
        "{count:,} bytes follow the {promised:,} triangles that the header names; "
        "they were not read."
    )
    return (Fault.of("trailing_bytes", more, words, promised=promised),)


def read_ascii(data: bytes, name: str, caps: ReadCaps) -> RawSurface:
    """Read an ASCII STL, several solids together.

    Raises
    ------
    ScanError
        If a facet is cut short, has not three corners, or a number cannot be read.
    """
    caps.check_triangles((data.count(b"vertex") + data.count(b"VERTEX")) // 3, name)
    # The words of a text take many times its size: only where they can be facets are they parted.
    facets = data.count(b"endfacet")
    tokens = _usual_coordinates(data) if len(data) <= _LONGEST_FACET * (facets + 1) else []
    bodies = int(b"endsolid" in data[-_SNIFFED_BYTES:])
    if not tokens:
        tokens, bodies = _any_coordinates(data, name, caps), len(_SOLID_END.findall(data))
    tokens, commas = decimal_points(tokens, name)
    points: Floats = floats_of(tokens, name).reshape(-1, 3)
    return RawSurface(points, None, faults=commas + _told_bodies(bodies))


def _usual_coordinates(data: bytes) -> list[bytes]:
    """Coordinates of one solid written word for word as usual; none where it is not so.

    Slices of the list of words are several times faster than a pattern searched through them.
    """
    start = data.find(b"facet")
    end = data.rfind(b"endsolid", max(start, len(data) - _SNIFFED_BYTES, 0))
    words = data[max(start, 0) : end if end >= 0 else None].split()
    usual = (
        start >= 0
        and len(words) % _WORDS_A_FACET == 0
        and all(set(words[k::_WORDS_A_FACET]) == {word} for k, word in _FIXED_WORDS.items())
    )
    if not usual:
        return []
    count = len(words) // _WORDS_A_FACET
    tokens = [b""] * (9 * count)
    for corner in range(3):
        for axis in range(3):
            tokens[3 * corner + axis :: 9] = words[8 + 4 * corner + axis :: _WORDS_A_FACET]
    return tokens


def _any_coordinates(data: bytes, name: str, caps: ReadCaps) -> list[bytes]:
    loops = sum(1 for _ in _LOOP.finditer(data))
    caps.check_triangles(loops, name)
    corners = itertools.islice(_VERTEX.finditer(data), caps.most_points + 1)
    tokens = [token for found in corners for token in found.groups()]
    caps.check_points(len(tokens) // 3, name)
    if loops != sum(1 for _ in _LOOP_END.finditer(data)) or len(tokens) % 9:
        raise cut_short(name, "it ends or breaks off in the middle of a triangle.")
    if len(tokens) != 9 * loops:
        raise not_understood(
            name, Told("its {loops:,} facets do not have three corners each.", loops=loops)
        )
    if not loops:
        raise not_understood(name, "it names no triangle.")
    return tokens


def _told_bodies(count: int) -> tuple[Fault, ...]:
    if count == 0:
        words = "the closing line «endsolid» is missing; all facets are whole."
        return (Fault("no_closing_line", 1, words),)
    if count == 1:
        return ()
    words = "{count} bodies in one file were taken together."
    return (Fault.of("several_bodies", count, words),)
