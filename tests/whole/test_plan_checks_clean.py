"""A framework made exactly to plan checks as no findings, by a check that knows no plan."""

from __future__ import annotations

import json

import numpy as np
import pytest
from PIL import Image as Pillow

import plan_trials
from veneercheck.core.mesh.triangles import vertex_normals
from veneercheck.core.plan.solid import edge_lengths_mm, enclosed_mm3
from veneercheck.core.types import Outcome, TriangleMesh, Verdict
from veneercheck.plan import off_plan_mm
from veneercheck.profile import built_in
from veneercheck.report import write_result
from veneercheck.report.filed import COMPARED, OFF_PLAN, read_result
from veneercheck.report.html import write_html
from veneercheck.report.plan_compare import compared_words, read_off_plan, write_compared
from veneercheck.report.plan_map import write_off_plan
from veneercheck.report.scene import scene_of
from veneercheck.report.words import Words
from veneercheck.scan import self_crossings


@pytest.fixture(scope="module")
def crown() -> tuple[plan_trials.Job, plan_trials.Plan]:
    one = plan_trials.job(0, (46,))
    return one, plan_trials.planned(one, built_in())


@pytest.fixture(scope="module")
def outcome(crown) -> Outcome:
    one, found = crown
    return plan_trials.checked(one, plan_trials.scanned(found.target, one.rng), built_in())


def test_a_framework_made_to_plan_has_no_findings(outcome) -> None:
    """Source: the plan leaves the least layer everywhere, with room for what hand and seating vary;
    so the check, which measures anew, must find nothing."""
    check = outcome.check
    assert check.verdict is Verdict.NO_FINDINGS, check.zones
    # …and it is no empty answer: most of what was planned was found cut.
    assert check.veneered_area_mm2 > 60.0


def test_the_cut_made_to_plan_lies_on_its_plan(crown, outcome, tmp_path) -> None:
    """Source: it is the target itself, with 8 µm of noise, laid on the wax-up by the check."""
    _, found = crown
    off = off_plan_mm(outcome.check.framework.points_mm, found.target)
    write_compared(tmp_path, outcome.check, off)
    told = compared_words(tmp_path, "en")
    figures = json.loads((tmp_path / COMPARED).read_text(encoding="utf-8"))
    assert figures["over_cut_mm2"] == figures["under_cut_mm2"] == 0.0
    assert 0.0 < figures["highest_mm"] < 0.1
    assert "Against the plan" in told
    # …and 0.2 mm left standing everywhere is told as not yet as deep.
    write_compared(tmp_path, outcome.check, off + 0.2)
    figures = json.loads((tmp_path / COMPARED).read_text(encoding="utf-8"))
    assert figures["under_cut_mm2"] > 0.9 * outcome.check.veneered_area_mm2
    assert figures["over_cut_mm2"] == 0.0


def test_the_page_shows_the_cut_against_its_plan(crown, outcome, tmp_path) -> None:
    """Source: 0.3 mm planted over a millimetre round a cusp, all else on its plan: the picture has
    the colours of what is not yet as deep, and none of what is too deep."""
    _, found = crown
    points = outcome.check.framework.points_mm
    middle = next(one for one in found.marks if one.kind == "cusp").at_mm
    off = 0.3 * (np.linalg.norm(points - np.array(middle), axis=1) < 2.0)
    write_result(tmp_path, outcome)
    write_compared(tmp_path, outcome.check, off)
    assert np.array_equal(read_off_plan(tmp_path), off.astype(np.float32))
    filed = read_result(tmp_path)
    picture = write_off_plan(tmp_path, scene_of(filed, Words("de")))
    with Pillow.open(picture) as image:
        pixels = np.asarray(image.convert("RGB").crop((0, 90, image.width, 1000)), dtype=int)
    red, blue = pixels[..., 0] - pixels[..., 1], pixels[..., 2] - pixels[..., 0]
    assert (red > 40).sum() > 5000 and (blue > 40).sum() == 0
    made = write_html(tmp_path, filed, {}, Words("de")).read_text(encoding="utf-8")
    assert "Gegen den Plan: 0,0 mm² um mehr" in made
    (tmp_path / OFF_PLAN).unlink()
    assert write_off_plan(tmp_path, scene_of(filed, Words("de"))) is None
    assert not picture.exists()


def test_the_target_is_a_sound_body(crown) -> None:
    _, found = crown
    # A few slivers where the field jumps; each is told in plan.json.
    assert self_crossings(found.target)[0].mean() < 1e-4
    assert (edge_lengths_mm(found.target) > 0.02).mean() >= 0.98
    assert enclosed_mm3(found.target) > 0
    paste = sum(one.total_mm3 for one in found.layers)
    assert paste == pytest.approx(found.removed_mm3, rel=0.01)


@pytest.mark.parametrize("off_mm", [0.2, -0.2])
def test_what_was_cut_beside_the_plan_is_found_where_it_was_planted(crown, off_mm: float) -> None:
    """Source: planted 0.2 mm over a millimetre round a place of the floor."""
    _, found = crown
    target = found.target
    mark = next(one for one in found.marks if one.kind == "cusp")
    away = np.linalg.norm(target.points_mm - np.array(mark.at_mm), axis=1)
    middle = target.points_mm[away.argmin()]
    near = np.linalg.norm(target.points_mm - middle, axis=1) < 1.0
    moved = target.points_mm + off_mm * near[:, None] * vertex_normals(target)
    off = off_plan_mm(TriangleMesh(moved, target.faces).points_mm, target)
    assert np.abs(off[~near]).max() < 0.01
    assert np.median(off[near]) == pytest.approx(off_mm, abs=0.03)
