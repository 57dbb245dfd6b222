"""A residual over a surface: fields solved in it, and the patches and parts that it lies in."""

from __future__ import annotations

import dataclasses

import numpy as np

from veneercheck.core.align.weights import tukey
from veneercheck.core.types import Bools, Floats, Ints

_ROUNDS = 6
_WIDTH = 4.0
_LEAST_WIDTH_MM = 0.02

SIZE, _LEAST_PARTS = 6, 3
"""Column of the size after a rigid motion; of two units one alone tells of no size of both."""

_PATCH_MM = 3.0
"""Longer than the facets of a thinned scan."""

PART_MM = 9.0
"""About the width of a tooth."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Shown:
    """Vertices that may be uncut although displaced, about the body's centre, in its own axes.

    Parameters
    ----------
    vertex : ndarray of int64, shape (n,)
        Their numbers in the framework.
    of_the_cut : ndarray of bool, shape (n,)
        Whether they lie so near to what was cut that they are of the work.
    """

    arm_mm: Floats
    normal: Floats
    residual_mm: Floats
    area_mm2: Floats
    power_mm4: float
    contact_mm: float
    vertex: Ints
    of_the_cut: Bools


def solved(jacobian: Floats, shown: Shown, *, patches: bool = False) -> tuple[Floats, Floats]:
    """Coefficients of displacement fields in a residual, robustly, and their covariance.

    With `patches` the covariance holds as well how far they change where one patch is left out.
    """
    value = np.zeros(jacobian.shape[1])
    scale = np.maximum(np.sqrt(np.mean(jacobian**2, axis=0)), 1e-12)
    unit_rows = jacobian / scale
    residual = shown.residual_mm
    for _ in range(_ROUNDS):
        left = residual - unit_rows @ value
        width = max(_WIDTH * float(np.median(np.abs(left))) / 0.6745, _LEAST_WIDTH_MM)
        weight = tukey(left, width) * shown.area_mm2
        matrix = unit_rows.T @ (unit_rows * weight[:, None])
        inverse = np.linalg.pinv(matrix, rcond=1e-10, hermitian=True)
        value = inverse @ (unit_rows.T @ (weight * residual))
    squared = weight**2 / np.maximum(shown.area_mm2, 1e-12)
    middle = unit_rows.T @ (unit_rows * squared[:, None])
    covariance = inverse @ middle @ inverse * shown.power_mm4
    if patches:
        covariance = covariance + left_out(unit_rows, weight, residual, cubes(shown.arm_mm))
        unit = parts(shown.arm_mm, PART_MM)
        if unit.max(initial=0) + 1 >= _LEAST_PARTS:
            by_unit = left_out(unit_rows, weight, residual, unit)
            covariance[SIZE, SIZE] += by_unit[SIZE, SIZE]
    return value / scale, covariance / np.outer(scale, scale)


def cubes(arm_mm: Floats) -> Ints:
    """Number of the cube of 3 mm that each point lies in, shape (n,), none left out."""
    cell = np.floor(arm_mm / _PATCH_MM).astype(np.int64)
    cell -= cell.min(axis=0)
    number = np.ravel_multi_index(cell.T, cell.max(axis=0) + 1)
    return np.unique(number, return_inverse=True)[1].reshape(-1).astype(np.int64)


def left_out(jacobian: Floats, weight: Floats, residual: Floats, patch: Ints) -> Floats:
    """Covariance of coefficients by leaving out patch after patch (jackknife; Tukey 1958).

    Facets of a thinned mesh lie beside the surface by a way that hangs together as far as they
    reach; residuals that are thought independent say nothing of it.

    Parameters
    ----------
    patch : ndarray of int64, shape (n,)
        Number of the patch that each residual stands on, none left out.
    """
    order = np.argsort(patch, kind="stable")
    ends = np.searchsorted(patch[order], np.arange(1, patch.max() + 1))
    rows, weighted = jacobian[order], (jacobian * weight[:, None])[order]
    pairs = zip(np.split(rows, ends), np.split(weighted, ends), strict=True)
    matrices = np.stack([some.T @ more for some, more in pairs])
    rights = np.add.reduceat(weighted * residual[order][:, None], np.r_[0, ends], axis=0)
    count = len(matrices)
    without = np.linalg.pinv(matrices.sum(axis=0) - matrices, rcond=1e-10, hermitian=True)
    values = np.einsum("nij,nj->ni", without, rights.sum(axis=0) - rights)
    away = values - values.mean(axis=0)
    found: Floats = (count - 1) / count * away.T @ away
    return found


def parts(points_mm: Floats, apart_mm: float) -> Ints:
    """Number of the part that each point belongs to: parts are about so wide, shape (n,).

    Seeds are the point farthest from all seeds so far, until none is farther than `apart_mm`.
    """
    away = np.linalg.norm(points_mm - points_mm[np.argmin(points_mm[:, 2])], axis=1)
    label = np.zeros(len(points_mm), dtype=np.int64)
    count = 1
    while away.max(initial=0.0) > apart_mm:
        gap = np.linalg.norm(points_mm - points_mm[np.argmax(away)], axis=1)
        closer = gap < away
        label[closer], away = count, np.minimum(away, gap)
        count += 1
    return label
