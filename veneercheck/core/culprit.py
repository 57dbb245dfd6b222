"""Where the framework stands out of the contour: which of the two surfaces left its way?"""

from __future__ import annotations

import numpy as np

from veneercheck.core.mesh import unit
from veneercheck.core.types import FRAMEWORK, WAXUP, Bools, Floats, Ints

_BESIDE_MM = 0.3
"""This close to the spot its foot may still lean."""

_RING_MM = 1.0
"""Wide enough for a surface to show how it runs on, narrow enough for a parabola to follow."""

_LEAST_POINTS = 40
_LEAST_SECTORS = 6
"""Of eight: a ring that is open on one side lets the parabola tip over."""

_CLEARLY = 2.0
"""One surface leaves the smooth course by twice as much as the other, and by more than the ring
itself does; else nothing is said."""


def at_fault(
    spot: Ints, points_mm: Floats, contour_mm: Floats, normals: Floats, uncut: Bools
) -> str | None:
    """Tell which surface is at fault at a spot over contour, as far as it can be told.

    Parameters
    ----------
    spot : ndarray of int64
        Framework vertices over the contour.
    points_mm, contour_mm : ndarray, shape (n, 3)
        Framework vertices, and the contour point nearest to each.
    normals : ndarray, shape (n, 3)
        Of the framework, outward.
    uncut : ndarray of bool, shape (n,)
        Where both surfaces still lie on one another.

    Returns
    -------
    str or None
        `FRAMEWORK`, `WAXUP`, or None where it cannot be told.

    Notes
    -----
    Around the spot both surfaces are one. A paraboloid through that ring says how it would run on
    underneath; who leaves it was changed.
    """
    centre = points_mm[spot].mean(axis=0)
    out = unit(normals[spot].mean(axis=0)[None])[0]
    reach = float(np.linalg.norm(points_mm[spot] - centre, axis=1).max())
    away = np.linalg.norm(points_mm - centre, axis=1)
    ring = uncut & (away > reach + _BESIDE_MM) & (away < reach + _BESIDE_MM + _RING_MM)
    ring &= normals @ out > 0.0
    first = unit(np.cross(out, np.eye(3)[np.abs(out).argmin()])[None])[0]
    axes = np.stack([first, np.cross(out, first), out])
    around = (points_mm[ring] - centre) @ axes.T
    sectors = np.floor(np.arctan2(around[:, 1], around[:, 0]) / (np.pi / 4)).astype(np.int64)
    if len(around) < _LEAST_POINTS or len(np.unique(sectors)) < _LEAST_SECTORS:
        return None
    course = np.linalg.lstsq(_terms(around), around[:, 2], rcond=None)[0]
    rough = float((around[:, 2] - _terms(around) @ course).std())
    framework, waxup = (
        float(np.mean(local[:, 2] - _terms(local) @ course))
        for local in ((places[spot] - centre) @ axes.T for places in (points_mm, contour_mm))
    )
    if framework > max(_CLEARLY * abs(waxup), rough):
        return FRAMEWORK
    return WAXUP if -waxup > max(_CLEARLY * abs(framework), rough) else None


def _terms(local_mm: Floats) -> Floats:
    x, y = local_mm[:, 0], local_mm[:, 1]
    return np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)
