"""What part of the framework each point belongs to: uncut, cut, finish-line band, island …

Notes
-----
Uncut surface need not hang together. A collar may be broken up by resealed spots, holes of the scan
or a stop within the cut. Choice: every point within the tolerance whose contour faces the same way
counts, however small its patch; the alignment weighs by area, and an island within the cut is asked
about. Instead of: the largest patch only. Cost: single points on a slope that crosses the tolerance
count too; they weigh nothing.

What counts as uncut leaves seating out. The tolerance is three standard uncertainties; with seating
it would be 0.1 mm, and thin cuts would vanish in it. Choice: seating is left out, since on the
reference itself the fit has taken it up or shows it as residual. Instead of: the full uncertainty.
Cost: a die that was seated badly shows as cut or over contour by its own displacement.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from veneercheck.core.divide.finish_line import collar, distance_on_contour, line_to
from veneercheck.core.divide.holders import lying_lower
from veneercheck.core.divide.insides import LEAST_FITTING_MM2, insides, shown_by_both
from veneercheck.core.divide.scan_ends import (
    HOLE_MM,
    hidden,
    run_outs,
    under_a_rim,
    under_a_web,
)
from veneercheck.core.measure.both_ways import (
    AGREEING_COS,
    COVERED_MM,
    OVER_REACH_MM,
    REACH_MM,
)
from veneercheck.core.measure.space import Reading
from veneercheck.core.mesh.pieces import grown, large_parts, long_rims
from veneercheck.core.mesh.triangles import any_in, components, parts_in, reach_along_edges
from veneercheck.core.types import Bools, Floats, Ints, Limits, RayOutcome, Region, TriangleMesh

LEAST_TOLERANCE_MM = 0.05
"""Surfaces nearer than this are not told apart by eye or knife."""

COVERAGE = 3.0
"""Standard uncertainties within which a surface counts as uncut."""

CUT_DEPTH_MM = 0.3
"""Somewhere a cut surface is at least this deep."""

LEAST_CUT_MM2, LEAST_ISLAND_MM2, _SPECK_MM2 = 1.0, 0.25, 0.02
"""What is smaller than the last is one vertex's noise: no island, and its flanks are cut."""

_SURROUNDED_SHARE = 0.95
"""An island borders on one cut area by so much: a vertex with a turned normal makes no collar."""

_CRUMB_MM2 = 0.05
"""Less than this at an island's foot, a sliver with many edges, says nothing of its border."""

_LEDGE_MM2 = 0.5
"""A larger part that was not sorted is no ledge beside a spot."""

_BUMP_MM = 0.4
"""A metal stop that stands out this far keeps the teeth from closing: it is none."""

_BUMP_SHARE = 0.5
"""Of a metal stop less than half stands out of the contour, or none of it far."""

FOOT_OF_WALL_MM = 0.15
"""How far the foot of a steep wall, near the contour but turned away from it, may reach; a wall as
high as the tolerance, further: `_WALL_TO_FOOT` of it."""
_WALL_TO_FOOT = 1.2


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Regions:
    """The framework divided.

    Parameters
    ----------
    code : ndarray of int64, shape (n,)
        `Region` of every vertex.
    from_line_mm : ndarray, shape (n,)
        In the finish-line band: how far from the finish line its contour point lies, measured on
        the contour; NaN elsewhere.
    islands : tuple of ndarray of int64
        The vertices of each island.
    island_distance_mm : ndarray, shape (n,)
        Distance of a cut vertex's contour point from the nearest island, where it is within the
        width of the band; NaN elsewhere.
    proud : ndarray of bool, shape (n,)
        An island that stands proud, be it a ridge narrower than a knife, and cut vertices within
        the width of the band beside it: the knife works there anyway.
    tolerance_mm : float
        Distance within which a surface counted as uncut.
    line_mm : ndarray, shape (k, 3)
        Points of the finish line, on the contour.
    unseen_mm : ndarray, shape (l, 3)
        Points on the contour where the cut leaves the scan short of full depth: it ends beyond.
    unlike : ndarray of bool, shape (n,)
        Cut vertices where the two scans do not show the same: the wax-up's ends there beside the
        line, or goes on to its model. Read, but against what limit does not show.
    flush : ndarray of bool, shape (n,)
        Cut vertices where what was built up ends at the contour, as a metal stop would.
    left : ndarray of bool, shape (n,)
        Cut vertices on and round a top, too small for an island, that touches the contour beside
        the finish line, as a connector does of which little shows.
    held : tuple of ndarray of int64
        The vertices of each part that looked cut and is taken for putty, gum or model.
    """

    code: Ints
    from_line_mm: Floats
    islands: tuple[Ints, ...]
    island_distance_mm: Floats
    proud: Bools
    tolerance_mm: float
    line_mm: Floats
    unseen_mm: Floats
    unlike: Bools
    flush: Bools
    left: Bools
    held: tuple[Ints, ...] = ()


