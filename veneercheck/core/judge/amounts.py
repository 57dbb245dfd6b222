"""How much to take off or to add at every point, tried before it is told.

The way that the knife goes is not the way that the reading was taken: over a contour that leans,
a ball grows faster than the metal is cut, and the nearest contour point is another one after. So
every point is moved by its amount, read again by the same means, and corrected until it holds. It
keeps the way it faces: how a hand shapes the surface between two points is not known.

Notes
-----
Amounts are tried. Choice: every point is moved along its normal, read again, and moved on, never by
more than what is missing, to where it holds. In firm zones the nearest contour must be far enough,
since a ball loses its room on a slope once the high spot is cut; elsewhere ray and ball. Where the
way hardly gains (a cusp whose other side comes nearer) it ends; on a flank steeper than 55° no more
is told than 1.75 times what is missing, and once where it faces aside or back, as in a fold;
nothing is added beyond what a hollow is deep. Instead of: dividing by the cosine of one reading,
which fell short by 0.1 mm on flanks under a bent contour and asked for 2.5 mm of wax on the walls
of a hollow of 0.8; or moving the mesh: inward past a cusp's own radius its triangles turn over.
Cost: how the hand rounds between two points is not foreseen; low spots that stand out of the
contour amid the veneer come down to the contour first, and need a second round.

The advised amount includes the guard band. What is taken off to the limit exactly is undecided when
it is checked again. Choice: excess + 1.645 u + 0.02 mm, rounded up to the knife's step, along the
framework's normal; it falls off with the excess all round the worst spot. Instead of: the bare
excess. Cost: up to 0.1 mm more composite than the limit asks for.
"""

from __future__ import annotations

import dataclasses

import numpy as np

from veneercheck.core.divide.excess import GUARD, Excess
from veneercheck.core.divide.zones import FIRMLY_MM, Patch
from veneercheck.core.measure.both_ways import REACH_MM
from veneercheck.core.measure.space import Reading
from veneercheck.core.mesh.triangles import all_in, reach_along_edges
from veneercheck.core.types import Bools, FindingKind, Floats, Ints, TriangleMesh

RUN_OUT_MM = 0.8
"""So far round a zone the hand works; from half of that on the reserve for being sure runs out."""

_ALLOWED_FROM = 0.5
"""From here on through a band or flank the knife has its whole allowance, and none at the line."""

_TRIES = 3
"""Rounds of moving and reading again; after the second hardly anything changes by 0.01 mm."""

_MOST_SHARE = 1.5
"""Of what the reading alone would ask for: where a contour is so uneven that moving a point brings
it no nearer, no more is told."""

_STEEPEST = 1.75
"""On a flank that leans by more than 55° a knife square to it runs along under the contour: no more
than this share of what is missing is told, and what is left there is for a second round."""

_EDGE_ON_COS = 0.3
"""A surface that faces farther aside or back, as in a fold, is left behind by a knife that comes
from the contour: no more than what is missing is told."""

_ASLANT = 1.25
"""Beside its worst spot the sides of a hollow lean, and the way to the contour is longer."""

_STEPS, _CLOSE_MM = 10, 0.005
"""On the way to where the contour is as far as asked: at 60° half of what is missing is left after
each."""

