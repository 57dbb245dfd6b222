"""What changed since an earlier check of the same wax-up: zones, and the surface itself."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from veneercheck.core.divide.excess import GUARD
from veneercheck.core.divide.spots import RADIUS_MM, SPOT_MM2, in_spots, largest_of
from veneercheck.core.measure.uncertainty import NOISE_REACH_MM
from veneercheck.core.mesh.feet import at_open_edge, shares_in
from veneercheck.core.mesh.nearest import NearestSurface
from veneercheck.core.mesh.pieces import long_rims
from veneercheck.core.mesh.rays import RayScene
from veneercheck.core.mesh.triangles import (
    border_vertices,
    edge_pairs,
    row_dot,
    unit,
    vertex_areas,
    vertex_normals,
)
from veneercheck.core.types import (
    Bools,
    Check,
    Floats,
    Gone,
    Ints,
    Recheck,
    Region,
    Trend,
    TriangleMesh,
    Zone,
)

FARTHEST_MM = 3.0
"""What lies farther from the earlier surface was not on it."""

SEEN_SHARE = 0.5
"""Of a spot at least so much must show in both scans."""

SAME_SIDE_COS = 0.5
"""The earlier surface is of a vertex's own side where it is turned from it by less than 60°: else
it is another wall, across a fissure or an embrasure or on a thin wall's other side."""

ALIKE_COS = 0.9
"""What was met straight out of a vertex, and not the nearest, is its own side within 26°."""

BEHIND_MM = 0.1
"""From so far behind the earlier surface the way back is looked along: where it stands unmoved, the
two scans and their poses leave it within this, and it is met before the vertex is."""

BOTH_WAYS = 0.9
"""The nearest ways there and back together make up so much of a way straight out: where less, it
slants along the wall of a cut. A shortened edge is far from its old top, a floor from both."""

