"""What changed since an earlier check of the same wax-up: zones, and the surface itself."""

from __future__ import annotations

import math

import numpy as np

from veneercheck.core.divide.excess import GUARD
from veneercheck.core.measure.gap import corner_beside
from veneercheck.core.mesh.nearest import NearestSurface
from veneercheck.core.mesh.triangles import border_vertices, row_dot, vertex_normals
from veneercheck.core.types import (
    Check,
    Floats,
    Gone,
    Recheck,
    Trend,
    TriangleMesh,
    Zone,
)

FARTHEST_MM = 3.0
"""What lies farther from the earlier surface was not on it."""


def compare(
    now: Check, zones_then: tuple[Zone, ...], surface_then: TriangleMesh, *, earlier: str
) -> Recheck:
    """Say which zones were corrected, which are new, and which became better or worse.

    A zone is the same one where finding and place agree: the discs of their areas overlap.

    Parameters
    ----------
    now : Check
    zones_then : tuple of Zone
        With the same wax-up: both lie in its frame.
    surface_then : TriangleMesh
        The earlier framework in the wax-up's frame.
    earlier : str
        What the earlier result is called.
    """
    pairs = matched(now.zones, zones_then)
    trends = tuple((zone.id, trend(zone, before)) for zone, before in pairs)
    kept = {old.id for _, before in pairs for old in before}
    gone = tuple(
        Gone(old.id, old.finding, old.place, old.area_mm2, old.extreme_mm)
        for old in zones_then
        if old.id not in kept
    )
    return Recheck(earlier, gone, trends, taken_off(now.framework, surface_then))


def matched(
    zones_now: tuple[Zone, ...], zones_then: tuple[Zone, ...]
) -> list[tuple[Zone, list[Zone]]]:
    """Every zone with those of before that it is what is left of."""
    return [(zone, [old for old in zones_then if _same(zone, old)]) for zone in zones_now]


def _same(one: Zone, other: Zone) -> bool:
    reach = math.sqrt(one.area_mm2 / math.pi) + math.sqrt(other.area_mm2 / math.pi)
    apart = math.dist(one.centre_mm, other.centre_mm)
    return one.finding is other.finding and one.about == other.about and apart <= reach


def trend(zone: Zone, before: list[Zone]) -> Trend:
    """What became of a zone, beyond the uncertainty of both readings; of several the worst."""
    if not before:
        return Trend.NEW
    worst = max(before, key=beyond_mm)
    change = beyond_mm(zone) - beyond_mm(worst)
    sure = GUARD * math.hypot(zone.u_mm, worst.u_mm)
    if abs(change) <= sure:
        return Trend.SAME
    return Trend.WORSE if change > 0 else Trend.BETTER


def beyond_mm(zone: Zone) -> float:
    """How far the worst reading of a zone lies beyond its limit, mm."""
    return abs(zone.extreme_mm - zone.limit_mm)


def taken_off(now: TriangleMesh, then: TriangleMesh) -> Floats:
    """How far each vertex lies under the earlier surface, shape (n,), mm; negative: above it.

    NaN where the earlier surface is too far to be compared with, or its scan ended: the way to its
    rim is no change.
    """
    found = NearestSurface(then).query(now.points_mm)
    ended = border_vertices(then)[corner_beside(then, found.face, found.point_mm)]
    under = row_dot(found.point_mm - now.points_mm, vertex_normals(now))
    signed = np.where(under > 0, found.distance_mm, -found.distance_mm)
    return np.where(ended | (found.distance_mm > FARTHEST_MM), np.nan, signed)
