"""Connected surface with one finding, and how far its worst spot lies beyond the limit."""

from __future__ import annotations

import dataclasses
import functools
import math
from statistics import NormalDist

import numpy as np

from veneercheck.core.beads import Beads
from veneercheck.core.excess import GUARD, Excess
from veneercheck.core.measure import Reading
from veneercheck.core.mesh import components, reach_along_edges, row_dot
from veneercheck.core.regions import Regions
from veneercheck.core.types import Bools, FindingKind, Floats, Ints, Limits, Region, TriangleMesh
from veneercheck.core.uncertainty import NOISE_REACH_MM

SPOT_MM2 = 0.25
"""Area over which the worst value is averaged: one vertex would be the noisiest one."""

GAP_MM = 0.5
"""Zones of one finding no farther apart than this are one: a knife does not stop between."""

BESIDE_MM = 1.0
"""What could not be read so near to a zone may be the rest of it."""

FIRMLY_MM = 0.02
"""A zone holds surface beyond the limit by more than this, twice the noise of a usual scan, and
reaches from there to where the limit is met: what only flickers about the limit is no zone."""

BEADS_APART_MM = 1.0
"""Beads whose cover is short and that stand no farther apart are one zone."""

BAND_SHARE = 0.5
"""A zone that lies to more than this share in the finish-line band is judged as one of the band."""

_ALLOWED_FROM = 0.5
"""From here on through a band or flank the knife has its whole allowance, and none at the line."""

_PAIRS_AT_ONCE = 2_000_000
"""Distances computed in one go: 50 MB at most."""