NO_HAND = (Region.FITTING_SURFACE, Region.MODEL, Region.ATTACHMENT)
"""What no one cuts or waxes for the veneer: a sprue is not told as so much added."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Change:
    """What was done to the surface since an earlier scan of it.

    Parameters
    ----------
    now : TriangleMesh
    off_mm : ndarray, shape (n,)
        `taken_off` at each of its vertices.
    noise_u_mm, steady_u_mm : float
        Standard uncertainty of a mean of it over a spot: what differs from spot to spot, and not.
    listed_mm : ndarray, shape (k, 3)
        What of the earlier surface lay in a zone, where that is known.
    """

    now: TriangleMesh
    off_mm: Floats
    noise_u_mm: float
    steady_u_mm: float
    listed_mm: Floats

    @staticmethod
    def between(
        now: TriangleMesh,
        then: TriangleMesh,
        *,
        noise_mm: float,
        poses_u_mm: Sequence[float],
        trueness_u_mm: float = 0.0,
        zone_then: Ints | None = None,
        region: Ints | None = None,
    ) -> Change:
        """Compare two scans in one frame.

        Parameters
        ----------
        now, then : TriangleMesh
        noise_mm : float
            Of two scans together, standard deviation.
        poses_u_mm : sequence of float
            Standard uncertainties of both poses; what is not known counts for nothing.
        trueness_u_mm : float
            Standard uncertainty of either scan that is the same over a spot.
        zone_then : ndarray of int64, optional
            Zone of each of the earlier vertices, 0 for none.
        region : ndarray of int64, optional
            What part of the framework each of the later vertices belongs to.
        """
        spots = max(1.0, SPOT_MM2 / (2.0 * math.pi * NOISE_REACH_MM**2))
        steady = math.hypot(*np.nan_to_num(poses_u_mm), math.sqrt(2.0) * trueness_u_mm)
        noise = float(np.nan_to_num(noise_mm)) / math.sqrt(spots)
        listed = np.zeros((0, 3)) if zone_then is None else then.points_mm[zone_then > 0]
        off = taken_off(now, then)
        if region is not None:
            off[np.isin(region, NO_HAND)] = np.nan
        return Change(now, off, noise, steady, listed)

    @property
    def sure_mm(self) -> float:
        """A spot has moved if it has by more than this."""
        return GUARD * math.hypot(self.noise_u_mm, self.steady_u_mm)

    def still(self, place_mm: npt.ArrayLike) -> bool:
        """Whether a spot was seen in both scans, at least half of it, and has not moved."""
        gap = self.now.points_mm - np.asarray(place_mm)
        off = self.off_mm[row_dot(gap, gap) <= RADIUS_MM**2]
        known = np.isfinite(off)
        return bool(
            known.sum() >= SEEN_SHARE * max(len(off), 1) and abs(off[known].mean()) <= self.sure_mm
        )

    def was_listed(self, place_mm: npt.ArrayLike) -> bool:
        """Whether a spot lay in a zone of the earlier check."""
        gap = self.listed_mm - np.asarray(place_mm)
        return bool((row_dot(gap, gap) <= RADIUS_MM**2).any())

    def most_mm(self) -> tuple[float, float]:
        """The most that was taken off and added, on the mean over a spot of which half was seen.

        NaN where nothing was seen twice; 0 where no more than what noise makes of the worst of so
        many spots. Spots that reach a rim of the later scan are not asked: there it is least true,
        and bits of putty hang there. Cost: what was done only within 0.28 mm of a rim is not told.
        """
        area = vertex_areas(self.now)
        known = np.isfinite(self.off_mm)
        all_, normals = np.flatnonzero(area > 0), vertex_normals(self.now)
        rim = border_vertices(self.now)
        means = [np.zeros(0)]
        for some, row, near in in_spots(self.now.points_mm, normals, area, all_, all_[known[all_]]):
            weight = area[near] * known[near]
            seen = np.bincount(row, weight, minlength=len(some))
            total = np.bincount(row, area[near], minlength=len(some))
            summed = np.bincount(row, weight * np.nan_to_num(self.off_mm[near]), len(some))
            whole = np.bincount(row, rim[near], minlength=len(some)) == 0
            means.append((summed / seen)[whole & (seen >= SEEN_SHARE * total)])
        mean = np.concatenate(means)
        if not len(mean):
            return math.nan, math.nan
        least = self.sure_mm + self.noise_u_mm * largest_of(float(area[known].sum()) / SPOT_MM2)
        off, on = float(mean.max()), -float(mean.min())
        return off if off > least else 0.0, on if on > least else 0.0


def compare(
    now: Check,
    zones_then: tuple[Zone, ...],
    surface_then: TriangleMesh,
    *,
    earlier: str,
    u_then_mm: float,
    zone_then: Ints | None = None,
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
    u_then_mm : float
        Standard uncertainty of its pose.
    zone_then : ndarray of int64, optional
        Zone of each vertex of `surface_then`, 0 for none.
    """
    change = Change.between(
        now.framework,
        surface_then,
        noise_mm=now.alignment.noise_mm,
        poses_u_mm=(now.alignment.u_max_mm, u_then_mm),
        trueness_u_mm=now.limits.trueness_u_mm,
        zone_then=zone_then,
        region=now.region,
    )
    pairs = matched(now.zones, zones_then)
    trends = tuple((zone.id, trend(zone, before, change)) for zone, before in pairs)
    kept = {old.id for _, before in pairs for old in before}
    gone = tuple(
        Gone(old.id, old.finding, old.place, old.area_mm2, old.extreme_mm)
        for old in zones_then
        if old.id not in kept
    )
    return Recheck(earlier, gone, trends, change.off_mm, *change.most_mm())


def matched(
    zones_now: tuple[Zone, ...], zones_then: tuple[Zone, ...]
) -> list[tuple[Zone, list[Zone]]]:
    """Every zone with those of before that it is what is left of."""
    return [(zone, [old for old in zones_then if _same(zone, old)]) for zone in zones_now]


def _same(one: Zone, other: Zone) -> bool:
    reach = math.sqrt(one.area_mm2 / math.pi) + math.sqrt(other.area_mm2 / math.pi)
    apart = math.dist(one.centre_mm, other.centre_mm)
    return one.finding is other.finding and one.about == other.about and apart <= reach


def trend(zone: Zone, before: list[Zone], change: Change) -> Trend:
    """What became of a zone, beyond the uncertainty of both readings; of several the worst."""
    if not before:
        if not change.still(zone.centre_mm):
            return Trend.NEW
        return Trend.SAME if change.was_listed(zone.centre_mm) else Trend.UNMOVED
    worst = max(before, key=beyond_mm)
    more = beyond_mm(zone) - beyond_mm(worst)
    sure = GUARD * math.hypot(zone.u_mm, worst.u_mm)
    if abs(more) <= sure:
        return Trend.SAME
    return Trend.WORSE if more > 0 else Trend.BETTER


