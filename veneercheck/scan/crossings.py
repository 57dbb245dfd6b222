"""Where a surface runs through itself."""

from __future__ import annotations

import numpy as np

from veneercheck.core.types import Bools, Fault, Floats, Ints, TriangleMesh
from veneercheck.scan.repair import middle
from veneercheck.scan.shape import Shape
from veneercheck.scan.topology import Sides

_CELL_SIDES = 2.0
"""Size of a search cell over the usual extent of a triangle: few triangles in each, and each in
few cells."""

_PAIRS_AT_ONCE = 1_000_000
"""Pairs tested in one stroke: about 500 MB at most."""

_FEW = 400
"""So few are tried all with all."""

_MOST_CELLS = 512
"""A triangle that would lie in more cells is looked at in a coarser grid."""

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
    mesh : TriangleMesh
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
        chosen = np.flatnonzero(near[mesh.faces].any(axis=1))
    crossing = np.zeros(len(mesh.faces), dtype=bool)
    corners = mesh.points_mm[mesh.faces[chosen]]
    for one, other in _pairs(corners):
        apart = (mesh.faces[chosen[one]][:, :, None] != mesh.faces[chosen[other]][:, None, :]).all(
            axis=(1, 2)
        )
        a, b = one[apart], other[apart]
        hit = _crosses(corners[a], corners[b]) | _crosses(corners[b], corners[a])
        crossing[chosen[a[hit]]] = True
        crossing[chosen[b[hit]]] = True
    count = int(crossing.sum())
    if not count:
        return crossing, []
    words = f"{count:,} triangles run through others; left as they are."
    place = middle(mesh.points_mm[mesh.faces[crossing, 0]])
    return crossing, [Fault("self_intersections", count, words, place)]


def _pairs(corners: Floats) -> list[tuple[Ints, Ints]]:
    """Pairs of triangles whose boxes overlap, each once, in portions."""
    if len(corners) < 2:
        return []
    low, high = corners.min(axis=1), corners.max(axis=1)
    cell = _cell_size(low, high)
    first = np.floor((low - low.min(axis=0)) / cell).astype(np.int64)
    spread = np.floor((high - low.min(axis=0)) / cell).astype(np.int64) - first + 1
    key, triangle = _cells(first, spread)
    order = np.argsort(key, kind="stable")
    key, triangle = key[order], triangle[order]
    begin = np.searchsorted(key, key)
    partners = np.arange(len(key)) - begin  # those before it in its cell
    portions: list[tuple[Ints, Ints]] = []
    for part in _portions(partners):
        here = np.repeat(part, partners[part])
        offset = np.arange(len(here)) - np.repeat(
            np.cumsum(partners[part]) - partners[part], partners[part]
        )
        one, other = triangle[here], triangle[begin[here] + offset]
        meet = ((low[one] <= high[other]) & (low[other] <= high[one])).all(axis=1)
        pair = np.unique(
            np.minimum(one[meet], other[meet]) * len(corners) + np.maximum(one[meet], other[meet])
        )
        portions.append((pair // len(corners), pair % len(corners)))
    return portions


def _cell_size(low: Floats, high: Floats) -> float:
    if len(low) <= _FEW:
        return float((high.max(axis=0) - low.min(axis=0)).max()) + 1.0
    extent = (high - low).max(axis=1)
    size: float = _CELL_SIDES * float(np.median(extent))
    whole = float((high.max(axis=0) - low.min(axis=0)).max())
    least = float(extent.max()) / _MOST_CELLS ** (1 / 3)
    # No more cells a side than 21 bits count, so that three fit one 64-bit key.
    return float(max(size, least, whole / 2**20, float(np.finfo(float).tiny)))


def _cells(first: Ints, spread: Ints) -> tuple[Ints, Ints]:
    """Every cell that each triangle's box touches, as one key."""
    number = spread.prod(axis=1)
    triangle = np.repeat(np.arange(len(first)), number)
    rank = np.arange(len(triangle)) - np.repeat(np.cumsum(number) - number, number)
    key = np.zeros(len(triangle), dtype=np.int64)
    for axis in range(3):
        width = spread[triangle, axis]
        key = (key << 21) | (first[triangle, axis] + rank % width)
        rank //= width
    return key, triangle


def _portions(partners: Ints) -> list[Ints]:
    total = np.cumsum(partners)
    share = total // _PAIRS_AT_ONCE
    return np.split(np.arange(len(partners)), np.flatnonzero(np.diff(share)) + 1)


def _crosses(one: Floats, other: Floats) -> Bools:
    """Whether a side of the first triangle goes through the inside of the second."""
    a, b, c = other[:, 0], other[:, 1], other[:, 2]
    normal = np.cross(b - a, c - a)
    height = np.einsum("ikj,ij->ik", one - a[:, None, :], normal)
    hit = np.zeros(len(one), dtype=bool)
    for k in range(3):
        from_height, to_height = height[:, k], height[:, (k + 1) % 3]
        change = np.flatnonzero(from_height * to_height < 0)
        p, q = one[change, k], one[change, (k + 1) % 3]
        share = from_height[change] / (from_height[change] - to_height[change])
        place = p + share[:, None] * (q - p)
        inside = np.ones(len(change), dtype=bool)
        for u, v in ((a, b), (b, c), (c, a)):
            turn = np.cross(v[change] - u[change], place - u[change])
            inside &= np.einsum("ij,ij->i", turn, normal[change]) > 0
        hit[change] |= inside
    return hit
