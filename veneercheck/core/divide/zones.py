"""Connected surface with one finding, and how far its worst spot lies beyond the limit."""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from veneercheck.core.divide.excess import GUARD, Excess, band_share
from veneercheck.core.divide.regions import Regions
from veneercheck.core.divide.scan_ends import share_read
from veneercheck.core.divide.spots import (
    RADIUS_MM,
    SPOT_MM2,
    Spots,
    decisive,
    largest_of,
    spot_means,
)
from veneercheck.core.divide.width import across_mm, across_sight, slivers
from veneercheck.core.measure.beads import Beads
from veneercheck.core.measure.space import Reading
from veneercheck.core.mesh.pieces import large_parts
from veneercheck.core.mesh.triangles import all_in, components, parts_in, reach_along_edges
from veneercheck.core.types import Bools, FindingKind, Floats, Ints, Limits, Region, TriangleMesh

GAP_MM = 0.5
"""Zones of one finding no farther apart than this are one: a knife does not stop between."""

SKIRT_MM = 2.0 * GAP_MM
"""A skirt reaches no farther on the metal, the wall of a step counted."""

FIRMLY_MM = 0.02
"""By so much more than the guard band a limit is kept after the knife: twice the noise of a usual
scan, which shows anew at the next one."""

ALIKE_MM = 0.002
"""Spots that differ by less are equally bad, whatever their noise."""

BEADS_APART_MM = 1.0
"""Beads whose cover is short and that stand no farther apart are one zone."""

BAND_SHARE = 0.5
"""A zone that lies to more than this share in the finish-line band is judged as one of the band."""

LEAST_ZONE_SHARE = 0.5
"""Of a zone must have been read for it to be firm: half a zone may be the better half."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Patch:
    """A zone before it is judged.

    Parameters
    ----------
    finding : FindingKind
    vertices : ndarray of int64
    area_mm2 : float
    centre_mm : ndarray, shape (3,)
        The middle of its worst spot.
    extreme_mm : float
        Mean reading over the worst 0.25 mm².
    excess_mm : float
        Mean distance beyond the limit over the same spot; negative if within.
    u_mm : float
        Standard uncertainty of both.
    chosen_mm : float
        How much of the excess noise alone may make: the spot is the worst of many.
    spot : ndarray of int64
        The vertices of the worst spot that belong to the zone.
    across_mm : float
        How far it reaches, in its longest direction.
    close : bool
        About surface that is not surely beyond its limit, nor surely within.
    typical_mm : float
        Median reading.
    path : float
        What the knife moves at the worst spot to change the reading by one.
    beads : int
        How many beads' tops it is about; 0 where it is about the veneer over the surface.
    unlike : bool
        Its worst spot lies where the two scans do not show the same: its limit does not show.
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
    spot: Ints | None = None
    across_mm: float = math.nan
    close: bool = False
    unlike: bool = False

    @property
    def known(self) -> bool:
        """Whether enough of it was read, against a limit that shows."""
        return self.measured_share >= LEAST_ZONE_SHARE and not self.unlike

    @property
    def firmly_beyond(self) -> bool:
        """Whether the worst spot clears its limit by the guard band, its choice allowed for."""
        return not self.close and self.excess_mm - self.chosen_mm > GUARD * self.u_mm

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
    """Connect surface of one finding, join what lies close, drop crumbs and flanks of islands.

    A firm zone is where the mean over a spot clears its limit by its uncertainty, and it reaches
    out only as far as that holds, and by the width of a spot. What only comes within the
    uncertainty of its limit is a zone of its own, undecided, so that a wide cut made exactly to
    the limit does not hang on a fault within it.

    Parameters
    ----------
    framework : TriangleMesh
        In the wax-up's frame.

    Returns
    -------
    list of Patch
        The firm ones first.
    """
    ground = _Ground.of(framework, reading, regions, limits, excess)
    clear = ground.spots.excess_mm > np.fmax(ground.spots.guard_mm, excess.told_from_mm)
    far = ground.connect(ground.reaching(clear), worked=regions.proud)
    firm = [p for p in far if p.firmly_beyond and _is_told(p, reading, regions, limits)]
    if excess.told_from_mm > 0:
        close = ground.spots.excess_mm > excess.told_from_mm
    else:
        close = (ground.spots.excess_mm > -ground.spots.guard_mm) & excess.may_be_close
    # What is clear and yet no zone is too small to work on, or noise that was chosen.
    for patch in far:
        clear[patch.vertices] &= patch.firmly_beyond
    found = [*firm, *_close(ground, close & ~clear, firm)]
    return _with_share(found, reading, regions)


def _is_told(patch: Patch, reading: Reading, regions: Regions, limits: Limits) -> bool:
    return _beside_flank(patch, reading, regions) >= limits.smallest_zone_mm2


