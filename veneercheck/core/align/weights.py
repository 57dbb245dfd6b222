"""How much a pair of points may pull, and how far residuals scatter where surfaces touch."""

from __future__ import annotations

import numpy as np

from veneercheck.core.types import Floats

LEAST_NOISE_MM = 0.002
"""No fit takes surfaces for truer than this: facets alone differ by so much."""

NOISE_WIDTH = 3.0
"""While searching, weights reach to this many standard deviations of the noise."""


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


def estimate_noise(residual_mm: Floats, start_mm: float) -> float:
    """Standard deviation of the central peak of residuals, whatever lies beside it.

    Notes
    -----
    Median absolute deviation of what lies within 3 deviations, repeated; the factor undoes the
    cut of a normal distribution at ±3 (closed form of the truncated normal).
    """
    noise = start_mm
    size = np.abs(residual_mm)
    for _ in range(12):
        near = size[size < NOISE_WIDTH * noise]
        if len(near) < 10:
            break
        before, noise = noise, min(noise, max(LEAST_NOISE_MM, float(np.median(near)) / 0.6718))
        if noise == before:
            break
    return noise
