"""Limits by stage, the missing chamfer, and what changed since an earlier check, on plates."""

from __future__ import annotations

import dataclasses
import importlib
import re
from pathlib import Path

import numpy as np
import pytest

from phantom.sheets import height_field
from veneercheck import check_files, check_meshes
from veneercheck.check import Surfaces, check
from veneercheck.core.divide import zones
from veneercheck.core.errors import ProfileError, RecordError
from veneercheck.core.judge import changes
from veneercheck.core.judge import decide as judge
from veneercheck.core.types import (
    SHARP_EDGE,
    UNSUPPORTED,
    AlignmentState,
    Case,
    Check,
    Decision,
    FindingKind,
    LayerLimits,
    Reason,
    Region,
    Trend,
    TriangleMesh,
)
from veneercheck.profile import STAGES, built_in, parse_profile
from veneercheck.report import document, zones_of
from veneercheck.report.carrying import build_sentences, connector_note, connector_rows
from veneercheck.report.cautions import hand_cautions
from veneercheck.report.terminal import terminal_summary
from veneercheck.report.verdict import stage_words, verdict_sentences
from veneercheck.report.words import LANGUAGES, Words
from veneercheck.report.zone_words import action_words
from veneercheck.scan import write_stl

pytestmark = pytest.mark.usefixtures("frame_as_given")

STEPS = 61


def plate(depth) -> TriangleMesh:
    """A plate of 12 × 12 mm, a depth under the xy plane; normals up."""
    return height_field(lambda x, y: -depth(x, y), np.linspace(0.0, 12.0, STEPS))


CONTOUR = plate(lambda x, y: 0.0 * x * y)


def cut(x, y, full_mm=1.5, slope_mm=0.1):
    """Full depth beyond a slope that begins at x = 4."""
    return full_mm * np.clip((x - 4.0) / slope_mm, 0.0, 1.0) + 0.0 * y


def checked(depth, stage: str = "wax") -> Check:
    return check(
        Surfaces(plate(depth), CONTOUR), case=Case(stage=stage), limits=built_in(), aligned=True
    )


def findings(found: Check) -> list[FindingKind]:
    return [zone.finding for zone in found.zones]


def spot(x, y, at_x, at_y, radius=1.0):
    return np.hypot(x - at_x, y - at_y) < radius


def test_opaquer_that_is_on_already_is_not_taken_off_again() -> None:
    """Source: 1.1 mm of space are 0.9 mm of layer under 0.2 mm of opaquer still to come."""

    def depth(x, y):
        return cut(x, y, 1.1)

    assert findings(checked(depth)) == [FindingKind.TOO_THIN]
    opaqued = checked(depth, "opaqued")
    assert opaqued.layer_statistics.median_mm == pytest.approx(1.1, abs=1e-9)
    assert not any(zone.decision is Decision.FIRM for zone in opaqued.zones)


@pytest.mark.parametrize(
    ("depth_mm", "kind", "words"),
    [
        (0.6, None, ""),
        (0.15, FindingKind.TOO_THIN, "take off 0.25 mm of dentine"),
        (1.4, FindingKind.TOO_THICK, "add 0.50 mm of dentine"),
    ],
)
def test_dentine_build_up_leaves_room_for_incisal(depth_mm, kind, words) -> None:
    """Source: the profile's 0.3 to 1.0 mm for what is layered last, 0.032 mm of uncertainty."""

    def depth(x, y):
        return np.where(spot(x, y, 8.0, 6.0, 1.5), depth_mm, cut(x, y, 0.6))

    found = checked(depth, "dentine")
    assert findings(found) == ([kind] if kind else [])
    assert all(zone.action == words for zone in found.zones)


