"""The full contour as a plan takes it: closed, fine, and asked for depth and way from the line.

Notes
-----
Beyond the open edge of a die there is no inside. Seen from aside and below, the nearest place of an
open surface is its edge, whose normal may face away: 8 mm off a crumb of a retainer's inside metal
was kept up to the contour. Choice: what is nearest to an open edge lies outside, by its distance.
Instead of: the side that the normal says. Cost: under a hole in a die's scan wider than a
millimetre less metal is kept.
"""

from __future__ import annotations

import dataclasses
from functools import cached_property
from typing import Any

import numpy as np

from veneercheck.core.mesh.feet import at_open_edge, shares_in
from veneercheck.core.mesh.nearest import WalkableSurface
from veneercheck.core.mesh.triangles import border_vertices, row_dot, vertex_normals
from veneercheck.core.types import Bools, Floats, Ints, TriangleMesh

LINE_STEP_MM = 0.02
"""The finish line is taken as points so close together: beside it the way errs by 4 µm at most."""


_OUTSIDE_COS = 0.5
"""A point within 60° of straight out from its nearest vertex lies outside."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Under:
    """Where points lie with regard to the contour.

    Parameters
    ----------
    depth_mm : ndarray, shape (n,)
        Distance from the contour, positive inside.
    foot_mm : ndarray, shape (n, 3)
        The nearest point of the contour.
    face : ndarray of int64, shape (n,)
    shares : ndarray, shape (n, 3)
        Of the triangle's corners in the foot.
    """

    depth_mm: Floats
    foot_mm: Floats
    face: Ints
    shares: Floats


class Contour:
    """A closed contour with what is to be cut of it.

    Parameters
    ----------
    mesh : TriangleMesh
        Closed, normals outward, edges of a few tenths of a millimetre.
    extent_mm : ndarray, shape (n,)
        Positive where it is to be veneered; the finish line runs where it is zero.
    """

    def __init__(self, mesh: TriangleMesh, extent_mm: Floats) -> None:
        from scipy.spatial import cKDTree

        self.mesh, self.extent_mm = mesh, extent_mm
        self.normals = vertex_normals(mesh)
        self._surface = WalkableSurface(mesh)
        self._vertices: Any = cKDTree(mesh.points_mm)

    @cached_property
    def line_mm(self) -> Floats:
        """Points of the finish line, shape (k, 3)."""
        return finish_line(self.mesh, self.extent_mm)

    @cached_property
    def _line(self) -> Any:
        from scipy.spatial import cKDTree

        return cKDTree(self.line_mm)

    def under(self, points_mm: Floats) -> Under:
        """Depth and foot of points, each near enough for its foot to lie by its nearest vertex."""
        _, vertex = self._vertices.query(points_mm, workers=-1)
        near, _ = self._surface.walk(points_mm, vertex)
        shares = shares_in(self.mesh.points_mm[self.mesh.faces[near.face]], near.point_mm)
        outward = np.einsum("ij,ijk->ik", shares, self.normals[self.mesh.faces[near.face]])
        outside = row_dot(points_mm - near.point_mm, outward) > 0
        depth = np.where(outside, -near.distance_mm, near.distance_mm)
        return Under(depth, near.point_mm, near.face, shares)

    def off_mm(self, points_mm: Floats) -> Floats:
        """How far points lie outside, negative inside, shape (n,).

        Inside is only what lies behind the surface itself: beyond the open edge of a die, or of the
        inside of a retainer, there is none.
        """
        found = self.under(points_mm)
        beyond = at_open_edge(self.mesh, self._rim, found.face, found.shares)
        return np.where(beyond, np.abs(found.depth_mm), -found.depth_mm)

    @cached_property
    def _rim(self) -> Bools:
        return border_vertices(self.mesh)

    def may_be_within(self, points_mm: Floats, reach_mm: Floats) -> Bools:
        """Points that may lie inside or nearer than their reach; the others surely do not."""
        away, vertex = self._vertices.query(points_mm, workers=-1)
        height = row_dot(points_mm - self.mesh.points_mm[vertex], self.normals[vertex])
        outside = height > _OUTSIDE_COS * away
        return np.asarray(~outside | (away - self._between_mm <= reach_mm))

    @cached_property
    def _between_mm(self) -> float:
        """No place of the surface is farther than this from a vertex."""
        corners = self.mesh.points_mm[self.mesh.faces]
        sides = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2)
        return float(sides.max(initial=0.0) / np.sqrt(3.0))

    def at(self, under: Under, values: Floats) -> Floats:
        """Values of the contour's vertices at feet, shape (n,)."""
        found: Floats = row_dot(under.shares, values[self.mesh.faces[under.face]])
        return found

    def way_mm(self, foot_mm: Floats, extent_mm: Floats, reach_mm: float) -> Floats:
        """Way of feet inward from the finish line, at most `reach_mm` either way, shape (n,)."""
        if not len(self.line_mm):
            return np.where(extent_mm > 0, reach_mm, -reach_mm)
        away, _ = self._line.query(foot_mm, distance_upper_bound=reach_mm, workers=-1)
        return np.asarray(np.where(extent_mm > 0, 1.0, -1.0) * np.minimum(away, reach_mm))


def finish_line(mesh: TriangleMesh, extent_mm: Floats) -> Floats:
    """Points close together where an extent that is linear in every triangle is zero, (k, 3)."""
    corners = extent_mm[mesh.faces] > 0
    cut = np.flatnonzero(corners.any(axis=1) & ~corners.all(axis=1))
    faces, above = mesh.faces[cut], corners[cut]
    lone = np.where(above.sum(axis=1) == 1, above.argmax(axis=1), (~above).argmax(axis=1))
    rows = np.arange(len(cut))
    first = faces[rows, lone]
    ends = []
    for turn in (1, 2):
        other = faces[rows, (lone + turn) % 3]
        share = extent_mm[first] / (extent_mm[first] - extent_mm[other])
        start = mesh.points_mm[first]
        ends.append(start + share[:, None] * (mesh.points_mm[other] - start))
    begin, end = ends
    length = np.linalg.norm(end - begin, axis=1)
    count = np.ceil(length / LINE_STEP_MM).astype(np.int64) + 1
    piece = np.repeat(rows, count)
    step = np.arange(len(piece)) - np.repeat(np.cumsum(count) - count, count)
    share = step / count[piece]
    found: Floats = begin[piece] + share[:, None] * (end - begin)[piece]
    return found
