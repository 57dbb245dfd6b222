"""Nearest points of a surface, in float64."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import numpy.typing as npt

from veneercheck.core.errors import MeshError
from veneercheck.core.types import Floats, Ints, TriangleMesh


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Nearest:
    """The nearest point of a surface to each query point.

    Parameters
    ----------
    distance_mm : ndarray, shape (n,)
        Not signed.
    face : ndarray of int64, shape (n,)
    point_mm : ndarray, shape (n, 3)
    """

    distance_mm: Floats
    face: Ints
    point_mm: Floats


class NearestSurface:
    """A surface that can be asked for its nearest points (bounding-volume tree of libigl).

    Parameters
    ----------
    mesh : TriangleMesh

    Raises
    ------
    MeshError
        If the mesh has no triangles.

    Examples
    --------
    >>> plate = TriangleMesh([[0, 0, 0], [9, 0, 0], [0, 9, 0]], [[0, 1, 2]])
    >>> NearestSurface(plate).query([[1.0, 1.0, 2.0]]).distance_mm
    array([2.])
    """

    def __init__(self, mesh: TriangleMesh) -> None:
        if not len(mesh.faces):
            raise MeshError("a surface without triangles has no nearest point.")
        import igl

        self._points, self._faces = mesh.points_mm, mesh.faces
        self._tree: Any = igl.AABB()
        self._tree.init(self._points, self._faces)

    def query(self, points_mm: npt.ArrayLike) -> Nearest:
        """Nearest surface point to each point, shape (n, 3), in mm."""
        points = np.ascontiguousarray(points_mm, dtype=np.float64)
        squared, face, place = self._tree.squared_distance(self._points, self._faces, points)
        distance = np.sqrt(np.maximum(np.atleast_1d(squared), 0.0))
        return Nearest(distance, np.atleast_1d(face), np.asarray(place).reshape(-1, 3))
