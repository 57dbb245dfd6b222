"""How wide a part of the surface is: what is nowhere as wide as a hand works is no zone.

Notes
-----
On the contour the wall of a step has no length, which is right: no hand works on it alone. But all
of a floor under a fissure has the fissure's bottom line for its nearest contour, and has no width
there either (8 mm² of 0.3 mm too little were no zone at all). Choice: a part is wide that is wide
on the contour, or across the line of sight to it: a floor lies square to that line, a wall along
it. Instead of: the framework's own width, by which every shoulder's wall is a zone.
"""

from __future__ import annotations

import math

import numpy as np

from veneercheck.core.mesh.triangles import parts_in, reach_along_edges, row_dot, unit
from veneercheck.core.types import Bools, Floats, Ints

_SIGHT_MM = 0.1
"""Nearer to the contour noise turns the line of sight to it."""


def slivers(
    points_mm: Floats,
    edges: Ints,
    mask: Bools,
    *,
    narrowest_mm: float,
    worked: Bools,
    length_mm: Floats | None = None,
) -> Bools:
    """Parts that are nowhere as wide as a hand can work on, nor where it is `worked` anyway.

    Parameters
    ----------
    points_mm : ndarray, shape (n, 3)
        Where width is measured.
    edges : ndarray of int64, shape (e, 2)
    mask : ndarray of bool, shape (n,)
        All parts.
    narrowest_mm : float
    worked : ndarray of bool, shape (n,)
    length_mm : ndarray, shape (e,), optional
        Of each edge, where it counts as another than it is.
    """
    inward = reach_along_edges(points_mm, edges, ~mask, 0.5 * narrowest_mm, length_mm)
    label = parts_in(mask, edges)
    wide = np.zeros(len(mask), dtype=bool)
    wide[label[mask & (np.isinf(inward) | worked)]] = True
    return mask & ~wide[label]


def across_sight(points_mm: Floats, contour_mm: Floats, edges: Ints) -> Floats:
    """Length of each edge across the line of sight to the nearest contour, shape (e,).

    Nothing where that contour is not known, or too near to tell in which direction it lies.

    Examples
    --------
    >>> floor = np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [1.0, 0.0, 1.0]])
    >>> contour = np.array([[0.5, 0.0, 9.0], [0.5, 0.0, 9.0], [1.0, 0.0, 9.0]])
    >>> across_sight(floor, contour, np.array([[0, 1], [1, 2]])).round(2)
    array([1.  , 0.03])
    """
    away = contour_mm - points_mm
    known = np.sqrt(row_dot(away, away)) > _SIGHT_MM  # nor is what is not a number
    sight = unit(np.where(known[:, None], away, 0.0))
    a, b = edges.T
    edge, way = points_mm[b] - points_mm[a], unit(sight[a] + sight[b])
    along = row_dot(edge, way)
    across = np.sqrt(np.maximum(row_dot(edge, edge) - along**2, 0.0))
    return np.where(known[a] & known[b], across, 0.0)


def across_mm(points_mm: Floats, weight: Floats) -> float:
    """How far a part reaches in its longest direction: four deviations, as in a disc."""
    off = points_mm - weight @ points_mm / weight.sum()
    spread = np.einsum("i,ij,ik->jk", weight, off, off) / weight.sum()
    return 4.0 * math.sqrt(max(float(np.linalg.eigvalsh(spread)[-1]), 0.0))
