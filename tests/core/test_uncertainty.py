"""The budget of a reading against worked values, and of a mean against its own definition."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from veneercheck.core import align
from veneercheck.core.measure.space import measure
from veneercheck.core.measure.uncertainty import Ends, mean_uncertainty, uncertainty
from veneercheck.core.mesh.prepared import Prepared, prepare
from veneercheck.core.mesh.triangles import edge_pairs
from veneercheck.core.types import (
    Alignment,
    AlignmentState,
    FitEvidence,
    LayerLimits,
    Limits,
    Reason,
    TriangleMesh,
)
from veneercheck.phantom.bodies import concentric_spheres, parallel_plates

BARE = Limits("bare", LayerLimits(0.0, 9.0), 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.25)


def surface(noise_mm: float, tilt_rad: float = 0.0) -> Prepared:
    """Three vertices in a plane, with a given noise and tilt and no facets to speak of."""
    mesh = TriangleMesh(np.eye(3) - np.eye(3)[0], [[0, 1, 2]])
    up = np.tile([0.0, 0.0, 1.0], (3, 1))
    ones = np.ones(3)
    return Prepared(mesh, up, ones, tilt_rad * ones, 0.0 * ones, noise_mm, noise_mm)


def fitted(shift_u_mm: float, **changes: object) -> Alignment:
    given = align.given(surface(0.0).mesh, surface(0.0).mesh)
    covariance = np.diag([0.0, 0.0, 0.0, 0.0, 0.0, shift_u_mm**2])
    return dataclasses.replace(given, covariance=covariance, **changes)


@pytest.mark.parametrize(("degrees", "u_um"), [(0.0, 17.6), (15.0, 22.8), (30.0, 35.9)])
def test_worked_values_of_the_ray(degrees: float, u_um: float) -> None:
    """Noise 10 and 12 µm, fit 8 µm, a ray tilted by 3°, 1 mm long, less what wax swells.

    Source: u² = u_i² + (u_o² + u_fit²)/cos²θ + (t·tanθ·u_φ)², worked out by hand.
    """
    cosine = math.cos(math.radians(degrees))
    ends = Ends(np.full(3, 1.0), np.full(3, cosine), np.arange(3), np.full(3, cosine))
    # A normal is the mean of facets: it leans by 1/√3 of what they lean.
    tilt = math.radians(3.0) * math.sqrt(3.0)
    u = uncertainty(
        surface(0.010, tilt), surface(0.012), ends, alignment=fitted(0.008), limits=BARE
    )
    without_scale = np.sqrt(u.ray_mm**2 - 5e-4**2)
    assert 1e3 * without_scale == pytest.approx(u_um, abs=0.06)
    assert u.judged_mm.max() < u.ray_mm.min() or degrees == 0.0
    assert (u.noise_mm <= u.judged_mm).all()


def test_noise_that_neighbours_share_is_seen_in_the_contact() -> None:
    """Source: 13 µm where nothing was cut, of which the scans show √(3² + 4²) = 5: 12 more."""
    ends = Ends(np.zeros(3), np.ones(3), np.arange(3), np.ones(3))
    for state, expected in ((AlignmentState.TRUSTED, 13.0), (AlignmentState.GIVEN, 5.0)):
        alignment = fitted(0.0, contact_mm=0.013, state=state)
        u = uncertainty(surface(0.003), surface(0.004), ends, alignment=alignment, limits=BARE)
        assert 1e3 * u.noise_mm == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize(
    ("code", "share"), [("another_size_of_metal", 1.0), ("another_size_is_smaller", 0.0)]
)
def test_where_a_smaller_cast_sits_on_its_dies_is_in_the_budget(code: str, share: float) -> None:
    """Source: 0.3 % of the height over the middle, ±, evenly: that over √3 (JCGM 100, from memory);
    then the pose is in doubt by no more than that."""
    told = FitEvidence(scale=0.997)
    alignment = fitted(
        0.0, evidence=told, state=AlignmentState.DOUBTFUL, reasons=(Reason(code, ""),)
    )
    body = surface(0.0)
    height = body.mesh.points_mm[:, 2] - body.mesh.points_mm[:, 2].mean()
    ends = Ends(np.zeros(3), np.ones(3), np.arange(3), np.ones(3))
    u = uncertainty(body, body, ends, alignment=alignment, limits=BARE)
    assert u.judged_mm == pytest.approx(share * 0.003 * np.abs(height) / math.sqrt(3.0))
    assert alignment.beyond_budget is (share == 0.0)


def test_facet_height_is_the_sagitta_and_noise_is_none() -> None:
    """Source: L²/(6R) on a ball; nothing on a plate, however noisy its facets lie."""
    ball = concentric_spheres(0.2).inner
    edges = edge_pairs(ball.faces)
    height = prepare(ball, edges, noise_mm=0.0).facet_height_mm
    side = ball.points_mm[edges[:, 0]] - ball.points_mm[edges[:, 1]]
    squared = np.median(np.einsum("ij,ij->i", side, side))
    assert np.median(height) == pytest.approx(squared / (6.0 * 4.0), rel=0.1)
    plate = parallel_plates(0.2).inner
    rng = np.random.default_rng(4)
    up = np.array([0.0, 0.0, 1.0])
    rough = TriangleMesh(
        plate.points_mm + rng.normal(scale=0.01, size=(len(plate.points_mm), 1)) * up, plate.faces
    )
    edges = edge_pairs(plate.faces)
    told = np.median(prepare(rough, edges, noise_mm=0.01).facet_height_mm)
    untold = np.median(prepare(rough, edges, noise_mm=0.0).facet_height_mm)
    assert told < 0.3 * untold


def test_a_shift_moves_a_mean_along_it_and_not_across() -> None:
    """Source: a shift of u along z moves every reading of a flat plate by u, along x by none."""
    body = parallel_plates(0.25)
    reading = None
    for axis, expected in ((5, 0.02), (3, 0.0)):
        covariance = np.zeros((6, 6))
        covariance[axis, axis] = 0.02**2
        alignment = dataclasses.replace(align.given(body.inner, body.outer), covariance=covariance)
        reading = measure(body.inner, body.outer, alignment=alignment, limits=BARE)
        mean = mean_uncertainty(
            body.inner.points_mm,
            reading.normals,
            reading.space,
            body.interior,
            alignment=alignment,
            limits=BARE,
        )
        assert mean.fit_mm == pytest.approx(expected, abs=1e-12)
        assert mean.u_mm == pytest.approx(math.hypot(expected, 5e-4), rel=1e-6)


def test_noise_of_a_mean_falls_with_the_area_and_trueness_stays() -> None:
    body = parallel_plates(0.1)
    stated = dataclasses.replace(BARE, trueness_u_mm=0.01)
    alignment = align.given(body.inner, body.outer)
    reading = measure(
        body.inner,
        body.outer,
        alignment=alignment,
        limits=stated,
        framework_noise_mm=0.01,
        waxup_noise_mm=0.01,
    )
    inner = np.abs(body.inner.points_mm[:, :2])
    noise = []
    for half in (1.0, 2.0):
        where = body.interior & (inner <= half + 1e-9).all(axis=1)
        mean = mean_uncertainty(
            body.inner.points_mm,
            reading.normals,
            reading.space,
            where,
            alignment=alignment,
            limits=stated,
        )
        noise.append(mean.noise_mm)
        assert mean.common_mm == pytest.approx(math.hypot(0.01, 5e-4), rel=1e-6)
    assert noise[0] / noise[1] == pytest.approx(2.0, rel=0.1)
    nothing = mean_uncertainty(
        body.inner.points_mm,
        reading.normals,
        reading.space,
        np.zeros(len(body.interior), dtype=bool),
        alignment=alignment,
        limits=stated,
    )
    assert math.isnan(nothing.u_mm)
