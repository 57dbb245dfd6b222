"""A sprue with its widened foot, and loose pieces, are left out and named: no zone beside them."""

from __future__ import annotations

import dataclasses
import itertools
import re

import numpy as np
import pytest

from phantom.attached import put_sprue
from veneercheck.check import Surfaces, check
from veneercheck.core.align import given
from veneercheck.core.divide import attachments
from veneercheck.core.judge import meant
from veneercheck.core.measure.space import measure
from veneercheck.core.mesh.triangles import select_faces, vertex_areas, vertex_normals
from veneercheck.core.types import (
    Case,
    Check,
    Decision,
    FindingKind,
    Floats,
    Region,
    TriangleMesh,
    Verdict,
)
from veneercheck.phantom.bodies import concentric_spheres, parallel_plates
from veneercheck.profile import built_in
from veneercheck.report.words import Words

RADIUS_MM, FILLET_MM, LENGTH_MM = 1.25, 1.2, 8.0
UP = np.array([0.0, 0.0, 1.0])


def _plates(gap_mm: float) -> tuple[TriangleMesh, TriangleMesh, Floats]:
    body = parallel_plates(0.2, gap_mm=gap_mm, side_mm=14.0)
    middle = 0.5 * (body.inner.points_mm.min(axis=0) + body.inner.points_mm.max(axis=0))
    return body.inner, body.outer, middle


def _with_sprue(gap_mm: float) -> tuple[TriangleMesh, TriangleMesh, Floats]:
    """A bar waxed on a cut surface, its foot rounded off."""
    metal, contour, middle = _plates(gap_mm)
    off = np.linalg.norm(metal.points_mm[:, :2] - middle[:2], axis=1) - RADIUS_MM
    short = np.clip(FILLET_MM - np.maximum(off, 0.0), 0.0, None)
    rise = FILLET_MM - np.sqrt(FILLET_MM**2 - short**2)
    round_ = TriangleMesh(metal.points_mm + rise[:, None] * UP, metal.faces)
    seat = middle + FILLET_MM * UP
    body, _ = put_sprue(round_, seat, UP, diameter_mm=2 * RADIUS_MM, length_mm=LENGTH_MM)
    return body, contour, middle


def _with_piece(
    metal: TriangleMesh, middle: Floats, height_mm: float, radius_mm: float
) -> TriangleMesh:
    ball = concentric_spheres(0.1, inner_mm=radius_mm, outer_mm=radius_mm + 1.0).inner
    at = ball.points_mm - ball.points_mm.mean(axis=0) + middle + (height_mm + radius_mm) * UP
    return TriangleMesh(
        np.concatenate([metal.points_mm, at]),
        np.concatenate([metal.faces, ball.faces + len(metal.points_mm)]),
    )


def _checked(metal: TriangleMesh, contour: TriangleMesh) -> Check:
    return check(Surfaces(metal, contour), case=Case(), limits=built_in(), aligned=True)


@pytest.mark.parametrize("gap_mm", [1.4, 2.1])
def test_no_zone_beside_a_sprue_on_a_sound_cut(gap_mm: float) -> None:
    """Expected: plates so far apart are sound everywhere; what stands on them is the sprue's."""
    metal, contour, middle = _with_sprue(gap_mm)
    found = _checked(metal, contour)
    assert found.zones == ()
    assert [told.kind for told in found.told] == ["attachment"]
    # Not more than the foot is left out: two millimetres from the bar all is judged.
    off = np.linalg.norm(found.framework.points_mm[:, :2] - middle[:2], axis=1)
    assert (found.region[off > RADIUS_MM + 2.0] != Region.ATTACHMENT).all()


def test_what_of_another_view_lies_upon_a_sprue_is_left_out_with_it() -> None:
    """By construction: the foot of the bar and the cut round it are seen twice, the second time
    15 µm farther out; none of that reaches so far out that it is a bar by itself. On the cut
    beside it a spot of that view stands out of the contour, and is no part of the bar."""
    metal, contour, middle = _with_sprue(1.4)
    points, top = metal.points_mm, contour.points_mm[:, 2].max()
    seen = (points[:, 2] < top + 1.4)[metal.faces].all(axis=1)
    seen &= (np.linalg.norm(points[:, :2] - middle[:2], axis=1) < 5.5)[metal.faces].all(axis=1)
    again = points + 0.015 * vertex_normals(metal)
    spot = np.linalg.norm(again[:, :2] - middle[:2] - [4.0, 0.0], axis=1) < 0.7
    again[spot, 2] = top + 0.4
    sheet, origin = select_faces(TriangleMesh(again, metal.faces), seen)
    both = TriangleMesh(
        np.concatenate([points, sheet.points_mm]),
        np.concatenate([metal.faces, sheet.faces + len(points)]),
    )
    reading = measure(both, contour, alignment=given(both, contour), limits=built_in())
    (bar,) = attachments.find(both, contour, reading)
    left_out = np.isin(len(points) + np.arange(len(origin)), bar.vertices)
    out = (reading.space.nearest_mm[len(points) :] < -0.2) & ~spot[origin]
    assert out.sum() > 100 and left_out[out].all()
    assert spot[origin].sum() > 10 and not left_out[spot[origin]].any()


