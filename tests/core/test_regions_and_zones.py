"""Regions, zones and decisions on plates whose answer can be drawn on paper."""

from __future__ import annotations

import dataclasses
import itertools
import math
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scipy.special import ndtr, ndtri

from phantom.sheets import height_field, over_grid
from veneercheck import check_meshes
from veneercheck.check import Surfaces, check
from veneercheck.core import align
from veneercheck.core.divide import excess, finish_line, insides, islands, regions, scan_ends, zones
from veneercheck.core.judge import amounts, decide, knife, summed
from veneercheck.core.measure.space import measure
from veneercheck.core.mesh.triangles import edge_pairs, select_faces, vertex_normals
from veneercheck.core.types import (
    FORBIDDEN,
    MEANT,
    AlignmentState,
    Case,
    Check,
    Decision,
    FindingKind,
    Question,
    RayOutcome,
    Region,
    TriangleMesh,
    Verdict,
)
from veneercheck.phantom.bodies import parallel_plates
from veneercheck.profile import built_in, parse_profile
from veneercheck.report.words import Words
from veneercheck.report.zone_words import action_words

pytestmark = pytest.mark.usefixtures("frame_as_given")

SIDES_MM = (0.0, 11.0), (2.0, 10.0)
STEP_MM = 0.1


def plate(height, over=SIDES_MM, step_mm=STEP_MM) -> TriangleMesh:
    """A plate over the xy plane, its height a function of x and y; normals up."""
    sides = [np.linspace(*ends, round(np.ptp(ends) / step_mm) + 1) for ends in over]
    return height_field(height, *sides)


CONTOUR = plate(lambda x, y: 0.0 * x * y)


def checked(depth, case: Case | None = None, profile: dict | None = None) -> Check:
    """A framework that lies a depth under the flat contour."""
    framework = plate(lambda x, y: -depth(x, y))
    limits = parse_profile(profile) if profile else built_in()
    return check(Surfaces(framework, CONTOUR), case=case or Case(), limits=limits, aligned=True)


def of_the_cut(found: Check) -> list[Question]:
    """Questions, but for the one which way a plate without teeth lies."""
    return [asked for asked in found.questions if asked.kind != "directions"]


def cut(x, y, full_mm=1.5):
    """Full depth beyond a steep step at x = 4; uncut before it."""
    return full_mm * np.clip((x - 4.0) / 0.1, 0.0, 1.0) + 0.0 * y


