"""The sample bridge: as planted; through the whole check every fault once, and nothing else."""

from __future__ import annotations

import json
import re
import tempfile
import tomllib
from hashlib import sha256
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from phantom.attached import Beaded, put_beads, put_sprue, spread
from phantom.bridge import Phantom
from phantom.sample import FOR_THE_DEMO, make_sample, sample_case_toml, sample_truth
from veneercheck import check_meshes
from veneercheck.case.run import write_sample
from veneercheck.core.mesh.nearest import NearestSurface
from veneercheck.core.mesh.rays import RayScene
from veneercheck.core.mesh.triangles import (
    bounding_box,
    components,
    unique_edges,
    unit,
    vertex_normals,
)
from veneercheck.core.types import (
    AlignmentState,
    Check,
    Decision,
    FindingKind,
    Outcome,
    Region,
    TriangleMesh,
    Verdict,
)
from veneercheck.profile import load_case

ROOT = Path(__file__).resolve().parents[2]
SAMPLE, NOTEBOOK = ROOT / "sample_meshes", ROOT / "notebooks" / "sample.ipynb"


@pytest.fixture(scope="module")
def outcome(tmp_path_factory: pytest.TempPathFactory) -> Outcome:
    """The sample, as a reader of the notebook checks it: cell after cell, its own claims held."""
    told: dict[str, Any] = {}
    with pytest.MonkeyPatch.context() as patch:
        # The papers of the sample are drawn by its demo.
        patch.setattr("veneercheck.report.setting.can_print", lambda: False)
        patch.setattr(tempfile, "tempdir", str(tmp_path_factory.mktemp("notebook")))
        for cell in json.loads(NOTEBOOK.read_text("utf-8"))["cells"]:
            if cell["cell_type"] == "code":
                exec("".join(cell["source"]), told)
    found = told["outcome"]
    assert isinstance(found, Outcome)
    return found


def test_the_notebook_checks_the_committed_files(outcome: Outcome) -> None:
    """Source: their own bytes."""
    for name, scan in (("framework", outcome.framework), ("waxup", outcome.waxup)):
        assert scan.sha256 == sha256((SAMPLE / f"{name}.stl").read_bytes()).hexdigest()


