"""Clearance and contacts on plates and balls whose distances are known."""

from __future__ import annotations

import numpy as np
import pytest

from veneercheck.core.plan.bite import clearance_mm, contacts
from veneercheck.core.types import TriangleMesh
from veneercheck.phantom.bodies import concentric_spheres


def moved(mesh: TriangleMesh, shift: tuple[float, float, float]) -> TriangleMesh:
    return TriangleMesh(mesh.points_mm + shift, mesh.faces)


def test_clearance_between_two_balls() -> None:
    """Source: two balls of 4 mm whose centres are 8.5 mm apart leave 0.5 mm."""
    ball = concentric_spheres(0.3, 3.0, 4.0).outer
    found = clearance_mm(ball, moved(ball, (0.0, 0.0, 8.5)))
    top = ball.points_mm[:, 2].argmax()
    assert found[top] == pytest.approx(0.5, abs=0.01)
    assert np.isnan(found[ball.points_mm[:, 2].argmin()])


@pytest.mark.parametrize(("off_mm", "too_near"), [(1.0, True), (0.2, False)])
def test_a_contact_tells_its_distance_from_the_border(off_mm: float, too_near: bool) -> None:
    """Source: balls 7.9 mm apart run 0.1 mm into each other and are within 0.05 mm of each other
    to a radius of about 0.77 mm (4 − √(16 − r²) = 0.075); the line is the circle of 1.2 mm."""
    ball = concentric_spheres(0.15, 3.0, 4.0).outer
    clearance = clearance_mm(ball, moved(ball, (0.0, 0.0, 7.9)))
    angle = np.linspace(0.0, 2.0 * np.pi, 400)
    height = np.sqrt(16.0 - 1.2**2)
    line = np.stack([1.2 * np.cos(angle), 1.2 * np.sin(angle), 0 * angle + height], axis=1)
    (contact,) = contacts(ball, clearance, line, off_border_mm=off_mm)
    assert contact.deepest_mm == pytest.approx(-0.1, abs=0.01)
    assert contact.from_border_mm == pytest.approx(0.43, abs=0.16)
    assert contact.too_near is too_near