def test_uncut_band_and_cut_lie_where_they_were_drawn(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.undo()  # here the frame is examined, too
    found = checked(cut)
    x = found.framework.points_mm[:, 0]
    width = found.limits.finish_line_width_mm
    assert (found.region[x < 3.95] == Region.UNCUT).all()
    inside = (x > 4.2) & (x < 4.0 + width - 0.1)
    assert (found.region[inside] == Region.FINISH_LINE_BAND).all()
    assert (found.region[x > 4.0 + width + 0.2] == Region.CUT).all()
    assert found.alignment.state is AlignmentState.GIVEN
    # The fit's surfaces are smoothed, and the edge of the cut with them.
    assert found.alignment.rms_mm == pytest.approx(0.0, abs=5e-4)


def test_sound_chamfer_raises_nothing() -> None:
    found = checked(cut)
    assert not found.zones
    assert found.verdict is Verdict.NO_FINDINGS
    # Source: the plates are 1.5 mm apart beyond the step, less 0.2 mm of opaquer.
    assert found.layer_statistics.median_mm == pytest.approx(1.3, abs=1e-9)


def test_a_steep_run_out_has_its_finish_line_under_a_scan_of_little_trust_too() -> None:
    """Source: drawn, a wall of 63° and 0.4 mm, then a slope to full depth: sound. Readings that may
    be 0.1 mm off take surface within 0.3 mm of the contour for uncut; the wall agrees with none."""

    def depth(x, y):
        return np.clip(np.minimum(2.0 * (x - 4.0), x - 3.8), 0.0, 1.5) + 0.0 * y

    assert not checked(depth, profile={"scan": {"trueness_u_mm": 0.1}}).zones


def test_figures_are_of_the_cut_without_its_run_out() -> None:
    """Source: drawn, 1.5 mm everywhere beyond a run-out of 0.6 mm, less 0.2 mm of opaquer.

    Without noise a mean is as uncertain as the limits state of scanner and seating, and its layer
    by the opaquer besides, which is common to all.
    """
    found = checked(lambda x, y: 1.5 * np.clip((x - 4.0) / 0.6, 0.0, 1.0) + 0.0 * y)
    layer, space = found.layer_statistics, found.space_statistics
    assert layer.p05_mm == pytest.approx(1.3, abs=0.02)
    assert layer.mean_mm == pytest.approx(1.3, abs=0.01)
    stated = found.limits.trueness_u_mm, found.limits.seating_u_mm
    assert space.mean_u_mm == pytest.approx(math.hypot(*stated), rel=0.01)
    assert layer.mean_u_mm == pytest.approx(
        math.hypot(*stated, found.limits.opaquer_u_mm), rel=0.01
    )


@pytest.mark.parametrize(
    ("depth_mm", "kind", "action"),
    [(0.8, FindingKind.TOO_THIN, "take off 0.50 mm"), (2.5, FindingKind.TOO_THICK, "add 0.40 mm")],
)
def test_spot_beyond_a_limit_is_one_firm_zone(depth_mm, kind, action) -> None:
    """Source: limits 1.0 and 2.0 mm of layer over 0.2 mm of opaquer, against the drawn depth.

    What is missing, 1.645 standard uncertainties of the profile (0.044 mm together) to be sure,
    and up to the next 0.05 mm.
    """

    def depth(x, y):
        spot = np.hypot(x - 8.0, y - 6.0) < 1.0
        return np.where(spot, depth_mm, cut(x, y))

    (zone,) = checked(depth).zones
    assert (zone.finding, zone.decision) == (kind, Decision.FIRM)
    assert zone.extreme_mm == pytest.approx(depth_mm - 0.2, abs=0.02)
    assert zone.action.startswith(action)
    # The drawn disc; its rim falls between vertices 0.1 mm apart.
    assert zone.area_mm2 == pytest.approx(math.pi, rel=0.2)
    assert zone.centre_mm == pytest.approx((8.0, 6.0, -depth_mm), abs=0.1)


def test_two_spots_closer_than_half_a_millimetre_are_one_zone() -> None:
    def two(gap_mm):
        def depth(x, y):
            left = (np.abs(x - 7.0) < 0.55) & (np.abs(y - 6.0) < 0.55)
            right = (np.abs(x - 8.1 - gap_mm) < 0.55) & (np.abs(y - 6.0) < 0.55)
            return np.where(left | right, 0.7, cut(x, y))

        return len(checked(depth).zones)

    assert two(0.3) == 1
    assert two(1.2) == 2


@pytest.mark.parametrize("another", [False, True])
def test_what_lies_beside_a_zone_is_weighed_against_that_zone_alone(another: bool) -> None:
    """Source: a strip cut to the limit, wider than the firm spot at its end: undecided, be there a
    larger firm spot 2 mm away or none."""

    def depth(x, y):
        strip = (np.abs(y - 8.0) < 0.6) & (x > 6.0) & (x < 9.6)
        spot = np.hypot(x - 6.2, y - 8.0) < 0.6
        spot |= (np.hypot(x - 7.5, y - 4.5) < 1.5) & another
        return np.where(spot, 0.7, np.where(strip, 1.2, cut(x, y)))

    zones = checked(depth).zones
    assert [zone.decision for zone in zones[-2:]] == [Decision.FIRM, Decision.UNDECIDED]
    assert len(zones) == 2 + another
    assert zones[-1].extreme_mm == pytest.approx(1.0, abs=0.01)


def test_sliver_is_no_zone_and_a_wider_strip_is_one() -> None:
    """Source: the profile's 0.4 mm, which no hand can work below; both are larger than 0.25 mm²."""

    def strip(half_width_mm):
        def depth(x, y):
            inside = (np.abs(x - 8.0) < half_width_mm) & (np.abs(y - 6.0) < 3.0)
            return np.where(inside, 0.7, cut(x, y))

        return len(checked(depth).zones)

    assert strip(0.12) == 0
    assert strip(0.42) == 1


@pytest.mark.parametrize(("width_mm", "zones"), [(0.3, 0), (0.8, 1)])
def test_a_fold_in_the_metal_is_not_too_thick_and_a_wide_groove_is(width_mm, zones) -> None:
    """Source: drawn, a groove that leans by 45°, 1.2 mm deeper than the cut and so beyond the
    greatest layer; between walls nearer than a zone can be wide, metal holds what lies there."""

    def depth(x, y):
        inside = (np.abs(x - 7.0) < 0.5 * width_mm) & (np.abs(y - 6.0) < 0.8)
        return np.where(inside, 2.7, cut(x, y))

    framework = plate(lambda x, y: -depth(x, y))
    points = np.array(framework.points_mm)
    points[:, 0] += np.clip(-1.5 - points[:, 2], 0.0, None)
    leaning = TriangleMesh(points, framework.faces)
    found = check(Surfaces(leaning, CONTOUR), case=Case(), limits=built_in(), aligned=True)
    thick = [zone for zone in found.zones if zone.finding is FindingKind.TOO_THICK]
    assert len(thick) == zones


def test_amount_is_told_along_the_knifes_path() -> None:
    """Source: a plane at 40° to the contour; the knife runs along its normal, so that each step
    brings the nearest contour only cos 40° of it. Nowhere is it 5 mm deep, as no veneer is."""
    tilt, over = math.radians(40.0), ((4.0, 9.0), SIDES_MM[1])
    framework, contour = (plate(lambda x, y, at=at: at + 0.0 * x * y, over) for at in (0.0, 1.0))
    rise = np.tan(tilt) * (framework.points_mm[:, 0] - 6.0)
    points = framework.points_mm + np.stack([0.0 * rise, 0.0 * rise, rise], axis=1)
    leaning = TriangleMesh(points - [0.0, 0.0, 2.0], framework.faces)
    found = check(Surfaces(leaning, contour), case=Case(), limits=built_in(), aligned=True)
    (thick,) = [zone for zone in found.zones if zone.finding is FindingKind.TOO_THICK]
    missing = thick.extreme_mm - thick.limit_mm + excess.GUARD * thick.u_mm
    assert -thick.amount_mm == pytest.approx(missing / math.cos(tilt), abs=0.05)
    assert -thick.amount_mm > missing + 0.1


@pytest.mark.parametrize(("area_mm2", "high_mm"), [(0.85, 0.48), (1.5, 0.48), (0.85, 0.8)])
def test_a_small_steep_bump_reads_as_much_too_thin_as_it_is(area_mm2, high_mm) -> None:
    """By hand: a raised cosine on a floor 1.2 mm under a flat contour, whose distance is its depth;
    the mean over the spot that a sphere of 0.25 mm² cuts out of it, by quadrature. A ball has more
    room on the flanks: the smaller of ray and ball is 0.07 to 0.16 mm more."""

    def depth(x, y):
        r = np.hypot(x - 8.0, y - 6.0) / math.sqrt(area_mm2 / math.pi)
        return cut(x, y, 1.2) - 0.5 * high_mm * (1.0 + np.cos(math.pi * np.clip(r, 0.0, 1.0)))

    x, y = np.meshgrid(*2 * [np.linspace(-0.3, 0.3, 301)])
    under = depth(8.0 + x, 6.0 + y)
    spot = x**2 + y**2 + (under - (1.2 - high_mm)) ** 2 < 0.25 / math.pi
    found = checked(depth)
    (zone,) = [zone for zone in found.zones if zone.decision is Decision.FIRM]
    assert zone.finding is FindingKind.TOO_THIN
    assert zone.extreme_mm + found.limits.taken_mm == pytest.approx(under[spot].mean(), abs=0.02)


def test_crumb_is_no_zone() -> None:
    """Source: 0.2 × 0.2 mm is less than the profile's 0.25 mm²."""

    def depth(x, y):
        crumb = (np.abs(x - 8.0) < 0.11) & (np.abs(y - 6.0) < 0.11)
        return np.where(crumb, 0.5, cut(x, y))

    assert not checked(depth).zones


@pytest.mark.parametrize(("side", "decision"), [(-1, Decision.FIRM), (1, None)])
def test_guard_band_is_one_sided_95_percent(side, decision) -> None:
    """Source: ISO 14253-1's guard band of 1.645 standard uncertainties (from memory)."""
    assert ndtri(0.95) == pytest.approx(excess.GUARD, abs=1e-4)
    u = math.sqrt(0.03**2 + 0.01**2 + 0.03**2)  # seating, trueness, opaquer of the profile
    for inside, expected in ((0.5, Decision.UNDECIDED), (1.3, decision)):
        layer = 1.0 + side * inside * excess.GUARD * u
        found = checked(lambda x, y, layer=layer: cut(x, y, 0.2 + layer))
        told = {zone.decision for zone in found.zones}
        assert told == ({expected} if expected else set())


def _without(mesh: TriangleMesh, gone) -> TriangleMesh:
    return select_faces(mesh, ~gone(mesh.points_mm[mesh.faces].mean(axis=1)))[0]


@pytest.mark.parametrize(("where", "zones"), [("rim", 0), ("hole", 1)])
def test_where_the_scan_ends_in_a_run_out_nothing_is_short(where, zones) -> None:
    """Source: drawn. A run-out to a line at y = 10.25, which the scan does not reach, and the same
    slope down into a hole, where no line can be."""

    def depth(x, y):
        if where == "rim":
            return np.minimum(cut(x, y), 1.6 * (10.25 - y))
        return np.minimum(cut(x, y), 1.6 * np.hypot(x - 8.0, y - 6.0) - 1.04)

    def gone(at):
        return np.hypot(at[:, 0] - 8.0, at[:, 1] - 6.0) < 0.9 if where == "hole" else at[:, 1] > 10

    framework = _without(plate(lambda x, y: -depth(x, y)), gone)
    found = check(Surfaces(framework, CONTOUR), case=Case(), limits=built_in(), aligned=True)
    assert sum(zone.decision is Decision.FIRM for zone in found.zones) == zones
    assert len(found.zones) == zones


@pytest.mark.parametrize(("slope", "zones"), [(1.6, 0), (0.0, 1)])
def test_where_both_scans_end_in_a_run_out_nothing_is_short(slope, zones) -> None:
    """Source: drawn. The run-out of above, or a floor that is too thin and does not taper, both to
    the end of the wax-up's scan at y = 9.8; the framework's ends 0.2 mm beyond it."""

    def depth(x, y):
        floor = 0.7 + 0.5 * np.clip(8.0 - y, 0.0, 1.6)
        return np.minimum(cut(x, y), slope * (10.1 - y) if slope else floor)

    framework = _without(plate(lambda x, y: -depth(x, y)), lambda at: at[:, 1] > 9.99)
    waxup = _without(CONTOUR, lambda at: at[:, 1] > 9.8)
    found = check(Surfaces(framework, waxup), case=Case(), limits=built_in(), aligned=True)
    assert len(found.zones) == zones


@pytest.mark.parametrize(("end_mm", "decided"), [(0.5, []), (0.8, [Decision.UNDECIDED])])
def test_where_much_is_left_of_a_layer_that_nobody_saw_end_it_is_undecided(end_mm, decided) -> None:
    """Source: drawn. 1.5 mm deep, sloping over the last 0.6 mm that the wax-up's scan shows to so
    much; 1.2 mm are asked for."""

    def depth(x):
        end = np.clip((x - 10.0) / 0.6, 0.0, 1.0)
        return 1.5 * np.clip(x / 0.1 - 20.0, 0.0, 1.0) * (1.0 - end) + end_mm * end

    framework = _without(plate(lambda x, _: -depth(x)), lambda at: at[:, 0] > 11.0)
    waxup = _without(CONTOUR, lambda at: at[:, 0] > 10.6)
    found = check(Surfaces(framework, waxup), case=Case(), limits=built_in(), aligned=True)
    assert [zone.decision for zone in found.zones] == decided


def test_a_wall_whose_contour_was_not_scanned_is_not_too_thick() -> None:
    """Source: drawn. A wall 3 mm high stands 0.2 mm inside the edge at which the wax-up's scan
    ends: the top of the contour lies up to 4.5 mm over it, its own was not seen."""

    def depth(x, y):
        return cut(x, y) + 3.0 * np.clip((x - 9.0) / 0.1, 0.0, 1.0)

    framework = plate(lambda x, y: -depth(x, y))
    waxup = _without(CONTOUR, lambda at: at[:, 0] > 9.2)
    found = check(Surfaces(framework, waxup), case=Case(), limits=built_in(), aligned=True)
    assert not [zone for zone in found.zones if zone.finding is FindingKind.TOO_THICK]
    x, _, z = found.framework.points_mm.T
    wall = (np.abs(x - 9.05) < 0.06) & (z < -2.0) & (z > -4.0)
    assert wall.any() and np.isnan(found.space.layer_mm[wall]).all()


def test_island_is_a_question_and_its_flank_no_finding() -> None:
    def depth(x, y):
        beside = np.maximum(np.abs(x - 8.0), np.abs(y - 6.0)) - 0.7
        return np.minimum(cut(x, y), 1.5 * np.clip(beside / 0.25, 0.0, 1.0))

    found = checked(depth)
    (question,) = of_the_cut(found)
    assert question.area_mm2 == pytest.approx(1.4**2, rel=0.15)
    assert question.centre_mm == pytest.approx((8.0, 6.0, 0.0), abs=0.05)
    assert not found.zones
    assert found.verdict is Verdict.UNDECIDED
    assert checked(depth, Case(metal_stops=MEANT)).verdict is Verdict.NO_FINDINGS
    assert checked(depth, Case(metal_stops=FORBIDDEN)).verdict is Verdict.FINDINGS


def test_a_collar_is_no_metal_stop_beside_a_model_of_more_surface() -> None:
    """By construction: the uncut 32 mm² border on nothing but the cut, and the model apart from
    both has 88."""

    def with_model(mesh: TriangleMesh) -> TriangleMesh:
        model = mesh.points_mm * [1.0, 1.0, 0.0] - [0.0, 0.0, 12.0]
        faces = np.concatenate([mesh.faces, mesh.faces + len(model)])
        return TriangleMesh(np.concatenate([mesh.points_mm, model]), faces)

    framework = plate(lambda x, y: -cut(x, y))
    both = Surfaces(with_model(framework), with_model(CONTOUR))
    found = check(both, case=Case(), limits=built_in(), aligned=True)
    assert not of_the_cut(found)
    assert not found.zones


def test_a_hollow_under_a_fissure_is_too_thick_though_its_contour_is_one_line() -> None:
    """By construction: a groove of 1 mm in the contour, metal 1.5 mm under it and under the rest,
    but 2.35 mm from the groove's bottom over 1.0 × 1.6 mm: 2.15 mm of layer, by Pythagoras."""

    def groove(x, y):
        return -np.clip(1.0 - np.abs(x - 8.0) / 0.3, 0.0, 1.0) + 0.0 * y

    def round_bottom(x, space_mm):
        off = np.abs(x - 8.0)
        return 1.0 + np.sqrt(np.maximum(space_mm**2 - off**2, 0.0)) * (off < space_mm)

    def depth(x, y):
        hollow = (np.abs(x - 8.0) < 0.5) & (np.abs(y - 6.0) < 0.8)
        sound = np.maximum(1.5, round_bottom(x, 1.5) * (np.abs(x - 8.0) < 1.45))
        return np.where(x < 4.1, cut(x, y), np.where(hollow, round_bottom(x, 2.35), sound))

    both = Surfaces(plate(lambda x, y: -depth(x, y)), plate(groove))
    zones = check(both, case=Case(), limits=built_in(), aligned=True).zones
    (zone,) = [zone for zone in zones if zone.finding is FindingKind.TOO_THICK]
    assert zone.decision is Decision.FIRM
    assert zone.extreme_mm == pytest.approx(2.15, abs=0.02)


@pytest.mark.parametrize(("space_mm", "decision"), [(0.9, Decision.FIRM), (1.22, None)])
def test_a_floor_under_a_fissure_is_too_thin_though_its_contour_is_one_line(
    space_mm: float, decision: Decision | None
) -> None:
    """By hand: flat metal under a V of 0.6 mm, so much from its bottom: 0.2 of opaquer leave 0.7 mm
    of layer. Off by o a ball that touches metal and bottom is (o² + 0.9²) / 0.9 wide, less than the
    least 1.2 mm up to 0.52 to either side. 1.22 mm are enough: of a place that is narrow on the
    contour and keeps its limit nothing is said, however near to it."""

    def fissure(x, y):
        return 0.6 + space_mm - np.clip(0.6 - np.abs(x - 8.0), 0.0, 0.6) + 0.0 * y

    top = plate(lambda x, y: np.where(x < 4.1, 0.0, fissure(x, y) - 0.6 - space_mm))
    metal = plate(lambda x, y: -cut(x, y, 0.6 + space_mm))
    zones = check(Surfaces(metal, top), case=Case(), limits=built_in(), aligned=True).zones
    assert [zone.decision for zone in zones] == ([] if decision is None else [decision])
    for zone in zones:
        assert zone.finding is FindingKind.TOO_THIN
        assert zone.extreme_mm == pytest.approx(space_mm - 0.2, abs=0.03)
        assert zone.area_mm2 == pytest.approx(8.0 * 2 * 0.52, rel=0.15)


def test_two_spots_under_one_fissure_are_told_though_their_contour_is_one_line() -> None:
    """By construction: metal round the bottom of a groove, 1.5 mm from it, but 0.95 mm on one side
    and 1.2 mm, the least, on the other: 0.54 mm apart on the metal, one line on the contour. The
    second is no skirt of the first: it is listed now, as it would be once that is corrected."""

    def groove(x, y):
        return -np.clip(1.0 - np.abs(x - 8.0) / 0.3, 0.0, 1.0) + 0.0 * y

    def depth(x, y):
        off = x - 8.0
        short = (off > -0.92) & (off < -0.15) & (np.abs(y - 6.0) < 1.2)
        close = (off > 0.35) & (off < 1.05) & (np.abs(y - 6.0) < 0.8)
        space = np.where(short, 0.95, np.where(close, 1.2, 1.5))
        under = 1.0 + np.sqrt(np.maximum(space**2 - off**2, 0.0)) * (np.abs(off) < space)
        return np.where(x < 4.1, cut(x, y), np.where(short | close, under, np.maximum(under, 1.5)))

    both = Surfaces(plate(lambda x, y: -depth(x, y)), plate(groove))
    zones = check(both, case=Case(), limits=built_in(), aligned=True).zones
    assert [zone.decision for zone in zones] == [Decision.FIRM, Decision.UNDECIDED]
    assert [zone.extreme_mm for zone in zones] == pytest.approx([0.75, 1.0], abs=0.02)


@pytest.mark.parametrize("step_mm", [0.1, 0.8])
def test_where_the_waxup_ends_within_the_run_out_nothing_is_firm(step_mm: float) -> None:
    """By construction: a sound run-out of 1.0 mm from x = 4 on, of which over half the line's
    length the wax-up shows only what lies beyond x = 4.4: its limit there is not known. A scan that
    was thinned has few vertices on its rim."""

    def depth(x, y):
        return 1.5 * np.clip((x - 4.0) / 1.0, 0.0, 1.0) + 0.0 * y

    contour = plate(lambda x, y: 0.0 * x * y, ((0.4, 11.6), SIDES_MM[1]), step_mm)
    middle = contour.points_mm[contour.faces].mean(axis=1)
    shown = (middle[:, 0] > 4.4) | (middle[:, 1] > 6.0)
    cropped, _ = select_faces(contour, shown)
    both = Surfaces(plate(lambda x, y: -depth(x, y)), cropped)
    found = check(both, case=Case(), limits=built_in(), aligned=True)
    (zone,) = found.zones
    assert zone.decision is Decision.UNDECIDED
    assert zone.action.startswith("the two scans do not show the same here")
    assert zone.amount_mm == 0.0 and not found.amount_mm.any()
    in_german = action_words({"action": zone.action}, Words("de"))
    assert in_german.startswith("die beiden Scans zeigen hier nicht dasselbe")
    assert found.verdict is Verdict.UNDECIDED
    reading = measure(
        both.framework, cropped, alignment=align.given(both.framework, cropped), limits=built_in()
    )
    ends = regions.divide(both.framework, reading, built_in()).unseen_mm
    x = ends[np.abs(ends[:, 1] - 4.0) < 1.0, 0]
    assert len(x) and (x >= 4.4 - 1e-6).all() and (x < 5.4).all()


def test_where_the_waxup_ends_beyond_a_line_that_shows_its_limit_is_known() -> None:
    """By construction: the wax-up ends at x = 3.8, where 0.2 mm of collar show: the run-out from
    x = 4 on is nearer to that line than to the rim."""
    cropped = plate(lambda x, y: 0.0 * x * y, ((3.8, 11.0), SIDES_MM[1]))
    framework = plate(lambda x, y: -1.5 * np.clip(x - 4.0, 0.0, 1.0) + 0.0 * y)
    alignment = align.given(framework, cropped)
    reading = measure(framework, cropped, alignment=alignment, limits=built_in())
    parts = regions.divide(framework, reading, built_in())
    assert (parts.code == Region.FINISH_LINE_BAND).sum() > 500
    assert not parts.unlike.any()


@pytest.mark.parametrize(("amid_mm", "top_mm", "slope"), [(0.12, 0.0, 2.2), (-0.35, 0.35, 2.6)])
def test_a_dip_or_a_steep_wall_is_no_gap_in_an_island(amid_mm, top_mm, slope) -> None:
    """By construction: one spot of r = 0.9 within a cut, dipping amid, or proud and steep."""

    def depth(x, y):
        r = np.hypot(x - 8.0, y - 6.0)
        spot = np.where(r < 0.35, amid_mm, -top_mm) + slope * np.maximum(r - 0.9, 0.0)
        return np.minimum(cut(x, y), spot)

    (question,) = of_the_cut(checked(depth))
    assert question.kind == "island"
    assert question.area_mm2 > np.pi * 0.8**2


def test_island_casts_no_finish_line_band() -> None:
    """A wide slope round an uncut tip is a cusp cut too little, however near the tip."""

    def depth(x, y):
        return np.minimum(cut(x, y), 0.55 * np.clip(np.hypot(x - 8.0, y - 6.0) - 0.5, 0.0, 9.0))

    found = checked(depth)
    assert len(of_the_cut(found)) == 1
    (zone,) = found.zones
    assert (zone.finding, zone.decision) == (FindingKind.TOO_THIN, Decision.FIRM)


def test_a_proud_spot_within_the_cut_is_an_island_that_amounts_run_out_to() -> None:
    """By hand: 0.3 mm proud to r = 0.8, then 0.9 mm down a millimetre; the contour is met at
    r = 1.13. Over a slope a depth h holds a ball of 2h/(1 + cos), so that 1.2 mm of space is had
    at r = 2.3. Full depth at the island's rim would leave a thorn: within 0.8 mm of it the space
    asked for grows from nothing, and faster than the slope gives it. A flank that is too flat for
    so long is a zone from where it falls short, and the knife's work all the way.
    """
    slope, top_mm = 0.9, 0.8
    ball = 0.5 * (1.0 + np.cos(np.arctan(slope)))

    def depth(x, y):
        out = np.hypot(x - 8.0, y - 6.0) - top_mm
        return np.minimum(cut(x, y), np.maximum(slope * out, 0.0) - 0.3)

    found = checked(depth)
    (question,) = of_the_cut(found)
    assert question.kind == "island" and "out of the contour" in question.words
    met_mm = top_mm + 0.3 / slope
    assert met_mm < np.sqrt(question.area_mm2 / np.pi) < met_mm + 0.2  # and its tolerance
    assert {zone.finding for zone in found.zones} == {
        FindingKind.OVER_CONTOUR, FindingKind.TOO_THIN,
    }  # fmt: skip
    r = np.hypot(found.framework.points_mm[:, 0] - 8.0, found.framework.points_mm[:, 1] - 6.0)
    thin = found.finding == FindingKind.TOO_THIN
    rim_mm = r[found.region == Region.ISLAND].max()
    asked = 1.2 / 0.8
    had_mm = (slope * top_mm + 0.3) / ball
    short_mm = (asked * rim_mm - had_mm) / (asked - slope / ball)
    assert r[thin].min() == pytest.approx(short_mm, abs=0.1)
    assert r[thin].max() == pytest.approx(top_mm + (1.2 * ball + 0.3) / slope, abs=0.1)
    assert found.amount_mm[np.abs(r - 2.1) < 0.05].min() > 0.2
    assert found.amount_mm[np.abs(r - rim_mm - 0.1) < 0.05].max() < 0.25  # 1.1 to full depth


def test_a_bump_amid_the_veneer_is_one_zone_and_cut_in_one_round() -> None:
    """By hand: 0.6 mm out of the contour, 1.2 mm of space under it: 1.8 mm come off, and the
    reserve for being sure, 1.645 × 0.044 + 0.02 mm (seating, trueness and opaquer: 0.044)."""

    def depth(x, y):
        out = np.hypot(x - 8.0, y - 6.0) - 0.8
        return np.minimum(cut(x, y), np.maximum(0.9 * out, 0.0) - 0.6)

    found = checked(depth)
    assert not of_the_cut(found)
    (zone,) = found.zones
    assert (zone.finding, zone.decision) == (FindingKind.OVER_CONTOUR, Decision.FIRM)
    assert zone.amount_mm == pytest.approx(0.6, abs=0.026)
    assert zone.action.endswith("; 1.90 mm in all to make room for the veneer")
    r = np.hypot(found.framework.points_mm[:, 0] - 8.0, found.framework.points_mm[:, 1] - 6.0)
    assert found.amount_mm[r < 0.6] == pytest.approx(1.892, abs=0.01)
    # Its slopes have no room either, belong to it, and are told as too thin.
    slope = np.flatnonzero((r > 1.6) & (r < 2.4) & (found.space.layer_mm < 0.9))
    assert len(slope) > 100
    assert (found.finding[slope] == FindingKind.TOO_THIN).all()
    assert np.isin(slope, zone.vertices).all()
    assert not checked(lambda x, y: depth(x, y) + _off(found, x, y)).zones


def _off(found: Check, x, y):
    """By how much the amounts, which go along the normals, deepen places of the plate."""
    from scipy.interpolate import LinearNDInterpolator

    points = found.framework.points_mm
    up = vertex_normals(found.framework)[:, 2]
    return LinearNDInterpolator(points[:, :2], found.amount_mm * up)(x, y)


def test_a_ridge_that_stands_out_is_told_though_it_is_narrower_than_a_knife() -> None:
    """By hand: a crest 0.3 mm wide and 3 mm long, 0.2 mm out of the contour amid the veneer."""

    def depth(x, y):
        beside, beyond = np.abs(x - 8.0) - 0.15, np.abs(y - 6.0) - 1.5
        return np.minimum(cut(x, y), 3.0 * np.maximum(np.maximum(beside, beyond), 0.0) - 0.2)

    found = checked(depth)
    (zone,) = [zone for zone in found.zones if zone.finding is FindingKind.OVER_CONTOUR]
    assert zone.decision is Decision.FIRM
    assert zone.extreme_mm == pytest.approx(-0.2, abs=0.03)
    assert zone.across_mm == pytest.approx(3.0, abs=0.7)
    # More comes off only if it is no metal stop, which is asked.
    assert zone.action.startswith("take off 0.20 mm") and "in all" not in zone.action


def test_framework_outside_is_over_contour() -> None:
    def depth(x, y):
        return cut(x, y) - 0.3 * np.exp(-((x - 2.0) ** 2 + (y - 6.0) ** 2))

    (zone,) = checked(depth).zones
    assert zone.finding is FindingKind.OVER_CONTOUR
    # The drawn bump is 0.3 mm high; its mean over a disc of 0.28 mm radius is a little less.
    assert zone.extreme_mm == pytest.approx(-0.29, abs=0.015)


def test_doubtful_alignment_is_at_most_undecided() -> None:
    zone = checked(lambda x, y: cut(x, y, 0.8)).zones
    assert summed.sum_up(zone, AlignmentState.TRUSTED, 1.0, case=Case()) is Verdict.FINDINGS
    assert summed.sum_up(zone, AlignmentState.DOUBTFUL, 1.0, case=Case()) is Verdict.UNDECIDED
    assert summed.sum_up((), AlignmentState.TRUSTED, 0.5, case=Case()) is Verdict.UNDECIDED
    assert summed.sum_up((), AlignmentState.TRUSTED, math.nan, case=Case()) is Verdict.UNDECIDED


def test_statistics_are_weighted_by_area() -> None:
    """Source: by hand; one third of the area at 4 mm, two thirds at 1 mm."""
    found = summed.statistics(np.array([4.0, 1.0, np.nan]), np.array([1.0, 2.0, 5.0]))
    assert (found.min_mm, found.max_mm, found.mean_mm) == (1.0, 4.0, 2.0)
    assert found.median_mm == pytest.approx(2.0)
    assert math.isnan(summed.statistics(np.array([np.nan]), np.array([1.0])).mean_mm)


def _plates_under_a_sieve(pitch_mm, hole_mm):
    """Plates 0.5 mm apart (0.7 mm short), the outer one with square holes at a pitch."""
    body = parallel_plates(0.1, 0.5, 6.0)
    middle = body.outer.points_mm[body.outer.faces].mean(axis=1)
    inside = np.all(np.abs((middle[:, :2] + 0.05) % pitch_mm - 0.5 * pitch_mm) < 0.5 * hole_mm, 1)
    return body.inner, select_faces(body.outer, ~inside)[0]


def test_a_hole_over_the_veneer_counts_as_not_measured():
    # Source: the outer plate ends over a line; what lies no farther than 0.1 mm beyond it still has
    # its rim for nearest contour point, the rest has none.
    body = parallel_plates(0.1, 1.0, 6.0)
    middle = body.outer.points_mm[body.outer.faces].mean(axis=1)
    x = body.inner.points_mm[:, 0]
    line = x.min() + 0.35 * np.ptp(x)
    kept, _ = select_faces(body.outer, middle[:, 0] < line)
    found = check_meshes(body.inner, kept, aligned=True).check
    assert found.measured_share == pytest.approx(0.35 + 0.1 / np.ptp(x), abs=0.02)
    hidden = found.framework.points_mm[:, 0] > line + 0.2
    assert np.isnan(found.space.nearest_mm[hidden]).all()
    assert np.isnan(found.space.space_mm[hidden]).all()
    assert (found.region[hidden] == Region.CUT).all()


@pytest.mark.parametrize("width_mm", [0.3, 1.0])
def test_what_stands_out_at_a_sharp_edge_is_not_firm(width_mm):
    # Source: drawn, a roof 0.18 mm high and 4 mm long on uncut surface; over 0.3 mm aside its crest
    # bends by 62° within two edges of 0.1 mm, over 1 mm by 20°, more than a ball of 0.2 mm or less.
    def depth(x, y):
        roof = 0.18 * np.clip(1.0 - np.abs(x - 2.5) / width_mm, 0.0, 1.0) * (np.abs(y - 6.0) < 2.0)
        return cut(x, y) - roof

    (zone,) = checked(depth).zones
    assert zone.finding is FindingKind.OVER_CONTOUR
    assert zone.decision is (Decision.FIRM if width_mm > 0.5 else Decision.UNDECIDED)


def at_edges(height, thin=None, noise_mm=0.0):
    """Where a fine plate of some height counts as an edge, and x of its vertices."""
    body = plate(height, step_mm=0.05)
    x = body.points_mm[:, 0]
    rough = np.random.default_rng(1).normal(size=len(x)) * noise_mm
    body = TriangleMesh(body.points_mm + rough[:, None] * [0.0, 0.0, 1.0], body.faces)
    metal_mm = np.full(len(x), np.nan) if thin is None else np.where(thin(x), 0.3, 0.9)
    reading = SimpleNamespace(
        points_mm=body.points_mm,
        normals=vertex_normals(body),
        edges=edge_pairs(body.faces),
        space=SimpleNamespace(metal_mm=metal_mm),
    )
    return excess._at_edges(reading), x


def test_a_convex_edge_and_thin_metal_beside_it_are_uncertain_alike():
    # Source: drawn, a roof with a crest at x = 3 and a gutter at x = 7; thin metal aside and apart.
    def height(x, y):
        return np.where(x < 5.0, 4.0 - np.abs(x - 3.0), np.abs(x - 7.0)) + 0.0 * y

    at, x = at_edges(height)
    assert at[np.abs(x - 3.0) < 0.1].all() and not at[np.abs(x - 3.0) > 0.25].any()
    at, x = at_edges(height, thin=lambda x: (x > 3.0) & (x < 3.33) | (x > 8.9))
    assert at[(x > 2.9) & (x < 3.32)].all() and not at[x > 3.4].any()


def test_noise_makes_no_edge():
    # Source: a flat plate; white noise of 10 µm turns raw normals 0.05 mm apart by some 13°.
    at, _ = at_edges(lambda x, y: 0.0 * x * y, noise_mm=0.01)
    assert not at.any()


@pytest.mark.parametrize("reach_mm", [0.75, 1.2])
def test_a_hole_over_a_slope_of_the_veneer_is_unmeasured(reach_mm):
    # Source: drawn, a slope of 0.6 mm/mm from x = 4; a slot of the wax-up from x = 4.25 on, whose
    # rims lie over 0.15 and over 0.6 or 0.87 mm: the one shallow rim does not make it uncut.
    framework = plate(lambda x, y: -np.clip(0.6 * (x - 4.0), 0.0, 1.5) + 0.0 * y)
    x, y, _ = CONTOUR.points_mm[CONTOUR.faces].mean(axis=1).T
    slot = (x > 4.25) & (x < 4.25 + reach_mm) & (np.abs(y - 6.0) < 2.5)
    found = check_meshes(framework, select_faces(CONTOUR, ~slot)[0], aligned=True).check
    assert found.measured_share < 0.97
    under = np.abs(found.framework.points_mm - [4.25 + 0.5 * reach_mm, 6.0, 0.0])
    under = (under[:, 0] < 0.4 * reach_mm) & (under[:, 1] < 2.0)
    assert np.isin(found.region[under], (Region.CUT, Region.FINISH_LINE_BAND)).mean() > 0.8


@pytest.mark.parametrize(("foot_mm", "cut"), [(0.1, False), (0.6, True)])
def test_what_the_waxup_ends_over_is_cut_only_where_the_cut_goes_on(foot_mm, cut):
    # Source: the contour ends at x = 7, as over a model that hides bases and insides; to there the
    # cut runs out to 0.1 mm, or is still 0.6 mm deep.
    framework = plate(lambda x, y: -np.clip(foot_mm + 0.5 * (7.0 - x), foot_mm, 1.2) + 0.0 * y)
    middle = CONTOUR.points_mm[CONTOUR.faces].mean(axis=1)
    ended, _ = select_faces(CONTOUR, middle[:, 0] < 7.0)
    found = check_meshes(framework, ended, aligned=True).check
    beyond = found.framework.points_mm[:, 0] > 7.5
    assert ((found.region[beyond] == Region.CUT) == cut).all()
    assert (found.measured_share < 0.8) == cut


def test_a_zone_of_which_too_little_was_read_is_undecided():
    # Source: of holes of 2.8 mm at every 3 mm the middle 2.6 mm have no contour point within
    # 0.1 mm aside: 75 % of the plate. The layer is 0.7 mm short everywhere, which is firm by far
    # where the plate is whole.
    whole = check_meshes(*_plates_under_a_sieve(3.0, 0.0), aligned=True).check
    (zone,) = whole.zones
    assert (zone.decision, zone.measured_share) == (Decision.FIRM, 1.0)
    assert zone.amount_mm > 0.7 and whole.amount_mm.any()
    riddled = check_meshes(*_plates_under_a_sieve(3.0, 2.8), aligned=True).check
    assert riddled.zones
    for zone in riddled.zones:
        assert zone.measured_share < 0.5
        assert zone.decision is Decision.UNDECIDED
        assert zone.action.endswith("could be read: measure by hand or scan again")
        assert zone.amount_mm == 0.0
        assert action_words({"action": zone.action}, Words("de")).startswith("nur ")
    assert not riddled.amount_mm.any()
    assert riddled.verdict is Verdict.UNDECIDED


@pytest.mark.parametrize(
    ("share", "said"), [(0.004, "no contour shows over it"), (0.006, "only 1 %")]
)
def test_a_zone_over_which_no_contour_shows_is_not_read_to_no_percent(share, said):
    # Source: by hand; a reading stands beside these words, so «0 % of it could be read» is untrue.
    patch = SimpleNamespace(unlike=False, known=False, measured_share=share)
    told = decide.action_words(SimpleNamespace(patch=patch))
    assert told.startswith(said)
    assert action_words({"action": told}, Words("de")) != told


def test_the_probability_is_that_of_the_normal_distribution():
    # Source: JCGM 106 from memory, p = Φ(excess / u); scipy's Φ as the independent engine.
    thin = check_meshes(*_plates_under_a_sieve(3.0, 0.0), aligned=True).check
    u = np.hypot(thin.space.u_judged_mm, thin.limits.opaquer_u_mm)
    short = thin.limits.layer.least_mm - (thin.space.judged_low_mm - thin.limits.taken_mm)
    assert thin.p_thin == pytest.approx(ndtr(short / u), abs=1e-6)
    assert (thin.p_thick < 1e-6).all()


def test_an_island_stays_one_beside_a_vertex_that_was_not_sorted() -> None:
    """By hand: 40 vertices of cut surface all round a spot, one of them unsorted: 97 % of its
    border. As a collar it would excuse all that is too thin beside it."""
    spot, ring = np.arange(1, 11), np.arange(11, 51)
    edges = np.stack([np.repeat(spot, 4), ring], axis=1)
    uncut, cut_ = (np.isin(np.arange(51), some) for some in (spot, ring[:-1]))
    label = np.where(uncut, 0, np.arange(51))
    cut_label = np.where(cut_, 7, np.arange(51) + 100)
    ends = np.zeros(51, dtype=bool)
    found = islands._surroundings(uncut, cut_, label, cut_label, edges, ends=ends)
    assert found == {0: 7}
    far, far_label = np.isin(np.arange(51), ring[:-4]), np.where(np.arange(51) < 47, 7, 100)
    assert not islands._surroundings(uncut, far, label, far_label, edges, ends=ends)


@pytest.mark.parametrize(("loose_mm2", "beyond", "count"), [
    (0.001, 15, 1), (0.3, 10, 1), (0.3, 17, 1), (0.3, None, 0), (0.3, 15, 0), (0.3, 16, 0),
    (0.6, 10, 0),
])  # fmt: skip
def test_an_island_stays_one_beside_slivers_and_ledges(loose_mm2, beyond, count) -> None:
    """By hand: a spot of 2 mm² amid the cut, four of whose ten neighbours are not sorted. Slivers
    at its foot say nothing of its border, nor ledges of a third of a square millimetre between it
    and the cut, or a speck; one that is larger, at the end of the scan, beside the collar or an
    inside (15 and 16), may be the way to another surface."""
    spot, ring, loose, collar = np.arange(5), np.arange(5, 11), np.arange(11, 15), 15
    kinds = [Region.UNCUT, Region.CUT, Region.UNSORTED, Region.UNCUT, Region.FITTING_SURFACE]
    many = [5, 6, 4, 1, 1, 1]
    code = np.repeat([*kinds, Region.UNCUT], many)
    reading: Any = SimpleNamespace(
        edges=np.array(
            [[i, i + 1] for i in range(10)]
            + [[0, i] for i in ring]
            + [[i % 5, i] for i in loose]
            + [[10, collar], [11, 10 if beyond is None else beyond]]
        ),
        space=SimpleNamespace(
            area_mm2=np.repeat([0.4, 9.0, loose_mm2, 50.0, 9.0, 0.05], many),
            nearest_mm=np.repeat([0.0, 1.5, 0.4, 0.0, np.nan, 0.0], many),
        ),
        agreement=np.ones(18),
    )
    ends = (np.arange(18) == loose[0]) & (beyond is None)
    found = islands.enclosed(np.asarray(code), reading, 0.05, None, ends=ends)
    assert [list(part) for part in found] == [list(spot)] * count


def test_a_collar_on_the_edge_of_the_scan_is_no_metal_stop() -> None:
    """Source: drawn, an uncut spot 1.6 mm across whose middle lies on the edge of the plate, and
    one in its middle: what lies beyond the edge does not show."""

    def depth(x, y, at):
        return np.minimum(cut(x, y), 3.0 * np.clip(np.hypot(x - at, y - 6.0) - 0.8, 0.0, 1.0))

    forbidden = Case(metal_stops=FORBIDDEN)
    asked = [of_the_cut(checked(lambda x, y, at=at: depth(x, y, at))) for at in (11.0, 8.0)]
    assert [[one.kind for one in found] for found in asked] == [[], ["island"]]
    assert not checked(lambda x, y: depth(x, y, 11.0), forbidden).zones


@pytest.mark.parametrize("stage", ["wax", "dentine"])
@pytest.mark.parametrize("top_mm", [0.15, 0.25])
def test_a_speck_at_the_contour_is_no_finish_line(top_mm, stage) -> None:
    """Source: drawn, a top of less than 0.25 mm² at the contour and a flank of 0.6 mm amid full
    depth, of which 1.1 to 1.5 mm² lack more than 0.1 mm in wax: a stop, or no room for dentine."""
    full_mm = 1.5 if stage == "wax" else 0.75

    def depth(x, y):
        away = np.clip((np.hypot(x - 7.53, y - 5.98) - top_mm) / 0.6, 0.0, 1.0)
        return np.minimum(cut(x, y, full_mm), 0.02 + (full_mm - 0.02) * away)

    found = checked(depth, Case(stage=stage))
    assert [one.kind for one in of_the_cut(found)] == ["island"] * (stage == "wax")
    assert [zone.finding.word for zone in found.zones] == ["too_thin"] * (stage != "wax")
    (place,) = [at.centre_mm for at in (*of_the_cut(found), *found.zones)]
    assert np.hypot(*(np.array(place)[:2] - [7.53, 5.98])) < top_mm + 0.6


@pytest.mark.parametrize("strip_mm", [0.02, 0.04])
def test_a_ledge_of_long_triangles_has_its_finish_line(strip_mm: float) -> None:
    """Source: drawn. A side of a tooth as steep as 72°, 1.3 mm of it cut off down to a level ledge,
    on which no vertex lies between an outer strip and the middle, as where a plane cut it; along
    the line they are 0.28 mm apart."""
    steep, back = 3.0, 1.3 * np.hypot(3.0, 1.0)
    across = [
        *np.linspace(-5.0, -1.5, 11),
        -1.37,
        -1.1,
        -0.8,
        -0.5,
        -0.25,
        -strip_mm,
        0.0,
        0.3,
        0.7,
    ]
    along = np.linspace(0.0, 8.0, 30)
    framework = height_field(
        lambda x, y: np.minimum(-steep * x, np.maximum(-steep * x - back, 0.0)) + 0.0 * y,
        np.array(across),
        along,
    )
    contour = height_field(lambda x, y: -steep * x + 0.0 * y, np.linspace(-8.0, 0.7, 88), along)
    code, _ = codes(framework, contour)
    x = framework.points_mm[:, 0]
    assert (code[(x > -0.9) & (x < -0.5 * strip_mm)] == Region.FINISH_LINE_BAND).all()


def test_the_foot_of_a_wall_is_near_where_its_depth_passes_the_tolerance() -> None:
    """By hand: cut 0.45 mm deep, a wall at the contour 0.40 mm on; along that edge the depth passes
    0.05 mm after 0.356 mm, of which the wall's next vertices lie 0.094 and 0.194 mm away."""
    along = np.array([0.0, 0.40, 0.45, 0.55])
    reading: Any = SimpleNamespace(
        edges=np.array([[1, 0], [1, 2], [2, 3]]),
        space=SimpleNamespace(nearest_mm=np.array([0.45, 0.0, 0.0, 0.0])),
    )
    cut_ = along == 0.0
    points = np.stack([along, 0.0 * along, 0.0 * along], axis=1)
    assert regions._at_foot(points, ~cut_, cut_, reading, 0.05).tolist() == [1, 2]


@pytest.mark.parametrize(("wide_mm", "depth_mm", "joined"), [
    (0.3, 4.6, True), (0.5, 4.6, False), (0.3, 0.01, False),
])  # fmt: skip
def test_a_narrow_strip_that_looks_another_way_parts_no_cut(wide_mm, depth_mm, joined) -> None:
    """By hand: the core of a cut, a strip beside it that was read far off, or at the contour, and
    beyond that 1 mm² that lies below the contour."""
    points = np.array([[0.0, 0.0, 0.0], [wide_mm, 0.0, 0.0], [2.0 * wide_mm, 0.0, 0.0]])
    reading: Any = SimpleNamespace(edges=np.array([[0, 1], [1, 2]]))
    core, below = np.array([True, False, False]), np.array([True, False, True])
    touching = np.array([False, depth_mm <= 0.05, False])
    found = regions._joined(points, core, below, touching, reading)
    assert found.tolist() == [True, False, joined]


def test_a_crumb_beside_the_line_is_no_metal_stop() -> None:
    """Source: drawn, a spot 0.3 mm across at the contour, 0.5 mm from the step of the cut."""

    def depth(x, y):
        away = np.clip((np.hypot(x - 4.6, y - 6.0) - 0.15) / 0.2, 0.0, 1.0)
        return np.minimum(cut(x, y), 0.02 + 1.48 * away)

    found = checked(depth)
    assert [one.kind for one in of_the_cut(found)] == ["chamfer"] and not found.zones


@pytest.mark.parametrize(("code", "nearest_mm", "asked"), [
    (Region.UNCUT, 0.01, True), (Region.UNSORTED, -1.2, False),
])  # fmt: skip
def test_a_crumb_is_enclosed_where_something_was_left_uncut(code, nearest_mm, asked) -> None:
    """By hand: one vertex of 0.05 mm² amid ten of cut surface, beside a collar of twenty; it lies
    on the contour, or was read far outside it, as in a crevice."""
    ring = np.arange(1, 11)
    chain = np.stack([np.arange(11, 30), np.arange(12, 31)], axis=1)
    edges = np.concatenate(
        [np.stack([0 * ring, ring], 1), np.stack([ring[:-1], ring[1:]], 1), [[10, 11]], chain]
    )
    codes = np.concatenate([[code], np.full(10, Region.CUT), np.full(20, Region.UNCUT)])
    space = SimpleNamespace(
        area_mm2=np.concatenate([[0.05], np.full(10, 1.0), np.full(20, 1.0)]),
        nearest_mm=np.concatenate([[nearest_mm], np.full(10, 1.5), np.zeros(20)]),
    )
    reading = SimpleNamespace(space=space, edges=edges, agreement=np.ones(31))
    found = islands.enclosed(codes, reading, 0.05, None, ends=np.zeros(31, dtype=bool))
    assert [part.tolist() for part in found] == [[0]] * asked


def turned(profile, steps: int = 160) -> TriangleMesh:
    """The surface that a line of radii and heights sweeps round the z axis; outward to its left."""
    radius, z = np.array(profile).T
    angle = np.linspace(0.0, 2.0 * np.pi, steps, endpoint=False)
    points = np.stack(
        [
            np.outer(radius, np.cos(angle)),
            np.outer(radius, np.sin(angle)),
            z[:, None] + 0.0 * angle,
        ],
        axis=-1,
    )
    return over_grid(points, around=True)


def test_the_inside_of_a_retainer_is_no_veneer_where_the_wax_up_shows_its_outside_alone() -> None:
    """Source: drawn. A cap of 5 mm cut all over, 1.4 mm deep; its hollow is a flat cone open below,
    of which 24 mm² had counted as veneer: no ray from it meets contour."""
    wide_mm, high_mm = 3.3, 1.0
    height = np.radians(np.linspace(89.5, 0.0, 50))
    arc = np.stack([np.cos(height), np.sin(height)], axis=1)
    hollow = np.linspace([wide_mm, 0.0], [0.1, high_mm], 50)
    framework, waxup = turned([*(3.6 * arc), *hollow]), turned(5.0 * arc)
    found = check_meshes(framework, waxup, aligned=True).check
    points, area = found.framework.points_mm, found.space.area_mm2
    inside = np.hypot(points[:, 0], points[:, 1]) / wide_mm + points[:, 2] / high_mm < 1.02
    told = np.isin(found.region, (Region.CUT, Region.FINISH_LINE_BAND))
    assert area[told & inside].sum() < 3.0
    assert area[told & ~inside].sum() > 80.0
    assert not found.zones


def test_the_roof_of_a_retainer_is_no_veneer_though_the_wax_up_is_closed_under_it() -> None:
    """Source: drawn. A cap of 5 mm cut all over, 1.4 mm deep, hollow below: a cylinder of 2.1 mm
    whose roof, 14 mm², looks 2.6 mm down on the flat base of the wax-up and faces as that does."""
    height = np.radians(np.linspace(89.5, 0.0, 50))
    arc = np.stack([np.cos(height), np.sin(height)], axis=1)
    ends = [3.5, 0.0], [2.1, 0.0], [2.1, 2.6], [0.05, 2.6]
    hollow = [np.linspace(*two, 21)[:-1] for two in itertools.pairwise(ends)]
    framework = turned([*(3.6 * arc), *np.concatenate(hollow), ends[-1]])
    waxup = turned([*(5.0 * arc), *np.linspace([5.0, 0.0], [0.05, 0.0], 40)[1:]])
    found = check_meshes(framework, waxup, aligned=True).check
    points, area = found.framework.points_mm, found.space.area_mm2
    inside = (np.hypot(points[:, 0], points[:, 1]) < 2.15) & (points[:, 2] < 2.65)
    told = np.isin(found.region, (Region.CUT, Region.FINISH_LINE_BAND))
    assert not (told & inside).any()
    assert area[told].sum() == pytest.approx(2.0 * np.pi * 3.6**2, rel=0.1)
    assert not found.zones


def test_a_cut_down_to_a_sharp_margin_ends_there_though_what_lies_beyond_stands_out() -> None:
    """Source: drawn. A cap of 5 mm cut 1.4 mm deep, whose ledge falls to a margin without a collar;
    under that a ring of the base stands 0.1 mm out, as a remnant does. Over 26 mm² the ledge was
    short by the whole layer."""
    height = np.radians(np.linspace(89.5, 0.0, 50))
    arc = np.stack([np.cos(height), np.sin(height)], axis=1)
    ends = [3.6, 0.8], [4.9, -0.1], [4.6, -0.1], [4.5, 0.0], [0.05, 0.0]
    sides = [np.linspace(*two, 21)[:-1] for two in itertools.pairwise(ends)]
    framework = turned([*(3.6 * arc)[3.6 * arc[:, 1] > 1.0], *np.concatenate(sides), ends[-1]])
    waxup = turned([*(5.0 * arc), *np.linspace([5.0, 0.0], [0.05, 0.0], 40)[1:]])
    found = check_meshes(framework, waxup, aligned=True).check
    in_band = found.region == Region.FINISH_LINE_BAND
    assert found.space.area_mm2[in_band].sum() > 20.0
    # The ring itself may be told, as what stands out on a thin margin is: not as sure.
    assert {(z.finding, z.decision) for z in found.zones} <= {
        (FindingKind.OVER_CONTOUR, Decision.UNDECIDED)
    }


@pytest.mark.parametrize(
    ("area_mm2", "beyond", "ends"),
    [(0.1, Region.UNSORTED, False), (0.5, Region.UNSORTED, True), (2.0, Region.CUT, False)],
)
def test_a_crumb_or_a_ridge_that_stands_out_ends_no_veneer(
    area_mm2: float, beyond: Region, ends: bool
) -> None:
    """By hand: beside cut vertices one that stands out, smaller than an island or larger, and on
    its other side what is neither, or cut as well."""
    areas = np.array([1.0, area_mm2, 1.0])
    reading = SimpleNamespace(
        space=SimpleNamespace(area_mm2=areas), edges=np.array([[0, 1], [1, 2]])
    )
    code = np.array([Region.CUT, Region.UNSORTED, beyond])
    found = finish_line.collar(code, np.array([False, True, False]), reading, 0.25)
    assert bool(found[1]) is ends


def squared(*corners: tuple[float, float]) -> TriangleMesh:
    """The surface that a path of radii and heights sweeps round a rounded square; its height rises
    by 0.4 along x."""
    ends = np.array(corners)
    count = np.maximum(np.ceil(np.abs(np.diff(ends, axis=0)).max(axis=1) / 0.15), 1).astype(int)
    sides = [np.linspace(*ends[k : k + 2], steps + 1)[1:] for k, steps in enumerate(count)]
    round_one = turned(np.concatenate([ends[:1], *sides]))
    points = round_one.points_mm
    way = points[:, :2] / np.hypot(points[:, 0], points[:, 1])[:, None]
    x, y = (points[:, :2] / ((way**6).sum(axis=1) ** (1 / 6))[:, None]).T
    return TriangleMesh(np.stack([x, y, points[:, 2] + 0.4 * x], axis=1), round_one.faces)


def codes(framework: TriangleMesh, waxup: TriangleMesh):
    """The framework's regions, and the area of every vertex."""
    limits = built_in()
    alignment = align.given(framework, waxup)
    reading = measure(framework, waxup, alignment=alignment, limits=limits)
    return regions.divide(framework, reading, limits).code, reading.space.area_mm2


def test_the_inside_of_a_retainer_with_a_short_side_is_no_veneer() -> None:
    """Source: drawn. A post cut 1.4 mm deep on a ring 2 mm high that was not cut, hollow below and
    cut off aslant: under its short side the inside of the long one meets the root, 4.8 mm off, and
    3.4 mm² of it had counted as veneer. What was cut, by hand: squares of half a side r hold
    3.86 r² and rise by 0.4, 8 mm² on top and 24 on the ledge; the post's side is 0.6 × 10.4 mm."""
    outside = (0.05, 2.6), (1.4, 2.6), (1.4, 2.0), (2.78, 2.0), (2.78, 0.0)
    framework = squared(*outside, (2.0, 0.0), (2.0, 1.2), (0.05, 1.2))
    code, area = codes(framework, squared((0.05, 4.0), (2.8, 4.0), (2.8, -5.0)))
    x, y, z = framework.points_mm.T
    inside = (np.maximum(np.abs(x), np.abs(y)) < 2.2) & (z - 0.4 * x < 1.3)
    told = np.isin(code, (Region.CUT, Region.FINISH_LINE_BAND))
    assert not (told & inside).any()
    assert area[told].sum() == pytest.approx(38.0, rel=0.1)


def test_a_thick_veneer_before_thin_metal_is_veneer() -> None:
    """Source: drawn. Metal 1 mm thick whose back and sides were not cut, 3.6 mm under the contour
    and 3.3 mm from it, since both rise by 0.4: its middle, nearer to that than to its sides, is not
    the inside of a retainer."""
    framework = squared((0.05, 0.0), (5.98, 0.0), (5.98, -1.0), (0.05, -1.0))
    code, _ = codes(framework, squared((0.05, 3.6), (6.0, 3.6), (6.0, -1.02), (0.05, -1.02)))
    x, y, z = framework.points_mm.T
    middle = (np.maximum(np.abs(x), np.abs(y)) < 2.0) & (z - 0.4 * x > -0.5)
    assert middle.sum() > 1000
    assert (code[middle] == Region.CUT).mean() > 0.99


def test_behind_thin_metal_whose_outside_is_seen_lies_the_inside_of_a_retainer() -> None:
    """By hand: pairs of vertices through metal; only where the metal is thin, its sides look apart
    and the other one has seen its contour."""
    up, down, aside = [0.0, 0.0, 1.0], [0.0, 0.0, -1.0], [1.0, 0.0, 0.0]
    space = SimpleNamespace(metal_mm=np.array([0.6, 0.6, 3.0, 0.6, 0.6, np.nan]))
    reading = SimpleNamespace(
        space=space,
        other_side=np.array([4, 5, 4, 4, 0, -1]),
        normals=np.array([down, down, down, aside, up, up]),
    )
    seen = np.array([False, False, False, False, True, False])
    assert insides._behind(reading, seen).tolist() == [True] + [False] * 5


def test_deep_on_the_back_of_thin_metal_is_inside_beside_walls_that_look_away_alone() -> None:
    """By hand: a wall of 5 mm², beside it in turn deep, a crumb that looks away, deep again, no
    deeper than veneer may be; then deep beside a crumb alone; two outsides, one not seen; and deep
    behind that one, 9 mm² of it, beside the wall."""
    space = SimpleNamespace(
        metal_mm=np.full(10, 0.6),
        nearest_mm=np.array([np.nan, 3.0, np.nan, 3.0, 1.5, 3.0, np.nan, 1.4, 1.4, 3.0]),
        area_mm2=np.array([5.0, 1.0, 0.5, 1.0, 1.0, 9.0, 0.5, 9.0, 9.0, 9.0]),
        outcome=np.full(10, RayOutcome.HIT),
    )
    reading = SimpleNamespace(
        space=space,
        edges=np.array([[0, 1], [1, 2], [2, 3], [3, 4], [5, 6], [0, 9]]),
        agreement=np.array([-1.0, 1.0, -1.0, 1.0, 1.0, 1.0, -1.0, 1.0, 1.0, 1.0]),
        normals=np.array([[0.0, 0.0, -1.0]] * 7 + [[0.0, 0.0, 1.0]] * 2 + [[0.0, 0.0, -1.0]]),
        other_side=np.array([7, 7, 7, 7, 7, 7, 7, 0, 0, 8]),
    )
    found = insides.insides(reading, seen=np.arange(10) == 7, veneer_mm=2.2)
    assert found.tolist() == [True] * 4 + [False] * 6


def test_of_what_no_ray_met_contour_over_nothing_too_thick_was_read() -> None:
    """By hand: a zone of 1 and 3 mm², of which a ray met contour over the first alone."""
    space = SimpleNamespace(
        area_mm2=np.array([1.0, 3.0, 9.0]),
        outcome=np.array([RayOutcome.HIT, RayOutcome.MISS, RayOutcome.MISS]),
    )
    reading, zone = SimpleNamespace(space=space), np.array([0, 1])
    none = np.zeros(3, dtype=bool)
    thick, thin = (
        scan_ends.share_read(zone, reading, none, too_thick=kind) for kind in (True, False)
    )
    assert (thick, thin) == (0.25, 1.0)


def test_out_of_the_contour_amid_the_veneer_the_nearest_contour_is_enough() -> None:
    """Source: a spot 0.3 mm out, over which the rays are taken away, as in a tight embrasure."""
    limits = built_in()
    framework = plate(lambda x, y: -np.where(np.hypot(x - 8.0, y - 6.0) < 0.8, -0.3, cut(x, y)))
    shared = align.given(framework, CONTOUR)
    reading = measure(framework, CONTOUR, alignment=shared, limits=limits)
    parts = regions.divide(framework, reading, limits)
    out = np.hypot(*(framework.points_mm[:, :2] - [8.0, 6.0]).T) < 0.65
    space = dataclasses.replace(
        reading.space, space_mm=np.where(out, np.nan, reading.space.space_mm)
    )
    least, greatest = (np.full(len(out), value) for value in (1.0, 2.0))
    reading = dataclasses.replace(reading, space=space)
    *_, over = excess.excesses(reading, parts, limits, least_mm=least, greatest_mm=greatest)
    assert out.sum() > 100
    assert over.excess_mm[out] == pytest.approx(0.3, abs=0.01)


def test_what_stands_out_comes_off_beside_places_without_a_reading() -> None:
    """By hand: a spot 0.3 mm out, every fourth vertex of it unread; the others come down by it."""
    framework = plate(lambda x, y: -np.where(np.hypot(x - 8.0, y - 6.0) < 0.8, -0.3, cut(x, y)))
    limits = built_in()
    reading = measure(framework, CONTOUR, alignment=align.given(framework, CONTOUR), limits=limits)
    parts = regions.divide(framework, reading, limits)
    least, greatest = (np.full(len(framework.points_mm), value) for value in (1.0, 2.0))
    *_, over = excess.excesses(reading, parts, limits, least_mm=least, greatest_mm=greatest)
    unread = np.arange(len(least)) % 4 == 0
    over = dataclasses.replace(over, excess_mm=np.where(unread, np.nan, over.excess_mm))
    patches = zones.patches(framework, reading, parts, limits, over)
    (amount,) = amounts.tried(framework, reading, over, patches)
    inner = np.hypot(*(framework.points_mm[:, :2] - [8.0, 6.0]).T) < 0.6
    assert (inner & ~unread).sum() > 50
    assert amount[inner & ~unread] == pytest.approx(0.3, abs=0.01)


def test_nothing_deeper_than_a_zone_is_made_good_round_it() -> None:
    """By hand: a spot 0.25 mm short, and beside it, in no zone, a fold that reads 0.9 short; where
    the zone is not sure, no more than 1.25 times what its worst spot takes on the mean."""
    framework = plate(lambda x, y: 0.4 * (np.hypot(x - 8.0, y - 6.0) < 0.8) - cut(x, y, 1.35))
    limits = built_in()
    reading = measure(framework, CONTOUR, alignment=align.given(framework, CONTOUR), limits=limits)
    parts = regions.divide(framework, reading, limits)
    least, greatest = (np.full(len(framework.points_mm), value) for value in (1.0, 2.0))
    thin, *_ = excess.excesses(reading, parts, limits, least_mm=least, greatest_mm=greatest)
    (patch,) = zones.patches(framework, reading, parts, limits, thin)
    beside = np.hypot(*(framework.points_mm[:, :2] - [8.0, 7.0]).T) < 0.25
    beside[patch.vertices] = False
    thin = dataclasses.replace(thin, excess_mm=np.where(beside, 0.9, thin.excess_mm))
    assert beside.sum() > 8
    (amount,) = amounts.tried(framework, reading, thin, [patch])
    assert 0.2 < amount[beside].max() <= amount[patch.vertices].max()
    unsure = dataclasses.replace(patch, close=True, spot=patch.vertices[:1])
    (amount,) = amounts.tried(framework, reading, thin, [unsure])
    assert amount.max() <= 1.25 * amount[unsure.spot].mean() + 1e-9


@pytest.mark.parametrize("ends_mm", [11.0, 20.0])
def test_a_web_to_what_the_wax_up_alone_shows_is_no_contour(ends_mm: float) -> None:
    """By hand: the wax-up slopes down to 0.9 mm over the metal at its end, firmly too thin where it
    ends there as well; where it goes on to a model 9 mm away that is no contour of the veneer."""
    waxup = plate(
        lambda x, y: -0.6 * np.clip(x - 9.0, 0.0, 1.0) + 0.0 * y, ((0.0, ends_mm), SIDES_MM[1])
    )
    both = Surfaces(plate(lambda x, y: -cut(x, y)), waxup)
    (zone,) = check(both, case=Case(), limits=built_in(), aligned=True).zones
    alone = ends_mm > 11.0
    assert zone.decision is (Decision.UNDECIDED if alone else Decision.FIRM)
    assert zone.action.startswith("the two scans do not show the same here") is alone


def test_metal_that_was_not_met_is_no_thin_metal() -> None:
    """By hand: of five rays inward two end in a lip 0.8 mm thick, three go on through the tooth."""
    some = np.arange(5)
    assert math.isnan(knife._middle(np.array([0.8, 0.8, np.nan, np.nan, np.nan]), some))
    assert knife._middle(np.array([0.8, 0.8, 0.7, np.nan, np.nan]), some) == 0.8
