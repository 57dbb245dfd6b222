"""The budget of space on a cone in a cylinder, where formulas say what metal would be left."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from phantom.shapes import onto_surface
from phantom.surface import triangulate
from veneercheck import check_meshes
from veneercheck.case.order import Order
from veneercheck.case.run import carry_out
from veneercheck.check import Surfaces, check
from veneercheck.core.divide import zones
from veneercheck.core.judge import decide as judge
from veneercheck.core.judge.structure.walls import thin_metal
from veneercheck.core.measure.metal import answer, metal_to_die
from veneercheck.core.mesh.triangles import vertex_normals
from veneercheck.core.types import (
    FORBIDDEN,
    THIN_METAL,
    Answer,
    Case,
    Check,
    Decision,
    FindingKind,
    TriangleMesh,
    Verdict,
    Weight,
)
from veneercheck.profile import built_in
from veneercheck.report.carrying import build_sentences
from veneercheck.report.cautions import cautions
from veneercheck.report.filed import read_result, write_result
from veneercheck.report.verdict import verdict_sentences
from veneercheck.report.words import Words
from veneercheck.report.zone_words import action_words
from veneercheck.scan import write_stl

pytestmark = pytest.mark.usefixtures("frame_as_given")

AROUND, LOW_MM, HIGH_MM, STEP_MM = 300, 6.65, 11.45, 0.1
METAL_MM, CONTOUR_MM = 5.0, 6.0
CONE_MM, SLOPE = 2.4, 0.25
"""Radii of the framework and the contour; the die's radius is CONE_MM + SLOPE·z. Their edges are
just short enough that a check halves none."""


def turned(radius, low=LOW_MM, high=HIGH_MM) -> TriangleMesh:
    """A tube about the z axis whose radius is a function of z; normals outward."""
    z, turn = np.meshgrid(
        np.arange(low, high + STEP_MM / 2, STEP_MM),
        np.linspace(0.0, 2 * np.pi, AROUND, endpoint=False),
        indexing="ij",
    )
    r = radius(z)
    points = np.stack([r * np.cos(turn), r * np.sin(turn), z], axis=-1).reshape(-1, 3)
    at = np.arange(z.size).reshape(z.shape)
    a, b = at[:-1], np.roll(at[:-1], -1, 1)
    c, d = at[1:], np.roll(at[1:], -1, 1)
    sides = [np.stack(t, -1).reshape(-1, 3) for t in ((a, b, c), (b, d, c))]
    return TriangleMesh(points, np.concatenate(sides))


FRAMEWORK = turned(lambda z: METAL_MM + 0.0 * z)
CONTOUR = turned(lambda z: CONTOUR_MM + 0.0 * z)
DIE = turned(lambda z: CONE_MM + SLOPE * z, LOW_MM - 1.0, 10.3)


@pytest.fixture(scope="module")
def checked() -> Check:
    return check(
        Surfaces(FRAMEWORK, CONTOUR, die=DIE),
        case=Case(stage="cast"),
        limits=dataclasses.replace(built_in(), stages={}),
        aligned=True,
    )


def test_borders_lie_where_the_formula_puts_them(checked: Check) -> None:
    """Source: left = contour − die − 0.2 opaquer − 1.0 layer, so that it meets the 0.5 mm of
    metal at z = (6 − 1.2 − 0.5 − 2.4)/0.25 = 7.6 mm and nothing at 9.6 mm."""
    z = checked.framework.points_mm[:, 2]
    inner = (z > LOW_MM + 0.3) & (z < 10.0)
    told = np.array([answer(left, checked.limits) for left in checked.metal_left_mm[inner]])
    z = z[inner]
    for before, after, border in (
        (Answer.TAKE_OFF, Answer.METAL_TOO_THIN, 7.6),
        (Answer.METAL_TOO_THIN, Answer.NO_ROOM, 9.6),
    ):
        last, first = z[told == before].max(), z[told == after].min()
        assert first > last - 0.05
        assert 0.5 * (last + first) == pytest.approx(border, abs=0.05)


@pytest.mark.parametrize("stage", ["opaqued", "dentine", "finished"])
def test_what_is_built_on_the_metal_hides_it(stage: str) -> None:
    """Source: a scan of opaquer or dentine shows no metal; on a made veneer nothing is cut."""
    limits = dataclasses.replace(built_in(), stages={})
    found = check(
        Surfaces(FRAMEWORK, CONTOUR, die=DIE), case=Case(stage=stage), limits=limits, aligned=True
    )
    seen = stage == "finished"
    assert np.isfinite(found.space.metal_mm).any() == seen
    assert np.isfinite(found.metal_left_mm).any() == seen
    (zone,) = found.zones
    assert np.isfinite(zone.metal_mm) == seen
    assert "metal, below its limit" not in zone.action and "no room" not in zone.action
    # A layer of 0.8 mm where 1.0 mm are asked for, and a reserve for the uncertainty.
    assert zone.amount_mm == pytest.approx(0.25, abs=0.051)


def test_no_amount_takes_metal_below_its_limit(checked: Check) -> None:
    """Source: METAL_MM less the die's radius is what there is."""
    z = checked.framework.points_mm[:, 2]
    spare = np.maximum(METAL_MM - CONE_MM - SLOPE * z - checked.limits.least_metal_mm, 0.0)
    seen = (z > LOW_MM + 0.3) & (z < 10.0)
    assert (checked.amount_mm[seen] <= spare[seen] + 0.005).all()
    assert checked.amount_mm[seen].max() > 0.1, "where there is metal to spare it may be cut"
    (zone,) = checked.zones
    assert (zone.finding, zone.decision) == (FindingKind.TOO_THIN, Decision.FIRM)
    # What is said holds for the worst spot: 5 mm up, 2.65 mm of metal are left beside the layer;
    # from 7.6 mm on it would be less than its limit, from 9.6 mm on nothing.
    height = zone.centre_mm[2]
    words = ("take off", "do not cut", "no room")[int(np.searchsorted((7.6, 9.6), height))]
    assert zone.action.startswith(words) or "at most" in zone.action


