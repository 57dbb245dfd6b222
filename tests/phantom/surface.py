"""Triangulations of implicit surfaces on a grid of one's choice."""

from __future__ import annotations

import dataclasses

import numpy as np

from phantom.shapes import Field
from veneercheck.core.mesh.triangles import (
    border_vertices,
    renumber_by_first_use,
    unique_edges,
    vertex_normals,
)
from veneercheck.core.types import Bools, Floats, Ints, RigidMotion, TriangleMesh

_COARSE = 4
"""Fine cells along a coarse cell, halved twice; cells far from the surface are never refined."""

_STEEPEST = 2.2
"""No field here rises faster than this, mm a mm."""

_OCTANTS = np.array([(x, y, z) for x in (0, 1) for y in (0, 1) for z in (0, 1)])
"""A cell's eight halves."""

_HALF_OF_NEIGHBOURS = np.array(
    [(x, y, z) for x in (-1, 0, 1) for y in (-1, 0, 1) for z in (-1, 0, 1) if (x, y, z) > (0, 0, 0)]
)
"""One of each pair of opposite neighbours."""

_SNAP = 0.12
"""Grid points this near the surface (as a share of the spacing) become vertices: no slivers."""

_COINCIDENT_MM = 1e-6
"""Vertices nearer than this are one."""

_RELAXATION = 0.6
"""Share of the way to the neighbours' mean in one round."""

_CORNERS = np.array(
    [(0, 0, 0), (1, 0, 0), (1, 1, 0), (0, 1, 0), (0, 0, 1), (1, 0, 1), (1, 1, 1), (0, 1, 1)]
)
"""Corners of a cell in the order that libigl's marching cubes expects."""


def triangulate(
    field: Field,
    low_mm: Floats,
    high_mm: Floats,
    spacing_mm: float,
    *,
    box_from_grid: RigidMotion | None = None,
) -> TriangleMesh:
    """The zero set of a field, by marching cubes on the cells near it.

    Parameters
    ----------
    field : Field
    low_mm, high_mm : ndarray, shape (3,)
        Box outside which the surface is cut open.
    spacing_mm : float
        Grid spacing, about the edge length of the triangles.
    box_from_grid : RigidMotion, optional
        How the grid lies in the box: another turn gives an independent triangulation.

    Returns
    -------
    TriangleMesh
        Outward normals point to positive values.
    """
    import igl

    motion = box_from_grid or RigidMotion.identity()
    grid = _Grid(low_mm, high_mm, spacing_mm, motion)
    cells = _cells_near_surface(field, grid)
    keys, corner_of_cell = _shared_corners(cells)
    points = motion.apply(keys * spacing_mm)
    values = field(points)
    values[np.abs(values) < _SNAP * spacing_mm] = 0.0
    vertices, faces, _ = igl.marching_cubes(values, points, corner_of_cell, 0.0)
    return _merge_coincident(TriangleMesh(vertices, faces))


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class _Grid:
    low_mm: Floats
    high_mm: Floats
    spacing_mm: float
    box_from_grid: RigidMotion

    def inside(self, middle_mm: Floats, margin_mm: float) -> Bools:
        """Which points lie in the box, widened by a margin."""
        above = np.all(middle_mm > self.low_mm - margin_mm, axis=1)
        within: Bools = above & np.all(middle_mm < self.high_mm + margin_mm, axis=1)
        return within


def _cells_near_surface(field: Field, grid: _Grid) -> Ints:
    size = grid.spacing_mm * _COARSE
    cells = _coarse_cells(grid, size)
    middle = grid.box_from_grid.apply((cells + 0.5) * size)
    inside = grid.inside(middle, size)
    cells, middle = cells[inside], middle[inside]
    cells = cells[_near(field, cells, middle, size)]
    while size > 1.5 * grid.spacing_mm:
        size *= 0.5
        cells = (cells[:, None, :] * 2 + _OCTANTS[None]).reshape(-1, 3)
        middle = grid.box_from_grid.apply((cells + 0.5) * size)
        last = size < 1.5 * grid.spacing_mm
        cells = cells[grid.inside(middle, 0.0) if last else _near(field, cells, middle, size)]
    found: Ints = cells
    return found


