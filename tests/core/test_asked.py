"""What was left standing may be a connector, and a bump at a rim a bead: asked, never firm."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from phantom.sheets import height_field
from veneercheck.check import Surfaces, check
from veneercheck.core.divide.zones import Patch
from veneercheck.core.judge import asked, decide, knife
from veneercheck.core.measure import beads
from veneercheck.core.types import Case, Decision, FindingKind, TriangleMesh, Zone
from veneercheck.profile import built_in
from veneercheck.report.words import Words
from veneercheck.report.zone_words import action_words

STEPS, FULL_MM, CASE = 61, 1.5, Case()


def plate(depth, wide_mm: float = 12.0) -> TriangleMesh:
    """A square plate, a depth under the xy plane; normals up."""
    return height_field(lambda x, y: -depth(x, y), np.linspace(0.0, wide_mm, STEPS))


def with_a_top(
    top_mm: float,
    *,
    radius_mm: float = 0.21,
    from_line_mm: float = 0.8,
    flank_mm: float = 0.8,
    wide_mm: float = 12.0,
    stop_mm: float = 0.0,
    case: Case = CASE,
) -> tuple[Zone, ...]:
    """Zones of a cut plate with a cone beside its finish line, so deep at its top; and with a metal
    stop of such a radius beyond it."""

    def depth(x, y):
        middle = wide_mm / 3 + from_line_mm, wide_mm / 2
        away = np.hypot(x - middle[0], y - middle[1]) - radius_mm
        full = FULL_MM * np.clip((x - wide_mm / 3) / 0.1, 0.0, 1.0)
        full = np.minimum(full, top_mm + (FULL_MM - top_mm) * np.clip(away / flank_mm, 0.0, 1.0))
        beyond = np.hypot(x - middle[0] - radius_mm - stop_mm - 0.5, y - middle[1]) - stop_mm
        return np.minimum(full, FULL_MM * np.clip(beyond / 0.2, 0.0, 1.0)) if stop_mm else full

    surfaces = Surfaces(plate(depth, wide_mm), plate(lambda x, y: 0.0 * x * y, wide_mm))
    return check(surfaces, case=case, limits=built_in(), aligned=True).zones


@pytest.mark.parametrize("stops", ["allowed", "forbidden"])
def test_a_small_top_at_the_contour_beside_the_line_may_be_a_connector(stops: str) -> None:
    """Source: the cone is short of 1.2 mm over more than 1 mm², its top, five vertices of 0.2 mm
    apart, less than an island of 0.25 mm²; a case that allows no stop has connectors yet."""
    (one,) = with_a_top(0.0, case=Case(metal_stops=stops))
    assert (one.finding, one.decision) == (FindingKind.TOO_THIN, Decision.UNDECIDED)
    assert one.action.startswith("left standing: take off ")
    assert one.action.endswith("unless it is a connector, which would lose as much")
    assert one.amount_mm > 0.5
    german = action_words({"action": one.action}, Words("de"))
    assert german.startswith("stehen geblieben: ") and "Verbinder" in german


def test_a_spot_that_was_cut_and_not_deep_enough_is_firm_beside_the_line() -> None:
    """Source: the same cone, its top 0.35 mm deep, was cut; nothing there touches the contour."""
    (one,) = with_a_top(0.35)
    assert one.decision is Decision.FIRM
    assert one.action.startswith("take off ")


def test_the_worst_of_it_may_lie_beside_the_top() -> None:
    """Source: by hand: 0.5 mm from the line 0.75 mm are asked for and 0.3 mm farther all of 1.2, of
    which 0.2 are there, farther from the top than a spot's radius of 0.28 mm."""
    (one,) = with_a_top(0.0, radius_mm=0.07, from_line_mm=0.5, flank_mm=1.6)
    assert one.centre_mm[0] > 4.57 + 0.25
    assert one.decision is Decision.UNDECIDED and one.action.startswith("left standing: ")


@pytest.mark.parametrize(("from_line_mm", "stop_mm"), [(0.8, 0.0), (3.5, 0.8)])
def test_a_top_that_can_be_no_connector_is_firm(from_line_mm: float, stop_mm: float) -> None:
    """Source: a single crown has none; and none rises amid the veneer, far from the finish line,
    though a metal stop stands 0.5 mm beside it."""
    case = Case(units=(46,)) if not stop_mm else CASE
    told = with_a_top(0.0, from_line_mm=from_line_mm, stop_mm=stop_mm, case=case)
    assert told and all(one.decision is Decision.FIRM for one in told)
    assert not any("connector" in one.action for one in told)


def test_one_vertex_at_the_contour_is_noise() -> None:
    """Source: of edges of 0.1 mm one vertex, the only one within 0.05 mm, stands for 0.01 mm²."""
    zones = with_a_top(0.03, radius_mm=0.01, wide_mm=6.0)
    assert any(one.decision is Decision.FIRM for one in zones)
    assert not any("connector" in one.action for one in zones)


def thin(finding: FindingKind = FindingKind.TOO_THIN) -> Patch:
    spot = np.arange(2)
    return Patch(finding, spot, 0.5, np.zeros(3), 0.1, 0.9, 0.04, spot=spot)