def test_what_is_said_holds_for_the_worst_spot_and_each_point_has_its_own_metal() -> None:
    """Source: the radii; the die rises by 0.03 mm a millimetre, and 0.5 mm of metal must stay."""

    def cone(z):
        return 4.2 + 0.03 * (z - LOW_MM)

    die = turned(cone, LOW_MM - 1.0, HIGH_MM + 1.0)
    limits = dataclasses.replace(built_in(), stages={})
    found = check(
        Surfaces(FRAMEWORK, CONTOUR, die=die), case=Case(stage="cast"), limits=limits, aligned=True
    )
    z = found.framework.points_mm[:, 2]
    spare = METAL_MM - cone(z) - 0.5
    assert (found.amount_mm <= spare + 0.005).all()
    assert found.amount_mm.max() > 0.25
    (zone,) = found.zones
    here = METAL_MM - cone(zone.centre_mm[2]) - 0.5
    assert zone.amount_mm <= here + 0.005
    assert zone.amount_mm == pytest.approx(min(0.3, here), abs=0.051)


@pytest.mark.parametrize(
    ("stage", "metal_mm", "weight"),
    [
        ("cast", 0.3, Weight.FINDING),
        ("cast", 0.47, Weight.UNDECIDED),
        ("cast", 0.6, None),
        ("wax", 0.5, Weight.FINDING),
        ("wax", 0.75, None),
    ],
)
def test_thin_metal_under_a_layer_that_is_right_is_told(stage, metal_mm, weight) -> None:
    """Source: coaxial tubes: 1.5 mm to the contour, so much metal over the die. The least is
    0.5 mm, in wax 0.1 mm more, and 0.035 mm is the seating's uncertainty. In the tube's own wall
    no zone lies."""
    limits = dataclasses.replace(built_in(), finishing_mm=0.0)
    contour = turned(lambda z: METAL_MM + 1.5 + 0.0 * z)
    die = turned(lambda z: METAL_MM - metal_mm + 0.0 * z, LOW_MM - 1.0, HIGH_MM + 1.0)
    found = check(
        Surfaces(FRAMEWORK, contour, die=die), case=Case(stage=stage), limits=limits, aligned=True
    )
    assert not found.zones
    spots = [one for one in found.structure.spots if one.kind == THIN_METAL]
    assert [one.weight for one in spots] == ([weight] if weight else [])
    assert (found.verdict is Verdict.FINDINGS) == (weight is Weight.FINDING)
    for one in spots:
        assert one.value_mm == pytest.approx(metal_mm, abs=0.003)  # facets of 0.17 mm: 1 µm
        # towards both rims it may run out to a margin, evenly over 1.2 mm
        least_mm = 0.6 if stage == "wax" else 0.5
        less = 0.0 if weight is Weight.UNDECIDED else 1.0 - metal_mm / least_mm
        long_mm = HIGH_MM - LOW_MM - 2.4 * (1.0 - less)
        assert one.size == pytest.approx(2.0 * np.pi * METAL_MM * long_mm, rel=0.1)
    described = {
        "structure": {"connectors": [], "spots": [dataclasses.asdict(one) for one in spots]},
        "case": {"stage": stage},
        "profile": {"metal": {"least_mm": 0.5, "to_come_mm": 0.0}},
    }
    for lang, word in (("en", "of metal under the veneer"), ("de", "unter der Verblendung")):
        said = build_sentences(described, Words(lang))
        assert [word in sentence for sentence in said] == [True] * len(spots)


