"""The statistics a decision rests on, each against a closed form and without a bridge."""

import math
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from phantom.surface import triangulate
from veneercheck.core.align import AlignOptions, fit, frame, trust
from veneercheck.core.divide import spots, zones
from veneercheck.core.divide.excess import Excess
from veneercheck.core.judge.decide import Advised, decision
from veneercheck.core.measure.uncertainty import NOISE_REACH_MM
from veneercheck.core.mesh.triangles import edge_pairs, vertex_areas
from veneercheck.core.types import Decision, FindingKind, Region, TriangleMesh
from veneercheck.profile import built_in

EACH, EDGE_MM, SIGMA_MM = 60, 0.1, 0.02


def _grid():
    """A flat square of 6 mm."""
    x, y = (axis.ravel() for axis in np.meshgrid(np.arange(EACH), np.arange(EACH)))
    corner = np.arange(EACH * EACH).reshape(EACH, EACH)
    a, b, c, d = (
        part.ravel()
        for part in (corner[:-1, :-1], corner[:-1, 1:], corner[1:, 1:], corner[1:, :-1])
    )
    faces = np.concatenate([np.stack([a, b, c], 1), np.stack([a, c, d], 1)])
    return TriangleMesh(EDGE_MM * np.stack([x, y, 0.0 * x], axis=1), faces)


MESH = _grid()


def _patches(excess_mm, turned=()):
    """Zones of a square that is judged all over, with a noise of `SIGMA_MM`; some vertices face
    down."""
    count = len(MESH.points_mm)
    everywhere, nowhere = np.ones(count, dtype=bool), np.zeros(count, dtype=bool)
    excess = Excess(
        finding=FindingKind.TOO_THIN,
        excess_mm=excess_mm,
        value_mm=1.0 - excess_mm,
        steady_u_mm=np.zeros(count),
        noise_u_mm=np.full(count, SIGMA_MM),
        told_from_mm=0.0,
        may_be_close=everywhere,
        path=np.ones(count),
        from_line=np.ones(count),
    )
    space = SimpleNamespace(
        area_mm2=vertex_areas(MESH),
        contour_mm=MESH.points_mm + [0.0, 0.0, 1.0],
        judged_low_mm=1.0 - excess_mm,
        judged_high_mm=1.0 - excess_mm,
    )
    up = np.tile([0.0, 0.0, 1.0], (count, 1))
    up[list(turned)] *= -1.0
    reading = SimpleNamespace(space=space, edges=edge_pairs(MESH.faces), normals=up)
    regions = SimpleNamespace(
        code=np.full(count, Region.CUT),
        proud=nowhere,
        unlike=nowhere,
        island_distance_mm=np.full(count, np.nan),
    )
    return zones.patches(MESH, reading, regions, built_in(), excess)


def _noise(rng):
    """Noise that hangs together as exp(−r²/2ℓ²): white noise, blurred by ℓ/√2."""
    blurred = gaussian_filter(
        rng.normal(size=(EACH, EACH)), NOISE_REACH_MM / EDGE_MM / math.sqrt(2)
    )
    return SIGMA_MM * (blurred / blurred.std()).ravel()


def test_noise_alone_at_the_limit_is_firm_no_oftener_than_allowed():
    # Source: ISO 14253-1 at 95 %: of 20 surfaces that lie at their limit 1 may seem beyond it. The
    # worst of 144 spots lies 2.6 standard deviations out: taken as any spot, all were firm.
    rng = np.random.default_rng(14253)
    found = [patch for _ in range(20) for patch in _patches(_noise(rng))]
    assert len(found) >= 20
    assert sum(decision(Advised(patch)) is Decision.FIRM for patch in found) <= 1


def test_noise_of_a_spot_averages_over_what_is_independent_in_it():
    # Source: closed form; noise correlated as exp(−r²/2ℓ²) has one independent reading in 2πℓ².
    # A spot at a corner holds a few vertices less.
    (patch,) = _patches(np.full(EACH * EACH, 0.1))
    expected = SIGMA_MM * math.sqrt(2.0 * math.pi * NOISE_REACH_MM**2 / zones.SPOT_MM2)
    assert patch.u_mm == pytest.approx(expected, rel=0.2)
    assert decision(Advised(patch)) is Decision.FIRM


def test_a_vertex_that_noise_turned_over_does_not_speak_for_its_zone():
    # By hand: 0.4 mm short all over; one vertex faces the other way and reads 2 mm more. It is one
    # of 26 in its spot.
    excess = np.full(EACH * EACH, 0.4)
    excess[30 * EACH + 30] = 2.4
    (patch,) = _patches(excess, turned=[30 * EACH + 30])
    assert patch.excess_mm == pytest.approx(0.4, abs=0.1)


def _lump(points):
    field = np.linalg.norm(points / [6.0, 4.0, 3.0], axis=1) - 1
    return 3.0 * (field + 0.05 * np.sin(points @ [0.9, 0.5, -0.7]))


def _fitted(spread_mm=0.005):
    low, high = np.array([-7.0, -5.0, -4.0]), np.array([7.0, 5.0, 4.0])
    lump = triangulate(_lump, low, high, 0.5)
    noise = spread_mm * np.random.default_rng(3).normal(size=lump.points_mm.shape)
    options = AlignOptions(polish_points=2000)
    body, target = fit.prepared(
        TriangleMesh(lump.points_mm + noise, lump.faces), lump, options, None
    )
    return body, frame._fit_from_here(body, target, options)


def test_what_is_stated_covers_the_spread_of_fits(monkeypatch):
    # Source: `align_accuracy.py spread`: fits scatter up to 1.23 times, on a finer mesh 1.31 times
    # as far as residuals and geometry predict. The other bound is taken away: this one must hold.
    monkeypatch.setattr(trust, "_bound", lambda *_: np.zeros((6, 6)))
    sure = trust.certainty(*_fitted(), 1.0)
    assert 1.23 * sure.u_max_mm <= sure.stated_mm <= 1.4 * sure.u_max_mm


def test_what_a_fit_took_of_its_readings_is_given_back():
    # Source: least squares with n independent readings and six parameters leaves σ²(n − 6)/n.
    rng = np.random.default_rng(6)
    design = np.linalg.qr(rng.normal(size=(20, 6)))[0]
    noise = rng.normal(size=(20, 4000))
    left = float(np.mean((noise - design @ (design.T @ noise)) ** 2))
    assert left * trust._freedom(20.0 * left, left) == pytest.approx(1.0, rel=0.02)


@pytest.mark.parametrize("told_from_mm", [0.05, 0.0])
def test_means_are_asked_for_where_they_may_decide(told_from_mm):
    # Source: drawn. Over contour, of a row of points 0.1 mm apart one stands out by 0.1 mm, and the
    # spots of 0.28 mm round two on either side hold it; else all within 0.25 mm of their limit.
    row = np.arange(11) * 0.1
    points = np.stack([row, 0.0 * row, 0.0 * row], axis=1)
    excess = SimpleNamespace(
        excess_mm=np.where(np.arange(11) == 5, 0.1, -0.02), told_from_mm=told_from_mm
    )
    excess.excess_mm[0] = -0.3
    asked = np.flatnonzero(spots.decisive(points, excess))
    assert asked.tolist() == ([3, 4, 5, 6, 7] if told_from_mm else list(range(1, 11)))
