"""Sections: where a surface passes a plane or a curtain, laid flat and exact on every triangle."""

from __future__ import annotations

import dataclasses

import numpy as np

from veneercheck.core.mesh.triangles import components
from veneercheck.core.types import Bools, Floats, Ints, TriangleMesh


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Crossing:
    """Triangles that a level of a value passes, and the two edges on which it does.

    Parameters
    ----------
    face : ndarray of int64, shape (k,)
    vertex : ndarray of int64, shape (k, 2, 2)
        Ends of each of the two edges.
    share : ndarray, shape (k, 2)
        How far along each edge the level lies, 0 at its first end.
    """

    face: Ints
    vertex: Ints
    share: Floats

    def at(self, values: Floats) -> Floats:
        """Values of the vertices, shape (n, …), at both ends of every piece, shape (k, 2, …)."""
        first, second = values[self.vertex[:, :, 0]], values[self.vertex[:, :, 1]]
        share = self.share.reshape(self.share.shape + (1,) * (values.ndim - 1))
        return np.asarray(first + share * (second - first))


def crossing(
    mesh: TriangleMesh, values: Floats, level: float = 0.0, faces: Bools | None = None
) -> Crossing:
    """Find where a value, linear on each triangle, passes a level.

    Parameters
    ----------
    values : ndarray, shape (n,)
        At the vertices; a triangle with a value that is not finite is not passed.
    faces : ndarray of bool, shape (m,), optional
        Triangles to look at.

    Returns
    -------
    Crossing
        Pieces of one body run so that neighbours continue one another.
    """
    index = _passed(mesh.faces, values, level, faces)
    corner = values[mesh.faces[index]]
    above = corner >= level
    # Turn each triangle so that the corner alone on its side of the level comes first.
    lone_above = above.sum(axis=1) == 1
    alone = np.where(lone_above, above.argmax(axis=1), above.argmin(axis=1))
    turned = (alone[:, None] + np.arange(3)) % 3
    vertex = np.take_along_axis(mesh.faces[index], turned, axis=1)
    value = np.take_along_axis(corner, turned, axis=1)
    share = (level - value[:, :1]) / (value[:, 1:] - value[:, :1])
    order = np.where(lone_above[:, None], [0, 1], [1, 0])
    ends = np.stack([np.broadcast_to(vertex[:, :1], (len(index), 2)), vertex[:, 1:]], axis=2)
    return Crossing(
        index,
        np.take_along_axis(ends, order[:, :, None], axis=1),
        np.take_along_axis(share, order, axis=1),
    )


def _passed(triangles: Ints, values: Floats, level: float, faces: Bools | None) -> Ints:
    """Triangles with corners on both sides of a level, all of them known."""
    above, known = values >= level, np.isfinite(values)
    a, b, c = (above[triangles[:, k]] for k in range(3))
    passed = (a != b) | (b != c)
    if faces is not None:
        passed &= faces
    index = np.flatnonzero(passed)
    return index if known.all() else index[known[triangles[index]].all(axis=1)]


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Plane:
    """A plane with the two directions of its drawing.

    Parameters
    ----------
    origin_mm, across, above : ndarray, shape (3,)
        A point of the plane; unit vectors to the right and upwards in the drawing.
    """

    origin_mm: Floats
    across: Floats
    above: Floats

    def offset(self, points_mm: Floats) -> Floats:
        """Distance from the plane, towards who looks at the drawing, shape (n,), mm."""
        return np.asarray((points_mm - self.origin_mm) @ np.cross(self.across, self.above))

    def flat(self, points_mm: Floats) -> Floats:
        """Place in the drawing, shape (n, 2), mm."""
        away = points_mm - self.origin_mm
        return np.stack([away @ self.across, away @ self.above], axis=-1)


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Cut:
    """A surface laid flat where it passes a plane.

    Parameters
    ----------
    pieces_mm : ndarray, shape (k, 2, 2)
        Straight pieces from end to end, the body on their left.
    loop : ndarray of int64, shape (k,)
        Pieces that hang together have one number.
    closed : ndarray of bool, shape (c,)
        Whether each loop runs back into itself: one that does not was not seen all round.
    face : ndarray of int64, shape (k,)
        The triangle each piece lies on.
    """

    pieces_mm: Floats
    loop: Ints
    closed: Bools
    face: Ints

    def areas_mm2(self) -> Floats:
        """Area that each loop encloses, shape (c,): negative for a hollow, NaN where open.

        Shoelace formula over the pieces: exact for the polygon.
        """
        (x0, y0), (x1, y1) = self.pieces_mm[:, 0].T, self.pieces_mm[:, 1].T
        area = 0.5 * np.bincount(self.loop, x0 * y1 - x1 * y0, minlength=len(self.closed))
        return np.where(self.closed, area, np.nan)


def plane_cut(mesh: TriangleMesh, plane: Plane, faces: Bools | None = None) -> Cut:
    """Cut a surface with a plane.

    Parameters
    ----------
    mesh : TriangleMesh
        Normals outward.
    faces : ndarray of bool, shape (m,), optional
        Triangles to cut.

    Examples
    --------
    >>> tetrahedron = TriangleMesh(
    ...     [[0, 0, 0], [2, 0, 0], [0, 2, 0], [0, 0, 2]],
    ...     [[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]],
    ... )
    >>> halfway = Plane(np.array([0, 0, 1.0]), np.array([1.0, 0, 0]), np.array([0, 1.0, 0]))
    >>> float(plane_cut(tetrahedron, halfway).areas_mm2()[0])
    0.5
    """
    return laid_flat(mesh, plane.offset(mesh.points_mm), plane.flat(mesh.points_mm), faces)


def laid_flat(mesh: TriangleMesh, offset: Floats, flat: Floats, faces: Bools | None = None) -> Cut:
    """Cut a surface where an offset is nought, such as the distance from a curved curtain.

    Parameters
    ----------
    offset : ndarray, shape (n,)
        Signed distance of every vertex from the plane or curtain, growing towards who looks.
    flat : ndarray, shape (n, 2)
        Place of every vertex in the drawing.
    """
    # A vertex that lies in the plane would be passed by none or many of its triangles.
    passed = crossing(mesh, np.where(offset == 0.0, _JUST_OFF_MM, offset), 0.0, faces)
    low, high = passed.vertex.min(axis=2), passed.vertex.max(axis=2)
    edges, node = np.unique(low * len(offset) + high, return_inverse=True)
    node = node.reshape(-1, 2)
    label = components(len(edges), node)
    closed = np.ones(label.max(initial=-1) + 1, dtype=bool)
    closed[label[np.bincount(node.ravel(), minlength=len(edges)) != _BOTH]] = False
    return Cut(passed.at(flat), label[node[:, 0]], closed, passed.face)


_BOTH = 2
"""A point of a closed loop ends one piece and begins another."""

_JUST_OFF_MM = 1e-12
