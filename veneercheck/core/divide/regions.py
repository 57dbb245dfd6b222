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

A ledge cut by a plane was «0.14 for 1.00 mm», firmly, on its outer strip: on triangles as long as
the ledge is wide no vertex of the strip lay near the cut along edges, it was sorted as neither, and
where cut and uncut surface do not meet no finish line was seen. Choice: the foot of a wall is near
where the depth along any edge passes the tolerance; and a narrow strip that looks another way, as
slivers do under noise, parts nothing that was cut. Instead of: edges' whole lengths, or crumbs by
their area, since they hang together along the line. Cost: none found.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from veneercheck.core.divide.finish_line import collar, distance_on_contour, line_to
from veneercheck.core.divide.holders import lying_lower
from veneercheck.core.divide.insides import LEAST_FITTING_MM2, insides, shown_by_both
from veneercheck.core.divide.islands import (
    CUT_DEPTH_MM,
    LEAST_ISLAND_MM2,
    enclosed,
    is_bump,
    is_proud,
    of_islands,
    specks_beside_the_line,
)
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
    REACH_MM,
)
from veneercheck.core.measure.space import Reading
from veneercheck.core.mesh.pieces import grown, large_parts, long_rims
from veneercheck.core.mesh.triangles import all_in, any_in, reach_along_edges
from veneercheck.core.types import Bools, Floats, Ints, Limits, RayOutcome, Region, TriangleMesh

LEAST_TOLERANCE_MM = 0.05
"""Surfaces nearer than this are not told apart by eye or knife."""

COVERAGE = 3.0
"""Standard uncertainties within which a surface counts as uncut."""

LEAST_CUT_MM2, _SPECK_MM2 = 1.0, 0.02
"""What is smaller than the last is one vertex's noise: no island, and its flanks are cut."""

FOOT_OF_WALL_MM = 0.15
"""How far the foot of a steep wall, near the contour but turned away from it, may reach; a wall as
high as the tolerance, further: `_WALL_TO_FOOT` of it."""
_WALL_TO_FOOT = 1.2

_STRIP_MM = 0.4
"""A strip that looks another way is no wider: as long as triangles are that a plane left."""

_STANDS = 0.5
"""A wall that stands out of the contour by this share of the tolerance bounds what stands out."""


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
    spots = [
        part
        for part in enclosed(code, reading, tolerance, paint, ends=ends)
        if bare is None or not bare[part].any()
    ]
    beside = specks_beside_the_line(spots, code, reading, width)
    for part in spots:
        painted = paint is not None and bool((paint[part] >= 0).any())
        speck = float(reading.space.area_mm2[part].sum()) < _SPECK_MM2
        if (speck or beside[part].any()) and not painted:
            tops += [] if speck else [part]
            code[part] = Region.CUT
            continue
        bump = not painted and is_bump(part, reading)
        flush[part] = built_up and not painted and not bump
        code[part] = Region.CUT if bump or flush[part].all() else Region.ISLAND
        islands += [] if code[part[0]] == Region.CUT else [part]
    line = line_to(
        collar(code, of_islands(code, reading, tolerance, paint), reading, LEAST_ISLAND_MM2),
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
        proud[island] = is_proud(island, reading, tolerance, limits.smallest_zone_mm2)
    from_island, from_proud, from_left = (
        distance_on_contour(code, reading, line_to(what, code, reading), width)
        for what in (code == Region.ISLAND, proud, left)
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
    cut = _joined(points_mm, core, below, near & (s <= tolerance), reading)
    wall = near & ~agrees & ~fitting & (s >= -_STANDS * tolerance) & (s <= tolerance)
    foot = _at_foot(points_mm, wall, cut & (s > tolerance), reading, tolerance)
    code[cut] = code[foot] = Region.CUT
    code[hidden(code, reading, CUT_DEPTH_MM) & ~reading.enclosed] = Region.CUT
    code[shown_by_both(reading, code, s < CUT_DEPTH_MM)] = Region.FITTING_SURFACE
    if paint is not None:
        code[paint >= 0] = paint[paint >= 0]
    return code


def _joined(
    points_mm: Floats, core: Bools, below: Bools, touching: Bools, reading: Reading
) -> Bools:
    """The core of the cut, shape (n,), and what lies `below` that hangs together with it, over a
    narrow strip too: slivers that look another way, or see nothing, part nothing that was cut."""
    cut, odd = grown(core, below, reading.edges), ~(core | below | touching)
    edges = reading.edges[any_in(odd, reading.edges) & all_in(odd | cut, reading.edges)]
    strip = odd & np.isfinite(reach_along_edges(points_mm, edges, cut, _STRIP_MM))
    return (core | below) & grown(core, below | strip, reading.edges)


def _at_foot(
    points_mm: Floats, wall: Bools, cut: Bools, reading: Reading, tolerance: float
) -> Ints:
    """What of a wall lies near where the cut comes within the tolerance, amid edges too: they may
    be as long as a ledge is wide."""
    from scipy.spatial import cKDTree

    a, b = reading.edges.T
    a, b = reading.edges[(cut[a] & wall[b]) | (cut[b] & wall[a])].T
    depth, rest = reading.space.nearest_mm[a], reading.space.nearest_mm[b]
    share = ((depth - tolerance) / (depth - rest))[:, None]
    brink, foot = (1.0 - share) * points_mm[a] + share * points_mm[b], np.flatnonzero(wall)
    reach_mm = max(FOOT_OF_WALL_MM, _WALL_TO_FOOT * tolerance)
    far, _ = cKDTree(brink).query(points_mm[foot], distance_upper_bound=reach_mm)
    found: Ints = foot[np.isfinite(far)]
    return found
