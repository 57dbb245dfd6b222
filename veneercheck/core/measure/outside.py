"""The veneer seen from outside: from every contour point inward to the nearest metal.

Framework points say little about cusp tips and ridges: the contour there is wider than the metal
under it, and no framework point need have the tip as its nearest contour point.

Notes
-----
The framework is looked at from outside, too. No framework point need have a cusp tip as its nearest
contour point. Choice: from every contour point inward, along its normal; only where that is deeper
than the greatest layer the nearest metal is walked to, and where a walk ends deeper still, on the
other side of a ridge as may be, it begins anew from the nearest metal of all. Instead of: nearest
points for all of the contour, half a second more. Cost: shallow places are told by the ray, which
is never shorter.
"""

from __future__ import annotations

import dataclasses

import numpy as np

from veneercheck.core.measure.gap import LYING_SIGMAS, corner_beside
from veneercheck.core.mesh.nearest import Nearest, NearestSurface, WalkableSurface, spread_starts
from veneercheck.core.mesh.rays import RayScene
from veneercheck.core.mesh.triangles import row_dot
from veneercheck.core.types import Floats, Ints, TriangleMesh

REACH_MM = 6.0
"""Metal farther than this under the contour does not carry it."""

_INWARD_MM = (0.0, 0.6, 1.2, 1.8)
"""Metal is looked for round places so far under the contour: across a narrow embrasure the nearest
of all may be the neighbour's, which lies over the contour and carries nothing."""

_START_BEFORE_MM = 0.02
"""Rays start this far outside the contour, and as many of the noise's σ, so that surfaces lying on
each other still meet: a ray that starts beyond the metal misses it."""


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
    noise_mm: float = 0.0,
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
    noise_mm : float
        Of both scans together, standard deviation.

    Returns
    -------
    FromOutside
    """
    points = contour.points_mm
    before = _START_BEFORE_MM + LYING_SIGMAS * noise_mm
    hits = metal.first_hit(points + before * normals, -normals)
    depth = hits.distance_mm - before
    faces = surface.mesh.faces
    facing = hits.met & (row_dot(metal.face_normal[hits.face], normals) > 0)
    depth[~(facing & (depth <= REACH_MM))] = np.nan
    start = np.where(np.isfinite(depth), faces[hits.face, 0], -1)
    foot = start.copy()
    start = spread_starts(start, edges)
    asked = np.flatnonzero((start >= 0) & ~(depth <= deep_mm))
    if len(asked):
        nearest, vertex = surface.walk(points[asked], start[asked])
        _bring_nearer(depth, foot, asked, nearest, vertex, contour=contour, normals=normals)
        asked = asked[~(depth[asked] <= deep_mm)]
    if len(asked):
        whole = NearestSurface(surface.mesh)
        for inward_mm in _INWARD_MM:
            found = whole.query(points[asked] - inward_mm * normals[asked])
            begin = corner_beside(surface.mesh, found.face, found.point_mm)
            nearest, vertex = surface.walk(points[asked], begin)
            _bring_nearer(depth, foot, asked, nearest, vertex, contour=contour, normals=normals)
    return FromOutside(depth, foot)


def _bring_nearer(
    depth: Floats,
    foot: Ints,
    asked: Ints,
    nearest: Nearest,
    vertex: Ints,
    *,
    contour: TriangleMesh,
    normals: Floats,
) -> None:
    """Take metal under the contour that lies nearer than what was known; written in place."""
    under = row_dot(nearest.point_mm - contour.points_mm[asked], normals[asked]) < 0
    nearer = under & (nearest.distance_mm <= np.fmin(depth[asked], REACH_MM))
    depth[asked[nearer]], foot[asked[nearer]] = nearest.distance_mm[nearer], vertex[nearer]
