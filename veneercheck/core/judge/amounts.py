"""How much to take off or to add at every point, tried before it is told.

The way that the knife goes is not the way that the reading was taken: over a contour that leans,
a ball grows faster than the metal is cut, and the nearest contour point is another one after. So
every point is moved by its amount, read again by the same means, and corrected until it holds. It
keeps the way it faces: how a hand shapes the surface between two points is not known.

Notes
-----
Amounts are tried. Choice: every point is moved along its normal by its amount, read again, and
corrected, three times; it keeps the way it faces. On the slope round a high spot it is the nearest
contour that must be far enough, since a ball loses its room there once the spot is cut. Instead of:
dividing by the cosine of one reading, or moving the mesh: inward past a cusp's own radius its
triangles turn over. Cost: how the hand rounds between two points is not foreseen; spots that stand
out of the contour amid the veneer come down to the contour first, and need a second round.

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
from veneercheck.core.measure.space import REACH_MM, Reading
from veneercheck.core.mesh.triangles import reach_along_edges
from veneercheck.core.types import Bools, FindingKind, Floats, Ints, TriangleMesh

RUN_OUT_MM = 0.8
"""So far round a zone the hand works; from half of that on the reserve for being sure runs out."""

_ALLOWED_FROM = 0.5
"""From here on through a band or flank the knife has its whole allowance, and none at the line."""

_LEAST_TILT_COS = 0.5
"""On steeper walls the way of the knife would be a guess."""

_TRIES = 3
"""Rounds of moving and reading again; after the second hardly anything changes by 0.01 mm."""

_MOST_SHARE = 1.5
"""Of what the reading alone would ask for: where a contour is so uneven that moving a point brings
it no nearer, no more is told."""


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
    found = []
    for which in range(len(patches)):
        own = np.zeros(count)
        mine = worked.near == which
        own[worked.at[mine]] = amount[mine]
        found.append(own)
    return found


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
    missing = excess.excess_mm[at] + allowance * worked.weight
    amount = np.clip(missing * excess.path[at], 0.0, REACH_MM)
    if over:
        return amount
    moved = _Moved(reading, excess.finding is FindingKind.TOO_THICK, at)
    # From out of the contour neither ray nor ball shows what was read on the way in.
    low_mm = reading.space.judged_low_mm[at]
    before = np.where(low_mm < 0, low_mm, moved.read(np.zeros(len(at))))
    most = np.clip(_MOST_SHARE * missing * excess.path[at], 0.0, REACH_MM)
    for _ in range(_TRIES):
        gained = moved.read(amount) - before
        if moved.adds:
            gained = -gained
        left = np.where(np.isfinite(gained), missing - gained, 0.0)
        amount = np.clip(amount + left * excess.path[at], 0.0, most)
    if moved.adds:
        return amount
    return np.where(firm, np.fmax(amount, _when_levelled(reading, missing, at)), amount)


def _when_levelled(reading: Reading, missing: Floats, at: Ints) -> Floats:
    """What comes off a slope that leads to a high spot, shape (k,), mm.

    A ball finds room beside a slope that it does not find once the spot is cut and the slope is
    level: then it is the nearest contour that counts.
    """
    space = reading.space
    short = missing + (space.judged_low_mm - space.judged_high_mm)[at]
    tilt = np.clip(reading.agreement[at], _LEAST_TILT_COS, 1.0)
    known = np.isfinite(short) & np.isfinite(tilt)
    return np.where(known, np.clip(short / tilt, 0.0, REACH_MM), 0.0)


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

    def read(self, amount_mm: Floats) -> Floats:
        """What is judged, after so much work, shape (k,), mm."""
        normals = self.reading.normals[self.at]
        way = normals if self.adds else -normals
        places = self.reading.points_mm[self.at] + amount_mm[:, None] * way
        contour = self.reading.contour
        return contour.nearest_mm(places, normals) if self.adds else contour.low_mm(places, normals)
