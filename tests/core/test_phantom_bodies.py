"""The bodies' formulas against a root search along the exact normals on the exact surfaces."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from phantom.shapes import foot_points, onto_surface, smooth_max, smooth_min
from veneercheck.core.mesh.nearest import NearestSurface
from veneercheck.core.mesh.rays import RayScene
from veneercheck.core.mesh.triangles import vertex_normals
from veneercheck.phantom import bodies
from veneercheck.phantom.bodies import KnownBody

ALPHA = np.deg2rad(30.0)
AXES = np.array([5.0, 5.5, 6.0])


def _torus_distance(points: np.ndarray, tube: float) -> np.ndarray:
    return np.hypot(np.hypot(points[:, 0], points[:, 1]) - 6.0, points[:, 2]) - tube


def _torus_normal(points: np.ndarray) -> np.ndarray:
    around = np.hypot(points[:, 0], points[:, 1])
    axis = np.stack([6.0 * points[:, 0] / around, 6.0 * points[:, 1] / around, 0 * around], axis=1)
    return (points - axis) / 2.0


# name: (outer implicit, an exact distance unless said; inner normal; inner implicit)
EXACT: dict[str, tuple[Callable, Callable, Callable]] = {
    "parallel plates": (
        lambda p: p[:, 2] - 1.0,
        lambda p: np.tile([0.0, 0.0, 1.0], (len(p), 1)),
        lambda p: p[:, 2],
    ),
    "wedge of 30°": (
        lambda p: p[:, 2] * np.cos(ALPHA) - p[:, 0] * np.sin(ALPHA),
        lambda p: np.tile([0.0, 0.0, 1.0], (len(p), 1)),
        lambda p: p[:, 2],
    ),
    "concentric spheres": (
        lambda p: np.linalg.norm(p, axis=1) - 5.0,
        lambda p: p / 4.0,
        lambda p: np.linalg.norm(p, axis=1) - 4.0,
    ),
    "eccentric spheres": (
        lambda p: np.linalg.norm(p - [0.3, 0, 0], axis=1) - 5.0,
        lambda p: p / 4.0,
        lambda p: np.linalg.norm(p, axis=1) - 4.0,
    ),
    "coaxial cylinders": (
        lambda p: np.hypot(p[:, 0], p[:, 1]) - 5.0,
        lambda p: p * [0.25, 0.25, 0.0],
        lambda p: np.hypot(p[:, 0], p[:, 1]) - 4.0,
    ),
    "torus in torus": (
        lambda p: _torus_distance(p, 3.0),
        _torus_normal,
        lambda p: _torus_distance(p, 2.0),
    ),
    "sphere in ellipsoid": (
        lambda p: np.linalg.norm(p / AXES, axis=1) - 1.0,
        lambda p: p / 4.0,
        lambda p: np.linalg.norm(p, axis=1) - 4.0,
    ),
}


@pytest.fixture(scope="module")
def coarse() -> dict[str, KnownBody]:
    return {body.name: body for body in bodies.known_bodies(0.5)}


def _first_root(outer: Callable, start: np.ndarray, way: np.ndarray) -> np.ndarray:
    """March until the sign changes, then bisect: no formula of the body under test."""
    low, high = np.zeros(len(start)), np.full(len(start), np.nan)
    for t in np.arange(0.05, 6.0, 0.05):
        crossed = np.isnan(high) & (outer(start + t * way) > 0)
        high[crossed] = t
        low[np.isnan(high)] = t
    for _ in range(60):
        middle = 0.5 * (low + high)
        beyond = outer(start + middle[:, None] * way) > 0
        high, low = np.where(beyond, middle, high), np.where(beyond, low, middle)
    return 0.5 * (low + high)


@pytest.mark.parametrize("name", EXACT)
def test_space_is_where_a_root_search_ends(coarse: dict[str, KnownBody], name: str) -> None:
    body = coarse[name]
    outer, normal, _ = EXACT[name]
    start = body.inner.points_mm
    found = _first_root(outer, start, normal(start))
    np.testing.assert_allclose(body.space_mm, found, atol=1e-9)


@pytest.mark.parametrize("name", [n for n in EXACT if n != "sphere in ellipsoid"])
def test_nearest_and_ball_against_the_exact_distance(
    coarse: dict[str, KnownBody], name: str
) -> None:
    body = coarse[name]
    outer, normal, _ = EXACT[name]
    start = body.inner.points_mm
    np.testing.assert_allclose(body.nearest_mm, -outer(start), atol=1e-9)
    # a ball of this diameter that touches the inner surface here just touches the outer one
    centre = start + 0.5 * body.ball_mm[:, None] * normal(start)
    np.testing.assert_allclose(-outer(centre), 0.5 * body.ball_mm, atol=1e-9)


@pytest.mark.parametrize("name", EXACT)
def test_vertices_lie_on_the_exact_surfaces(coarse: dict[str, KnownBody], name: str) -> None:
    outer, _, inner = EXACT[name]
    np.testing.assert_allclose(inner(coarse[name].inner.points_mm), 0.0, atol=1e-12)
    np.testing.assert_allclose(outer(coarse[name].outer.points_mm), 0.0, atol=1e-12)


@pytest.mark.parametrize("name", EXACT)
def test_normals_point_at_the_outer_surface(coarse: dict[str, KnownBody], name: str) -> None:
    body = coarse[name]
    _, normal, _ = EXACT[name]
    along = np.einsum("ij,ij->i", vertex_normals(body.inner), normal(body.inner.points_mm))
    assert along.min() > 0.99
    hits = RayScene(body.outer).first_hit(body.inner.points_mm, vertex_normals(body.inner))
    assert hits.met[body.interior].all()
    front = np.einsum(
        "ij,ij->i",
        vertex_normals(body.outer),
        NearestSurface(body.inner).query(body.outer.points_mm).point_mm - body.outer.points_mm,
    )
    assert front.max() < 1e-9


@pytest.mark.parametrize("name", EXACT)
def test_readings_on_the_meshes_stay_within_the_derived_bound(
    coarse: dict[str, KnownBody], name: str
) -> None:
    body = coarse[name]
    scene = RayScene(body.outer)
    read = scene.first_hit(body.inner.points_mm, vertex_normals(body.inner)).distance_mm
    assert np.abs(read - body.space_mm)[body.interior].max() <= body.faceting_mm
    assert body.faceting_mm < 0.05


@pytest.mark.parametrize("name", ["eccentric spheres", "torus in torus", "coaxial cylinders"])
def test_bound_falls_with_finer_triangles(coarse: dict[str, KnownBody], name: str) -> None:
    finer = {body.name: body for body in bodies.known_bodies(0.25)}[name]
    assert finer.faceting_mm < 0.6 * coarse[name].faceting_mm
    assert bodies.longest_edge(finer.inner) <= 0.25 * 1.0001


@pytest.mark.parametrize(
    ("cosine", "ray", "nearest"),
    [(1.0, 1.3, 1.3), (0.0, 0.990992, 0.988766), (-1.0, 0.7, 0.7)],
)
def test_eccentric_spheres_at_the_worked_angles(cosine: float, ray: float, nearest: float) -> None:
    """Worked values of the closed form at 0, 90 and 180 degrees, computed by hand."""
    body = bodies.eccentric_spheres(0.2)
    found = body.inner.points_mm[:, 0] / 4.0
    order = np.argsort(found)
    assert np.interp(cosine, found[order], body.space_mm[order]) == pytest.approx(ray, abs=2e-4)
    assert np.interp(cosine, found[order], body.nearest_mm[order]) == pytest.approx(
        nearest, abs=2e-4
    )


def test_smooth_joins_are_plain_ones_away_from_the_seam() -> None:
    first, second = np.array([0.0, 3.0, 1.0]), np.array([2.0, 0.5, 1.0])
    np.testing.assert_allclose(smooth_min(first, second, 1.0)[:2], [0.0, 0.5])
    np.testing.assert_allclose(smooth_max(first, second, 1.0)[:2], [2.0, 3.0])
    # at the seam the cubic form takes off a sixth of the blend
    assert smooth_min(first, second, 1.2)[2] == pytest.approx(0.8)


def test_foot_points_of_an_ellipsoid_solve_its_lagrange_equation() -> None:
    """Nearest point of an ellipsoid: x_i = a_i² p_i / (a_i² + t) with t the root of Σ x²/a² = 1."""
    from scipy.optimize import brentq

    rng = np.random.default_rng(3)
    way = rng.normal(size=(40, 3))
    surface = way / np.linalg.norm(way / AXES, axis=1, keepdims=True)
    points = surface * rng.uniform(0.7, 1.1, size=(40, 1))

    def field(p: np.ndarray) -> np.ndarray:
        return np.asarray(np.linalg.norm(p / AXES, axis=1) - 1.0) * 5.0

    start = surface + rng.normal(scale=0.05, size=surface.shape)
    found = np.linalg.norm(foot_points(field, points, start) - points, axis=1)
    for point, distance in zip(points, found, strict=True):

        def off(t: float, p: np.ndarray = point) -> float:
            return float((AXES**2 * p**2 / (AXES**2 + t) ** 2).sum() - 1.0)

        t = brentq(off, -24.9, 100.0, xtol=1e-14)
        nearest = AXES**2 * point / (AXES**2 + t)
        assert distance == pytest.approx(np.linalg.norm(nearest - point), abs=1e-5)
    np.testing.assert_allclose(field(onto_surface(field, start)), 0.0, atol=2e-7)
