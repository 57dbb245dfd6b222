"""The rays of the check against independent engines: 20 000 rays each, to 1 µm.

Witnesses: `trimesh` with `rtree` (boxes in a tree, triangles in numpy, float64) and `libigl`
(float64 bounding-volume tree), both installed with [test]; `vtk` (float64 cell locator, by way of
`pyvista`) and `open3d` (which rests on Embree too) with [witness] only, because they are large.
Half of the rays start where those of the check do, at vertices along their normals; a quarter goes
straight at vertices and a quarter at edge midpoints of what they meet.

Notes
-----
open3d is a witness of its own extra. 900 MB, and Embree inside, so it shows that our use of Embree
is right, but not that Embree is. Choice: `[witness]`, run by CI in an environment of its own; the
independent engines in `[test]` are trimesh with rtree and libigl. Cost: one more installation in
CI.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import numpy as np
import pytest
import trimesh

from veneercheck.core.mesh.nearest import closest_on_triangles
from veneercheck.core.mesh.rays import RayScene
from veneercheck.core.mesh.triangles import unique_edges, unit, vertex_normals
from veneercheck.core.types import Floats, TriangleMesh

MICROMETRE = 1e-3
SAMPLED = 20_000
PORTION = 500
"""rtree takes memory for every box that a ray crosses: small portions."""

FARTHEST_MM = 30.0
LEAKS_AT_MOST = 0.1
"""A witness may let a ray slip through exactly between two triangles, this often."""


@cache
def waxup() -> TriangleMesh:
    """A closed body with cusps and a fissure, star-shaped about the origin, about 9 mm across."""
    ball = trimesh.creation.icosphere(subdivisions=4)
    way = np.array(ball.vertices)
    x, y, z = way.T
    radius = (
        4.5
        + 0.5 * np.cos(3 * np.arctan2(y, x)) * (1 - z**2)
        - 0.6 * np.exp(-8 * x**2) * (z > 0) * z
    )
    return TriangleMesh(way * radius[:, None], np.array(ball.faces))


@cache
def framework() -> TriangleMesh:
    """The same body cut back by 1.3 mm, on another triangulation."""
    outer = waxup()
    ball = trimesh.creation.icosphere(subdivisions=5)
    turned = (
        np.array(ball.vertices)
        @ trimesh.transformations.rotation_matrix(0.3, [0.2, 1.0, 0.4])[:3, :3]
    )
    scene = RayScene(outer, engine="portable")
    hit = scene.first_hit(np.zeros_like(turned), turned)
    assert hit.met.all()
    return TriangleMesh(turned * (hit.distance_mm - 1.3)[:, None], np.array(ball.faces))


def rays() -> tuple[Floats, Floats]:
    """Vertices along their normals; and rays at vertices and at edge midpoints of the wax-up."""
    rng = np.random.default_rng(20)
    inner, outer = framework(), waxup()
    some = rng.choice(len(inner.points_mm), SAMPLED // 2, replace=False)
    start, way = inner.points_mm[some], vertex_normals(inner)[some]
    edges, _, _ = unique_edges(outer.faces)
    target = np.concatenate(
        [
            outer.points_mm[rng.choice(len(outer.points_mm), SAMPLED // 4)],
            outer.points_mm[edges[rng.choice(len(edges), SAMPLED // 4)]].mean(axis=1),
        ]
    )
    middle = rng.normal(scale=0.05, size=(len(target), 3))
    return np.concatenate([start, middle]), np.concatenate([way, unit(target - middle)])


def by_rtree(start: Floats, way: Floats) -> Floats:
    from trimesh.ray.ray_triangle import RayMeshIntersector

    engine = RayMeshIntersector(trimesh.Trimesh(waxup().points_mm, waxup().faces, process=False))
    distance = np.full(len(start), np.inf)
    for first in range(0, len(start), PORTION):
        part = slice(first, first + PORTION)
        place, ray, _ = engine.intersects_location(start[part], way[part], multiple_hits=True)
        along = np.linalg.norm(place - start[part][ray], axis=1)
        np.minimum.at(distance[part], ray, along)
    return distance


def by_libigl(start: Floats, way: Floats) -> Floats:
    import igl

    tree = igl.AABB()
    points, faces = np.array(waxup().points_mm), np.array(waxup().faces)
    tree.init(points, faces)
    _, distance, _ = tree.intersect_ray_first(points, faces, start, way)
    return np.where(np.isfinite(distance), distance, np.inf)


def by_open3d(start: Floats, way: Floats) -> Floats:
    open3d = pytest.importorskip("open3d", reason="a heavy witness: pip install '.[witness]'")
    scene = open3d.t.geometry.RaycastingScene()
    tensor = open3d.core.Tensor
    scene.add_triangles(
        tensor(waxup().points_mm.astype(np.float32)), tensor(waxup().faces.astype(np.uint32))
    )
    cast = scene.cast_rays(tensor(np.hstack([start, way]).astype(np.float32)))
    return cast["t_hit"].numpy().astype(float)


def by_vtk(start: Floats, way: Floats) -> Floats:
    pyvista = pytest.importorskip("pyvista", reason="a heavy witness: pip install '.[witness]'")
    import vtk

    locator = vtk.vtkStaticCellLocator()
    surface = pyvista.PolyData.from_regular_faces(
        np.array(waxup().points_mm), np.array(waxup().faces)
    )
    locator.SetDataSet(surface)
    locator.BuildLocator()
    distance = np.full(len(start), np.inf)
    share, place, local = vtk.mutable(0.0), [0.0] * 3, [0.0] * 3
    cell, part = vtk.mutable(0), vtk.mutable(0)
    for ray, (a, b) in enumerate(zip(start, start + FARTHEST_MM * way, strict=True)):
        if locator.IntersectWithLine(a, b, 1e-9, share, place, local, part, cell):
            distance[ray] = FARTHEST_MM * float(share)
    return distance


@pytest.mark.parametrize(
    "witness", [pytest.param(by_rtree, marks=pytest.mark.long), by_libigl, by_vtk, by_open3d]
)
def test_rays_agree_with_an_independent_engine(
    witness: Callable[[Floats, Floats], Floats],
) -> None:
    start, way = rays()
    assert len(start) == SAMPLED
    own = RayScene(waxup()).first_hit(start, way)
    other = witness(start, way)
    assert own.met.all()
    apart = ~(np.abs(own.distance_mm - other) <= MICROMETRE)
    # What differs must be a leak of the witness: it saw nothing, or the wall behind, where our
    # ray ends on its triangle, at the edge or corner that it was aimed at.
    assert not apart[: SAMPLED // 2].any()
    assert apart.mean() < LEAKS_AT_MOST
    assert (own.distance_mm[apart] < other[apart]).all()
    end = start + own.distance_mm[:, None] * way
    corners = waxup().points_mm[waxup().faces[own.face]]
    assert np.abs(closest_on_triangles(end, corners) - end).max() < 1e-2 * MICROMETRE
    assert own.distance_mm[: SAMPLED // 2].min() > 0.1, "the bodies lie apart: no trivial zeros"


@pytest.mark.usefixtures("embree")
def test_the_portable_engine_agrees_too() -> None:
    start, way = rays()
    one = RayScene(waxup(), engine="embree").first_hit(start, way)
    other = RayScene(waxup(), engine="portable").first_hit(start, way)
    both = one.met & other.met
    assert both[: SAMPLED // 2].all()
    assert both.mean() > 0.9
    assert np.abs(one.distance_mm - other.distance_mm)[both].max() < MICROMETRE
