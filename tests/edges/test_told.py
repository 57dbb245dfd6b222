"""What scans and alignment tell is a code with values: the English catalogue says it over again."""

from __future__ import annotations

import inspect
import types

import numpy as np
import pytest

from veneercheck.core.align import words as told
from veneercheck.core.divide.anatomy import placing
from veneercheck.core.divide.anatomy.sides import Judged
from veneercheck.core.types import LIMITS, Case, Reason
from veneercheck.profile import limits
from veneercheck.report.tables import limit_words
from veneercheck.report.verdict import frame_sentences, reading_words, reasons
from veneercheck.report.words import Words, sections

BODY = types.SimpleNamespace(radius_mm=10.0)
LAST = types.SimpleNamespace(
    pairs=types.SimpleNamespace(point_mm=np.zeros((3, 3)), normal=np.zeros((3, 3))),
    weight=np.ones(3),
)
SURE = types.SimpleNamespace(centre_mm=np.zeros(3))


def loose(monkeypatch: pytest.MonkeyPatch, like: str) -> Reason:
    monkeypatch.setattr(told, "weakest", lambda *_: "along the bridge")
    monkeypatch.setattr(told, "slippage", lambda *_: (1, like))
    return told.too_loose(0.0312, BODY, LAST, SURE)


def every_reason(monkeypatch: pytest.MonkeyPatch) -> list[Reason]:
    return [
        told.NO_CONTACT,
        told.GIVEN_WITHOUT_CONTACT,
        told.CROSSING_ONLY,
        told.too_little(3.14),
        loose(monkeypatch, ""),
        loose(monkeypatch, "a cylinder"),
        told.rival(-2.0, 812.6),
        told.not_seated(0.0524, own_used=True),
        told.not_seated(0.0524, own_used=False),
        told.halves(0.0301),
        told.another_size(1.0123),
        told.another_size(0.9877),
        told.bowed(0.088),
        told.part_off(0.061),
        told.swollen(0.05),
        told.swollen(-0.05),
        told.frame_untrue(0.123),
        told.frame_crossing(0.31),
        told.frame_apart(0.02),
    ]


def test_reasons_of_the_alignment_are_said_in_both_languages(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Source: the English sentence as it was filed; numbers in German bear a comma."""
    found = every_reason(monkeypatch)
    for reason in found:
        assert Words("en").told(reason.code, reason.values, "") == reason.words
        assert Words("de").told(reason.code, reason.values, "") not in ("", reason.words)
    coded = [{"code": reason.code, "values": dict(reason.values)} for reason in found]
    filed = {"reasons": [reason.words for reason in found], "coded": coded}
    german = reasons(filed, Words("de"))
    assert reasons(filed, Words("en")) == filed["reasons"]
    assert german[3].startswith("nur 3,1 mm²")
    assert german[4].endswith("auf ±62 µm (k = 2), am wenigsten: längs der Brücke")
    assert "gleicht einem Zylinder" in german[5]
    assert "+1,23 % größer" in german[10] and "−1,23 % größer" in german[11]


def every_sentence_on_directions() -> list[str]:
    """As the placing of teeth says them, which reads them off shapes elsewhere."""
    up = placing._vector_words(np.array([0.0, 0.6, -0.8]))
    ways = ("away from where the scan is open", "away from where the retainers open")
    ways_judged = (Judged(9.0, 0.5), Judged(1.0, 0.5), Judged(0.0, 0.0))
    return [
        placing._NO_TEETH,
        placing._NO_DIRECTION,
        placing._POINTS_APART,
        *(f"The occlusal direction is not in the case file; taken {way}: {up}." for way in ways),
        *placing._named(Case())[1],
        *placing._named(Case(units=(45, 16)))[1],
        *placing._named(Case(units=(45, 47, 46)))[1],
        "The framework is too short or coarse for the units named: teeth are not told.",
        *(one for judged in ways_judged for one in placing._side_words(judged)),
    ]


def test_how_directions_were_judged_is_said_in_both_languages() -> None:
    """Source: the English sentence as filed, found again in the program's own code."""
    every = every_sentence_on_directions()
    code = " ".join(inspect.getsource(placing).split()).replace('" "', "")
    for part in (
        "too short or coarse",
        "and does not show surely",
        "is the more veneered one",
        "scan is open",
    ):
        assert part in code
    described = {"case": {"frame": {"words": every}}}
    assert frame_sentences(described, Words("en")) == every
    german = frame_sentences(described, Words("de"))
    assert len({*german}) == len(every) == len(sections("de")["frame"])
    assert not {*german} & {*every}
    assert german[3].endswith("(+0.00, +0.60, -0.80).")
    assert frame_sentences({"case": {"frame": {"words": ["?"]}}}, Words("de")) == ["?"]


def test_what_has_no_code_stays_as_it_was_filed() -> None:
    """Source: results filed before there were codes hold sentences only."""
    assert Words("de").told("unheard_of", {}, "as filed") == "as filed"
    assert reasons({"reasons": ["as filed"]}, Words("de")) == ["as filed"]


def test_one_has_a_sentence_of_its_own_and_thousands_stand_apart() -> None:
    """Source: grammar, and how German writes large numbers."""
    holes = {"longest": 12.34}
    assert Words("de").told("holes", {"count": 1, **holes}, "") == (
        "1 offener Rand, 12,3 mm lang; offen gelassen."
    )
    assert Words("de").told("holes", {"count": 1200, **holes}, "").startswith("1\u202f200 offene")
    assert sections("en")["told_words"].keys() == sections("de")["told_words"].keys()


def test_over_contour_is_told_alike_on_every_face() -> None:
    """Source: the terminal's «outside by»; a minus sign before a length is misread at the bench."""
    zone = {"finding": "over_contour", "about": "veneer", "extreme_mm": -0.25, "u_mm": 0.03}
    assert reading_words(zone, Words("en")) == "outside by 0.25 ± 0.06 mm"
    assert reading_words(zone, Words("de")) == "steht 0,25 ± 0,06 mm über"
    assert limit_words({**zone, "limit_mm": 0.0}, Words("en")) == "the contour"
    thin = {**zone, "finding": "too_thin", "extreme_mm": 0.66}
    assert reading_words(thin, Words("en")) == "0.66 ± 0.06 mm"


def test_where_a_limit_comes_from_is_said_in_both_languages() -> None:
    """Source: the built-in profile at every stage."""
    told = {row.source for row in LIMITS.values()}
    told |= {why for fields in limits._STAGES.values() for _, why in fields.values()}
    for language in ("en", "de"):
        assert told <= sections(language)["certainty"].keys()
