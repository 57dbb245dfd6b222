"""First hits of rays on a surface: a fast engine finds the triangle, float64 finds the place.

Notes
-----
Embree behind `core/mesh/rays.py`, libigl where there is no wheel. Embree is the fastest by far, but
works in float32 and has no wheel for every machine. Choice: the surface is moved to the origin,
Embree (or libigl) only names the triangle, and the distance is worked out in float64 on its plane.
Instead of: open3d (Embree too, 900 MB), trimesh with rtree (a hundred thousand times slower). Cost:
two engines to test.
"""

from __future__ import annotations

import dataclasses
import importlib.util
from collections.abc import Callable
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from veneercheck.core.errors import MeshError
from veneercheck.core.mesh.triangles import (
    bounding_box,
    corner_cross,
    in_threads,
    row_cross,
    row_dot,
)
from veneercheck.core.types import Bools, Floats, Ints, TriangleMesh

EngineName = Literal["embree", "portable"]

_NO_FACE = -1

_NUDGE_MM = 1e-5
_NUDGES = ((0.6, -0.48, 0.64), (-0.8, 0.36, 0.48))
"""A ray that met nothing is tried again this far aside: farther than float32 errs near the
origin, nearer than a reading is told."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class RayHits:
    """What each ray met first.

    Parameters
    ----------
    distance_mm : ndarray, shape (n,)
        Along the ray from its origin; NaN where nothing was met.
    face : ndarray of int64, shape (n,)
        The triangle met, −1 where none was.
    """

    distance_mm: Floats
    face: Ints

    @property
    def met(self) -> Bools:
        """Where a triangle was met, shape (n,)."""
        return self.face >= 0


class RayScene:
    """A surface that rays can be sent at.

    The engine works in float32, so the surface is moved to the origin first; the distance of
    every hit is then computed in float64 on the plane of its triangle.

    Parameters
    ----------
    engine : {"embree", "portable"}, optional
        Embree where it is installed, else libigl: the same answers, slower.

    Attributes
    ----------
    face_normal : ndarray, shape (m, 3)
        Outward normal of every triangle, as long as twice its area, mm².

    Raises
    ------
    MeshError
        If the mesh has no triangles.

    Examples
    --------
    >>> plate = TriangleMesh([[-9, -9, 0], [9, -9, 0], [0, 9, 0]], [[0, 1, 2]])
    >>> RayScene(plate).first_hit([[0.0, 0.0, 2.0]], [[0.0, 0.0, -1.0]]).distance_mm
    array([2.])
    """

    def __init__(self, mesh: TriangleMesh, *, engine: EngineName | None = None) -> None:
        if not len(mesh.faces):
            raise MeshError("a surface without triangles stops no ray.")
        low, high = bounding_box(mesh.points_mm)
        self._centre = 0.5 * (low + high)
        self._corner = mesh.points_mm.take(mesh.faces[:, 0], axis=0)
        self.face_normal = corner_cross(mesh)
        self.engine: EngineName = engine or default_engine()
        build = _embree if self.engine == "embree" else _portable
        self._first_face = build(mesh.points_mm - self._centre, mesh.faces)

    def first_hit(self, origins_mm: npt.ArrayLike, directions: npt.ArrayLike) -> RayHits:
        """Send rays and tell the first triangle each one meets.

        Parameters
        ----------
        origins_mm, directions : array_like, shape (n, 3)
            Directions of length one, so that distances are in mm.
        """
        origins = np.asarray(origins_mm, dtype=np.float64)
        ways = np.asarray(directions, dtype=np.float64)
        face = self._first_face(origins - self._centre, ways)
        for step in _NUDGES:
            # Exactly through a vertex or an edge an engine may see neither side.
            unmet = np.flatnonzero(face == _NO_FACE)
            if not len(unmet):
                break
            aside = _NUDGE_MM * row_cross(ways[unmet], np.broadcast_to(step, (len(unmet), 3)))
            face[unmet] = self._first_face(origins[unmet] + aside - self._centre, ways[unmet])
        return RayHits(self._distance_on_plane(origins, ways, face), face)

    def first_face(self, origins_mm: Floats, directions: Floats) -> Ints:
        """Only the first triangle each ray meets, −1 for none, not asked twice: for pictures.

        Parameters
        ----------
        origins_mm, directions : ndarray, shape (n, 3)
        """
        return self._first_face(origins_mm - self._centre, directions)

    def _distance_on_plane(self, origins: Floats, ways: Floats, face: Ints) -> Floats:
        distance = np.full(len(face), np.nan)
        met = np.flatnonzero(face >= 0)
        normal = self.face_normal.take(face[met], axis=0)
        gap = self._corner.take(face[met], axis=0) - origins[met]
        along = row_dot(normal, ways[met])
        with np.errstate(divide="ignore", invalid="ignore"):
            found = row_dot(normal, gap) / along
        # A triangle seen exactly from its edge has no distance; it is no hit.
        edge_on = ~np.isfinite(found)
        face[met[edge_on]] = _NO_FACE
        found[edge_on] = np.nan
        distance[met] = found
        return distance


def glances(normals: Floats, count: int) -> Floats:
    """Directions spread evenly over the side that each normal looks to, shape (n, count, 3)."""
    k = np.arange(count) + 0.5
    z = 1.0 - 2.0 * k / count  # spiral of the golden angle
    turn = np.pi * (3.0 - np.sqrt(5.0)) * k
    flat = np.sqrt(1.0 - z * z)
    every = np.stack([flat * np.cos(turn), flat * np.sin(turn), z], axis=1)
    side = np.where(normals @ every.T < 0, -1.0, 1.0)
    return np.asarray(every * side[:, :, None])


def default_engine() -> EngineName:
    """The fastest ray engine that is installed here."""
    return "embree" if importlib.util.find_spec("embreex") else "portable"


def _embree(points: Floats, faces: Ints) -> Callable[[Floats, Floats], Ints]:
    from embreex.mesh_construction import TriangleMesh as EmbreeMesh
    from embreex.rtcore_scene import EmbreeScene

    scene = EmbreeScene(robust=True)
    EmbreeMesh(scene, points.astype(np.float32), faces.astype(np.int32))

    def first_face(origins: Floats, ways: Floats) -> Ints:
        found = np.empty(len(origins), dtype=np.int64)

        def run(part: slice) -> None:
            found[part] = scene.run(
                origins[part].astype(np.float32), ways[part].astype(np.float32), query="INTERSECT"
            )

        in_threads(run, len(origins))
        return found

    return first_face


def _portable(points: Floats, faces: Ints) -> Callable[[Floats, Floats], Ints]:
    import igl

    tree: Any = igl.AABB()
    tree.init(points, faces)

    def first_face(origins: Floats, ways: Floats) -> Ints:
        found, distance, _ = tree.intersect_ray_first(
            points, faces, np.ascontiguousarray(origins), np.ascontiguousarray(ways)
        )
        return np.where(np.isfinite(distance), found, _NO_FACE).astype(np.int64)

    return first_face
