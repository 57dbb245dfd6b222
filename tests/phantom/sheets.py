"""Surfaces over grids of points: plates, strips, and what a line sweeps."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from veneercheck.core.types import Floats, TriangleMesh


def over_grid(points_mm: Floats, *, around: bool = False) -> TriangleMesh:
    """Two triangles a cell of points, shape (n, m, 3); rows × columns is outward.

    Parameters
    ----------
    around : bool
        The last column is joined to the first.
    """
    at = np.arange(points_mm[..., 0].size).reshape(points_mm.shape[:2])
    if around:
        at = np.concatenate([at, at[:, :1]], axis=1)
    a, b, c, d = at[:-1, :-1], at[1:, :-1], at[1:, 1:], at[:-1, 1:]
    faces = [np.stack(three, axis=-1).reshape(-1, 3) for three in ((a, b, c), (a, c, d))]
    return TriangleMesh(points_mm.reshape(-1, 3), np.concatenate(faces))


def height_field(height: Callable[[Floats, Floats], Floats], *sides_mm: Floats) -> TriangleMesh:
    """Heights over places along x and along y, of which one set serves both; faces up."""
    x, y = np.meshgrid(sides_mm[0], sides_mm[-1], indexing="ij")
    return over_grid(np.stack(np.broadcast_arrays(x, y, height(x, y)), axis=-1))
