"""Pairs of a framework point and its nearest contour point, the unfit ones refused.

Notes
-----
Far points are paired coarsely. Nearest points take ten times as long where the framework lies deep
under the contour, and no weight reaches there. Choice: six thousand points spread over the contour
tell which points are nearer than 0.3 mm; only those are paired exactly. Instead of: exact pairs for
all, a third of the time of a fit. Cost: deep residuals are rough; nothing but masks uses them.
"""

from __future__ import annotations

import dataclasses

import numpy as np

from veneercheck.core.align.sampling import (
    Samples,
    Surface,
    at_faces,
    barycentric,
    sample,
)
from veneercheck.core.mesh.nearest import NearestPoints, NearestSurface
from veneercheck.core.mesh.triangles import any_in, row_dot, unit
from veneercheck.core.types import Bools, Floats, Ints, RigidMotion

_AGREE = 0.8
"""Cosine from which on two normals agree: 37°, so that a thin wall's far side never pairs."""

_SMOOTH = 0.9
"""Cosine from which on the corners of a facet are taken to lie on one smooth surface: 26°."""

_INSIDE = 1e-6
"""Barycentric coordinate from which on a place is not on a side of its triangle."""

_COARSE_POINTS = 6000
_EXACT_MM = 0.3
"""No fit reaches farther: beyond it the nearest of some points spread over the contour will do.
An exact search takes ten times as long for a point that lies deep than for one that touches."""


