"""A unit that the case names and the wax-up shows, but the framework's scan does not.

Notes
-----
A unit that lacks in the framework's scan leaves nothing that could be measured, and the others
take its name. Choice: the units are told apart on the wax-up, where it is no longer than those
named, and one whose crown alone is bare of metal is missing; which, is told at the bridge's ends
alone. Instead of: the framework's own length, since teeth differ by a tenth, and an axis
fitted to fewer units than named winds. Cost: where neighbours stand in the wax-up's scan nothing
is said.
"""

from __future__ import annotations

import numpy as np

from veneercheck.core.divide.anatomy import arch, codes
from veneercheck.core.divide.anatomy.bridge import find_teeth, upper_crowns
from veneercheck.core.divide.anatomy.places import Places
from veneercheck.core.mesh.triangles import vertex_areas, vertex_normals
from veneercheck.core.types import Case, Point, TriangleMesh

_FEW = 15_000
"""Points of either scan that are enough."""

_COVERED_MM = 2.3
"""A veneer is thinner, but for spots; both neighbours do not reach under a whole crown."""

_SPOTS = 0.01
"""Less of the wax-up than this is bare where the veneer is too thick in spots."""

_LEAST_SHARE, _ALIKE = 0.3, 0.5
"""So much of a unit's crown must be bare, its neighbours' metal lies under the rest; and not half
as much of units farther off: a side that was not scanned is bare on all."""

_SHORTER_SHARE = 0.6
"""At the end of a bridge the framework must be shorter than the units named by so much of one: what
is bare there may be a neighbour."""

_LONGER_SHARE = 0.5
"""A wax-up that is longer than the units named by so much of a tooth may show a neighbour."""


def missing_unit(
    framework: TriangleMesh, waxup: TriangleMesh, where: Places, case: Case
) -> tuple[Point, str] | None:
    """The middle of a crown that has no metal, and its code where that is sure; None if all have.

    Parameters
    ----------
    framework, waxup : TriangleMesh
        In one frame.
    where : Places
        For the directions; without occlusal, or with fewer than two units, nothing is told.
    case : Case
    """
    named = tuple(sorted(case.units, key=codes.station))
    if len(named) < 2 or not codes.one_arch(named) or not np.isfinite(where.occlusal).all():
        return None
    cloud = _contour(framework, waxup)
    if cloud.area_mm2 @ cloud.veneered < _SPOTS * cloud.area_mm2.sum():
        return None
    plane = arch.plane_of(where.occlusal)
    teeth = find_teeth(cloud, plane, named, case).teeth
    (low, high), count = teeth.axis.ends_mm, len(teeth.codes)
    widths = [codes.usual_width_mm(code) for code in named]
    if high - low > sum(widths) + _LONGER_SHARE * min(widths) or count < 2:
        return None
    crowns = upper_crowns(cloud, plane, named)
    unit = teeth.index_at(teeth.axis.locate(crowns.points_mm)[:, 0])
    area = crowns.area_mm2 * crowns.veneered
    whole = np.maximum(np.bincount(unit, crowns.area_mm2, count), np.finfo(float).tiny)
    share = np.bincount(unit, area, count) / whole
    barest, ends = int(share.argmax()), (0, count - 1)
    farther = share[np.abs(np.arange(count) - barest) > 1].max(initial=0.0)
    if share[barest] < _LEAST_SHARE or farther > _ALIKE * share[barest]:
        return None
    begin, end = teeth.ends_mm()
    one_mm = codes.usual_width_mm(teeth.codes[barest])
    if barest in ends and (end - begin) @ (1.0 - share) > sum(widths) - _SHORTER_SHARE * one_mm:
        return None
    own = area * (unit == barest)
    x, y, z = own @ crowns.points_mm / own.sum()
    sure = bool(case.buccal) and barest in ends
    return (float(x), float(y), float(z)), str(teeth.codes[barest]) if sure else ""


def _contour(framework: TriangleMesh, waxup: TriangleMesh) -> arch.Cloud:
    """Some points of the wax-up; as `veneered` those under which there is no metal."""
    from scipy.spatial import cKDTree

    every = 1 + len(waxup.points_mm) // _FEW
    points = waxup.points_mm[::every]
    metal = cKDTree(framework.points_mm[:: 1 + len(framework.points_mm) // _FEW])
    bare = metal.query(points, distance_upper_bound=_COVERED_MM)[0] > _COVERED_MM
    none = np.zeros(len(points), dtype=bool)
    normals, areas = vertex_normals(waxup)[::every], vertex_areas(waxup)[::every]
    return arch.Cloud(points, normals, areas, none, bare, ~none)
