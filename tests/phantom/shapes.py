"""Implicit surfaces: soft joins, gradients and steps onto a zero set.

A field is a function from points, shape (n, 3), to values, shape (n,): negative inside, in
mm near the surface, but not an exact distance. `Field` names that function type.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from veneercheck.core.types import Floats

Field = Callable[[Floats], Floats]

_GRADIENT_STEP_MM = 1e-6
"""Forward difference: wrong by half this times the curvature, 1e-6 for a radius of 0.5 mm."""

_LEAST_SLOPE = 0.2
"""Newton steps divide by the slope; a field flatter than this is not near its surface."""

_LONGEST_STEP_MM = 0.2
"""A Newton step is meant to close a gap of a fraction of a grid cell, not to travel."""

_NEWTON_STEPS = 6
"""Quadratic convergence from a grid cell's fraction needs four; two are for steep places."""

_ON_SURFACE_MM = 1e-7
"""A field this near to zero is on the surface: a ten-thousandth of the scans' noise."""

_FOOT_STEPS = 12
"""Rounds of walking to the nearest point; few points need more than four."""

_SLIDE_MM = 1e-3
"""A foot this near to its place changes the distance by less than 0.001 µm at 1 mm depth."""


def smooth_min(first: Floats, second: Floats, blend_mm: float) -> Floats:
    """Union of two fields with a fillet; exactly the minimum where they differ by `blend_mm`.

    The cubic polynomial form (twice continuously differentiable; from memory), so that normals
    and curvatures of the joined surface are continuous.
    """
    overlap = np.maximum(blend_mm - np.abs(first - second), 0.0) / blend_mm
    joined: Floats = np.minimum(first, second) - overlap**3 * (blend_mm / 6.0)
    return joined


def smooth_max(first: Floats, second: Floats, blend_mm: float) -> Floats:
    """Intersection of two fields with a rounded edge."""
    return -smooth_min(-first, -second, blend_mm)


def gradient(field: Field, points_mm: Floats) -> Floats:
    """Slope of a field by forward differences, shape (n, 3)."""
    slopes = np.empty_like(points_mm)
    here = field(points_mm)
    for axis in range(3):
        step = np.zeros(3)
        step[axis] = _GRADIENT_STEP_MM
        slopes[:, axis] = (field(points_mm + step) - here) / _GRADIENT_STEP_MM
    return slopes


def normals(field: Field, points_mm: Floats) -> Floats:
    """Outward unit normals of the level sets, shape (n, 3)."""
    slopes = gradient(field, points_mm)
    length = np.linalg.norm(slopes, axis=1, keepdims=True)
    outward: Floats = slopes / np.maximum(length, np.finfo(float).tiny)
    return outward


def onto_surface(field: Field, points_mm: Floats, steps: int = _NEWTON_STEPS) -> Floats:
    """Move points near a surface onto it, by Newton steps along the field's slope.

    Parameters
    ----------
    field : Field
    points_mm : ndarray, shape (n, 3)
        Within about a millimetre of the surface.
    steps : int, optional
        At most so many.

    Returns
    -------
    ndarray, shape (n, 3)
    """
    points = np.array(points_mm, dtype=np.float64)
    moving = np.arange(len(points))
    for _ in range(steps):
        value = field(points[moving])
        off = np.abs(value) > _ON_SURFACE_MM
        moving, value = moving[off], value[off]
        if not len(moving):
            break
        points[moving] += _newton_step(field, points[moving], value)
    return points


def _newton_step(field: Field, points_mm: Floats, value: Floats) -> Floats:
    slopes = gradient(field, points_mm)
    square = np.maximum(np.einsum("ij,ij->i", slopes, slopes), _LEAST_SLOPE**2)
    step = slopes * (-value / square)[:, None]
    length = np.linalg.norm(step, axis=1, keepdims=True)
    shortened: Floats = step * np.minimum(1.0, _LONGEST_STEP_MM / np.maximum(length, 1e-12))
    return shortened


def foot_points(field: Field, points_mm: Floats, start_mm: Floats) -> Floats:
    """Nearest points of a surface, from starts near it that are nearly right.

    Each round slides the foot along its tangent plane towards the point and steps back onto
    the surface; a round that would lengthen the distance is halved for that point.

    Parameters
    ----------
    points_mm, start_mm : ndarray, shape (n, 3)

    Returns
    -------
    ndarray, shape (n, 3)
    """
    foot = onto_surface(field, start_mm)
    share = np.ones(len(foot))
    moving = np.arange(len(foot))
    for _ in range(_FOOT_STEPS):
        slide = _tangential(points_mm[moving] - foot[moving], normals(field, foot[moving]))
        far = np.einsum("ij,ij->i", slide, slide) > _SLIDE_MM**2
        moving, slide = moving[far], slide[far]
        if not len(moving):
            break
        trial = onto_surface(field, foot[moving] + share[moving, None] * slide, steps=3)
        better = _apart(points_mm[moving], trial) <= _apart(points_mm[moving], foot[moving])
        foot[moving[better]] = trial[better]
        share[moving[~better]] *= 0.5
    return foot


def _tangential(gap: Floats, normal: Floats) -> Floats:
    flat: Floats = gap - normal * np.einsum("ij,ij->i", gap, normal)[:, None]
    return flat


def _apart(first: Floats, second: Floats) -> Floats:
    distance: Floats = np.linalg.norm(first - second, axis=1)
    return distance
