"""Feet on triangles: the corners' shares in them, and whether the surface ends there."""

from __future__ import annotations

import numpy as np

from veneercheck.core.mesh.triangles import row_dot
from veneercheck.core.types import Bools, Floats, Ints, TriangleMesh

_NO_SHARE = 1e-6
"""A corner with less of a foot has no part in it: the foot lies on the side across."""


def shares_in(corners_mm: Floats, points_mm: Floats) -> Floats:
    """Shares of a triangle's corners in points that lie on it, shape (n, 3)."""
    a, b, c = corners_mm[:, 0], corners_mm[:, 1], corners_mm[:, 2]
    normal = np.cross(b - a, c - a)
    square = np.maximum(row_dot(normal, normal), np.finfo(float).tiny)
    second = row_dot(np.cross(a - c, points_mm - c), normal) / square
    third = row_dot(np.cross(b - a, points_mm - a), normal) / square
    shares = np.clip(np.stack([1.0 - second - third, second, third], axis=1), 0.0, 1.0)
    total: Floats = shares / shares.sum(axis=1, keepdims=True)
    return total


def at_open_edge(mesh: TriangleMesh, rim: Bools, face: Ints, shares: Floats) -> Bools:
    """Whether feet lie on the open edge of a surface, shape (n,).

    Parameters
    ----------
    rim : ndarray of bool
        Vertices on it.
    face : ndarray of int64, shape (n,)
    shares : ndarray, shape (n, 3)
        Of the triangle's corners in the foot.
    """
    away = shares < _NO_SHARE
    return np.asarray(away.any(axis=1) & (rim[mesh.faces[face]] | away).all(axis=1))