@pytest.mark.parametrize(("beside_mm", "most"), [(0.0, 0.05), (-0.04, 1.0)])
def test_metal_at_its_limit_is_hardly_ever_firmly_too_thin(beside_mm, most) -> None:
    """Source: ISO 14253-1's one-sided 95 %, from memory: of 100 walls of 80 mm² at their very limit
    no more than 5 in 100 are firm under noise of 10 µm on both sides; 40 µm below it every one."""
    x, y = (one.ravel() for one in np.meshgrid(np.arange(0, 9.01, 0.15), np.arange(0, 9.01, 0.15)))
    number = np.arange(len(x)).reshape(61, 61)
    edges = [np.stack([a.ravel(), b.ravel()], axis=1) for a, b in (
        (number[1:], number[:-1]), (number[:, 1:], number[:, :-1])
    )]  # fmt: skip
    noise_mm, limits = 0.01, dataclasses.replace(built_in(), stages={})
    reading: Any = SimpleNamespace(
        points_mm=np.stack([x, y, 0.0 * x], axis=1),
        normals=np.tile([0.0, 0.0, 1.0], (len(x), 1)),
        edges=np.concatenate(edges),
        space=SimpleNamespace(
            area_mm2=np.full(len(x), 0.15**2), u_noise_mm=np.full(len(x), noise_mm)
        ),
    )
    rng, firm = np.random.default_rng(5), 0
    for _ in range(100):
        noise = rng.normal(scale=noise_mm, size=(2, len(x)))
        metal = limits.least_metal_mm + beside_mm + noise[0] - noise[1]
        found = thin_metal(
            reading, metal, veneered=np.ones(len(x), dtype=bool), steady_u_mm=0.0, limits=limits,
            least_mm=np.full(len(x), limits.least_metal_mm), told=lambda _: (None, None, ""),
            stage="cast",
        )  # fmt: skip
        firm += any(one.weight is Weight.FINDING for one in found)
    assert firm == 100 if beside_mm else firm <= most * 100


def test_a_wall_may_run_out_to_its_margin() -> None:
    """Source: drawn. 0.8 mm of metal over the die, tapering to 0.25 mm over the last 0.8 mm before
    the die's open edge, 2 mm inside the framework's own rim; then over its whole length."""
    contour, edge_mm = turned(lambda z: METAL_MM + 1.5 + 0.0 * z), LOW_MM + 2.0
    for taper_mm, told in ((0.8, 0), (2.8, 1)):
        die = turned(
            lambda z, long=taper_mm: METAL_MM - 0.25 - 0.55 * np.clip((z - edge_mm) / long, 0, 1),
            edge_mm, HIGH_MM + 1.0,
        )  # fmt: skip
        found = check(
            Surfaces(FRAMEWORK, contour, die=die), case=Case(stage="cast"),
            limits=dataclasses.replace(built_in(), stages={}), aligned=True,
        )  # fmt: skip
        assert len([one for one in found.structure.spots if one.kind == THIN_METAL]) == told


@pytest.mark.parametrize(
    ("slope", "until_mm", "weights"),
    [(0.38, 1.0, []), (0.2, 1.0, [Weight.FINDING])],
)
def test_towards_a_margin_the_least_metal_runs_out_evenly(slope, until_mm, weights) -> None:
    """Source: 0.5 mm over 1.2 mm is 0.417 mm a millimetre: what runs out faster is right; at 0.38,
    0.04 mm short at most, it is not surely thinner; at 0.2 it is, by 0.2 mm 1 mm from the margin,
    where 0.42 mm are asked for."""
    contour, edge_mm = turned(lambda z: METAL_MM + 1.5 + 0.0 * z), LOW_MM + 2.0

    def metal(away):
        return np.where(away < until_mm, np.minimum(slope * away, 0.8), 0.8)

    die = turned(lambda z: METAL_MM - metal(z - edge_mm), edge_mm, HIGH_MM + 3.0)
    found = check(
        Surfaces(FRAMEWORK, contour, die=die), case=Case(stage="cast"),
        limits=dataclasses.replace(built_in(), stages={}), aligned=True,
    )  # fmt: skip
    spots = [one for one in found.structure.spots if one.kind == THIN_METAL]
    assert [one.weight for one in spots] == weights
    described = {
        "structure": {"connectors": [], "spots": [dataclasses.asdict(one) for one in spots]},
        "case": {"stage": "cast"},
        "profile": {"metal": {"least_mm": 0.5, "to_come_mm": 0.0}},
    }
    for one in spots:
        assert 0.2 < one.limit_mm < 0.42
        (said,) = build_sentences(described, Words())
        assert f"at least {one.limit_mm:.2f} mm (so near a margin) is required" in said
        described["structure"]["spots"] *= 2
        (said,) = build_sentences(described, Words())
        assert "at least 0.50 mm" in said and said.count(f"where {one.limit_mm:.2f} mm is") == 2


