"""The space at every framework point: a ray to the contour, and the nearest contour point."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np

from veneercheck.core.errors import MeshError
from veneercheck.core.measure.both_ways import GRAZING_DEG, REACH_MM, RaysBothWays, cosine_at
from veneercheck.core.measure.enclosed import enclosed
from veneercheck.core.measure.gap import Gap
from veneercheck.core.measure.outside import FromOutside, look_from_outside
from veneercheck.core.measure.own_side import (
    OwnSide,
    balls,
    nearest_on_own_side,
    without_noise_bias,
)
from veneercheck.core.measure.uncertainty import Ends, Uncertainty, uncertainty
from veneercheck.core.mesh.nearest import WalkableSurface
from veneercheck.core.mesh.prepared import Prepared, prepare
from veneercheck.core.mesh.rays import EngineName, RayScene
from veneercheck.core.mesh.triangles import (
    any_in,
    edge_uses,
    face_normals,
    row_dot,
    side_by_side,
    unit,
)
from veneercheck.core.types import (
    Alignment,
    Bools,
    Floats,
    Ints,
    Limits,
    SpaceMap,
    TriangleMesh,
)

_SELF_START_MM = 1e-3
"""Rays at the framework itself start off it: two hundred times the float32 error at 50 mm."""

_LEANS_COS, _FACES_COS = math.cos(math.radians(18.0)), math.cos(math.radians(25.0))
"""A normal that leans by more from the way to the nearest contour makes a ball a fortieth larger;
a facet faces what lies within so much of its own normal."""

_BEYOND_EDGE_MM = 0.5
"""Nearer than this a steep wall's own contour may slip past ray and ball."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Reading:
    """The space map, with what dividing it into regions needs.

    Parameters
    ----------
    space : SpaceMap
    points_mm, normals : ndarray, shape (n, 3)
        Where the readings start, the scan's noise taken off, and the outward directions along
        which the rays went.
    agreement : ndarray, shape (n,)
        Cosine between that direction and the contour's normal at the nearest contour point.
    sees_itself : ndarray of bool, shape (n,)
        The outward ray meets the framework itself before the contour, and it is not `enclosed`.
    enclosed : ndarray of bool, shape (n,)
        The metal closes the vertex in on all sides: sheets of a fold under the surface.
    across_mm : ndarray, shape (n,)
        How far off it meets the framework, contour or not; infinite where it does not.
    edges : ndarray of int64, shape (e, 2)
        Of the framework, for growing regions over it.
    on_rim : ndarray of bool, shape (n,)
        On an open border of the framework.
    outside : FromOutside
        From every contour vertex inward to the nearest metal.
    under_a_hole : ndarray of bool, shape (n,)
        Where the contour would be is not known: the nearest of it is the rim of a hole that the
        vertex lies under and faces, or an edge of the scan that it lies beyond.
    contour : Contour
        To be read from elsewhere.
    other_side : ndarray of int64, shape (n,)
        A framework vertex beside the place where the metal under each one ends; −1 where that is
        not known, or is told by a die.
    """

    space: SpaceMap
    points_mm: Floats
    normals: Floats
    agreement: Floats
    sees_itself: Bools
    enclosed: Bools
    across_mm: Floats
    edges: Ints
    on_rim: Bools
    outside: FromOutside
    under_a_hole: Bools
    contour: Contour
    other_side: Ints


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Contour:
    """The contour as it is read from the framework's side; `rim` are edges of open borders."""

    outer: Prepared
    rim: Ints
    scene: RayScene
    gap: Gap
    noise_mm: float
    _kept: list[Any] = dataclasses.field(default_factory=list, init=False, repr=False)

    def nearest_vertex(self, places_mm: Floats) -> Ints:
        """Its vertex nearest to each place, shape (k,); the tree is made when first asked."""
        from scipy.spatial import cKDTree

        if not self._kept:
            self._kept.append(cKDTree(self.outer.mesh.points_mm))
        return np.asarray(self._kept[0].query(places_mm)[1], dtype=np.int64)

    def low_mm(self, points_mm: Floats, normals: Floats) -> Floats:
        """The smaller of ray and ball, also from places within the metal; NaN where neither is.

        Parameters
        ----------
        points_mm, normals : ndarray, shape (k, 3)
            Outward.
        """
        hits = self.scene.first_hit(points_mm, normals)
        cosine = cosine_at(self.outer, hits.face, normals)
        met = (cosine >= math.cos(math.radians(GRAZING_DEG))) & (hits.distance_mm <= REACH_MM)
        most = np.where(met, hits.distance_mm, REACH_MM)
        ball, touched = self.gap.balls(points_mm, normals, most, noise_mm=self.noise_mm)
        return np.where(met | np.isfinite(touched[:, 0]), ball, np.nan)

    def nearest_mm(self, points_mm: Floats, normals: Floats) -> Floats:
        """The nearest contour that is seen from places in the gap, shape (k,)."""
        return self.gap.nearest(points_mm, normals)[0].distance_mm


