"""Where a surface runs through itself."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from veneercheck.core.mesh.triangles import any_in
from veneercheck.core.types import Bools, Fault, Floats, Ints, TriangleMesh
from veneercheck.scan.repair import middle
from veneercheck.scan.shape import Shape
from veneercheck.scan.topology import Sides

_CELL_SIDES = 1.5
"""Size of a search cell over the usual extent of a triangle: few triangles in each, and each in
few cells."""

_PAIRS_AT_ONCE = 300_000
"""Pairs looked at in one stroke: about 30 MB, and no slower than more of them."""

_FEW = 400
"""So few are tried all with all."""

_MOST_CELLS = 512
"""A triangle that would lie in more cells is looked at in a coarser grid."""

_WORD_BITS = 63
"""What a signed word holds beside its sign."""

_FOLDED = -0.5
"""Cosine between neighbours that lie almost on one another: the cheap sign of a crossing."""


def folded_crossings(mesh: TriangleMesh, sides: Sides, shape: Shape) -> list[Fault]:
    """Look for crossings where the surface folds back on itself sharply, and only there."""
    one, other = sides.triangle[sides.shared], sides.triangle[sides.shared + 1]
    dot = np.einsum(
        "ij,ij->i", np.take(shape.cross, one, axis=0), np.take(shape.cross, other, axis=0)
    )
    area = shape.area_mm2
    folded = dot < _FOLDED * 4.0 * np.take(area, one) * np.take(area, other)
    if not folded.any():
        return []
    near = np.zeros(len(mesh.points_mm), dtype=bool)
    near[mesh.faces[one[folded]]] = True
    near[mesh.faces[other[folded]]] = True
    return self_crossings(mesh, near)[1]


def self_crossings(mesh: TriangleMesh, near: Bools | None = None) -> tuple[Bools, list[Fault]]:
    """Find triangles that run through others they do not touch.

    Parameters
    ----------
    near : ndarray of bool, shape (n,), optional
        Vertices whose triangles are looked at, such as those to be veneered; all if not given.

    Returns
    -------
    crossing : ndarray of bool, shape (m,)
    faults : list of Fault
        One if there are any.

    Notes
    -----
    Pairs of triangles that share a cell of a grid and whose boxes overlap are tested side against
    triangle. Triangles in one plane that overlap are not found: they enclose no space.
    """
    chosen = np.arange(len(mesh.faces))
    if near is not None:
        chosen = np.flatnonzero(any_in(near, mesh.faces))
    crossing = np.zeros(len(mesh.faces), dtype=bool)
    corners = mesh.points_mm[mesh.faces[chosen]]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    for one, other in _pairs(corners, mesh.faces[chosen]):
        hit = _crosses(corners, normals, one, other) | _crosses(corners, normals, other, one)
        crossing[chosen[one[hit]]] = True
        crossing[chosen[other[hit]]] = True
    count = int(crossing.sum())
    if not count:
        return crossing, []
    words = "{count:,} triangles run through others; left as they are."
    place = middle(mesh.points_mm[mesh.faces[crossing, 0]])
    return crossing, [Fault.of("self_intersections", count, words, place)]


def _pairs(corners: Floats, faces: Ints) -> Iterator[tuple[Ints, Ints]]:
    """Pairs of triangles whose boxes overlap and that share no vertex, each once, in portions.

    A pair counts in that cell alone that holds the lower corner of what the two boxes share.
    """
    if len(corners) < 2:
        return
    low, high = corners.min(axis=1), corners.max(axis=1)
    cell = _cell_size(low, high)
    first = np.floor((low - low.min(axis=0)) / cell).astype(np.int64)
    spread = np.floor((high - low.min(axis=0)) / cell).astype(np.int64) - first + 1
    wide = [int(n) for n in (first + spread).max(axis=0)]
    key, triangle = _by_cell(*_cells(first, spread, wide), math.prod(wide), len(corners))
    new = np.ones(len(key), dtype=bool)
    np.not_equal(key[1:], key[:-1], out=new[1:])
    begin = np.flatnonzero(new)[np.cumsum(new) - 1]
    partners = np.arange(len(key)) - begin  # those before it in its cell
    # Columns are read many times: each lies in one piece.
    lows, highs, firsts, names = (np.ascontiguousarray(x.T) for x in (low, high, first, faces))
    for part in _portions(partners):
        number = partners[part]
        here = np.repeat(part, number)
        offset = np.arange(len(here)) - np.repeat(np.cumsum(number) - number, number)
        one, other, rest = triangle[here], triangle[begin[here] + offset], key[here]
        for axis in (2, 1, 0):
            own, left = rest % wide[axis], rest // wide[axis]
            meet = lows[axis][one] <= highs[axis][other]
            meet &= lows[axis][other] <= highs[axis][one]
            meet &= np.maximum(firsts[axis][one], firsts[axis][other]) == own
            one, other, rest = one[meet], other[meet], left[meet]
        apart = np.ones(len(one), dtype=bool)
        for mine in names:
            corner = mine[one]
            for theirs in names:
                apart &= corner != theirs[other]
        yield one[apart], other[apart]


def _by_cell(key: Ints, triangle: Ints, cells: int, count: int) -> tuple[Ints, Ints]:
    """Cells in rising order with their triangles, sorted as one word where both fit it."""
    bits = count.bit_length()
    if cells.bit_length() + bits <= _WORD_BITS:
        word = (key << bits) | triangle
        word.sort()
        return word >> bits, word & ((1 << bits) - 1)
    order = np.argsort(key, kind="stable")
    return key[order], triangle[order]


def _cell_size(low: Floats, high: Floats) -> float:
    if len(low) <= _FEW:
        return float((high.max(axis=0) - low.min(axis=0)).max()) + 1.0
    extent = (high - low).max(axis=1)
    size: float = _CELL_SIDES * float(np.median(extent))
    whole = float((high.max(axis=0) - low.min(axis=0)).max())
    least = float(extent.max()) / _MOST_CELLS ** (1 / 3)
    # No more cells a side than 21 bits count, so that three fit one 63-bit key.
    return float(max(size, least, whole / 2**20, float(np.finfo(float).tiny)))


def _cells(first: Ints, spread: Ints, wide: list[int]) -> tuple[Ints, Ints]:
    """Every cell that each triangle's box touches, as one number."""
    number = spread.prod(axis=1)
    triangle = np.repeat(np.arange(len(first)), number)
    rank = np.arange(len(triangle)) - np.repeat(np.cumsum(number) - number, number)
    key = np.zeros(len(triangle), dtype=np.int64)
    for axis in range(3):
        width = spread[triangle, axis]
        key = key * wide[axis] + first[triangle, axis] + rank % width
        rank //= width
    return key, triangle


