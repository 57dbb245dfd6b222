"""Triangulations of implicit surfaces on a grid of one's choice."""

from __future__ import annotations

import numpy as np

from veneercheck.core.mesh import (
    border_vertices,
    renumber_by_first_use,
    unique_edges,
    vertex_normals,
)
from veneercheck.core.types import Floats, Ints, RigidMotion, TriangleMesh
from veneercheck.phantom.shapes import Field

_COARSE = 4
"""Fine cells along a coarse cell; coarse cells far from the surface are never refined."""

_STEEPEST = 2.2
"""No field here rises faster than this, mm a mm."""

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
    cells = _cells_near_surface(field, low_mm, high_mm, spacing_mm, motion)
    keys, corner_of_cell = _shared_corners(cells)
    points = motion.apply(keys * spacing_mm)
    values = field(points)
    values[np.abs(values) < _SNAP * spacing_mm] = 0.0
    vertices, faces, _ = igl.marching_cubes(values, points, corner_of_cell, 0.0)
    return _merge_coincident(TriangleMesh(vertices, faces))


def _cells_near_surface(
    field: Field, low_mm: Floats, high_mm: Floats, spacing_mm: float, motion: RigidMotion
) -> Ints:
    coarse = spacing_mm * _COARSE
    box = np.stack(np.meshgrid(*zip(low_mm, high_mm, strict=True), indexing="ij"), -1)
    in_grid = motion.inverse().apply(box.reshape(-1, 3))
    first = np.floor(in_grid.min(axis=0) / coarse).astype(np.int64)
    count = np.ceil(in_grid.max(axis=0) / coarse).astype(np.int64) - first + 1
    index = np.stack(np.meshgrid(*(np.arange(n) for n in count), indexing="ij"), -1)
    index = index.reshape(-1, 3) + first
    centre = motion.apply((index + 0.5) * coarse)
    reach = 0.5 * np.sqrt(3.0) * coarse
    inside = np.all((centre > low_mm - reach) & (centre < high_mm + reach), axis=1)
    index, centre = index[inside], centre[inside]
    near = np.abs(field(centre)) < _STEEPEST * reach
    part = np.stack(np.meshgrid(*[np.arange(_COARSE)] * 3, indexing="ij"), -1).reshape(-1, 3)
    fine = (index[near][:, None, :] * _COARSE + part[None]).reshape(-1, 3)
    middle = motion.apply((fine + 0.5) * spacing_mm)
    kept: Ints = fine[np.all((middle > low_mm) & (middle < high_mm), axis=1)]
    return kept


def _shared_corners(cells: Ints) -> tuple[Ints, Ints]:
    corners = (cells[:, None, :] + _CORNERS[None]).reshape(-1, 3)
    low = corners.min(axis=0)
    span = corners.max(axis=0) - low + 1
    key = np.ravel_multi_index(tuple((corners - low).T), tuple(span))
    found, inverse = np.unique(key, return_inverse=True)
    keys = np.stack(np.unravel_index(found, tuple(span)), axis=1) + low
    return keys, np.ascontiguousarray(inverse.reshape(-1, 8).astype(np.int64))


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