def test_a_verdict_for_thin_metal_alone_says_so_and_not_that_metal_was_not_checked(
    tmp_path: Path,
) -> None:
    """Source: the tubes above with 0.3 mm of metal: the only finding; then with 0.9 mm: none."""
    contour = turned(lambda z: METAL_MM + 1.5 + 0.0 * z)
    for metal_mm, said in ((0.3, "framework itself"), (0.9, "No place outside the limits")):
        die = turned(lambda z, thick=metal_mm: METAL_MM - thick + 0.0 * z, LOW_MM - 1.0, 12.4)
        found = check_meshes(FRAMEWORK, contour, die=die, aligned=True)
        folder = tmp_path / f"{metal_mm}"
        found.save(folder, with_report=False)
        described = json.loads((folder / "result.json").read_text())
        assert described["structure"]["metal_share"] > 0.95
        assert said in verdict_sentences(described, Words())[0]
        assert words_of_unchecked(described) == Words()("cautions.partly")
    # as it was filed before the share was told, and with what else a verdict may rest on
    del described["structure"]["metal_share"]
    assert words_of_unchecked(described) == Words()("cautions.unchecked")
    thin = {"kind": THIN_METAL, "weight": "undecided"}
    described |= {"verdict": "undecided"}
    described["structure"]["spots"] = [thin]
    assert "itself stays undecided" in verdict_sentences(described, Words())[0]
    described |= {"verdict": "findings", "questions": [{"kind": "island"}]}
    described["structure"]["spots"] = [thin | {"weight": "finding"}]
    described["case"]["metal_stops"] = FORBIDDEN
    framework, stop = verdict_sentences(described, Words())[:2]
    assert "framework itself" in framework and "no metal stop" in stop
    # beside a place that is only undecided: what is sure comes first
    described["zones"] = [{"decision": "undecided"}]
    framework, stop, still_open = verdict_sentences(described, Words())[:3]
    assert "framework itself" in framework and "no metal stop" in stop
    assert "One place stays undecided" in still_open


def words_of_unchecked(described: dict) -> str:
    (said,) = (one for one in cautions(described, Words()) if "antagonist" in one)
    return said


def test_metal_over_the_die_and_none_where_it_was_not_seen() -> None:
    """Source: the radii."""
    metal = metal_to_die(FRAMEWORK, vertex_normals(FRAMEWORK), DIE)
    z = FRAMEWORK.points_mm[:, 2]
    under = z < 10.2
    assert metal[under] == pytest.approx(METAL_MM - CONE_MM - SLOPE * z[under], abs=0.002)
    assert np.isnan(metal[z > 10.4]).all()


@pytest.mark.parametrize(
    ("metal_mm", "left_mm", "surface", "words", "amount_mm"),
    [
        (1.2, 0.9, "buccal", "take off 0.40 mm", 0.4),
        (
            0.83,
            0.32,
            "buccal",
            "take off 0.20 mm at most: the least layer would leave 0.32 mm",
            0.2,
        ),
        (0.83, 0.32, "mesial", "do not cut, the least layer would leave 0.32 mm", 0.0),
        (0.55, 0.32, "occlusal", "do not cut", 0.0),
        (0.7, -0.15, "occlusal", "no room for metal and veneer, 0.75 mm short", 0.0),
        (np.nan, np.nan, "occlusal", "take off 0.40 mm", 0.4),
    ],
)
def test_the_three_answers_in_words(metal_mm, left_mm, surface, words, amount_mm) -> None:
    """Source: by hand, with 0.5 mm of least metal and 0.1 mm that finishing will still take."""
    patch = zones.Patch(
        FindingKind.TOO_THIN, np.zeros(1, int), 1.0, np.zeros(3), 0.7, 0.3, 0.04, 0.7, 1.0
    )
    limits = built_in().at("wax")
    assert limits.least_metal_mm == pytest.approx(0.6)
    (zone,) = judge.decide(
        [judge.Advised(patch, 1.0, metal_mm, metal_mm, left_mm)],
        lambda _: ("46", surface, ""),
        stage="wax",
        limits=limits,
    )
    assert zone.action.startswith(words)
    assert zone.amount_mm == pytest.approx(amount_mm)
    german = action_words({"action": zone.action}, Words("de"))
    assert not {"take", "the", "room", "cut,", "metal"} & set(german.split())


