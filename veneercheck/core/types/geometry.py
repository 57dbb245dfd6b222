"""Surfaces, and the motions that carry one onto another."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import numpy.typing as npt

from veneercheck.core.errors import MeshError, Told

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

_ROTATION_TOLERANCE = 1e-6
"""Largest departure from orthogonality that is still rounding in a stored matrix."""


def _read_only(array: npt.NDArray[Any]) -> npt.NDArray[Any]:
    array.setflags(write=False)
    return array


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class TriangleMesh:
    """A surface made of triangles, in millimetres.

    Parameters
    ----------
    points_mm : ndarray of float64, shape (n, 3)
        Vertices.
    faces : ndarray of int64, shape (m, 3)
        Indices into `points_mm`, anticlockwise seen from outside.

    Raises
    ------
    MeshError
        If a shape is wrong, an index is out of range or a coordinate is not finite.

    Examples
    --------
    >>> mesh = TriangleMesh([[0, 0, 0], [1, 0, 0], [0, 1, 0]], [[0, 1, 2]])
    >>> mesh.faces.shape
    (1, 3)
    """

    points_mm: Floats
    faces: Ints

    def __post_init__(self) -> None:
        points = np.ascontiguousarray(self.points_mm, dtype=np.float64)
        faces = np.ascontiguousarray(self.faces, dtype=np.int64)
        if points.ndim != 2 or points.shape[1] != 3:
            raise MeshError(Told("vertices have shape {shape}, not (n, 3).", shape=points.shape))
        if faces.ndim != 2 or faces.shape[1] != 3:
            raise MeshError(Told("triangles have shape {shape}, not (m, 3).", shape=faces.shape))
        if not np.isfinite(points).all():
            bad = int(np.flatnonzero(~np.isfinite(points).all(axis=1))[0])
            raise MeshError("a coordinate is not a finite number.", where=f"vertex {bad}")
        if faces.size and (faces.min() < 0 or faces.max() >= len(points)):
            raise MeshError(
                Told("a triangle names a vertex outside 0…{count}.", count=len(points) - 1)
            )
        object.__setattr__(self, "points_mm", _read_only(points.view()))
        object.__setattr__(self, "faces", _read_only(faces.view()))


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class RigidMotion:
    """A rotation followed by a translation; name it `to_from_origin`, by both frames.

    Parameters
    ----------
    rotation : ndarray, shape (3, 3)
        Proper rotation: orthogonal, determinant +1. A mirror or a scale is refused.
    translation_mm : ndarray, shape (3,)

    Raises
    ------
    MeshError
        If `rotation` is not a proper rotation.

    Examples
    --------
    >>> b_from_a = RigidMotion(np.eye(3), [1.0, 0.0, 0.0])
    >>> b_from_a.apply([[0.0, 0.0, 0.0]])
    array([[1., 0., 0.]])
    """

    rotation: Floats
    translation_mm: Floats

    def __post_init__(self) -> None:
        rotation = np.array(self.rotation, dtype=np.float64)
        translation = np.array(self.translation_mm, dtype=np.float64)
        if rotation.shape != (3, 3) or translation.shape != (3,):
            raise MeshError("a rigid motion needs a 3×3 rotation and 3 translations.")
        if not (np.isfinite(rotation).all() and np.isfinite(translation).all()):
            raise MeshError("a rigid motion holds a number that is not finite.")
        if np.abs(rotation @ rotation.T - np.eye(3)).max() > _ROTATION_TOLERANCE:
            raise MeshError("the matrix stretches or shears: only rotation and shift are allowed.")
        if np.linalg.det(rotation) < 0:
            raise MeshError("the matrix mirrors: only rotation and shift are allowed.")
        object.__setattr__(self, "rotation", _read_only(rotation))
        object.__setattr__(self, "translation_mm", _read_only(translation))

    def apply(self, points_mm: npt.ArrayLike) -> Floats:
        """Move points, shape (n, 3), in mm."""
        return np.asarray(points_mm, dtype=np.float64) @ self.rotation.T + self.translation_mm

    def turn(self, directions: npt.ArrayLike) -> Floats:
        """Turn directions, shape (n, 3), without shifting them."""
        return np.asarray(directions, dtype=np.float64) @ self.rotation.T

    def inverse(self) -> RigidMotion:
        """The motion back."""
        return RigidMotion(self.rotation.T, -self.rotation.T @ self.translation_mm)

    def after(self, first: RigidMotion) -> RigidMotion:
        """`c_from_b.after(b_from_a)` is `c_from_a`."""
        return RigidMotion(
            self.rotation @ first.rotation,
            self.rotation @ first.translation_mm + self.translation_mm,
        )

    def matrix(self) -> Floats:
        """The homogeneous 4×4 matrix, row-major, lengths in mm."""
        matrix = np.eye(4)
        matrix[:3, :3] = self.rotation
        matrix[:3, 3] = self.translation_mm
        return matrix

    @staticmethod
    def identity() -> RigidMotion:
        """The motion that moves nothing."""
        return RigidMotion(np.eye(3), np.zeros(3))