def _close(ground: _Ground, close: Bools, firm: list[Patch]) -> list[Patch]:
    """Zones within the uncertainty of their limit, apart from the firm ones and their skirts."""
    reading, regions, limits = ground.reading, ground.regions, ground.limits
    own = np.zeros(len(close), dtype=bool)
    for patch in firm:
        own[patch.vertices] = True
    skirt = np.isfinite(reach_along_edges(ground.place_mm, reading.edges, own, GAP_MM))
    # Under a fissure one line is the contour of all: it would all be one skirt.
    metal_mm = ground.framework.points_mm
    skirt &= np.isfinite(reach_along_edges(metal_mm, reading.edges, own, SKIRT_MM))
    label = parts_in(skirt, reading.edges)
    largest = np.zeros(len(own))
    for patch in firm:
        np.maximum.at(largest, label[patch.vertices], patch.area_mm2)
    beside = np.zeros(len(own))
    for a, b in (reading.edges.T, reading.edges.T[::-1]):
        np.maximum.at(beside, a, np.where(skirt[b], largest[label[b]], 0.0))
    found = []
    for patch in ground.connect(close & ~skirt, worked=np.zeros_like(close)):
        if is_of_band(patch, reading, regions) or not _is_told(patch, reading, regions, limits):
            continue
        # What runs out beside a firm zone is its skirt, unless it is wider than the zone.
        if patch.area_mm2 < beside[patch.vertices].max():
            continue
        if patch.excess_mm - patch.chosen_mm > -GUARD * patch.u_mm:
            found.append(dataclasses.replace(patch, close=True))
    return found


def _with_share(found: list[Patch], reading: Reading, regions: Regions) -> list[Patch]:
    """Zones with the share of them that could be read."""
    space = reading.space
    unread = np.isnan(np.fmin(space.judged_low_mm, space.judged_high_mm))
    unread &= np.isin(regions.code, (Region.CUT, Region.FINISH_LINE_BAND))

    def share(patch: Patch) -> float:
        thick = patch.finding is FindingKind.TOO_THICK
        return share_read(patch.vertices, reading, unread, too_thick=thick)

    return [dataclasses.replace(patch, measured_share=share(patch)) for patch in found]


def _beside_flank(patch: Patch, reading: Reading, regions: Regions) -> float:
    """Area of a patch that is no flank of a metal stop, mm²: the question about it holds the rest.

    A flank that reaches farther than one may is a zone, and all of it: the knife works on the
    whole of it, or what is left shows at the next check. So is that of a spot which stands proud.
    """
    own = patch.vertices
    if patch.finding is not FindingKind.TOO_THIN:
        return patch.area_mm2
    beside = np.isnan(regions.island_distance_mm[own]) | regions.proud[own]
    return float(reading.space.area_mm2[own] @ beside)