def measure(
    framework: TriangleMesh,
    waxup: TriangleMesh,
    *,
    alignment: Alignment,
    limits: Limits,
    framework_noise_mm: float = 0.0,
    waxup_noise_mm: float = 0.0,
    engine: EngineName | None = None,
) -> Reading:
    """Measure the space from every framework vertex to the contour.

    Parameters
    ----------
    framework, waxup : TriangleMesh
        Both in the wax-up's frame, normals outward.
    alignment : Alignment
        For its covariance.
    limits : Limits
        For the allowance and the uncertainties the laboratory states.
    framework_noise_mm, waxup_noise_mm : float
        Noise of the two scans, standard deviation.
    engine : {"embree", "portable"}, optional

    Returns
    -------
    Reading

    Raises
    ------
    MeshError
        If a surface has no triangles.

    Notes
    -----
    Outward, the first hit counts where the ray leaves the contour's body; a ray that enters
    another body first, or leaves through a hole, is a miss. Where nothing lies outward, the same
    vertex looks inward: the framework then stands outside the contour and the space is negative.
    """
    if not len(framework.faces):
        raise MeshError("the framework has no triangles.")
    inner, outer = side_by_side(
        lambda: _Side.of(framework, framework_noise_mm), lambda: _Side.of(waxup, waxup_noise_mm)
    )
    inward = _inward(inner, outer, limits, engine)
    out = _outward(inner, outer, inward, alignment=alignment, limits=limits, engine=engine)
    rays, nearest, u = out.rays, out.nearest, out.u
    low_mm = np.fmin(rays.space_mm, out.ball_mm)
    crest = _over_a_crest(inner.surface, nearest)
    low_mm[crest] = np.minimum(low_mm[crest], nearest.signed_mm[crest])
    # With no contour straight out the nearest is another wall's: the scan ended before its own.
    high_mm = out.judged_high_mm
    high_mm = np.where(np.isnan(low_mm) & (high_mm > _BEYOND_EDGE_MM), np.nan, high_mm)
    least_mm = np.full(len(low_mm), limits.layer.least_mm + limits.taken_mm)
    space = SpaceMap(
        space_mm=rays.space_mm,
        layer_mm=as_judged(low_mm, high_mm, least_mm) - limits.taken_mm,
        nearest_mm=nearest.signed_mm,
        contour_mm=nearest.point_mm,
        ball_mm=out.ball_mm,
        judged_low_mm=low_mm,
        judged_high_mm=high_mm,
        u_mm=u.ray_mm,
        u_judged_mm=u.judged_mm,
        u_noise_mm=u.noise_mm,
        metal_mm=inward.metal_mm,
        area_mm2=inner.surface.area_mm2,
        outcome=rays.outcome,
    )
    return Reading(
        space,
        inner.surface.mesh.points_mm,
        inner.surface.normals,
        nearest.agreement,
        sees_itself=(inward.meets_itself_mm < rays.left_after_mm) & ~inward.enclosed,
        enclosed=inward.enclosed,
        across_mm=inward.meets_itself_mm,
        edges=inner.edges,
        on_rim=inner.on_rim(),
        outside=inward.outside,
        under_a_hole=nearest.under_a_hole,
        contour=Contour(
            outer.surface,
            outer.rim,
            rays.scene,
            out.gap,
            math.hypot(inner.surface.noise_mm, outer.surface.noise_mm),
        ),
        other_side=inward.other_side,
    )


def _over_a_crest(inner: Prepared, nearest: OwnSide) -> Bools:
    """Vertices of a crest or tip, shape (n,), one of whose facets faces the nearest contour.

    The normal of a crest is that of none of its sides, and ray and ball lean with it. Over a floor
    the nearest contour aside, behind a finish line, is faced by no facet.
    """
    way = unit(nearest.point_mm - inner.mesh.points_mm)
    leans = np.flatnonzero((nearest.signed_mm > 0) & (row_dot(inner.normals, way) < _LEANS_COS))
    crest = np.zeros(len(way), dtype=bool)
    if not len(leans):
        return crest
    may = crest.copy()
    may[leans] = True
    faces = inner.mesh.faces[any_in(may, inner.mesh.faces)]
    normals = face_normals(TriangleMesh(inner.mesh.points_mm, faces))
    for corner in faces.T:
        crest[corner[may[corner] & (row_dot(normals, way[corner]) > _FACES_COS)]] = True
    return crest


