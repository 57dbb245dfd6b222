"""What the knife may have to do: zones with their metal, and amounts at every point.

Notes
-----
The budget of space speaks of the worst spot. Choice: median metal over that spot; elsewhere each
point keeps its own metal. Instead of: the thinnest 5 % of the zone, which forbade the knife on
143 mm² for one spot. Cost: the words do not name the other places; their amounts do.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from veneercheck.core.divide import anatomy, zones
from veneercheck.core.divide.excess import Excess, excesses, least_layer_mm
from veneercheck.core.divide.regions import Regions
from veneercheck.core.judge import amounts, asked
from veneercheck.core.judge.decide import Advised, within_metal
from veneercheck.core.measure import metal as budget
from veneercheck.core.measure.beads import Beads
from veneercheck.core.measure.space import Reading, as_judged
from veneercheck.core.mesh.pieces import grown
from veneercheck.core.mesh.triangles import border_vertices, reach_along_edges, row_dot
from veneercheck.core.types import (
    COVERED,
    FINISHED,
    WAX,
    Bools,
    FindingKind,
    Floats,
    Ints,
    Limits,
    PlaceWords,
    Region,
    TriangleMesh,
)

_BACK_TO_BACK_COS = -0.7
"""Two sides of a wall face away from each other; those of a crest lean."""

_FIN_MM = 0.6
"""No point of a fin lies farther than this from where the metal is thicker or ends."""

_SLOPES_MM = 2.0
"""So far from what stands out of the contour too thin a veneer is its slope, and no other fault: at
45° the least space is had within 1.7 mm."""

_SHORT_LINE, _STANDING_MM = 0.1, 0.3
"""A chamfer that is to be cut in metal is missing along more of the line; what was left standing
is short by more on the mean beyond the band."""

_MEETS = 0.25
"""What stands out beside the cut borders on it by more."""

_STRAY = 0.05
"""Share of a zone whose metal may read thinner than what is told of it."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Work:
    """What the hand may have to do.

    Parameters
    ----------
    advised : tuple of Advised
        Zones, not yet judged.
    unshaped : tuple of Patch
        Where the finish line has no chamfer yet.
    finding : ndarray of int64, shape (n,)
        `FindingKind` of every vertex.
    amount_mm : ndarray, shape (n,)
        Off where positive, to be added where negative.
    metal_left_mm : ndarray, shape (n,)
        Metal left if the least layer were made; NaN where unknown.
    p_thin, p_thick : ndarray, shape (n,)
        Probability that the layer is beyond its limits.
    layer_mm : ndarray, shape (n,)
        The layer as it was judged, against the limit of its place.
    """

    advised: tuple[Advised, ...]
    unshaped: tuple[zones.Patch, ...]
    finding: Ints
    amount_mm: Floats
    metal_left_mm: Floats
    p_thin: Floats
    p_thick: Floats
    layer_mm: Floats


def with_metal(
    framework: TriangleMesh, reading: Reading, die: TriangleMesh | None, stage: str
) -> Reading:
    """The reading with its metal down to the die, or to its own other side where that is nearer.

    Where opaquer or dentine covers the metal already, its thickness is not known anywhere.

    Parameters
    ----------
    framework, die : TriangleMesh
        In the wax-up's frame; without a die the metal ends at its own other side.
    reading : Reading
    stage : str
        Of the work.
    """
    metal, other_side = reading.space.metal_mm, reading.other_side
    if stage in COVERED:
        metal = np.full_like(metal, np.nan)
    elif die is not None:
        to_die = budget.metal_to_die(framework, reading.normals, die)
        other_side = np.where(to_die <= np.nan_to_num(metal, nan=np.inf), -1, other_side)
        metal = np.fmin(to_die, metal)
    space = dataclasses.replace(reading.space, metal_mm=metal)
    return dataclasses.replace(reading, space=space, other_side=other_side)


