"""Polygons of any size become triangles, without turning or crossing any."""

from __future__ import annotations

import numpy as np

from veneercheck.core.errors import Told
from veneercheck.core.types import Bools, Fault, Floats, Ints
from veneercheck.scan.limits import ReadCaps
from veneercheck.scan.raw import not_understood

_MOST_HOLLOW_CORNERS = 256
"""A polygon with a hollow corner is cut ear by ear, in time that grows with the square."""

_HOLLOW = -1e-12
"""Turn at a corner, over the polygon's squared length, below which it is hollow, not rounding."""


def triangles_of(
    points: Floats, counts: Ints, flat: Ints, name: str, caps: ReadCaps
) -> tuple[Ints, tuple[Fault, ...]]:
    """Cut polygons into triangles.

    Parameters
    ----------
    points : ndarray, shape (n, 3)
    counts : ndarray of int64, shape (p,)
        Corners of each polygon.
    flat : ndarray of int64, shape (sum of counts,)
        Their indices into `points`, one polygon after the other.

    Returns
    -------
    faces : ndarray of int64, shape (m, 3)
        In the order of the polygons.
    faults : tuple of Fault

    Raises
    ------
    ScanError
        If an index is out of range, there is no polygon, or one is too intricate.
    """
    if len(flat) and (flat.min() < 0 or flat.max() >= len(points)):
        bad = int(flat[(flat < 0) | (flat >= len(points))][0])
        raise not_understood(
            name, Told("a face names vertex {bad:,}, of {count:,}.", bad=bad, count=len(points))
        )
    caps.check_triangles(int(np.maximum(counts - 2, 0).sum()), name)
    starts = np.concatenate([[0], np.cumsum(counts)[:-1]]) if len(counts) else counts
    parts, owners = [], []
    for size in np.unique(counts[counts >= 3]).tolist():
        which = np.flatnonzero(counts == size)
        corners = flat[starts[which][:, None] + np.arange(size)]
        parts.append(_cut(points, corners, name).reshape(-1, 3))
        owners.append(np.repeat(which, size - 2))
    if not parts:
        raise not_understood(name, "it holds no triangle.")
    order = np.argsort(np.concatenate(owners), kind="stable")
    return np.concatenate(parts)[order], _told(counts)


def _told(counts: Ints) -> tuple[Fault, ...]:
    many, few = int((counts > 3).sum()), int((counts < 3).sum())
    faults: list[Fault] = []
    if many:
        words = "{count:,} faces with more than three corners were cut into triangles."
        faults.append(Fault.of("polygons_cut", many, words))
    if few:
        words = "{count:,} faces with fewer than three corners were left out."
        faults.append(Fault.of("degenerate_triangles", few, words, None, "degenerate_polygons"))
    return tuple(faults)


def _cut(points: Floats, corners: Ints, name: str) -> Ints:
    """Triangles of polygons of one size, shape (p, size − 2, 3)."""
    size = corners.shape[1]
    if size == 3:
        return corners[:, None, :]
    hollow = _hollow_corners(points, corners)
    if size == 4:
        return _cut_quads(points, corners, hollow)
    fan = np.stack([np.zeros(size - 2, int), np.arange(1, size - 1), np.arange(2, size)], axis=1)
    triangles = corners[:, fan]
    for row in np.flatnonzero(hollow.any(axis=1)).tolist():
        if size > _MOST_HOLLOW_CORNERS:
            raise not_understood(
                name, Told("it holds a hollow polygon of {size:,} corners.", size=size)
            )
        triangles[row] = corners[row][_ears(_flattened(points[corners[row]]))]
    return triangles


def _cut_quads(points: Floats, corners: Ints, hollow: Bools) -> Ints:
    """Cut from a hollow corner if there is one, else along the shorter diagonal."""
    p = points[corners]
    even, odd = p[:, 0] - p[:, 2], p[:, 1] - p[:, 3]
    with np.errstate(over="ignore", invalid="ignore"):
        shorter_odd = (odd * odd).sum(axis=1) < (even * even).sum(axis=1)
    from_even = hollow[:, 0] | hollow[:, 2]
    along_odd = np.where(from_even, False, hollow[:, 1] | hollow[:, 3] | shorter_odd)
    turned = np.where(along_odd[:, None], np.roll(corners, -1, axis=1), corners)
    return turned[:, [[0, 1, 2], [0, 2, 3]]]


def _hollow_corners(points: Floats, corners: Ints) -> Bools:
    with np.errstate(over="ignore", invalid="ignore"):
        p = points[corners]
        ahead = np.roll(p, -1, axis=1) - p
        turn = np.cross(np.roll(ahead, 1, axis=1), ahead)
        normal = np.cross(p, np.roll(p, -1, axis=1)).sum(axis=1, keepdims=True)
        scale = np.einsum("ijk,ijk->i", ahead, ahead)[:, None]
        along = (turn * normal).sum(axis=2)
        return np.asarray(along < _HOLLOW * scale * scale, dtype=bool)


def _flattened(p: Floats) -> Floats:
    """The polygon's corners in its own plane, shape (k, 2), anticlockwise."""
    normal = np.cross(p, np.roll(p, -1, axis=0)).sum(axis=0)
    drop = int(np.abs(normal).argmax())
    plane = np.delete(p, drop, axis=1)
    # Leaving out the middle axis swaps the hand, and so does looking from below.
    swap = (drop == 1) != (normal[drop] < 0)
    return plane[:, ::-1] if swap else plane


def _ears(p: Floats) -> Ints:
    """Cut a simple polygon ear by ear (Meisters 1975, from memory); indices, shape (k − 2, 3)."""
    left = list(range(len(p)))
    triangles: list[tuple[int, int, int]] = []
    while len(left) > 3:
        place = next((i for i in range(len(left)) if _is_ear(p, left, i)), 0)
        triangles.append((left[place - 1], left[place], left[(place + 1) % len(left)]))
        del left[place]
    triangles.append((left[0], left[1], left[2]))
    return np.array(triangles, dtype=np.int64)


def _is_ear(p: Floats, left: list[int], place: int) -> bool:
    a, b, c = left[place - 1], left[place], left[(place + 1) % len(left)]
    if _turn(p[a], p[b], p[c]) <= 0:
        return False
    others = p[[k for k in left if k not in (a, b, c)]]
    inside = (
        (_turn(p[a], p[b], others) >= 0)
        & (_turn(p[b], p[c], others) >= 0)
        & (_turn(p[c], p[a], others) >= 0)
    )
    return not bool(inside.any())


def _turn(a: Floats, b: Floats, c: Floats) -> Floats:
    turn: Floats = (b[..., 0] - a[..., 0]) * (c[..., 1] - a[..., 1]) - (b[..., 1] - a[..., 1]) * (
        c[..., 0] - a[..., 0]
    )
    return turn
