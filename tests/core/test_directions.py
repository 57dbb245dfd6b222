"""Buccal is stated only where it shows: the short form of the long trials in `benchmarks`."""

from __future__ import annotations

import dataclasses
import math
from functools import cache

import numpy as np
import pytest
import trimesh

from direction_trials import Drawn, draw
from veneercheck.check import Surfaces, check
from veneercheck.core.divide.anatomy import Places, place, question
from veneercheck.core.divide.anatomy.arch import Cloud, find_axis
from veneercheck.core.divide.anatomy.occlusal import occlusal_of
from veneercheck.core.divide.anatomy.plinth import upright
from veneercheck.core.divide.anatomy.sides import SAID, STATED, Judged, Shown, of_bridge
from veneercheck.core.divide.anatomy.teeth import split
from veneercheck.core.mesh.motion import rotation_from_vector
from veneercheck.core.mesh.triangles import (
    corner_cross,
    sum_at_vertices,
    vertex_areas,
    vertex_normals,
)
from veneercheck.core.types import Case, TriangleMesh
from veneercheck.phantom.bodies import concentric_spheres
from veneercheck.profile import built_in

TRIALS = 120


@cache
def drawn() -> tuple[tuple[Drawn, Places], ...]:
    found = (draw(np.random.default_rng([5, number])) for number in range(TRIALS))
    return tuple((one, one.placed()) for one in found)


def test_directions_are_right_where_they_are_stated() -> None:
    """Expected: the generator's own directions, in 98 of 100; and not silence."""
    stated = [(one, told) for one, told in drawn() if told.sides_known]
    right = [float(told.buccal @ one.buccal) > 0 for one, told in stated]
    assert len(stated) > 0.4 * TRIALS
    assert np.mean(right) >= 0.98
    assert all(told.certainty >= STATED for _, told in stated)


@pytest.mark.parametrize("number", [10, 20, 44, 87])
def test_the_row_of_other_teeth_tells_the_inner_side(number: int) -> None:
    """Expected: the generator's direction; without their neighbours these four are asked about."""
    one = draw(np.random.default_rng([7, number]), beside=True)
    told = one.placed()
    assert told.sides_known and float(told.buccal @ one.buccal) > 0


def test_occlusal_is_found_on_closed_and_on_open_scans() -> None:
    """Expected: the generator's +z, turned with the scan; 25° apart no face is confused."""
    off = [float(told.occlusal @ one.occlusal) for one, told in drawn()]
    assert min(off) > math.cos(math.radians(30.0))


def revolved(*line: tuple[float, float]) -> TriangleMesh:
    """A closed body about the z axis, through radii and heights, edges of some 0.3 mm."""
    corners = np.array(line)
    long = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(corners, axis=0), axis=1))])
    at = np.union1d(np.linspace(0.0, long[-1], math.ceil(long[-1] / 0.3)), long)
    fine = np.stack([np.interp(at, long, column) for column in corners.T], axis=1)
    found = trimesh.creation.revolve(fine, sections=90)
    return TriangleMesh(found.vertices, found.faces)


def arc(radius_mm: float, middle_mm: float, start: float, end: float) -> list[tuple[float, float]]:
    way = np.radians(np.linspace(start, end, 24))
    return [(radius_mm * np.cos(t), middle_mm + radius_mm * np.sin(t)) for t in way]


DOME = [*arc(4.5, 0.0, 0.0, 89.0), (0.0, 4.5)]
FLAT_TOP = [(4.5, 0.0), (4.0, 3.0), (0.0, 3.0)]
PLANE, CONE, ROUND = (
    [(0.0, -3.0), (4.5, -3.0)],
    [(0.0, -2.4), (4.5, -3.0)],
    arc(4.5, 0.0, -89.0, 0.0),
)
LONG = [(0.0, -20.0), (4.5, -20.0)]


