"""The space at every framework point: a ray to the contour, and the nearest contour point."""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from veneercheck.core.errors import MeshError
from veneercheck.core.measure.gap import Gap, corner_beside
from veneercheck.core.measure.outside import FromOutside, look_from_outside
from veneercheck.core.measure.uncertainty import Ends, Uncertainty, uncertainty
from veneercheck.core.mesh.nearest import Nearest, WalkableSurface, spread_starts
from veneercheck.core.mesh.prepared import Prepared, prepare
from veneercheck.core.mesh.rays import EngineName, RayScene
from veneercheck.core.mesh.triangles import edge_pairs, row_dot, side_by_side, unit
from veneercheck.core.types import (
    Alignment,
    Bools,
    Floats,
    Ints,
    Limits,
    RayOutcome,
    SpaceMap,
    TriangleMesh,
)

REACH_MM = 6.0
"""No veneer is this thick: what a ray meets farther out is not the contour over its start."""

OVER_REACH_MM = 1.5
"""A framework standing out farther than this belongs to another body than the contour."""

GRAZING_DEG = 60.0
"""Past this angle to the contour's normal the length of a ray says little about the space."""

_START_BEHIND_MM = 0.02
"""Rays start this far behind their vertex, so that surfaces lying on each other still meet."""

_SELF_START_MM = 1e-3
"""Rays at the framework itself start off it: two hundred times the float32 error at 50 mm."""

_LYING_ON_MM = 0.02
"""Surfaces this near lie on each other, well within what counts as uncut."""

_SLANT_MM = 0.005
"""Ray and nearest distance that agree to this are one reading."""

_THROUGH_MM = 0.1
"""Metal that a ray meets so far before the contour lies between; nearer, the finish line may."""

_NEAR_MM = 0.15
"""So near to the contour, or outside of it, the nearest lies round about where the ray ends."""

_BEYOND_EDGE_MM = 0.5
"""Nearer than this a steep wall's own contour may slip past ray and ball."""

_ASIDE_MM = 0.1
_LEAN2 = 0.25
"""A foot on an open border that lies by more than this beside the contour's normal is no foot of a
perpendicular (scans that were cropped a little differently still touch), where the ray meets no
contour either, or where it lies so by more than half of its height (27°)."""

_FACING_COS = 0.25
"""From here on (75°) a vertex faces the way that the rim's surface does: over a cusp tip normals
part by more than over a flank; the inside of a retainer faces the other way."""

_BIAS_SIGMAS = 3.0
"""Noise shortens a nearest distance by no more than this many sigmas."""

_NEARLY_PARALLEL_COS = math.cos(math.radians(12.0))
"""Along the mean of two normals that differ by this, a distance is longer by half a percent."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Reading:
    """The space map, with what dividing it into regions needs.

    Parameters
    ----------
    space : SpaceMap
    points_mm, normals : ndarray, shape (n, 3)
        Where the readings start, the scan's noise taken off, and the outward directions along
        which the rays went.
    agreement : ndarray, shape (n,)
        Cosine between that direction and the contour's normal at the nearest contour point.
    sees_itself : ndarray of bool, shape (n,)
        The outward ray meets the framework itself before the contour.
    across_mm : ndarray, shape (n,)
        How far off it meets the framework, contour or not; infinite where it does not.
    edges : ndarray of int64, shape (e, 2)
        Of the framework, for growing regions over it.
    outside : FromOutside
        From every contour vertex inward to the nearest metal.
    under_a_hole : ndarray of bool, shape (n,)
        Where the contour would be is not known: the nearest of it is the rim of a hole that the
        vertex lies under and faces, or an edge of the scan that it lies beyond.
    contour : Contour
        To be read from elsewhere.
    other_side : ndarray of int64, shape (n,)
        A framework vertex beside the place where the metal under each one ends; −1 where that is
        not known, or is told by a die.
    """

    space: SpaceMap
    points_mm: Floats
    normals: Floats
    agreement: Floats
    sees_itself: Bools
    across_mm: Floats
    edges: Ints
    outside: FromOutside
    under_a_hole: Bools
    contour: Contour
    other_side: Ints


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Contour:
    """The contour as it is read from the framework's side."""

    outer: Prepared
    scene: RayScene
    gap: Gap
    noise_mm: float

    def low_mm(self, points_mm: Floats, normals: Floats) -> Floats:
        """The smaller of ray and ball, also from places within the metal; NaN where neither is.

        Parameters
        ----------
        points_mm, normals : ndarray, shape (k, 3)
            Outward.
        """
        hits = self.scene.first_hit(points_mm, normals)
        cosine = _cosine(self.outer, hits.face, normals)
        met = (cosine >= math.cos(math.radians(GRAZING_DEG))) & (hits.distance_mm <= REACH_MM)
        most = np.where(met, hits.distance_mm, REACH_MM)
        ball, touched = self.gap.balls(points_mm, normals, most, noise_mm=self.noise_mm)
        return np.where(met | np.isfinite(touched[:, 0]), ball, np.nan)

    def nearest_mm(self, points_mm: Floats, normals: Floats) -> Floats:
        """The nearest contour that is seen from places in the gap, shape (k,)."""
        return self.gap.nearest(points_mm, normals)[0].distance_mm


