"""How much a pair of points may pull."""

from __future__ import annotations

import numpy as np

from veneercheck.core.types import Floats


def tukey(residual_mm: Floats, scale_mm: float) -> Floats:
    """Tukey's biweight: one at zero, nothing from `scale_mm` on (Beaton and Tukey 1974)."""
    ratio = np.minimum(np.abs(residual_mm) / scale_mm, 1.0)
    weight: Floats = (1.0 - ratio * ratio) ** 2
    return weight


def one_sided(residual_mm: Floats, inside_mm: float, outside_mm: float) -> Floats:
    """Weights while searching: inside the contour is normal, outside it is rare.

    Parameters
    ----------
    residual_mm : ndarray
        Positive where the framework stands outside the contour.
    inside_mm : float
        From this depth on an inner point does not pull.
    outside_mm : float
        From this height on an outer point pulls by a constant force (Huber 1964).
    """
    outer = outside_mm / np.maximum(residual_mm, outside_mm)
    weight: Floats = np.where(residual_mm > 0, outer, tukey(residual_mm, inside_mm))
    return weight
