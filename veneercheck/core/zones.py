"""Connected surface with one finding, and how far its worst spot lies beyond the limit."""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from veneercheck.core.measure import Reading
from veneercheck.core.mesh import components, reach_along_edges, row_dot
from veneercheck.core.regions import AGREEING_COS, Regions
from veneercheck.core.types import Bools, FindingKind, Floats, Ints, Limits, Region, TriangleMesh

GUARD = 1.6449
"""One-sided 95 % quantile of the normal distribution: the guard band of ISO 14253-1."""

SPOT_MM2 = 0.25
"""Area over which the worst value is averaged: one vertex would be the noisiest one."""

GAP_MM = 0.5
"""Zones of one finding no farther apart than this are one: a knife does not stop between."""

NOISE_REACH_MM = 0.1
"""Distance over which scan noise hangs together (our estimate): ℓ of exp(−r²/2ℓ²)."""

ISLAND_FLANK_SHARE = 0.9
"""A thin zone that lies to this share round an island is the flank of a metal stop."""

BAND_SHARE = 0.5
"""A zone that lies to more than this share in the finish-line band is judged as one of the band."""

_PAIRS_AT_ONCE = 2_000_000
"""Distances computed in one go: 50 MB at most."""

_MOST_SPOTS = 300
"""Places tried as the worst of a zone."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Excess:
    """How far each vertex lies beyond a limit, for one finding.

    Parameters
    ----------
    finding : FindingKind
    excess_mm : ndarray, shape (n,)
        Positive beyond the limit; NaN where the finding does not apply or nothing was measured.
    value_mm : ndarray, shape (n,)
        The reading itself: layer for thin and thick, space for over contour.
    steady_u_mm : ndarray, shape (n,)
        The part of the uncertainty that does not average out over an area.
    noise_u_mm : ndarray, shape (n,)
    candidate : ndarray of bool, shape (n,)
        Beyond the limit.
    fringe : ndarray of bool, shape (n,)
        On the right side of the limit, but not by the guard band.
    """

    finding: FindingKind
    excess_mm: Floats
    value_mm: Floats
    steady_u_mm: Floats
    noise_u_mm: Floats
    candidate: Bools
    fringe: Bools


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Patch:
    """A zone before it is judged.

    Parameters
    ----------
    finding : FindingKind
    vertices : ndarray of int64
    area_mm2 : float
    centre_mm : ndarray, shape (3,)
    extreme_mm : float
        Mean reading over the worst 0.25 mm².
    excess_mm : float
        Mean distance beyond the limit over the same spot; negative if within.
    u_mm : float
        Standard uncertainty of both.
    """

    finding: FindingKind
    vertices: Ints
    area_mm2: float
    centre_mm: Floats
    extreme_mm: float
    excess_mm: float
    u_mm: float


def least_layer_mm(regions: Regions, limits: Limits, least_mm: Floats) -> Floats:
    """The least layer asked for at every vertex, shape (n,), in mm.

    In the finish-line band the space asked for grows linearly from nothing at the line to layer,
    opaquer and beads together at the band's end; a sound chamfer raises no finding.
    """
    share = regions.from_line_mm / limits.finish_line_width_mm
    in_band = np.isfinite(share)
    return np.where(in_band, (least_mm + limits.taken_mm) * share - limits.taken_mm, least_mm)


def excesses(
    reading: Reading,
    regions: Regions,
    limits: Limits,
    *,
    least_mm: Floats,
    greatest_mm: Floats,
) -> tuple[Excess, Excess, Excess]:
    """Compare every vertex with its limits: too thin, too thick, over contour.

    Thin is judged by the smaller of ray and ball, thick by the nearest contour point: a ray from
    the wall of a chamfer runs along the veneer and would cry wolf.

    Parameters
    ----------
    least_mm, greatest_mm : ndarray, shape (n,)
        Limits of the layer at every vertex.
    """
    space = reading.space
    veneered = np.isin(regions.code, (Region.CUT, Region.FINISH_LINE_BAND))
    steady = np.sqrt(np.maximum(space.u_judged_mm**2 - space.u_noise_mm**2, 0.0))
    steady = np.where(np.isfinite(steady), steady, _typical(steady))
    noise = np.where(np.isfinite(space.u_noise_mm), space.u_noise_mm, _typical(space.u_noise_mm))
    of_layer = np.hypot(steady, limits.opaquer_u_mm)
    guard = GUARD * np.hypot(of_layer, noise)

    def compare(finding: FindingKind, excess: Floats, value: Floats) -> Excess:
        excess = np.where(veneered, excess, np.nan)
        candidate = excess > 0
        fringe = (excess <= 0) & (excess > -guard) & (regions.code == Region.CUT)
        return Excess(finding, excess, value, of_layer, noise, candidate, fringe)

    need = least_layer_mm(regions, limits, least_mm)
    low_mm = space.judged_low_mm - limits.taken_mm
    high_mm = space.judged_high_mm - limits.taken_mm
    thin = compare(FindingKind.TOO_THIN, need - low_mm, low_mm)
    thick = compare(FindingKind.TOO_THICK, high_mm - greatest_mm, high_mm)
    bare = ~np.isin(regions.code, (Region.FITTING_SURFACE, Region.MODEL))
    outside = np.where(bare, -np.fmax(space.space_mm, space.nearest_mm), np.nan)
    outside[~(np.isfinite(space.space_mm) & (reading.agreement >= AGREEING_COS))] = np.nan
    candidate = outside > regions.tolerance_mm
    over = Excess(
        FindingKind.OVER_CONTOUR,
        outside,
        -outside,
        steady,
        noise,
        candidate,
        np.zeros_like(candidate),
    )
    return thin, thick, over


def _typical(values: Floats) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else 0.0


def patches(
    framework: TriangleMesh, reading: Reading, regions: Regions, limits: Limits, excess: Excess
) -> list[Patch]:
    """Connect vertices of one finding, join what lies close, drop crumbs and flanks of islands.

    Parameters
    ----------
    framework : TriangleMesh
        In the wax-up's frame.

    Returns
    -------
    list of Patch
        Beyond the limit first, then those that only come within the guard band of it.
    """
    found = _connect(framework, reading, excess, excess.candidate, limits)
    found += _connect(framework, reading, excess, _apart(excess, found, reading.edges), limits)
    if excess.finding is FindingKind.TOO_THIN:
        found = [patch for patch in found if not _is_flank(patch, reading, regions)]
    return [patch for patch in found if _stands(patch, reading, regions)]


def _apart(excess: Excess, found: list[Patch], edges: Ints) -> Bools:
    """Vertices within the guard band that hang together with no zone found already."""
    near = excess.fringe | excess.candidate
    label = components(len(near), edges[near[edges[:, 0]] & near[edges[:, 1]]])
    holds = np.zeros(len(near), dtype=bool)
    for patch in found:
        holds[label[patch.vertices]] = True
    return near & ~holds[label]


def _stands(patch: Patch, reading: Reading, regions: Regions) -> bool:
    """Whether a patch is a zone: not clear of its limit, and in the finish-line band firm.

    In the band the limit falls to nothing, so there is always surface within the guard band.
    """
    weight = reading.space.area_mm2[patch.vertices]
    in_band = regions.code[patch.vertices] == Region.FINISH_LINE_BAND
    if patch.finding is FindingKind.TOO_THIN and weight @ in_band > BAND_SHARE * weight.sum():
        return patch.excess_mm > GUARD * patch.u_mm
    return patch.excess_mm > -GUARD * patch.u_mm


def _is_flank(patch: Patch, reading: Reading, regions: Regions) -> bool:
    weight = reading.space.area_mm2[patch.vertices]
    round_island = np.isfinite(regions.island_distance_mm[patch.vertices])
    return bool((weight * round_island).sum() >= ISLAND_FLANK_SHARE * weight.sum())


def _connect(
    framework: TriangleMesh, reading: Reading, excess: Excess, mask: Bools, limits: Limits
) -> list[Patch]:
    if not mask.any():
        return []
    points, edges, area = framework.points_mm, reading.edges, reading.space.area_mm2
    crumbs = _crumbs(mask, edges, area, limits.smallest_zone_mm2)
    mask = mask & ~crumbs
    # Measured on the contour, where the wall of a step between two spots has no length.
    contour = reading.space.contour_mm
    ground = np.where(np.isfinite(contour), contour, points)
    near = np.isfinite(reach_along_edges(ground, edges, mask, 0.5 * GAP_MM))
    label = components(len(mask), edges[near[edges[:, 0]] & near[edges[:, 1]]])
    members = np.flatnonzero(mask)
    members = members[np.argsort(label[members], kind="stable")]
    starts = np.flatnonzero(np.diff(label[members])) + 1
    return [_patch(points, area, excess, part) for part in np.split(members, starts) if len(part)]


def _crumbs(mask: Bools, edges: Ints, area: Floats, smallest_mm2: float) -> Bools:
    label = components(len(mask), edges[mask[edges[:, 0]] & mask[edges[:, 1]]])
    return mask & (np.bincount(label, weights=area * mask)[label] < smallest_mm2)


def _patch(points: Floats, area: Floats, excess: Excess, vertices: Ints) -> Patch:
    weight = area[vertices]
    value, beyond, u = _worst_spot(points, area, excess, vertices)
    return Patch(
        finding=excess.finding,
        vertices=vertices,
        area_mm2=float(weight.sum()),
        centre_mm=weight @ points[vertices] / weight.sum(),
        extreme_mm=value,
        excess_mm=beyond,
        u_mm=u,
    )


def _worst_spot(
    points: Floats, area: Floats, excess: Excess, vertices: Ints
) -> tuple[float, float, float]:
    """Reading, distance beyond the limit and uncertainty, averaged where they are worst.

    The spot is a disc; what it holds beyond the zone's own border counts too, so that a narrow
    zone is not made to look worse than its surroundings.
    """
    radius = math.sqrt(SPOT_MM2 / math.pi)
    tried = _worst_of_each_cell(points, excess.excess_mm, vertices, radius)
    low, high = points[tried].min(axis=0) - radius, points[tried].max(axis=0) + radius
    inside = ((points >= low) & (points <= high)).all(axis=1)
    around = np.flatnonzero(inside & np.isfinite(excess.excess_mm))
    summed = _disc_sums(points[tried], points[around], radius, _of_spot(area, excess, around))
    weight, weight2, value, beyond, noise2, steady2 = summed.T
    worst = int(np.argmax(beyond / weight))
    total = weight[worst]
    independent = max(1.0, total / (2.0 * math.pi * NOISE_REACH_MM**2))
    averaging = max(weight2[worst] / total**2, 1.0 / independent)
    u2 = (noise2[worst] * averaging + steady2[worst]) / total
    return float(value[worst] / total), float(beyond[worst] / total), math.sqrt(u2)


def _worst_of_each_cell(points: Floats, excess_mm: Floats, vertices: Ints, cell_mm: float) -> Ints:
    """The worst vertex of each cell of space, the worst cells first, so many as are tried.

    Spread out, so that a border where many vertices are equally bad does not take every try.
    """
    ranked = vertices[np.argsort(-excess_mm[vertices], kind="stable")]
    cell = np.floor((points[ranked] - points[ranked].min(axis=0)) / cell_mm).astype(np.int64)
    _, first = np.unique(cell, axis=0, return_index=True)
    return ranked[np.sort(first)[:_MOST_SPOTS]]


def _of_spot(area: Floats, excess: Excess, around: Ints) -> Floats:
    """What is summed over a spot: weights, readings and variances, each by area."""
    weight = area[around]
    columns = (
        np.ones(len(around)),
        weight,
        excess.value_mm[around],
        excess.excess_mm[around],
        excess.noise_u_mm[around] ** 2,
        excess.steady_u_mm[around] ** 2,
    )
    return np.stack(columns, axis=1) * weight[:, None]


def _disc_sums(centres: Floats, points: Floats, radius_mm: float, columns: Floats) -> Floats:
    """Sum of some columns over all points within a radius of every centre, in blocks."""
    summed = np.empty((len(centres), columns.shape[1]))
    rows = max(1, _PAIRS_AT_ONCE // max(len(points), 1))
    square = row_dot(points, points) - radius_mm**2
    for first in range(0, len(centres), rows):
        part = centres[first : first + rows]
        within = square - 2.0 * part @ points.T <= -row_dot(part, part)[:, None]
        summed[first : first + rows] = within.astype(np.float64) @ columns
    return summed
