"""Parts of one scan within or upon another: sheets inside the body, patches never merged.

Notes
-----
A sheet that lies loose inside a wax-up stops rays as its contour does: «take off 1.05 mm» was told,
firmly, where 1.5 mm were there. Choice: an open part that sees the inside of other parts on both
of its sides, from all its places, is left out and told. Instead of: winding numbers, which are near
nothing inside a scan that is open below; an inner surface of retainers they would take as well, and
that sees itself or the open on one side. Cost: a closed part inside is kept, as a hollow may be
meant.
"""

from __future__ import annotations

import numpy as np

from veneercheck.core.mesh.rays import RayScene
from veneercheck.core.mesh.triangles import row_dot, vertex_areas, vertex_normals
from veneercheck.core.types import Fault, Floats, Ints, TriangleMesh
from veneercheck.scan.orientation import GLANCES, MOST_JUDGED, from_both_sides
from veneercheck.scan.repair import NOTHING, Fix, counted, middle
from veneercheck.scan.shape import Shape
from veneercheck.scan.topology import Sides

_WALLED_IN, _MOST_OUT = 0.5, 0.02
"""Share of what a place of an inner sheet sees on either side that is the inside of other parts,
and of its places that may see less: a scan that is open below lets some glances out. A patch that
covers a hole, and lies under its rim round about, sees less from a quarter of them or more."""

_UPON_MM = 0.25
_SAME_WAY = 0.7
"""Patches of one surface lie so near and face one way; the two sides of a thin wall do not."""

_CELL_MM, _EVERY = 0.5, 4
"""Space is looked through by cells, and by every so many vertices, for parts side by side."""

_TOLD_APART_MM, _TOLD_MM2 = 0.02, 4.0
"""Beyond the noise of scanners, and as large as what counts as a part."""


def inner_sheets(
    mesh: TriangleMesh, sides: Sides, part: Ints, shape: Shape, scene: RayScene | None = None
) -> Fix:
    """Open parts that lie wholly inside the others go.

    Parameters
    ----------
    part : ndarray of int64, shape (m,)
        Number of the part of each triangle, all facing outward.
    scene : RayScene, optional
        Of the triangles, whichever way they faced; else it is made where it is needed.
    """
    area = np.bincount(part, weights=shape.area_mm2)
    if len(area) == 1:
        return NOTHING
    is_open = np.bincount(part[sides.triangle[sides.border]], minlength=len(area)) > 0
    is_open[area.argmax()] = False
    is_open &= area > 0
    if not is_open.any():
        return NOTHING
    low, high = _boxes(mesh, part)
    # What no other part reaches beyond on every side is inside nothing.
    boxed = (low > low.min(axis=0)).all(axis=1) & (high < high.max(axis=0)).all(axis=1)
    asked = np.flatnonzero(is_open & boxed)
    if not len(asked):
        return NOTHING
    asked = asked[np.argsort(-area[asked], kind="stable")][:MOST_JUDGED]
    scene = scene or RayScene(mesh)
    inside = [one for one in asked.tolist() if _walled_in(mesh, scene, part, shape, one)]
    if not inside:
        return NOTHING
    gone = np.isin(part, inside)
    lost = float(shape.area_mm2[gone].sum())
    words = counted(
        len(inside),
        "sheet inside the body, {lost:.1f} mm² in all, was left out.",
        "sheets inside the body, {lost:.1f} mm² in all, were left out.",
    )
    place = middle(mesh.points_mm[mesh.faces[gone, 0]])
    return Fix(~gone, (Fault.of("inner_sheets", len(inside), words, place, lost=lost),))


def _boxes(mesh: TriangleMesh, part: Ints) -> tuple[Floats, Floats]:
    """Least and greatest coordinates of each part, shape (p, 3), by first corners of triangles."""
    order = np.argsort(part, kind="stable")
    corners = mesh.points_mm[mesh.faces[order, 0]]
    first = np.flatnonzero(np.diff(part[order], prepend=-1))
    return np.minimum.reduceat(corners, first), np.maximum.reduceat(corners, first)


