"""One size explains what parts, seating and finishing would else be told for."""

from __future__ import annotations

import dataclasses
from types import SimpleNamespace

import numpy as np
import pytest

import align_bodies as bodies
from core.test_align_trust import _changed, _raised
from veneercheck.core.align import AlignOptions, align, examine, finishing, fit, given, taken, words
from veneercheck.core.align.alignment import changed
from veneercheck.core.align.pattern import Pattern
from veneercheck.core.align.seating import Seating
from veneercheck.core.mesh.triangles import vertex_normals
from veneercheck.core.types import (
    CAST,
    DENTINE,
    FINISHED,
    OPAQUED,
    WAX,
    Alignment,
    AlignmentState,
    Floats,
    TriangleMesh,
)
from veneercheck.report.verdict import state_first
from veneercheck.report.words import Words


def shrunk(points: Floats) -> Floats:
    return -0.003 * points


def codes(found: Alignment) -> list[str]:
    return [reason.code for reason in found.reasons]


def laid(beam: TriangleMesh, change) -> Alignment:
    """The body changed and cut, in the frame that it was made in."""
    framework, away = _changed(beam, change)
    back = TriangleMesh(away.inverse().apply(framework.points_mm), framework.faces)
    return examine(back, beam)


def test_a_cast_that_shrank_is_told_to_be_smaller_and_nothing_else(beam) -> None:
    """Source: 0.45 % smaller, 30 mm long: its ends lie 60 µm off, as a part would, and fits without
    one part or the other part by more than is trusted."""
    framework, _ = _changed(beam, lambda points: -0.0045 * points)
    found = align(framework, beam)
    assert codes(found) == ["another_size_is_smaller"]
    said = found.reasons[0].values
    assert said["percent"] == pytest.approx(0.45, abs=said["sure"]) and said["sure"] < 0.1
    half_mm = np.linalg.norm(beam.points_mm, axis=1).max()
    assert said["ends"] == pytest.approx(4.5 * half_mm, rel=0.15)
    assert found.evidence.part_mm < 0.02


@pytest.mark.usefixtures("from_here")
def test_a_size_too_small_to_be_told_is_stated_with_the_pose(beam) -> None:
    """Source: 0.15 % smaller, 31 mm long: trusted, and a corner lies 41 µm off, within k = 2."""
    off_mm, u_mm = off_and_stated(beam, lambda points: -0.0015 * points)
    assert 0.035 < off_mm < 2.0 * u_mm < 0.06


@pytest.mark.usefixtures("from_here")
def test_two_views_fused_askew_are_stated_with_the_pose(beam) -> None:
    """Source: one half lies 50 µm aside, over 3 mm: trusted, and something lies 20 µm
    off."""

    def aside(points: Floats) -> Floats:
        return np.outer(0.5 + 0.5 * np.tanh(points[:, 0] / 1.5), [0.0, 0.05, 0.0])

    off_mm, u_mm = off_and_stated(beam, aside)
    assert 0.019 < off_mm < 2.0 * u_mm < 0.04


def off_and_stated(beam, change) -> tuple[float, float]:
    framework, away = _changed(beam, change)
    found = align(framework, beam)
    assert found.state is AlignmentState.TRUSTED and not found.reasons
    scanned = away.apply(beam.points_mm + change(beam.points_mm))
    off = found.waxup_from_framework.apply(scanned) - beam.points_mm
    return float(np.linalg.norm(off, axis=1).max()), found.u_max_mm


@pytest.mark.parametrize("also", ["part_off", "bowed"])
def test_what_remains_beside_a_size_is_told_with_it(beam, also) -> None:
    """Source: 0.3 % smaller, and the middle moved by 0.2 mm askew, or bent by 0.1 mm."""

    def change(points: Floats) -> Floats:
        if also == "part_off":
            return shrunk(points) + _raised(points, -4.5, 4.5, 0.2 * np.array([0.0, 0.6, -0.8]))
        return shrunk(points) + np.outer(0.1 * (1 - (points[:, 0] / 14.0) ** 2), [0.0, 0.0, 1.0])

    assert codes(laid(beam, change))[-2:] == ["another_size_is_smaller", also]