def of_walls(reading: Reading, parts: Regions, limits: Limits) -> Floats:
    """Metal that parts a surface from another one that is not veneered, shape (n,); else NaN.

    From the flank of a crest, or from a fin, a ray inward soon leaves through surface that was cut
    as well: there the knife lowers the crest and thins no wall. Two cut sides that lie back to back
    over more than a fin's width are a wall all the same.
    """
    metal, other = reading.space.metal_mm, reading.other_side
    cut = np.isin(parts.code, (Region.CUT, Region.FINISH_LINE_BAND, Region.ISLAND))
    both = cut & (other >= 0) & cut[other]
    back = row_dot(reading.normals, reading.normals[other]) < _BACK_TO_BACK_COS
    thin = both & back & (metal < limits.least_metal_mm)
    away = reach_along_edges(reading.points_mm, reading.edges, ~thin, _FIN_MM)
    middle = thin & np.isinf(away)
    plate = thin & np.isfinite(
        reach_along_edges(reading.points_mm, reading.edges, middle, 2.0 * _FIN_MM)
    )
    return np.where(both & ~(back & (plate | ~thin)), np.nan, metal)


def work(
    framework: TriangleMesh,
    reading: Reading,
    parts: Regions,
    *,
    limits: Limits,
    where: anatomy.Places,
    told: PlaceWords,
    stage: str,
) -> Work:
    """Find the zones, and what the knife does about them.

    Parameters
    ----------
    framework : TriangleMesh
        In the wax-up's frame.
    reading : Reading
    parts : Regions
    limits : Limits
    where : Places
        For limits of single surfaces.
    told : PlaceWords
        Says on which surface a zone lies: between teeth the metal is not cut below its limit.
    stage : str
        Of the work: in wax a missing chamfer is no fault.
    """
    count = len(framework.points_mm)
    off, on = np.zeros(count), np.zeros(count)
    advised: list[Advised] = []
    unshaped: list[zones.Patch] = []
    least, greatest = anatomy.limits_of_surfaces(limits, where)
    need = least_layer_mm(parts, limits, least)
    walls = dataclasses.replace(reading.space, metal_mm=of_walls(reading, parts, limits))
    reading = dataclasses.replace(reading, space=walls)
    left = budget.metal_left(reading.space.metal_mm, reading.space.judged_low_mm, need, limits)
    compared = excesses(reading, parts, limits, least_mm=least, greatest_mm=greatest)
    bumps = _bumps(framework, reading, parts, limits, compared, need_mm=need + limits.taken_mm)
    for excess in (bumps.apart, *compared[1:]):
        side = on if excess.finding is FindingKind.TOO_THICK else off
        over = excess.finding is FindingKind.OVER_CONTOUR
        patches = bumps.over if over else zones.patches(framework, reading, parts, limits, excess)
        in_band = [
            stage == WAX and _without_chamfer(patch, reading, parts, excess, limits)
            for patch in patches
        ]
        unshaped += [patch for patch, band in zip(patches, in_band, strict=True) if band]
        patches = [patch for patch, band in zip(patches, in_band, strict=True) if not band]
        for patch, tried in zip(
            patches, amounts.tried(framework, reading, excess, patches), strict=True
        ):
            one, amount = _advised(
                reading, patch, tried, left, limits=limits, told=told, stage=stage
            )
            if over:
                one, amount = bumps.in_all(one, amount, reading, limits)
                one = _or_veneer(one, reading, parts, limits)
            advised.append(one)
            np.maximum(side, amount, out=side)
    thin, thick, _ = (excess.probability() for excess in compared)
    return Work(
        tuple(advised),
        tuple(unshaped),
        _painted(advised, count),
        np.where(off > 0, off, -on),
        left,
        thin,
        thick,
        as_judged(reading.space.judged_low_mm, reading.space.judged_high_mm, need + limits.taken_mm)
        - limits.taken_mm,
    )


