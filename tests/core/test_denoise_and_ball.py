"""Noise is taken off and shape is not; the ball is the largest that fits."""

from __future__ import annotations

import numpy as np
import pytest

from phantom.sheets import height_field
from veneercheck.core import align
from veneercheck.core.measure.space import measure
from veneercheck.core.mesh.denoise import denoise, noise_left
from veneercheck.core.mesh.triangles import unique_edges, unit
from veneercheck.core.types import TriangleMesh
from veneercheck.phantom.bodies import eccentric_spheres
from veneercheck.profile import built_in

SIGMA_MM = 0.01


def noisy(mesh: TriangleMesh, centre, rng: np.random.Generator, sigma_mm: float) -> TriangleMesh:
    """White noise along the true normals of a ball."""
    out = unit(mesh.points_mm - centre)
    shift = rng.normal(scale=sigma_mm, size=(len(out), 1))
    return TriangleMesh(mesh.points_mm + shift * out, mesh.faces)


@pytest.mark.parametrize("edge_mm", [0.2, 0.1])
def test_noise_left_is_what_the_filter_promises(edge_mm) -> None:
    """Source: the filter's own spectrum on an even lattice, which `noise_left` integrates."""
    ball = eccentric_spheres(edge_mm).inner
    rough = noisy(ball, np.zeros(3), np.random.default_rng(1), SIGMA_MM)
    normals = unit(ball.points_mm)
    edges = unique_edges(rough.faces)[0]
    length = float(
        np.linalg.norm(ball.points_mm[edges[:, 0]] - ball.points_mm[edges[:, 1]], axis=1).mean()
    )
    calm = denoise(rough, edges, normals, noise_mm=SIGMA_MM, edge_mm=length)
    left = (np.linalg.norm(calm.points_mm, axis=1) - 4.0).std() / SIGMA_MM
    assert left == pytest.approx(calm.left, rel=0.1)
    assert calm.left < 0.7
    assert abs((np.linalg.norm(calm.points_mm, axis=1) - 4.0).mean()) < 0.1 * SIGMA_MM


def test_edges_stay_sharp() -> None:
    """Source: a roof of two planes at 100° is its own denoised shape."""
    slant = np.tan(np.radians(40.0))
    roof = height_field(lambda x, _: -np.abs(x) * slant, np.arange(-2.0, 2.01, 0.1))
    x, y, _ = roof.points_mm.T
    slope = np.sin(np.radians(40.0))
    normals = unit(np.stack([np.sign(x) * slope, 0 * x, 0 * x + np.cos(np.radians(40.0))], 1))
    calm = denoise(roof, unique_edges(roof.faces)[0], normals, noise_mm=SIGMA_MM, edge_mm=0.1)
    flank = np.abs(x) > 0.35
    inner = flank & (np.abs(y) < 1.5) & (np.abs(x) < 1.5)
    assert np.abs(calm.points_mm - roof.points_mm)[inner].max() < 1e-6


def test_nothing_is_done_to_a_clean_or_coarse_mesh() -> None:
    ball = eccentric_spheres(0.2).inner
    edges, normals = unique_edges(ball.faces)[0], unit(ball.points_mm)
    assert denoise(ball, edges, normals, noise_mm=0.0, edge_mm=0.2).points_mm is ball.points_mm
    assert denoise(ball, edges, normals, noise_mm=0.01, edge_mm=2.0).points_mm is ball.points_mm
    assert noise_left(3) < noise_left(1) < 1.0


@pytest.mark.parametrize("sigma_mm", [0.01, 0.02])
def test_judged_readings_survive_noise(sigma_mm) -> None:
    """White noise on both balls: median error at most 2 µm, 95 % within 1.2 · √2 sigma.

    Source: closed form of eccentric balls; without denoising the second figure is 1.7 to 1.96.
    """
    body = eccentric_spheres(0.1, 2.0, 3.0)
    rng = np.random.default_rng(7)
    shift = body.outer.points_mm.max(axis=0) + body.outer.points_mm.min(axis=0)
    inner = noisy(body.inner, np.zeros(3), rng, sigma_mm)
    outer = noisy(body.outer, 0.5 * shift, rng, sigma_mm)
    space = measure(
        inner,
        outer,
        alignment=align.given(inner, outer),
        limits=built_in(),
        framework_noise_mm=sigma_mm,
        waxup_noise_mm=sigma_mm,
    ).space
    for read, true in ((space.space_mm, body.space_mm), (space.judged_low_mm, body.ball_mm)):
        error = read - true
        assert abs(np.median(error)) < 0.002
        assert np.percentile(np.abs(error), 95) < 1.2 * np.sqrt(2.0) * sigma_mm
    low_noise = np.abs(space.judged_high_mm - body.nearest_mm)
    assert np.percentile(low_noise, 95) < 1.2 * np.sqrt(2.0) * sigma_mm