@pytest.mark.parametrize(
    ("line", "cut", "shown"),
    [
        ([*PLANE, *DOME], None, True),
        ([*CONE, *DOME], None, True),
        ([(0.0, -4.5), *ROUND, *DOME], None, False),
        ([*PLANE, *FLAT_TOP], None, False),
        ([*PLANE, *FLAT_TOP], (2.9, 3.1), True),
        ([*PLANE, *FLAT_TOP], (0.3, 1.8), True),
        ([*PLANE, *DOME], (-2.9, -1.0), False),
        ([*LONG, *DOME], None, False),
    ],
    ids=[
        "plane",
        "cone",
        "round",
        "both ends",
        "one cut",
        "one beside the cut",
        "at a cut",
        "long",
    ],
)
def test_a_crown_closed_at_its_margin_shows_occlusal_by_its_flat_end(
    line: list[tuple[float, float]], cut: tuple[float, float] | None, shown: bool
) -> None:
    """Source: bodies of revolution about z, turned. A plane that was cut says nothing, nor one
    that faces as the veneer does, nor one with a cut all round, nor the end of a long body."""
    body = revolved(*line)
    turn = rotation_from_vector(np.array([0.7, -1.9, 0.4]))
    turned = TriangleMesh(body.points_mm @ turn.T, body.faces)
    height, (low, high) = body.points_mm[:, 2], cut or (9.0, 9.0)
    told = place(
        turned,
        Case(units=(36,)),
        area_mm2=vertex_areas(turned),
        bridge=None,
        veneered=(height > low) & (height < high),
    )
    assert bool(np.isfinite(told.occlusal).all()) is shown
    if shown:
        assert told.occlusal @ turn[:, 2] > math.cos(math.radians(2.0))
        assert "from its flat ends" in told.words[0]


@pytest.mark.parametrize(("beside_mm", "shown"), [(0.0, True), (60.0, False)])
def test_a_flat_end_that_is_little_of_a_bridge_shows_nothing(beside_mm: float, shown: bool) -> None:
    """Source: drawn; a crown that ends in a plane, alone and beside a round body ten times as
    large, of which nothing ends flat."""
    crown = revolved(*PLANE, *DOME)
    parts = [crown]
    if beside_mm:
        ball = trimesh.creation.icosphere(5, 13.0)
        parts.append(TriangleMesh(ball.vertices + [beside_mm, 0.0, 0.0], ball.faces))
    points = np.concatenate([part.points_mm for part in parts])
    faces = np.concatenate(
        [parts[0].faces, *(part.faces + len(crown.points_mm) for part in parts[1:])]
    )
    mesh = TriangleMesh(points, faces)
    area = vertex_areas(mesh)
    told = place(
        mesh, Case(units=(36,)), area_mm2=area, bridge=area > 0, veneered=np.zeros(len(area), bool)
    )
    assert bool(np.isfinite(told.occlusal).all()) is shown


@pytest.mark.parametrize(
    ("opened", "known", "shown"),
    [("below", 1, True), ("aside", 1, False), ("", 1, False), ("below", 0, False)],
)
def test_a_shallow_hollow_needs_a_wax_up_that_is_open_to_the_same_side(
    opened: str, known: int, shown: bool
) -> None:
    """Source: area vectors of a hollow and of an open surface sum up to those of their openings
    (Gauss): here a tube of which 7 % is its end, and half a ball."""
    turn = np.linspace(0.0, 2.0 * np.pi, 400, endpoint=False)
    wall = np.stack([np.cos(turn), np.sin(turn), 0.0 * turn], axis=1)
    end = np.tile([0.0, 0.0, 1.0], (30, 1))
    inward = np.concatenate([-wall, -end, end])  # what lies outside closes it
    every = np.ones(len(inward), dtype=bool)
    hollow = np.arange(len(inward)) < known * (len(wall) + len(end))
    cloud = Cloud(0.0 * inward, inward, every.astype(float), hollow, ~every, every)
    ball = trimesh.creation.icosphere(3, 5.0)
    middle = ball.triangles_center
    kept = {"below": middle[:, 2] > 0, "aside": middle[:, 1] > 0, "": middle[:, 2] > -9.0}[opened]
    found, how = occlusal_of(
        cloud,
        TriangleMesh(cloud.points_mm, np.zeros((0, 3), dtype=np.int64)),
        inward,
        ~every,
        TriangleMesh(ball.vertices, ball.faces[kept]),
    )
    assert (found is not None) is shown
    if found is not None:
        assert found == pytest.approx([0.0, 0.0, 1.0], abs=1e-6) and "wax-up is open" in how


@pytest.mark.parametrize(
    ("share", "veneered", "shown"), [(0.08, 1.0, True), (0.03, 1.0, False), (0.08, -1.0, False)]
)
def test_an_opening_tells_occlusal_where_it_is_large_and_no_veneer_is_there(
    share: float, veneered: float, shown: bool
) -> None:
    """Source: a ball without a cap of half angle α lacks π sin²α of area vectors (Gauss), a share
    of sin²α / (2 + 2 cos α) of what is left; veneered where z, times a sign, is above 0.3."""
    count = 20_000
    z = np.linspace(1.0, -1.0, count)
    turn = np.arange(count) * math.pi * (3.0 - math.sqrt(5.0))
    aside = np.sqrt(1.0 - z**2)
    ball = np.stack([aside * np.cos(turn), aside * np.sin(turn), z], axis=1)
    cosine = 1.0 - 2.0 * share  # sin²α / (2 + 2 cos α) = (1 − cos α) / 2
    ball = ball[ball[:, 2] > -cosine]
    every = np.ones(len(ball), dtype=bool)
    cloud = Cloud(ball, ball, every * 1.0, ~every, veneered * ball[:, 2] > 0.3, every)
    body = TriangleMesh(ball, np.zeros((0, 3), dtype=np.int64))
    found, _ = occlusal_of(cloud, body, ball, ~every, None)
    assert (found is not None) is shown
    if found is not None:
        assert found[2] > math.cos(math.radians(2.0))


