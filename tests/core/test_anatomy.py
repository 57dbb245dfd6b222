"""Teeth and surfaces against bridges whose every vertex is known, and against plain geometry."""

from __future__ import annotations

import dataclasses
from functools import cache
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scipy.spatial import cKDTree

from phantom import bridge as phantom
from phantom.sample import SAMPLE
from phantom.scanned import Scanner, random_pose
from phantom.surface import triangulate
from veneercheck import check_meshes
from veneercheck.core.divide.anatomy import (
    Places,
    Surface,
    line_words,
    locate,
    missing_unit,
    on_functional_cusps,
    place,
    place_words,
    surface_words,
    surfaces,
    telling,
)
from veneercheck.core.divide.anatomy.sides import STATED
from veneercheck.core.judge.meant import NOT_SEEN
from veneercheck.core.mesh.densify import refine
from veneercheck.core.mesh.nearest import NearestSurface
from veneercheck.core.mesh.triangles import select_faces, unique_edges, vertex_areas, vertex_normals
from veneercheck.core.types import (
    Bools,
    Case,
    Floats,
    Ints,
    Region,
    RigidMotion,
    TriangleMesh,
    Verdict,
)
from veneercheck.report.asked import question_words
from veneercheck.report.words import Words

RIGHT = 0.98
"""Share of the area, away from borders, whose tooth and surface must be right."""

BORDER_MM = 0.5
"""Nearer to a border of the true division nothing is asked."""

LETTERS = (Surface.SIDE_A, Surface.SIDE_B, Surface.END_A, Surface.END_B)
NAMED = (Surface.BUCCAL, Surface.LINGUAL, Surface.MESIAL, Surface.DISTAL)

COARSE = Scanner(framework_edge_mm=0.4, waxup_edge_mm=0.4)
DESIGN_EDGE_MM = 0.35

BRIDGES = {
    "sample": SAMPLE,
    "single, lower left": phantom.BridgeSpec((36,)),
    "single, upper left, front": phantom.BridgeSpec((21,)),
    "two, upper left": phantom.BridgeSpec((24, 25)),
    "three, lower left, descending": phantom.BridgeSpec((37, 36, 35), (36,), base=False),
    "four, upper right, ascending": phantom.BridgeSpec((14, 15, 16, 17), (15, 16)),
}

EACH = [name for name in BRIDGES if name != "three, lower left, descending"]


@dataclasses.dataclass(frozen=True)
class Known:
    """A framework in the wax-up's frame with what is true of it."""

    made: phantom.Phantom
    mesh: TriangleMesh
    contour_mm: Floats
    area_mm2: Floats
    cut: Bools
    fitting: Bools
    tooth: Ints
    surface: Ints
    away: Bools
    buccal: str
    units: tuple[int, ...]
    pontics: tuple[int, ...]


@cache
def known(name: str) -> Known:
    spec = dataclasses.replace(BRIDGES[name], scanner=COARSE, design_edge_mm=DESIGN_EDGE_MM)
    made = phantom.make_bridge(spec)
    mesh = TriangleMesh(
        made.waxup_from_framework.apply(made.framework.points_mm), made.framework.faces
    )
    middles = made.waxup.points_mm[made.waxup.faces].mean(axis=1)
    outside, _ = select_faces(made.waxup, np.abs(made.body.outer(middles)) < 0.08)
    fitting = made.surface == phantom.Surface.FITTING
    outward = sum(unit.axes[1, 1] for unit in made.body.units)
    return Known(
        made,
        mesh,
        np.array(NearestSurface(outside).query(mesh.points_mm).point_mm),
        vertex_areas(mesh),
        made.cut,
        fitting,
        made.tooth,
        made.surface,
        _away_from_borders(mesh, 10 * made.tooth + made.surface) & (made.tooth > 0) & ~fitting,
        "+y" if outward > 0 else "-y",
        spec.units,
        spec.pontics,
    )


def _away_from_borders(mesh: TriangleMesh, code: Ints) -> Bools:
    edges, _, _ = unique_edges(mesh.faces)
    across = edges[code[edges[:, 0]] != code[edges[:, 1]]]
    line = mesh.points_mm[across].mean(axis=1)
    return np.asarray(cKDTree(line).query(mesh.points_mm)[0] > BORDER_MM)


def _placed(truth: Known, case: Case, motion: RigidMotion | None = None, **more: Any) -> Places:
    move = motion or RigidMotion.identity()
    return place(
        TriangleMesh(move.apply(truth.mesh.points_mm), truth.mesh.faces),
        case,
        area_mm2=truth.area_mm2,
        bridge=None,
        veneered=truth.cut,
        contour_mm=move.apply(truth.contour_mm),
        **more,
    )


def _share_right(truth: Known, places: Places) -> float:
    right = (places.tooth == truth.tooth) & (places.surface == truth.surface)
    area = truth.area_mm2 * truth.away
    return float(area[right].sum() / area.sum())