_LEAST_GAIN, _EASY_GAIN = 0.2, 0.4
"""Of a step, after the first, must be gained, or it is not asked for; and for the reserve as well,
which a knife that runs along the contour would pay for with many times its depth."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class _Worked:
    """Where the hand works for one finding.

    `weight`, of the reserve, is 1 in the zones and runs out round them; `near` says which zone.
    """

    at: Ints
    weight: Floats
    near: Ints


def tried(
    framework: TriangleMesh, reading: Reading, excess: Excess, patches: list[Patch]
) -> list[Floats]:
    """What the knife takes off, or adds, for each zone of one finding.

    Parameters
    ----------
    framework : TriangleMesh
        In the wax-up's frame.
    reading : Reading
    excess : Excess
        Of the finding.
    patches : list of Patch
        Its zones.

    Returns
    -------
    list of ndarray, shape (n,), mm
        Not signed, along the framework's normal.
    """
    count = len(framework.points_mm)
    if not patches:
        return []
    worked = _worked(framework, reading, excess, patches)
    firm = np.array([not patch.close for patch in patches])[worked.near]
    amount = _amount(reading, excess, worked, firm)
    # What stands out has gaps where a ray met no contour; they have no say.
    over = excess.finding is FindingKind.OVER_CONTOUR
    has_say = np.isfinite(excess.excess_mm) | (not over)
    edges = reading.edges[all_in(has_say, reading.edges)]
    found = []
    for which, patch in enumerate(patches):
        own = np.zeros(count)
        mine = worked.near == which
        # In the corners of a hollow the contour is hidden: no more is added than it is deep.
        fills = excess.finding is FindingKind.TOO_THICK
        own[worked.at[mine]] = np.minimum(
            amount[mine], _ASLANT * patch.sure_mm * patch.path if fills else np.inf
        )
        own = _without_spikes(own, edges)
        found.append(np.minimum(own, _most_in(patch, own, reading.space.area_mm2)))
    return found


def _most_in(patch: Patch, amount_mm: Floats, area_mm2: Floats) -> float:
    """The most that is told in a zone and round it, mm: what is deeper than the zone, and yet told
    nowhere, as in a fold, is not made good with it. Of a zone that is not sure its worst spot says
    how much that is; nothing is told where too little was read, or its limit is not known."""
    if not patch.known:
        return 0.0
    if patch.close and patch.spot is not None and area_mm2[patch.spot].sum() > 0:
        spot = float(np.average(amount_mm[patch.spot], weights=area_mm2[patch.spot]))
        return _ASLANT * spot
    return float(amount_mm[patch.vertices].max(initial=0.0))


def _without_spikes(amount_mm: Floats, edges: Ints) -> Floats:
    """What a knife can do: nothing that a vertex alone asks for amid others that do not, as in a
    fold. An opening (Matheron 1975, from memory) over one triangle all round."""
    one, other = edges.T
    least = amount_mm.copy()
    np.minimum.at(least, one, amount_mm[other])
    np.minimum.at(least, other, amount_mm[one])
    most = least.copy()
    np.maximum.at(most, one, least[other])
    np.maximum.at(most, other, least[one])
    return most


def _worked(
    framework: TriangleMesh, reading: Reading, excess: Excess, patches: list[Patch]
) -> _Worked:
    count = len(framework.points_mm)
    near = np.full(count, -1, dtype=np.int64)
    away = np.full(count, np.inf)
    limit = excess.told_from_mm if excess.finding is FindingKind.OVER_CONTOUR else 0.0
    for which, patch in enumerate(patches):
        own = np.zeros(count, dtype=bool)
        own[patch.vertices] = True
        reach = reach_along_edges(framework.points_mm, reading.edges, own, RUN_OUT_MM)
        nearer = reach < away
        near[nearer], away[nearer] = which, reach[nearer]
    inside = np.isfinite(excess.excess_mm) & (near >= 0)
    if limit > 0:
        inside &= excess.excess_mm > 0
    at = np.flatnonzero(inside)
    return _Worked(at, np.clip(2.0 - 2.0 * away[at] / RUN_OUT_MM, 0.0, 1.0), near[at])


def _amount(reading: Reading, excess: Excess, worked: _Worked, firm: Bools) -> Floats:
    """The amounts where the hand works, shape (k,): applied, read again, and corrected."""
    at = worked.at
    over = excess.finding is FindingKind.OVER_CONTOUR
    allowance = np.zeros(len(at)) if over else _allowance(excess, at)
    # What is short round a zone is made good, too; only the reserve runs out.
    reserve = allowance * worked.weight
    missing = excess.excess_mm[at] + reserve
    amount = np.clip(missing * excess.path[at], 0.0, REACH_MM)
    if over:
        return amount
    low_mm, high_mm = reading.space.judged_low_mm[at], reading.space.judged_high_mm[at]
    adds = excess.finding is FindingKind.TOO_THICK
    if adds:
        return _as_far_as_asked(_Moved(reading, adds, at), high_mm, high_mm - missing, reserve)
    asked_mm = missing + np.where(np.isfinite(low_mm), low_mm, high_mm)
    # A ball finds room beside a slope that it does not find once the high spot is cut and the
    # slope is level: then it is the nearest contour that counts.
    level = np.flatnonzero(firm & np.isfinite(high_mm))
    moved = _Moved(reading, adds, at[level])
    way_mm = _as_far_as_asked(moved, high_mm[level], asked_mm[level], reserve[level])
    short_mm = np.maximum(asked_mm[level] - high_mm[level], 0.0)
    edge_on = reading.agreement[at[level]] < _EDGE_ON_COS
    amount[level] = np.minimum(way_mm, np.where(edge_on, 1.0, _STEEPEST) * short_mm)
    lean = np.flatnonzero(~(firm & np.isfinite(high_mm)))
    moved, path = _Moved(reading, adds, at[lean]), excess.path[at[lean]]
    amount[lean] = _as_wide_as_asked(moved, low_mm[lean], missing[lean], path)
    return amount


def _as_wide_as_asked(moved: _Moved, low_mm: Floats, missing_mm: Floats, path: Floats) -> Floats:
    """How far in ray and ball have gained what is missing, shape (k,), mm."""
    # From out of the contour neither ray nor ball shows what was read on the way in.
    before = np.where(low_mm < 0, low_mm, moved.low(np.zeros(len(low_mm))))
    amount = np.clip(missing_mm * path, 0.0, REACH_MM)
    most = np.clip(_MOST_SHARE * missing_mm * path, 0.0, REACH_MM)
    for _ in range(_TRIES):
        gained = moved.low(amount) - before
        left = np.where(np.isfinite(gained), missing_mm - gained, 0.0)
        amount = np.clip(amount + left * path, 0.0, most)
    return amount


def _as_far_as_asked(
    moved: _Moved, nearest_mm: Floats, asked_mm: Floats, reserve_mm: Floats
) -> Floats:
    """Where on the knife's way the nearest contour is as far as it should be, shape (k,), mm.

    No step is longer than what is missing, so that none goes too far.
    """
    sign = -1.0 if moved.adds else 1.0
    amount, left = np.zeros(len(asked_mm)), np.nan_to_num(sign * (asked_mm - nearest_mm))
    going = np.flatnonzero(left > 0)
    for which in range(_STEPS):
        step = left[going]
        after = sign * (asked_mm[going] - moved.some(going).nearest(amount[going] + step))
        gain = (step - after) / step
        # Under a cusp the other side comes nearer: farther in there is no more room.
        pays = (gain >= _LEAST_GAIN) | (which == 0)
        going = going[pays]
        amount[going], left[going] = amount[going] + step[pays], after[pays]
        enough = np.where(gain[pays] < _EASY_GAIN, reserve_mm[going], _CLOSE_MM)
        going = going[left[going] > enough]
    return np.minimum(amount, REACH_MM)


def _allowance(excess: Excess, at: Ints) -> Floats:
    """By so much beyond its limit a place is brought, to keep it surely."""
    u = np.hypot(excess.steady_u_mm[at], excess.noise_u_mm[at])
    return (GUARD * u + FIRMLY_MM) * np.minimum(excess.from_line[at] / _ALLOWED_FROM, 1.0)


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class _Moved:
    """The points that are worked on, which can be moved along their normals and read again."""

    reading: Reading
    adds: bool
    at: Ints

    def some(self, which: Ints) -> _Moved:
        """Some of the points."""
        return _Moved(self.reading, self.adds, self.at[which])

    def low(self, amount_mm: Floats) -> Floats:
        """The smaller of ray and ball after so much work, shape (k,), mm."""
        return self.reading.contour.low_mm(*self._there(amount_mm))

    def nearest(self, amount_mm: Floats) -> Floats:
        """The nearest contour: that which is seen, or from within the metal of all."""
        contour = self.reading.contour
        if self.adds:
            return contour.nearest_mm(*self._there(amount_mm))
        return contour.gap.tree.query(self._there(amount_mm)[0]).distance_mm

    def _there(self, amount_mm: Floats) -> tuple[Floats, Floats]:
        normals = self.reading.normals[self.at]
        sign = 1.0 if self.adds else -1.0
        return self.reading.points_mm[self.at] + sign * amount_mm[:, None] * normals, normals