_Feet = tuple[Floats, Floats, Floats, Floats, Bools]
"""Of points: the nearest contour points, normals there, what the contour bulges over its facets,
distances, and whether they lie off the borders."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Target:
    """A surface together with its search tree.

    Parameters
    ----------
    tree : NearestSurface
        Of the smoothed mesh.
    coarse : Samples
        Spread over it.
    coarse_tree : NearestPoints
        Of those.
    gap_mm : float
        No point is nearer to the surface by more than this than to the nearest of them.
    """

    surface: Surface
    tree: NearestSurface
    coarse: Samples
    coarse_tree: NearestPoints
    gap_mm: float


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Pairs:
    """What the nearest contour point says about every framework point.

    Parameters
    ----------
    point_mm : ndarray, shape (k, 3)
        Framework points, moved into the wax-up frame.
    normal : ndarray, shape (k, 3)
        Of the contour, at the nearest point.
    residual_mm : ndarray, shape (k,)
        Along `normal`; positive where the framework stands outside.
    bulge_mm : ndarray, shape (k,)
        How far a smooth contour lies outside its facet there; not taken off the residual, since
        normals of long facets are rough and a fit averages less of that than of the residual.
    distance_mm : ndarray, shape (k,)
        To the nearest point, not signed.
    good : ndarray of bool, shape (k,)
        Off the open borders, and the normals agree.
    """

    point_mm: Floats
    normal: Floats
    residual_mm: Floats
    bulge_mm: Floats
    distance_mm: Floats
    good: Bools

    def only(self, those: Bools) -> Pairs:
        """Some of them."""
        return Pairs(*(getattr(self, field.name)[those] for field in dataclasses.fields(self)))


def target_of(surface: Surface) -> Target:
    """Build the search trees of a surface."""
    coarse = sample(surface, _COARSE_POINTS)
    tree = NearestPoints(coarse.point_mm)
    # Between its vertices a surface is nowhere farther from the points than by half an edge more.
    gap = tree.query(surface.mesh.points_mm[surface.whole])[0].max(initial=0.0)
    return Target(surface, NearestSurface(surface.mesh), coarse, tree, float(gap) + surface.edge_mm)


def pair(samples: Samples, motion: RigidMotion, target: Target, *, touching: bool = False) -> Pairs:
    """Move framework points and pair each with its nearest contour point.

    Parameters
    ----------
    samples : Samples
        In the framework frame.
    motion : RigidMotion
        `waxup_from_framework`.
    touching : bool, optional
        The points are known to lie near the contour: all of them are paired exactly.

    Returns
    -------
    Pairs
        Exact within 0.3 mm of the contour; beyond, with the nearest of some points of it.
    """
    point, normal = motion.apply(samples.point_mm), motion.turn(samples.normal)
    if touching:
        return _paired(point, normal, _exactly(point, target))
    distance, which = target.coarse_tree.query(point)
    good, bulge = np.ones(len(point), dtype=bool), np.zeros(len(point))
    rough = target.coarse.take(which)
    feet = (rough.point_mm, rough.normal, bulge, distance, good)
    near = np.flatnonzero(distance <= _EXACT_MM + target.gap_mm)
    if len(near):
        for some, exact in zip(feet, _exactly(point[near], target), strict=True):
            some[near] = exact
    return _paired(point, normal, feet)


class Followed:
    """Framework points that are paired round after round of a fit, exactly, where they lie near.

    Parameters
    ----------
    samples : Samples
        In the framework frame.

    Notes
    -----
    A point's distance changes by no more than the point moves, and a point that was far under the
    contour is not above it before it has moved through. Choice: of each point it is kept how near
    it may have come, and only those are asked that may lie within the reach of the round's
    weights. Instead of: all of them anew, two thirds of a fit's time for points that pull nothing.
    Cost: a point that lay outside may be taken for one inside at first, where the coarse points
    are farther apart than the contour bends; it is asked as soon as it comes near.
    """

    def __init__(self, samples: Samples, target: Target) -> None:
        self._samples, self._target = samples, target
        self._point: Floats | None = None

    def pair(self, motion: RigidMotion, inside_mm: float, outside_mm: float) -> Pairs:
        """Pairs of the points that lie less than so far under the contour, or above it."""
        point, target = motion.apply(self._samples.point_mm), self._target
        if self._point is None:
            distance, which = target.coarse_tree.query(point)
            rough = target.coarse.take(which)
            self._least_mm = distance - target.gap_mm
            self._inside = row_dot(rough.normal, point - rough.point_mm) < 0
        else:
            way = point - self._point
            self._least_mm -= np.sqrt(row_dot(way, way))
        self._point = point
        asked = np.flatnonzero(self._least_mm < np.where(self._inside, inside_mm, outside_mm))
        normal = motion.turn(self._samples.normal[asked])
        found = _paired(point[asked], normal, _exactly(point[asked], target))
        inside = found.residual_mm < 0
        self._least_mm[asked], self._inside[asked] = found.distance_mm, inside
        return found.only(found.distance_mm < np.where(inside, inside_mm, outside_mm))


def _paired(point: Floats, normal: Floats, feet: _Feet) -> Pairs:
    foot, contour_normal, bulge, distance, good = feet
    residual = row_dot(contour_normal, point - foot)
    good &= row_dot(contour_normal, normal) > _AGREE
    return Pairs(point, contour_normal, residual, bulge, distance, good)


def _exactly(point: Floats, target: Target) -> _Feet:
    mesh, found = target.surface.mesh, target.tree.query(point)
    corners = mesh.faces[found.face]
    bary = barycentric(mesh, found.face, found.point_mm)
    normal = unit(at_faces(target.surface.normal, corners, bary))
    # Inside a triangle at the border there is surface all round; on its sides there may be none.
    inside = bary.min(axis=1) > _INSIDE
    inner = inside | ~any_in(target.surface.border, corners)
    bulge = _bulge_mm(target.surface, corners, bary, found.point_mm, normal)
    return found.point_mm, normal, bulge, found.distance_mm, np.asarray(inner)


def _bulge_mm(
    surface: Surface, corners: Ints, bary: Floats, foot: Floats, normal: Floats
) -> Floats:
    """How far the surface through the vertices lies outside a facet, shape (k,), mm.

    Half the mean height of the tangent planes at the corners: what Phong tessellation takes
    (Boubekeur and Alexa 2008, from memory), exact on a sphere but for the fourth order.
    """
    normals = surface.normal[corners]
    lift = np.einsum("kij,kij->ki", surface.mesh.points_mm[corners] - foot[:, None], normals)
    smooth = np.einsum("kij,kj->ki", normals, normal).min(axis=1) > _SMOOTH
    bulge: Floats = 0.5 * np.einsum("ki,ki->k", bary, lift) * smooth
    return bulge
