"""Parts of one scan within or upon another: sheets inside the body, patches never merged.

Notes
-----
A sheet that lies loose inside a wax-up stops rays as its contour does: «take off 1.05 mm» was told,
firmly, where 1.5 mm were there. Choice: an open part that sees the inside of other parts on both
of its sides, wherever it looks, is left out and told. Instead of: winding numbers, which are near
nothing inside a scan that is open below; an inner surface of retainers they would take as well, and
that sees itself or the open on one side. Cost: a closed part inside is kept, as a hollow may be
meant.
"""

from __future__ import annotations

import numpy as np

from veneercheck.core.mesh.rays import RayScene
from veneercheck.core.mesh.triangles import row_dot, vertex_areas, vertex_normals
from veneercheck.core.types import Fault, Ints, TriangleMesh
from veneercheck.scan.orientation import MOST_JUDGED, glances
from veneercheck.scan.repair import NOTHING, Fix, counted, middle
from veneercheck.scan.shape import Shape
from veneercheck.scan.topology import Sides

_WALLED_IN = 0.5
"""Share of what is seen from either side of an inner sheet that is the inside of other parts: from
outside none is, and a scan that is open below lets some glances out."""

_UPON_MM = 0.25
_SAME_WAY = 0.7
"""Patches of one surface lie so near and face one way; the two sides of a thin wall do not."""

_TOLD_APART_MM, _TOLD_MM2 = 0.02, 4.0
"""Beyond the noise of scanners, and as large as what counts as a part."""


def inner_sheets(mesh: TriangleMesh, sides: Sides, part: Ints, shape: Shape) -> Fix:
    """Open parts that lie wholly inside the others go.

    Parameters
    ----------
    part : ndarray of int64, shape (m,)
        Number of the part of each triangle, all facing outward.
    """
    area = np.bincount(part, weights=shape.area_mm2)
    if len(area) == 1:
        return NOTHING
    is_open = np.bincount(part[sides.triangle[sides.border]], minlength=len(area)) > 0
    is_open[area.argmax()] = False
    is_open &= area > 0
    if not is_open.any():
        return NOTHING
    asked = np.flatnonzero(is_open)[np.argsort(-area[is_open], kind="stable")][:MOST_JUDGED]
    scene = RayScene(mesh)
    inside = [one for one in asked.tolist() if _walled_in(mesh, scene, part, shape, one)]
    if not inside:
        return NOTHING
    gone = np.isin(part, inside)
    lost = float(shape.area_mm2[gone].sum())
    words = counted(
        len(inside),
        f"sheet inside the body, {lost:.1f} mm² in all, was left out.",
        f"sheets inside the body, {lost:.1f} mm² in all, were left out.",
    )
    place = middle(mesh.points_mm[mesh.faces[gone, 0]])
    return Fix(~gone, (Fault("inner_sheets", len(inside), words, place, {"lost": lost}),))


def _walled_in(mesh: TriangleMesh, scene: RayScene, part: Ints, shape: Shape, one: int) -> bool:
    """Whether a part sees the inside of others on both of its sides."""
    members = np.flatnonzero(part == one)
    for starts, ways in glances(mesh, members, shape.area_mm2[members]):
        face = scene.first_hit(starts, ways).face
        met = face >= 0
        leaves = row_dot(scene.face_normal[face[met]], ways[met]) > 0
        if not np.sum(leaves & (part[face[met]] != one)) > _WALLED_IN * len(face):
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
    normals = vertex_normals(mesh)
    area = vertex_areas(mesh)
    inner = of_vertex >= 0
    inner[sides.start[sides.border]] = False
    size = np.bincount(part, weights=shape.area_mm2)
    upon, apart = np.zeros(len(of_vertex), dtype=bool), np.zeros(len(of_vertex))
    for one in np.argsort(size, kind="stable")[:-1][-MOST_JUDGED:].tolist():
        mine, others = np.flatnonzero(of_vertex == one), np.flatnonzero(inner & (of_vertex != one))
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
        f"{total:.0f} mm² of the surface lie twice, {usual:.2f} mm apart: patches that were not "
        "merged; merge them where they were scanned, or scan again."
    )
    values = {"area": total, "apart": usual}
    return [Fault("doubled", 1, words, middle(mesh.points_mm[upon]), values)]
