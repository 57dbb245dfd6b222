"""What scanners' programs, and people who scan, do to a surface before it comes as a file.

Source: common practice, no source. Powder of 15 µm lies within what is sprayed on metal (from
memory); a grid of 0.15 mm is that of many programs that fuse views into a field of distances.
"""

from __future__ import annotations

from collections.abc import Callable

import igl
import numpy as np
from scipy import sparse
from scipy.spatial import cKDTree

from veneercheck.core.mesh.triangles import select_faces, vertex_normals
from veneercheck.core.types import Floats, TriangleMesh

POWDER_MM, LAYER_MM = 0.015, 0.015
_CELL_MM = 0.15
_PATCH_MM, _LAYER_NOISE_MM = 3.0, 0.005
_HOLES, _HOLE_MM, _RIM, _SAME_WALL_COS = 3, (0.4, 0.9), 0.75, 0.3
_ROUNDS, _SHRINK, _SWELL = 10, 0.5, -0.53

Treatment = Callable[[TriangleMesh, np.random.Generator], TriangleMesh]


def _mean_of_neighbours(mesh: TriangleMesh) -> sparse.csr_matrix:
    one = mesh.faces.reshape(-1)
    other = np.roll(mesh.faces, -1, axis=1).reshape(-1)
    shape = (len(mesh.points_mm),) * 2
    beside = sparse.coo_matrix((np.ones(len(one)), (one, other)), shape=shape).tocsr()
    beside = ((beside + beside.T) > 0).astype(float)
    return sparse.diags(1.0 / np.maximum(np.asarray(beside.sum(axis=1)).ravel(), 1.0)) @ beside


def _smoothed(mesh: TriangleMesh, steps: list[float]) -> TriangleMesh:
    mean, points = _mean_of_neighbours(mesh), mesh.points_mm
    for share in steps:
        points = points + share * (mean @ points - points)
    return TriangleMesh(points, mesh.faces)


def smoothed(mesh: TriangleMesh, _: np.random.Generator) -> TriangleMesh:
    """Three rounds towards the neighbours: edges are rounded, and shrink."""
    return _smoothed(mesh, [_SHRINK] * 3)


def faired(mesh: TriangleMesh, _: np.random.Generator) -> TriangleMesh:
    """Shrunk and swollen in turn (Taubin 1995)."""
    return _smoothed(mesh, [_SHRINK, _SWELL] * _ROUNDS)


def fused(mesh: TriangleMesh, rng: np.random.Generator) -> TriangleMesh:
    """Made anew from its field of distances on a grid."""
    import pyvista

    low = mesh.points_mm.min(axis=0) - 3 * _CELL_MM - rng.uniform(0.0, _CELL_MM, 3)
    count = np.ceil((mesh.points_mm.max(axis=0) + 3 * _CELL_MM - low) / _CELL_MM).astype(int) + 1
    grid = pyvista.ImageData(dimensions=count, spacing=(_CELL_MM,) * 3, origin=low)
    places = np.asarray(grid.points, dtype=np.float64)
    away, _ = cKDTree(mesh.points_mm).query(places, distance_upper_bound=6 * _CELL_MM)
    near = np.flatnonzero(np.isfinite(away))
    field = np.full(len(places), 9.0)
    kind = igl.SIGNED_DISTANCE_TYPE_PSEUDONORMAL
    field[near] = igl.signed_distance(places[near], mesh.points_mm, mesh.faces, kind)[0]
    grid["distance"] = field
    made = grid.contour([0.0], scalars="distance").triangulate()
    points, faces = np.asarray(made.points, np.float64), made.faces.reshape(-1, 4)[:, [1, 3, 2]]
    square = igl.point_mesh_squared_distance(points, mesh.points_mm, mesh.faces)[0]
    on = (square < (0.5 * _CELL_MM) ** 2)[faces].all(axis=1)
    return select_faces(TriangleMesh(points, faces), on)[0]


def doubled(mesh: TriangleMesh, rng: np.random.Generator) -> TriangleMesh:
    """Over a patch a second sheet, as where two views were not fused."""
    middle = mesh.points_mm[mesh.faces].mean(axis=1)
    patch = np.linalg.norm(middle - middle[rng.integers(len(middle))], axis=1) < _PATCH_MM
    points = mesh.points_mm + LAYER_MM * vertex_normals(mesh)
    points = points + rng.normal(0.0, _LAYER_NOISE_MM, points.shape)
    sheet = select_faces(TriangleMesh(points, mesh.faces), patch)[0]
    return TriangleMesh(
        np.concatenate([mesh.points_mm, sheet.points_mm]),
        np.concatenate([mesh.faces, sheet.faces + len(mesh.points_mm)]),
    )


def filled(mesh: TriangleMesh, rng: np.random.Generator) -> TriangleMesh:
    """Holes filled flat."""
    points, normals = mesh.points_mm.copy(), vertex_normals(mesh)
    for at in rng.integers(len(points), size=_HOLES):
        reach = rng.uniform(*_HOLE_MM)
        away = np.linalg.norm(points - points[at], axis=1)
        inside = np.flatnonzero((away < reach) & (normals @ normals[at] > _SAME_WALL_COS))
        rim = away[inside] > _RIM * reach
        if rim.sum() >= 6:
            points[inside[~rim]] = _onto_plane(points[inside[~rim]], points[inside[rim]])
    return TriangleMesh(points, mesh.faces)


def _onto_plane(points: Floats, rim: Floats) -> Floats:
    middle = rim.mean(axis=0)
    way = np.linalg.svd(rim - middle)[2][2]
    return points - ((points - middle) @ way)[:, None] * way


def powdered(mesh: TriangleMesh, _: np.random.Generator) -> TriangleMesh:
    """Evenly proud by what was sprayed on."""
    return TriangleMesh(mesh.points_mm + POWDER_MM * vertex_normals(mesh), mesh.faces)


BOTH: dict[str, Treatment] = {
    "smoothed": smoothed, "faired": faired, "fused": fused, "doubled": doubled, "filled": filled,
}  # fmt: skip
"""Done to both scans."""

FRAMEWORK: dict[str, Treatment] = {"powdered": powdered}
"""Done to the framework alone: wax needs no powder."""
