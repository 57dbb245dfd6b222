"""Finish lines through picked points, on a ball, where the shortest way is a great circle."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from veneercheck.core.errors import MeshError
from veneercheck.core.plan.contour import finish_line
from veneercheck.core.plan.line import extent_of_lines, way_through
from veneercheck.core.types import FinishLine, TriangleMesh

RADIUS = 3.0


@pytest.fixture(scope="module")
def ball() -> TriangleMesh:
    body = trimesh.creation.icosphere(5, RADIUS)
    return TriangleMesh(np.array(body.vertices), np.array(body.faces))


@pytest.fixture(scope="module")
def picked() -> np.ndarray:
    """About a corner of each axis, on no vertex and no edge of the ball."""
    points = np.array([[3.0, 0.01, 0.02], [0.02, 3.0, 0.013], [0.01, 0.02, 3.0]])
    return RADIUS * points / np.linalg.norm(points, axis=1)[:, None]


def planes(picked: np.ndarray) -> np.ndarray:
    """Normals of the great circles through the points, shape (3, 3)."""
    normals = np.cross(picked, np.roll(picked, -1, axis=0))
    return normals / np.linalg.norm(normals, axis=1)[:, None]


def line(points: np.ndarray, inside: tuple[float, float, float]) -> tuple[FinishLine, ...]:
    return (FinishLine(tuple((x, y, z) for x, y, z in points.tolist()), inside),)


def test_the_way_is_the_great_circle(ball, picked) -> None:
    """Source: spherical triangles; the facets' edges of 0.11 mm lie 0.5 µm inside the ball."""
    way = way_through(ball, picked).points_mm
    length = np.linalg.norm(np.diff(way, axis=0), axis=1).sum()
    following = np.einsum("ij,ij->i", picked, np.roll(picked, -1, axis=0)) / RADIUS**2
    assert length == pytest.approx(RADIUS * np.arccos(following).sum(), rel=5e-4)
    assert np.abs(way @ planes(picked).T).min(axis=1).max() < 0.012


def test_the_inside_of_the_line_is_veneered_and_ends_at_it(ball, picked) -> None:
    found = extent_of_lines(ball, line(picked, (1.7, 1.7, 1.7)))
    truth = (ball.points_mm @ planes(picked).T).min(axis=1)
    clear = np.abs(truth) > 0.01
    assert ((found > 0) == (truth > 0))[clear].all()
    # The corners of the triangle are cut by the facets' edges.
    drawn = np.abs(finish_line(ball, found) @ planes(picked).T).min(axis=1)
    assert np.quantile(drawn, 0.99) < 0.02
    # The other side of the same line is all the rest.
    rest = extent_of_lines(ball, line(picked, (-1.7, -1.7, -1.7)))
    assert ((rest > 0) != (found > 0))[clear].all()


def test_a_line_that_is_none_is_refused(ball, picked) -> None:
    with pytest.raises(MeshError, match=r"\(6\.0, 0\.0, 0\.0\) of a finish line lies 3\.0 mm off"):
        extent_of_lines(ball, line(np.array([[6.0, 0, 0], *picked[1:]]), (1.7, 1.7, 1.7)))
    back = np.concatenate([picked[:2], picked[:1], picked[1:2]])
    with pytest.raises(MeshError, match="does not part the wax-up"):
        extent_of_lines(ball, line(back, (1.7, 1.7, 1.7)))