def _share_right_but_for_letters(truth: Known, places: Places) -> float:
    """… where A may be either side, but must be one and the same, and end A its left."""
    letters = np.isin(places.surface, LETTERS)
    turned = _lettered(truth, buccal_is_a=True), _lettered(truth, buccal_is_a=False)
    area = truth.area_mm2 * truth.away
    shares = [area[places.surface == expected].sum() / area.sum() for expected in turned]
    assert not np.isin(places.surface, NAMED).any()
    assert letters.any()
    return float(max(shares))


def _lettered(truth: Known, *, buccal_is_a: bool) -> Ints:
    """The generator's surfaces by letters; mesial lies to the left as ISO 3950 has it.

    Looked at from the cheek, the biting surface up, a right lower or left upper tooth has its
    mesial side on the right: the patient's front. From the tongue it is the other way round.
    """
    right = np.isin(truth.tooth // 10, (2, 4))
    mesial_is_a = right != buccal_is_a
    side_a, side_b = (Surface.BUCCAL, Surface.LINGUAL)[:: 1 if buccal_is_a else -1]
    named = truth.surface.copy()
    named[truth.surface == side_a], named[truth.surface == side_b] = Surface.SIDE_A, Surface.SIDE_B
    mesial, distal = truth.surface == Surface.MESIAL, truth.surface == Surface.DISTAL
    at_a = (mesial & mesial_is_a) | (distal & ~mesial_is_a)
    named[mesial | distal] = np.where(at_a, Surface.END_A, Surface.END_B)[mesial | distal]
    return named


def test_the_inner_slope_of_a_steep_cusp_is_occlusal() -> None:
    """A molar whose upper half is stretched: no slope beyond the tooth's middle is a side's.

    Source: a side lies where it is named after, whichever way a slope on the other half faces.
    """
    truth = known("single, lower left")
    stretched = truth.mesh.points_mm.copy()
    middle = np.quantile(stretched[truth.cut, 2], 0.6)
    stretched[:, 2] += 2.0 * np.maximum(stretched[:, 2] - middle, 0.0)
    steep = TriangleMesh(stretched, truth.mesh.faces)
    case = Case(units=truth.units, occlusal="+z", buccal=truth.buccal)
    places = place(
        steep, case, area_mm2=vertex_areas(steep), bridge=None, veneered=truth.cut,
        contour_mm=stretched,
    )  # fmt: skip
    sloping = truth.cut & (vertex_normals(steep)[:, 2] > 0.2)
    mesial, buccal = places.mesial_share, places.buccal_share
    own = {Surface.MESIAL: mesial, Surface.DISTAL: -mesial,
           Surface.BUCCAL: buccal, Surface.LINGUAL: -buccal}  # fmt: skip
    for surface, share in own.items():
        assert (share[sloping & (places.surface == surface)] > 0).all()
    wall = sloping & (vertex_normals(steep)[:, 2] < 0.55)
    assert (places.surface[wall] == Surface.OCCLUSAL).any()


@pytest.mark.parametrize("name", EACH)
def test_tooth_and_surface_with_directions_from_the_case(name: str) -> None:
    """Expected: the generator's own codes at every vertex."""
    truth = known(name)
    case = Case(units=truth.units, pontics=truth.pontics, occlusal="+z", buccal=truth.buccal)
    places = _placed(truth, case)
    assert _share_right(truth, places) >= RIGHT
    assert not (places.occlusal_guessed or places.buccal_guessed or places.order_guessed)
    assert places.words == ()


def test_units_of_the_other_side_of_the_mouth_are_told_by_their_widths() -> None:
    """Source: the same bridge, named by the quadrant beside: its molars lie where premolars should;
    rightly named ones (above) are told nothing."""
    truth = known("four, upper right, ascending")
    case = Case(units=(24, 25, 26, 27), pontics=(25, 26), occlusal="+z", buccal=truth.buccal)
    assert [words[:16] for words in _placed(truth, case).words] == ["By their widths "]


@pytest.mark.parametrize("name", EACH)
def test_tooth_and_surface_in_any_pose_with_directions_judged(name: str) -> None:
    """Expected: the generator's codes, whichever way the wax-up lies; the guesses are told."""
    truth = known(name)
    pose = random_pose(np.random.default_rng(sum(truth.units)))
    case = Case(units=truth.units, pontics=truth.pontics, veneered=BRIDGES[name].cut.surfaces)
    places = _placed(truth, case, pose, fitting=truth.fitting)
    assert places.sides_known or len(truth.units) == 1
    if places.sides_known:
        assert _share_right(truth, places) >= RIGHT
        assert places.certainty >= STATED
    else:
        # Nothing shows how a crown cut alike all round is turned: its code holds, no side is named.
        assert not np.isin(places.surface, NAMED).any()
        area = truth.area_mm2 * truth.away
        assert area[places.tooth == truth.tooth].sum() >= RIGHT * area.sum()
    assert places.occlusal @ pose.turn([[0.0, 0.0, 1.0]])[0] > np.cos(np.radians(6.0))
    assert places.occlusal_guessed
    assert places.buccal_guessed
    assert len(places.words) == 2


@pytest.mark.parametrize("name", ["sample", "two, upper left"])
def test_sides_that_do_not_show_have_letters(name: str) -> None:
    """Expected: the generator's faces, by letters; only the middle unit's code holds both ways.

    «three, lower left, descending» lies so near to what is stated that processors part over it.
    """
    truth = known(name)
    places = _placed(truth, Case(units=truth.units, pontics=truth.pontics, occlusal="+z"))
    assert not places.sides_known
    assert _share_right_but_for_letters(truth, places) >= RIGHT
    count = len(truth.units)
    kept = {truth.units[count // 2]} if count % 2 else set()
    assert set(np.unique(places.tooth).tolist()) - {0} == kept
    end_a = places.unit == 1
    code = np.bincount(truth.tooth[end_a], truth.area_mm2[end_a]).argmax()
    assert code in (truth.units[0], truth.units[-1])
    spot = np.flatnonzero(end_a & (places.surface == Surface.SIDE_B))
    tooth, surface, words = place_words(places, spot, truth.area_mm2)
    assert (tooth, surface) == (None, "side B") and words.startswith("A1, side B")
    assert not on_functional_cusps(places, np.arange(len(truth.tooth)), truth.area_mm2)


@pytest.mark.parametrize("name", EACH)
def test_a_spot_on_every_face_of_every_tooth_is_told_there(name: str) -> None:
    """Expected: the generator's tooth and surface, in the trade's word, third by its height."""
    truth = known(name)
    case = Case(units=truth.units, pontics=truth.pontics, occlusal="+z", buccal=truth.buccal)
    places = _placed(truth, case)
    tree, spots = cKDTree(truth.mesh.points_mm), 0
    for tooth in truth.units:
        for surface in phantom.Surface(1), *map(phantom.Surface, range(2, 7)):
            mine = truth.away & (truth.tooth == tooth) & (truth.surface == surface)
            if truth.area_mm2[mine].sum() < 4.0:
                continue
            others = cKDTree(truth.mesh.points_mm[truth.away & ~mine])
            inside = np.flatnonzero(mine)
            middle = inside[others.query(truth.mesh.points_mm[inside])[0].argmax()]
            spot = np.array(tree.query_ball_point(truth.mesh.points_mm[middle], 0.7))
            spot = spot[mine[spot]]
            upper, front = tooth // 10 in (1, 2), tooth % 10 <= 3
            word = {
                ("lingual", True, front): "palatal",
                ("occlusal", upper, True): "incisal",
            }.get((surface.word, upper, front), surface.word)
            found = place_words(places, spot, truth.area_mm2)
            assert found[:2] == (str(tooth), word)
            assert found[2].startswith(f"{tooth}, {word}")
            spots += 1
    assert spots >= 3 * len(truth.units)


@pytest.mark.parametrize(
    ("name", "units"),
    [
        ("three, lower left, descending", (36,)),
        ("four, upper right, ascending", (14, 15, 16)),
    ],
)
def test_neighbours_in_the_scan_are_no_units(name: str, units: tuple[int, ...]) -> None:
    """Source: a longer bridge, of which only some units were cut and are named: the others stand
    beside them as neighbours do, and hang together with them where teeth touch."""
    truth = known(name)
    own = np.isin(truth.tooth, units)
    case = Case(units=units, pontics=(), occlusal="+z", buccal=truth.buccal)
    places = _placed(dataclasses.replace(truth, cut=truth.cut & own), case)
    area = truth.area_mm2 * truth.away
    right = places.tooth == truth.tooth
    assert area[own & right].sum() > RIGHT * area[own].sum()
    # Its outline ends there as well.
    assert places.teeth is not None
    within = places.teeth.within(truth.contour_mm)
    assert area[own & within].sum() > RIGHT * area[own].sum()
    # Of a neighbour no more is taken along than what touches.
    beside = (truth.tooth > 0) & ~own
    for taken in (places.tooth > 0, within):
        assert area[beside & taken].sum() < 0.35 * area[beside].sum()


def test_points_on_teeth_give_order_and_borders() -> None:
    """Expected: the generator's codes; the buccal direction said wrongly is overruled."""
    truth = known("four, upper right, ascending")
    points = {
        code: tuple(truth.mesh.points_mm[truth.tooth == code].mean(axis=0).tolist())
        for code in truth.units
    }
    wrong = "-y" if truth.buccal == "+y" else "+y"
    case = Case(
        units=truth.units, pontics=truth.pontics, occlusal="+z", buccal=wrong,
        tooth_points_mm=points,
    )  # fmt: skip
    places = _placed(truth, case)
    assert _share_right(truth, places) >= RIGHT
    assert not places.buccal_guessed
    # A cut goes round a point, however clear the valley on its other side.
    moved = points | {15: points[16]}
    told = _placed(truth, dataclasses.replace(case, tooth_points_mm={15: moved[15]}, buccal=None))
    middle = np.linalg.norm(truth.mesh.points_mm[:, :2] - points[16][:2], axis=1) < 0.3
    assert (told.tooth[middle] == 15).mean() > 0.4
    mixed = {14: points[15], 15: points[14], 17: points[17]}
    contrary = _placed(truth, dataclasses.replace(case, tooth_points_mm=mixed, buccal=truth.buccal))
    assert any("left out" in words for words in contrary.words)


def test_codes_named_the_other_way_round_place_the_same() -> None:
    """Expected: the order of the arch follows from the codes, not from where the list begins."""
    truth = known("four, upper right, ascending")
    case = Case(units=truth.units, pontics=truth.pontics)
    there = _placed(truth, case)
    back = _placed(truth, dataclasses.replace(case, units=truth.units[::-1]))
    np.testing.assert_array_equal(there.tooth, back.tooth)
    np.testing.assert_array_equal(there.surface, back.surface)


def test_model_is_no_tooth() -> None:
    """Expected: the generator's strip of gingiva and model."""
    truth = known("sample")
    case = Case(units=truth.units, pontics=truth.pontics, occlusal="+z", buccal=truth.buccal)
    model = truth.area_mm2 * (truth.tooth == 0)
    assert model[_placed(truth, case).tooth == 0].sum() > 0.95 * model.sum()


def test_insides_of_retainers_have_no_surface_even_when_nobody_says_where_they_are() -> None:
    """Expected: the generator's fitting surfaces."""
    truth = known("sample")
    case = Case(units=truth.units, pontics=truth.pontics, occlusal="+z", buccal=truth.buccal)
    inside = truth.area_mm2 * truth.fitting
    assert inside[_placed(truth, case).surface == Surface.NONE].sum() > 0.9 * inside.sum()


def test_without_units_no_tooth_is_named_but_sides_are() -> None:
    """Expected: the generator's codes for occlusal, buccal and lingual."""
    truth = known("sample")
    places = _placed(truth, Case(pontics=truth.pontics, occlusal="+z", buccal=truth.buccal))
    assert not places.tooth.any()
    assert any("No units" in words for words in places.words)
    sides = np.isin(truth.surface, (Surface.OCCLUSAL, Surface.BUCCAL, Surface.LINGUAL))
    asked = truth.area_mm2 * (truth.away & sides)
    assert asked[places.surface == truth.surface].sum() > 0.93 * asked.sum()
    assert not np.isin(places.surface, (Surface.MESIAL, Surface.DISTAL)).any()


def test_units_of_both_jaws_are_not_believed() -> None:
    truth = known("two, upper left")
    places = _placed(truth, Case(units=(24, 34), occlusal="+z", buccal=truth.buccal))
    assert not places.tooth.any()
    assert any("one jaw" in words for words in places.words)


def test_zones_at_planted_faults_are_told_where_they_were_planted() -> None:
    """Expected: unit and surface the generator planted each fault on."""
    truth = known("sample")
    case = Case(
        units=truth.units, pontics=truth.pontics, occlusal="+z", veneered=SAMPLE.cut.surfaces
    )
    places = _placed(truth, case)
    for fault in truth.made.faults:
        near = np.linalg.norm(truth.contour_mm - np.array(fault.centre_mm), axis=1) < 0.6
        vertices = np.flatnonzero(near & ~truth.fitting)
        tooth, surface, words = place_words(places, vertices, truth.area_mm2)
        assert (tooth, surface) == (str(fault.code), fault.surface)
        assert words.startswith(f"{fault.code}, {fault.surface}")


def test_distance_from_the_finish_line_is_the_planted_one() -> None:
    """Expected: the generator's own distance of a contour point from the line it cut along."""
    truth = known("sample")
    made = truth.made
    places = _placed(truth, Case(units=truth.units, pontics=truth.pontics, occlusal="+z"))
    edges, _, _ = unique_edges(truth.mesh.faces)
    inside = made.inward_mm > 0
    beyond = inside[edges[:, 0]] != inside[edges[:, 1]]
    beyond &= ~truth.fitting[edges].any(axis=1)
    line = truth.contour_mm[edges[beyond]].mean(axis=1)
    line_normals = vertex_normals(truth.mesh)[edges[beyond, 0]]
    walls = [fault for fault in made.faults if fault.surface in ("buccal", "lingual")]
    assert len(walls) == 2
    for fault in walls:
        off = np.linalg.norm(truth.contour_mm - np.array(fault.centre_mm), axis=1)
        spot = np.flatnonzero((off < 0.6) & ~truth.fitting)
        words = line_words(
            places,
            spot,
            truth.area_mm2,
            truth.contour_mm,
            line,
            normals=vertex_normals(truth.mesh),
            line_normals=line_normals,
        )
        told, unit = words.split()[:2]
        assert unit == "mm"
        expected = abs(made.inward_mm[spot[off[spot].argmin()]])
        assert float(told) == pytest.approx(expected, abs=0.25)
        assert words.endswith("the finish line")


def _block() -> TriangleMesh:
    """A closed block 9 mm along x, 8 mm along y, 7 mm high, finely divided."""
    corners = [[x, y, z] for x in (0, 9) for y in (0, 8) for z in (0, 7)]
    faces = [
        [0, 1, 3], [0, 3, 2], [4, 6, 7], [4, 7, 5], [0, 4, 5], [0, 5, 1],
        [2, 3, 7], [2, 7, 6], [1, 5, 7], [1, 7, 3], [0, 2, 6], [0, 6, 4],
    ]  # fmt: skip
    return refine(TriangleMesh(corners, faces), 0.6)[0]


def _block_places(
    code: int, buccal: str, occlusal: str = "+z", **known: Any
) -> tuple[Places, Floats]:
    block = _block()
    places = place(
        block,
        Case(units=(code,), occlusal=occlusal, buccal=buccal),
        area_mm2=vertex_areas(block),
        bridge=np.ones(len(block.points_mm), dtype=bool),
        veneered=np.zeros(len(block.points_mm), dtype=bool),
        **known,
    )
    return places, vertex_normals(block)


@pytest.mark.parametrize(
    ("code", "buccal", "occlusal", "mesial"),
    [
        # Lower left seen from above, front up: buccal to the left, mesial up; turned clockwise.
        (36, "+y", "+z", [1, 0, 0]),
        (46, "+y", "+z", [-1, 0, 0]),
        # The upper jaw is seen from below: its left lies where the lower right lies.
        (26, "+y", "+z", [-1, 0, 0]),
        (16, "+y", "+z", [1, 0, 0]),
        (85, "+y", "+z", [-1, 0, 0]),
        (46, "-y", "+z", [1, 0, 0]),
        (46, "+y", "-z", [1, 0, 0]),
        (46, "+x", "+z", [0, 1, 0]),
    ],
)
def test_mesial_follows_from_code_and_buccal(
    code: int, buccal: str, occlusal: str, mesial: list[float]
) -> None:
    """Expected: ISO 3950 quadrants (from memory) and looking at an arch, worked out by hand."""
    places, normals = _block_places(code, buccal, occlusal)
    flat = normals.max(axis=1) > 0.999
    flat |= normals.min(axis=1) < -0.999
    faces_mesially = flat & (normals @ np.array(mesial, dtype=float) > 0.999)
    assert faces_mesially.any()
    assert (places.surface[faces_mesially] == Surface.MESIAL).all()
    assert (places.surface[flat & (normals @ -np.array(mesial) > 0.999)] == Surface.DISTAL).all()
    assert (places.mesial_share[faces_mesially] > 0.95).all()


def test_thirds_are_those_of_the_crown_to_be_though_no_metal_is_nearest_to_its_tip() -> None:
    """Expected: 9.3 mm from the base to a tip over the middle are divided at 3.1 and 6.2 mm."""
    block = _block()
    middle = np.linalg.norm(block.points_mm - [4.5, 4.0, 7.0], axis=1).argmin()
    places, normals = _block_places(46, "+y", over=(np.array([[4.5, 4.0, 9.3]]), [middle]))
    wall, height = normals[:, 1] > 0.999, block.points_mm[:, 2]
    np.testing.assert_array_equal(places.third[wall & (height < 2.9)], 1)
    np.testing.assert_array_equal(places.third[wall & (height > 3.3) & (height < 6.0)], 2)
    np.testing.assert_array_equal(places.third[wall & (height > 6.4)], 3)


def test_a_crown_is_as_high_as_the_contour_over_its_own_metal() -> None:
    """Expected: the tip 2.3 mm over the block counts, a neighbour's, 5 mm from it, does not."""
    block = _block()
    middle = np.linalg.norm(block.points_mm - [4.5, 4.0, 7.0], axis=1).argmin()
    tips = TriangleMesh([[4.5, 4.0, 9.3], [4.5, 4.0, 30.0], [4.5, 4.0, 30.0]], [[0, 1, 2]])
    reading = SimpleNamespace(
        space=SimpleNamespace(area_mm2=vertex_areas(block), contour_mm=block.points_mm),
        normals=vertex_normals(block),
        outside=SimpleNamespace(foot=np.full(3, middle), depth_mm=np.array([2.3, 5.0, np.nan])),
        contour=SimpleNamespace(outer=SimpleNamespace(mesh=tips)),
    )
    parts = SimpleNamespace(code=np.full(len(block.points_mm), Region.CUT))
    places = locate(block, reading, parts, Case(units=(46,), occlusal="+z", buccal="+y"))
    wall, height = reading.normals[:, 1] > 0.999, block.points_mm[:, 2]
    np.testing.assert_array_equal(places.third[wall & (height > 3.3) & (height < 6.0)], 2)
    np.testing.assert_array_equal(places.third[wall & (height > 6.4)], 3)


def test_thirds_are_thirds_of_the_height() -> None:
    """Expected: a block 7 mm high is divided at 7/3 and 14/3 mm."""
    places, normals = _block_places(46, "+y")
    height = _block().points_mm[:, 2]
    wall = normals[:, 1] > 0.999
    np.testing.assert_array_equal(places.third[wall & (height < 2.1)], 1)
    np.testing.assert_array_equal(places.third[wall & (height > 2.6) & (height < 4.4)], 2)
    np.testing.assert_array_equal(places.third[wall & (height > 4.9)], 3)


@pytest.mark.parametrize(
    ("code", "words"),
    [
        (46, "46, lingual, cervical third, mesial part"),
        (16, "16, palatal, cervical third, distal part"),
        (11, "11, palatal, cervical third, distal part"),
    ],
)
def test_words_of_a_place(code: int, words: str) -> None:
    """Expected: the trade's words; the corner of the block at small x, away from buccal, low."""
    places, normals = _block_places(code, "+y")
    block = _block()
    x, _, z = block.points_mm.T
    low = np.flatnonzero((normals[:, 1] < -0.999) & (x < 2.5) & (z < 2.0))
    found = place_words(places, low, vertex_areas(block))
    assert found == (str(code), words.split(", ")[1], words)


def test_the_top_of_a_front_tooth_is_incisal() -> None:
    """Expected: usage of the trade."""
    places, normals = _block_places(41, "+y")
    top = np.flatnonzero(normals[:, 2] > 0.999)
    block = _block()
    found = place_words(places, top, vertex_areas(block))
    assert found == ("41", "incisal", "41, incisal")
    assert surface_words(places)[41, Surface.OCCLUSAL] == "incisal"
    assert surface_words(places)[41, Surface.LINGUAL] == "lingual"
    assert (41, int(Surface.NONE)) not in surface_words(places)


def test_above_and_below_the_finish_line() -> None:
    """Expected: a line drawn round the block at 2 mm; told on walls, not on top."""
    places, normals = _block_places(46, "+y")
    block = _block()
    x, y, z = block.points_mm.T
    line = np.stack([np.linspace(0, 9, 91), np.full(91, 8.0), np.full(91, 2.0)], axis=1)

    def told(mask: Bools, line: Floats = line) -> str:
        at = np.flatnonzero(mask)
        facing = np.where(line[:, 1:2] > 4.0, [[0.0, 1.0, 0.0]], [[0.0, -1.0, 0.0]])
        return line_words(
            places, at, vertex_areas(block), block.points_mm, line,
            normals=normals, line_normals=facing,
        )  # fmt: skip

    wall = (normals[:, 1] > 0.999) & (np.abs(x - 4.5) < 1.0)
    high, low = wall & (np.abs(z - 5.0) < 0.6), wall & (z > 0.2) & (z < 1.2)
    rise = float(np.average(z[high], weights=vertex_areas(block)[high])) - 2.0
    assert told(high) == f"{rise:.1f} mm above the finish line"
    assert told(low).endswith("mm below the finish line")
    assert told((normals[:, 2] > 0.999) & (y > 7.0)) == ""
    # The line of the other side, 8 mm off through the tooth at the same height, is not meant.
    other = np.array([[4.5, 2.0, 6.0]])
    assert told(high, other) == ""
    assert told(high, np.concatenate([line, other])) == told(high)
    far = np.array([[4.5, 8.0, 5.0 - 20.0]])
    assert told(high, np.concatenate([far, other])).endswith("mm above the finish line")


def test_no_distance_from_the_finish_line_is_told_nearer_to_where_the_scan_ends_before_it() -> None:
    """Source: drawn. Of a wall at y = 8 the line shows at z = 2, and the cut goes on to the scan's
    end at x = 9: near that the nearest line is one that was not seen."""
    places, normals = _block_places(46, "+y")
    block = _block()
    x, _, z = block.points_mm.T
    line = np.stack([np.linspace(0, 9, 91), np.full(91, 8.0), np.full(91, 2.0)], axis=1)
    end = np.stack([np.full(51, 9.0), np.full(51, 8.0), np.linspace(2, 7, 51)], axis=1)
    space = SimpleNamespace(area_mm2=vertex_areas(block), contour_mm=block.points_mm)
    contour = SimpleNamespace(
        outer=SimpleNamespace(normals=normals),
        nearest_vertex=lambda at: np.full(len(at), np.flatnonzero(normals[:, 1] > 0.999)[0]),
    )
    reading = SimpleNamespace(space=space, contour=contour, normals=normals)
    parts = SimpleNamespace(line_mm=line, unseen_mm=end)
    told = telling(places, reading, parts)
    wall = (normals[:, 1] > 0.999) & (np.abs(z - 6.0) < 0.6)
    near, off = (np.flatnonzero(wall & (np.abs(x - at) < 0.7)) for at in (8.0, 4.0))
    assert "finish line" not in told(near)[2]
    assert "mm above the finish line" in told(off)[2]


@pytest.mark.parametrize(
    ("code", "buccal_cusps"), [(46, True), (35, True), (16, False), (24, False), (11, None)]
)
def test_functional_cusps(code: int, buccal_cusps: bool | None) -> None:
    """Expected: lower buccal and upper palatal cusps (textbook, from memory); no front tooth."""
    places, normals = _block_places(code, "+y")
    block = _block()
    area, top = vertex_areas(block), normals[:, 2] > 0.999
    for outer, half in ((True, block.points_mm[:, 1] > 5.8), (False, block.points_mm[:, 1] < 2.2)):
        functional = on_functional_cusps(places, np.flatnonzero(top & half), area)
        assert functional is (outer is buccal_cusps)


def _sphere(radius_mm: float) -> TriangleMesh:
    """An octahedron, divided and blown up."""
    corners = np.concatenate([np.eye(3), -np.eye(3)])
    faces = [[0, 1, 2], [1, 3, 2], [3, 4, 2], [4, 0, 2], [1, 0, 5], [3, 1, 5], [4, 3, 5], [0, 4, 5]]
    fine, _, _ = refine(TriangleMesh(corners, faces), 0.2)
    length = np.linalg.norm(fine.points_mm, axis=1, keepdims=True)
    return TriangleMesh(radius_mm * fine.points_mm / length, fine.faces)


@pytest.mark.parametrize("units", [(), (46,), (45, 46, 47), tuple(range(48, 40, -1))])
@pytest.mark.parametrize("radius_mm", [0.05, 1.6, 5.0, 40.0, 4000.0])
def test_bodies_that_are_no_bridge_are_taken_calmly(
    radius_mm: float, units: tuple[int, ...]
) -> None:
    """Expected: no tooth but those named, and never a guess that is not told."""
    ball = _sphere(radius_mm)
    count = len(ball.points_mm)
    places = place(
        ball,
        Case(units=units),
        area_mm2=vertex_areas(ball),
        bridge=None,
        veneered=np.zeros(count, dtype=bool),
    )
    assert places.tooth.shape == places.surface.shape == places.third.shape == (count,)
    assert set(places.tooth.tolist()) <= {0, *units}
    assert places.occlusal_guessed
    assert places.words
    if not 1.5 < radius_mm < 75.0:
        assert not places.surface.any()


def test_a_ledge_at_the_neck_is_no_occlusal_surface() -> None:
    """Source: drawn. A round crown of 7.5 mm, 3 mm in radius, with a level ledge 1.5 mm wide round
    its neck."""
    shape = triangulate(
        lambda p: np.minimum(
            np.maximum(np.linalg.norm(p[:, :2], axis=1) - 3.0, np.abs(p[:, 2] - 3.75) - 3.75),
            np.maximum(np.linalg.norm(p[:, :2], axis=1) - 4.5, np.abs(p[:, 2] - 0.75) - 0.75),
        ),
        np.array([-5.2, -5.2, -0.7]), np.array([5.2, 5.2, 8.2]), 0.25,
    )  # fmt: skip
    none = np.zeros(len(shape.points_mm), dtype=bool)
    case = Case(units=(36,), occlusal="+z", buccal="+y")
    found = place(shape, case, area_mm2=vertex_areas(shape), bridge=~none, veneered=none)
    level = vertex_normals(shape)[:, 2] > 0.9
    x, y, z = shape.points_mm.T
    top, ledge = level & (z > 7.0), level & (z < 2.0) & (np.hypot(x, y) > 3.4)
    assert (found.surface[top] == Surface.OCCLUSAL).all()
    sides = (Surface.MESIAL, Surface.DISTAL, Surface.BUCCAL, Surface.LINGUAL)
    assert ledge.any() and np.isin(found.surface[ledge], sides).all()


def test_a_level_ledge_at_the_neck_is_of_the_side_on_which_it_lies() -> None:
    """By hand: far buccal and far mesial on its crown, leaning the other way by its noise; steeper,
    it faces where it leans."""
    lean = np.array([[0.02, -0.1], [-0.1, 0.02], [0.02, -0.6]])
    normal = np.column_stack([lean, np.sqrt(1.0 - (lean**2).sum(axis=1))])
    shares = np.array([0.1, 0.9, 0.1]), np.array([0.9, 0.1, 0.9])
    every = np.ones(3, dtype=bool)
    found = surfaces._faces(normal, ~every, np.ones(3, dtype=np.int64), shares, every)
    assert found.tolist() == [Surface.BUCCAL, Surface.MESIAL, Surface.LINGUAL]


def test_a_flat_plate_is_taken_calmly() -> None:
    """Expected: a level plate faces occlusally, all of it."""
    sheet, _, _ = refine(
        TriangleMesh([[0, 0, 0], [20, 0, 0], [20, 15, 0], [0, 15, 0]], [[0, 1, 2], [0, 2, 3]]), 0.5
    )
    none = np.zeros(len(sheet.points_mm), dtype=bool)
    places = place(sheet, Case(), area_mm2=vertex_areas(sheet), bridge=None, veneered=none)
    assert (places.surface == Surface.OCCLUSAL).all()
    np.testing.assert_allclose(places.occlusal, [0.0, 0.0, 1.0], atol=1e-9)


def test_a_closed_body_without_known_hollows_gets_no_surfaces_but_a_word() -> None:
    """Expected: nothing in a closed shell tells which way is up, so nothing is claimed."""
    truth = known("three, lower left, descending")
    places = _placed(truth, Case(units=truth.units, pontics=truth.pontics))
    assert not places.tooth.any()
    assert not places.surface.any()
    assert any("occlusal" in words for words in places.words)


def test_a_check_without_a_unit_that_the_case_names_is_undecided() -> None:
    """Source: the invented bridge, its last unit left out of the framework's scan."""
    truth = known("three, lower left, descending")
    case = Case(units=truth.units, pontics=truth.pontics, occlusal="+z", buccal=truth.buccal)
    own = truth.tooth[truth.mesh.faces[:, 0]]
    left, _ = select_faces(truth.mesh, own != truth.units[-1])
    found = check_meshes(left, truth.made.waxup, case=case, aligned=True)
    asked = [one for one in found.check.questions if one.kind == NOT_SEEN]
    assert [one.place for one in asked] == [str(truth.units[-1])]
    assert not found.zones and found.verdict is Verdict.UNDECIDED
    said = {"words": asked[0].words, "place": asked[0].place, "area_mm2": None, "centre_mm": None}
    assert "Fehlt hier ein Glied?" in question_words(said, Words("de"))


def test_a_side_that_was_not_scanned_is_no_missing_unit() -> None:
    """Source: the invented bridge, the lingual 60 % of its framework's scan cut off: bare on all
    units alike."""
    truth = known("four, upper right, ascending")
    case = Case(units=truth.units, pontics=truth.pontics, occlusal="+z", buccal=truth.buccal)
    where = _placed(truth, case)
    outward = np.array([0.0, 1.0 if truth.buccal == "+y" else -1.0, 0.0])
    side = truth.mesh.points_mm[truth.mesh.faces].mean(axis=1) @ outward
    seen, _ = select_faces(truth.mesh, side > np.quantile(side, 0.6))
    assert missing_unit(seen, truth.made.waxup, where, case) is None


def test_a_neighbour_cut_off_in_the_wax_ups_scan_is_no_missing_unit() -> None:
    """Source: the invented bridge, 15 % smaller than usual teeth; three of its four units are named
    and whole, and of the fourth, as of a neighbour, the wax-up's scan alone holds 6.5 mm."""
    truth = known("four, upper right, ascending")
    case = Case(units=truth.units[1:], occlusal="+z", buccal=truth.buccal)
    where = _placed(truth, case)
    first, second = (
        float(truth.mesh.points_mm[truth.tooth == code, 0].mean()) for code in truth.units[:2]
    )
    along = truth.made.waxup.points_mm[truth.made.waxup.faces].mean(axis=1)[:, 0]
    held, _ = select_faces(truth.made.waxup, 0.5 * (first + second) - along < 6.5)
    own, _ = select_faces(truth.mesh, truth.tooth[truth.mesh.faces[:, 0]] != truth.units[0])
    small = [TriangleMesh(0.85 * one.points_mm, one.faces) for one in (own, held)]
    assert missing_unit(small[0], small[1], where, case) is None


@pytest.mark.parametrize("name", ["three, lower left, descending", "four, upper right, ascending"])
def test_a_unit_that_the_frameworks_scan_lacks_is_asked_about_and_none_that_is_there(name) -> None:
    """Source: the invented bridges, of whose framework one unit after the other was taken away."""
    truth = known(name)
    case = Case(units=truth.units, pontics=truth.pontics, occlusal="+z", buccal=truth.buccal)
    where = _placed(truth, case)
    assert missing_unit(truth.mesh, truth.made.waxup, where, case) is None
    own = truth.tooth[truth.mesh.faces[:, 0]]
    for code in truth.units:
        left, _ = select_faces(truth.mesh, own != code)
        told = missing_unit(left, truth.made.waxup, where, case)
        assert told is not None, code
        centre_mm, word = told
        near = NearestSurface(select_faces(truth.mesh, own == code)[0]).query(np.array([centre_mm]))
        assert near.distance_mm[0] < 4.0
        assert word == (str(code) if code in (truth.units[0], truth.units[-1]) else "")