def measure(
    framework: TriangleMesh,
    waxup: TriangleMesh,
    *,
    alignment: Alignment,
    limits: Limits,
    framework_noise_mm: float = 0.0,
    waxup_noise_mm: float = 0.0,
    engine: EngineName | None = None,
) -> Reading:
    """Measure the space from every framework vertex to the contour.

    Parameters
    ----------
    framework, waxup : TriangleMesh
        Both in the wax-up's frame, normals outward.
    alignment : Alignment
        For its covariance.
    limits : Limits
        For the allowance and the uncertainties the laboratory states.
    framework_noise_mm, waxup_noise_mm : float
        Noise of the two scans, standard deviation.
    engine : {"embree", "portable"}, optional

    Returns
    -------
    Reading

    Raises
    ------
    MeshError
        If a surface has no triangles.

    Notes
    -----
    Outward, the first hit counts where the ray leaves the contour's body; a ray that enters
    another body first, or leaves through a hole, is a miss. Where nothing lies outward, the same
    vertex looks inward: the framework then stands outside the contour and the space is negative.
    """
    if not len(framework.faces):
        raise MeshError("the framework has no triangles.")
    inner, outer = side_by_side(
        lambda: _Side.of(framework, framework_noise_mm), lambda: _Side.of(waxup, waxup_noise_mm)
    )
    inward = _inward(inner, outer, limits, engine)
    out = _outward(inner, outer, inward, alignment=alignment, limits=limits, engine=engine)
    rays, nearest, u = out.rays, out.nearest, out.u
    low_mm = np.fmin(rays.space_mm, out.ball_mm)
    # With no contour straight out the nearest is another wall's: the scan ended before its own.
    high_mm = out.judged_high_mm
    high_mm = np.where(np.isnan(low_mm) & (high_mm > _BEYOND_EDGE_MM), np.nan, high_mm)
    least_mm = np.full(len(low_mm), limits.layer.least_mm + limits.taken_mm)
    space = SpaceMap(
        space_mm=rays.space_mm,
        layer_mm=as_judged(low_mm, high_mm, least_mm) - limits.taken_mm,
        nearest_mm=nearest.signed_mm,
        contour_mm=nearest.point_mm,
        ball_mm=out.ball_mm,
        judged_low_mm=low_mm,
        judged_high_mm=high_mm,
        u_mm=u.ray_mm,
        u_judged_mm=u.judged_mm,
        u_noise_mm=u.noise_mm,
        metal_mm=inward.metal_mm,
        area_mm2=inner.surface.area_mm2,
        outcome=rays.outcome,
    )
    return Reading(
        space,
        inner.surface.mesh.points_mm,
        inner.surface.normals,
        nearest.agreement,
        sees_itself=inward.meets_itself_mm < rays.left_after_mm,
        across_mm=inward.meets_itself_mm,
        edges=inner.edges,
        outside=inward.outside,
        under_a_hole=nearest.under_a_hole,
        contour=Contour(
            outer.surface,
            rays.scene,
            out.gap,
            math.hypot(inner.surface.noise_mm, outer.surface.noise_mm),
        ),
        other_side=inward.other_side,
    )


