"""Which crowns of a scan are the bridge's own: on its model it is scanned with its neighbours.

Notes
-----
Neighbours end where the outline narrows beside the cut. Scans close the gap between teeth, so that
a mesh which hangs together says nothing. Choice: only what was cut is surely bridge; beyond it,
within what an end unit may have uncut, the narrowest place parts it from what follows. Instead of:
the largest connected part of the outline, which took neighbours 0.3 mm away for units. Cost:
nothing is parted where no units are named, or where one of them may be metal throughout.

A single crown stands in a row. By the walls that were cut its buccal lay up to 81° off, where a
mesial one was told as buccal. Choice: across the line from one neighbour to the other, or from the
only one, at most 16° off on 24 drawn crowns; which way is buccal is judged as before. Instead of:
the crown's own outline, which may be as long across as along. Cost: a crown that is turned in its
row is told by the row, and a neighbour 2 mm out of it turns the crown by some 7°.
"""

from __future__ import annotations

import numpy as np

from veneercheck.core.divide.anatomy import arch
from veneercheck.core.divide.anatomy.codes import usual_width_mm
from veneercheck.core.types import Bools, Floats

_COVERED = 0.75
"""Where what was cut is shorter than this share of the units' usual widths, one of them may be
metal throughout, and nothing is taken for a neighbour."""

_COLLAR_MM = 2.5
"""So far beyond what was cut the metal of an end unit may reach."""

_NEXT_MM, _SHOWN = 14.0, 0.5
"""The middles of neighbours are nearer than this; of one so much must show, by the area of the
crown itself: what shows of it may be either half."""

_STEP_MM, _ENDS = 0.25, (0.005, 0.995)

_MORE_UNITS = 2
"""An axis that runs through a neighbour at either end may bend as of so many units more."""


def own_crowns(crowns: arch.Cloud, plane: Floats, named: tuple[int, ...]) -> Bools:
    """Which of the crowns' upper parts are none of neighbours that stand in the same scan.

    A neighbour is not cut, and a gap or a contact, where the outline is narrowest, parts it from
    the bridge within what an end unit may have uncut.

    Parameters
    ----------
    crowns : Cloud
    plane : ndarray, shape (3, 3)
    named : tuple of int
        Codes; without them nothing tells a neighbour from a unit that is metal throughout.
    """
    usual_mm = sum(usual_width_mm(code) for code in named)
    cut = crowns.veneered
    every = np.ones(len(cut), dtype=bool)
    flat = crowns.points_mm @ plane[:2].T
    # Hardly longer than the units named: nothing else can be in the scan. Many may bend so far
    # that they are longer than they reach.
    few = len(named) < arch.LONG and longest_mm(flat) < usual_mm + _COLLAR_MM
    if not named or cut.sum() < 2 or few:
        return every
    axis = arch.find_axis(flat, plane, len(named) + _MORE_UNITS)
    along, across, _ = axis.locate(crowns.points_mm).T
    low, high = np.quantile(along[cut], _ENDS)
    if np.ptp(along) < usual_mm + _COLLAR_MM or high - low < _COVERED * usual_mm:
        return every
    own = (along > -_end_mm(-along, across, -low)) & (along < _end_mm(along, across, high))
    return np.asarray(own)


def row_through(crown: arch.Cloud, others: arch.Cloud, plane: Floats) -> Floats | None:
    """Direction of the row in which a single crown stands, shape (3,); None if none shows.

    Parameters
    ----------
    crown, others : Cloud
        Upper parts of the crown itself, and of what else stands in the scan.
    plane : ndarray, shape (3, 3)
    """
    own_mm2 = float(crown.area_mm2.sum())
    off = (others.points_mm - crown.area_mm2 @ crown.points_mm / own_mm2) @ plane[:2].T
    next_to = np.hypot(*off.T) < _NEXT_MM
    off, area = off[next_to], others.area_mm2[next_to]
    if area.sum() < _SHOWN * own_mm2:
        return None
    way = np.linalg.eigh((off * area[:, None]).T @ off)[1][:, -1]
    beyond = [area * (sign * (off @ way) > 0) for sign in (1.0, -1.0)]
    first, last = (
        side @ off / side.sum() if side.sum() > _SHOWN * own_mm2 else np.zeros(2) for side in beyond
    )
    row = (first - last) @ plane[:2]
    return np.asarray(row / np.linalg.norm(row)) if row.any() else None


def longest_mm(flat: Floats) -> float:
    """Extent of an outline in the direction in which it spreads most."""
    _, axes = np.linalg.eigh(np.cov(flat.T))
    return float(np.ptp(flat @ axes[:, -1]))


def _end_mm(along: Floats, across: Floats, high_mm: float) -> float:
    """Where the bridge ends beyond what was cut: infinite where nothing follows it."""
    if along.max() < high_mm + _COLLAR_MM:
        return np.inf
    count = round(_COLLAR_MM / _STEP_MM)
    place = np.floor((along - high_mm) / _STEP_MM).astype(np.int64)
    near = (place >= 0) & (place < count)
    left, right = np.full(count, -np.inf), np.full(count, np.inf)
    np.maximum.at(left, place[near], across[near])
    np.minimum.at(right, place[near], across[near])
    width = np.where(np.isfinite(left), left - right, 0.0)
    return high_mm + _STEP_MM * (float(np.median(np.flatnonzero(width == width.min()))) + 0.5)