def test_the_die_named_in_the_case_file_is_read(tmp_path: Path) -> None:
    """Source: the same bodies as files."""
    for name, mesh in (("f", FRAMEWORK), ("w", CONTOUR), ("d", DIE)):
        write_stl(tmp_path / f"{name}.stl", mesh)
    case = tmp_path / "case.toml"
    scans = 'framework = "f.stl"\nwaxup = "w.stl"\ndie = "d.stl"\n'
    case.write_text(f"[scans]\n{scans}", encoding="utf-8")
    order = Order(case=case, unit="mm", aligned=True)
    outcome = carry_out(order, out=tmp_path / "out", with_report=False)
    assert np.isfinite(outcome.check.metal_left_mm).any()
    assert any(remark.kind == "die" for remark in outcome.remarks)
    filed = read_result(tmp_path / "out")
    assert len(filed.die.faces) == len(DIE.faces)
    z = filed.mesh.points_mm[:, 2]
    over = METAL_MM - CONE_MM - SLOPE * z[z < 10.2]
    assert filed.metal_mm[z < 10.2] == pytest.approx(over, abs=0.005)
    without = dataclasses.replace(outcome, check=dataclasses.replace(outcome.check, die=None))
    write_result(tmp_path / "out", without)
    assert read_result(tmp_path / "out").die is None


def _box(points, middle, half):
    """Distance from a box with edges rounded by 0.05 mm, so that a fin is still one."""
    away = np.abs(points - np.array(middle)) - np.array(half) + 0.05
    out = np.linalg.norm(np.maximum(away, 0.0), axis=1)
    return out + np.minimum(away.max(axis=1), 0.0) - 0.05


def _veneered_all_round(half, middle=(0.0, 0.0, 0.0)) -> Check:
    """A block on a foot, with a box on or over it; the veneer over the block is 1.4 mm, over the
    box 0.9 mm. Source: the measures of the boxes."""

    def foot(points):
        return _box(points, (0.0, 0.0, -3.0), (5.4, 4.4, 1.0))

    def framework(points):
        metal = np.minimum(_box(points, (0.0, 0.0, -1.0), (4.0, 3.0, 1.0)), foot(points))
        return np.minimum(metal, _box(points, middle, half))

    def contour(points):
        shell = np.minimum(_box(points, (0.0, 0.0, -1.0), (5.4, 4.4, 2.4)), foot(points))
        return np.minimum(shell, _box(points, middle, np.add(half, 0.9)))

    low, high = np.array([-5.8, -4.8, -4.4]), np.array([5.8, 4.8, 4.2])
    surfaces = [
        onto(field, triangulate(field, low, high, edge))
        for field, edge in ((framework, 0.17), (contour, 0.2))
    ]
    return check(Surfaces(*surfaces), case=Case(), limits=built_in(), aligned=True)


def onto(field, mesh: TriangleMesh) -> TriangleMesh:
    return TriangleMesh(onto_surface(field, mesh.points_mm), mesh.faces)


def test_a_fin_is_cut_down_and_a_thin_plate_is_not() -> None:
    """A fin 0.5 mm thick and 0.6 high, on a solid block; and a plate 0.4 mm thick, 2.4 mm wide,
    which ends in its own veneer on both sides: there the metal is at its end, 0.6 mm asked for."""
    fin = _veneered_all_round((1.5, 0.25, 0.6), (0.0, 0.0, 0.0))
    told = [zone for zone in fin.zones if zone.finding is FindingKind.TOO_THIN]
    assert told and all(zone.action.startswith("take off 0.") for zone in told)
    assert min(zone.metal_mm for zone in told) > 2.0, "that of the block, not across the fin"
    plate = _veneered_all_round((1.5, 0.2, 1.4), (0.0, 0.0, 1.2))
    told = [zone for zone in plate.zones if zone.finding is FindingKind.TOO_THIN]
    assert any("no room" in zone.action or "do not cut" in zone.action for zone in told)
