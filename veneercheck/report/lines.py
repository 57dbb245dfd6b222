"""Limit lines, finish line and borders as geometry: exact on every triangle, no tearing."""

from __future__ import annotations

import numpy as np

from veneercheck.core.types import Bools, Floats, Ints, TriangleMesh


def isoline(
    mesh: TriangleMesh, values: Floats, level: float, faces: Bools | None = None
) -> tuple[Floats, Ints]:
    """Where a value, linear on each triangle, passes a level.

    Parameters
    ----------
    values : ndarray, shape (n,)
        At the vertices; a triangle with a value that is not finite has no line.
    level : float
    faces : ndarray of bool, shape (m,), optional
        Triangles to look at.

    Returns
    -------
    segments : ndarray, shape (k, 2, 3), mm
    face : ndarray of int64, shape (k,)
        The triangle each lies on.
    """
    corner = values[mesh.faces]
    above = corner >= level
    crossed = np.isfinite(corner).all(axis=1) & (above.any(axis=1) & ~above.all(axis=1))
    if faces is not None:
        crossed &= faces
    index = np.flatnonzero(crossed)
    # Turn each triangle so that the corner alone on its side of the level comes first.
    alone = np.where(
        above[index].sum(axis=1) == 1, above[index].argmax(axis=1), above[index].argmin(axis=1)
    )
    turned = (alone[:, None] + np.arange(3)) % 3
    vertex = np.take_along_axis(mesh.faces[index], turned, axis=1)
    value = np.take_along_axis(corner[index], turned, axis=1)
    share = (level - value[:, :1]) / (value[:, 1:] - value[:, :1])
    start = mesh.points_mm[vertex[:, :1]]
    return start + share[..., None] * (mesh.points_mm[vertex[:, 1:]] - start), index


def plane_section(mesh: TriangleMesh, point_mm: Floats, normal: Floats) -> Floats:
    """Cut a surface with a plane.

    Returns
    -------
    ndarray, shape (k, 2, 3), mm
        Straight pieces, in no order.
    """
    return isoline(mesh, (mesh.points_mm - point_mm) @ normal, 0.0)[0]