@pytest.mark.parametrize("flush_mm", [0.0, 0.02])
def test_dentine_at_the_contour_leaves_no_room_be_it_a_stop_or_not(flush_mm: float) -> None:
    """Source: the profile's least 0.3 mm for what is layered last, none of which is left over
    1.5 mm round and half of an edge's slope; a metal stop looks the same, and only the case or a
    mask says that there is none."""

    def depth(x, y):
        return np.where(spot(x, y, 8.0, 6.0, 1.5), flush_mm, cut(x, y, 0.6))

    surfaces = Surfaces(plate(depth), CONTOUR)
    (asked,) = checked(depth, "dentine").zones
    assert (asked.finding, asked.decision) == (FindingKind.TOO_THIN, Decision.UNDECIDED)
    assert asked.action.startswith("built up to the contour: take off 0.")
    assert action_words({"action": asked.action}, Words("de")).startswith("bis zur Kontur")
    assert asked.area_mm2 == pytest.approx(np.pi * 1.575**2, rel=0.1)
    assert asked.amount_mm == pytest.approx(0.3 - flush_mm, abs=0.11)
    none = Case(stage="dentine", metal_stops="forbidden")
    (told,) = check(surfaces, case=none, limits=built_in(), aligned=True).zones
    assert told.decision is Decision.FIRM and "stop" not in told.action
    painted = np.full(len(surfaces.framework.points_mm), -1)
    x, y, _ = surfaces.framework.points_mm.T
    painted[spot(x, y, 8.0, 6.0, 1.5)] = Region.ISLAND
    surfaces = Surfaces(surfaces.framework, CONTOUR, paint=painted)
    meant = check(surfaces, case=Case(stage="dentine"), limits=built_in(), aligned=True)
    assert meant.zones == () and [one.kind for one in meant.questions if one.kind == "island"]


@pytest.mark.parametrize("lang", LANGUAGES)
@pytest.mark.parametrize(("stage", "key"), [("wax", "nowhere_cut"), ("finished", "not_veneered")])
def test_two_scans_that_are_alike_are_told_so(stage: str, key: str, lang: str) -> None:
    """Source: the same plate twice; nothing was cut, and at the last stage nothing veneered."""
    alike = plate(lambda x, y: 0.002 * np.sin(x) + 0.0 * y)
    told = document(check_meshes(alike, CONTOUR, case=Case(stage=stage), aligned=True))
    words = Words(lang)
    assert words(f"verdict.{key}") in verdict_sentences(told, words)
    assert f". {words(f'verdict.{key}')}" in terminal_summary(told, lang)


@pytest.mark.parametrize(
    ("stage", "depth_mm", "words"),
    [
        ("opaqued", 0.6, "0.40 mm of space short"),
        ("opaqued", 2.3, "0.30 mm more than the greatest layer"),
        ("finished", 0.9, "0.30 mm of composite short"),
        ("finished", 2.4, "0.20 mm of composite more"),
        ("cast", 2.5, "0.30 mm more than the greatest layer"),
    ],
)
def test_what_is_only_stated_holds_no_reserve(stage: str, depth_mm: float, words: str) -> None:
    """Source: 1.0 to 2.0 mm, and 0.2 mm of opaquer where it is still to come or was scanned under;
    what a hand works holds a reserve of 0.1 mm more."""

    def depth(x, y):
        return np.where(spot(x, y, 8.0, 6.0, 1.5), depth_mm, cut(x, y))

    (zone,) = checked(depth, stage).zones
    assert zone.decision is Decision.FIRM and zone.action.startswith(words)
    assert abs(zone.amount_mm) == pytest.approx(float(words[:4]))


def test_dentine_out_of_the_contour_is_told_what_comes_off_in_all() -> None:
    """Source: 0.2 mm out of the contour and 0.3 mm for what is layered last: 0.5 mm, and the
    reserve; worked on to the contour alone there would be no room."""

    def depth(x, y):
        return np.where(spot(x, y, 8.0, 6.0, 1.5), -0.2, cut(x, y, 0.6))

    (zone,) = checked(depth, "dentine").zones
    assert zone.action.startswith("take off 0.20 mm of dentine to reach the contour; 0.")
    assert 0.5 < float(zone.action.split("; ")[1].split(" mm")[0]) < 0.65


_PROUD = "take off 0.30 mm if it is the framework that stands proud"


