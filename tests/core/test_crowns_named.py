"""Units that the case names against the crowns that a scan shows, and the row of a single one."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from direction_trials import draw
from phantom.sheets import over_grid
from veneercheck.core.divide.anatomy import arch, place, question
from veneercheck.core.divide.anatomy.codes import usual_width_mm
from veneercheck.core.divide.anatomy.crowns import FEWER, MORE, otherwise
from veneercheck.core.divide.anatomy.neighbours import row_through
from veneercheck.core.divide.anatomy.sides import Judged, Shown, in_row
from veneercheck.core.divide.anatomy.teeth import split
from veneercheck.core.judge.meant import UNFINISHED
from veneercheck.core.types import UNITS, Bools, Case, Floats, TriangleMesh
from veneercheck.report.asked import question_words
from veneercheck.report.words import Words

UP = np.eye(3)
STEP_MM = 0.3


def row(
    *widths_mm: float, waist: float = 0.45, depth_mm: float = 9.0, metal: tuple[int, ...] = ()
) -> arch.Cloud:
    """Tops and outline of crowns side by side, rounded, between them a waist of so much of
    their depth; units of that number are not cut."""
    borders = np.append(0.0, np.cumsum(widths_mm))
    along = np.arange(0.5 * STEP_MM, borders[-1], STEP_MM)
    unit = np.searchsorted(borders, along) - 1
    share = 2.0 * (along - borders[unit]) / np.array(widths_mm)[unit] - 1.0
    outer = (unit == 0) & (share < 0) | (unit == len(widths_mm) - 1) & (share > 0)
    half = 0.5 * depth_mm * (1.0 - share**4 * (1.0 - np.where(outer, 0.1, waist)))
    across = np.linspace(-1.0, 1.0, 31)
    x = np.repeat(along, len(across))
    y = (half[:, None] * across).ravel()
    top = 4.0 - 2.0 * np.repeat(share**2, len(across))
    points = np.concatenate([np.stack([x, y, z], axis=1) for z in (top, top - 2.0)])
    cut = ~np.isin(np.tile(np.repeat(unit, len(across)), 2), metal)
    every = np.ones(len(points), dtype=bool)
    ones = np.full(len(points), STEP_MM**2)
    return arch.Cloud(points, np.tile([0.0, 0.0, 1.0], (len(points), 1)), ones, ~every, cut, every)


def usual(*codes: int, share: float = 1.0) -> tuple[float, ...]:
    return tuple(share * usual_width_mm(code) for code in codes)


def asked(cloud: arch.Cloud, *named: int) -> str:
    return otherwise(cloud, UP, named)


def test_units_that_are_not_those_that_show_are_asked_about() -> None:
    """Source: the rows' own crowns, of the usual widths of other units than are named."""
    assert asked(row(*usual(25, 26)), 24, 25, 26) == FEWER
    assert asked(row(*usual(36)), 36, 35) == FEWER
    assert asked(row(*usual(24, 25, 26)), 25, 26) == MORE
    assert asked(row(*usual(25, 26)), 26) == MORE
    assert asked(row(*usual(25, 26, 27)), 25, 26) == MORE
    # So short that fissures, as deep as necks, make no third crown of them.
    fissured = row(7.0, 4.5, 4.5)
    assert asked(fissured, 24, 25, 26) == FEWER


@pytest.mark.parametrize("share", [0.85, 1.0, 1.15])
@pytest.mark.parametrize("units", [(26,), (41,), (14,), (25, 26), (35, 36, 37), (12, 11, 21, 22)])
def test_teeth_of_any_usual_size_keep_their_names(units: tuple[int, ...], share: float) -> None:
    """Source: widths as people have them; a crown may be deeper than wide."""
    assert asked(row(*usual(*units, share=share)), *units) == ""


def test_what_closes_or_opens_a_gap_keeps_its_name() -> None:
    """Source: a molar's gap closed to a premolar's, alone and as a cantilever among small teeth; a
    wide one; a unit that is metal throughout; a waist hardly narrower than the crowns."""
    assert asked(row(6.3, 6.3, 9.5), 35, 36, 37) == ""
    assert asked(row(6.0, 5.5, waist=0.55), 35, 36) == ""
    assert asked(row(7.0, 14.0, 10.5), 35, 36, 37) == ""
    assert asked(row(*usual(24, 25, 26), metal=(0,)), 24, 25, 26) == ""
    assert asked(row(*usual(25, 26), waist=0.95), 25, 26) == ""
    # Wider by two thirds, but one crown: nothing parts it.
    assert asked(row(16.7), 26) == ""
    # An upper premolar is half as deep again as wide, with a fissure along its middle.
    assert asked(row(5.3, 5.3), 14) == ""
    assert asked(row(4.4, 4.4, depth_mm=5.0), 41) == ""
    # A large molar with such a fissure.
    assert asked(row(7.7, 5.7, 5.7), 25, 26) == ""


