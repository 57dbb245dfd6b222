"""The framework as the check reads it: on the wax-up, with points close together."""

from __future__ import annotations

import math

import numpy as np

from veneercheck.core.mesh.triangles import face_areas, refine
from veneercheck.core.types import Ints, RigidMotion, TriangleMesh

LONGEST_EDGE_MM = 0.15
"""Framework edges longer than this are halved, so that no thin spot hides between vertices."""

MOST_TRIANGLES = 3_000_000
"""A framework so large that it would be refined past this keeps longer edges."""

_TRIANGLES_PER_SQUARE = 6.5
"""Halving leaves edges between half the limit and the limit: about this many an edge squared, as
counted on a sphere of 3 million triangles."""


def densify(
    mesh: TriangleMesh, paint: Ints | None, waxup_from_framework: RigidMotion
) -> tuple[TriangleMesh, Ints | None]:
    """Move a framework onto the wax-up, with a vertex at least every 0.15 mm.

    Parameters
    ----------
    mesh : TriangleMesh
        In its own frame.
    paint : ndarray of int64, shape (n,), optional
        A code for every vertex, −1 where nothing was painted.

    Returns
    -------
    TriangleMesh, ndarray or None
        Its own vertices first, and the paint of all.
    """
    area = float(face_areas(mesh).sum())
    edge_mm = max(LONGEST_EDGE_MM, math.sqrt(_TRIANGLES_PER_SQUARE * area / MOST_TRIANGLES))
    fine, parents, _ = refine(mesh, edge_mm)
    moved = TriangleMesh(waxup_from_framework.apply(fine.points_mm), fine.faces)
    return moved, None if paint is None else _spread_paint(paint, parents)


def _spread_paint(paint: Ints, parents: Ints) -> Ints:
    """A vertex between two of one paint has that paint; else it is found automatically."""
    known = np.concatenate([paint, np.full(len(parents), -1, dtype=np.int64)])
    added = np.arange(len(paint), len(known))
    # A vertex added in a later round may have parents added in an earlier one.
    while True:
        both = known[parents]
        value = np.where(both[:, 0] == both[:, 1], both[:, 0], -1)
        if np.array_equal(known[added], value):
            return known
        known[added] = value