def _portions(partners: Ints) -> list[Ints]:
    total = np.cumsum(partners)
    share = total // _PAIRS_AT_ONCE
    return np.split(np.arange(len(partners)), np.flatnonzero(np.diff(share)) + 1)


def _crosses(corners: Floats, normals: Floats, one: Ints, other: Ints) -> Bools:
    """Whether a side of the first triangle goes through the inside of the second."""
    hit = np.zeros(len(one), dtype=bool)
    height = np.einsum("ikj,ij->ik", corners[one] - corners[other, 0][:, None, :], normals[other])
    cut = np.flatnonzero((height.min(axis=1) < 0) & (height.max(axis=1) > 0))
    height, side, normal = height[cut], corners[one[cut]], normals[other[cut]]
    a, b, c = corners[other[cut]].transpose(1, 0, 2)
    for k in range(3):
        from_height, to_height = height[:, k], height[:, (k + 1) % 3]
        change = np.flatnonzero(from_height * to_height < 0)
        p, q = side[change, k], side[change, (k + 1) % 3]
        share = from_height[change] / (from_height[change] - to_height[change])
        place = p + share[:, None] * (q - p)
        inside = np.ones(len(change), dtype=bool)
        for u, v in ((a, b), (b, c), (c, a)):
            turn = np.cross(v[change] - u[change], place - u[change])
            inside &= np.einsum("ij,ij->i", turn, normal[change]) > 0
        hit[cut[change]] |= inside
    return hit
