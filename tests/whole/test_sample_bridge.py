"""The sample bridge through the whole check: every planted fault once, and nothing else."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from veneercheck import phantom
from veneercheck.core.types import AlignmentState, Decision, FindingKind, Outcome, Region, Verdict
from veneercheck.phantom.sample import make_sample
from veneercheck.workflow import Order, carry_out

SAMPLE = Path(__file__).resolve().parents[2] / "sample_meshes"


@pytest.fixture(scope="module")
def outcome() -> Outcome:
    """The committed files, as a user checks them."""
    return carry_out(Order(case=SAMPLE / "case.toml"))


@pytest.fixture(scope="module")
def truth() -> dict:
    """Source of every expected value here: what the code that made the bridge wrote down."""
    return json.loads((SAMPLE / "truth.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def sample() -> phantom.sample.Phantom:
    """The bridge made anew: the same arrays as in the files, with the truth at every vertex."""
    return make_sample()


def planted(truth: dict, kind: str) -> dict:
    """The one fault of a kind."""
    (fault,) = [fault for fault in truth["faults"] if fault["kind"] == kind]
    return fault


@pytest.mark.parametrize("kind", ["too_thin", "too_thick", "over_contour"])
def test_each_planted_fault_is_found_once(outcome: Outcome, truth: dict, kind: str) -> None:
    fault = planted(truth, kind)
    (zone,) = [zone for zone in outcome.check.zones if zone.finding.word == kind]
    assert zone.decision is Decision.FIRM
    assert (zone.tooth, zone.surface) == (str(fault["code"]), fault["surface"])
    # Centres lie on the contour there and on the framework here: a space apart, and a little.
    assert np.linalg.norm(np.subtract(zone.centre_mm, fault["centre_mm"])) < 2.5
    assert zone.area_mm2 == pytest.approx(fault["area_mm2"], rel=0.35)


def test_nothing_else_is_found(outcome: Outcome) -> None:
    assert len(outcome.check.zones) == 3
    assert outcome.check.verdict is Verdict.FINDINGS


def test_the_worst_of_each_zone_is_the_true_one(outcome: Outcome, truth: dict) -> None:
    opaquer = outcome.check.limits.opaquer_mm
    thin, thick, over = (
        next(zone for zone in outcome.check.zones if zone.finding is kind)
        for kind in (FindingKind.TOO_THIN, FindingKind.TOO_THICK, FindingKind.OVER_CONTOUR)
    )
    expected = (
        (thin, planted(truth, "too_thin")["extreme_depth_mm"] - opaquer),
        (thick, planted(truth, "too_thick")["extreme_depth_mm"] - opaquer),
        (over, planted(truth, "over_contour")["extreme_depth_mm"]),
    )
    for zone, true_mm in expected:
        assert abs(zone.extreme_mm - true_mm) < 2.0 * zone.u_mm


def test_the_metal_stop_is_asked_about(outcome: Outcome, truth: dict) -> None:
    stop = planted(truth, "metal_stop")
    (question,) = outcome.check.questions
    assert question.kind == "island"
    assert np.linalg.norm(np.subtract(question.centre_mm, stop["centre_mm"])) < 0.5
    assert question.area_mm2 == pytest.approx(stop["area_mm2"], rel=0.35)
    assert question.place == f"{stop['code']}, {stop['surface']}"


def test_the_pose_comes_back(outcome: Outcome, truth: dict, sample: phantom.sample.Phantom) -> None:
    found = outcome.check.alignment.waxup_from_framework.matrix()
    true = np.array(truth["waxup_from_framework"])
    points = np.column_stack([sample.framework.points_mm, np.ones(len(sample.framework.points_mm))])
    off = np.linalg.norm((points @ (found - true).T)[:, :3], axis=1)
    assert outcome.check.alignment.state is AlignmentState.TRUSTED
    assert off.max() < 0.03
    # …and the program's own statement covers it: coverage k = 3.
    assert off.max() < 3.0 * np.sqrt(3.0) * outcome.check.alignment.u_max_mm


def test_mean_space_is_true(outcome: Outcome, sample: phantom.sample.Phantom) -> None:
    """Against the exact ray on the exact shapes, over the cut beyond the chamfer's wall."""
    from scipy.spatial import cKDTree

    check = outcome.check
    true_pose = sample.waxup_from_framework.apply(sample.framework.points_mm)
    gap, vertex = cKDTree(check.framework.points_mm).query(true_pose)
    beyond = sample.cut & (sample.inward_mm > 1.2) & np.isfinite(sample.space_mm) & (gap < 0.01)
    read = check.space.space_mm[vertex]
    # Where the hollow's wall leans, one degree of noise in the normal is tenths of a mm of ray.
    beyond &= np.isfinite(read) & (sample.space_mm < 2.2)
    weight = check.space.area_mm2[vertex][beyond]
    error = (read - sample.space_mm)[beyond]
    assert beyond.sum() > 3_000
    assert abs(weight @ error / weight.sum()) < 0.01
    assert (
        np.isin(check.region[vertex][beyond], (Region.CUT, Region.FINISH_LINE_BAND)).mean() > 0.99
    )


def test_the_files_are_what_the_code_makes(sample: phantom.sample.Phantom) -> None:
    """Float32 is what STL holds; arithmetic of another processor may differ in its last digit."""
    data = np.fromfile(SAMPLE / "framework.stl", dtype=np.uint8)[84:].reshape(-1, 50)
    corners = data[:, 12:48].copy().view("<f4").reshape(-1, 3, 3)
    made = sample.framework.points_mm[sample.framework.faces]
    assert corners.shape == made.shape
    assert np.abs(corners - made).max() < 1e-4
