"""How deep, seen from the wax-up: square to the surface, along the insertion, to the metal."""

from __future__ import annotations

import dataclasses

import numpy as np

from veneercheck.core.mesh.feet import at_open_edge, shares_in
from veneercheck.core.mesh.nearest import NearestSurface
from veneercheck.core.mesh.rays import RayScene
from veneercheck.core.mesh.triangles import border_vertices, face_normals, row_dot
from veneercheck.core.plan.contour import Contour
from veneercheck.core.types import Floats, TriangleMesh

_BEFORE_MM = 0.02
"""Rays start so far outside, so that a surface on the contour itself is met."""

FARTHEST_MM = 6.0
"""Nobody cuts deeper: what a ray meets behind that is another wall."""

_INWARD_COS = 0.5
"""What lies within 60° of straight inward is under the contour, not beside it."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Depths:
    """At every vertex of the contour, shape (n,), mm; NaN where nothing is cut."""

    square_mm: Floats
    insertion_mm: Floats
    metal_mm: Floats


def depths(contour: Contour, target: TriangleMesh, occlusal: Floats) -> Depths:
    """Depth of the cut at every vertex that is to be veneered.

    Parameters
    ----------
    contour : Contour
    target : TriangleMesh
    occlusal : ndarray, shape (3,)
        Against the path of insertion; NaN where it is not known.
    """
    inside = np.flatnonzero(contour.extent_mm > 0)
    count = len(contour.extent_mm)
    square, insertion, metal = (np.full(count, np.nan) for _ in range(3))
    if len(inside):
        scene = RayScene(target)
        points, normals = contour.mesh.points_mm[inside], contour.normals[inside]
        square[inside] = _way(scene, points, normals)
        if np.isfinite(occlusal).all():
            upward = np.broadcast_to(occlusal, points.shape)
            insertion[inside] = _way(scene, points, upward)
        metal[inside] = NearestSurface(target).query(points).distance_mm
    return Depths(square, insertion, metal)


def _way(scene: RayScene, points_mm: Floats, outward: Floats) -> Floats:
    hits = scene.first_hit(points_mm + _BEFORE_MM * outward, -outward)
    way = np.maximum(hits.distance_mm - _BEFORE_MM, 0.0)
    return np.where(way <= FARTHEST_MM, way, np.nan)


def room_mm(contour: Contour, inner: TriangleMesh) -> Floats:
    """Distance from every vertex that is to be veneered to what lies within the metal, shape (n,).

    Parameters
    ----------
    contour : Contour
    inner : TriangleMesh
        The die, or the inside of the retainers.

    Returns
    -------
    ndarray, shape (n,)
        NaN where nothing is to be veneered or nothing lies within reach; 0 where it comes through.
    """
    room = np.full(len(contour.extent_mm), np.nan)
    inside = np.flatnonzero(contour.extent_mm > 0)
    if not len(inside) or not len(inner.faces):
        return room
    points = contour.mesh.points_mm[inside]
    outward = contour.normals[inside]
    near = NearestSurface(inner).query(points)
    way = points - near.point_mm
    straight = row_dot(way, outward) > _INWARD_COS * near.distance_mm
    # Beside a collar the nearest of a die is its gingiva: there the way straight in counts.
    found = np.where(straight, near.distance_mm, _way(RayScene(inner), points, outward))
    shares = shares_in(inner.points_mm[inner.faces[near.face]], near.point_mm)
    beyond = at_open_edge(inner, border_vertices(inner), near.face, shares)
    through = (row_dot(way, face_normals(inner)[near.face]) < 0) & ~beyond
    found = np.where(through & ~straight & (near.distance_mm <= FARTHEST_MM), 0.0, found)
    room[inside] = np.where(found <= FARTHEST_MM, found, np.nan)
    return room
