"""How far the surface lies beyond a limit on the mean over a spot, not at one noisy vertex.

Notes
-----
A zone is made of spots. Vertex by vertex, a cut made exactly to its limit is speckle, and speckle
joined a real fault to 69 mm² of sound wax. Choice: the mean over 0.25 mm² round every vertex is
held against the limit with its own uncertainty; firm surface clears it by the guard band, the zone
reaches a spot's width beyond, its pointer stands amid its worst spot; what only comes close is a
zone of its own, never firm; what runs out beside a firm one is its skirt. What noise makes the
worst of many spots worse is allowed for both ways, over all the surface it was chosen from. Instead
of: thresholds by vertex, grown together. Cost: a fault smaller than a spot is told only as deep as
its spot.

A zone's reading is the worst mean over 0.25 mm². The extreme of ten thousand noisy points is the
noisiest one. Choice: the worst disc, with the uncertainty of its mean, where noise hangs together
over 0.1 mm. Instead of: a percentile of the zone, which depends on its size. Cost: a pit smaller
than the disc is told shallower than it is.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator
from statistics import NormalDist

import numpy as np

from veneercheck.core.divide.excess import GUARD, Excess
from veneercheck.core.measure.uncertainty import NOISE_REACH_MM
from veneercheck.core.mesh.triangles import row_dot
from veneercheck.core.types import Bools, Floats, Ints

SPOT_MM2 = 0.25
"""Area over which a reading is averaged before it is judged: less of it no hand works on."""

RADIUS_MM = math.sqrt(SPOT_MM2 / math.pi)

_WITHIN_MM = 0.25
"""Spots whose middle keeps its limit by more than this are not asked for."""

_SAME_SIDE_COS = 0.3
"""Across an edge sharper than this (73°) another wall begins; it says nothing of this one."""

_AT_ONCE = 8192
"""Spots averaged in one go: their neighbours stay within some tens of megabytes."""

_LONE_SHARE = 0.08
"""Less of a spot than this faces as a vertex does that was turned over; on a ridge it is more."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Spots:
    """Means over the spot round every vertex; NaN where a spot was not asked for.

    Parameters
    ----------
    excess_mm, value_mm : ndarray, shape (n,)
        Mean distance beyond the limit, and mean reading.
    noise_u_mm, steady_u_mm : ndarray, shape (n,)
        Standard uncertainty of the means: what averages out over the spot, and what does not.
    path : ndarray, shape (n,)
        Mean of what the knife moves to change the reading by one.
    """

    excess_mm: Floats
    value_mm: Floats
    noise_u_mm: Floats
    steady_u_mm: Floats
    path: Floats

    @property
    def guard_mm(self) -> Floats:
        """By so much a mean must clear its limit to be sure of it, shape (n,)."""
        return GUARD * np.hypot(self.noise_u_mm, self.steady_u_mm)


def decisive(points_mm: Floats, excess: Excess) -> Bools:
    """Where the mean over a spot may decide something.

    What is not told at its very limit (all that was left uncut lies at the contour) is asked for
    only where a spot reaches something that is beyond what it is told from.
    """
    if excess.told_from_mm <= 0:
        return excess.excess_mm > -_WITHIN_MM
    beyond = excess.excess_mm > excess.told_from_mm
    near: Bools = np.zeros(len(beyond), dtype=bool)
    if beyond.any():
        from scipy.spatial import cKDTree

        away, _ = cKDTree(points_mm[beyond]).query(points_mm, distance_upper_bound=RADIUS_MM)
        near = np.isfinite(away)
    return near


def spot_means(
    points_mm: Floats, normals: Floats, area_mm2: Floats, excess: Excess, asked: Bools
) -> Spots:
    """Average over the spot round each vertex that is asked for.

    Parameters
    ----------
    points_mm, normals : ndarray, shape (n, 3)
    area_mm2 : ndarray, shape (n,)
    excess : Excess
    asked : ndarray of bool, shape (n,)

    Notes
    -----
    A spot holds whatever lies within its radius and faces the same way, beyond the limit or not,
    so that a narrow strip does not look worse than its surroundings; a vertex that noise turned
    over in a crease has no side of its own. Scan noise hangs together over `NOISE_REACH_MM`: over a
    spot it falls to about half.
    """
    count = len(points_mm)
    columns = np.full((count, 5), np.nan)
    source = np.flatnonzero(np.isfinite(excess.excess_mm) & (area_mm2 > 0))
    target = np.flatnonzero(asked & np.isfinite(excess.excess_mm) & (area_mm2 > 0))
    for some, row, near in in_spots(points_mm, normals, area_mm2, source, target):
        columns[some] = _means(area_mm2, excess, row, near, len(some))
    return Spots(*columns.T)


def in_spots(
    points_mm: Floats, normals: Floats, area_mm2: Floats, source: Ints, target: Ints
) -> Iterator[tuple[Ints, Ints, Ints]]:
    """What belongs to the spot round each vertex: of `source`, what faces the same way.

    Parameters
    ----------
    points_mm, normals : ndarray, shape (n, 3)
    area_mm2 : ndarray, shape (n,)
    source, target : ndarray of int64
        Vertices that spots hold, and those in whose spots they are asked for.

    Yields
    ------
    some, row, near : ndarray of int64
        Some of `target`; then pairs: which of these, and a vertex that its spot holds.
    """
    if not len(target):
        return
    from scipy.spatial import cKDTree

    tree = cKDTree(points_mm[source])
    for first in range(0, len(target), _AT_ONCE):
        some = target[first : first + _AT_ONCE]
        pairs = cKDTree(points_mm[some]).sparse_distance_matrix(
            tree, RADIUS_MM, output_type="ndarray"
        )
        row, near = pairs["i"], source[pairs["j"]]
        same = row_dot(normals[some[row]], normals[near]) > _SAME_SIDE_COS
        of_side = np.bincount(row, area_mm2[near] * same, minlength=len(some))
        lone = of_side < _LONE_SHARE * np.bincount(row, area_mm2[near], minlength=len(some))
        same |= lone[row]
        yield some, row[same], near[same]


def _means(area_mm2: Floats, excess: Excess, row: Ints, near: Ints, count: int) -> Floats:
    """Means over the vertices `near` that belong to each row, columns as in `Spots`."""
    weight = area_mm2[near]

    def summed(values: Floats) -> Floats:
        total: Floats = np.bincount(row, weight * values, minlength=count).astype(np.float64)
        return total

    total = summed(np.ones(len(near)))
    independent = np.maximum(1.0, total / (2.0 * math.pi * NOISE_REACH_MM**2))
    averaging = np.maximum(summed(weight) / total**2, 1.0 / independent)
    noise2 = summed(excess.noise_u_mm[near] ** 2) / total * averaging
    steady2 = summed(excess.steady_u_mm[near] ** 2) / total
    return np.stack(
        [
            summed(excess.excess_mm[near]) / total,
            summed(excess.value_mm[near]) / total,
            np.sqrt(noise2),
            np.sqrt(steady2),
            summed(excess.path[near]) / total,
        ],
        axis=1,
    )


def largest_of(count: float) -> float:
    """Expected largest of so many independent normal values, in standard deviations.

    Blom's approximation (1958, from memory).

    Examples
    --------
    >>> round(largest_of(1.0), 2), round(largest_of(100.0), 2)
    (0.0, 2.5)
    """
    return NormalDist().inv_cdf((count - 0.375) / (count + 0.25)) if count > 1.0 else 0.0
