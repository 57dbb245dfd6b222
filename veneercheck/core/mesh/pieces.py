"""Parts that hang together: large enough ones, pieces that no edge joins to the bridge, rims."""

from __future__ import annotations

import numpy as np

from veneercheck.core.mesh.triangles import components, parts_in
from veneercheck.core.types import Bools, Floats, Ints

LOOSE_MM2, _LOOSE_SHARE = 10.0, 0.05
"""What hangs together with nothing, and is smaller than a tenth of a crown and than this share of
the scan, is no part of the bridge."""


def large_parts(mask: Bools, edges: Ints, area_mm2: Floats, least_mm2: float) -> Bools:
    """A mask, shape (n,), without what of it hangs together over less than an area.

    Examples
    --------
    >>> chain = np.array([[0, 1], [1, 2], [2, 3]])
    >>> large_parts(np.array([True, True, False, True]), chain, np.ones(4), 2.0)
    array([ True,  True, False, False])
    """
    label = parts_in(mask, edges)
    area = np.bincount(label, np.where(mask, area_mm2, 0.0))
    return np.asarray(mask & (area[label] >= least_mm2))


def grown(core: Bools, within: Bools, edges: Ints) -> Bools:
    """A core, shape (n,), and all of `within` that hangs together with some of it.

    Examples
    --------
    >>> chain = np.array([[0, 1], [1, 2], [2, 3]])
    >>> grown(np.arange(4) == 0, np.array([False, True, False, True]), chain)
    array([ True,  True, False, False])
    """
    both = within | core
    label = parts_in(both, edges)
    holds = np.zeros(len(both), dtype=bool)
    holds[label[core]] = True
    return both & holds[label]


def loose_pieces(area_mm2: Floats, edges: Ints) -> list[Ints]:
    """Vertices of each small piece by itself, the largest first, from the areas at all vertices."""
    label = components(len(area_mm2), edges)
    area = np.bincount(label, area_mm2)
    small = (area < LOOSE_MM2) & (area < _LOOSE_SHARE * area.sum()) & (area > 0)
    pieces = np.flatnonzero(small)
    order = pieces[np.argsort(-area[pieces], kind="stable")]
    return [np.flatnonzero(label == piece) for piece in order]


def long_rims(rim: Bools, points_mm: Floats, edges: Ints, longer_mm: float) -> Bools:
    """Vertices on open rims whose box is longer across than a length, shape (n,).

    Parameters
    ----------
    rim : ndarray of bool, shape (n,)
        Vertices on an open border.
    edges : ndarray of int64, shape (e, 2)

    Examples
    --------
    >>> plate = np.array([[0.0, 0.0, 0.0], [3.0, 0.0, 0.0], [0.0, 4.0, 0.0]])
    >>> rim, sides = np.ones(3, dtype=bool), np.array([[0, 1], [0, 2], [1, 2]])
    >>> long_rims(rim, plate, sides, 4.9).all(), long_rims(rim, plate, sides, 5.1).any()
    (np.True_, np.False_)
    """
    label = parts_in(rim, edges)[rim]
    low, high = (np.full((len(rim), 3), sign * np.inf) for sign in (1.0, -1.0))
    np.minimum.at(low, label, points_mm[rim])
    np.maximum.at(high, label, points_mm[rim])
    found = rim.copy()
    found[rim] = np.linalg.norm(high[label] - low[label], axis=1) > longer_mm
    return found