def as_judged(low_mm: Floats, high_mm: Floats, least_mm: Floats) -> Floats:
    """The one reading that is told of a point, shape (n,), in mm.

    The nearest contour, which is what is held against the greatest layer; short of the least space
    only where the ball is short of it, too, which is what is held against the least.

    Parameters
    ----------
    low_mm, high_mm : ndarray, shape (n,)
        `judged_low_mm` and `judged_high_mm`.
    least_mm : ndarray, shape (n,)
        Least space asked for.

    Examples
    --------
    >>> as_judged(np.array([0.9, 1.3, 2.6]), np.array([0.8, 1.1, 2.4]), np.full(3, 1.2))
    array([0.9, 1.2, 2.4])
    """
    high_mm = np.where(high_mm <= REACH_MM, high_mm, np.nan)
    within = np.fmax(high_mm, np.where(np.isfinite(high_mm), least_mm, np.nan))
    told = np.where(low_mm >= least_mm, within, low_mm)
    return np.where(np.isfinite(told), told, np.where(np.isfinite(low_mm), low_mm, high_mm))


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class _Side:
    """One of the two surfaces, prepared, and its edges."""

    surface: Prepared
    edges: Ints

    @staticmethod
    def of(mesh: TriangleMesh, noise_mm: float) -> _Side:
        edges = edge_pairs(mesh.faces)
        return _Side(prepare(mesh, edges, noise_mm=noise_mm), edges)


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class _Outward:
    """What lies between the framework and the contour."""

    rays: _RaysBothWays
    gap: Gap
    nearest: _OwnSide
    ball_mm: Floats
    judged_high_mm: Floats
    u: Uncertainty


def _outward(
    one: _Side,
    other: _Side,
    inward: _Inward,
    *,
    alignment: Alignment,
    limits: Limits,
    engine: EngineName | None,
) -> _Outward:
    inner, outer = one.surface, other.surface
    rays = _RaysBothWays(inner, outer, inward.meets_itself_mm, engine)
    gap = Gap.between(
        outer.mesh,
        outer.normals,
        other.edges,
        over_metal_mm=inward.outside.depth_mm,
        metal=inward.metal,
    )
    walkable = WalkableSurface(outer.mesh, other.edges)
    nearest = _nearest_on_own_side(inner, outer, gap, walkable, rays=rays, edges=one.edges)
    ball_mm = _balls(inner, gap, rays, nearest, math.hypot(inner.noise_mm, outer.noise_mm))
    ends = Ends(
        np.where(rays.measured, rays.space_mm, nearest.signed_mm),
        np.where(rays.measured, rays.cosine, np.nan),
        nearest.vertex,
        nearest.agreement,
    )
    u = uncertainty(inner, outer, ends, alignment=alignment, limits=limits)
    high_mm = _without_noise_bias(inner, outer, rays, nearest)
    return _Outward(rays, gap, nearest, ball_mm, high_mm, u)


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class _Inward:
    """The metal: its thickness, where it faces itself, and how it lies under the contour."""

    metal: RayScene
    metal_mm: Floats
    other_side: Ints
    meets_itself_mm: Floats
    outside: FromOutside


def _inward(one: _Side, other: _Side, limits: Limits, engine: EngineName | None) -> _Inward:
    inner, outer = one.surface, other.surface
    metal = RayScene(inner.mesh, engine=engine)
    own = metal.first_hit(inner.mesh.points_mm + _SELF_START_MM * inner.normals, inner.normals)
    outside = look_from_outside(
        outer.mesh,
        other.edges,
        outer.normals,
        metal=metal,
        surface=WalkableSurface(inner.mesh, one.edges),
        deep_mm=limits.layer.greatest_mm,
    )
    metal_mm, other_side = _metal(inner, metal)
    return _Inward(metal, metal_mm, other_side, own.distance_mm, outside)


def _metal(inner: Prepared, metal: RayScene) -> tuple[Floats, Ints]:
    """Thickness under every vertex: a ray inward to where it leaves the framework's body; and a
    vertex beside that place.

    A ray that enters a body first, or leaves through a hole, says nothing of the metal; nor does
    one that leaves through a triangle of its own vertex, from a crest that is sharper than the
    noise of its normal.
    """
    way = -inner.normals
    hits = metal.first_hit(inner.mesh.points_mm + _SELF_START_MM * way, way)
    leaves = hits.met & (row_dot(metal.face_normal.take(hits.face, axis=0), way) > 0)
    own = np.arange(len(way))[:, None]
    leaves &= ~(inner.mesh.faces.take(hits.face, axis=0) == own).any(axis=1)
    thickness = hits.distance_mm + _SELF_START_MM
    known = leaves & (thickness <= REACH_MM)
    beside = inner.mesh.faces.take(hits.face, axis=0)[:, 0]
    return np.where(known, thickness, np.nan), np.where(known, beside, -1)


