"""Retention beads on a framework: which bumps are beads, and the surface they stand on."""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from veneercheck.core.mesh import caps
from veneercheck.core.mesh.nearest import NearestPoints
from veneercheck.core.mesh.plate import without
from veneercheck.core.mesh.ring import mean_round, spread
from veneercheck.core.mesh.triangles import (
    any_in,
    corner_cross,
    row_dot,
    sum_at_vertices,
    unit,
)
from veneercheck.core.types import BeadField, Bools, Floats, Ints, Limits, TriangleMesh

BUMP_SLOPE = 0.3
"""A bead's flank is steeper than this against the surface round it; a waxed mound is flatter."""

BUMP_MM = 0.02
"""What rises by more than this beyond that slope, calmed, is looked at; noise does where the
points scatter by 0.02 mm."""

LEAST_RISE_MM = 0.06
WIDEST_MM = 0.45
"""Beads are 0.2 to 0.6 mm across (common practice, no source); half of that, and a scan's blur."""

FEWEST = 12
"""A bead field holds tens to hundreds of beads; a few bumps are dirt or wax, and stay."""

_ALIKE = (0.5, 2.5)
"""Beads of one framework are of one make: their rise lies between these shares of the median."""

_AS_HIGH = 0.6
"""A bump that stands out less than this share of the median is a ridge or a speck, no bead."""

_LEAST_CALM_MM = 0.04
"""Half calmed, a bead of `LEAST_RISE_MM` is a third lower."""

_FIRST_PROMINENCE_MM = 0.015
_PROMINENCE = 0.08
"""Two summits are two beads where the saddle between lies lower by this share of the usual height:
beads that overlap by a sixth of their diameter stand 0.45 of it above their saddle, of which edges
that are half a bead long leave a fifth."""

_OUT_OF_NOISE = (2.5, 3.5)
"""One bead, and beads in the median, stand out by more than this often the noise's σ: 4.6 and
6.5 times what is left of it (0.54 σ) where half of each height is the mean round it."""

_OVER_NOISE = 1.6
"""A summit stands over its saddle by more than this often the noise's σ: three times what is left.
With twice, one bead in a thousand beside a sharp edge was taken for two."""

_TOP_IN_NOISE = 1.5
"""The highest of the dozen vertices of a bead's top is lifted by this often the noise's σ."""

_LEAST_ROUND = 0.7
"""Of beads' inner vertices half stand at this share of the bead's height or above: 0.82 on a round
cap, 0.58 on a cone. Scanned beads had 0.72 to 0.9, corners where crests of a cut meet at most 0.63,
but up to 0.76 where triangles are a third as wide as the corner."""

_MEDIAN_OF_NOISE = 0.6745 * math.sqrt(6.0 / 7.0)
"""Median distance from the mean of oneself and six neighbours, in σ of white noise."""

_WIDE = 1.6
"""No bead's foot is wider than this share of the median."""

_LEAST_BASE_MM = 0.4
"""Beads stand where composite is to hold: less deep, a bump is the edge of a finish line."""

_UPPER = 0.5
"""Below this share of a bead's height its flank is as well covered as the base beside it."""

_SMOOTH_MM = 0.3
"""Directions are averaged over about a bead, so that flanks cancel and the base is left."""

_MOST_STEPS = 100
_STEP_VARIANCE = 0.5
"""A vertex's area vector goes on one edge each step: each axis gets this share of its square."""

_FARTHEST_MM = 1.0
"""No way up a bead is longer."""

_RIM_EDGES = 0.6
"""The foot's rim lies hidden within the edge beyond the last vertex that stands out."""

_OVERLOOKED = 0.65
_BEYOND_FOOT = 1.35
"""A bead's own flank stands this high nowhere, so far from its middle."""

_MOST_OVERLOOKED = 0.8
"""For each with a summit of its own: beads have 0.54 at most, crests and tips 1.1 to 4.8."""

_ROUND_FOOT_MM = 0.3
_LEVEL = 0.35
_MOST_LEVEL = 0.12
"""Of the ring of 0.3 mm round a bead's foot less lies as high as the bead, but for a third of its
height: the freest quarter of a field has at most 0.09 there, of a step's teeth 0.15 to 0.24."""

_LEAST_FALL = 0.5
"""Of what the usual bump falls along its steepest way a bead falls by this share or more along its
flattest: but for noise 99 of 100 by 0.71, of ragged edges' bumps 75 by 0.46 at most."""

