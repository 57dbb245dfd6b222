"""First hits: planes with known answers, leaks at vertices and edges, and both engines."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from veneercheck.core.errors import MeshError
from veneercheck.core.mesh.rays import EngineName, RayScene
from veneercheck.core.mesh.triangles import unique_edges, unit
from veneercheck.core.types import TriangleMesh

ENGINES: tuple[EngineName, ...] = ("embree", "portable")


@pytest.fixture(params=ENGINES)
def engine(request: pytest.FixtureRequest) -> EngineName:
    if request.param == "embree":
        request.getfixturevalue("embree")
    found: EngineName = request.param
    return found


def plates(*heights_mm: float, at: tuple[float, float, float] = (0, 0, 0)) -> TriangleMesh:
    """Large horizontal triangles at some heights."""
    corners = [[[-90, -90, z], [90, -90, z], [0, 90, z]] for z in heights_mm]
    points = np.reshape(corners, (-1, 3)) + at
    return TriangleMesh(points, np.arange(len(points)).reshape(-1, 3))


def ball(radius_mm: float = 4.0) -> TriangleMesh:
    made = trimesh.creation.icosphere(subdivisions=4, radius=radius_mm)
    return TriangleMesh(np.array(made.vertices), np.array(made.faces))


@pytest.mark.parametrize("tilt_deg", [0.0, 15.0, 60.0])
def test_a_tilted_ray_between_planes_is_longer_by_its_cosine(
    engine: EngineName, tilt_deg: float
) -> None:
    """Parallel planes: d / cos φ (closed form)."""
    tilt = np.radians(tilt_deg)
    way = [[np.sin(tilt), 0.0, np.cos(tilt)]]
    hit = RayScene(plates(1.3), engine=engine).first_hit([[0.1, 0.2, 0.0]], way)
    assert hit.distance_mm == pytest.approx([1.3 / np.cos(tilt)], abs=1e-12)


def test_the_nearer_of_two_plates_is_met(engine: EngineName) -> None:
    scene = RayScene(plates(2.0, 1.0, 3.0), engine=engine)
    hit = scene.first_hit([[0, 0, 0], [0, 0, 2.5]], [[0, 0, 1], [0, 0, 1]])
    assert hit.distance_mm == pytest.approx([1.0, 0.5], abs=1e-12)
    assert hit.face.tolist() == [1, 2]


def test_what_lies_behind_or_beside_is_not_met(engine: EngineName) -> None:
    """A missed ray has no number: NaN and −1, never 0 or infinity."""
    scene = RayScene(plates(1.0), engine=engine)
    hit = scene.first_hit([[0, 0, 2], [500, 0, 0], [0, 0, 0]], [[0, 0, 1], [0, 0, 1], [1, 0, 0]])
    assert np.isnan(hit.distance_mm).all()
    assert hit.face.tolist() == [-1, -1, -1]
    assert not hit.met.any()


def test_far_from_the_origin_nothing_is_lost(engine: EngineName) -> None:
    """A scanner's frame may lie a metre off: float32 alone would err by 0.06 mm there."""
    far = (1000.0, -2000.0, 1500.0)
    scene = RayScene(plates(1.0, at=far), engine=engine)
    rng = np.random.default_rng(5)
    start = np.column_stack([rng.uniform(-20, 20, (500, 2)), np.zeros(500)]) + far
    hit = scene.first_hit(start, np.tile([0.0, 0.0, 1.0], (500, 1)))
    assert hit.distance_mm == pytest.approx(np.ones(500), abs=1e-9)


def test_a_triangle_seen_from_its_edge_stops_nothing(engine: EngineName) -> None:
    upright = TriangleMesh([[0, 0, 0], [0, 0, 2], [0, 3, 0]], [[0, 1, 2]])
    hit = RayScene(upright, engine=engine).first_hit([[0, -1, 0.5]], [[0, 1, 0]])
    assert np.isnan(hit.distance_mm).all()
    assert not hit.met.any()


def test_a_closed_body_leaks_nowhere(engine: EngineName) -> None:
    """From inside, rays straight at every vertex and at the middle of every edge."""
    body = ball()
    edges, _, _ = unique_edges(body.faces)
    target = np.concatenate([body.points_mm, body.points_mm[edges].mean(axis=1)])
    inside = np.array([0.3, -0.2, 0.1])
    gap = target - inside
    hit = RayScene(body, engine=engine).first_hit(np.tile(inside, (len(target), 1)), unit(gap))
    assert hit.met.all()
    assert hit.distance_mm == pytest.approx(np.linalg.norm(gap, axis=1), abs=1e-6)


def test_many_rays_and_few_rays_give_the_same(engine: EngineName) -> None:
    """Many rays are shared among threads; each must land in its own place."""
    body = ball()
    rng = np.random.default_rng(11)
    ways = unit(rng.normal(size=(20_001, 3)))
    start = rng.uniform(-1.0, 1.0, size=ways.shape)
    scene = RayScene(body, engine=engine)
    together = scene.first_hit(start, ways)
    for first in (0, 7_000, 19_901):
        part = slice(first, first + 100)
        alone = scene.first_hit(start[part], ways[part])
        assert np.array_equal(alone.face, together.face[part])
        assert np.array_equal(alone.distance_mm, together.distance_mm[part])
    assert together.met.all()


@pytest.mark.usefixtures("embree")
def test_the_two_engines_agree() -> None:
    """Refined in float64, they differ only where a ray runs along an edge of two triangles."""
    body = ball()
    rng = np.random.default_rng(12)
    ways = unit(rng.normal(size=(5_000, 3)))
    start = rng.uniform(-6.0, 6.0, size=ways.shape)
    one = RayScene(body, engine="embree").first_hit(start, ways)
    other = RayScene(body, engine="portable").first_hit(start, ways)
    assert 0.2 < one.met.mean() < 1.0
    assert np.count_nonzero(one.met != other.met) <= 2, "only rays that graze the silhouette"
    both = one.met & other.met
    assert one.distance_mm[both] == pytest.approx(other.distance_mm[both], abs=1e-6)


def test_a_surface_without_triangles_is_refused() -> None:
    with pytest.raises(MeshError, match="stops no ray"):
        RayScene(TriangleMesh([[0, 0, 0]], np.zeros((0, 3))))


def test_rays_leave_what_they_were_given_alone() -> None:
    start, ways = np.zeros((2, 3)), np.tile([0.0, 0.0, 1.0], (2, 1))
    RayScene(plates(1.0)).first_hit(start, ways)
    assert np.array_equal(start, np.zeros((2, 3)))
    assert np.array_equal(ways, np.tile([0.0, 0.0, 1.0], (2, 1)))
