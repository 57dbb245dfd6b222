"""The veneer seen from outside: from every contour point inward to the nearest metal.

Framework points say little about cusp tips and ridges: the contour there is wider than the metal
under it, and no framework point need have the tip as its nearest contour point.

Notes
-----
The framework is looked at from outside, too. No framework point need have a cusp tip as its nearest
contour point. Choice: from every contour point inward, along its normal; only where that is deeper
than the greatest layer the nearest metal is walked to. Instead of: nearest points for all of the
contour, half a second more. Cost: shallow places are told by the ray, which is never shorter.
"""

from __future__ import annotations

import dataclasses

import numpy as np

from veneercheck.core.mesh.nearest import WalkableSurface, spread_starts
from veneercheck.core.mesh.rays import RayScene
from veneercheck.core.mesh.triangles import row_dot
from veneercheck.core.types import Floats, Ints, TriangleMesh

REACH_MM = 6.0
"""Metal farther than this under the contour does not carry it."""

_START_BEFORE_MM = 0.02
"""Rays start this far outside the contour, so that surfaces lying on each other still meet."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class FromOutside:
    """What lies under every contour point.

    Parameters
    ----------
    depth_mm : ndarray, shape (k,)
        Distance to the nearest metal under it, negative where the metal stands out; NaN where
        there is none within reach.
    foot : ndarray of int64, shape (k,)
        A framework vertex beside that metal; −1 where there is none.
    """

    depth_mm: Floats
    foot: Ints


def look_from_outside(
    contour: TriangleMesh,
    edges: Ints,
    normals: Floats,
    *,
    metal: RayScene,
    surface: WalkableSurface,
    deep_mm: float,
) -> FromOutside:
    """Measure from every contour vertex inward to the nearest metal.

    Parameters
    ----------
    contour : TriangleMesh
        In the frame of the metal.
    edges : ndarray of int64, shape (e, 2)
        Of the contour.
    normals : ndarray, shape (k, 3)
        Outward unit normals of the contour.
    metal : RayScene
    surface : WalkableSurface
        Both of the framework.
    deep_mm : float
        Where a ray straight inward meets metal within this, its length is told; only deeper
        points are asked for their nearest metal, which is never farther than that.

    Returns
    -------
    FromOutside
    """
    points = contour.points_mm
    hits = metal.first_hit(points + _START_BEFORE_MM * normals, -normals)
    depth = hits.distance_mm - _START_BEFORE_MM
    faces = surface.mesh.faces
    facing = hits.met & (row_dot(metal.face_normal[hits.face], normals) > 0)
    depth[~(facing & (depth <= REACH_MM))] = np.nan
    start = np.where(np.isfinite(depth), faces[hits.face, 0], -1)
    foot = start.copy()
    start = spread_starts(start, edges)
    asked = np.flatnonzero((start >= 0) & ~(depth <= deep_mm))
    if len(asked):
        nearest, vertex = surface.walk(points[asked], start[asked])
        under = row_dot(nearest.point_mm - points[asked], normals[asked]) < 0
        under &= nearest.distance_mm <= REACH_MM
        depth[asked] = np.where(under, np.fmin(nearest.distance_mm, depth[asked]), depth[asked])
        foot[asked] = np.where(under, vertex, foot[asked])
    return FromOutside(depth, foot)
