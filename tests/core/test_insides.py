"""Retainers whose insides both scans show: neither metal stop nor over contour."""

from __future__ import annotations

import itertools
from types import SimpleNamespace

import numpy as np
import pytest

from core.test_regions_and_zones import turned
from phantom.surface import triangulate
from veneercheck import check_meshes
from veneercheck.check import Surfaces, check
from veneercheck.core.divide.insides import shown_by_both
from veneercheck.core.types import (
    ISLAND,
    Case,
    Check,
    Decision,
    FindingKind,
    Floats,
    Region,
    TriangleMesh,
)
from veneercheck.profile import built_in

pytestmark = pytest.mark.usefixtures("frame_as_given")

WALL_MM, CUT_MM, LINE_MM, TOP_MM = 1.9, 1.3, 1.0, 6.0


def off_axis(points: Floats) -> Floats:
    """How far points are from the nearest crown's axis, shape (n,)."""
    return np.hypot(np.abs(points[:, 0]) - 4.5, points[:, 1])


def crowns(
    cut_mm: float,
    stop_mm: float = 0.0,
    *,
    half: bool = False,
    solid: bool = False,
    wider_mm: float | None = None,
) -> TriangleMesh:
    """Two crowns of 8 mm, hollow from below or solid, joined by a bar; cut above collars of 1 mm,
    but for a spot so wide on each top, or on one side alone; conical inside where it is wider, and
    the collar's ends are broken off."""

    def field(points: Floats) -> Floats:
        x, y, z = points.T
        off = off_axis(points)
        depth = cut_mm * np.clip((z - LINE_MM) / 0.6, 0.0, 1.0)
        depth *= np.clip((off - 0.5 * stop_mm) / 0.3, 0.0, 1.0) if stop_mm else 1.0
        depth *= np.clip(y / 0.3, 0.0, 1.0) if half else 1.0
        bar = np.maximum(np.maximum(np.abs(y) - 3.0, np.abs(z - 3.5) - 2.0), np.abs(x) - 4.5)
        outer = np.minimum(np.maximum(off - 4.0, z - TOP_MM), bar) + depth
        hollow = np.maximum(off - (4.0 - WALL_MM), z - (TOP_MM - WALL_MM))
        outer = np.maximum(outer, -z)
        if wider_mm is not None:
            hollow = np.maximum(0.93 * (off - 2.4 + 0.4 * z), z - (TOP_MM - WALL_MM)) - wider_mm
            outer = np.maximum(outer, np.where(np.abs(x) > 7.0, 10.0 * wider_mm, 0.0) - z)
        return outer if solid else np.maximum(outer, -hollow)

    return triangulate(field, np.array([-9.0, -4.5, -0.5]), np.array([9.0, 4.5, 6.5]), 0.4)


WAXUP = crowns(0.0)


def checked(framework: TriangleMesh, waxup: TriangleMesh = WAXUP) -> Check:
    return check(Surfaces(framework, waxup), case=Case(), limits=built_in(), aligned=True)


def test_insides_of_a_bridge_that_is_veneered_all_round_are_no_metal_stops() -> None:
    """Source: drawn; one cut area goes round both crowns and the bar, and both scans show both
    insides; a spot of 2 mm left uncut on either top is asked about."""
    for stop_mm in (0.0, 2.0):
        found = checked(crowns(CUT_MM, stop_mm))
        off, z = off_axis(found.framework.points_mm), found.framework.points_mm[:, 2]
        inside = (off < 2.2) & (z > LINE_MM + 0.8) & (z < TOP_MM - WALL_MM + 0.1)
        assert (found.region[inside] == Region.FITTING_SURFACE).mean() > 0.9 - 0.1 * (stop_mm > 0)
        assert not (found.region[(off > 2.4) & (z > 0.1)] == Region.FITTING_SURFACE).any()
        assert (found.region[(off > 3.9) & (z > 0.2) & (z < 0.8)] == Region.UNCUT).all()
        stops = found.region == Region.ISLAND
        assert (z[stops] > TOP_MM - 0.2).all() and stops.any() == (stop_mm > 0)
        assert [one.kind == "island" for one in found.questions].count(True) == 2 * (stop_mm > 0)


def test_an_inside_that_was_relieved_is_no_veneer() -> None:
    """Source: drawn; 0.1 mm wider inside than the wax-up's, its collar broken off on one side."""
    found = checked(crowns(CUT_MM, wider_mm=0.1), crowns(0.0, wider_mm=0.0))
    off, z = off_axis(found.framework.points_mm), found.framework.points_mm[:, 2]
    inside = (off < 2.3) & (z > 0.3) & (z < TOP_MM - WALL_MM + 0.2)
    assert (found.region[inside] == Region.FITTING_SURFACE).all()
    collar = (off > 3.9) & (z > 0.2) & (z < 0.8) & (np.abs(found.framework.points_mm[:, 0]) < 6.8)
    assert (found.region[collar] == Region.UNCUT).all()
    assert max((zone.area_mm2 for zone in found.zones), default=0.0) < 10.0