@pytest.mark.parametrize(
    ("stage", "at_mm", "flush_mm", "words"),
    [("wax", 4.6, 0.0, f"{_PROUD}; 1.50 mm in all if veneer is to lie there"),
     ("wax", 1.8, 0.0, _PROUD), ("wax", 8.0, 2.4, _PROUD),
     ("finished", 4.6, 0.0, "0.30 mm of metal out of the surface")],
)  # fmt: skip
def test_what_stands_out_beside_the_cut_may_be_collar_or_was_forgotten(
    stage: str, at_mm: float, flush_mm: float, words: str
) -> None:
    """Source: 0.3 mm out of the contour, joined to the collar, which ends at 4 mm; a layer of
    1.0 mm and 0.2 mm of opaquer have room nowhere at the contour. On the collar no veneer is, of a
    stop amid the cut the question says it, and of a finished veneer nothing is taken off."""

    def depth(x, y):
        found = np.where(spot(x, y, at_mm, 6.0, flush_mm), 0.0, cut(x, y))
        return np.where(spot(x, y, at_mm, 6.0, 1.4), -0.3, found)

    (zone,) = [one for one in checked(depth, stage).zones if one.amount_mm == pytest.approx(0.3)]
    assert zone.finding is FindingKind.OVER_CONTOUR and zone.action == words
    if words.endswith("there"):
        told = action_words({"action": zone.action}, Words("de"))
        assert told.endswith("1,50 mm insgesamt, wenn dort Verblendung liegen soll")


def test_finishing_took_metal_everywhere_and_nothing_is_quite_uncut() -> None:
    """Source: 0.1 mm off all over, the profile's allowance at the cast stage."""

    def depth(x, y):
        return np.maximum(cut(x, y), 0.1)

    for stage, uncut in (("cast", True), ("wax", False)):
        found = checked(depth, stage)
        away = found.framework.points_mm[:, 0] < 3.8
        assert ((found.region[away] == Region.UNCUT) == uncut).all()

    def proud(x, y):
        return depth(x, y) - 0.3 * np.exp(-((x - 2.0) ** 2 + (y - 6.0) ** 2))

    (zone,) = checked(proud, "cast").zones
    assert zone.finding is FindingKind.OVER_CONTOUR
    assert zone.action.startswith("grind off")


def test_missing_chamfer_is_told_in_wax_and_found_fault_with_in_metal() -> None:
    """Source: the slope reaches 0.6 mm where 1.2 mm are asked for at the band's end."""

    def depth(x, y):
        return cut(x, y, 1.5, 2.0)

    wax = checked(depth)
    assert findings(wax) == []
    assert {question.kind for question in wax.questions} == {"chamfer", "directions"}
    cast = checked(depth, "cast")
    assert set(findings(cast)) == {FindingKind.TOO_THIN}
    assert {question.kind for question in cast.questions} == {"directions"}
    assert cast.zones[0].action.startswith("grind off")


@pytest.mark.parametrize("half_mm", [0.8, 1.2])
def test_what_was_left_standing_beside_the_line_is_no_missing_chamfer(half_mm: float) -> None:
    """Source: 0.53 mm of space from the line to 1.1 mm beyond it, over a little of its length; the
    rest is cut as it should be. 0.33 mm of layer, and no more than is missing and its reserve."""

    def depth(x, y):
        left = (np.abs(y - 6.0) < half_mm) & (x < 5.1)
        sound = cut(x, y, 1.5, 0.8)
        return np.where(left, np.minimum(sound, 0.53), sound)

    wax = checked(depth)
    (zone,) = wax.zones
    assert (zone.finding, zone.decision) == (FindingKind.TOO_THIN, Decision.FIRM)
    assert zone.extreme_mm == pytest.approx(0.33, abs=0.01)
    assert 0.67 <= zone.amount_mm <= 0.67 + 0.15
    assert {question.kind for question in wax.questions} == {"directions"}


