"""Buccal is stated only where it shows: the short form of the long trials in `benchmarks`."""

from __future__ import annotations

import dataclasses
import math
from functools import cache

import numpy as np
import pytest

from direction_trials import Drawn, draw
from veneercheck.core.divide.anatomy import Places, question
from veneercheck.core.divide.anatomy.sides import SAID, STATED, Judged
from veneercheck.core.mesh.triangles import vertex_areas
from veneercheck.core.types import Case

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


def test_occlusal_is_found_on_closed_and_on_open_scans() -> None:
    """Expected: the generator's +z, turned with the scan; 25° apart no face is confused."""
    off = [float(told.occlusal @ one.occlusal) for one, told in drawn()]
    assert min(off) > math.cos(math.radians(30.0))


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