def _without_chamfer(
    patch: zones.Patch, reading: Reading, parts: Regions, excess: Excess, limits: Limits
) -> bool:
    """Whether a zone is a finish line that has no chamfer yet. What was left standing beside the
    line is thin beyond the band as well, and over little of the line's length."""
    if not zones.is_of_band(patch, reading, parts):
        return False
    area = reading.space.area_mm2
    beyond = patch.vertices[parts.code[patch.vertices] == Region.CUT]
    beyond_mm2 = float(area[beyond].sum())
    if patch.close or beyond_mm2 < limits.smallest_zone_mm2:
        return True
    short_mm = float(area[beyond] @ excess.excess_mm[beyond]) / beyond_mm2
    band_mm2 = float(area @ (parts.code == Region.FINISH_LINE_BAND))
    short_line = float(area[patch.vertices].sum()) - beyond_mm2 < _SHORT_LINE * band_mm2
    return not (short_line and short_mm > _STANDING_MM)


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class _Bumps:
    """What stands out of the contour amid the veneer: one fault with the slopes that lead to it.

    `over` is all that stands out, `apart` the thin finding without what does amid the veneer,
    `whole_mm` what comes off until the veneer has room.
    """

    over: list[zones.Patch]
    apart: Excess
    beside: Bools
    whole_mm: Floats

    def in_all(
        self, one: Advised, amount: Floats, reading: Reading, limits: Limits
    ) -> tuple[Advised, Floats]:
        """A zone over the contour with all that comes off it and its slopes, shape (n,)."""
        if not (one.patch.known and self.beside[one.patch.vertices].all()):
            return one, amount
        spare = np.maximum(reading.space.metal_mm - limits.least_metal_mm, 0.0)
        own = reach_along_edges(
            reading.points_mm, reading.edges, _mask(one.patch.vertices, len(spare)), _SLOPES_MM
        )
        whole = np.where(np.isfinite(own), np.fmin(self.whole_mm, spare), 0.0)
        amount = np.maximum(amount, whole)
        volume = float(reading.space.area_mm2 @ amount)
        in_all = _at_spot(reading, one.patch, amount)
        slopes = np.flatnonzero(np.isfinite(own) & (self.whole_mm > 0))
        slopes = slopes[~_mask(one.patch.vertices, len(own))[slopes]]
        found = dataclasses.replace(one, volume_mm3=volume, in_all_mm=in_all, slopes=slopes)
        return found, amount


def _bumps(
    framework: TriangleMesh,
    reading: Reading,
    parts: Regions,
    limits: Limits,
    compared: tuple[Excess, Excess, Excess],
    *,
    need_mm: Floats,
) -> _Bumps:
    """The spots that stand out amid the veneer, and all that comes off there.

    Parameters
    ----------
    compared : tuple of Excess
        Too thin, too thick, over contour.
    need_mm : ndarray, shape (n,)
        Least space asked for: from out of the contour not every ray or ball tells one, but the
        nearest contour does.
    """
    thin, _, over = compared
    count = len(framework.points_mm)
    cut = parts.code == Region.CUT
    proud = zones.patches(framework, reading, parts, limits, over)
    bumps = [patch for patch in proud if patch.firmly_beyond and cut[patch.vertices].mean() > 0.5]
    if not bumps:
        nowhere = np.zeros(count, dtype=bool)
        return _Bumps(proud, thin, nowhere, np.zeros(count))
    on = _mask(np.concatenate([patch.vertices for patch in bumps]), count)
    beside = np.isfinite(reach_along_edges(framework.points_mm, reading.edges, on, _SLOPES_MM))
    apart = dataclasses.replace(thin, excess_mm=np.where(beside, np.nan, thin.excess_mm))
    short = np.where(cut, need_mm - reading.space.judged_high_mm, np.nan)
    missing = np.where(np.isnan(thin.excess_mm), short, thin.excess_mm)
    thin = dataclasses.replace(thin, excess_mm=missing)
    worked = np.flatnonzero(on | (beside & (missing > 0)))
    (whole,) = amounts.tried(
        framework, reading, thin, [dataclasses.replace(bumps[0], vertices=worked)]
    )
    return _Bumps(proud, apart, beside, whole)