def test_stages_are_read_from_the_profile() -> None:
    """Source: the file itself; what it leaves out stays as built in."""
    limits = parse_profile(
        {
            "layer": {"least_mm": 0.8},
            "surface": {"buccal": {"least_mm": 1.2}},
            "stage": {"dentine": {"least_mm": 0.4}, "finished": {"greatest_mm": 2.5}},
        }
    )
    assert limits.at("dentine").layer == LayerLimits(0.4, 1.0)
    assert limits.at("dentine").surfaces == {}
    assert limits.at("finished").layer == LayerLimits(0.8, 2.5)
    assert limits.at("finished").opaquer_mm == 0.2
    assert limits.at("wax").layer == limits.layer
    # In wax, what finishing will take off the cast is still to be there.
    assert limits.at("wax").least_metal_mm == pytest.approx(0.6)
    assert limits.at("cast").least_metal_mm == 0.5
    assert set(limits.at("cast").surfaces) == {"buccal"}
    assert limits.at("opaqued").taken_mm == 0.0
    with pytest.raises(ProfileError, match="not below greatest_mm"):
        parse_profile({"stage": {"dentine": {"least_mm": 1.2}}})
    with pytest.raises(ProfileError, match="«cast»"):
        parse_profile({"stage": {"casting": {}}})


@pytest.mark.parametrize("stage", ["wax", "cast", "opaqued", "dentine", "finished"])
@pytest.mark.parametrize("excess_mm", [0.4, 0.01])
def test_every_action_is_told_in_german(stage: str, excess_mm: float) -> None:
    """Source: each stage's own catalogue entry; no English word is left over."""
    for finding in (FindingKind.TOO_THIN, FindingKind.TOO_THICK, FindingKind.OVER_CONTOUR):
        patch = zones.Patch(finding, np.zeros(1, int), 1.0, np.zeros(3), 1.0, excess_mm, 0.04)
        advised = judge.Advised(patch)
        filed = judge.action_words(advised, stage)
        told = action_words({"action": filed}, Words("de"))
        assert f"{judge.advise(advised, stage):.2f}".replace(".", ",") in told
        assert not {"take", "add", "of", "the", "short", "grind"} & set(told.split())


@pytest.fixture(scope="module")
def with_a_thin_spot() -> dict:
    def depth(x, y):
        return np.where(spot(x, y, 8.0, 6.0), 0.2, cut(x, y))

    return document(check_meshes(plate(depth), CONTOUR, aligned=True))


def test_in_a_doubtful_pose_no_zone_is_firm(monkeypatch: pytest.MonkeyPatch) -> None:
    """Source: the verdict, which is at most undecided there; depth, place and amount stay. Where
    the uncut surface only holds it loosely, that is counted in the zone's own uncertainty."""
    surfaces = Surfaces(plate(lambda x, y: cut(x, y, 0.8)), CONTOUR)
    (firm,) = check(surfaces, case=Case(), limits=built_in(), aligned=True).zones
    sentence = importlib.import_module("veneercheck.check")
    found = sentence._placed

    def doubted(*args, **more):
        alignment, *rest = found(*args, **more)
        state = AlignmentState.DOUBTFUL
        return dataclasses.replace(alignment, state=state, reasons=tuple(reasons)), *rest

    monkeypatch.setattr(sentence, "_placed", doubted)
    reasons = [Reason("too_loose", "held to ±40 µm")]
    (loose,) = check(surfaces, case=Case(), limits=built_in(), aligned=True).zones
    assert (loose.decision, loose.action) == (Decision.FIRM, firm.action)
    reasons.append(Reason("rival", "another pose fits nearly as well"))
    (zone,) = check(surfaces, case=Case(), limits=built_in(), aligned=True).zones
    assert (firm.decision, zone.decision) == (Decision.FIRM, Decision.UNDECIDED)
    assert zone.action == f"if the two scans lie rightly: {firm.action}"
    told = action_words({"action": zone.action}, Words("de"))
    assert re.search(r"falls die Scans richtig liegen: 0,\d\d mm vom Gerüst abtragen$", told)
    assert (zone.extreme_mm, zone.amount_mm) == (firm.extreme_mm, firm.amount_mm)


@pytest.mark.parametrize("lang", LANGUAGES)
def test_a_doubtful_alignment_is_the_first_line_everywhere(with_a_thin_spot: dict, lang) -> None:
    """Source: page, paper, bench sheet and bench page all begin with the first of these sentences;
    where the scans may not lie on each other, that is what to do about it."""
    words = Words(lang)
    first = words("verdict.doubtful")
    assert ("scan again", "noch einmal scannen")[lang == "de"] in first
    doubtful = {**with_a_thin_spot, "alignment": {**with_a_thin_spot["alignment"]}}
    doubtful["alignment"]["state"] = "doubtful"
    assert verdict_sentences(doubtful, words)[0] == first
    assert terminal_summary(doubtful, lang).strip().startswith(first)
    trusted = {**doubtful, "alignment": {**doubtful["alignment"], "state": "trusted"}}
    assert first not in verdict_sentences(trusted, words)
    assert first not in terminal_summary(trusted, lang)


