"""How far every vertex lies beyond its limits: too thin, too thick, over contour.

Notes
-----
The finish-line band is measured in space, allowance included. At the finish line there is no
composite, and the layer net of opaquer is negative. Choice: over the band's width the space asked
for grows from nothing to least layer + opaquer + beads. Instead of: letting the layer grow from
nothing, which finds fault with every sound chamfer. Cost: within the band the opaquer is taken to
thin out as well.

Flanks of an island belong to its question, unless they are too long. A metal stop has a slope all
round, too thin by the rules. Choice: within the band's width round an island the layer asked for
grows from nothing, and what falls short there alone is no zone; where the flank is thin for the
smallest zone's area beyond that width, all of it is one, from where it falls short. So is the flank
of a spot that stands proud, be it ever so narrow: the knife works there anyway, and what is left
shows once the spot is down. The allowance that makes an amount sure runs out with the layer asked
for, here as in the finish-line band. Instead of: a zone beside every stop; zones of the part beyond
the width only, which came and went with the noise as slivers and left the flank to be found by the
next check; or the whole allowance up to the line, which moved the line that the limit is counted
from, round after round. Cost: a slope that is a little too shallow within the width beside a stop
is only seen by answering the question.

On the flanks of a small bump the nearest contour tells how much too thin it is. A ball has more
room on a slope than the contour is off, and the mean over a bump of 0.85 mm² and 0.48 mm told
0.14 mm too much (plates, by quadrature). Choice: in the cut, beyond band and stops, where ray or
ball fall short, the nearest contour counts if it is shorter by more than the noise of the reading.
Instead of: the nearest contour everywhere, by which each steep wall is too thin and a bump's zone
nearly twice as wide; or the smaller one of each point, which is short by noise. Cost: beside a
bump the told layer jumps where ray and ball just reach the limit.

Over contour is as uncertain at edges as scanners round them. Two scans of one sharp crest or thin
margin lie up to 0.13 mm beside each other, and «take off 0.10 mm» was told firmly of sound margins.
Choice: there 0.07 mm is added to the standard uncertainty of what stands out. Instead of: leaving
edges out, where a true ridge stands; or of every reading, where a layer of a millimetre hardly
minds. Cost: what stands out by less than some 0.12 mm at an edge is only asked about.
"""

from __future__ import annotations

import dataclasses

import numpy as np

from veneercheck.core.divide.regions import Regions
from veneercheck.core.measure.both_ways import AGREEING_COS
from veneercheck.core.measure.space import Reading
from veneercheck.core.measure.uncertainty import probability_beyond
from veneercheck.core.mesh.triangles import calmed, reach_along_edges, row_dot
from veneercheck.core.types import Bools, FindingKind, Floats, Limits, Region

GUARD = 1.6449
"""One-sided 95 % quantile of the normal distribution: the guard band of ISO 14253-1."""

_LEAST_TILT_COS = 0.5
"""The knife's path is told up to twice the depth; on steeper walls it would be a guess."""


_EDGE_PER_MM, _EDGE_MM, _CALM_MM = 3.3, 0.2, 0.1
"""An edge bends more than a ball of 0.3 mm, in 1/mm, and reaches so far; normals are taken with
their neighbours' over the last: scan noise bends as well."""

_MOST_CALMINGS = 16
"""A finer mesh than this reaches is calmed over less."""

_THIN_MM, _MARGIN_MM = 0.4, 0.5
"""Metal this thin is a margin so far from its edge; a wall may be as thin all over."""

_EDGE_U_MM = 0.07
"""Scanners round edges, each by its own grain: structured light, simulated at 0.07 to 0.12 mm, laid
crests and thin margins of one shape up to 0.13 mm beside each other, on the mean over 0.25 mm²."""