_FALLS_IN_NOISE = 4.0
"""So often a fall's σ may hide that; with 3 of beads under noise of 0.02 mm twice as many fail."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Beads:
    """Beads found on a framework.

    Parameters
    ----------
    base : TriangleMesh
        The framework without them: the same vertices, those of the beads on the surface between.
    bead : ndarray of int64, shape (n,)
        Number of the bead that a vertex belongs to, −1 elsewhere.
    top : ndarray of int64, shape (k,)
        Of each bead's upper half the vertex nearest to the contour: where it is covered least.
    height_mm : ndarray, shape (k,)
        How far each bead stands out over the base.
    diameter_mm : float
        Of the foot, median.
    """

    base: TriangleMesh
    bead: Ints
    top: Ints
    height_mm: Floats
    diameter_mm: float


def find(mesh: TriangleMesh, edges: Ints, space_mm: Floats) -> Beads | None:
    """Find retention beads, and the surface they stand on.

    Parameters
    ----------
    mesh : TriangleMesh
        Edges well under half a bead's diameter, or its beads are not seen.
    edges : ndarray of int64, shape (e, 2)
        Of the mesh.
    space_mm : ndarray, shape (n,)
        Signed distance of every vertex from the contour, positive inside; beads stand where
        it is positive. NaN where unknown.

    Returns
    -------
    Beads or None
        None where fewer than `FEWEST` bumps alike are found.

    Notes
    -----
    How far a vertex rises above a cone of slope `BUMP_SLOPE` put over every other vertex is
    found along edges (a top-hat transform with a cone, from memory); the rise along an edge is
    taken against the mean of the directions at its ends, so that a round surface does not rise.
    Over a base that goes on under all that rises, beads that melt into each other or into a ridge
    are told apart as the round caps of the height; corners where crests meet fall off straight from
    their tops, or hollow, and are none. The base under a bead is the thin plate that
    goes on from its rim.
    """
    inside = space_mm > 0
    there = edges[inside[edges[:, 0]] & inside[edges[:, 1]]]
    if not len(there):
        return None
    deep = space_mm > _LEAST_BASE_MM  # where they stand; what lies on the contour is not refined
    among = there[deep[there[:, 0]] & deep[there[:, 1]]]
    ends = mesh.points_mm[among if len(among) else there]
    edge_mm = float(np.median(np.linalg.norm(ends[:, 0] - ends[:, 1], axis=1)))
    ways = _calm_directions(mesh, there, edge_mm)
    bumps = _bumps(mesh, edges, there, ways, space_mm)
    if bumps is None:
        return None
    foot = bumps.foot_mm + _RIM_EDGES * edge_mm
    found = _taken_off(mesh, edges, ways, bumps.middle_mm, foot)
    usual = float(np.median(found.height_mm))
    high = found.height_mm > max(_AS_HIGH * usual, LEAST_RISE_MM)
    high &= space_mm[found.top] + found.height_mm > _LEAST_BASE_MM
    if high.sum() < FEWEST or _along_an_edge(mesh.points_mm, ways, found, bumps.middle_mm, foot):
        return None
    if not high.all():
        found = _taken_off(mesh, edges, ways, bumps.middle_mm[high], foot)
    top = _least_covered(found, row_dot(mesh.points_mm - found.base.points_mm, ways), space_mm)
    return dataclasses.replace(found, top=top, diameter_mm=2.0 * bumps.foot_mm)


def field(found: Beads, nearest_mm: Floats, limits: Limits) -> BeadField:
    """How the veneer covers the beads.

    Parameters
    ----------
    found : Beads
    nearest_mm : ndarray, shape (n,)
        From every vertex of the framework with its beads to the contour.
    limits : Limits
        For the opaquer that must bury them.
    """
    cover = nearest_mm[found.top]
    return BeadField(
        count=len(found.top),
        diameter_mm=found.diameter_mm,
        height_mm=float(np.median(found.height_mm)),
        proud=int((found.height_mm > limits.opaquer_mm).sum()),
        cover_least_mm=float(np.nanmin(cover)),
        cover_median_mm=float(np.nanmedian(cover)),
        places_mm=tuple(map(tuple, found.base.points_mm[found.top].round(3).tolist())),
    )


def _taken_off(
    mesh: TriangleMesh, edges: Ints, ways: Floats, middle: Floats, foot_mm: float
) -> Beads:
    bead = caps.feet(mesh.points_mm, ways, middle, foot_mm)
    base = without(mesh, edges, bead >= 0)
    height = row_dot(mesh.points_mm - base.points_mm, ways)
    top = _highest(bead, height, len(middle))
    return Beads(base, bead, top, height[top], 2.0 * foot_mm)


def _along_an_edge(
    points: Floats, ways: Floats, found: Beads, middle: Floats, foot_mm: float
) -> bool:
    """Whether what was found are the teeth of a jagged edge, and no beads.

    A bead stands out over the tangent plane of whatever lies round it, be that the flank of a
    ridge or of a fissure. The rim of a step does not stand out over the step's upper side.
    """
    of = caps.feet(points, ways, middle, foot_mm + _ROUND_FOOT_MM)
    ring = np.flatnonzero((of >= 0) & (found.bead < 0))
    of = of[ring]
    over = row_dot(points[found.top[of]] - points[ring], ways[ring])
    count = np.bincount(of, minlength=len(middle))
    level = np.bincount(of, over < _LEVEL * found.height_mm[of], minlength=len(middle))
    share = level[count > 0] / count[count > 0]
    return bool(len(share)) and float(np.quantile(share, 0.25)) > _MOST_LEVEL


def _calm_directions(mesh: TriangleMesh, edges: Ints, edge_mm: float) -> Floats:
    """Outward directions of the surface without its beads: area vectors spread along edges.

    Zero for what no edge leads to.
    """
    steps = round((_SMOOTH_MM / edge_mm) ** 2 / _STEP_VARIANCE) if edge_mm > 0 else 0
    area = sum_at_vertices(mesh, corner_cross(mesh))
    return unit(spread(edges, area, min(max(steps, 1), _MOST_STEPS)))


def _rise(points: Floats, edges: Ints, ways: Floats) -> Floats:
    """How far each vertex stands out beyond the slope of a mound, shape (n,), mm."""
    a, b = np.ascontiguousarray(edges.T)
    step = points.take(b, axis=0) - points.take(a, axis=0)
    length = np.sqrt(row_dot(step, step))
    up = 0.5 * row_dot(step, ways.take(a, axis=0) + ways.take(b, axis=0))
    gain = np.concatenate([up, -up]) - BUMP_SLOPE * np.concatenate([length, length])
    rise, way = np.zeros(len(points)), np.flatnonzero(gain > 0)
    if not len(way):
        return rise
    start, end = np.concatenate([a, b]), np.concatenate([b, a])
    for _ in range(math.ceil(_FARTHEST_MM / max(float(np.median(length)), 1e-3))):
        before = rise.copy()
        reached = before.take(start[way]) + gain[way]
        higher = reached > before.take(end[way])
        np.maximum.at(rise, end[way[higher]], reached[higher])
        # Only what grew in the last round lifts its neighbours in this one.
        way = np.flatnonzero((rise > before).take(start))
        if not len(way):
            break
    return rise


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class _Bumps:
    """Middles of bumps alike, shape (k, 3), and the usual radius of their feet."""

    middle_mm: Floats
    foot_mm: float


def _bumps(
    mesh: TriangleMesh, edges: Ints, there: Ints, ways: Floats, space_mm: Floats
) -> _Bumps | None:
    """Round caps alike that stand out deep enough inside the contour; None where they are few."""
    points = mesh.points_mm
    calm = mean_round(points, there)
    rise = _rise(calm, there, ways)
    # The base lies no deeper under what stands out than this.
    deep = (space_mm > 0) & (space_mm + rise + BUMP_SLOPE * WIDEST_MM > _LEAST_BASE_MM)
    out = deep & (rise > BUMP_MM)
    if out.sum() < FEWEST:
        return None
    first = caps.find(calm, ways, there, rise, member=out, prominence_mm=_FIRST_PROMINENCE_MM)
    if len(first.summit) < FEWEST:
        return None
    hole = out.copy()
    hole[there[any_in(out, there)]] = True
    base = without(mesh, edges, hole)
    height = np.where(hole, row_dot(points - base.points_mm, ways), 0.0)
    half_calm = 0.5 * (height + mean_round(height, there))
    still = row_dot(points - calm, ways)[deep & ~hole]
    noise = float(np.median(np.abs(still))) / _MEDIAN_OF_NOISE if len(still) else 0.0
    found = _alike(points, ways, there, half_calm, noise)
    if found is None:
        return None
    foot = caps.foot_radius_mm(points, ways, height, found, summit_mm=half_calm[found.summit])
    lifted = _TOP_IN_NOISE * noise
    round_share = caps.roundness(points, ways, height, found, foot_mm=foot, top_less_mm=lifted)
    if round_share < _LEAST_ROUND:
        return None
    left = _overlooked(points, half_calm, found, foot)
    if len(left) > _MOST_OVERLOOKED * len(found.summit):
        return None
    middle = np.concatenate([found.middle_mm, left])
    middle = middle[_fall_all_round(mesh, ways, middle, foot, noise)]
    return _Bumps(middle, foot) if len(middle) >= FEWEST else None


def _fall_all_round(
    mesh: TriangleMesh, ways: Floats, middle: Floats, foot_mm: float, noise_mm: float
) -> Bools:
    """Which bumps fall off in every direction: crests between hollows and ragged edges do not.

    One of which too few vertices show the shape is not held against that.
    """
    of = caps.open_feet(mesh, ways, middle, foot_mm)
    least, most, spread = caps.falls(mesh.points_mm, ways, middle, of, foot_mm=foot_mm)
    at_most = least + _FALLS_IN_NOISE * noise_mm * spread
    known = np.isfinite(most)
    usual = np.median(most[known]) if known.any() else 0.0
    return np.asarray(~known | (at_most >= _LEAST_FALL * usual))


def _overlooked(points: Floats, height: Floats, found: caps.Caps, foot_mm: float) -> Floats:
    """Middles of beads that melt into others without a saddle between, shape (k, 3).

    What stands as high as a bead, and beyond the foot of every one that is known, is one more.
    """
    usual = float(np.median(height[found.summit]))
    high = np.flatnonzero(height > _OVERLOOKED * usual)
    if not len(high):
        return np.empty((0, 3))
    clear = _BEYOND_FOOT * foot_mm
    high = high[NearestPoints(found.middle_mm).query(points[high])[0] > clear]
    added = []
    while len(high):
        top = points[high[height[high].argmax()]]
        added.append(top)
        high = high[np.linalg.norm(points[high] - top, axis=1) > clear]
    return np.array(added).reshape(-1, 3)


def _alike(
    points: Floats, ways: Floats, edges: Ints, height: Floats, noise_mm: float
) -> caps.Caps | None:
    """Caps as high and as wide as most of them are."""
    prominence = _FIRST_PROMINENCE_MM
    member = height > BUMP_MM
    for _ in range(2):
        found = caps.find(points, ways, edges, height, member=member, prominence_mm=prominence)
        peak = height[found.summit]
        bead = found.radius_mm < WIDEST_MM
        bead &= peak > max(_LEAST_CALM_MM, _OUT_OF_NOISE[0] * noise_mm)
        if bead.sum() < FEWEST:
            return None
        usual = float(np.median(peak[bead]))
        if usual < _OUT_OF_NOISE[1] * noise_mm:
            return None
        prominence = max(_PROMINENCE * usual, _OVER_NOISE * noise_mm)
    bead &= (peak > _ALIKE[0] * usual) & (peak < _ALIKE[1] * usual)
    if bead.any():
        bead &= found.radius_mm < _WIDE * np.median(found.radius_mm[bead])
    return found.only(bead) if bead.sum() >= FEWEST else None


def _least_covered(found: Beads, height_mm: Floats, space_mm: Floats) -> Ints:
    """The vertex of each bead's upper half that lies nearest to the contour, shape (k,).

    On a slope that is not the highest one: a bead's side may be covered least.
    """
    upper = height_mm >= _UPPER * found.height_mm[found.bead]
    nearness = -np.nan_to_num(space_mm, nan=np.inf)
    return _highest(np.where(upper, found.bead, -1), nearness, len(found.top))


def _highest(bead: Ints, value: Floats, count: int) -> Ints:
    """The vertex of each bead where a value is greatest, shape (count,)."""
    member = np.flatnonzero(bead >= 0)
    member = member[np.lexsort((value[member], bead[member]))]
    last = np.searchsorted(bead[member], np.arange(count), side="right") - 1
    return np.asarray(member[last])