def beyond_mm(zone: Zone) -> float:
    """How far the worst reading of a zone lies beyond its limit, mm."""
    return abs(zone.extreme_mm - zone.limit_mm)


def taken_off(now: TriangleMesh, then: TriangleMesh) -> Floats:
    """How far each vertex lies under the earlier surface, shape (n,), mm; negative: above it.

    NaN where the two scans do not show the same wall: where the earlier one lies too far, or had
    ended, since the way to its rim is no change; where it ends nearer to what was met than that is
    away, as other walls show through its holes, if one is wider than a spot; where a way straight
    out slants along the wall of a cut; and where what was met stands in the later scan still. Cost:
    the edges of deep pockets, and what was cut deeper than it lies from an earlier rim, are not
    compared.
    """
    from scipy.spatial import cKDTree

    found = NearestSurface(then).query(now.points_mm)
    shares = shares_in(then.points_mm[then.faces[found.face]], found.point_mm)
    outward = unit(np.einsum("ij,ijk->ik", shares, vertex_normals(then)[then.faces[found.face]]))
    own = vertex_normals(now)
    under = row_dot(found.point_mm - now.points_mm, outward) > 0
    off = np.where(under, found.distance_mm, -found.distance_mm)
    rim = border_vertices(then)
    ended = at_open_edge(then, rim, found.face, shares)
    off[ended | (found.distance_mm > FARTHEST_MM)] = np.nan
    facing = row_dot(outward, own)
    # The normal of a vertex on a rim is that of few triangles: no way to look along.
    other = np.flatnonzero((facing < SAME_SIDE_COS) & ~border_vertices(now))
    # Aside lies the wall of an edge that was shortened, and a slope that runs on beside a notch.
    least = np.where(facing[other] < -SAME_SIDE_COS, SAME_SIDE_COS, ALIKE_COS)
    off[facing < SAME_SIDE_COS] = np.nan
    met = found.point_mm.copy()
    off[other], met[other] = _straight(now.points_mm[other], own[other], least, RayScene(then))
    back_mm = NearestSurface(now).query(met[other]).distance_mm
    short = found.distance_mm[other] + back_mm < BOTH_WAYS * np.abs(off[other])
    off[other[short]] = np.nan
    far = np.flatnonzero(np.abs(off) > BEHIND_MM)
    edges = edge_pairs(then.faces)
    holes = then.points_mm[long_rims(rim, then.points_mm, edges, 2.0 * RADIUS_MM)]
    through, _ = cKDTree(holes).query(met[far], distance_upper_bound=FARTHEST_MM)
    another = through < np.abs(off[far])
    another |= _stands(now.points_mm[far], own[far], met[far], RayScene(now))
    off[far[another]] = np.nan
    return off


def _straight(
    points_mm: Floats, normals: Floats, least_cos: Floats, then: RayScene
) -> tuple[Floats, Floats]:
    """The same, straight out of vertices or into them to surface that faces alike, and where."""
    off, met = np.full(len(points_mm), np.nan), points_mm.copy()
    for way in (1.0, -1.0):
        hits = then.first_hit(points_mm, way * normals)
        facing = row_dot(unit(then.face_normal[hits.face]), normals)
        own = hits.met & (facing >= least_cos) & (hits.distance_mm <= FARTHEST_MM)
        nearer = own & ~(np.abs(off) < hits.distance_mm * facing)
        off[nearer] = way * (hits.distance_mm * facing)[nearer]
        met[nearer] = (points_mm + way * hits.distance_mm[:, None] * normals)[nearer]
    return off, met


def _stands(points_mm: Floats, normals: Floats, met_mm: Floats, now: RayScene) -> Bools:
    """Whether what vertices met in the earlier scan stands in the later one, so is another wall.

    On the way back something that faces as the vertex does is met first: what became of the place.
    """
    way = unit(points_mm - met_mm)
    hits = now.first_hit(met_mm - BEHIND_MM * way, way)
    alike = row_dot(now.face_normal[hits.face], normals) > 0
    far = np.linalg.norm(points_mm - met_mm, axis=1)
    return np.asarray(hits.met & alike & (hits.distance_mm < far))