_CLEARLY_SHORTER = 3.0
"""By more of its noise than this, in standard uncertainties, ball and nearest part on a slope."""


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
    told_from_mm : float
        What lies beyond the limit by less is not told.
    may_be_close : ndarray of bool, shape (n,)
        Where it is told, too, that a limit is kept but not surely: in a finish-line band and
        round an island the limit falls to nothing, so that some surface always lies so.
    path : ndarray, shape (n,)
        What the knife moves along the framework's normal to change the reading by one.
    from_line : ndarray, shape (n,)
        How far through a finish-line band or an island's flank, 0…1; 1 beyond. The knife's
        allowance runs out there, so that it does not move the line the limit is counted from.
    """

    finding: FindingKind
    excess_mm: Floats
    value_mm: Floats
    steady_u_mm: Floats
    noise_u_mm: Floats
    told_from_mm: float
    may_be_close: Bools
    path: Floats
    from_line: Floats

    def probability(self) -> Floats:
        """Probability that the true layer of a vertex is beyond the limit, shape (n,)."""
        return probability_beyond(self.excess_mm, np.hypot(self.steady_u_mm, self.noise_u_mm))


def least_layer_mm(regions: Regions, limits: Limits, least_mm: Floats) -> Floats:
    """The least layer asked for at every vertex, shape (n,), in mm.

    In the finish-line band the space asked for grows linearly from nothing at the line to layer,
    opaquer and beads together at the band's end; a sound chamfer raises no finding. So it does
    beside an island: cut to full depth there, a metal stop would become a thorn.
    """
    return (least_mm + limits.taken_mm) * band_share(regions, limits) - limits.taken_mm


def on_slopes(reading: Reading, regions: Regions, limits: Limits, *, least_mm: Floats) -> Reading:
    """The reading, how much too thin it is on slopes within the cut judged by the nearest contour.

    Parameters
    ----------
    least_mm : ndarray, shape (n,)
        Least layer at every vertex.
    """
    space = reading.space
    low_mm, high_mm = space.judged_low_mm, space.judged_high_mm
    within = (regions.code == Region.CUT) & (band_share(regions, limits) >= 1.0)
    noise_mm = np.nan_to_num(space.u_noise_mm, nan=np.inf)
    slopes = within & (low_mm < least_mm + limits.taken_mm)
    slopes &= low_mm - high_mm > _CLEARLY_SHORTER * noise_mm
    low_mm = np.where(slopes, high_mm, low_mm)
    return dataclasses.replace(reading, space=dataclasses.replace(space, judged_low_mm=low_mm))


def band_share(regions: Regions, limits: Limits) -> Floats:
    """How far through a finish-line band or an island's flank each vertex lies; 1 beyond both."""
    from_line = np.fmin(regions.from_line_mm, regions.island_distance_mm)
    share: Floats = np.nan_to_num(from_line / limits.finish_line_width_mm, nan=1.0)
    return share


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
    cut = regions.code == Region.CUT

    tilt = np.clip(np.nan_to_num(reading.agreement, nan=1.0), _LEAST_TILT_COS, 1.0)
    by_ball = space.ball_mm < space.space_mm

    def compare(
        finding: FindingKind, excess: Floats, value: Floats, path: Floats, close: Bools
    ) -> Excess:
        excess = np.where(veneered, excess, np.nan)
        return Excess(finding, excess, value, of_layer, noise, 0.0, close, path, from_line)

    from_line = band_share(regions, limits)
    need = least_layer_mm(regions, limits, least_mm)
    low_mm = space.judged_low_mm - limits.taken_mm
    high_mm = space.judged_high_mm - limits.taken_mm
    # Over a contour tilted by θ the ray is h/cos θ, the ball 2h/(1 + cos θ), the nearest h.
    thin_path = np.where(by_ball, 0.5 * (1.0 + tilt) / tilt, 1.0)
    # Round an island lies the flank of a metal stop: alone it is no zone, see `_beside_flank`.
    beside = np.isfinite(regions.island_distance_mm)
    thin = compare(FindingKind.TOO_THIN, need - low_mm, low_mm, thin_path, cut & ~beside)
    # Metal so close on the other side bears what lies between, be its bottom ever so deep.
    held = reading.across_mm < limits.narrowest_zone_mm
    over_greatest = np.where(held, np.nan, high_mm - greatest_mm)
    thick = compare(FindingKind.TOO_THICK, over_greatest, high_mm, 1.0 / tilt, cut)
    bare = ~np.isin(regions.code, (Region.FITTING_SURFACE, Region.MODEL, Region.ATTACHMENT))
    outside = np.where(bare, -np.fmax(space.space_mm, space.nearest_mm), np.nan)
    # Amid the veneer the nearest contour is enough: in an embrasure many a ray meets none.
    amid = veneered | (regions.code == Region.ISLAND)
    read = np.isfinite(space.space_mm) | (amid & np.isfinite(space.nearest_mm))
    outside[~(read & (reading.agreement >= AGREEING_COS))] = np.nan
    over = Excess(
        FindingKind.OVER_CONTOUR,
        outside,
        -outside,
        np.hypot(steady, _EDGE_U_MM * _at_edges(reading)),
        noise,
        # Finishing takes metal off; it never excuses what stands out.
        regions.tolerance_mm - max(limits.finishing_mm, 0.0),
        np.zeros(len(bare), dtype=bool),
        np.where(space.nearest_mm > space.space_mm, 1.0 / tilt, 1.0),
        from_line,
    )
    return thin, thick, over


def _at_edges(reading: Reading) -> Bools:
    """Vertices beside sharp convex edges of the framework and on thin margins, shape (n,)."""
    points, edges = reading.points_mm, reading.edges
    a, b = edges.T
    way = points[b] - points[a]
    square = row_dot(way, way)
    usual = float(np.median(square)) if len(square) else _CALM_MM**2
    rounds = min(round(_CALM_MM**2 / max(usual, 1e-9)), _MOST_CALMINGS)
    calm = calmed(reading.normals, edges, rounds)
    sharp = np.zeros(len(points), dtype=bool)
    sharp[edges[row_dot(calm[b] - calm[a], way) > _EDGE_PER_MM * square]] = True
    reach = reach_along_edges(points, edges, sharp, _MARGIN_MM)
    thin = np.isfinite(reach) & (reading.space.metal_mm < _THIN_MM)
    return np.asarray(thin | (reach <= _EDGE_MM))


def _typical(values: Floats) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else 0.0