@pytest.mark.parametrize("lang", LANGUAGES)
@pytest.mark.parametrize("stage", STAGES)
def test_cautions_and_verdict_fit_the_stage(with_a_thin_spot: dict, stage: str, lang: str) -> None:
    """Source: only wax is invested; grinding dust and curing light come after it."""
    described = {**with_a_thin_spot, "case": {**with_a_thin_spot["case"], "stage": stage}}
    words = Words(lang)
    told = [verdict_sentences(described, words)[0], *hand_cautions(described, words)]
    of_wax = ("investing", "Einbetten")[lang == "de"]
    assert all(of_wax in sentence for sentence in told) == (stage == "wax")
    assert any(of_wax in sentence for sentence in told) == (stage == "wax")
    text = " ".join(told)
    for word in (("the dust", "Light-curing"), ("Staub", "Lichthärten"))[lang == "de"]:
        assert (word in text) == (stage != "wax")
    assert len({*told}) == len(told)
    shown = terminal_summary(described, lang)
    assert stage_words(described, words) in shown and told[-1] in shown
    for word in (("Dust", "filter glasses"), ("Staub", "Filterbrille"))[lang == "de"]:
        assert (word in shown) == (stage != "wax")  # the same in fewer words
    if lang == "de" and stage == "wax":  # what is to be done was filed in wax's own words
        english = {"the", "of", "and", "not", "layer", "zone", "verdict", "take", "measured"}
        assert not english & set(re.findall("[a-zäöüß]+", shown.lower()))
        assert "1 Stelle zu ändern" in shown and "0,0" in shown


@pytest.mark.parametrize("stage", STAGES)
def test_advice_about_the_framework_fits_the_stage(stage: str) -> None:
    """Source: wax is added to wax alone, and under a finished veneer no edge is rounded."""
    spots = [
        {"kind": kind, "place": "46, occlusal", "weight": "finding", "value_mm": 2.5, "u_mm": 0.05,
         "size": 3.0, "limit_mm": 2.0}
        for kind in (UNSUPPORTED, SHARP_EDGE)
    ]  # fmt: skip
    thin = {"teeth": "45–46", "weight": "finding", "area_mm2": 5.0, "u_mm2": 0.2,
            "height_mm": 2.0, "width_mm": 2.5}  # fmt: skip
    described = {
        "case": {"stage": stage},
        "structure": {"spots": spots, "connectors": [thin]},
        "profile": {"connector": {"least_mm2": 6.0, "advice_mm2": 9.0}},
    }
    connector, under, edge = build_sentences(described, Words())
    ((*_, remark),) = connector_rows(described, Words())[1]
    assert connector == f"Connector 45–46: least section 5.0 ± 0.4 mm², {remark}."
    enough = {**described["structure"], "connectors": [thin | {"weight": "none"}]}
    assert build_sentences({**described, "structure": enough}, Words()) == [under, edge]
    for sentence in (under, remark):
        assert ("dd wax" in sentence) == (stage == "wax")
        assert ("etal would have to be added" in sentence) == (stage != "wax")
    assert ("Round it" in edge) == (stage != "finished")
    sharp = [{**spots[0], "weight": "advice"}]
    for several in (sharp, 2 * sharp):  # nothing can be added there
        told = {**described, "structure": {"connectors": [], "spots": several}}
        assert "rounder contour" in build_sentences(told, Words())[0]
        assert "rundere Kontur" in build_sentences(told, Words("de"))[0]
    assert ("finishing" in connector_note(described, Words())) == (stage != "finished")