def _near(field: Field, cells: Ints, middle_mm: Floats, size_mm: float) -> Bools:
    """Which cells may hold a piece of the surface.

    Those whose value is small for their size; and, because a cut-back jumps along its finish
    line, those with a neighbour on the other side of the surface.
    """
    values = field(middle_mm)
    close: Bools = np.abs(values) < _STEEPEST * 0.5 * np.sqrt(3.0) * size_mm
    low = cells.min(axis=0)
    span = cells.max(axis=0) - low + 3
    key = np.ravel_multi_index(tuple((cells - low + 1).T), tuple(span))
    cell_at = np.full(int(span.prod()), -1)
    cell_at[key] = np.arange(len(key))
    for step in _HALF_OF_NEIGHBOURS:
        other = cell_at[key + np.ravel_multi_index(tuple(step + 1), tuple(span)) - _origin(span)]
        crossed = (other >= 0) & ((values > 0) != (values[other] > 0))
        close[crossed] = True
        close[other[crossed]] = True
    return close


def _origin(span: Ints) -> int:
    return int(np.ravel_multi_index((1, 1, 1), tuple(span)))


def _coarse_cells(grid: _Grid, size_mm: float) -> Ints:
    box = np.stack(np.meshgrid(*zip(grid.low_mm, grid.high_mm, strict=True), indexing="ij"), -1)
    in_grid = grid.box_from_grid.inverse().apply(box.reshape(-1, 3))
    first = np.floor(in_grid.min(axis=0) / size_mm).astype(np.int64)
    count = np.ceil(in_grid.max(axis=0) / size_mm).astype(np.int64) - first + 1
    index = np.stack(np.meshgrid(*(np.arange(n) for n in count), indexing="ij"), -1)
    cells: Ints = index.reshape(-1, 3) + first
    return cells


def _shared_corners(cells: Ints) -> tuple[Ints, Ints]:
    corners = (cells[:, None, :] + _CORNERS[None]).reshape(-1, 3)
    low = corners.min(axis=0)
    span = corners.max(axis=0) - low + 1
    key = np.ravel_multi_index(tuple((corners - low).T), tuple(span))
    taken = np.zeros(int(span.prod()), dtype=bool)
    taken[key] = True
    found = np.flatnonzero(taken)
    place = np.empty(len(taken), dtype=np.int64)
    place[found] = np.arange(len(found))
    keys = np.stack(np.unravel_index(found, tuple(span)), axis=1) + low
    return keys, place[key].reshape(-1, 8)


def _merge_coincident(mesh: TriangleMesh) -> TriangleMesh:
    rounded = np.round(mesh.points_mm / _COINCIDENT_MM).astype(np.int64)
    _, first, inverse = np.unique(rounded, axis=0, return_index=True, return_inverse=True)
    faces = inverse.reshape(-1)[mesh.faces]
    a, b, c = faces.T
    merged = TriangleMesh(mesh.points_mm[first], faces[(a != b) & (b != c) & (c != a)])
    return renumber_by_first_use(merged)


def neighbour_means(mesh: TriangleMesh, values: Floats) -> Floats:
    """Mean of each vertex's neighbours, shape (n, k), for values of shape (n, k)."""
    edges, _, _ = unique_edges(mesh.faces)
    both = np.concatenate([edges, edges[:, ::-1]])
    count = np.bincount(both[:, 0], minlength=len(values)).astype(np.float64)
    means = np.empty_like(values)
    for column in range(values.shape[1]):
        weights = values[both[:, 1], column]
        total = np.bincount(both[:, 0], weights=weights, minlength=len(values))
        means[:, column] = total / np.maximum(count, 1.0)
    return means


def relaxed(mesh: TriangleMesh, rounds: int) -> TriangleMesh:
    """Even out the triangles: vertices slide along the surface towards their neighbours' mean.

    Open borders stay where they are.
    """
    fixed = border_vertices(mesh)
    for _ in range(rounds):
        normal = vertex_normals(mesh)
        pull = neighbour_means(mesh, mesh.points_mm) - mesh.points_mm
        pull -= normal * np.einsum("ij,ij->i", pull, normal)[:, None]
        pull[fixed] = 0.0
        mesh = TriangleMesh(mesh.points_mm + _RELAXATION * pull, mesh.faces)
    return mesh
