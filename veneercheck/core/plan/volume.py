"""The zero surface of a field as a closed mesh, found on a grid that is fine only beside it."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from veneercheck.core.mesh.triangles import renumber_by_first_use
from veneercheck.core.types import Bools, Floats, Ints, TriangleMesh

Field = Callable[[Floats], Floats]
"""From points, shape (n, 3), to values, shape (n,): negative inside, about mm near the surface."""

_COARSENINGS = 3
"""Cells are halved so often: from eight edge lengths down to one."""

_STEEPEST = 1.0
"""A distance rises by a mm a mm; where a field is steeper, neighbouring cells are asked."""

_HALF_DIAGONAL = 0.5 * 3.0**0.5
"""Of a cell, in its edges."""

_SNAP = 0.05
"""Grid points this near the surface (share of the edge) become vertices: few slivers, and the
surface moves by no more than that."""

_SAME = 1e-5
"""Vertices nearer than this share of an edge are one: about those put on a grid point."""

_OCTANTS = np.array([(x, y, z) for x in (0, 1) for y in (0, 1) for z in (0, 1)])
_HALF_OF_NEIGHBOURS = np.array(
    [(x, y, z) for x in (-1, 0, 1) for y in (-1, 0, 1) for z in (-1, 0, 1) if (x, y, z) > (0, 0, 0)]
)
_CORNERS = np.array(
    [(0, 0, 0), (1, 0, 0), (1, 1, 0), (0, 1, 0), (0, 0, 1), (1, 0, 1), (1, 1, 1), (0, 1, 1)]
)
"""Corners of a cell in the order that libigl's marching cubes expects."""


def enclosed(field: Field, low_mm: Floats, high_mm: Floats, edge_mm: float) -> TriangleMesh:
    """The surface on which a field is zero, normals towards positive values.

    Parameters
    ----------
    field : callable
        Positive on the whole border of the box.
    low_mm, high_mm : ndarray, shape (3,)
    edge_mm : float
        Of the grid.

    Notes
    -----
    Marching cubes (libigl) on the cells near the surface, found from coarse to fine.
    """
    import igl

    cells = _near_surface(field, low_mm, high_mm, edge_mm)
    if not len(cells):
        return TriangleMesh(np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int64))
    keys, corner_of_cell, values = _with_neighbours(field, cells, low_mm, edge_mm)
    near = np.abs(values) < _SNAP
    values[near] = np.where(values[near] > 0, 0.1, -0.1) * _SAME
    vertices, faces, _ = igl.marching_cubes(values, keys.astype(np.float64), corner_of_cell, 0.0)
    whole = _joined(vertices, faces)
    return TriangleMesh(low_mm + whole.points_mm * edge_mm, whole.faces)


def _with_neighbours(
    field: Field, cells: Ints, low_mm: Floats, edge_mm: float
) -> tuple[Ints, Ints, Floats]:
    """Corners of the cells that hold surface, the cells by their corners, and the field there.

    Where the field jumps, surface may leave the cells found for it: then its neighbours are asked
    too, until it is closed.
    """
    done = [np.zeros((0, 3), dtype=np.int64)]
    parts: list[tuple[Ints, Floats]] = []
    while len(cells):
        keys, corner_of_cell = _shared_corners(cells)
        at_corner = (field(low_mm + keys * edge_mm) / edge_mm)[corner_of_cell]
        done.append(cells)
        above = at_corner > 0
        holds = above.any(axis=1) & ~above.all(axis=1)
        parts.append((cells[holds], at_corner[holds]))
        cells = _left_out(cells[holds], above[holds], np.concatenate(done))
    held = np.concatenate([part for part, _ in parts])
    keys, corner_of_cell = _shared_corners(held)
    values = np.empty(len(keys))
    values[corner_of_cell] = np.concatenate([value for _, value in parts])
    return keys, corner_of_cell, values


def _left_out(cells: Ints, above: Bools, known: Ints) -> Ints:
    """Cells beyond a side through which the surface passes, that nobody asked yet."""
    beyond = [
        cells[(sides := above[:, _CORNERS[:, axis] == end]).any(axis=1) & ~sides.all(axis=1)]
        + (2 * end - 1) * np.eye(3, dtype=np.int64)[axis]
        for axis in range(3)
        for end in (0, 1)
    ]
    asked = np.concatenate(beyond)
    low = np.minimum(known.min(axis=0), asked.min(axis=0, initial=np.iinfo(np.int64).max))
    span = np.maximum(known.max(axis=0), asked.max(axis=0, initial=0)) - low + 1
    key, known_key = (np.ravel_multi_index(tuple((some - low).T), span) for some in (asked, known))
    left = np.unique(key[~np.isin(key, known_key)])
    found: Ints = np.stack(np.unravel_index(left, span), axis=1) + low
    return found


