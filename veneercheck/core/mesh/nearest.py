"""Nearest points of a surface, in float64: over all of it, or on one's own side of it."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import numpy.typing as npt

from veneercheck.core.errors import MeshError
from veneercheck.core.mesh.triangles import edge_pairs, in_threads, row_dot
from veneercheck.core.types import Bools, Floats, Ints, TriangleMesh

_AT_ONCE = 16_384
"""Points walked together: what they touch stays in the processor's cache, and memory flat."""

_NEEDLE_SIN2 = 1e-12
"""A triangle whose first corner is sharper (a millionth of a radian) is all sides: rounding alone
would give it a plane."""


_LONG_MM, _LONG_SIDES, _MOST_PIECES = 1.5, 8.0, 200_000
"""Longer triangles, and so many times longer than usual, are halved for the tree, up to so many."""


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

        self._points, self._faces, self._whole = _in_short_pieces(mesh)
        self._tree: Any = igl.AABB()
        self._tree.init(self._points, self._faces)

    def query(self, points_mm: npt.ArrayLike) -> Nearest:
        """Nearest surface point to each point, shape (n, 3), in mm."""
        points = np.ascontiguousarray(points_mm, dtype=np.float64)
        squared, face, place = self._tree.squared_distance(self._points, self._faces, points)
        distance = np.sqrt(np.maximum(np.atleast_1d(squared), 0.0))
        face = np.atleast_1d(face)
        face = face if self._whole is None else self._whole[face]
        return Nearest(distance, face, np.asarray(place).reshape(-1, 3))