def test_what_a_unit_stands_on_is_no_metal_stop_and_the_veneer_ends_there() -> None:
    """Source: drawn; solid crowns, cut all round above feet of 75 mm² that both scans show, and a
    spot of 2 mm left uncut on either top. Upside down a foot is as a top that was forgotten."""
    scans = Surfaces(crowns(CUT_MM, 2.0, solid=True), crowns(0.0, solid=True))
    for occlusal, large in (("+z", 0), ("-z", 1)):
        found = check(scans, case=Case(occlusal=occlusal), limits=built_in(), aligned=True)
        spots = [one.area_mm2 for one in found.questions if one.kind == ISLAND]
        assert [spot > 60.0 for spot in sorted(spots)] == [False, False, True][: 2 + large]
        x, _, z = found.framework.points_mm.T
        beside = (off_axis(found.framework.points_mm) < 4.0) & (z > 1.2) & (z < 1.5)
        ends = found.region == Region.FINISH_LINE_BAND
        assert sum(ends[beside & side].mean() > 0.9 for side in (x < -4.5, x > 4.5)) == 2 - large


def test_what_two_scans_show_otherwise_inside_is_not_over_contour() -> None:
    """Source: 2 mm inside stand 0.15 mm proud in the framework's scan; behind the bar, where metal
    is no wall; then of a collar."""
    bare = crowns(CUT_MM)
    for at_mm, way, zones in (
        ((4.5, 2.1, 3.0), (0, -1, 0), 0),
        ((2.4, 0.0, 3.0), (1, 0, 0), 0),
        ((4.5, 4.0, 0.5), (0, 1, 0), 1),
    ):
        near = np.linalg.norm(bare.points_mm - at_mm, axis=1)
        proud = 0.15 * np.clip((1.2 - near) / 0.2, 0, 1)[:, None] * np.array(way)
        found = checked(TriangleMesh(bare.points_mm + proud, bare.faces))
        over = [zone for zone in found.zones if zone.finding.word == "over_contour"]
        assert len(over) == zones


def test_an_inside_goes_on_where_the_other_side_was_left_uncut() -> None:
    """Source: one half of either crown was cut; behind the other lies metal of 1.9 mm."""
    found = checked(crowns(CUT_MM, half=True))
    off, (x, y, z) = off_axis(found.framework.points_mm), found.framework.points_mm.T
    inside = (off < 2.2) & (z > 1.0) & (z < TOP_MM - WALL_MM - 0.5) & (y < -0.5)
    inside &= np.abs(x) > 4.0  # the bar is thicker than a wall
    assert (found.region[inside] == Region.FITTING_SURFACE).mean() > 0.9
    outside = (off > 3.9) & (z > 0.2) & (z < TOP_MM - 0.2) & (y < -0.5)
    assert (found.region[outside] == Region.UNCUT).all()


def test_the_back_of_a_thin_plate_is_no_inside() -> None:
    """Source: a plate of 1.8 mm, half of it cut away on one side; the other faces nothing."""

    def plate(cut_mm: float) -> TriangleMesh:
        def field(points: Floats) -> Floats:
            x, y, z = points.T
            depth = cut_mm * np.clip((5.0 - np.abs(x)) / 0.6, 0, 1)
            return np.max([np.abs(x) - 6.0, np.abs(y) - 4.0, z - 1.8 + depth, -z], axis=0)

        return triangulate(field, np.array([-7.0, -5.0, -1.0]), np.array([7.0, 5.0, 3.0]), 0.4)

    found = checked(plate(0.9), plate(0.0))
    x, y, z = found.framework.points_mm.T
    back = (z < 0.1) & (np.abs(x) < 5.5) & (np.abs(y) < 3.5)
    assert (found.region[(z > 0.7) & (np.abs(x) < 4.0) & (np.abs(y) < 3.0)] == Region.CUT).any()
    assert (found.region[back] == Region.UNCUT).all()


def test_an_inside_ends_at_a_margin_though_it_be_a_knifes_edge() -> None:
    """By hand: a wall behind what was cut, its roof beside it, and beyond the edge where normals
    turn the collar, as thin and across from a neighbour, and beside the cut."""
    cut, wall, roof, collar = range(4)
    left, right, down = [-1.0, 0.0, 0.0], [1.0, 0.0, 0.0], [0.8, 0.0, -0.6]
    reading = SimpleNamespace(
        normals=np.array([left, right, down, left]),
        other_side=np.array([wall, cut, cut, wall]),
        across_mm=np.array([np.inf, 5.0, np.inf, 5.0]),
        edges=np.array([[wall, roof], [wall, collar], [collar, cut]]),
        space=SimpleNamespace(metal_mm=np.full(4, 0.8), area_mm2=np.full(4, 5.0)),
    )
    code = np.array([Region.CUT, Region.UNCUT, Region.UNSORTED, Region.UNCUT])
    assert np.flatnonzero(shown_by_both(reading, code, code < 0)).tolist() == [wall, roof]