@pytest.mark.parametrize(
    ("second", "away_mm", "depth_mm", "may_be"),
    [(2, 0.0, 0.2, True), (1, 0.0, 0.2, False), (0, 0.0, 0.2, False), (2, 2.0, 0.2, False)]
    + [(2, 0.0, 0.4, False)],
)
def test_what_is_hardly_cut_where_two_units_meet_may_be_a_connector(
    second: int, away_mm: float, depth_mm: float, may_be: bool
) -> None:
    """Source: by the rule: less than 0.3 mm is no cut, a connector ends within 1 mm of the seam."""
    points = np.array([[0.0, 0, 0], [0.1, 0, 0], [0.2, 0, 0], [0.3, 0, 0]]) + [away_mm, 0, 0]
    reading = SimpleNamespace(
        edges=np.array([[0, 1], [1, 2], [2, 3]]),
        points_mm=points,
        space=SimpleNamespace(judged_high_mm=np.full(4, depth_mm)),
    )
    nowhere = np.zeros(4, dtype=bool)
    parts = SimpleNamespace(flush=nowhere, left=nowhere)
    owner = np.array([1, 1, second, second])
    (one,) = asked.or_meant([decide.Advised(thin())], parts, reading, owner, Case())
    assert (one.perhaps == decide.CONNECTOR) is may_be
    assert (decide.decision(one) is Decision.UNDECIDED) is may_be
    assert decide.action_words(one).startswith("left standing: " if may_be else "take off ")
    thick = [decide.Advised(thin(FindingKind.TOO_THICK))]
    assert not asked.or_meant(thick, parts, reading, owner, Case())[0].perhaps


@pytest.mark.parametrize(
    ("second", "units", "proud", "stops", "words"),
    [
        (2, (45, 46), False, "allowed", ["connector, or a", "cut: a metal"]),
        (0, (45, 46), False, "allowed", ["cut: a metal", "cut: a metal"]),
        (2, (46,), False, "allowed", ["cut: a metal", "cut: a metal"]),
        (2, (), True, "allowed", ["lowered to it", "lowered to it"]),
        (2, (), False, "forbidden", ["allows no", "allows no"]),
        (2, (), False, "meant", ["as the case says", "as the case says"]),
        (2, (), True, "meant", ["lowered to it", "lowered to it"]),
    ],
)
def test_an_island_where_two_units_meet_may_be_a_connector(
    second: int, units: tuple[int, ...], proud: bool, stops: str, words: list[str]
) -> None:
    """Source: by the rule: islands 0.6 and 1.6 mm from where units meet, a connector ends within
    1 mm of it; of one unit, or of none that is known, there is no connector."""
    points = np.array([[-0.1, 0, 0], [0.1, 0, 0], [0.6, 0, 0], [1.6, 0, 0]])
    edges = np.array([[0, 1], [1, 2], [2, 3]])
    space = SimpleNamespace(area_mm2=np.ones(4))
    reading = SimpleNamespace(edges=edges, points_mm=points, space=space)
    case = Case(units=units, metal_stops=stops)
    parts = SimpleNamespace(islands=(np.array([2]), np.array([3])), proud=np.full(4, proud))
    owner = np.array([1, second, second, second])
    told = asked.islands(parts, reading, owner, case, lambda _: (None, None, "here"))
    for one, part in zip(told, words, strict=True):
        assert part in one.words
        assert one.place == "here"
        assert one.kind == ("meant_stop" if "as the case says" in part else "island")


@pytest.mark.parametrize(
    ("faces", "diameter_mm", "may_be"),
    [([[0, 1, 2]], 1.0, True), ([], 1.0, False), ([[0, 1, 2]], 0.8, False)],
)
def test_a_bump_at_a_rim_amid_beads_may_be_one_of_them(
    faces: list[list[int]], diameter_mm: float, may_be: bool
) -> None:
    """Source: by hand: one triangle is all rim; a bead stands out no farther than it is wide, and
    the bump by 0.9 mm."""
    base = TriangleMesh(np.eye(3), np.array(faces, dtype=np.int64).reshape(-1, 3))
    found = beads.Beads(base, np.full(3, -1), np.array([2]), np.full(1, 0.2), diameter_mm)
    nothing, nan = np.zeros(3), np.full(3, np.nan)
    told = (decide.Advised(thin()), decide.Advised(thin(), perhaps=decide.STOP))
    work = knife.Work(told, (), np.zeros(3, int), *(nothing,) * 5)
    raw = SimpleNamespace(space=SimpleNamespace(nearest_mm=nothing + 9.0, u_judged_mm=nothing))
    parts = SimpleNamespace(from_line_mm=nan, island_distance_mm=nan)
    one, stop = knife.with_bead_covers(
        work, found, raw, raw, parts=parts, limits=built_in()
    ).advised  # fmt: skip
    assert (one.perhaps == decide.BEAD) is may_be and stop.perhaps == decide.STOP
    assert (decide.decision(one) is Decision.UNDECIDED) is may_be
    words = decide.action_words(one)
    assert words.startswith("perhaps a retention bead: take off " if may_be else "take off ")
    german = action_words({"action": words}, Words("de"))
    assert german.startswith("vielleicht eine Retentionsperle: ") is may_be
