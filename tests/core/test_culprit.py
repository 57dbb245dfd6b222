"""Over contour: the surface that left its smooth course is named, on balls with one known change.

Source: the change itself, which is made to one of two equal balls.
"""

from __future__ import annotations

import numpy as np
import pytest

from veneercheck.core.culprit import at_fault
from veneercheck.core.mesh import unit
from veneercheck.core.types import FRAMEWORK, WAXUP
from veneercheck.phantom.bodies import concentric_spheres

WAY = np.array([0.36, 0.48, 0.8])


@pytest.mark.parametrize(
    ("bump_mm", "dent_mm", "named"),
    [(0.3, 0.0, FRAMEWORK), (0.0, 0.3, WAXUP), (0.2, 0.2, None), (0.3, 0.05, FRAMEWORK)],
)
def test_who_left_the_ball_is_named(bump_mm: float, dent_mm: float, named: str | None) -> None:
    ball = concentric_spheres(0.15).inner
    normals = unit(ball.points_mm)
    away = np.arccos(np.clip(normals @ WAY, -1.0, 1.0)) * 4.0
    shape = np.exp(-((away / 0.8) ** 2))[:, None]
    rng = np.random.default_rng(2)
    rough = rng.normal(scale=0.01, size=(2, len(normals), 1))
    framework = ball.points_mm + (bump_mm * shape + rough[0]) * normals
    contour = ball.points_mm + (-dent_mm * shape + rough[1]) * normals
    spot = np.flatnonzero(away < 0.7)
    uncut = away > 1.2
    assert at_fault(spot, framework, contour, normals, uncut) == named


def test_nothing_is_said_without_a_ring() -> None:
    """A spot at the edge of what is uncut has its surroundings on one side only."""
    ball = concentric_spheres(0.15).inner
    normals = unit(ball.points_mm)
    away = np.arccos(np.clip(normals @ WAY, -1.0, 1.0)) * 4.0
    framework = ball.points_mm + 0.3 * np.exp(-((away / 0.8) ** 2))[:, None] * normals
    spot = np.flatnonzero(away < 0.7)
    one_side = (away > 1.2) & (normals[:, 0] > WAY[0])
    assert at_fault(spot, framework, ball.points_mm, normals, one_side) is None
