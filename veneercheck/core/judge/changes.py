"""What changed since an earlier check of the same wax-up: zones, and the surface itself."""

from __future__ import annotations

import math

import numpy as np

from veneercheck.core.divide.excess import GUARD
from veneercheck.core.mesh.nearest import NearestSurface
from veneercheck.core.mesh.triangles import row_dot, vertex_normals
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
    trends: list[tuple[int, Trend]] = []
    matched: set[int] = set()
    for zone in now.zones:
        before = [old for old in zones_then if _same(zone, old)]
        matched.update(old.id for old in before)
        trends.append((zone.id, _trend(zone, before)))
    gone = tuple(
        Gone(old.id, old.finding, old.place, old.area_mm2, old.extreme_mm)
        for old in zones_then
        if old.id not in matched
    )
    return Recheck(earlier, gone, tuple(trends), _taken_off(now.framework, surface_then))


def _same(one: Zone, other: Zone) -> bool:
    reach = math.sqrt(one.area_mm2 / math.pi) + math.sqrt(other.area_mm2 / math.pi)
    apart = math.dist(one.centre_mm, other.centre_mm)
    return one.finding is other.finding and one.about == other.about and apart <= reach


def _trend(zone: Zone, before: list[Zone]) -> Trend:
    """Beyond the uncertainty of both readings; one zone of several is set beside the worst."""
    if not before:
        return Trend.NEW
    worst = max(before, key=_beyond_mm)
    change = _beyond_mm(zone) - _beyond_mm(worst)
    sure = GUARD * math.hypot(zone.u_mm, worst.u_mm)
    if abs(change) <= sure:
        return Trend.SAME
    return Trend.WORSE if change > 0 else Trend.BETTER


def _beyond_mm(zone: Zone) -> float:
    return abs(zone.extreme_mm - zone.limit_mm)


def _taken_off(now: TriangleMesh, then: TriangleMesh) -> Floats:
    """How far each vertex lies under the earlier surface, shape (n,), mm; negative: above it.

    NaN where the earlier surface is too far to be compared with.
    """
    found = NearestSurface(then).query(now.points_mm)
    under = row_dot(found.point_mm - now.points_mm, vertex_normals(now))
    signed = np.where(under > 0, found.distance_mm, -found.distance_mm)
    return np.where(found.distance_mm <= FARTHEST_MM, signed, np.nan)
