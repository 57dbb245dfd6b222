"""The contour as the gap shows it: the nearest point that is seen, and the largest ball under it.

A walk downhill from where a ray ends finds the nearest contour of that neighbourhood only: beside
a wall the ray runs through the veneer, along the contour, and meets it millimetres on. What is
asked here is the whole contour, less what lies on the metal itself far from any cut.

Notes
-----
The nearest contour is the nearest of all that is seen. A walk from the ray's end finds the nearest
contour of that neighbourhood only; beside walls, in tight embrasures and from ledges the ray runs
along the veneer and ends millimetres on, so that «too thick 4.88, add 6.00 mm» stood where 0.7 mm
was. Behind a thin wall the nearest contour of all lies on the wall's other side. Choice: libigl's
tree over the contour that bounds the gap (what lies on metal farther than 1 mm from any cut is left
out), and a line of sight, lifted 0.1 mm, that the metal must not cross; where it does, the nearest
seen of those within some three millimetres; the walk only where nothing is seen. Contour that is
turned away from the point by more than 139° and not ahead of it is left out, too: past the edge of
a thin wall that of its other side is seen. Points out of the contour see it from outside. Instead
of: local thickness (the largest ball anywhere that holds the point) for too thick: a pit narrower
than it is deep would read less than its depth, and over a sharp cusp a sound, even cut would read
up to 1.5 times its depth. Cost: one more tree; a contour seen past a bump of less than 0.1 mm
counts as seen, and that of a wall's other side where it is turned away by less.

The distance to the contour is read along the contour's normal at its foot. The least of many noisy
distances is short by about one sigma, and the normal of the vertex beside the foot makes it long by
some micrometres on curved surface. Choice: the direction is the normal between the corners' normals
at the foot, chosen before the distance is read. Instead of: the raw nearest distance. Cost: one
more set of rays.
"""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np

from veneercheck.core.mesh.nearest import Nearest, NearestSurface, closest_on_triangles
from veneercheck.core.mesh.rays import RayScene
from veneercheck.core.mesh.triangles import any_in, reach_along_edges, row_dot
from veneercheck.core.types import Bools, Floats, Ints, TriangleMesh

LYING_MM, LYING_SIGMAS = 0.05, 4.0
"""Contour this near to the metal under it, or within so many of the noise's σ, lies on it: it was
not cut there."""

BESIDE_MM = 1.0
"""Contour that lies on the metal still bounds the gap so far from where it leaves it."""

LIFT_MM = 0.1
"""A line of sight starts so far off its own surface: bumps of the scan hide nothing."""

_SHORT_MM = 0.15
"""A line of sight that ends so near to the contour is not hidden: at the finish line the two
surfaces meet."""

_BEHIND_COS = -0.75
"""Contour that lies farther behind a vertex (139° from its normal) is seen through metal only; over
a sharp edge the nearest may lie behind."""

_TURNED_COS, _AHEAD_COS = -0.75, 0.5
"""Contour that is turned away from a vertex by more than 139° and does not lie ahead is that of a
wall's other side, though it may be seen past the wall's edge."""

_CANDIDATES = (8, 64)
_FARTHER = (200, 640)
_MANY, _EVERY, _SPARSE = 4000, 4, 160
"""Contour vertices tried where the nearest is hidden: the first lie beside it, the second within a
millimetre on a usual scan, the last within three. Of more than so many points those last are asked
only where one of every fourth is seen: under folded metal a hundred thousand see nothing at all."""

_PAIRS_AT_ONCE = 500_000
"""Lines of sight tried in one go: 50 MB at most."""

_AT_FIRST = 2
"""Of a point's candidates so many are tried first, then as many again, and so on."""

_CLOSE_ENOUGH_MM = 5e-4
"""A ball that would shrink by less has come to rest: half a micrometre of its diameter."""

_MOST_STEPS = 30