def as_judged(low_mm: Floats, high_mm: Floats, least_mm: Floats) -> Floats:
    """The one reading that is told of a point, shape (n,), in mm.

    The nearest contour, which is what is held against the greatest layer; short of the least space
    only where the ball is short of it, too, which is what is held against the least.

    Parameters
    ----------
    low_mm, high_mm : ndarray, shape (n,)
        `judged_low_mm` and `judged_high_mm`.
    least_mm : ndarray, shape (n,)
        Least space asked for.

    Examples
    --------
    >>> as_judged(np.array([0.9, 1.3, 2.6]), np.array([0.8, 1.1, 2.4]), np.full(3, 1.2))
    array([0.9, 1.2, 2.4])
    """
    high_mm = np.where(high_mm <= REACH_MM, high_mm, np.nan)
    within = np.fmax(high_mm, np.where(np.isfinite(high_mm), least_mm, np.nan))
    told = np.where(low_mm >= least_mm, within, low_mm)
    return np.where(np.isfinite(told), told, np.where(np.isfinite(low_mm), low_mm, high_mm))


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class _Side:
    """One of the two surfaces, prepared, its edges, and those of them on an open border."""

    surface: Prepared
    edges: Ints
    rim: Ints

    @staticmethod
    def of(mesh: TriangleMesh, noise_mm: float) -> _Side:
        edges, uses = edge_uses(mesh.faces)
        rim = edges.compress(uses == 1, axis=0)
        return _Side(prepare(mesh, edges, noise_mm=noise_mm), edges, rim)

    def on_rim(self) -> Bools:
        """Vertices on an open border, shape (n,)."""
        found = np.zeros(len(self.surface.normals), dtype=bool)
        found[self.rim] = True
        return found


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class _Outward:
    """What lies between the framework and the contour."""

    rays: RaysBothWays
    gap: Gap
    nearest: OwnSide
    ball_mm: Floats
    judged_high_mm: Floats
    u: Uncertainty


def _outward(
    one: _Side,
    other: _Side,
    inward: _Inward,
    *,
    alignment: Alignment,
    limits: Limits,
    engine: EngineName | None,
) -> _Outward:
    inner, outer = one.surface, other.surface
    rays = RaysBothWays(inner, outer, inward.meets_itself_mm, engine)
    gap = Gap.between(
        outer.mesh,
        outer.normals,
        other.edges,
        over_metal_mm=inward.outside.depth_mm,
        metal=inward.metal,
        noise_mm=math.hypot(inner.scan_noise_mm, outer.scan_noise_mm),
    )
    walkable = WalkableSurface(outer.mesh, other.edges)
    nearest = nearest_on_own_side(inner, outer, gap, walkable, rays=rays, edges=one.edges)
    ball_mm = balls(inner, gap, rays, nearest, math.hypot(inner.noise_mm, outer.noise_mm))
    ends = Ends(
        np.where(rays.measured, rays.space_mm, nearest.signed_mm),
        np.where(rays.measured, rays.cosine, np.nan),
        nearest.vertex,
        nearest.agreement,
    )
    u = uncertainty(inner, outer, ends, alignment=alignment, limits=limits)
    high_mm = without_noise_bias(inner, outer, rays, nearest)
    return _Outward(rays, gap, nearest, ball_mm, high_mm, u)


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class _Inward:
    """The metal: its thickness, where it faces itself, and how it lies under the contour."""

    metal: RayScene
    metal_mm: Floats
    other_side: Ints
    meets_itself_mm: Floats
    enclosed: Bools
    outside: FromOutside


def _inward(one: _Side, other: _Side, limits: Limits, engine: EngineName | None) -> _Inward:
    inner, outer = one.surface, other.surface
    metal = RayScene(inner.mesh, engine=engine)
    own = metal.first_hit(inner.mesh.points_mm + _SELF_START_MM * inner.normals, inner.normals)
    outside = look_from_outside(
        outer.mesh,
        other.edges,
        outer.normals,
        metal=metal,
        surface=WalkableSurface(inner.mesh, one.edges),
        deep_mm=limits.layer.greatest_mm,
        noise_mm=math.hypot(inner.scan_noise_mm, outer.scan_noise_mm),
    )
    shut = enclosed(inner, one.edges, metal, own.distance_mm)
    metal_mm, other_side = _metal(inner, metal)
    within = shut | ((other_side >= 0) & shut[other_side])
    metal_mm[within], other_side[within] = np.nan, -1
    return _Inward(metal, metal_mm, other_side, own.distance_mm, shut, outside)


def _metal(inner: Prepared, metal: RayScene) -> tuple[Floats, Ints]:
    """Thickness under every vertex: a ray inward to where it leaves the framework's body; and a
    vertex beside that place.

    A ray that enters a body first, or leaves through a hole, says nothing of the metal; nor does
    one that leaves through a triangle of its own vertex, from a crest that is sharper than the
    noise of its normal.
    """
    way = -inner.normals
    hits = metal.first_hit(inner.mesh.points_mm + _SELF_START_MM * way, way)
    leaves = hits.met & (row_dot(metal.face_normal.take(hits.face, axis=0), way) > 0)
    own = np.arange(len(way))[:, None]
    leaves &= ~(inner.mesh.faces.take(hits.face, axis=0) == own).any(axis=1)
    thickness = hits.distance_mm + _SELF_START_MM
    known = leaves & (thickness <= REACH_MM)
    beside = inner.mesh.faces.take(hits.face, axis=0)[:, 0]
    return np.where(known, thickness, np.nan), np.where(known, beside, -1)
