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
    from scipy.spatial import cKDTree

    named = tuple(sorted(case.units, key=codes.station))
    if len(named) < 2 or not codes.one_arch(named) or not np.isfinite(where.occlusal).all():
        return None
    every = 1 + len(waxup.points_mm) // _FEW
    points = waxup.points_mm[::every]
    areas = vertex_areas(waxup)[::every]
    metal_mm = framework.points_mm[:: 1 + len(framework.points_mm) // _FEW]
    bare = cKDTree(metal_mm).query(points, distance_upper_bound=_COVERED_MM)[0] > _COVERED_MM
    if areas @ bare < _SPOTS * areas.sum():
        return None
    none = np.zeros(len(points), dtype=bool)
    normals = vertex_normals(waxup)[::every]
    cloud = arch.Cloud(points, normals, areas, none, bare, ~none)  # `veneered` carries what is bare
    plane = arch.plane_of(where.occlusal)
    teeth = find_teeth(cloud, plane, named, case).teeth
    low, high = teeth.axis.ends_mm
    widths = [codes.usual_width_mm(code) for code in named]
    if high - low > sum(widths) + _LONGER_SHARE * min(widths) or len(teeth.codes) < 2:
        return None
    crowns = upper_crowns(cloud, plane, named)
    along = teeth.axis.locate(crowns.points_mm)[:, 0]
    unit, ends = teeth.index_at(along), (0, len(teeth.codes) - 1)
    area = crowns.area_mm2 * crowns.veneered
    share = np.bincount(unit, area, len(teeth.codes)) / np.maximum(
        np.bincount(unit, crowns.area_mm2, len(teeth.codes)), np.finfo(float).tiny
    )
    barest = int(share.argmax())
    others = np.delete(
        share, [barest, *(k for k in (barest - 1, barest + 1) if 0 <= k < len(share))]
    )
    if share[barest] < _LEAST_SHARE or others.max(initial=0.0) > _ALIKE * share[barest]:
        return None
    begin, end = teeth.ends_mm()
    covered_mm = float((end - begin) @ (1.0 - share))
    one_mm = codes.usual_width_mm(teeth.codes[barest])
    if barest in ends and covered_mm > sum(widths) - _SHORTER_SHARE * one_mm:
        return None
    own = area * (unit == barest)
    x, y, z = own @ crowns.points_mm / own.sum()
    sure = bool(case.buccal) and barest in ends
    return (float(x), float(y), float(z)), str(teeth.codes[barest]) if sure else ""
