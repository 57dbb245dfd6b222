"""What is held against the wax: plates and pins on a ball, where their sizes are known."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from veneercheck.core.mesh.triangles import select_faces, vertex_normals
from veneercheck.core.plan.guide import FRAME_MM, PIN_MM, PLATE_MM, PLAY_MM, key_plates, pins
from veneercheck.core.plan.planned import Mark
from veneercheck.core.types import SectionPlane, TriangleMesh

RADIUS = 3.0


@pytest.fixture(scope="module")
def ball() -> TriangleMesh:
    body = trimesh.creation.icosphere(4, RADIUS)
    return TriangleMesh(np.array(body.vertices), np.array(body.faces))


def body(mesh: TriangleMesh) -> trimesh.Trimesh:
    return trimesh.Trimesh(mesh.points_mm, mesh.faces, process=False)


def test_a_plate_is_a_body_that_lies_on_the_contour(ball) -> None:
    """Source: a rectangle less a half disc and what lies under it; one notch a unit."""
    turned = SectionPlane("unit", "46", (0.0, 1.0, 0.0), (0.0, 0.0, 1.0), ((0.0, 0.0, 0.0),))
    along = SectionPlane("along", "", (1.0, 0.0, 0.0), (0.0, 0.0, 1.0), ((0.0, 0.0, 0.0),))
    veneered, _ = select_faces(ball, ball.points_mm[ball.faces][:, :, 2].min(axis=1) > -0.5)
    plates = key_plates(ball, (turned, along, turned), veneered)
    assert [one.name for one in plates] == ["46", "46"]
    round_mm, below = RADIUS + PLAY_MM, RADIUS - PLAY_MM
    frame = (2 * RADIUS + 2 * FRAME_MM) * (RADIUS + FRAME_MM + below)
    hollow = 0.5 * np.pi * round_mm**2 + 2 * round_mm * below
    for notches, one in enumerate(plates, 1):
        made = body(one.body)
        assert made.is_volume
        expected = PLATE_MM * (frame - hollow - notches * 0.8 * 0.8)
        assert made.volume == pytest.approx(expected, rel=2e-3)
        radius = np.hypot(*one.body.points_mm[:, :2].T)
        top = (one.body.points_mm[:, 1] > 0.5) & (radius < RADIUS + 1.0)
        assert np.abs(radius[top] - round_mm).max() < 0.01


def test_a_pin_goes_as_deep_as_the_cut_square_to_the_surface(ball) -> None:
    """Source: cylinders with 24 sides; 1 mm of each stands out."""
    at = [tuple(float(part) for part in ball.points_mm[vertex]) for vertex in (5, 50)]
    marks = [
        Mark(number, "grid", "46", "buccal", "", place, depth, depth, 1.0)
        for number, (place, depth) in enumerate(zip(at, (1.2, 0.9), strict=True), 1)
    ]
    made = pins(ball, vertex_normals(ball), marks)
    assert body(made).is_volume
    side = 24 / 2 * np.sin(2 * np.pi / 24) * (0.5 * PIN_MM) ** 2
    assert body(made).volume == pytest.approx(side * (1.2 + 0.9 + 2.0), rel=1e-6)
    out = np.array(at[0]) / RADIUS
    own = made.points_mm[np.linalg.norm(made.points_mm - at[0], axis=1) < 2.0]
    assert (own @ out).min() == pytest.approx(RADIUS - 1.2, abs=0.002)
    assert (own @ out).max() == pytest.approx(RADIUS + 1.0, abs=0.002)