def test_an_end_that_lies_off_is_a_part_and_no_size(beam) -> None:
    """Source: one third lies 0.06 mm nearer to the rest; a body 0.3 % smaller would look alike, but
    without that third it would still be smaller."""
    found = laid(beam, lambda points: _raised(points, 4.5, 99.0, [-0.06, 0.0, 0.0]))
    assert "part_off" in codes(found) and not any(words.SIZE in code for code in codes(found))


@pytest.mark.parametrize(
    ("size", "seating_mm", "told"),
    [
        (0.0, 0.05, ["not_seated"]),
        (0.003, 0.05, ["another_size_is_smaller"]),
        (0.003, 0.09, ["another_size_is_smaller", "not_seated"]),
        (0.0018, 0.0, []),
        (0.0022, 0.0, ["another_size_is_smaller"]),
    ],
)
@pytest.mark.parametrize("radius_mm", [15.0])
def test_a_seating_that_a_size_explains_is_not_told(size, seating_mm, told, radius_mm) -> None:
    """Source: by hand; the ends lie 45 µm off, and 30 µm beyond that are told."""
    assert said(size, seating_mm, radius_mm) == told


def test_a_size_below_two_thousandths_is_told_where_it_moves_the_ends_of_a_long_work() -> None:
    """Source: by hand; 0.12 % of 30 mm are 36 µm, more than 30."""
    assert said(0.0012, 0.0, 30.0) == ["another_size_is_smaller"]


def said(size, seating_mm, radius_mm):
    done = SimpleNamespace(
        last=SimpleNamespace(seen=SimpleNamespace(facets_mm=0.0)),
        body=SimpleNamespace(radius_mm=radius_mm),
        sure=SimpleNamespace(u_max_mm=0.001),
    )
    left, seat = Pattern(scale=1.0 - size, scale_u=0.0002), Seating(seating_mm, 0.001)
    found = changed(done, seat, left, SimpleNamespace(halves_mm=0.0), AlignOptions())
    return [reason.code for reason in found]


@pytest.mark.parametrize("taken_mm", [0.0, 0.06])
def test_a_size_is_no_finishing(taken_mm) -> None:
    """Source: 0.3 % smaller, and so much taken off everywhere; alone that had read 0.02 mm more."""
    body = bodies.make_body(bodies.BodySpec(3, underside=True, cut_from=-1.5))
    points = body.framework.points_mm - taken_mm * vertex_normals(body.framework)
    middle = points.mean(axis=0)
    cast = TriangleMesh(middle + 0.997 * (points - middle), body.framework.faces)
    both = fit.prepared(cast, body.waxup, AlignOptions(), None)
    found = taken.taken_off(*both, body.waxup_from_framework)
    assert found.as_it_was is None and np.isnan(found.other_mm)
    assert found.mm == pytest.approx(taken_mm, abs=0.004)


def test_of_what_was_cast_it_is_said_that_metal_shrinks_and_no_one_is_sent_to_seat_it() -> None:
    """Source: words alone; more than 0.5 % is no cooling, and larger none."""
    small, much, large = (words.another_size(by, 0.0002, 0.03) for by in (0.998, 0.99, 1.002))
    found = SimpleNamespace(reasons=(small, much, large))
    metal, *others = map(words.as_metal, found.reasons)
    assert metal.code == "another_size_of_metal" and metal.values == small.values
    assert others == [much, large]
    for reason, key in ((metal, "sized"), (small, "sized"), (words.bowed(0.1), "doubtful")):
        coded = [{"code": one.code, "values": dict(one.values)} for one in (reason, metal)]
        filed = {"state": "doubtful", "reasons": [""] * 2, "coded": coded}
        assert state_first({"alignment": filed}, Words("en"))[0] == Words("en")(f"verdict.{key}")


@pytest.mark.parametrize(
    ("stage", "code"),
    [
        (WAX, "another_size_is_smaller"),
        *((stage, "another_size_of_metal") for stage in (CAST, OPAQUED, DENTINE, FINISHED)),
    ],
)
def test_after_the_wax_it_is_a_casting_that_shrank(beam, stage, code) -> None:
    """Source: words alone; what was left uncut is metal at every stage but the first."""
    small = words.another_size(0.998, 0.0002, 0.03)
    told = dataclasses.replace(given(beam, beam), reasons=(small,))
    assert codes(finishing.of_metal(told, stage)) == [code]