class _RaysBothWays:
    """Signed distance along the normal, and what became of each ray."""

    def __init__(
        self,
        inner: Prepared,
        outer: Prepared,
        meets_itself_mm: Floats,
        engine: EngineName | None,
    ) -> None:
        self.scene = scene = RayScene(outer.mesh, engine=engine)
        points, ways = inner.mesh.points_mm, inner.normals
        outward = scene.first_hit(points - _START_BEHIND_MM * ways, ways)
        distance = outward.distance_mm - _START_BEHIND_MM
        cosine = _cosine(outer, outward.face, ways)
        self.face = outward.face
        unmet = np.flatnonzero(~(cosine > 0))
        if len(unmet):
            back = scene.first_hit(points[unmet] + _START_BEHIND_MM * ways[unmet], -ways[unmet])
            depth = back.distance_mm - _START_BEHIND_MM
            out = (_cosine(outer, back.face, ways[unmet]) > 0) & (depth <= OVER_REACH_MM)
            distance[unmet] = np.where(out, -depth, np.nan)
            self.face[unmet] = np.where(out, back.face, -1)
            cosine[unmet] = _cosine(outer, self.face[unmet], ways[unmet])
        self.cosine = cosine
        self.outcome = _outcomes(distance, cosine)
        # What a ray meets beyond the framework's own metal is not the contour over its start.
        through = (self.outcome != RayOutcome.MISS) & (meets_itself_mm < distance - _THROUGH_MM)
        self.outcome[through] = RayOutcome.MISS
        self.measured = self.outcome <= RayOutcome.OVER_CONTOUR
        self.space_mm = np.where(self.measured, distance, np.nan)
        self.left_after_mm = np.where(cosine > 0, distance, np.inf)


def _outcomes(distance_mm: Floats, cosine: Floats) -> Ints:
    outcome = np.full(len(distance_mm), RayOutcome.MISS, dtype=np.int64)
    met = np.isfinite(distance_mm) & (cosine > 0)
    outcome[met] = RayOutcome.HIT
    outcome[met & (distance_mm < 0)] = RayOutcome.OVER_CONTOUR
    outcome[met & (cosine < math.cos(math.radians(GRAZING_DEG)))] = RayOutcome.GRAZING
    outcome[met & (distance_mm > REACH_MM)] = RayOutcome.BEYOND_REACH
    return outcome


def _cosine(outer: Prepared, face: Ints, ways: Floats) -> Floats:
    """Cosine between each ray and the contour's normal where it met it; NaN where it did not."""
    met = face >= 0
    cosine = np.full(len(face), np.nan)
    corners = outer.mesh.faces[face[met]]
    normal = unit(outer.normals[corners].sum(axis=1))
    cosine[met] = row_dot(normal, ways[met])
    return cosine


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class _OwnSide:
    """The nearest contour point on the side that the ray saw; vertex −1 where there is none."""

    signed_mm: Floats
    point_mm: Floats
    face: Ints
    vertex: Ints
    agreement: Floats
    under_a_hole: Bools


def _nearest_on_own_side(
    inner: Prepared,
    outer: Prepared,
    gap: Gap,
    walkable: WalkableSurface,
    *,
    rays: _RaysBothWays,
    edges: Ints,
) -> _OwnSide:
    points = inner.mesh.points_mm
    face = rays.face
    # A ray that enters another body, the model through a hole, starts no walk over it.
    leaves = (face >= 0) & (rays.cosine > 0)
    start = np.where(leaves, outer.mesh.faces[face, 0], -1)
    # Where the surfaces lie on each other the ray's own end is the nearest point.
    on = rays.measured & (np.abs(rays.space_mm) <= _LYING_ON_MM)
    signed = np.where(on, rays.space_mm * rays.cosine, np.nan)
    place = np.where(on[:, None], points + rays.space_mm[:, None] * inner.normals, np.nan)
    agreement = np.where(on, rays.cosine, np.nan)
    end, on_face = np.where(on, start, -1), np.where(on, face, -1)
    under = np.zeros(len(points), dtype=bool)
    start = spread_starts(start, edges)
    asked = np.flatnonzero((start >= 0) & ~on)
    if len(asked):
        near = rays.measured[asked] & (rays.space_mm[asked] <= _NEAR_MM)
        nearest, vertex = _seen_or_walked(
            inner, gap, walkable, asked=asked, start=start[asked], near=near
        )
        way = nearest.point_mm - points[asked]
        side = row_dot(way, outer.normals[vertex])
        said = ~_beside_a_rim(way, vertex, outer, walkable, rays.measured[asked])
        faces_it = row_dot(inner.normals[asked], outer.normals[vertex]) > _FACING_COS
        under[asked] = ~said & faces_it & ~rays.measured[asked]
        asked, vertex, side = asked[said], vertex[said], side[said]
        distance = nearest.distance_mm[said]
        signed[asked] = np.where(side < 0, -distance, distance)
        place[asked], on_face[asked] = nearest.point_mm[said], nearest.face[said]
        end[asked] = vertex
        agreement[asked] = row_dot(inner.normals[asked], outer.normals[vertex])
    return _OwnSide(signed, place, on_face, end, agreement, under)