def divide(
    framework: TriangleMesh,
    reading: Reading,
    limits: Limits,
    *,
    paint: Ints | None = None,
    built_up: bool = False,
    bare: Bools | None = None,
) -> Regions:
    """Divide the framework into regions.

    Parameters
    ----------
    framework : TriangleMesh
        In the wax-up's frame.
    reading : Reading
    limits : Limits
        For the width of the finish-line band and the uncertainty of a reading.
    paint : ndarray of int64, shape (n,), optional
        `Region` codes that overrule what is found, −1 where nothing was painted.
    built_up : bool
        Something was laid on what had been cut: where that ends at the contour, the next layer has
        no room, and no island is seen unless it was painted.
    bare : ndarray of bool, shape (n,), optional
        What is known to stay uncut though cut surface lies all round it: no island.

    Returns
    -------
    Regions
    """
    tolerance = _tolerance_mm(reading, limits)
    greatest_mm = max(one.greatest_mm for one in (limits.layer, *limits.surfaces.values()))
    veneer_mm = greatest_mm + limits.taken_mm
    code = _sort(framework.points_mm, reading, tolerance, paint, veneer_mm=veneer_mm)
    islands, tops, flush = [], [], np.zeros(len(code), dtype=bool)
    width = limits.finish_line_width_mm
    ends = long_rims(reading.on_rim, framework.points_mm, reading.edges, HOLE_MM)
    held = tuple(
        part
        for part in lying_lower(code, reading, limits, ends=ends)
        if paint is None or not (paint[part] >= 0).any()
    )
    for part in held:
        code[part] = Region.UNSORTED
    enclosed = [
        part
        for part in _enclosed(code, reading, tolerance, paint, ends=ends)
        if bare is None or not bare[part].any()
    ]
    beside = _specks_beside_the_line(enclosed, code, reading, width)
    for part in enclosed:
        painted = paint is not None and bool((paint[part] >= 0).any())
        speck = float(reading.space.area_mm2[part].sum()) < _SPECK_MM2
        if (speck or beside[part].any()) and not painted:
            tops += [] if speck else [part]
            code[part] = Region.CUT
            continue
        bump = not painted and _is_bump(part, reading)
        flush[part] = built_up and not painted and not bump
        code[part] = Region.CUT if bump or flush[part].all() else Region.ISLAND
        islands += [] if code[part[0]] == Region.CUT else [part]
    line = line_to(
        collar(code, _of_islands(code, reading, tolerance, paint), reading, LEAST_ISLAND_MM2),
        code,
        reading,
    )
    unseen = run_outs(framework, code, reading, limits)
    from_line = distance_on_contour(code, reading, np.concatenate([line, unseen]), width)
    by_rim = under_a_rim(code, reading, limits, from_line)
    unseen = np.concatenate([unseen, reading.space.contour_mm[by_rim]])
    left, proud = np.zeros(len(code), dtype=bool), np.zeros(len(code), dtype=bool)
    for top in tops:  # beside an island it is none of the line's
        left[top] = (from_line[top] <= width).any()
    for island in islands:
        proud[island] = _is_proud(island, reading, tolerance, limits.smallest_zone_mm2)
    from_island, from_proud, from_left = (
        distance_on_contour(code, reading, line_to(spots, code, reading), width)
        for spots in (code == Region.ISLAND, proud, left)
    )
    cut = code == Region.CUT
    in_band = cut & (from_line <= width)
    code[in_band] = Region.FINISH_LINE_BAND
    return Regions(
        code,
        np.where(in_band, from_line, np.nan),
        tuple(islands),
        np.where(cut & (from_island <= width), from_island, np.nan),
        proud | (cut & (from_proud <= width)),
        tolerance,
        line,
        unseen,
        by_rim | under_a_web(code, reading),
        flush,
        from_left <= width,
        held,
    )


def _tolerance_mm(reading: Reading, limits: Limits) -> float:
    """Distance within which two surfaces cannot be told apart.

    Seating is left out: on the uncut surface itself the fit has taken it up, or shows it. What
    finishing and blasting took off everywhere, or spray added, counts as uncut.
    """
    taken = abs(limits.finishing_mm)
    u = reading.space.u_judged_mm[np.isfinite(reading.space.u_judged_mm)]
    if not len(u):
        return LEAST_TOLERANCE_MM + taken
    own = math.sqrt(max(float(np.median(u)) ** 2 - limits.seating_u_mm**2, 0.0))
    return max(COVERAGE * own, LEAST_TOLERANCE_MM) + taken