def test_what_changed_since_the_earlier_check() -> None:
    """Source: three spots drawn then, and what was done to each of them since."""

    def then(x, y):
        depth = np.where(spot(x, y, 6.5, 2.5), 0.8, cut(x, y))
        depth = np.where(spot(x, y, 6.5, 6.0), 0.8, depth)
        return np.where(spot(x, y, 6.5, 9.6), 0.8, depth)

    def now(x, y):
        depth = np.where(spot(x, y, 6.5, 6.0), 0.5, cut(x, y))
        depth = np.where(spot(x, y, 6.5, 9.6), 0.8, depth)
        return np.where(spot(x, y, 10.0, 6.0), 2.6, depth)

    before, after = checked(then), checked(now)
    told = changes.compare(after, before.zones, before.framework, earlier="x", u_then_mm=0.0)
    assert len(told.corrected) == 1
    assert before.zones[told.corrected[0].id - 1].centre_mm[1] == pytest.approx(2.5, abs=0.1)
    trend = dict(told.trends)
    found = {tuple(np.rint(zone.centre_mm[:2]).astype(int)): trend[zone.id] for zone in after.zones}
    assert found == {(6, 6): Trend.WORSE, (6, 10): Trend.SAME, (10, 6): Trend.NEW}
    x, y = after.framework.points_mm[:, 0], after.framework.points_mm[:, 1]
    for at, expected in (((6.5, 2.5), 0.7), ((6.5, 6.0), -0.3), ((10.0, 6.0), 1.1), ((2, 2), 0.0)):
        # In the middle, where no wall of a spot is nearer than its floor.
        middle = spot(x, y, *at, 0.2)
        assert np.abs(told.taken_off_mm[middle]).max() <= abs(expected) + 1e-9
        if abs(expected) < 0.8:
            assert told.taken_off_mm[middle] == pytest.approx(expected, abs=1e-9)
    sprue = dataclasses.replace(after, region=np.full_like(after.region, Region.ATTACHMENT))
    told = changes.compare(sprue, (), before.framework, earlier="x", u_then_mm=0.0)
    assert np.isnan(told.taken_off_mm).all(), "no hand cuts a sprue for the veneer"


def test_where_the_earlier_scan_ended_nothing_has_moved() -> None:
    """Source: one plane twice, the earlier scan 2 mm shorter and with a hole of 1 mm."""
    now = CONTOUR
    x, y, _ = now.points_mm.T
    shown = (x < x.max() - 2.0) & (np.hypot(x - 4.0, y - 4.0) > 0.5)
    then = TriangleMesh(now.points_mm + [0.0, 0.0, 0.1], now.faces[shown[now.faces].all(axis=1)])
    off = changes.taken_off(now, then)
    known = np.isfinite(off)
    assert known.mean() > 0.6 and off[known] == pytest.approx(0.1, abs=1e-9)
    assert not known[~shown].any()


def test_an_earlier_result_is_read_from_its_folder(tmp_path: Path) -> None:
    """Source: the same files twice, so that nothing changed; then a wax-up that is another."""

    def depth(x, y):
        return np.where(spot(x, y, 8.0, 6.0), 0.8, cut(x, y))

    other = TriangleMesh(CONTOUR.points_mm + [0.0, 0.0, 0.01], CONTOUR.faces)
    for name, mesh in (("f", plate(depth)), ("w", CONTOUR), ("o", other)):
        write_stl(tmp_path / f"{name}.stl", mesh)
    framework, out = tmp_path / "f.stl", tmp_path / "first"
    more = {"unit": "mm", "aligned": True, "with_report": False}
    first = check_files(framework, tmp_path / "w.stl", out=out, **more)
    again = check_files(framework, tmp_path / "w.stl", out=tmp_path / "again", earlier=out, **more)
    assert zones_of(document(first))[0].centre_mm == first.check.zones[0].centre_mm
    described = document(again)
    assert described["recheck"]["corrected"] == []
    assert described["recheck"]["zones"] == [{"id": 1, "trend": "same"}]
    assert described["recheck"]["taken_off_mm"] == pytest.approx(0.0, abs=1e-5)
    assert "zone 1: the same" in terminal_summary(described)
    assert "Stelle 1: unverändert" in terminal_summary(described, "de")
    with pytest.raises(RecordError, match="another wax-up"):
        check_files(framework, tmp_path / "o.stl", earlier=out, **more)
    with pytest.raises(ProfileError, match="no stage"):
        check_files(framework, tmp_path / "w.stl", stage="casting", **more)