def is_of_band(patch: Patch, reading: Reading, regions: Regions) -> bool:
    """Whether a patch is about the finish line: too thin, and mostly in its band."""
    weight = reading.space.area_mm2[patch.vertices]
    in_band = regions.code[patch.vertices] == Region.FINISH_LINE_BAND
    mostly = weight @ in_band > BAND_SHARE * weight.sum()
    return patch.finding is FindingKind.TOO_THIN and bool(mostly)


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class _Ground:
    """What zones of one finding are made of."""

    framework: TriangleMesh
    reading: Reading
    regions: Regions
    limits: Limits
    excess: Excess
    spots: Spots
    place_mm: Floats
    """On the contour, where the wall of a step between two spots has no length."""
    close_mm2: Floats
    """Area that hangs together round every vertex and keeps its limit by less than the guard band:
    the worst spot of a zone within was chosen among all of it."""

    @staticmethod
    def of(
        framework: TriangleMesh, reading: Reading, regions: Regions, limits: Limits, excess: Excess
    ) -> _Ground:
        points, space = framework.points_mm, reading.space
        asked = decisive(points, excess)
        spots = spot_means(points, reading.normals, space.area_mm2, excess, asked)
        place = np.where(np.isfinite(space.contour_mm), space.contour_mm, points)
        own_guard = GUARD * np.hypot(excess.noise_u_mm, excess.steady_u_mm)
        close = np.where(asked, spots.excess_mm > -spots.guard_mm, excess.excess_mm > -own_guard)
        label = parts_in(close, reading.edges)
        among: Floats = np.bincount(label, space.area_mm2 * close, minlength=len(close)).astype(
            np.float64
        )[label]
        return _Ground(framework, reading, regions, limits, excess, spots, place, among)

    def reaching(self, clear: Bools) -> Bools:
        """Surface that is clearly beyond its limit, and what of its border lies beyond it too."""
        edges = self.reading.edges
        beyond = self.excess.excess_mm > self.excess.told_from_mm
        inside = edges[all_in(beyond | clear, edges)]
        reach = reach_along_edges(self.framework.points_mm, inside, clear, RADIUS_MM)
        found: Bools = clear | (beyond & np.isfinite(reach))
        return found

    def connect(self, mask: Bools, *, worked: Bools) -> list[Patch]:
        if not mask.any():
            return []
        edges, area = self.reading.edges, self.reading.space.area_mm2
        crumbs = mask & ~large_parts(mask, edges, area, self.limits.smallest_zone_mm2)
        narrowest = self.limits.narrowest_zone_mm
        narrow = slivers(self.place_mm, edges, mask, narrowest_mm=narrowest, worked=worked)
        if narrow.any():
            narrow &= self._narrow_in_itself(mask, edges, narrowest, worked)
        mask = mask & ~crumbs & ~narrow
        near = np.isfinite(reach_along_edges(self.place_mm, edges, mask, 0.5 * GAP_MM))
        label = parts_in(near, edges)
        members = np.flatnonzero(mask)
        members = members[np.argsort(label[members], kind="stable")]
        starts = np.flatnonzero(np.diff(label[members])) + 1
        return [self._patch(part) for part in np.split(members, starts) if len(part)]

    def _narrow_in_itself(
        self, mask: Bools, edges: Ints, narrowest_mm: float, worked: Bools
    ) -> Bools:
        """What is narrow on the framework, too: under a fissure one line is the contour of all.

        Too thin is wide across the line of sight, and only where its means lack something.
        """
        points, length_mm = self.framework.points_mm, None
        if self.excess.finding is FindingKind.TOO_THIN:
            length_mm = across_sight(points, self.reading.space.contour_mm, edges)
            mask = mask & (self.spots.excess_mm > 0)
        wide = mask & ~slivers(
            points, edges, mask, narrowest_mm=narrowest_mm, worked=worked, length_mm=length_mm
        )
        return ~wide

    def _worst(self, vertices: Ints) -> int:
        """The vertex in the middle of the worst spot; of many that noise alone tells apart, the one
        amid them."""
        excess = self.spots.excess_mm[vertices]
        top = int(vertices[np.nanargmax(excess)])
        alike = vertices[excess >= np.nanmax(excess) - max(self.spots.noise_u_mm[top], ALIKE_MM)]
        points = self.framework.points_mm[alike]
        away = np.linalg.norm(points - points.mean(axis=0), axis=1)
        # Of places equally far the first in space, however the vertices are numbered.
        return int(alike[np.lexsort((*points.T, np.round(away, 6)))[0]])

    def _patch(self, vertices: Ints) -> Patch:
        points, spots = self.framework.points_mm, self.spots
        weight = self.reading.space.area_mm2[vertices]
        worst = self._worst(vertices)
        noise = float(spots.noise_u_mm[worst])
        away = points[vertices] - points[worst]
        spot = vertices[np.linalg.norm(away, axis=1) <= RADIUS_MM]
        return Patch(
            finding=self.excess.finding,
            vertices=vertices,
            area_mm2=float(weight.sum()),
            centre_mm=points[worst],
            extreme_mm=float(spots.value_mm[worst]),
            excess_mm=float(spots.excess_mm[worst]),
            u_mm=math.hypot(noise, float(spots.steady_u_mm[worst])),
            typical_mm=float(np.nanmedian(self.excess.value_mm[vertices])),
            path=float(spots.path[worst]),
            chosen_mm=noise * largest_of(float(self.close_mm2[worst]) / SPOT_MM2),
            spot=spot,
            across_mm=across_mm(points[vertices], weight),
            unlike=bool(self.regions.unlike[spot].mean() > 0.5),
        )


def bead_patches(
    found: Beads,
    raw: Reading,
    reading: Reading,
    limits: Limits,
    *,
    regions: Regions,
    thin: list[Patch],
) -> list[Patch]:
    """Zones where the veneer over the tops of beads is short, though it is not over their base.

    Beside the finish line the cover asked for runs out as the layer does. Fewer beads than make the
    smallest zone are never firm: a bead's cover is that of one vertex, and it may be a speck.

    Parameters
    ----------
    found : Beads
    raw : Reading
        Of the framework with its beads.
    reading : Reading
        Of the base.
    regions : Regions
    thin : list of Patch
        What is too thin already, beads and all.
    """
    from scipy.spatial import cKDTree

    cover, u = raw.space.nearest_mm[found.top], raw.space.u_judged_mm[found.top]
    short = limits.bead_cover_mm * band_share(regions, limits)[found.top] - cover
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
            close=bool(weight.sum() < limits.smallest_zone_mm2),
        )

    return [patch_of(asked[label == part]) for part in np.unique(label)]