def _or_veneer(one: Advised, reading: Reading, parts: Regions, limits: Limits) -> Advised:
    """A zone over the contour with what a veneer needs there, where it meets the cut and is not
    amid it: be it a part of the collar, or what was forgotten."""
    code, own = parts.code, _mask(one.patch.vertices, len(parts.code))
    on = grown(own, code == Region.UNSORTED, reading.edges)  # with the walls of what stands out
    border = reading.edges[on[reading.edges].sum(axis=1) == 1]
    beside = code[border[~on[border]]]
    veneered = np.isin(beside, (Region.CUT, Region.FINISH_LINE_BAND))
    if math.isfinite(one.in_all_mm) or veneered.sum() <= _MEETS * len(beside):
        return one
    return dataclasses.replace(one, room_mm=limits.layer.least_mm + limits.taken_mm)


def _mask(vertices: Ints, count: int) -> Bools:
    mask = np.zeros(count, dtype=bool)
    mask[vertices] = True
    return mask


def with_bead_covers(
    worked: Work, found: Beads, raw: Reading, reading: Reading, *, parts: Regions, limits: Limits
) -> Work:
    """Add the zones where only the cover over beads is short; what may be a bead is never firm."""
    told = asked.or_beads(worked.advised, found, border_vertices(found.base))
    thin = [one.patch for one in told if one.patch.finding is FindingKind.TOO_THIN]
    patches = zones.bead_patches(found, raw, reading, limits, regions=parts, thin=thin)
    advised = (*told, *map(Advised, patches))
    finding = _painted(advised, len(worked.finding))
    return dataclasses.replace(worked, advised=advised, finding=finding)


def _least(values: Floats, vertices: Ints) -> float:
    """The least of a zone, a few stray points left out; NaN where nothing is known."""
    known = values[vertices][np.isfinite(values[vertices])]
    return float(np.quantile(known, _STRAY)) if len(known) else math.nan


def _advised(
    reading: Reading,
    patch: zones.Patch,
    amount: Floats,
    left: Floats,
    *,
    limits: Limits,
    told: PlaceWords,
    stage: str,
) -> tuple[Advised, Floats]:
    """A zone with its metal, and what it takes, shape (n,): no more than the metal there allows.

    No advice ever takes a wall below its limit. What the budget of space says of the zone is said
    of its worst spot; elsewhere in it each point has its own metal.
    """
    metal_mm, at = reading.space.metal_mm, patch.vertices
    spot = at if patch.spot is None or not len(patch.spot) else patch.spot
    one = Advised(
        patch,
        metal_mm=_least(metal_mm, at),
        spot_metal_mm=_middle(metal_mm, spot),
        metal_left_mm=_middle(left, spot),
        tried_mm=_at_spot(reading, patch, amount),
    )
    if patch.finding is not FindingKind.TOO_THICK and stage != FINISHED:
        spare = np.maximum(metal_mm - limits.least_metal_mm, 0.0)
        amount = np.fmin(amount, spare)
        if patch.finding is FindingKind.TOO_THIN:
            one = dataclasses.replace(one, spare_mm=_middle(spare, spot))
        within = within_metal(one, limits, told(spot)[1], stage)
        if within is not None:
            amount[spot] = np.minimum(amount[spot], within[1])
    volume = float(reading.space.area_mm2 @ amount)
    return dataclasses.replace(one, volume_mm3=volume), amount


def _middle(values: Floats, vertices: Ints) -> float:
    """The median of a spot: over a sharp crest the metal straight inward ends at once, and that of
    one vertex says little. Metal that was not met is no thin one; NaN where that is most of it."""
    middle = float(np.median(np.nan_to_num(values[vertices], nan=np.inf)))
    return middle if math.isfinite(middle) else math.nan


def _at_spot(reading: Reading, patch: zones.Patch, amount: Floats) -> float:
    """The mean amount over a zone's worst spot; NaN where no spot is told."""
    if patch.spot is None or not len(patch.spot):
        return math.nan
    weight = reading.space.area_mm2[patch.spot]
    return float(weight @ amount[patch.spot] / weight.sum())


def _painted(advised: list[Advised] | tuple[Advised, ...], count: int) -> Ints:
    finding = np.full(count, FindingKind.NONE, dtype=np.int64)
    for one in advised:
        finding[one.patch.vertices] = one.patch.finding
    for one in advised:
        if one.slopes is not None:
            plain = one.slopes[finding[one.slopes] == FindingKind.NONE]
            finding[plain] = FindingKind.TOO_THIN
    return finding
