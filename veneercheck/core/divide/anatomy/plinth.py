"""The upright of a model by the walls of its plinth, which a view from above shows only in part.

Notes
-----
The opening below is the plinth's rim, and where a wall was scanned half it lies aslant: 15 to 29°
off on four of nine quadrants of our own making, by whose walls it is 2 to 3°. Choice:
directions in which much uncut surface faces, four or more, and what stands square to all of them.
Instead of: the scan's own axis, which a program may have turned; or two walls, to which something
is always square. Cost: a plinth trimmed askew tilts it.
"""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from veneercheck.core.types import Floats

_SAMPLES = 6000
"""Normals, each for the same area: enough to tell a wall of a fiftieth of the surface."""

_WALL_COS = 0.7
"""A wall faces aside: within 45° of the horizontal as first judged."""

_FLAT_DEG, _APART_DEG = 4.0, 12.0
"""Normals of one wall lie so near its own, and other walls face farther away."""

_LEAST_WALL, _LEAST_WALLS = 0.02, 0.06
"""Share of the surface that a wall has, and that all have together: a crown is round, and its
facets have less."""

_TWO_WAYS = 0.1
"""Walls that face one line only leave a turn about it free: share of the lesser way."""

_LEAST_COUNT, _FARTHEST_COS = 4, 0.82
"""So many walls, to two or three of which something is always square, and what is square to them
within 35° of the direction as first judged."""

_DRAFT_SIN = 0.1
"""Walls that lean to one axis within 6°, root mean square, stand on a trimmed plinth."""


def upright(normals: Floats, area_mm2: Floats, way: Floats) -> Floats | None:
    """The direction square to the walls of a plinth, near one that was judged otherwise.

    Parameters
    ----------
    normals : ndarray, shape (n, 3)
        Outward unit normals with little noise.
    area_mm2 : ndarray, shape (n,)
        Nothing where the surface was cut: a flat cut is no wall.
    way : ndarray, shape (3,)
        The occlusal direction as it shows from the opening below.

    Returns
    -------
    ndarray, shape (3,), or None
        None where no four walls stand apart, or what is square to them lies far from `way`.
    """
    known = np.cumsum(area_mm2)
    if not known[-1] > 0:
        return None
    at = np.searchsorted(known, (np.arange(_SAMPLES) + 0.5) / _SAMPLES * known[-1])
    aside = normals[at]
    aside = aside[np.abs(aside @ way) < _WALL_COS]
    if not len(aside):
        return None
    tree = cKDTree(aside)
    near, apart = (2.0 * np.sin(np.radians(0.5 * angle)) for angle in (_FLAT_DEG, _APART_DEG))
    count = tree.query_ball_point(aside, near, return_length=True)
    spread, walls, number = np.zeros((3, 3)), 0, 0
    while count.max() >= _LEAST_WALL * _SAMPLES:
        best = aside[count.argmax()]
        wall = aside[tree.query_ball_point(best, near)]
        facing = wall.sum(axis=0) / np.linalg.norm(wall.sum(axis=0))
        spread += len(wall) * np.outer(facing, facing)
        walls, number = walls + len(wall), number + 1
        count[tree.query_ball_point(best, apart)] = 0
    value, axes = np.linalg.eigh(spread)
    few = number < _LEAST_COUNT or walls < _LEAST_WALLS * _SAMPLES
    if few or value[1] < _TWO_WAYS * value[2] or value[0] > _DRAFT_SIN**2 * walls:
        return None
    found = axes[:, 0] * np.sign(axes[:, 0] @ way)
    return np.asarray(found) if found @ way > _FARTHEST_COS else None
