"""The budget of space: what metal would be left if the least layer were made.

Notes
-----
What covers the metal hides it. At the opaqued and dentine stages the scan shows a surface that is
no longer metal; thickness, connectors and edges read there would be too generous. Choice: the
metal's thickness is not known there, connectors and edges are not looked at; the cast stage is
where they are told. Instead of: taking off the opaquer that the profile states. Cost: an opaqued
place that is too thin gets no answer from the budget of space.
"""

from __future__ import annotations

import numpy as np

from veneercheck.core.mesh.rays import RayScene
from veneercheck.core.types import Answer, Floats, Limits, TriangleMesh

FARTHEST_MM = 4.0
"""No retainer's wall is thicker: what an inward ray meets farther in is another tooth's die."""

_START_OUT_MM = 0.02
"""Rays start this far out, so that a die that touches the metal's surface is met."""


def metal_to_die(framework: TriangleMesh, normals: Floats, die: TriangleMesh) -> Floats:
    """Thickness of the metal over a die, straight inward from every vertex, shape (n,), mm.

    Parameters
    ----------
    framework, die : TriangleMesh
        In one frame.
    normals : ndarray, shape (n, 3)
        Outward directions.

    Returns
    -------
    ndarray, shape (n,)
        NaN where no die lies under the vertex; 0 where it comes through the surface.
    """
    start = framework.points_mm + _START_OUT_MM * normals
    hits = RayScene(die).first_hit(start, -normals)
    deep = np.maximum(hits.distance_mm - _START_OUT_MM, 0.0)
    return np.where(hits.met & (deep <= FARTHEST_MM), deep, np.nan)


def metal_left(metal_mm: Floats, space_mm: Floats, least_mm: Floats, limits: Limits) -> Floats:
    """Metal left if the contour is kept and the least layer is made, shape (n,), mm.

    From contour to die there are metal, opaquer, beads and composite, and no more.

    Parameters
    ----------
    metal_mm, space_mm : ndarray, shape (n,)
    least_mm : ndarray, shape (n,)
        Least layer asked for.
    limits : Limits

    Returns
    -------
    ndarray, shape (n,)
        Negative where the layer has no room even without metal; NaN where unknown.
    """
    return np.asarray(metal_mm + space_mm - limits.taken_mm - least_mm)


def answer(left_mm: float, limits: Limits) -> Answer:
    """Can the layer be had?

    Examples
    --------
    >>> from veneercheck.core.types import LayerLimits
    >>> limits = Limits("x", LayerLimits(1.0, 2.0))
    >>> [answer(left, limits).value for left in (0.7, 0.2, -0.1)]
    ['take off', 'metal too thin', 'no room']
    """
    if not np.isfinite(left_mm):
        return Answer.UNKNOWN
    if left_mm >= limits.least_metal_mm:
        return Answer.TAKE_OFF
    return Answer.METAL_TOO_THIN if left_mm > 0 else Answer.NO_ROOM