@pytest.mark.parametrize(
    ("draft_deg", "around", "level"), [(0.0, True, True), (5.0, True, True), (0.0, False, False)]
)
def test_a_plinth_scanned_half_stands_on_its_walls(
    draft_deg: float, around: bool, level: bool
) -> None:
    """Source: a block of 40 by 24 by 12 mm without its floor and most of its back wall: by Gauss
    what is open leans back by atan(9 · 40 / (24 · 40)) = 21°; its walls stand upright, or lean in
    alike. Without its ends the walls leave a turn about their line, and nothing else does."""
    block = trimesh.creation.box((40.0, 24.0, 12.0)).subdivide_to_size(1.0)
    points, middle = np.array(block.vertices), block.triangles_center
    wall = np.isclose(np.abs(points[:, :2]), [20.0, 12.0])
    lean = (6.0 - points[:, 2]) * math.tan(math.radians(draft_deg))
    points[:, :2] += np.where(wall, np.sign(points[:, :2]) * lean[:, None], 0.0)
    kept = (middle[:, 2] > -5.9) & ((middle[:, 1] > -11.9) | (middle[:, 2] > 3.0))
    kept &= around | (np.abs(middle[:, 0]) < 19.9)
    mesh = TriangleMesh(points, np.asarray(block.faces)[kept])
    normals, none = vertex_normals(mesh), np.zeros(len(points), dtype=bool)
    cross = sum_at_vertices(mesh, corner_cross(mesh)) / 6.0
    area = np.linalg.norm(cross, axis=1)
    own = cross / np.maximum(area, 1e-12)[:, None]
    found, how = occlusal_of(Cloud(points, own, area, none, none, ~none), mesh, normals, none, None)
    assert found is not None and ("plinth" in how) is level
    off = math.degrees(math.acos(min(found[2], 1.0)))
    assert off < 1.0 + draft_deg if level else off > 15.0


@pytest.mark.parametrize("lean_deg", [15.0, 35.0])
def test_a_flat_cut_and_two_flat_ends_are_no_plinth(lean_deg: float) -> None:
    """Source: construction. An open block of 30 by 8 by 8 mm whose front leans, cut flat: to front
    and ends something is square as well; by Gauss the opening is what tells."""
    block = trimesh.creation.box((30.0, 8.0, 8.0)).subdivide_to_size(0.7)
    points, middle = np.array(block.vertices), block.triangles_center
    front = np.isclose(points[:, 1], -4.0)
    points[front, 1] += (4.0 - points[front, 2]) * -math.tan(math.radians(lean_deg))
    points[:, 2] += np.where(points[:, 1] > 3.9, 0.2 * np.sin(points[:, 0]), 0.0)
    back = points[:, 1] > 3.9
    points[back, 1] += 2.0 * np.sin(points[back, 2]) * np.cos(0.7 * points[back, 0])
    mesh = TriangleMesh(points, np.asarray(block.faces)[middle[:, 2] > -3.9])
    way, none = np.array([0.0, 0.0, 1.0]), np.zeros(len(points), dtype=bool)
    normals, area = vertex_normals(mesh), vertex_areas(mesh)
    assert upright(normals, area * ~front, way) is None
    assert upright(normals, area, way) is None
    assert upright(normals, area * none, way) is None


def test_what_does_not_show_is_asked_and_a_case_answers_it() -> None:
    """Expected: a question with a place on side A; with the direction said, none and the truth."""
    asked = [(one, told) for one, told in drawn() if not told.sides_known][:8]
    for one, told in asked:
        found = question(told, one.mesh, vertex_areas(one.mesh))
        assert len(found) == 1 and found[0].kind == "directions"
        assert found[0].centre_mm is not None
        middle = one.mesh.points_mm[told.unit > 0].mean(axis=0)
        assert (np.array(found[0].centre_mm) - middle) @ told.buccal > 0
    one, _ = asked[0]
    axis = int(np.abs(one.buccal).argmax())
    said = f"{'+' if one.buccal[axis] > 0 else '-'}{'xyz'[axis]}"
    told = one.placed(dataclasses.replace(one.case, buccal=said))
    assert told.sides_known and told.buccal @ one.buccal > 0
    assert question(told, one.mesh, vertex_areas(one.mesh)) == ()