@pytest.fixture(scope="module")
def truth() -> dict:
    """Source of every expected value here: what the code that made the bridge wrote down."""
    return json.loads((SAMPLE / "truth.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def sample() -> Phantom:
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
    # From the fault's middle on the contour: 2.5 mm deep at most, and a millimetre aside.
    assert np.linalg.norm(np.subtract(zone.centre_mm, fault["centre_mm"])) < np.hypot(2.5, 1.0)
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


def test_the_pose_comes_back(outcome: Outcome, truth: dict, sample: Phantom) -> None:
    found = outcome.check.alignment.waxup_from_framework.matrix()
    true = np.array(truth["waxup_from_framework"])
    points = np.column_stack([sample.framework.points_mm, np.ones(len(sample.framework.points_mm))])
    off = np.linalg.norm((points @ (found - true).T)[:, :3], axis=1)
    assert outcome.check.alignment.state is AlignmentState.TRUSTED
    assert off.max() < 0.03
    # …and the program's own statement covers it: coverage k = 3.
    assert off.max() < 3.0 * outcome.check.alignment.u_max_mm


def test_mean_space_is_true(outcome: Outcome, sample: Phantom) -> None:
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


def test_functional_cusps_come_first_and_amounts_add_up(outcome: Outcome) -> None:
    """Source: lower buccal cusps bite into fossae (textbook); a spherical cap is about half of
    area × height, a cone a third, a plateau all of it."""
    first = outcome.check.zones[0]
    assert (first.finding, first.functional) == (FindingKind.TOO_THIN, True)
    assert not any(zone.functional for zone in outcome.check.zones[1:])
    for zone in outcome.check.zones:
        height = abs(zone.amount_mm)
        assert 0.25 < zone.volume_mm3 / (zone.area_mm2 * height) < 1.0
        short = abs(zone.extreme_mm - zone.limit_mm)
        if zone.finding is FindingKind.OVER_CONTOUR:  # to the contour, the nearest step of 0.05
            assert abs(height - short) <= 0.025 * (1.0 + 1e-9)
        else:
            assert short <= height < short + 0.05 + 0.15  # a step of the knife, and to be sure


SPACING_MM = {45: 1.2, 46: 0.8, 47: 0.5}
"""Beads 0.4 mm across: sparse, usual, and all but touching."""

SPRUE_MM = 8.0


@pytest.fixture(scope="module")
def beaded(sample: Phantom) -> tuple[Beaded, np.ndarray, Check]:
    """The sample with beads on its cut and a sprue on its lingual side, scanned and checked."""
    rng = np.random.default_rng(7)
    clean = sample.clean
    stop = next(fault for fault in sample.faults if fault.kind == "metal_stop")
    seats = sample.cut & (sample.inward_mm > 1.0)
    seats &= np.linalg.norm(clean.points_mm - np.array(stop.centre_mm), axis=1) > 2.0
    put = put_beads(
        clean,
        np.concatenate(
            [
                spread(clean.points_mm, seats & (sample.tooth == code), apart, rng)
                for code, apart in SPACING_MM.items()
            ]
        ),
        diameter_mm=0.4,
    )
    last = next(unit for unit in sample.body.units if unit.code == 47)
    seat = last.place([[0.0, -0.5 * last.form.depth_mm, 3.5]])[0]
    way = 0.6 * last.axes[2] - 0.8 * last.axes[1]
    mesh, origin = put_sprue(put.mesh, seat, way, diameter_mm=2.5, length_mm=SPRUE_MM)
    noise = rng.normal(scale=0.01, size=(len(mesh.points_mm), 1)) * vertex_normals(mesh)
    found = check_meshes(
        TriangleMesh(mesh.points_mm + noise, mesh.faces),
        sample.waxup,
        case=load_case(SAMPLE / "case.toml").case,
        aligned=True,
    )
    return put, origin, found.check


def test_beads_and_a_sprue_change_no_finding(beaded: tuple, outcome: Outcome) -> None:
    """Source: the same bridge without them."""
    check = beaded[2]
    assert [(z.finding, z.tooth, z.surface) for z in check.zones] == [
        (z.finding, z.tooth, z.surface) for z in outcome.check.zones
    ]
    for with_beads, plain in zip(check.zones, outcome.check.zones, strict=True):
        assert with_beads.extreme_mm == pytest.approx(plain.extreme_mm, abs=0.05)
    assert len(check.questions) == 1


def test_beads_are_counted_and_their_cover_is_told(beaded: tuple, sample: Phantom) -> None:
    """Source: the beads that were put on; a bead sunk in by half stands out by its radius."""
    put, _, check = beaded
    count = len(put.centres_mm)
    assert count > 200
    assert check.beads.count == pytest.approx(count, abs=0.02 * count)
    assert check.beads.diameter_mm == pytest.approx(0.4, abs=0.06)  # half an edge at each side
    assert check.beads.height_mm == pytest.approx(0.2, abs=0.02)
    tops = put.centres_mm + 0.2 * unit(
        NearestSurface(sample.waxup).query(put.centres_mm).point_mm - put.centres_mm
    )
    cover = NearestSurface(sample.waxup).query(tops).distance_mm
    assert check.beads.cover_median_mm == pytest.approx(np.median(cover), abs=0.03)
    assert check.beads.cover_least_mm == pytest.approx(cover.min(), abs=0.05)


def test_space_is_measured_from_the_base_between_beads(beaded: tuple, sample: Phantom) -> None:
    """Source: the depth to which the bridge was cut, before any bead was put on it."""
    put, origin, check = beaded
    vertex = np.flatnonzero((origin >= 0) & (origin < len(sample.cut)))
    old = origin[vertex]
    beyond = sample.cut[old] & (sample.inward_mm[old] > 0.9)
    raised = put.under[old] >= 0
    for chosen in (beyond & raised, beyond & ~raised):
        error = check.space.nearest_mm[vertex[chosen]] - sample.depth_mm[old[chosen]]
        assert chosen.sum() > 400
        assert abs(np.mean(error)) < 0.01
        # The rest lies on the sharp edges of the pontic's base, where a mesh of 0.1 mm rounds.
        assert (np.abs(error) < 0.05).mean() > 0.95


def test_the_sprue_is_left_out_and_told(beaded: tuple) -> None:
    """Source: it was pulled out of 47 by 8 mm, at a right angle give or take."""
    told, piece = beaded[2].told
    assert (piece.kind, piece.count) == ("loose_piece", 1)  # the fragment that floats there
    assert (told.kind, told.count) == ("attachment", 1)
    assert " at 47 " in told.words
    length = float(re.search(r"stands (\d+\.\d) mm", told.words).group(1))
    assert length == pytest.approx(SPRUE_MM, abs=0.8)
    assert (beaded[2].region == Region.ATTACHMENT).sum() > 500


def test_the_files_are_what_the_code_makes(sample: Phantom) -> None:
    """Float32 is what STL holds; arithmetic of another processor may differ in its last digit."""
    data = np.fromfile(SAMPLE / "framework.stl", dtype=np.uint8)[84:].reshape(-1, 50)
    corners = data[:, 12:48].copy().view("<f4").reshape(-1, 3, 3)
    made = sample.framework.points_mm[sample.framework.faces]
    assert corners.shape == made.shape
    assert np.abs(corners - made).max() < 1e-4


def test_the_demo_unpacks_the_same_files(tmp_path: Path) -> None:
    """What the package carries is the sample byte for byte, in 2.6 MB."""
    write_sample(tmp_path)
    names = {"framework.stl", "waxup.stl", "case.toml", "truth.json"}
    assert {path.name for path in tmp_path.iterdir()} == names
    for name in names:
        assert (tmp_path / name).read_bytes() == (SAMPLE / name).read_bytes()
    assert sum(path.stat().st_size for path in FOR_THE_DEMO.iterdir()) < 2.6e6


def test_sample_scans_are_two(sample: Phantom) -> None:
    off = sample.waxup_from_framework.apply(sample.framework.points_mm) - sample.clean.points_mm
    assert np.linalg.norm(off, axis=1).max() < 0.06
    along = np.einsum("ij,ij->i", off, vertex_normals(sample.clean))
    known = sample.tooth > 0
    assert along[known].std() == pytest.approx(0.010, rel=0.05)
    matrix = sample.waxup_from_framework.matrix()
    assert np.degrees(np.arccos((np.trace(matrix[:3, :3]) - 1) / 2)) > 20
    assert np.linalg.norm(matrix[:3, 3]) > 20
    edges, _, uses = unique_edges(sample.framework.faces)
    assert (uses <= 2).all()
    labels = components(len(sample.framework.points_mm), edges)
    assert np.bincount(labels).min() == 6  # the floating crumb, an octahedron
    low = [bounding_box(mesh.points_mm)[0][2] for mesh in (sample.clean, sample.waxup)]
    assert low[0] > low[1] + 0.4  # cropped higher
    stored = 50 * (len(sample.framework.faces) + len(sample.waxup.faces))
    assert stored < 5.9e6


def test_sample_is_sound_away_from_its_faults(sample: Phantom) -> None:
    """Rays of the noise-free framework against the built-in limits, with 0.1 mm to spare."""
    away = np.ones(len(sample.cut), dtype=bool)
    for fault in sample.faults:
        off = np.linalg.norm(sample.clean.points_mm - np.array(fault.centre_mm), axis=1)
        away &= off > 4.0
    sound = sample.cut & away
    beyond = sound & (sample.inward_mm > 0.8)
    assert beyond.sum() > 1500
    assert np.isfinite(sample.space_mm[beyond]).all()
    assert sample.space_mm[beyond].min() > 1.3
    assert np.quantile(sample.space_mm[beyond], 0.999) < 2.1
    band = sound & (sample.inward_mm > 0.15) & (sample.inward_mm <= 0.8)
    least = 0.2 + sample.inward_mm[band] / 0.8
    assert (sample.space_mm[band] - least).min() > 0.05


def test_sample_faults_are_as_planted(sample: Phantom) -> None:
    faults = {fault.kind: fault for fault in sample.faults}
    thin, thick = faults["too_thin"], faults["too_thick"]
    over, stop = faults["over_contour"], faults["metal_stop"]
    assert 0.75 < thin.extreme_mm < 0.95 and thin.area_mm2 > 1.5
    assert 2.35 < thick.extreme_depth_mm < 2.65 and thick.area_mm2 > 1.5
    assert -0.30 < over.extreme_mm < -0.22 and over.area_mm2 > 0.6
    assert 1.5 < stop.area_mm2 < 3.0
    centres = np.array([fault.centre_mm for fault in sample.faults])
    apart = np.linalg.norm(centres[:, None] - centres[None], axis=2)[np.triu_indices(4, 1)]
    assert apart.min() > 4.0
    assert np.abs(sample.body.outer(centres)).max() < 1e-6
    # a fresh way to the over-contour: how far the framework reaches out of the contour's field
    proud = sample.depth_mm < -0.2
    out = NearestSurface(sample.waxup).query(sample.clean.points_mm[proud]).distance_mm
    np.testing.assert_allclose(out, -sample.depth_mm[proud], atol=0.04)


def test_sample_true_space_against_the_noisy_waxup(sample: Phantom) -> None:
    """Rays at the other triangulation, noise and all, agree on the mean to a micrometre or two."""
    deep = np.flatnonzero(sample.cut & (sample.inward_mm > 1.2))
    hits = RayScene(sample.waxup).first_hit(
        sample.clean.points_mm[deep], vertex_normals(sample.clean)[deep]
    )
    off = hits.distance_mm - sample.space_mm[deep]
    assert np.nanmean(off) == pytest.approx(0.0, abs=0.003)


def test_sample_case_and_truth_say_the_same(sample: Phantom) -> None:
    case = tomllib.loads(sample_case_toml())
    truth = json.loads(json.dumps(sample_truth(sample), allow_nan=False))
    assert case["units"] == truth["units"] == [45, 46, 47]
    assert case["pontics"] == truth["pontics"] == [46]
    kinds = [fault["kind"] for fault in truth["faults"]]
    assert kinds == ["too_thin", "too_thick", "over_contour", "metal_stop"]
    assert truth["depth_mm"]["median"] == pytest.approx(1.5, abs=0.06)
    assert 1.4 < truth["space_mm"]["mean"] < 1.5
    buccal = np.array([unit.axes[1] for unit in sample.body.units]).mean(axis=0)
    assert case["frame"]["buccal"] == "+y" and buccal[1] > 0.9
