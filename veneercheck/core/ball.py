"""The largest ball that touches a framework point and fits under the contour."""

from __future__ import annotations

import numpy as np

from veneercheck.core.mesh import row_dot
from veneercheck.core.nearest import WalkableSurface
from veneercheck.core.types import Floats, Ints

_CLOSE_ENOUGH_MM = 5e-4
"""A ball that would shrink by less has come to rest: half a micrometre of its diameter."""

_MOST_STEPS = 12


def ball_diameter(
    points_mm: Floats,
    normals: Floats,
    surface: WalkableSurface,
    start_vertex: Ints,
    *,
    ray_mm: Floats,
    noise_mm: float = 0.0,
) -> Floats:
    """Diameter of the largest ball touching each point from outside, below a surface.

    Parameters
    ----------
    points_mm, normals : ndarray, shape (n, 3)
    surface : WalkableSurface
        The contour.
    start_vertex : ndarray of int64, shape (n,)
        A contour vertex near each point, where the walk starts.
    ray_mm : ndarray, shape (n,)
        Length of the ray along the normal, positive: no ball is larger.
    noise_mm : float
        Noise of the two surfaces; a contour point no deeper inside the ball than this may be
        noise and does not shrink it.

    Returns
    -------
    ndarray, shape (n,), mm
        Never above `ray_mm`.

    Notes
    -----
    Shrinking ball (Ma, Bae and Choi 2012, from memory): the ball whose diameter is the ray
    reaches the contour; the contour point nearest to its centre gives the next ball, through
    that point and touching the first, until no contour point lies inside.
    """
    diameter = ray_mm.copy()
    vertex = start_vertex.copy()
    active = np.flatnonzero(np.isfinite(diameter) & (diameter > 0))
    for _ in range(_MOST_STEPS):
        if not len(active):
            break
        radius = 0.5 * diameter[active]
        centre = points_mm[active] + radius[:, None] * normals[active]
        nearest, vertex[active] = surface.walk(centre, vertex[active])
        inside = nearest.distance_mm < radius - 0.5 * _CLOSE_ENOUGH_MM - noise_mm
        active = active[inside]
        gap = nearest.point_mm[inside] - points_mm[active]
        ahead = row_dot(gap, normals[active])
        with np.errstate(divide="ignore", invalid="ignore"):
            smaller = row_dot(gap, gap) / ahead
        smaller = np.where(ahead > 0, smaller, diameter[active])
        shrunk = diameter[active] - smaller > _CLOSE_ENOUGH_MM
        diameter[active] = np.minimum(diameter[active], smaller)
        active = active[shrunk]
    return diameter
