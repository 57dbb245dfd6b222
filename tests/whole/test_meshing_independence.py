"""The same surfaces in other triangles give the same answer, within what their facets explain.

Source: eccentric balls, whose space is closed form; the bound of faceting is derived at the head
of `veneercheck.phantom.bodies`.
"""

from __future__ import annotations

import dataclasses
from functools import cache

import numpy as np
import pytest

from veneercheck import check_meshes
from veneercheck.core.types import Statistics
from veneercheck.phantom.bodies import KnownBody, eccentric_spheres
from veneercheck.profile import built_in

pytestmark = pytest.mark.usefixtures("fitted_on_few")

EDGES_MM = (0.1, 0.3, 1.0)
FIGURES = [field.name for field in dataclasses.fields(Statistics)]
INNER_MM, OUTER_MM, APART_MM = 2.0, 2.9, 0.3
"""Small, so that few triangles need be made."""

UNREFINED_MM = 0.15
"""A coarser framework gets points between its own, on its flat facets."""


@cache
def body(edge_mm: float) -> KnownBody:
    return eccentric_spheres(edge_mm, INNER_MM, OUTER_MM, APART_MM)


@cache
def figures(edge_mm: float) -> dict[str, float]:
    """Area-weighted statistics of the whole check, in a frame that is given."""
    pair = body(edge_mm)
    limits = dataclasses.replace(built_in(), name="spheres")
    found = check_meshes(pair.inner, pair.outer, limits=limits, aligned=True).check
    assert found.measured_share == pytest.approx(1.0)
    told = {name: getattr(found.space_statistics, name) for name in FIGURES}
    return told | {"area_mm2": found.veneered_area_mm2}


def true_figures() -> dict[str, float]:
    """Of what is judged over a ball, whose area is even in cos θ.

    The nearest distance, R2 − √(R1² + e² − 2·R1·e·cosθ); short of the least space only where the
    ball touching both is: r with (R1 + r) in the direction θ lies R2 − r from the outer centre.
    """
    cosine = np.linspace(-1.0, 1.0, 20_001)
    lean = APART_MM * cosine
    over = OUTER_MM**2 - INNER_MM**2 - APART_MM**2 + 2.0 * INNER_MM * lean
    ball = over / (INNER_MM + OUTER_MM - lean)
    nearest = OUTER_MM - np.sqrt(INNER_MM**2 + APART_MM**2 - 2.0 * INNER_MM * lean)
    least = built_in().layer.least_mm + built_in().taken_mm
    space = np.sort(np.where(ball < least, nearest, np.maximum(nearest, least)))
    return {
        "min_mm": space[0],
        "p05_mm": space[1000],
        "median_mm": space[10_000],
        "mean_mm": float(space.mean()),
        "p95_mm": space[19_000],
        "max_mm": space[-1],
    }


@pytest.mark.parametrize("edge_mm", EDGES_MM)
def test_statistics_are_the_closed_form_within_faceting(edge_mm: float) -> None:
    allowed = body(edge_mm).faceting_mm
    for name, true in true_figures().items():
        # The least and greatest lie at poles that no vertex need meet: half an edge beside them.
        beside = (
            APART_MM * (1.0 - np.cos(edge_mm / INNER_MM)) if name in ("min_mm", "max_mm") else 0.0
        )
        assert figures(edge_mm)[name] == pytest.approx(true, abs=allowed + beside), name


def test_finer_meshes_agree_better() -> None:
    """The bound falls with the square of the edge, and so does what is found, down to 1 µm."""
    off = [
        max(abs(figures(edge)[name] - true) for name, true in true_figures().items())
        for edge in EDGES_MM
    ]
    assert off[0] < 1e-3 < off[1] < off[2]


def test_area_is_that_of_the_ball_within_faceting() -> None:
    for edge_mm in EDGES_MM:
        if edge_mm <= UNREFINED_MM:
            ball = 4.0 * np.pi * INNER_MM**2
            within = (edge_mm / INNER_MM) ** 2
            assert figures(edge_mm)["area_mm2"] == pytest.approx(ball, rel=within)