def test_uncut_neighbours_are_not_counted() -> None:
    """Source: a row of four of which the middle two were cut and are named."""
    assert asked(row(*usual(27, 26, 25, 24), metal=(0, 3)), 26, 25) == ""


def grid(cloud: arch.Cloud) -> TriangleMesh:
    """The upper one of a row's two sheets as a mesh."""
    count = len(cloud.points_mm) // 2
    return over_grid(cloud.points_mm[:count].reshape(-1, 31, 3))


def test_where_units_do_not_fit_no_tooth_is_told_and_it_is_asked() -> None:
    """Source: two crowns named as three; without the row of the case they have no names, and
    pointed at one by one they are the technician's to say."""
    mesh = grid(row(*usual(25, 26)))
    count = len(mesh.points_mm)
    area, every = np.full(count, 0.09), np.ones(count, dtype=bool)

    def placed(case: Case):
        return place(mesh, case, area_mm2=area, bridge=every, veneered=every)

    case = Case(units=(24, 25, 26), occlusal="+z", buccal="+y")
    where = placed(case)
    assert not where.tooth.any() and where.teeth is not None and not len(where.teeth.cuts_mm)
    (one,) = question(where, mesh, area)
    assert (one.kind, one.words) == (UNITS, FEWER) and UNITS in UNFINISHED
    for words, language in (("fewer crowns than the case names", "en"), ("weniger Kronen", "de")):
        said = {"words": one.words, "place": "", "area_mm2": None, "centre_mm": None}
        assert words in question_words(said, Words(language))
    said = {"words": MORE, "place": "", "area_mm2": None, "centre_mm": None}
    assert "mehr Kronen" in question_words(said, Words("de"))
    right = placed(Case(units=(25, 26), occlusal="+z", buccal="+y"))
    assert {*right.tooth.tolist()} == {25, 26} and not question(right, mesh, area)
    points = {24: (2.0, 0.0, 4.0), 25: (6.0, 0.0, 4.0), 26: (12.0, 0.0, 4.0)}
    pointed = placed(Case(units=(24, 25, 26), occlusal="+z", buccal="+y", tooth_points_mm=points))
    assert {*pointed.tooth.tolist()} == {24, 25, 26}


