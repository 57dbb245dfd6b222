"""The nearest contour on a point's own side, and the ball between it and the ray."""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from veneercheck.core.measure.both_ways import REACH_MM, RaysBothWays
from veneercheck.core.measure.gap import Gap, corner_beside
from veneercheck.core.mesh.nearest import Nearest, WalkableSurface, spread_starts
from veneercheck.core.mesh.prepared import Prepared
from veneercheck.core.mesh.triangles import row_dot, unit
from veneercheck.core.types import Bools, Floats, Ints

_LYING_ON_MM = 0.02
"""Surfaces this near lie on each other, well within what counts as uncut."""

_SLANT_MM = 0.005
"""Ray and nearest distance that agree to this are one reading."""

_NEAR_MM = 0.15
"""So near to the contour the nearest lies round about where the ray ends."""

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
class OwnSide:
    """The nearest contour point on the side that the ray saw; vertex −1 where there is none."""

    signed_mm: Floats
    point_mm: Floats
    face: Ints
    vertex: Ints
    agreement: Floats
    under_a_hole: Bools


def nearest_on_own_side(
    inner: Prepared,
    outer: Prepared,
    gap: Gap,
    walkable: WalkableSurface,
    *,
    rays: RaysBothWays,
    edges: Ints,
) -> OwnSide:
    """Start where the ray ends, or on what is seen; nothing is told where only a rim is near."""
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
        near = rays.measured[asked] & (np.abs(rays.space_mm[asked]) <= _NEAR_MM)
        nearest, vertex = _seen_or_walked(
            inner, gap, walkable, asked=asked, start=start[asked], near=near
        )
        _no_farther_than_rays(nearest, vertex, asked, inner=inner, rays=rays, gap=gap)
        way = nearest.point_mm - points[asked]
        outward = outer.normals[vertex]
        # In a narrow pit normals fold. What a ray meets from within holds the point all the same,
        # and contour faces the way to its nearest point.
        held = np.isfinite(rays.left_after_mm[asked]) & (rays.left_after_mm[asked] > 0)
        folded = held & (row_dot(way, outward) < 0) & (nearest.distance_mm > _NEAR_MM)
        outward[folded] = unit(way[folded])
        said = ~_beside_a_rim(way, vertex, outer, walkable, rays.measured[asked])
        facing = row_dot(inner.normals[asked], outward)
        under[asked] = ~said & (facing > _FACING_COS) & ~rays.measured[asked]
        side = np.where(row_dot(way, outward) < 0, -1.0, 1.0)
        asked, vertex = asked[said], vertex[said]
        signed[asked] = (side * nearest.distance_mm)[said]
        place[asked], on_face[asked] = nearest.point_mm[said], nearest.face[said]
        end[asked] = vertex
        agreement[asked] = facing[said]
    return OwnSide(signed, place, on_face, end, agreement, under)


def _no_farther_than_rays(
    nearest: Nearest, vertex: Ints, asked: Ints, *, inner: Prepared, rays: RaysBothWays, gap: Gap
) -> None:
    """Put a ray's own end, in place, where it is nearer: a walk that starts at a corner of a
    plinth's long triangle comes to rest elsewhere."""
    reach_mm = rays.space_mm[asked]
    nearer = np.flatnonzero(rays.measured[asked] & (np.abs(reach_mm) < nearest.distance_mm))
    at, reach_mm = asked[nearer], reach_mm[nearer]
    place = inner.mesh.points_mm[at] + reach_mm[:, None] * inner.normals[at]
    nearest.distance_mm[nearer], nearest.face[nearer] = np.abs(reach_mm), rays.face[at]
    nearest.point_mm[nearer] = place
    vertex[nearer] = corner_beside(gap.contour, rays.face[at], place)


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


def balls(
    inner: Prepared, gap: Gap, rays: RaysBothWays, nearest: OwnSide, noise_mm: float
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


def without_noise_bias(
    inner: Prepared, outer: Prepared, rays: RaysBothWays, nearest: OwnSide
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
