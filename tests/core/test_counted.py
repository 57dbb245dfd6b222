"""Units that the case names against the crowns that a scan shows, on rows of rounded crowns."""

from __future__ import annotations

import numpy as np
import pytest

from veneercheck.core.divide.anatomy import UNITS, arch, bridge, place, question
from veneercheck.core.divide.anatomy.codes import usual_width_mm
from veneercheck.core.divide.anatomy.counted import FEWER, MORE, otherwise
from veneercheck.core.judge.meant import UNFINISHED
from veneercheck.core.types import Case, Floats, TriangleMesh
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
    index = np.arange(count).reshape(-1, 31)
    a, b, c, d = (part.ravel() for part in (index[:-1, :-1], index[1:, :-1], index[1:, 1:],
                                            index[:-1, 1:]))  # fmt: skip
    faces = np.concatenate([np.stack([a, b, c], axis=1), np.stack([a, c, d], axis=1)])
    return TriangleMesh(cloud.points_mm[:count], faces)


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
    assert bridge.counted.otherwise(row(5.0, depth_mm=6.0), UP, (41, 31)) == FEWER