_NOISE_SIGMAS = 1.5
"""The nearest of many noisy points lies so far inside a ball by noise alone."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Gap:
    """The contour that bounds the gap, and the metal that hides part of it.

    Parameters
    ----------
    contour : TriangleMesh
    normals : ndarray, shape (k, 3)
        Outward, of its vertices.
    faces : ndarray of int64, shape (k,)
        Those of its triangles that can bound the gap.
    tree : NearestSurface
        Of these.
    metal : RayScene
        Of the framework.
    """

    contour: TriangleMesh
    normals: Floats
    faces: Ints
    tree: NearestSurface
    metal: RayScene
    _kept: dict[int, tuple[Ints, Any]] = dataclasses.field(
        default_factory=dict, init=False, repr=False
    )
    _fans: list[tuple[Ints, Ints]] = dataclasses.field(default_factory=list, init=False, repr=False)

    @staticmethod
    def between(
        contour: TriangleMesh,
        normals: Floats,
        edges: Ints,
        *,
        over_metal_mm: Floats,
        metal: RayScene,
        noise_mm: float = 0.0,
    ) -> Gap:
        """Set the gap up.

        Parameters
        ----------
        contour : TriangleMesh
            In the frame of the metal.
        normals : ndarray, shape (k, 3)
            Outward, of its vertices.
        edges : ndarray of int64, shape (e, 2)
            Of the contour.
        over_metal_mm : ndarray, shape (k,)
            How far the metal lies under every contour vertex; NaN where none was met.
        metal : RayScene
        noise_mm : float
            Of both scans together, standard deviation.
        """
        free = ~(np.abs(over_metal_mm) <= max(LYING_MM, LYING_SIGMAS * noise_mm))
        near = np.isfinite(reach_along_edges(contour.points_mm, edges, free, BESIDE_MM))
        faces = np.flatnonzero(any_in(near, contour.faces))
        if not len(faces):
            faces = np.arange(len(contour.faces))
        tree = NearestSurface(TriangleMesh(contour.points_mm, contour.faces[faces]))
        return Gap(contour, normals, faces, tree, metal)

    def nearest(self, points_mm: Floats, normals: Floats) -> tuple[Nearest, Bools]:
        """The nearest contour point that is seen from points of the framework.

        Parameters
        ----------
        points_mm, normals : ndarray, shape (n, 3)
            Outward.

        Returns
        -------
        nearest : Nearest
            Faces are those of the whole contour.
        seen : ndarray of bool, shape (n,)
            Whether the point told is seen, through the gap or from outside of the contour; else
            it is only the nearest of all.
        """
        found = self.tree.query(points_mm)
        place, face = found.point_mm, self.faces[found.face]
        vertex = corner_beside(self.contour, face, place)
        seen = row_dot(place - points_mm, self.normals[vertex]) < 0  # from out there
        within = np.flatnonzero(~seen)
        seen[within] = self._sees(
            points_mm[within], normals[within], place[within], self.normals[vertex[within]]
        )
        hidden = np.flatnonzero(~seen)
        if len(hidden):
            other, other_face = self._next_seen(points_mm[hidden], normals[hidden])
            got = np.flatnonzero(other_face >= 0)
            vertex = corner_beside(self.contour, other_face[got], other[got])
            way, outward = other[got] - points_mm[hidden[got]], self.normals[vertex]
            # Round a vertex that is seen there may be contour of a wall's other side.
            own = _faces(way, normals[hidden[got]], outward) & (row_dot(way, outward) >= 0)
            got = got[own]
            at = hidden[got]
            place[at], face[at], seen[at] = other[got], other_face[got], True
        gap = place - points_mm
        return Nearest(np.sqrt(row_dot(gap, gap)), face, place), seen

    def _sees(self, points_mm: Floats, normals: Floats, place_mm: Floats, outward: Floats) -> Bools:
        """Whether nothing of the metal lies between points and places on the contour, which have
        normals of their own."""
        gap = place_mm - points_mm
        ahead = _faces(gap, normals, outward)
        seen = ahead.copy()
        asked = np.flatnonzero(ahead)
        start = points_mm.take(asked, axis=0) + LIFT_MM * normals.take(asked, axis=0)
        way = place_mm.take(asked, axis=0) - start
        length = np.sqrt(row_dot(way, way))
        far = length > _SHORT_MM
        asked, length = asked[far], length[far]
        start, way = start.compress(far, axis=0), way.compress(far, axis=0)
        if len(asked):
            hits = self.metal.first_hit(start, way / length[:, None])
            seen[asked] = ~(hits.met & (hits.distance_mm < length - _SHORT_MM))
        return seen

    def _next_seen(self, points_mm: Floats, normals: Floats) -> tuple[Floats, Ints]:
        """The nearest seen one of the contour points round about; face −1 where there is none."""
        chosen = np.full(len(points_mm), -1, dtype=np.int64)

        def ask(left: Ints, most: int, every: int = 1) -> None:
            used, tree = self._corners(every)
            count = min(most, len(used))
            rows = max(_PAIRS_AT_ONCE // count, 1)
            for first in range(0, len(left), rows):
                some = left[first : first + rows]
                which = used[tree.query(points_mm[some], k=count)[1].reshape(len(some), count)]
                chosen[some] = self._nearest_seen(points_mm[some], normals[some], which)

        for most in _CANDIDATES:
            ask(np.flatnonzero(chosen < 0), most)
        left = np.flatnonzero(chosen < 0)
        coarsely = chosen.copy()
        if len(left) > _MANY:
            ask(left, _SPARSE, _EVERY)
            left = left[chosen[left] >= 0]
            coarsely[left], chosen[left] = chosen[left], -1
        for most in _FARTHER:
            ask(left[chosen[left] < 0], most)
        chosen[left] = np.where(chosen[left] < 0, coarsely[left], chosen[left])
        return self._round(points_mm, chosen)

    def _corners(self, every: int = 1) -> tuple[Ints, Any]:
        """Vertices of the contour that bounds the gap, or every so many of them, and their tree:
        made when first asked."""
        if every not in self._kept:
            from scipy.spatial import cKDTree

            used = np.unique(self.contour.faces[self.faces])[::every]
            self._kept[every] = (used, cKDTree(self.contour.points_mm[used]))
        return self._kept[every]

    def _around(self) -> tuple[Ints, Ints]:
        """Corners of the triangles that bound the gap, by vertex, and these vertices: made once."""
        if not self._fans:
            corner = self.contour.faces[self.faces].reshape(-1)
            order = np.argsort(corner, kind="stable")
            self._fans.append((order, corner[order]))
        return self._fans[0]

    def _nearest_seen(self, points_mm: Floats, normals: Floats, which: Ints) -> Ints:
        """The first contour vertex of a row for each point, nearest first, that it sees; −1: none.

        A few are tried at a time: most points see one of the first.
        """
        chosen = np.full(len(which), -1, dtype=np.int64)
        left, first = np.arange(len(which)), 0
        while first < which.shape[1] and len(left):
            tried = which[left, first : max(2 * first, _AT_FIRST)]
            row, vertex = np.repeat(left, tried.shape[1]), tried.reshape(-1)
            seen = self._sees(
                points_mm.take(row, axis=0), normals.take(row, axis=0),
                self.contour.points_mm.take(vertex, axis=0), self.normals.take(vertex, axis=0),
            ).reshape(tried.shape)  # fmt: skip
            best = seen.argmax(axis=1)
            some = np.flatnonzero(seen[np.arange(len(left)), best])
            chosen[left[some]] = tried[some, best[some]]
            left, first = np.delete(left, some), first + tried.shape[1]
        return chosen

    def _round(self, points_mm: Floats, vertex: Ints) -> tuple[Floats, Ints]:
        """The nearest point of the triangles round a vertex each; face −1 where that is −1."""
        place = np.full((len(vertex), 3), np.nan)
        face = np.full(len(vertex), -1, dtype=np.int64)
        order, sorted_ = self._around()
        first, last = np.searchsorted(sorted_, vertex), np.searchsorted(sorted_, vertex, "right")
        asked = np.flatnonzero(vertex >= 0)
        if not len(asked):
            return place, face
        most = int((last - first)[asked].max())
        least = np.full(len(asked), np.inf)
        for k in range(most):
            has = first[asked] + k < last[asked]
            one = self.faces[order[np.minimum(first[asked] + k, len(order) - 1)] // 3]
            spot = closest_on_triangles(
                points_mm[asked], self.contour.points_mm[self.contour.faces[one]]
            )
            gap = spot - points_mm[asked]
            distance = np.where(has, row_dot(gap, gap), np.inf)
            better = distance < least
            least[better] = distance[better]
            place[asked[better]], face[asked[better]] = spot[better], one[better]
        return place, face

    def balls(
        self, points_mm: Floats, normals: Floats, most_mm: Floats, *, noise_mm: float = 0.0
    ) -> tuple[Floats, Floats]:
        """The largest ball that touches each point from outside and holds no contour point.

        Parameters
        ----------
        points_mm, normals : ndarray, shape (n, 3)
        most_mm : ndarray, shape (n,)
            Diameter to start with, positive: no ball is larger.
        noise_mm : float
            Noise of the two surfaces; a contour point no deeper inside the ball than this may be
            noise and does not shrink it.

        Returns
        -------
        diameter_mm : ndarray, shape (n,)
            The ball touches the point along its normal: its centre lies half of this off.
        touched_mm : ndarray, shape (n, 3)
            The contour point that stopped it; NaN where nothing did.

        Notes
        -----
        Shrinking ball (Ma, Bae and Choi 2012, from memory): the contour point nearest to the
        centre gives the next ball, through that point and touching the first, until no contour
        point lies inside.
        """
        diameter = most_mm.copy()
        touched = np.full(points_mm.shape, np.nan)
        active = np.flatnonzero(np.isfinite(diameter) & (diameter > 0))
        for _ in range(_MOST_STEPS):
            if not len(active):
                break
            radius = 0.5 * diameter[active]
            centre = points_mm[active] + radius[:, None] * normals[active]
            near = self.tree.query(centre)
            inside = near.distance_mm < radius - 0.5 * _CLOSE_ENOUGH_MM - _NOISE_SIGMAS * noise_mm
            active = active[inside]
            place = near.point_mm[inside]
            gap = place - points_mm[active]
            ahead = row_dot(gap, normals[active])
            with np.errstate(divide="ignore", invalid="ignore"):
                smaller = row_dot(gap, gap) / ahead
            shrinks = (ahead > 0) & (diameter[active] - smaller > _CLOSE_ENOUGH_MM)
            active = active[shrinks]
            diameter[active], touched[active] = smaller[shrinks], place[shrinks]
        return diameter, touched


def _faces(way: Floats, normals: Floats, outward: Floats) -> Bools:
    """Whether contour that lies so, with normals of its own, can be that of a vertex's own side."""
    turned = row_dot(normals, outward) < _TURNED_COS
    least = np.where(turned, _AHEAD_COS, _BEHIND_COS) * np.sqrt(row_dot(way, way))
    found: Bools = row_dot(way, normals) >= least
    return found


def corner_beside(mesh: TriangleMesh, face: Ints, place_mm: Floats) -> Ints:
    """The corner of a triangle that is nearest to a place on it, shape (k,)."""
    corners = mesh.points_mm.take(mesh.faces.take(face, axis=0), axis=0)
    gap = corners - place_mm[:, None, :]
    which = np.einsum("ijk,ijk->ij", gap, gap).argmin(axis=1)
    found: Ints = mesh.faces[face, which]
    return found
