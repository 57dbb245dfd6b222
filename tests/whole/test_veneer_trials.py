"""Sound bridges raise no alarm, planted faults are told rightly: a short form of the long trials.

Source of every expected value: the plan that each body is made from, see `veneer_plans`.
"""

from __future__ import annotations

import dataclasses
from pathlib import Path

import igl
import numpy as np
import pytest

import veneer_bodies as bodies
import veneer_trials as trials
from veneer_forms import contour_of
from veneer_jobs import Trial, job
from veneer_plans import Made, Plan, Runout, Spec, profile_distance
from veneercheck.core.mesh.triangles import vertex_normals

STEP = Spec("step", "plate", {}, Runout("chamfer", 1.2, 0.8, ((3.0, 1.9),)))
SHOULDER = Spec("shoulder", "slot", {}, Runout("shoulder", 1.4, 0.0), margin_mm=0.2)
FLAT = Spec("flat", "plate", {}, Runout("steep", 1.3), margin_mm=0.1, seed=12)
THIN = dataclasses.replace(FLAT, name="thin", faults=(Plan("too_thin", 0.4, 2.0),))
DEEP = dataclasses.replace(FLAT, name="deep", faults=(Plan("too_thick", 0.3, 2.0),))


@pytest.fixture(scope="module", autouse=True)
def _kept_here(tmp_path_factory: pytest.TempPathFactory) -> None:
    """Bodies are made anew in every run: what was kept by another version proves nothing."""
    bodies.CACHE = Path(tmp_path_factory.mktemp("bodies"))


def _trial(spec: Spec) -> Trial:
    return Trial(spec.name, spec.family, spec, 1, 0.01, 0.0, False, "")


def _step() -> Made:
    return bodies.make(STEP, contour_of)


def test_distance_from_a_profile_is_that_of_its_nearest_corner_or_side() -> None:
    """A right angle: from (0, 0) down to (0, 1) and on to the right. By hand."""
    line = np.array([[-99.0, 0.0], [0.0, 0.0], [0.0, 1.0], [99.0, 1.0]])
    way, depth = np.array([-0.5, 1.0, 0.3, 3.0, -3.0]), np.array([0.9, 0.7, 0.2, 1.4, -0.4])
    found = profile_distance(line, way, depth)
    assert found == pytest.approx([-0.5, 0.3, 0.3, -0.4, 0.4], abs=1e-12)


def test_a_body_is_as_deep_as_planned_and_its_wall_looks_along_the_veneer() -> None:
    """Depths by all triangles of the contour; from the wall the contour straight on is far away."""
    made = _step()
    points = made.framework.points_mm
    depth, way, _ = made.at(points)
    on_top = (points[:, 2] > 0.0) & (np.abs(points[:, 1]) < 2.0) & (points[:, 0] < 3.5)
    first = on_top & (way > 1.0) & (way < 2.7)
    last = on_top & (way > 3.3)
    assert first.sum() > 100 and depth[first] == pytest.approx(np.full(first.sum(), 1.2), abs=2e-3)
    assert last.sum() > 100 and depth[last] == pytest.approx(np.full(last.sum(), 1.9), abs=2e-3)
    wall = np.flatnonzero(on_top & (depth > 1.4) & (depth < 1.7))
    assert len(wall) > 10
    normals = vertex_normals(made.framework)[wall]
    ahead = []
    for start, normal in zip(points[wall], normals, strict=True):
        hits = igl.ray_mesh_intersect(start, normal, made.waxup.points_mm, made.waxup.faces)
        ahead += [hits[0][1]] if hits else []
    assert np.median(ahead) > 2.0 * depth[wall].max()


def test_a_planted_fault_is_as_deep_as_planned() -> None:
    """Layer 1.0 less 0.4 over opaquer of 0.2, and 2.0 and 0.3 over it."""
    for spec, depth_mm in ((THIN, 0.8), (DEEP, 2.5)):
        (fault,) = bodies.make(spec, contour_of).faults
        assert fault.worst_mm == pytest.approx(depth_mm, abs=5e-3)


@pytest.mark.parametrize("kind", ["sound", "faulty"])
def test_trials_are_always_the_same_and_hold_every_class(kind: str) -> None:
    ours = [job(kind, k) for k in range(120)]
    assert ours == [job(kind, k) for k in range(120)]
    assert {one.spec.runout.kind for one in ours} == {"shoulder", "chamfer", "knife", "steep"}
    assert {one.spec.margin_mm for one in ours} == {0.0, 0.05, 0.1, 0.2, 0.3}
    assert len({one.name for one in ours}) == 120


SOUND = {"shoulder": _trial(SHOULDER), "step": _trial(STEP), "sprue": job("sound", 9)}


@pytest.mark.parametrize("one", SOUND.values(), ids=SOUND)
def test_a_sound_bridge_raises_no_alarm(one: Trial) -> None:
    told = trials.trial(one)
    assert not [zone for zone in told["zones"] if zone["firm"]]
    assert told["amount_beyond"] <= 0.15


def test_a_planted_fault_is_found_pointed_at_read_and_cleared() -> None:
    told = trials.trial(_trial(DEEP))
    (fault,) = told["faults"]
    assert fault["found"] and fault["pointed"] and fault["within_u"]
    assert not told["extra"]
    assert not told["left"]
    assert told["ends_below"] == told["ends_above"] == 0.0