_MOST_SPOTS = 300
"""Places tried as the worst of a zone."""


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
    chosen_mm : float
        How much of the excess noise alone may make: the spot is the worst of many.
    typical_mm : float
        Median reading.
    path : float
        What the knife moves at the worst spot to change the reading by one.
    beads : int
        How many beads' tops it is about; 0 where it is about the veneer over the surface.
    measured_share : float
        Of the zone and what could not be read within it or closely beside.
    """

    finding: FindingKind
    vertices: Ints
    area_mm2: float
    centre_mm: Floats
    extreme_mm: float
    excess_mm: float
    u_mm: float
    typical_mm: float = math.nan
    path: float = 1.0
    beads: int = 0
    measured_share: float = 1.0
    chosen_mm: float = 0.0

    @property
    def firmly_beyond(self) -> bool:
        """Whether the worst spot clears its limit by the guard band, its choice allowed for."""
        return self.excess_mm - self.chosen_mm > GUARD * self.u_mm

    @property
    def sure_mm(self) -> float:
        """What must change for the limit to be kept surely: the guard band, and noise, are added.

        Over contour the limit is the contour itself, which the eye and the scan both show.
        """
        over = self.finding is FindingKind.OVER_CONTOUR
        return self.excess_mm + (0.0 if over else GUARD * self.u_mm + FIRMLY_MM)

    @property
    def limit_mm(self) -> float:
        """What the worst spot was judged against."""
        if self.finding is FindingKind.TOO_THIN:
            return self.extreme_mm + self.excess_mm
        return self.extreme_mm - self.excess_mm if self.finding is FindingKind.TOO_THICK else 0.0


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
    beyond = _grown(excess.candidate & (excess.excess_mm > FIRMLY_MM), excess.candidate, reading)
    connect = functools.partial(_connect, framework, reading, excess, limits=limits)
    found = connect(beyond, worked=regions.proud_flank)
    found += connect(_apart(excess, found, reading.edges), worked=np.zeros_like(beyond))
    found = [
        patch
        for patch in found
        if _stands(patch, reading, regions)
        and _beside_flank(patch, reading, regions) >= limits.smallest_zone_mm2
    ]
    return _with_share(found, framework, reading, regions)


def _with_share(
    found: list[Patch], framework: TriangleMesh, reading: Reading, regions: Regions
) -> list[Patch]:
    """Zones with the share of them that could be read: a hole of the scan may hide their rest."""
    space = reading.space
    unread = np.isnan(np.fmin(space.judged_low_mm, space.judged_high_mm))
    unread &= np.isin(regions.code, (Region.CUT, Region.FINISH_LINE_BAND))
    if not unread.any():
        return found

    def share(patch: Patch) -> float:
        own = np.zeros(len(unread), dtype=bool)
        own[patch.vertices] = True
        near = np.isfinite(reach_along_edges(framework.points_mm, reading.edges, own, BESIDE_MM))
        hidden = float(space.area_mm2[near & unread].sum())
        return patch.area_mm2 / (patch.area_mm2 + hidden)

    return [dataclasses.replace(patch, measured_share=share(patch)) for patch in found]


def _grown(core: Bools, within: Bools, reading: Reading) -> Bools:
    """All of `within` that hangs together with some of `core`."""
    edges = reading.edges
    label = components(len(within), edges[within[edges[:, 0]] & within[edges[:, 1]]])
    holds = np.zeros(len(within), dtype=bool)
    holds[label[core]] = True
    return within & holds[label]


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
    if is_of_band(patch, reading, regions):
        return patch.firmly_beyond
    return patch.excess_mm > -GUARD * patch.u_mm


def _beside_flank(patch: Patch, reading: Reading, regions: Regions) -> float:
    """Area of a patch that is no flank of a metal stop, mm²: the question about it holds the rest.

    A flank that reaches farther than one may is a zone, and all of it: the knife works on the
    whole of it, or what is left shows at the next check. So is that of a spot which stands proud.
    """
    own = patch.vertices
    if patch.finding is not FindingKind.TOO_THIN:
        return patch.area_mm2
    beside = np.isnan(regions.island_distance_mm[own]) | regions.proud_flank[own]
    return float(reading.space.area_mm2[own] @ beside)


def is_of_band(patch: Patch, reading: Reading, regions: Regions) -> bool:
    """Whether a patch is about the finish line: too thin, and mostly in its band."""
    weight = reading.space.area_mm2[patch.vertices]
    in_band = regions.code[patch.vertices] == Region.FINISH_LINE_BAND
    mostly = weight @ in_band > BAND_SHARE * weight.sum()
    return patch.finding is FindingKind.TOO_THIN and bool(mostly)


def _connect(
    framework: TriangleMesh,
    reading: Reading,
    excess: Excess,
    mask: Bools,
    *,
    limits: Limits,
    worked: Bools,
) -> list[Patch]:
    if not mask.any():
        return []
    points, edges, area = framework.points_mm, reading.edges, reading.space.area_mm2
    # Measured on the contour, where the wall of a step between two spots has no length.
    contour = reading.space.contour_mm
    ground = np.where(np.isfinite(contour), contour, points)
    crumbs = _crumbs(mask, edges, area, limits.smallest_zone_mm2)
    slivers = _slivers(ground, edges, mask, limits.narrowest_zone_mm, worked)
    mask = mask & ~crumbs & ~slivers
    near = np.isfinite(reach_along_edges(ground, edges, mask, 0.5 * GAP_MM))
    label = components(len(mask), edges[near[edges[:, 0]] & near[edges[:, 1]]])
    members = np.flatnonzero(mask)
    members = members[np.argsort(label[members], kind="stable")]
    starts = np.flatnonzero(np.diff(label[members])) + 1
    return [_patch(points, area, excess, part) for part in np.split(members, starts) if len(part)]


def _crumbs(mask: Bools, edges: Ints, area: Floats, smallest_mm2: float) -> Bools:
    label = components(len(mask), edges[mask[edges[:, 0]] & mask[edges[:, 1]]])
    return mask & (np.bincount(label, weights=area * mask)[label] < smallest_mm2)


def _slivers(points: Floats, edges: Ints, mask: Bools, narrowest_mm: float, worked: Bools) -> Bools:
    """Parts that are nowhere as wide as a hand can work on, nor where it is `worked` anyway."""
    inward = reach_along_edges(points, edges, ~mask, 0.5 * narrowest_mm)
    label = components(len(mask), edges[mask[edges[:, 0]] & mask[edges[:, 1]]])
    wide = np.zeros(len(mask), dtype=bool)
    wide[label[mask & (np.isinf(inward) | worked)]] = True
    return mask & ~wide[label]


def _patch(points: Floats, area: Floats, excess: Excess, vertices: Ints) -> Patch:
    weight = area[vertices]
    value, beyond, noise, steady, path = _worst_spot(points, area, excess, vertices)
    return Patch(
        finding=excess.finding,
        vertices=vertices,
        area_mm2=float(weight.sum()),
        centre_mm=weight @ points[vertices] / weight.sum(),
        extreme_mm=value,
        excess_mm=beyond,
        u_mm=math.hypot(noise, steady),
        typical_mm=float(np.nanmedian(excess.value_mm[vertices])),
        path=path,
        chosen_mm=noise * _largest_of(weight.sum() / SPOT_MM2),
    )


def _largest_of(count: float) -> float:
    """Expected largest of so many independent normal values, in standard deviations.

    Blom's approximation (1958, from memory).

    Examples
    --------
    >>> round(_largest_of(1.0), 2), round(_largest_of(100.0), 2)
    (0.0, 2.5)
    """
    return NormalDist().inv_cdf((count - 0.375) / (count + 0.25)) if count > 1.0 else 0.0


def _worst_spot(
    points: Floats, area: Floats, excess: Excess, vertices: Ints
) -> tuple[float, float, float, float, float]:
    """Reading, distance beyond the limit, noise and steady uncertainty, and path, at the worst.

    The spot is a disc; what it holds beyond the zone's own border counts too, so that a narrow
    zone is not made to look worse than its surroundings.
    """
    radius = math.sqrt(SPOT_MM2 / math.pi)
    tried = _worst_of_each_cell(points, excess.excess_mm, vertices, radius)
    low, high = points[tried].min(axis=0) - radius, points[tried].max(axis=0) + radius
    inside = ((points >= low) & (points <= high)).all(axis=1)
    around = np.flatnonzero(inside & np.isfinite(excess.excess_mm))
    summed = _disc_sums(points[tried], points[around], radius, _of_spot(area, excess, around))
    weight, weight2, value, beyond, noise2, steady2, path = summed.T
    worst = int(np.argmax(beyond / weight))
    total = weight[worst]
    independent = max(1.0, total / (2.0 * math.pi * NOISE_REACH_MM**2))
    averaging = max(weight2[worst] / total**2, 1.0 / independent)
    noise = math.sqrt(noise2[worst] * averaging / total)
    steady = math.sqrt(steady2[worst] / total)
    mean, excess_mm = float(value[worst] / total), float(beyond[worst] / total)
    return mean, excess_mm, noise, steady, float(path[worst] / total)


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
        excess.path[around],
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


def amounts(reading: Reading, excess: Excess, patch: Patch, advised_mm: float) -> Floats:
    """What the knife takes off (or adds) at every vertex for one zone, shape (n,), in mm.

    The advised amount at the worst spot, and all round so much less as the limit is exceeded
    less, running out where it is kept surely.
    """
    over = patch.finding is FindingKind.OVER_CONTOUR
    # The contour itself is where the knife stops; a limit must be kept surely, so it goes on.
    spare = 0.0 if over else advised_mm / patch.path - patch.excess_mm
    left = np.where(np.isfinite(excess.excess_mm), excess.excess_mm, -np.inf)
    left += spare * np.minimum(excess.from_line / _ALLOWED_FROM, 1.0)
    around = left > (FIRMLY_MM if over else 0.0)
    own = np.zeros(len(around), dtype=bool)
    own[patch.vertices] = True
    reached = _grown(own & around, around, reading)
    return np.where(reached, np.clip(left * excess.path, 0.0, advised_mm), 0.0)


def bead_patches(
    found: Beads, raw: Reading, reading: Reading, limits: Limits, thin: list[Patch]
) -> list[Patch]:
    """Zones where the veneer over the tops of beads is short, though it is not over their base.

    Parameters
    ----------
    found : Beads
    raw : Reading
        Of the framework with its beads.
    reading : Reading
        Of the base.
    thin : list of Patch
        What is too thin already, beads and all.
    """
    from scipy.spatial import cKDTree

    cover, u = raw.space.nearest_mm[found.top], raw.space.u_judged_mm[found.top]
    short = limits.bead_cover_mm - cover
    known = np.zeros(len(found.bead), dtype=bool)
    for patch in thin:
        known[patch.vertices] = True
    asked = np.flatnonzero((short > -GUARD * u) & ~known[found.top])
    if not len(asked):
        return []
    tops = found.base.points_mm[found.top[asked]]
    pairs = cKDTree(tops).query_pairs(BEADS_APART_MM, output_type="ndarray")
    label = components(len(asked), pairs)
    area = reading.space.area_mm2

    def patch_of(beads: Ints) -> Patch:
        worst = beads[np.argmax(short[beads])]
        vertices = np.flatnonzero(np.isin(found.bead, beads))
        weight = area[vertices]
        return Patch(
            finding=FindingKind.TOO_THIN,
            vertices=vertices,
            area_mm2=float(weight.sum()),
            centre_mm=weight @ found.base.points_mm[vertices] / weight.sum(),
            extreme_mm=float(cover[worst]),
            excess_mm=float(short[worst]),
            u_mm=float(u[worst]),
            typical_mm=float(np.median(cover[beads])),
            beads=len(beads),
        )

    return [patch_of(asked[label == part]) for part in np.unique(label)]
