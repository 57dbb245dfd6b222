"""Nearest points: closed forms, trimesh triangle by triangle, and the walk on one's own side."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from core.test_measure_bodies import reading_of
from edges.test_scan_condition import on_a_plinth
from veneercheck.core.errors import MeshError
from veneercheck.core.mesh import nearest
from veneercheck.core.mesh.densify import refine
from veneercheck.core.mesh.nearest import NearestSurface, WalkableSurface, closest_on_triangles
from veneercheck.core.types import TriangleMesh


def body(made: trimesh.Trimesh) -> TriangleMesh:
    return TriangleMesh(np.array(made.vertices), np.array(made.faces))


def brute_force(mesh: TriangleMesh, points: np.ndarray) -> np.ndarray:
    """Distance to the nearest triangle, every triangle tried (trimesh's closest_point)."""
    corners = mesh.points_mm[mesh.faces]
    least = []
    for point in points:
        place = trimesh.triangles.closest_point(corners, np.tile(point, (len(corners), 1)))
        least.append(np.linalg.norm(place - point, axis=1).min())
    return np.array(least)


@pytest.mark.parametrize(
    ("point", "place"),
    [
        ((1, 1, 2), (1, 1, 0)),  # over the inside: the foot of the perpendicular
        ((-3, 1, 4), (0, 1, 0)),  # beyond a side
        ((-3, -4, 0), (0, 0, 0)),  # beyond a corner
        ((6, 6, 1), (4.5, 4.5, 0)),  # beyond the slanted side
    ],
)
def test_nearest_point_of_one_triangle(
    point: tuple[float, float, float], place: tuple[float, float, float]
) -> None:
    """By inspection: legs along x and y, 9 mm long."""
    plate = TriangleMesh([[0, 0, 0], [9, 0, 0], [0, 9, 0]], [[0, 1, 2]])
    expected = np.linalg.norm(np.subtract(point, place))
    found = NearestSurface(plate).query([point])
    assert found.point_mm[0] == pytest.approx(place, abs=1e-12)
    assert found.distance_mm == pytest.approx([expected])
    own = closest_on_triangles(np.array([point], float), plate.points_mm[None])
    assert own[0] == pytest.approx(place, abs=1e-12)


def test_a_triangle_without_width_has_no_foot_inside() -> None:
    """By inspection: corners on a line along x, the third between; rounding gave them a plane."""
    aside = -0.10855462
    corners = np.array([[[1.9375, aside, aside], [-2.0, aside, aside], [aside, aside, aside]]])
    place = closest_on_triangles(np.zeros((1, 3)), corners)
    assert place[0] == pytest.approx((0.0, aside, aside), abs=1e-12)


coordinates = st.floats(-5, 5, allow_nan=False, width=32)


@settings(max_examples=300, deadline=None)
@given(
    arrays(np.float64, (3, 3), elements=coordinates), arrays(np.float64, 3, elements=coordinates)
)
def test_closest_on_triangles_is_the_least_over_the_triangle(
    corners: np.ndarray, point: np.ndarray
) -> None:
    """Against a fine barycentric sampling, for thin and degenerate triangles too."""
    place = closest_on_triangles(point[None], corners[None])[0]
    a, b = np.meshgrid(np.linspace(0, 1, 41), np.linspace(0, 1, 41))
    inside = a + b <= 1.0 + 1e-12
    share = np.column_stack([a[inside], b[inside], 1.0 - a[inside] - b[inside]])
    sampled = np.linalg.norm(share @ corners - point, axis=1).min()
    found = np.linalg.norm(place - point)
    longest = np.ptp(corners, axis=0).max()
    assert found <= sampled + 1e-6 * max(1.0, longest)
    # The place lies on the triangle: its own distance to the sampling is below one step.
    off = np.linalg.norm(share @ corners - place, axis=1).min()
    assert off <= np.sqrt(3.0) * longest / 40 + 1e-6


def test_nearest_surface_agrees_with_every_triangle_tried() -> None:
    """Witness: trimesh.triangles.closest_point over all triangles."""
    made = trimesh.creation.icosphere(subdivisions=2, radius=4.0)
    made.vertices *= [1.0, 1.2, 0.8]
    mesh = body(made)
    points = np.random.default_rng(2).uniform(-6, 6, size=(200, 3))
    found = NearestSurface(mesh).query(points)
    assert found.distance_mm == pytest.approx(brute_force(mesh, points), abs=1e-9)
    assert np.linalg.norm(found.point_mm - points, axis=1) == pytest.approx(found.distance_mm)
    corners = mesh.points_mm[mesh.faces[found.face]]
    assert closest_on_triangles(found.point_mm, corners) == pytest.approx(found.point_mm, abs=1e-9)


def test_a_walk_over_a_convex_body_ends_at_the_nearest_point_of_all() -> None:
    """On a convex body distance to a point outside falls to one place only."""
    mesh = body(trimesh.creation.icosphere(subdivisions=3, radius=4.0))
    rng = np.random.default_rng(4)
    points = rng.normal(size=(300, 3))
    points *= 5.0 / np.linalg.norm(points, axis=1, keepdims=True)
    start = rng.integers(0, len(mesh.points_mm), size=len(points))
    found, vertex = WalkableSurface(mesh).walk(points, start)
    expected = NearestSurface(mesh).query(points).distance_mm
    assert found.distance_mm == pytest.approx(expected, abs=1e-3)
    gap = np.linalg.norm(mesh.points_mm[vertex] - points, axis=1)
    least = np.linalg.norm(mesh.points_mm[None] - points[:, None], axis=2).min(axis=1)
    assert gap == pytest.approx(least)


def test_a_walk_stays_on_the_side_where_it_began() -> None:
    """A wall 0.5 mm thick: from 0.1 mm inside one face, the walk begun on the other stays there."""
    made = trimesh.creation.box(extents=(10.0, 10.0, 0.5))
    for _ in range(5):
        made = made.subdivide()
    mesh = body(made)
    points = np.array([[0.3, 0.2, 0.15], [-2.0, 1.0, 0.15]])
    x, y, z = mesh.points_mm.T
    low = np.flatnonzero(np.isclose(z, -0.25) & (np.abs(x) < 3) & (np.abs(y) < 3))[[0, -1]]
    found, _ = WalkableSurface(mesh).walk(points, low)
    assert found.distance_mm == pytest.approx([0.40, 0.40], abs=1e-9)
    assert NearestSurface(mesh).query(points).distance_mm == pytest.approx([0.10, 0.10])


def test_a_surface_without_triangles_is_refused() -> None:
    with pytest.raises(MeshError, match="no nearest point"):
        NearestSurface(TriangleMesh([[0, 0, 0]], np.zeros((0, 3))))


@pytest.mark.parametrize("most", [None, 5])
def test_long_triangles_halved_for_the_tree_are_told_as_they_are(monkeypatch, most) -> None:
    """Source: every triangle of a plinth asked by itself; its corners lie amid fine ones."""
    if most is not None:
        monkeypatch.setattr(nearest, "_MOST_PIECES", most)
    mesh = on_a_plinth(n=24, step=0.4)
    long = np.ptp(mesh.points_mm[mesh.faces], axis=1).max(axis=1) > 5.0
    assert 20 < long.sum() < len(long) // 4
    points = np.random.default_rng(2).uniform([-2, -2, -6], [11, 11, 2], size=(300, 3))
    found = NearestSurface(mesh).query(points)
    every = closest_on_triangles(
        np.repeat(points, len(mesh.faces), axis=0),
        np.tile(mesh.points_mm[mesh.faces], (len(points), 1, 1)),
    ).reshape(len(points), -1, 3)
    expected = np.linalg.norm(every - points[:, None], axis=2)
    assert found.distance_mm == pytest.approx(expected.min(axis=1), abs=1e-9)
    told = expected[np.arange(len(points)), found.face]
    assert told == pytest.approx(expected.min(axis=1), abs=1e-9)
    assert long[found.face].sum() > 50


def test_on_a_plinth_of_long_triangles_the_nearest_contour_is_no_farther_than_the_ray() -> None:
    """Source: the two surfaces lie 0.03 mm apart but in a pit; a walk that starts at a corner of a
    long triangle came to rest on the fine face, millimetres off."""
    waxup = on_a_plinth()
    points = waxup.points_mm + [0.03, 0.03, -0.03]
    middle = points[: 80 * 80].mean(axis=0)
    pit = np.clip((2.5 - np.linalg.norm(points - middle, axis=1)) / 0.5, 0.0, 1.0)
    points = points - 1.4 * pit[:, None] * [0.0, 0.0, 1.0]
    framework = refine(TriangleMesh(points, waxup.faces), 0.5)[0]
    space = reading_of(framework, waxup).space
    low = (framework.points_mm[:, 2] < -0.5) & (np.abs(space.space_mm) > 0.025)
    low &= (framework.points_mm[:, 2] > -3.5) & (space.space_mm < 0.1)
    assert low.sum() > 200
    assert (np.abs(space.nearest_mm[low]) <= np.abs(space.space_mm[low]) + 1e-9).all()