TOP, HOLLOW = [(0.05, 6.0), (5.0, 6.0), (5.0, 0.0)], [(3.2, 0.0), (3.2, 3.5), (0.05, 3.5)]
CUT = [(0.05, 4.8), (3.8, 4.8), (3.8, 1.5), (5.0, 1.5), (5.0, 0.0)]
PROUD = [*CUT[:4], (5.0, 1.0), (5.3, 0.9), (5.3, 0.4), CUT[4]]
STOP = [(0.05, 6.0), (1.0, 6.0), (1.2, 4.8), *CUT[1:]]
BEVELLED = [HOLLOW[0], (3.2, 3.1), (2.8, 3.5), HOLLOW[2]]
STEPPED = [HOLLOW[0], (3.2, 1.7), (3.0, 1.8), (3.0, 2.7), (3.2, 2.8), *HOLLOW[1:]]


def path(*corners: tuple[float, float]) -> TriangleMesh:
    """The surface that a path of radii and heights sweeps, its vertices some 0.3 mm apart."""
    sides = []
    for two in itertools.pairwise(corners):
        steps = max(round(float(np.hypot(*np.subtract(*two))) / 0.3), 1)
        sides.append(np.linspace(*two, steps + 1)[:-1])
    return turned([*np.concatenate(sides), corners[-1]], steps=56)


def crown(outside, hollow) -> Check:
    """A crown closed all round, hollow below, whose contour has a cylinder for its inside."""
    return check_meshes(path(*outside, *hollow), path(*TOP, *HOLLOW), aligned=True).check


def in_hollow(found: Check):
    radius = np.hypot(*found.framework.points_mm[:, :2].T)
    return (radius < 3.25) & (found.framework.points_mm[:, 2] < 3.55)


@pytest.mark.parametrize(("hollow", "least_mm2"), [(BEVELLED, 90.0), (STEPPED, 60.0)])
def test_nothing_is_over_contour_inside_a_crown_that_both_scans_show(hollow, least_mm2) -> None:
    """Source: drawn. Metal 0.6 to 1.8 mm thick, cut by 1.2 mm but for a collar of 1.5 mm; the
    framework's inner edge stands 0.28 mm out of the wax-up's, or its wall by 0.2 mm. By hand, of
    the hollow's 103 mm² some 30 lie behind the collar; a step parts those from the rest."""
    found = crown(CUT, hollow)
    assert FindingKind.OVER_CONTOUR not in {zone.finding for zone in found.zones}
    inside, area = in_hollow(found), found.space.area_mm2
    fitting = found.region == Region.FITTING_SURFACE
    assert area[inside & fitting].sum() > least_mm2
    assert area[fitting & ~inside].sum() < 20.0
    collar = np.hypot(*found.framework.points_mm[:, :2].T) > 4.95
    assert not (collar & fitting).any()


def test_what_stands_out_outside_such_a_crown_is_told() -> None:
    """Source: drawn, 0.3 mm over 16 mm² of the collar."""
    (zone,) = [z for z in crown(PROUD, HOLLOW).zones if z.finding == FindingKind.OVER_CONTOUR]
    assert zone.decision == Decision.FIRM and zone.extreme_mm == pytest.approx(-0.3, abs=0.05)


def test_a_metal_stop_on_the_roof_of_such_a_crown_is_asked_about() -> None:
    """Source: drawn, 3 mm² at the contour amid the cut top, over the roof of the hollow."""
    found = crown(STOP, HOLLOW)
    assert "island" in {one.kind for one in found.questions}


def test_what_stands_out_of_the_back_of_a_plate_is_told() -> None:
    """Source: drawn. A plate 1.2 mm thick cut above, whose underside stands 0.3 mm out of the
    contour's over 28 mm²: it is as thin as a retainer's wall, and sees no metal."""
    top = [(0.05, 1.2), (5.0, 1.2), (5.2, 2.4), (7.0, 2.4), (7.0, 0.0)]
    framework = path(*top, (3.2, 0.0), (3.0, -0.3), (0.05, -0.3))
    waxup = path((0.05, 2.4), (7.0, 2.4), (7.0, 0.0), (0.05, 0.0))
    found = check_meshes(framework, waxup, aligned=True).check
    assert Region.FITTING_SURFACE not in found.region
    (zone,) = [z for z in found.zones if z.finding == FindingKind.OVER_CONTOUR]
    assert zone.decision == Decision.FIRM and zone.area_mm2 > 20.0