def _in_short_pieces(mesh: TriangleMesh) -> tuple[Floats, Ints, Ints | None]:
    """The triangles with those far longer than usual halved over and over, and of what triangle
    each is a piece; None where none was halved.

    The boxes of a plinth's long triangles hold half of a scan, and a tree asks all that is in them.
    Nothing is moved, so neighbours need not be halved alike, as `refine` halves what is measured.
    """
    points, faces = mesh.points_mm, mesh.faces
    squared = squared_sides(points, faces)
    usual = float(np.median(squared[:: max(len(faces) // 20_000, 1)].max(axis=1)))
    limit = max(_LONG_MM**2, _LONG_SIDES**2 * usual)
    if not squared.max(initial=0.0) > limit:
        return points, faces, None
    whole = np.arange(len(faces))
    long = squared.max(axis=1) > limit
    done, owner = [faces[~long]], [whole[~long]]
    while long.any() and len(points) < len(mesh.points_mm) + _MOST_PIECES:
        faces, whole, squared = faces[long], whole[long], squared[long]
        k = squared.argmax(axis=1)[:, None]
        a, b, c = (np.take_along_axis(faces, (k + i) % 3, axis=1)[:, 0] for i in range(3))
        middle = np.arange(len(points), len(points) + len(faces))
        points = np.concatenate([points, 0.5 * (points[a] + points[b])])
        faces = np.concatenate([np.stack([a, middle, c], 1), np.stack([middle, b, c], 1)])
        whole = np.concatenate([whole, whole])
        squared = squared_sides(points, faces)
        long = squared.max(axis=1) > limit
        done.append(faces[~long])
        owner.append(whole[~long])
    done.append(faces[long])
    owner.append(whole[long])
    return points, np.concatenate(done), np.concatenate(owner)


def squared_sides(points: Floats, faces: Ints) -> Floats:
    """Of the sides that begin at each corner, shape (m, 3)."""
    corners = [points.take(corner, axis=0) for corner in faces.T]
    sides = [corners[(k + 1) % 3] - corners[k] for k in range(3)]
    return np.stack([row_dot(side, side) for side in sides], axis=1)


class NearestPoints:
    """Points that can be asked which of them is nearest.

    Parameters
    ----------
    points_mm : ndarray, shape (m, 3)

    Examples
    --------
    >>> NearestPoints(np.eye(3)).query(np.array([[0.9, 0.0, 0.0]]))[1].tolist()
    [0]
    """

    def __init__(self, points_mm: Floats) -> None:
        import igl

        self._points = np.ascontiguousarray(points_mm)
        self._each = np.arange(len(points_mm)).reshape(-1, 1)
        self._tree: Any = igl.AABB()
        self._tree.init(self._points, self._each)

    def query(self, points_mm: Floats) -> tuple[Floats, Ints]:
        """Distance in mm to the nearest one, shape (n,), and which it is."""
        asked = np.ascontiguousarray(points_mm)
        squared, which, _ = self._tree.squared_distance(self._points, self._each, asked)
        return np.sqrt(np.atleast_1d(squared)), np.atleast_1d(which)


class WalkableSurface:
    """A surface on which the nearest point is found by walking downhill from a start.

    Behind a thin wall the nearest point of all may lie on the wall's other face. A walk that
    starts where the outward ray left the body stays on the side that the ray saw.

    Parameters
    ----------
    edges : ndarray of int64, shape (e, 2), optional
        Of the mesh, where they are known already.
    """

    def __init__(self, mesh: TriangleMesh, edges: Ints | None = None) -> None:
        self.mesh = mesh
        n = len(mesh.points_mm)
        if edges is None:
            edges = edge_pairs(mesh.faces)
        self._neighbours = _Lists.group(
            np.concatenate([edges[:, 0], edges[:, 1]]),
            np.concatenate([edges[:, 1], edges[:, 0]]),
            n,
        )
        self._faces_around = _Lists.group(
            mesh.faces.T.reshape(-1), np.tile(np.arange(len(mesh.faces)), 3), n
        )

    def on_border(self, vertex: Ints) -> Bools:
        """Whether vertices lie on an open border: they have more edges than triangles."""
        more: Bools = self._neighbours.length > self._faces_around.length
        return more[vertex]

    def walk(self, points_mm: Floats, start_vertex: Ints) -> tuple[Nearest, Ints]:
        """Walk from a vertex to the nearest one, then to the nearest point around it.

        Parameters
        ----------
        points_mm : ndarray, shape (n, 3)
        start_vertex : ndarray of int64, shape (n,)

        Returns
        -------
        nearest : Nearest
        vertex : ndarray of int64, shape (n,)
            The vertex each walk ended on.
        """
        count = len(points_mm)
        vertex, face = np.empty(count, dtype=np.int64), np.empty(count, dtype=np.int64)
        place = np.empty((count, 3))

        def run(share: slice) -> None:
            for first in range(share.start, share.stop, _AT_ONCE):
                part = slice(first, min(first + _AT_ONCE, share.stop))
                vertex[part], face[part], place[part] = self._walk(
                    points_mm[part], start_vertex[part]
                )

        in_threads(run, count)
        gap = place - points_mm
        return Nearest(np.sqrt(row_dot(gap, gap)), face, place), vertex

    def _walk(self, points_mm: Floats, start_vertex: Ints) -> tuple[Ints, Ints, Floats]:
        vertex = self._walk_over_vertices(points_mm, start_vertex)
        place, face, over = self._foot_in_a_face(points_mm, vertex)
        beside = np.flatnonzero(~over)
        if len(beside):
            place[beside], face[beside] = self._on_any_face(points_mm[beside], vertex[beside])
        return vertex, face, place

    def _foot_in_a_face(self, points_mm: Floats, vertex: Ints) -> tuple[Floats, Ints, Bools]:
        """The nearest foot of a perpendicular that falls inside a triangle round the vertex."""
        segment, face, _ = self._faces_around.of(vertex)
        foot, inside = _feet(points_mm.take(segment, axis=0), self._corners(face))
        segment, face, foot = segment[inside], face[inside], foot[inside]
        gap = foot - points_mm.take(segment, axis=0)
        new = np.ones(len(segment), dtype=bool)
        new[1:] = segment[1:] != segment[:-1]
        found, starts = segment[new], np.flatnonzero(new)
        best, _ = _first_least(row_dot(gap, gap), np.cumsum(new) - 1, starts)
        place = np.full((len(points_mm), 3), np.nan)
        around = np.zeros(len(points_mm), dtype=np.int64)
        over = np.zeros(len(points_mm), dtype=bool)
        place[found], around[found], over[found] = foot[best], face[best], True
        return place, around, over

    def _on_any_face(self, points_mm: Floats, vertex: Ints) -> tuple[Floats, Ints]:
        segment, face, starts = self._faces_around.of(vertex)
        asked = points_mm.take(segment, axis=0)
        place = closest_on_triangles(asked, self._corners(face))
        gap = place - asked
        best, _ = _first_least(row_dot(gap, gap), segment, starts)
        return place[best], face[best]

    def _corners(self, face: Ints) -> Floats:
        return self.mesh.points_mm.take(self.mesh.faces.take(face, axis=0), axis=0)

    def _walk_over_vertices(self, points_mm: Floats, start_vertex: Ints) -> Ints:
        vertex = start_vertex.copy()
        active = np.arange(len(points_mm))
        gap = self.mesh.points_mm.take(vertex, axis=0) - points_mm
        squared = row_dot(gap, gap)
        while len(active):
            segment, candidate, starts = self._neighbours.of(vertex[active])
            step = self.mesh.points_mm.take(candidate, axis=0)
            step -= points_mm.take(active[segment], axis=0)
            best, least = _first_least(row_dot(step, step), segment, starts)
            nearer = least < squared[active]
            active = active[nearer]
            vertex[active] = candidate[best[nearer]]
            squared[active] = least[nearer]
        return vertex


def spread_starts(start: Ints, edges: Ints) -> Ints:
    """Give every vertex without a starting place (−1) that of a neighbour, and so on.

    Parameters
    ----------
    start : ndarray of int64, shape (n,)
    edges : ndarray of int64, shape (e, 2)

    Returns
    -------
    ndarray of int64, shape (n,)
        Still −1 on parts where no vertex has one.
    """
    start = start.copy()
    both = np.concatenate([edges, edges[:, ::-1]])
    while True:
        both = both[start[both[:, 0]] < 0]
        ready = both[start[both[:, 1]] >= 0]
        if not len(ready):
            return start
        start[ready[:, 0]] = start[ready[:, 1]]


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class _Lists:
    """Lists of unequal length, end to end."""

    start: Ints
    length: Ints
    items: Ints

    @staticmethod
    def group(owner: Ints, item: Ints, count: int) -> _Lists:
        length = np.bincount(owner, minlength=count)
        start = np.concatenate([[0], np.cumsum(length)[:-1]])
        # One sort of words, owner above place, is stable and faster than an indirect one.
        bits = max(len(owner), 1).bit_length()
        word = (owner << bits) | np.arange(len(owner))
        word.sort()
        return _Lists(start, length, item[word & ((1 << bits) - 1)])

    def of(self, rows: Ints) -> tuple[Ints, Ints, Ints]:
        """All items of some rows, for each the position of its row, and where each row begins."""
        length = self.length.take(rows)
        starts = np.cumsum(length) - length
        segment = np.repeat(np.arange(len(rows)), length)
        place = np.arange(len(segment)) + np.repeat(self.start.take(rows) - starts, length)
        return segment, self.items.take(place), starts


def _first_least(values: Floats, segment: Ints, starts: Ints) -> tuple[Ints, Floats]:
    """Index and size of the least value of every segment; segments are sorted, none is empty."""
    least = np.minimum.reduceat(values, starts) if len(values) else values
    at = np.flatnonzero(values == least.take(segment))
    best = np.zeros(len(starts), dtype=np.int64)
    best[segment[at][::-1]] = at[::-1]
    return best, least


def closest_on_triangles(points_mm: Floats, corners_mm: Floats) -> Floats:
    """Closest point of a triangle to a point, for many pairs at once.

    Parameters
    ----------
    points_mm : ndarray, shape (n, 3)
    corners_mm : ndarray, shape (n, 3, 3)
        Corner, then coordinate.

    Returns
    -------
    ndarray, shape (n, 3)

    Notes
    -----
    The foot of the perpendicular where it falls inside, else the best point of the three sides.
    """
    place, inside = _feet(points_mm, corners_mm)
    outside = np.flatnonzero(~inside)
    if len(outside):
        place[outside] = _closest_on_sides(points_mm[outside], corners_mm[outside])
    return place


def _feet(points_mm: Floats, corners_mm: Floats) -> tuple[Floats, Bools]:
    """Feet of the perpendiculars on the planes of triangles, and whether they fall inside."""
    a = corners_mm[:, 0]
    ab, ac, ap = corners_mm[:, 1] - a, corners_mm[:, 2] - a, points_mm - a
    d00, d01, d11 = row_dot(ab, ab), row_dot(ab, ac), row_dot(ac, ac)
    d20, d21 = row_dot(ap, ab), row_dot(ap, ac)
    det = d00 * d11 - d01 * d01
    flat = ~(det > _NEEDLE_SIN2 * d00 * d11)
    det[flat] = 1.0
    v = (d11 * d20 - d01 * d21) / det
    w = (d00 * d21 - d01 * d20) / det
    inside = (v >= 0) & (w >= 0) & (v + w <= 1) & ~flat
    return a + v[:, None] * ab + w[:, None] * ac, inside


def _closest_on_sides(points_mm: Floats, corners_mm: Floats) -> Floats:
    side = np.roll(corners_mm, -1, axis=1) - corners_mm
    towards = points_mm[:, None, :] - corners_mm
    length2 = np.einsum("ijk,ijk->ij", side, side)
    along = np.einsum("ijk,ijk->ij", towards, side) / np.where(length2 > 0, length2, 1.0)
    foot = corners_mm + np.clip(along, 0.0, 1.0)[:, :, None] * side
    gap = foot - points_mm[:, None, :]
    best = np.einsum("ijk,ijk->ij", gap, gap).argmin(axis=1)
    closest: Floats = foot[np.arange(len(foot)), best]
    return closest
