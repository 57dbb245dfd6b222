"""Labels beside their places without covering one another: one pass, the same every time."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from veneercheck.core.types import Floats

_TURNS = 24
_RINGS, _RING_SHARE = 40, 0.25
"""How many distances are tried, and by which share of a label's height they grow."""

_GAP = 0.12
"""Between two labels, in units of the drawing."""


def placed(places: Floats, sizes: Floats, *, nearest: float, clear: float) -> Floats:
    """Middles of labels, shape (n, 2), each as near to its place as is free.

    Parameters
    ----------
    places : ndarray, shape (n, 2)
    sizes : ndarray, shape (n, 2)
        Width and height of each label.
    nearest : float
        How far a label's edge stands off its place.
    clear : float
        Round every place so much stays free of labels.

    Notes
    -----
    Greedy, those with the nearest neighbours first: they have the fewest free sides. Where all
    sides up to ten label heights away are taken, the least covered is.

    Examples
    --------
    >>> placed(np.array([[0.0, 0.0]]), np.array([[2.0, 1.0]]), nearest=0.5, clear=0.2).tolist()
    [[1.5, 0.0]]
    """
    found = np.zeros_like(places, dtype=np.float64)
    if not len(places):
        return found
    dots = np.column_stack([places - clear, places + clear])
    taken: list[Floats] = []
    for label in _order(places):
        middles = places[label] + _around(sizes[label], nearest)
        half = 0.5 * sizes[label] + 0.5 * _GAP
        boxes = np.column_stack([middles - half, middles + half])
        others = np.concatenate([np.delete(dots, label, axis=0), *taken])
        cover = _covered(boxes, others)
        chosen = int(np.argmax(cover <= 0.0)) if (cover <= 0.0).any() else int(cover.argmin())
        found[label] = middles[chosen]
        taken.append(boxes[chosen : chosen + 1])
    return found


def _order(places: Floats) -> Sequence[int]:
    if len(places) == 1:
        return [0]
    from scipy.spatial import cKDTree

    away, _ = cKDTree(places).query(places, k=2)
    return [int(one) for one in np.argsort(np.round(away[:, 1], 6), kind="stable")]


def _around(size: Floats, nearest: float) -> Floats:
    """Middles that a label may have, from its place, the nearest first, shape (k, 2)."""
    angle = np.arange(_TURNS) * 2.0 * math.pi / _TURNS
    way = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    # So far out the edge of the box, not its middle, stands off the place.
    reach = (0.5 * size / np.maximum(np.abs(way), 1e-9)).min(axis=1)
    rings = np.arange(_RINGS)[:, None] * _RING_SHARE * size[1] + nearest
    return np.asarray((reach + rings)[:, :, None] * way).reshape(-1, 2)


def _covered(boxes: Floats, others: Floats) -> Floats:
    """Area of each box that others cover, shape (k,)."""
    low = np.maximum(boxes[:, None, :2], others[None, :, :2])
    high = np.minimum(boxes[:, None, 2:], others[None, :, 2:])
    return np.asarray(np.prod(np.maximum(high - low, 0.0), axis=2).sum(axis=1))