def _walled_in(mesh: TriangleMesh, scene: RayScene, part: Ints, shape: Shape, one: int) -> bool:
    """Whether a part sees the inside of others on both of its sides."""
    members = np.flatnonzero(part == one)
    for starts, ways in from_both_sides(mesh, members, shape.area_mm2[members]):
        face = scene.first_face(starts, ways)
        met = np.flatnonzero(face >= 0)
        leaves = row_dot(shape.cross[face[met]], ways[met]) > 0
        within = np.zeros(len(face), dtype=bool)
        within[met] = leaves & (part[face[met]] != one)
        out = within.reshape(-1, GLANCES).mean(axis=1) < _WALLED_IN
        if out.mean() > _MOST_OUT:
            return False
    return True


def doubled_patches(mesh: TriangleMesh, sides: Sides, part: Ints, shape: Shape) -> list[Fault]:
    """Where the scan lies twice, the second time beside the first: told, nothing is merged."""
    from scipy.spatial import cKDTree

    count = int(part.max()) + 1
    if count == 1:
        return []
    of_vertex = np.full(len(mesh.points_mm), -1, dtype=np.int64)
    of_vertex[mesh.faces] = part[:, None]
    beside = _beside_others(mesh.points_mm, of_vertex)
    if not len(beside):
        return []
    normals = vertex_normals(mesh)
    area = vertex_areas(mesh)
    inner = of_vertex >= 0
    inner[sides.start[sides.border]] = False
    size = np.bincount(part, weights=shape.area_mm2)
    upon, apart = np.zeros(len(of_vertex), dtype=bool), np.zeros(len(of_vertex))
    smaller = np.argsort(size, kind="stable")[:-1]
    for one in smaller[np.isin(smaller, beside)][-MOST_JUDGED:].tolist():
        mine = np.flatnonzero(of_vertex == one)
        low = mesh.points_mm[mine].min(axis=0) - _UPON_MM
        high = mesh.points_mm[mine].max(axis=0) + _UPON_MM
        others = np.flatnonzero(inner & (of_vertex != one))
        place = mesh.points_mm[others]
        others = others[((place >= low) & (place <= high)).all(axis=1)]
        if not len(others):
            continue
        gap, near = cKDTree(mesh.points_mm[others]).query(
            mesh.points_mm[mine], distance_upper_bound=_UPON_MM
        )
        mine, near = mine[np.isfinite(gap)], others[near[np.isfinite(gap)]]
        along = row_dot(mesh.points_mm[mine] - mesh.points_mm[near], normals[near])
        alike = (row_dot(normals[mine], normals[near]) > _SAME_WAY) & ~upon[near]
        upon[mine[alike]], apart[mine[alike]] = True, along[alike]
    total = float(area[upon].sum())
    if not total > _TOLD_MM2:
        return []
    usual = float(np.median(np.abs(apart[upon])))
    if not usual > _TOLD_APART_MM:
        return []
    words = (
        "{area:.0f} mm² of the surface lie twice, {apart:.2f} mm apart: patches that were not "
        "merged; merge them where they were scanned, or scan again."
    )
    centre = middle(mesh.points_mm[upon])
    return [Fault.of("doubled", 1, words, centre, area=total, apart=usual)]


def _beside_others(points_mm: Floats, of_vertex: Ints) -> Ints:
    """Parts that share enough cells of space with others, by some of their vertices."""
    some = np.flatnonzero(of_vertex >= 0)[::_EVERY]
    place = np.floor(points_mm[some] / _CELL_MM).astype(np.int64)
    cell = np.zeros(len(some), dtype=np.int64)
    for axis in place.T:  # one after another: parts may lie kilometres apart
        row = np.unique(axis, return_inverse=True)[1].reshape(-1)
        cell = np.unique(cell * (row.max() + 1) + row, return_inverse=True)[1].reshape(-1)
    parts = int(of_vertex.max()) + 1
    pairs = np.unique(cell * parts + of_vertex[some])
    _, which, count = np.unique(pairs // parts, return_inverse=True, return_counts=True)
    shared = np.bincount(pairs[count[which.reshape(-1)] > 1] % parts)
    return np.flatnonzero(shared >= _TOLD_MM2 / _CELL_MM**2 / 4)
