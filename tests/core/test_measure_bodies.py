"""The measurement on bodies with closed-form spaces, in a frame that is given.

Sources: the formulas stand at each body in `veneercheck.phantom.bodies`; the worked values of
eccentric spheres and of the sphere in the ellipsoid below were computed apart from it. How far
faceting may carry a reading off is derived at the head of that module.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from functools import cache

import numpy as np
import pytest

from phantom.bridge import BridgeSpec, make_bridge
from phantom.cutback import Cut
from phantom.scanned import Scanner
from phantom.sheets import height_field
from veneercheck import check_meshes
from veneercheck.core import align
from veneercheck.core.measure.space import Reading, measure
from veneercheck.core.mesh import rays
from veneercheck.core.mesh.rays import EngineName, default_engine
from veneercheck.core.types import AlignmentState, Floats, RayOutcome, TriangleMesh
from veneercheck.phantom.bodies import (
    KnownBody,
    concentric_spheres,
    eccentric_spheres,
    known_bodies,
    sphere_in_ellipsoid,
)
from veneercheck.profile import built_in

EDGE_MM = 0.3
LIMITS = built_in()


@cache
def bodies(edge_mm: float) -> tuple[KnownBody, ...]:
    return known_bodies(edge_mm)


@cache
def eccentric() -> KnownBody:
    return eccentric_spheres(0.15)


@cache
def read(body: KnownBody) -> Reading:
    """Of one body once, whatever of it is looked at."""
    return reading_of(body.inner, body.outer)


def reading_of(
    inner: TriangleMesh, outer: TriangleMesh, engine: EngineName | None = None
) -> Reading:
    alignment = align.given(inner, outer)
    assert alignment.state is AlignmentState.GIVEN
    return measure(inner, outer, alignment=alignment, limits=LIMITS, engine=engine)


@pytest.mark.parametrize("number", range(7))
def test_space_is_the_closed_form_within_faceting(number: int) -> None:
    body = bodies(EDGE_MM)[number]
    space = read(body).space
    inside = body.interior
    assert (space.outcome[inside] == RayOutcome.HIT).all(), body.name
    error = np.abs(space.space_mm - body.space_mm)[inside]
    assert error.max() <= body.faceting_mm, body.name
    # Not a bound so wide that anything would pass: a tenth of the space is far outside it.
    assert body.faceting_mm < 0.1 * body.space_mm[inside].min() + 1e-6, body.name
    known = inside & np.isfinite(body.nearest_mm)
    layer = (space.layer_mm - body.nearest_mm)[known] + LIMITS.opaquer_mm + LIMITS.beads_mm
    # Between the nearest distance and the ball where only the first is short of the least layer.
    slant = np.fmax(body.ball_mm - body.nearest_mm, 0.0)[known]
    assert (layer >= -body.faceting_mm - 1e-9).all()
    assert (layer <= np.nan_to_num(slant) + body.faceting_mm + 0.01).all()


@pytest.mark.parametrize("number", range(7))
def test_nearest_is_the_closed_form_within_faceting(number: int) -> None:
    body = bodies(EDGE_MM)[number]
    known = body.interior & np.isfinite(body.nearest_mm)
    if not known.any():
        assert body.name == "sphere in ellipsoid", "the only body without that formula"
        return
    space = read(body).space
    error = np.abs(space.nearest_mm - body.nearest_mm)[known]
    # The wedge's plane ends above its tip: there the nearest point is the one of the formula too.
    assert error.max() <= body.faceting_mm + 1e-9, body.name


@pytest.mark.parametrize("number", range(7))
def test_ball_is_the_closed_form_within_faceting(number: int) -> None:
    body = bodies(EDGE_MM)[number]
    known = body.interior & np.isfinite(body.ball_mm)
    if not known.any():
        assert body.name == "sphere in ellipsoid", "the only body without that formula"
        return
    ball = read(body).space.ball_mm[known]
    measured = np.isfinite(ball)
    assert measured.mean() > 0.9, body.name
    error = np.abs(ball - body.ball_mm[known])[measured]
    assert np.quantile(error, 0.99) <= body.faceting_mm + 0.01, body.name


def test_finer_facets_bring_the_reading_nearer() -> None:
    """The sagitta falls with the square of the edge: half the edge, a quarter of the error."""
    errors = []
    for edge_mm in (0.5, 0.25):
        body = concentric_spheres(edge_mm)
        space = reading_of(body.inner, body.outer).space
        errors.append(np.abs(space.space_mm - body.space_mm).max())
    assert errors[1] < 0.35 * errors[0]


@pytest.mark.parametrize(
    ("degrees", "ray_mm", "nearest_mm"),
    [
        (0, 1.3, 1.3),
        (45, 1.207630, 1.206197),
        (90, 0.990992, 0.988766),
        (135, 0.783366, 0.782530),
        (180, 0.7, 0.7),
    ],
)
def test_eccentric_spheres_worked_values(degrees: int, ray_mm: float, nearest_mm: float) -> None:
    """R 4 in 5, e = 0.3: e·cosθ + √(R2² − e²·sin²θ) − R1, and the nearest distance."""
    body = eccentric()
    space = read(body).space
    cosine = body.inner.points_mm[:, 0] / 4.0
    here = np.abs(np.arccos(np.clip(cosine, -1, 1)) - np.radians(degrees)) < np.radians(2.5)
    slope_mm = 0.3 * np.radians(2.5)
    assert here.any()
    off = slope_mm + body.faceting_mm
    assert np.abs(space.space_mm[here] - ray_mm).max() < off
    assert np.abs(space.nearest_mm[here] - nearest_mm).max() < off
    assert np.abs(np.mean(space.space_mm[here]) - ray_mm) < 0.3 * off


def ridge(height: Callable[[Floats], Floats]) -> TriangleMesh:
    """A height field over a square, the same all along y, facing upwards."""
    return height_field(lambda x, _: height(x), np.linspace(-3.0, 3.0, 61))


def test_on_a_crest_the_side_that_is_nearer_counts() -> None:
    """A ridge of 90°, 0.8 mm under one side of the contour and 2.0 mm under the other.

    Formula: its normal points up, 45° off its flanks' own; straight up it is 0.8·√2 = 1.131 mm to
    the contour, a ball has 2·0.8/(1 + cos 45°) = 0.937 mm, and the nearer side is 0.8 mm away.
    """
    metal = ridge(lambda x: -np.abs(x))
    contour = ridge(lambda x: np.minimum(0.8 * np.sqrt(2.0) + x, 2.0 * np.sqrt(2.0) - x))
    space = reading_of(metal, contour).space
    top = np.flatnonzero(
        (np.abs(metal.points_mm[:, 0]) < 1e-9) & (np.abs(metal.points_mm[:, 1]) < 2)
    )
    assert space.space_mm[top] == pytest.approx(1.1314, abs=0.01)
    assert space.ball_mm[top] == pytest.approx(0.9373, abs=0.01)
    assert space.judged_low_mm[top] == pytest.approx(0.8, abs=0.01)


def test_on_a_steep_run_out_the_contour_aside_does_not_count() -> None:
    """A run-out 1.2 mm deep over 0.3 mm: none of its facets faces the contour, 0.8 mm straight up.

    Formula: it leans by 75.96° from the contour, so that a ball has 2·0.8/(1 + cos 75.96°) mm.
    """
    metal = ridge(lambda x: np.interp(x, [0.0, 0.3], [0.0, -1.2]))
    space = reading_of(metal, ridge(lambda x: 0.0 * x)).space
    x, y = metal.points_mm[:, 0], metal.points_mm[:, 1]
    within = np.flatnonzero((np.abs(x - 0.2) < 1e-9) & (np.abs(y) < 2))
    assert space.nearest_mm[within] == pytest.approx(0.8, abs=0.01)
    assert space.judged_low_mm[within] == pytest.approx(1.2876, abs=0.01)


def test_contour_beyond_the_edge_of_a_thin_wall_is_not_that_of_its_own_side() -> None:
    """By the plan of a premolar's retainer, 0.3 mm thick and cut all round: where ray and field
    agree to 0.3 %, 1.2 mm or more from the line, the nearest contour is as far as the plan says;
    that behind the wall, which is seen past its lower edge, lies 1.2 mm nearer."""
    all_round = Cut(surfaces=("occlusal", "buccal", "lingual", "basal"), collar_mm=0.6)
    quiet = Scanner(0.32, 0.34, 0.0, 0.0, hole=False, fragment=False, crop=False)
    made = make_bridge(BridgeSpec((45,), (), all_round, True, quiet))
    alignment = align.given(made.clean, made.waxup)
    space = measure(made.clean, made.waxup, alignment=alignment, limits=built_in()).space
    with np.errstate(invalid="ignore"):
        smooth = made.cut & (made.inward_mm > 1.2) & (made.space_mm < 1.003 * made.depth_mm)
    read = np.flatnonzero(smooth & np.isfinite(space.judged_high_mm))
    assert len(read) > 150
    assert space.judged_high_mm[read] == pytest.approx(made.depth_mm[read], abs=0.03)


def test_sphere_in_ellipsoid_worked_value() -> None:
    """R 4 in 5 × 5.5 × 6 along (1, 1, 1): 1.454483 mm."""
    body = sphere_in_ellipsoid(0.15)
    space = reading_of(body.inner, body.outer).space
    way = np.ones(3) / np.sqrt(3.0)
    near = np.argsort(-(body.inner.points_mm @ way))[:30]
    spread = np.ptp(body.space_mm[near])
    assert np.abs(space.space_mm[near] - 1.454483).max() < body.faceting_mm + spread


def test_inside_out_pairs_stand_over_the_contour() -> None:
    """Framework and wax-up swapped: the same distance, negative."""
    body = concentric_spheres(EDGE_MM)
    shell = TriangleMesh(body.inner.points_mm * 4.2 / 4.0, body.inner.faces)
    space = reading_of(shell, body.inner).space
    assert (space.outcome == RayOutcome.OVER_CONTOUR).all()
    assert np.abs(space.space_mm + 0.2).max() <= body.faceting_mm


def test_what_lies_beyond_reach_has_no_number() -> None:
    body = concentric_spheres(EDGE_MM)
    far = TriangleMesh(body.inner.points_mm * 12.0 / 4.0, body.inner.faces)
    space = reading_of(body.inner, far).space
    assert (space.outcome == RayOutcome.BEYOND_REACH).all()
    assert np.isnan(space.space_mm).all()
    assert np.isnan(space.layer_mm).all()


def test_a_hole_in_the_contour_is_not_measured() -> None:
    body = concentric_spheres(EDGE_MM)
    middle = body.outer.points_mm[body.outer.faces].mean(axis=1)
    open_top = TriangleMesh(body.outer.points_mm, body.outer.faces[middle[:, 2] < 4.0])
    space = reading_of(body.inner, open_top).space
    z = body.inner.points_mm[:, 2]
    assert np.isnan(space.space_mm[z > 3.4]).all()
    assert np.isfinite(space.space_mm[z < 3.0]).all()


def test_a_number_is_finite_exactly_where_it_was_measured() -> None:
    body = eccentric_spheres(EDGE_MM)
    middle = body.outer.points_mm[body.outer.faces].mean(axis=1)
    open_top = TriangleMesh(body.outer.points_mm, body.outer.faces[middle[:, 2] < 4.0])
    space = reading_of(body.inner, open_top).space
    measured = np.isin(space.outcome, (RayOutcome.HIT, RayOutcome.OVER_CONTOUR))
    assert 0.5 < measured.mean() < 1.0
    for field in ("space_mm", "u_mm"):
        assert np.array_equal(np.isfinite(getattr(space, field)), measured), field
    # The layer is judged by what bounds the gap, which a point beside the hole may still see.
    read = np.isfinite(space.judged_low_mm) | np.isfinite(space.judged_high_mm)
    assert np.array_equal(np.isfinite(space.layer_mm), read)
    assert not read.all() and (read | ~measured).all()


@pytest.mark.usefixtures("embree")
def test_both_engines_measure_the_same() -> None:
    body = eccentric_spheres(EDGE_MM)
    one = reading_of(body.inner, body.outer, "embree").space.space_mm
    other = reading_of(body.inner, body.outer, "portable").space.space_mm
    both = np.isfinite(one) & np.isfinite(other)
    assert np.abs(one - other)[both].max() < 1e-3
    assert both.mean() > 0.85


def test_opaquer_and_beads_are_taken_off_once() -> None:
    body = concentric_spheres(EDGE_MM)
    thick = dataclasses.replace(LIMITS, opaquer_mm=0.3, beads_mm=0.25)
    alignment = align.given(body.inner, body.outer)
    space = measure(body.inner, body.outer, alignment=alignment, limits=thick).space
    assert space.layer_mm == pytest.approx(space.space_mm - 0.55, nan_ok=True)


def test_metal_is_measured_where_both_sides_were_scanned() -> None:
    """Source: a shell between balls of 3.4 and 4 mm is 0.6 mm thick; a solid ball shows no end."""
    body = concentric_spheres(0.4)
    inside = concentric_spheres(0.4, 3.4).inner
    shell = TriangleMesh(
        np.concatenate([body.inner.points_mm, inside.points_mm]),
        np.concatenate([body.inner.faces, inside.faces[:, ::-1] + len(body.inner.points_mm)]),
    )
    metal = reading_of(shell, body.outer).space.metal_mm
    assert metal == pytest.approx(0.6, abs=body.faceting_mm)
    solid = reading_of(body.inner, body.outer).space.metal_mm
    assert np.isnan(solid).all(), "8 mm away lies no other side of a wall"


def test_metal_over_a_hole_has_no_thickness() -> None:
    body = concentric_spheres(0.4)
    inside = concentric_spheres(0.4, 3.4).inner
    middle = inside.points_mm[inside.faces].mean(axis=1)
    faces = inside.faces[middle[:, 2] < 2.5][:, ::-1] + len(body.inner.points_mm)
    shell = TriangleMesh(
        np.concatenate([body.inner.points_mm, inside.points_mm]),
        np.concatenate([body.inner.faces, faces]),
    )
    metal = reading_of(shell, body.outer).space.metal_mm[: len(body.inner.points_mm)]
    z = body.inner.points_mm[:, 2]
    assert np.isnan(metal[z > 3.4]).all()
    assert metal[z < 2.4] == pytest.approx(0.6, abs=body.faceting_mm)


def test_the_portable_engine_says_that_it_is_slower(monkeypatch: pytest.MonkeyPatch) -> None:
    body = eccentric_spheres(EDGE_MM, 2.0, 3.0)
    told: list[str] = []
    fast = check_meshes(body.inner, body.outer, aligned=True, say=told.append).check
    monkeypatch.setattr(rays, "default_engine", lambda: "portable")
    slow = check_meshes(body.inner, body.outer, aligned=True, say=told.append).check
    assert sum("slower" in words for words in told) == (1 if default_engine() == "embree" else 2)
    assert fast.space is not None
    assert slow.space is not None
    assert slow.space_statistics.mean_mm == pytest.approx(fast.space_statistics.mean_mm, abs=1e-6)