def _sort(
    points_mm: Floats, reading: Reading, tolerance: float, paint: Ints | None, *, veneer_mm: float
) -> Ints:
    space, edges = reading.space, reading.edges
    s = space.nearest_mm
    near = np.isfinite(s) & (np.abs(s) <= REACH_MM) & ~reading.enclosed
    agrees = reading.agreement >= AGREEING_COS
    code = np.full(len(s), Region.UNSORTED, dtype=np.int64)
    code[near & agrees & (np.abs(s) <= tolerance)] = Region.UNCUT
    # Beside a hole a veneered vertex sees the model or a neighbour, and its own contour too.
    covered = agrees & near & (s > 0) & (s <= COVERED_MM)
    inside = reading.sees_itself & (code != Region.UNCUT) & ~covered
    fitting = large_parts(inside, edges, space.area_mm2, LEAST_FITTING_MM2)
    code[fitting] = Region.FITTING_SURFACE
    measured = space.outcome == RayOutcome.HIT
    inner = insides(reading, seen=agrees & measured, veneer_mm=veneer_mm)
    deep = near & agrees & measured & (s >= CUT_DEPTH_MM) & ~fitting & ~inner
    core = large_parts(deep, edges, space.area_mm2, LEAST_CUT_MM2)
    # Contour so far away, with no ray that says so, is seen from a retainer's inside.
    below = near & (s > tolerance) & ((s <= COVERED_MM) | measured) & ~fitting & ~inner
    cut = grown(core, below, edges)
    wall = near & ~agrees & ~fitting & (np.abs(s) <= tolerance)
    foot = reach_along_edges(points_mm, edges, cut, max(FOOT_OF_WALL_MM, _WALL_TO_FOOT * tolerance))
    code[cut | (wall & np.isfinite(foot))] = Region.CUT
    code[hidden(code, reading, CUT_DEPTH_MM) & ~reading.enclosed] = Region.CUT
    code[shown_by_both(reading, code, s < CUT_DEPTH_MM)] = Region.FITTING_SURFACE
    if paint is not None:
        code[paint >= 0] = paint[paint >= 0]
    return code


def _enclosed(
    code: Ints, reading: Reading, tolerance: float, paint: Ints | None, *, ends: Bools
) -> list[Ints]:
    """Uncut parts that one cut area encloses, largest first; what of them stands proud included."""
    if paint is not None and (paint == Region.ISLAND).any():
        code = np.where(paint == Region.ISLAND, Region.UNCUT, code)
    uncut = (code == Region.UNCUT) | _of_islands(code, reading, tolerance, paint)
    cut = code == Region.CUT
    label = parts_in(uncut, reading.edges)
    cut_label = parts_in(cut, reading.edges)
    area = np.bincount(label, weights=np.where(uncut, reading.space.area_mm2, 0.0))
    cut_area = np.bincount(cut_label, weights=np.where(cut, reading.space.area_mm2, 0.0))
    loose = (code == Region.UNSORTED) & ~uncut
    crumbs = loose & ~large_parts(loose, reading.edges, reading.space.area_mm2, _CRUMB_MM2)
    of_part = np.where(uncut & (area >= LEAST_ISLAND_MM2)[label], label, -1)
    crumbs |= _ledges(loose & ~ends, uncut | cut, of_part, reading)
    around = _surroundings(uncut, cut, label, cut_label, reading.edges, ends=ends)
    told = reading.edges[~any_in(crumbs, reading.edges)]
    without = _surroundings(uncut, cut, label, cut_label, told, ends=ends)
    around |= {part: by for part, by in without.items() if area[part] >= LEAST_ISLAND_MM2}
    largest = _largest_of_each(area.astype(float), components(len(label), reading.edges), label)
    # A crumb that merely stands proud, as one in a crevice is read, was not left uncut.
    seen = set(label[(code == Region.UNCUT) | (area >= LEAST_ISLAND_MM2)[label]].tolist())
    small = {part for part, by in around.items() if area[part] < cut_area[by]}
    found = sorted(small & seen - largest, key=lambda part: -area[part])
    return [np.flatnonzero(uncut & (label == part)) for part in found]