def test_a_collar_on_its_model_keeps_its_line() -> None:
    """By construction: a plate cut 1.4 mm deep but for a collar 1 mm wide, from which the model
    goes on outward where the wax-up's scan, taken alone, ends: the whole collar is uncut, and the
    chamfer beside it runs out."""
    metal, contour, _ = _plates(1.4)
    x = metal.points_mm[:, 0]
    first, top = x.min(), contour.points_mm[:, 2].max()
    cut = 1.4 * np.clip((x - first - 1.0) / 0.8, 0.0, 1.0)
    on_top = metal.points_mm[:, 2] > metal.points_mm[:, 2].max() - 0.01
    assert on_top.all()
    body = TriangleMesh(np.column_stack([metal.points_mm[:, :2], top - cut]), metal.faces)
    rim = np.unique(body.points_mm[x < first + 0.01, 1])
    steps = np.arange(0.2, 6.1, 0.2)
    model = [np.column_stack([0 * rim + first - 0.2 * s, rim, 0 * rim + top + s]) for s in steps]
    at = np.flatnonzero(x < first + 0.01)
    rows = [at[np.argsort(body.points_mm[at, 1])]]
    rows += [len(x) + k * len(rim) + np.arange(len(rim)) for k in range(len(steps))]
    sides = []
    for low, high in itertools.pairwise(rows):
        a, b, c, d = low[:-1], low[1:], high[:-1], high[1:]
        sides += [np.stack([a, c, b], axis=1), np.stack([b, c, d], axis=1)]
    framework = TriangleMesh(
        np.concatenate([body.points_mm, *model]), np.concatenate([body.faces, *sides])
    )
    found = _checked(framework, contour)
    x = found.framework.points_mm[:, 0]
    beside = (found.framework.points_mm[:, 2] < top + 0.01) & (x > first + 0.15)
    assert (found.region[beside & (x < first + 0.9)] == Region.UNCUT).all()
    assert found.zones == ()
    assert [told.kind for told in found.told] == ["attachment"]


@pytest.mark.parametrize("height_mm", [0.3, 1.2, 2.3])
def test_a_loose_piece_is_no_finding_and_is_named(height_mm: float) -> None:
    """Expected: a ball of 0.4 mm, in the gap, in the contour or over it, is no framework."""
    metal, contour, middle = _plates(1.5)
    found = _checked(_with_piece(metal, middle, height_mm, 0.4), contour)
    assert found.zones == ()
    (told,) = found.told
    assert told.kind == "loose_piece"
    assert told.values["area"] == pytest.approx(4.0 * np.pi * 0.4**2, rel=0.03)
    assert np.linalg.norm(np.array(told.centre_mm) - middle - (height_mm + 0.4) * UP) < 0.05


def test_what_lies_near_another_side_of_the_contour_is_no_sprue() -> None:
    """By construction: 4 mm² whose own side of the contour lies 2 mm on, as through a thin wall of
    a retainer, and whose nearest contour is 1.4 mm away: nothing stands out."""
    metal, contour, middle = _plates(1.4)
    frame, limits = given(metal, contour), built_in()
    reading = measure(metal, contour, alignment=frame, limits=limits)
    patch = np.abs(metal.points_mm[:, :2] - middle[:2]).max(axis=1) < 1.0
    far = np.where(patch, -2.0, reading.space.nearest_mm)
    space = dataclasses.replace(reading.space, nearest_mm=far)
    assert attachments.find(metal, contour, dataclasses.replace(reading, space=space)) == ()


@pytest.mark.parametrize("many", [2, 3])
@pytest.mark.parametrize("tooth", ["", "46"])
def test_many_of_them_are_told_in_one_sentence(many: int, tooth: str) -> None:
    """Source: by hand, as where a scan holds gum or opposing teeth all round."""
    metal, contour, _ = _plates(1.4)
    reading = measure(metal, contour, alignment=given(metal, contour), limits=built_in())
    parts = tuple(
        attachments.Attachment(np.arange(20 * k, 20 * k + 20), 2.0 + k, False) for k in range(many)
    )
    found = attachments.tell(parts, metal, reading, lambda _: (tooth or None, None, ""))
    assert [one.count for one in found] == ([many] if many > 2 else [1] * many)
    for one in found:
        german = Words("de").told(one.code, one.values, one.words)
        assert german != one.words
        assert re.findall("[0-9]+", german) == re.findall("[0-9]+", one.words)
    assert ("46" in found[0].words) == bool(tooth)
    mixed = attachments.tell(
        parts, metal, reading, lambda at: (tooth if at[0] == 0 else None, None, "")
    )
    assert many < 3 or "46" not in mixed[0].words  # not all of them stand there
    assert f"{1.0 + many:.1f} mm" in found[-1].words