@pytest.mark.parametrize(
    ("units", "name"),
    [((46,), "46, "), ((35,), ""), ((11,), "11, "), ((45, 46), "")],
)
def test_where_occlusal_does_not_show_the_only_unit_is_named_all_the_same(
    units: tuple[int, ...], name: str
) -> None:
    """Source: a ball of 12 mm in a ball, 0.8 mm of space and no way up; 46 is usually 11 mm wide,
    11 8.5 mm and 35 7 mm, and what is longer by more than half may hold another unit."""
    body = concentric_spheres(0.6, inner_mm=6.0, outer_mm=6.8)
    surfaces = Surfaces(body.inner, body.outer)
    found = check(surfaces, case=Case(units=units), limits=built_in(), aligned=True)
    (zone,) = found.zones
    assert zone.tooth == (name.rstrip(", ") or None) and zone.place.startswith(f"{name}facing ")
    assert [one.tooth for one in found.structure.material] == [name.rstrip(", ")]


def test_the_only_unit_is_named_on_and_beside_what_was_cut_alone() -> None:
    """By hand: a ball of 5 mm, cut over z > 3 mm; 3 mm beside that goes on to 2.9 mm under its rim,
    along a chord."""
    ball = concentric_spheres(0.6, inner_mm=5.0, outer_mm=6.0).inner
    z = ball.points_mm[:, 2]
    told = place(
        ball, Case(units=(46,)), area_mm2=vertex_areas(ball), bridge=None, veneered=z > 3.0
    )
    assert (told.tooth[z > 0.8] == 46).all() and not told.tooth[z < -0.2].any()


@pytest.mark.parametrize(("odds", "stated"), [(3.0, False), (-3.0, False), (4.5, True)])
def test_odds_as_a_probability(odds: float, stated: bool) -> None:
    """Expected: the logistic function; 0.985 lies at odds of ln(0.985 / 0.015) = 4.18."""
    assert Judged(odds, 0.0).stated is stated
    assert Judged(odds, 0.0).certainty == pytest.approx(1 / (1 + math.exp(-abs(odds))))
    assert SAID.stated and SAID.certainty == 1.0


def test_a_lingual_veneer_that_is_named_as_such_is_believed() -> None:
    """Expected: the generator's directions; the same cut, unnamed, must not turn them round."""
    lingual = [one for one, _ in drawn() if one.cut == "lingual" and len(one.case.units) > 1][:4]
    for one in lingual:
        named = one.placed(dataclasses.replace(one.case, veneered=("lingual",)))
        assert named.buccal @ one.buccal > 0
        unnamed = one.placed(Case(units=one.case.units, pontics=one.case.pontics))
        assert not unnamed.sides_known or unnamed.buccal @ one.buccal > 0


@pytest.mark.parametrize(
    ("aside_mm", "several", "stated"), [(3.5, False, False), (3.5, True, True)]
)
def test_one_crooked_neighbour_turns_no_side_round(
    aside_mm: float, several: bool, stated: bool
) -> None:
    """Source: construction. A straight bridge of three squares of 8 mm; beside it two squares, or
    six in a row, off its line."""
    grid = np.stack(np.meshgrid(*[np.linspace(-4.0, 4.0, 17)] * 2), axis=-1).reshape(-1, 2)
    row = np.concatenate([grid + [8.0 * k, 0.0] for k in range(3)])
    beside = np.concatenate([grid + [8.0 * k, aside_mm] for k in range(3, 9 if several else 5)])

    def cloud(flat: np.ndarray) -> Cloud:
        none = np.zeros(len(flat), dtype=bool)
        points = np.column_stack([flat, -(np.arange(len(flat)) % 2.0)])
        return Cloud(
            points, np.tile([0.0, 0.0, 1.0], (len(flat), 1)), none + 1.0, none, none, ~none
        )

    axis = find_axis(row, np.eye(3), 3)
    named = (44, 45, 46)
    one, other = (
        split(way, named, way.locate(cloud(row).points_mm)) for way in (axis, axis.reversed())
    )
    shown = Shown(cloud(row), cloud(beside), cloud(row[:0]))
    assert of_bridge(one, other, shown, Case(units=named)).stated is stated