def _near_surface(field: Field, low: Floats, high: Floats, edge: float) -> Ints:
    size = 1 << _COARSENINGS
    count = np.ceil((high - low) / (edge * size)).astype(np.int64)
    index = np.meshgrid(*(np.arange(n) for n in count), indexing="ij")
    cells: Ints = np.stack(index, axis=-1).reshape(-1, 3)
    while True:
        values = field(low + (cells + 0.5) * size * edge)
        close = _may_hold(values, cells, size * edge)
        size //= 2
        if size == 1 or not len(cells):
            return _smallest(values, cells, close, edge)
        cells = (cells[close][:, None, :] * 2 + _OCTANTS[None]).reshape(-1, 3)


def _smallest(values: Floats, cells: Ints, close: Bools, edge_mm: float) -> Ints:
    """The eighths of cells of two edges that may hold surface, from the values in their middles.

    Between the middles the field is taken as linear. That is a guess: what it misses hangs
    together with what it finds, and is found by its neighbours.
    """
    if not close.any():
        return np.zeros((0, 3), dtype=np.int64)
    first = cells.min(axis=0) - 1
    grid = np.full(cells.max(axis=0) - first + 2, np.nan, dtype=np.float32)
    grid[tuple((cells - first).T)] = values
    at, own = cells[close] - first, values[close]
    found = []
    for octant in _OCTANTS:
        guess = np.zeros(len(at))
        for step in _OCTANTS:
            beside = at + step * (2 * octant - 1)
            value = grid[tuple(beside.T)]
            value = np.where(np.isnan(value), own, value)
            guess += np.prod(np.where(step, 0.25, 0.75)) * value
        near = np.abs(guess) < _STEEPEST * _HALF_DIAGONAL * edge_mm
        jumps = np.abs(own) >= _STEEPEST * _HALF_DIAGONAL * 2.0 * edge_mm
        found.append(cells[close][near | jumps] * 2 + octant)
    return np.concatenate(found)


def _may_hold(values: Floats, cells: Ints, size_mm: float) -> Bools:
    """Cells that may hold surface: a small value, or a jump to a neighbour on its other side."""
    close: Bools = np.abs(values) < _STEEPEST * _HALF_DIAGONAL * size_mm
    if not len(cells):
        return close
    low = cells.min(axis=0)
    span = cells.max(axis=0) - low + 3
    pitch = np.array([span[1] * span[2], span[2], 1])
    key = (cells - low + 1) @ pitch
    order = np.argsort(key, kind="stable")
    ranked = key[order]
    for step in _HALF_OF_NEIGHBOURS:
        beside = key + step @ pitch
        place = np.minimum(np.searchsorted(ranked, beside), len(key) - 1)
        other = order[place]
        crossed = (ranked[place] == beside) & ((values > 0) != (values[other] > 0))
        apart = _STEEPEST * size_mm * np.linalg.norm(step)
        crossed &= np.abs(values - values[other]) > apart
        close[crossed] = True
        close[other[crossed]] = True
    return close


def _shared_corners(cells: Ints) -> tuple[Ints, Ints]:
    corners = (cells[:, None, :] + _CORNERS[None]).reshape(-1, 3)
    low = corners.min(axis=0)
    span = corners.max(axis=0) - low + 1
    key = np.ravel_multi_index(tuple((corners - low).T), tuple(span))
    found, inverse = np.unique(key, return_inverse=True)
    keys = np.stack(np.unravel_index(found, tuple(span)), axis=1) + low
    return keys, np.ascontiguousarray(inverse.reshape(-1, 8).astype(np.int64))


def _joined(vertices: Floats, faces: Ints) -> TriangleMesh:
    """The triangles over shared vertices, in edges of the grid; those without area left out."""
    key = np.round(vertices / _SAME).astype(np.int64)
    _, first, inverse = np.unique(key, axis=0, return_index=True, return_inverse=True)
    faces = inverse.reshape(-1)[faces]
    a, b, c = faces.T
    mesh = TriangleMesh(vertices[first], faces[(a != b) & (b != c) & (c != a)])
    return renumber_by_first_use(mesh)
