"""Whether a shared frame is true: where would the uncut surface fit best?"""

from __future__ import annotations

import dataclasses

import numpy as np

from veneercheck.core.align.solver import rows, step
from veneercheck.core.align.weights import one_sided, tukey
from veneercheck.core.types import Bools, Floats

_WIDTHS_MM = (0.3, 0.3, 0.2, 0.2, 0.14, 0.1, 0.1, 0.1)
"""Narrow from the start, or what was cut pulls; one-sided while wider than the last."""

_OUTSIDE_MM = 0.1

_AGREE = 0.9
_LYING_ON_MM = 0.01
"""So near to the contour the direction to it is noise."""

_NOISE_AREA_MM2 = 2 * np.pi * 0.3**2
"""Area of one independent reading where noise is correlated over 0.3 mm."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Residual:
    """What was measured at every framework vertex in a given frame.

    Parameters
    ----------
    points_mm, normal : ndarray, shape (n, 3)
    contour_mm : ndarray, shape (n, 3)
        Nearest contour point of each.
    distance_mm : ndarray, shape (n,)
        To the nearest contour, positive where the framework lies inside; NaN where unknown.
    uncut : ndarray of bool, shape (n,)
    area_mm2 : ndarray, shape (n,)
        Area that each vertex stands for.
    """

    points_mm: Floats
    normal: Floats
    contour_mm: Floats
    distance_mm: Floats
    uncut: Bools
    area_mm2: Floats


def _facing(found: Residual) -> Bools:
    """Vertices whose contour lies along their normal: the flank of a cut is not misplaced."""
    gap = found.contour_mm - found.points_mm
    size = np.linalg.norm(gap, axis=1)
    along = np.abs(np.einsum("ij,ij->i", gap, found.normal))
    return np.asarray((size < _LYING_ON_MM) | (along > _AGREE * size))


def frame_error(found: Residual) -> tuple[float, float]:
    """How far the best fit of the uncut surface lies from the frame, and its uncertainty, mm.

    Both at the farthest vertex. Directions in which the surface may slide are left alone.
    """
    near = np.abs(np.nan_to_num(found.distance_mm, nan=np.inf)) < _WIDTHS_MM[0]
    near &= (found.area_mm2 > 0) & _facing(found)
    if not near.any():
        return float("nan"), float("nan")
    area = found.area_mm2[near]
    centre = area @ found.points_mm[near] / area.sum()
    arm = np.linalg.norm(found.points_mm - centre, axis=1)
    reach = max(float(arm.max()), 1e-9)
    jacobian = rows(found.points_mm[near], found.normal[near], centre)
    residual, total = -found.distance_mm[near], np.zeros(6)
    weight = np.zeros(len(residual))
    for width in _WIDTHS_MM:
        left = residual + jacobian @ total
        narrow = width <= _WIDTHS_MM[-1]
        weight = tukey(left, width) if narrow else one_sided(left, width, _OUTSIDE_MM)
        total = total + step(jacobian, left, weight * area, reach)
    moved = np.cross(total[:3], found.points_mm - centre) + total[3:]
    left = residual + jacobian @ total
    sigma2 = float(np.average(left**2, weights=weight * area + 1e-30))
    scale = np.array([reach] * 3 + [1.0] * 3)
    held = jacobian / scale
    matrix = held.T @ (held * (weight * area)[:, None])
    weakest = max(float(np.linalg.eigvalsh(matrix)[0]), 1e-12)
    u_mm = np.sqrt(_NOISE_AREA_MM2 * sigma2 / weakest)
    return float(np.linalg.norm(moved, axis=1).max()), float(u_mm)