def _ledges(loose: Bools, known: Bools, part: Ints, reading: Reading) -> Bools:
    """Crumbs, shape (n,), that lie between what was cut and one uncut part: where a hand took a
    spot down to the contour and stopped, the ledge lies on neither."""
    own = parts_in(loose, reading.edges)
    both = np.concatenate([reading.edges, reading.edges[:, ::-1]])
    both = both[loose[both[:, 0]] & (own[both[:, 0]] != own[both[:, 1]])]
    crumb, beyond = own[both[:, 0]], both[:, 1]
    first, last = np.full(len(loose), len(loose)), np.full(len(loose), -1)
    np.maximum.at(last, crumb, np.where(known[beyond], part[beyond], len(loose) + 1))
    np.minimum.at(first, crumb, np.where(part[beyond] < 0, len(loose), part[beyond]))
    small = np.bincount(own, reading.space.area_mm2 * loose, len(loose)) < _LEDGE_MM2
    found: Bools = loose & (small & (last <= first))[own]
    return found


def _specks_beside_the_line(
    enclosed: list[Ints], code: Ints, reading: Reading, width_mm: float
) -> Bools:
    """Crumbs of the line, shape (n,), within the band of what shows without them: no island."""
    from scipy.spatial import cKDTree

    speck = np.zeros(len(code), dtype=bool)
    for part in enclosed:
        speck[part] = reading.space.area_mm2[part].sum() < LEAST_ISLAND_MM2
    line = line_to((code == Region.UNCUT) & ~speck, code, reading)
    if speck.any():
        speck[speck] = cKDTree(line).query(reading.points_mm[speck])[0] <= width_mm
    return speck


def _largest_of_each(area_mm2: Floats, body: Ints, label: Ints) -> set[int]:
    """The largest part of every body: beside a model that is a body of its own, the bridge's
    collars are no island either."""
    of_body = np.zeros(len(area_mm2), dtype=np.int64)
    of_body[label] = body
    part = np.flatnonzero(area_mm2 > 0)
    part = part[np.argsort(area_mm2[part], kind="stable")]
    return set(dict(zip(of_body[part].tolist(), part.tolist(), strict=True)).values())


def _of_islands(code: Ints, reading: Reading, tolerance: float, paint: Ints | None) -> Bools:
    """What may belong to an island beside uncut surface, and would be a gap in it.

    It stands proud; or it is the wall by which that passes through the contour, and agrees with
    nothing; or a dip within it, too shallow to be a cut.
    """
    depth = reading.space.nearest_mm
    loose = code == Region.UNSORTED
    if paint is not None:
        loose = loose & (paint < 0)
    stands = loose & (-depth > tolerance) & (-depth <= OVER_REACH_MM)
    a, b = reading.edges[:, 0], reading.edges[:, 1]
    wall = np.zeros(len(code), dtype=bool)
    wall[b[stands[a]]] = wall[a[stands[b]]] = True
    wall &= loose & (np.abs(depth) <= tolerance)
    dip = loose & (depth > tolerance) & (depth < CUT_DEPTH_MM)
    dip &= reading.agreement >= AGREEING_COS
    found: Bools = stands | wall | dip
    return found


def _surroundings(
    uncut: Bools, cut: Bools, label: Ints, cut_label: Ints, edges: Ints, *, ends: Bools
) -> dict[int, int]:
    """Uncut parts that one cut area surrounds: part → that area; not where the scan `ends`."""
    both = np.concatenate([edges, edges[:, ::-1]])
    leaving = both[uncut[both[:, 0]] & (label[both[:, 0]] != label[both[:, 1]])]
    last = label[uncut & ends]
    part, beyond = np.concatenate([label[leaving[:, 0]], last]), leaving[:, 1]
    neighbour = np.r_[np.where(cut[beyond], cut_label[beyond], -1), np.full(len(last), -1)]
    pairs, count = np.unique(np.stack([part, neighbour], axis=1), axis=0, return_counts=True)
    border = np.bincount(part, minlength=len(uncut))
    around = (pairs[:, 1] >= 0) & (count >= _SURROUNDED_SHARE * border[pairs[:, 0]])
    return {int(p): int(n) for p, n in pairs[around]}


def _is_bump(island: Ints, reading: Reading) -> bool:
    """Whether a part stands so far out of the contour, and so much of it, that no one meant it."""
    space = reading.space
    out, area = -space.nearest_mm[island], space.area_mm2[island]
    far = float(area @ (out >= _BUMP_MM))
    return far >= LEAST_ISLAND_MM2 and area @ (out > 0) > _BUMP_SHARE * area.sum()


def _is_proud(island: Ints, reading: Reading, tolerance: float, least_mm2: float) -> bool:
    """Whether an island stands out of the contour: as it is, it is no metal stop."""
    space = reading.space
    out = -space.nearest_mm[island] > tolerance
    return bool(space.area_mm2[island] @ out >= least_mm2)