def test_a_part_as_large_as_a_crown_is_judged() -> None:
    """Expected: two plates side by side are two parts of one scan, and none of them is dust."""
    metal, contour, _ = _plates(1.5)
    apart = np.array([20.0, 0.0, 0.0])
    both = [
        TriangleMesh(
            np.concatenate([mesh.points_mm, mesh.points_mm + apart]),
            np.concatenate([mesh.faces, mesh.faces + len(mesh.points_mm)]),
        )
        for mesh in (metal, contour)
    ]
    found = _checked(*both)
    assert found.told == () and not (found.region == Region.ATTACHMENT).any()
    assert vertex_areas(metal).sum() > 100.0


def _at_the_end(held: bool) -> tuple[TriangleMesh, TriangleMesh]:
    """A plate, cut in its middle, whose last millimetre stands 0.6 mm out of the contour: beyond a
    crevice, or on a slope that begins on uncut surface."""
    metal, contour, middle = _plates(1.2)
    x = metal.points_mm[:, 0] - middle[0]
    depth = np.interp(np.abs(x), [2.0, 3.0], [1.2, 0.0])
    ways = ([5.4, 5.6, 5.8, 6.0], [0.0, 5.0, 5.0, -0.6]) if held else ([5.4, 6.0], [0.0, -0.6])
    depth += np.interp(x, *ways)
    top = float(contour.points_mm[:, 2].max())
    points = np.column_stack([metal.points_mm[:, :2], top - depth])
    return TriangleMesh(points, metal.faces), contour


def test_putty_above_the_gum_of_the_other_scan_is_named_and_not_over_contour() -> None:
    # Source: drawn; 1 mm of 14 mm stands out, 0.6 mm.
    found = _checked(*_at_the_end(held=True))
    assert not [zone for zone in found.zones if zone.finding is FindingKind.OVER_CONTOUR]
    (asked,) = (one for one in found.questions if one.kind == meant.HIGHER)
    assert asked.area_mm2 > 12.0  # and a part of the wall
    assert found.verdict is Verdict.UNDECIDED


def test_what_stands_out_of_the_work_at_its_end_is_over_contour() -> None:
    # Source: drawn, as high and as near the end.
    found = _checked(*_at_the_end(held=False))
    assert not [one for one in found.questions if one.kind == meant.HIGHER]
    (zone,) = (zone for zone in found.zones if zone.finding is FindingKind.OVER_CONTOUR)
    assert zone.extreme_mm == pytest.approx(-0.6, abs=0.02)


@pytest.mark.parametrize(("degrees", "hole_mm"), [(65.0, 0.0), (85.0, 0.8)])
def test_a_boss_on_the_cut_is_over_contour_however_steep(degrees: float, hole_mm: float) -> None:
    """Source: drawn; 0.4 mm out of the contour, its middle at the end of the scan or beside a hole
    of the wax-up's."""
    metal, contour, middle = _plates(1.4)
    at = middle[:2] + ([0.0, 0.0] if hole_mm else [6.2, 0.0])
    off = np.linalg.norm(metal.points_mm[:, :2] - at, axis=1) - 1.5
    rise = np.clip(1.8 - np.maximum(off, 0.0) * np.tan(np.radians(degrees)), 0.0, None)
    boss = TriangleMesh(metal.points_mm + rise[:, None] * UP, metal.faces)
    if hole_mm:
        away = contour.points_mm[:, :2] - at - [2.0, 0.0]
        kept = (np.linalg.norm(away, axis=1) > hole_mm)[contour.faces].all(axis=1)
        contour = select_faces(contour, kept)[0]
    found = _checked(boss, contour)
    assert not [one for one in found.questions if one.kind == meant.HIGHER]
    zones = [zone for zone in found.zones if zone.finding is FindingKind.OVER_CONTOUR]
    assert zones and zones[0].extreme_mm == pytest.approx(-0.4, abs=0.02)
    assert zones[0].decision is Decision.FIRM


def test_of_a_boss_with_upright_walls_at_the_very_end_it_is_asked() -> None:
    """Source: drawn; what nothing shows parts it from the cut, as putty is. Never is it silent."""
    metal, contour, middle = _plates(1.4)
    off = np.linalg.norm(metal.points_mm[:, :2] - middle[:2] - [6.2, 0.0], axis=1) - 1.5
    boss = TriangleMesh(metal.points_mm + np.where(off < 0.0, 1.8, 0.0)[:, None] * UP, metal.faces)
    found = _checked(boss, contour)
    asked = [one for one in found.questions if one.kind == meant.HIGHER]
    firm = [zone for zone in found.zones if zone.finding is FindingKind.OVER_CONTOUR]
    assert asked or firm
    assert found.verdict is not Verdict.NO_FINDINGS