def _seen_or_walked(
    inner: Prepared,
    gap: Gap,
    walkable: WalkableSurface,
    *,
    asked: Ints,
    start: Ints,
    near: Bools,
) -> tuple[Nearest, Ints]:
    """The nearest contour that vertices see; where none is, what a walk from the ray's end finds.

    So near to the contour that nothing can lie between, the walk alone is asked.
    """
    points, normals = inner.mesh.points_mm[asked], inner.normals[asked]
    found, seen = gap.nearest(points[~near], normals[~near])
    walks = near.copy()
    walks[np.flatnonzero(~near)[~seen]] = True
    distance, face = np.empty(len(asked)), np.empty(len(asked), dtype=np.int64)
    place, vertex = np.empty((len(asked), 3)), np.empty(len(asked), dtype=np.int64)
    distance[~near], face[~near], place[~near] = found.distance_mm, found.face, found.point_mm
    vertex[~near] = corner_beside(gap.contour, found.face, found.point_mm)
    if walks.any():
        walked, vertex[walks] = walkable.walk(points[walks], start[walks])
        distance[walks], face[walks] = walked.distance_mm, walked.face
        place[walks] = walked.point_mm
    return Nearest(distance, face, place), vertex


def _beside_a_rim(
    gap: Floats, vertex: Ints, outer: Prepared, walkable: WalkableSurface, ray_measured: Bools
) -> Bools:
    """Points whose nearest contour point is the rim of a hole that they lie under, or an edge of
    the scan that they lie beyond: how far the contour would be is not known there."""
    along = row_dot(gap, outer.normals[vertex])
    aside2 = row_dot(gap, gap) - along * along
    leans = ~ray_measured | (aside2 > along * along * _LEAN2)
    return walkable.on_border(vertex) & (aside2 > _ASIDE_MM**2) & leans


def _balls(
    inner: Prepared, gap: Gap, rays: _RaysBothWays, nearest: _OwnSide, noise_mm: float
) -> Floats:
    """Ball diameters; the ball lies between the nearest distance and the ray.

    Where those two agree to a few micrometres the ray itself is the ball's diameter. Where the
    ray says nothing, the ball starts as large as the reach.
    """
    ball = rays.space_mm.copy()
    open_ = ~rays.measured & (nearest.signed_mm > 0) & (nearest.signed_mm < REACH_MM)
    ball[open_] = REACH_MM
    asked = np.flatnonzero((ball - nearest.signed_mm > _SLANT_MM) & (nearest.signed_mm > 0))
    if len(asked):
        ball[asked], touched = gap.balls(
            inner.mesh.points_mm[asked], inner.normals[asked], ball[asked], noise_mm=noise_mm
        )
        unstopped = asked[open_[asked] & np.isnan(touched[:, 0])]
        ball[unstopped] = np.nan
    return ball


def _without_noise_bias(
    inner: Prepared, outer: Prepared, rays: _RaysBothWays, nearest: _OwnSide
) -> Floats:
    """The distance along a smooth normal, where it confirms the nearest one.

    The least of many noisy distances is short by about one sigma; a distance along a direction
    chosen beforehand is not. Where the surfaces are nearly parallel the direction is the mean of
    both normals, since the contour's own there still leans towards the dip that was chosen.
    """
    signed = nearest.signed_mm.copy()
    noise = math.hypot(inner.noise_mm, outer.noise_mm)
    asked = np.flatnonzero((signed > 0) & (nearest.agreement > 0))
    if noise > 0 and len(asked):
        way = outer.normal_at(nearest.face[asked], nearest.point_mm[asked])
        own = inner.normals[asked]
        parallel = row_dot(way, own) > _NEARLY_PARALLEL_COS
        way = np.where(parallel[:, None], unit(way + own), way)
        hits = rays.scene.first_hit(inner.mesh.points_mm[asked], way)
        longer = hits.distance_mm - signed[asked]
        confirmed = (longer > 0) & (longer < _BIAS_SIGMAS * noise)
        signed[asked[confirmed]] += longer[confirmed]
    return signed