def test_an_outline_shorter_than_two_rounded_ends_has_an_axis() -> None:
    """Source: an outline of a lower incisor, 5 × 3 mm: its axis lies along it."""
    flat: Floats = row(5.0, depth_mm=3.0).points_mm[:, :2]
    axis = arch.find_axis(flat, UP, 2)
    assert abs(axis.tangents[len(axis.tangents) // 2][0]) > 0.99
    assert axis.ends_mm[1] - axis.ends_mm[0] == pytest.approx(5.5, abs=0.7)
    assert otherwise(row(5.0, depth_mm=6.0), UP, (41, 31)) == FEWER


def of_a_row(middle: Floats, deg: float, *, cut: float) -> arch.Cloud:
    """A crown of 8 × 9 mm, turned so far out of the row; of a neighbour so much as is shown, from
    the side of −x."""
    crown = row(8.0, depth_mm=9.0, metal=() if cut else (0,))
    shown = crown.points_mm[:, 0] <= 8.0 * (cut or 1.0)
    turn = np.radians(deg)
    spin = np.array([[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1]])
    part = crown[shown]
    return dataclasses.replace(part, points_mm=(part.points_mm - [4.0, 0, 0]) @ spin.T + middle)


def off_deg(way: Floats | None, deg: float) -> float:
    """Angle between a direction and one in the plane, whichever way they point."""
    assert way is not None
    cosine = abs(way @ [np.cos(np.radians(deg)), np.sin(np.radians(deg)), 0.0])
    return float(np.degrees(np.arccos(min(cosine, 1.0))))


def test_a_single_crown_stands_in_the_row_of_its_neighbours() -> None:
    """Source: the line through the middles that the neighbours were given, whatever the crown's
    own turn; of less than half a neighbour nothing is read."""
    along = np.array([np.cos(np.radians(30.0)), np.sin(np.radians(30.0)), 0.0])
    crown = of_a_row(np.zeros(3), 75.0, cut=0.0)
    one, other = (of_a_row(sign * 9.0 * along, 30.0, cut=0.0) for sign in (1.0, -1.0))
    for beside in ([one], [other], [one, other]):
        assert off_deg(row_through(crown, joined(*beside), UP), 30.0) < 1.0
    # A second tooth farther on, where the arch bends, turns nothing.
    bent = of_a_row(18.0 * along + [-6.0, 6.0, 0.0], 60.0, cut=0.0)
    assert off_deg(row_through(crown, joined(one, other, bent), UP), 30.0) < 1.0
    # Of two neighbours one stands out of the row by 2 mm: half of that counts.
    out = of_a_row(9.0 * along + 2.0 * np.cross(UP[2], along), 30.0, cut=0.0)
    assert off_deg(row_through(crown, joined(out, other), UP), 30.0) < 7.0
    assert row_through(crown, of_a_row(9.0 * along, 30.0, cut=0.4), UP) is None
    assert row_through(crown, one[:0], UP) is None


def joined(*clouds: arch.Cloud) -> arch.Cloud:
    return arch.Cloud(
        *(np.concatenate([getattr(one, field.name) for one in clouds])
          for field in dataclasses.fields(arch.Cloud))
    )  # fmt: skip


@pytest.mark.parametrize(("number", "far_deg"), [(32, 8.0), (75, 8.0)])
def test_a_single_crowns_buccal_lies_across_its_row(number: int, far_deg: float) -> None:
    """Source: drawn crowns among neighbours on one side or on both, cut on occlusal and one more
    surface: by the walls of the cut buccal lay 78 and 81° off. Which way is not stated wrongly."""
    one = draw(np.random.default_rng([5, number]), beside=True)
    where = one.placed()
    assert abs(where.buccal @ one.buccal) > np.cos(np.radians(far_deg))
    assert not where.sides_known or where.buccal @ one.buccal > 0
    # What the case says of it holds.
    x, y, z = one.buccal.tolist()
    said = one.placed(dataclasses.replace(one.case, buccal=(x, y, z)))
    assert said.buccal @ one.buccal > 0.99


@pytest.mark.parametrize("number", [10, 38, 110])
def test_a_side_of_a_single_crown_in_its_row_is_stated_rightly(number: int) -> None:
    """Source: drawn crowns whose case names the one side that was cut."""
    one = draw(np.random.default_rng([5, number]), beside=True)
    where = one.placed()
    assert where.sides_known and where.buccal @ one.buccal > np.cos(np.radians(10.0))


def test_what_speaks_for_a_side_of_a_single_crown() -> None:
    """Source: the share of the cut put on its sides, and neighbours put to one side of its row."""
    crown = row(8.0)
    left = crown.points_mm[:, 1] > 0
    crown = dataclasses.replace(crown, normals=np.where(left[:, None], UP[1], -UP[1]))
    buccal = Case(units=(16,), veneered=("buccal",))

    def judged(cut: Bools, case: Case, others: arch.Cloud = crown[:0]) -> Judged:
        shown = Shown(dataclasses.replace(crown, veneered=cut), others, crown[:0])
        axis = arch.straight_axis(crown.points_mm[:, :2], UP, UP[0])
        return in_row(split(axis, (16,), axis.locate(crown.points_mm)), shown, case)

    assert judged(left, buccal).stated and judged(left, buccal).odds > 0
    assert judged(~left, buccal).stated and judged(~left, buccal).odds < 0
    assert not judged(left, Case(units=(16,))).stated
    # What runs down the other side of a front tooth is no more than a third of its cut.
    third = left | (np.arange(len(left)) % 2 == 0)
    assert 0.25 < judged(third, buccal).one_sided < 0.4 and not judged(third, buccal).stated
    inner = joined(*(
        dataclasses.replace(crown, points_mm=crown.points_mm + [way * 9.0, -3.0, 0.0])
        for way in (1.0, -1.0)
    ))  # fmt: skip
    everywhere = np.ones(len(left), dtype=bool)
    assert judged(everywhere, buccal, inner).odds > 3.0
