"""What a result says is said in both languages, and alike on every face."""

from __future__ import annotations

import inspect
import re
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import veneercheck
from edges import test_report_data as bodies
from veneercheck.core.divide.anatomy import bridge, placing
from veneercheck.core.divide.anatomy import occlusal as ways_shown
from veneercheck.core.divide.anatomy.crowns import MORE
from veneercheck.core.divide.anatomy.sides import Judged
from veneercheck.core.types import LIMITS, SHARP_EDGE, UNITS, Case
from veneercheck.profile import limits
from veneercheck.report import document
from veneercheck.report.captions import zone_words
from veneercheck.report.carrying import increment_note, unscanned_words
from veneercheck.report.cautions import cautions, connectors_passed_over
from veneercheck.report.filed import FiledResult
from veneercheck.report.html import write_html
from veneercheck.report.paper import paper_data
from veneercheck.report.since import recheck_sentences
from veneercheck.report.tables import limit_words
from veneercheck.report.terminal import terminal_summary
from veneercheck.report.verdict import frame_sentences, reasons, verdict_sentences
from veneercheck.report.words import Words, sections
from veneercheck.report.zone_words import (
    action_words,
    amount_words,
    finding_words,
    measures_words,
    reading_words,
    runout_note,
)


def every_sentence_on_directions() -> list[str]:
    """As the placing of teeth says them, which reads them off shapes elsewhere."""
    up = placing._vector_words(np.array([0.0, 0.6, -0.8]))
    ways = (
        ways_shown.OPEN_SCAN,
        ways_shown.PLINTH,
        ways_shown.OPEN_RETAINERS,
        ways_shown.FLAT_ENDS,
        ways_shown.OPEN_WAXUP,
    )
    ways_judged = (Judged(9.0, 0.5), Judged(1.0, 0.5), Judged(0.0, 0.0))
    return [
        placing._NO_TEETH,
        placing._NO_DIRECTION,
        bridge._POINTS_APART,
        bridge._OTHER_WAY_WORDS,
        *(placing._TAKEN.format(how=way, vector=up) for way in ways),
        *placing._named(Case())[1],
        *placing._named(Case(units=(45, 16)))[1],
        *placing._named(Case(units=(45, 47, 46)))[1],
        "The framework is too short or coarse for the units named: teeth are not told.",
        *(one for judged in ways_judged for one in bridge._side_words(judged)),
    ]


def test_how_directions_were_judged_is_said_in_both_languages() -> None:
    """Source: the English sentence as filed, found again in the program's own code."""
    every = every_sentence_on_directions()
    code = " ".join((inspect.getsource(placing) + inspect.getsource(bridge)).split())
    code = code.replace('" "', "")
    for part in (
        "too short or coarse",
        "and does not show surely",
        "is the more veneered one",
    ):
        assert part in code
    described = {"case": {"frame": {"words": every}}}
    assert frame_sentences(described, Words("en")) == every
    german = frame_sentences(described, Words("de"))
    assert len({*german}) == len(every) == len(sections("de")["frame"])
    assert not {*german} & {*every}
    assert german[5].endswith("(+0.00, +0.60, -0.80).")
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


def test_over_contour_is_told_alike_on_every_face() -> None:
    """Source: the terminal's «outside by»; a minus sign before a length is misread at the bench."""
    zone = {"finding": "over_contour", "about": "veneer", "extreme_mm": -0.25, "u_mm": 0.03}
    assert reading_words(zone, Words("en")) == "outside by 0.25 ± 0.06 mm"
    assert reading_words(zone, Words("de")) == "steht 0,25 ± 0,06 mm über"
    assert limit_words({**zone, "limit_mm": 0.0}, Words("en")) == "at most the contour"
    thin = {**zone, "finding": "too_thin", "extreme_mm": 0.66}
    assert reading_words(thin, Words("en")) == "0.66 ± 0.06 mm"


def sample_with(**changes: object) -> dict[str, Any]:
    """A described result of a ball with two zones and faults in both meshes."""
    described = document(bodies.outcome_of())
    zone = {**described["zones"][0], "about": "veneer"}
    near = {**zone, "decision": "undecided", "extreme_mm": 1.05, "limit_mm": 0.99}
    fault = {"code": "holes", "values": {"count": 4, "longest": 126.0}, "words": "4 open rims."}
    described["zones"] = [zone, near]
    described["scans"] = {
        name: {**scan, "faults": [fault, fault]} for name, scan in described["scans"].items()
    }
    return {**described, **changes}


def test_the_terminal_sums_up_the_meshes_and_tells_all_when_asked() -> None:
    """Source: the number of remarks put in; in short a line for each scan, whatever there is."""
    described = sample_with()
    described["scans"]["waxup"]["faults"].append({"words": "filed before there were codes."})
    short, long = (terminal_summary(described, verbose=verbose) for verbose in (False, True))
    about = [line for line in short.splitlines() if line.startswith("  · framework")]
    assert len(about) == 1 and about[0].count("4 open rims") == 2 and "126" not in short
    assert "1 more. All remarks on the meshes: --verbose" in short
    assert long.count("4 open rims.") == 4 and "filed before there were codes." in long
    for lang in ("en", "de"):
        assert sections(lang)["told_short"].keys() <= {"more", *sections("de")["told"]}


def test_the_headline_counts_all_that_makes_the_verdict() -> None:
    """Source: what was put in; a verdict without a count beside it leaves the hand searching."""
    spot = {
        "kind": "thin metal", "weight": "finding", "value_mm": 0.28, "u_mm": 0.03, "limit_mm": 0.6,
        "size": 1.2, "tooth": "46", "surface": "buccal", "place": "46, buccal",
        "centre_mm": [0.0, 0.0, 4.0], "words": "",
    }  # fmt: skip
    structure = {**sample_with()["structure"], "spots": [spot, {**spot, "weight": "undecided"}]}

    def headline(verdict: str, share: float, **changes: object) -> str:
        layer = {**sample_with()["layer"], "measured_share": share}
        described = sample_with(verdict=verdict, zones=[], questions=[], layer=layer, **changes)
        (line,) = (one for one in terminal_summary(described).splitlines() if "Verdict" in one)
        return line

    assert headline("no findings", 0.97) == "Verdict: NO FINDINGS"
    assert headline("undecided", 0.94) == "Verdict: UNDECIDED – only 94.0 % of the veneer read"
    assert headline("findings", 1.0, structure=structure) == (
        "Verdict: FINDINGS – 1 finding on the framework itself, 1 point on the framework itself "
        "undecided"
    )


@pytest.mark.parametrize(("share", "asked", "why"), [
    (0.94, ["island"], "Only 94.0 % of the"), (0.96, [], "too little is known"),
    (0.96, ["island", "directions"], "whether a metal stop is meant"),
    (0.96, ["island", "meant_not_cut"], "too little is known"),
])  # fmt: skip
def test_a_page_says_why_nothing_found_means_nothing_yet(share: float, asked, why: str) -> None:
    """Source: the least share with which «nothing found» means something, 95 %; a spot left uncut
    is told where it alone keeps the verdict open."""
    layer = {**sample_with()["layer"], "measured_share": share}
    empty = {**sample_with()["structure"], "spots": [], "connectors": []}
    questions = [{"kind": kind} for kind in asked]
    described = sample_with(
        verdict="undecided", zones=[], layer=layer, structure=empty, questions=questions
    )
    assert any(why in sentence for sentence in verdict_sentences(described, Words("en")))


def test_cautions_on_the_terminal_take_three_lines_and_one_sentence_stands_once() -> None:
    """Source: asked for; the caution is whole, only shorter."""
    for lang in ("en", "de"):
        told = terminal_summary(sample_with(), lang)
        before, aid, unchecked, hand = told.splitlines()[-4:]
        assert before == "" and aid == sections(lang)["terminal"]["aid"]
        assert ("bite" if lang == "en" else "Okklusion") in unchecked
        assert ("investing" if lang == "en" else "Einbetten") in hand
        assert max(map(len, (aid, unchecked, hand))) < 160
    asked = {"words": "not cut: a metal stop?", "place": "47", "area_mm2": 2.0, "centre_mm": None}
    twice = terminal_summary(sample_with(questions=[asked, {**asked, "place": "46"}]))
    assert twice.count("a metal stop?") == 1 and "(47, 2.0 mm²; 46, 2.0 mm²)" in twice


@pytest.mark.parametrize(
    ("units", "occlusal", "connectors", "why"),
    [
        ([46], [0.0, 0.0, 1.0], 0, "others"),
        ([45, 46], None, 0, "occlusal"),
        ([], None, 0, "occlusal"),
        ([], [0.0, 0.0, 1.0], 0, "units"),
        ([46], None, 0, ""),
        ([45, 46], [0.0, 0.0, 1.0], 1, ""),
    ],
)
@pytest.mark.parametrize("lang", ["en", "de"])
def test_connectors_that_were_not_looked_at_are_told_wherever_the_reader_looks(
    units: list[int], occlusal: Any, connectors: int, why: str, lang: str
) -> None:
    """Source: asked for; a bridge of two necks of 2.4 mm² ended with no findings and no word."""
    described, words = sample_with(), Words(lang)
    frame = described["case"]["frame"] | {"occlusal": occlusal}
    described["case"] = described["case"] | {"units": units, "frame": frame}
    one = {
        "teeth": "45–46", "area_mm2": 12.0, "u_mm2": 0.2, "height_mm": 4.0, "width_mm": 3.0,
        "centre_mm": [0.0, 0.0, 0.0], "weight": "none", "words": "",
    }  # fmt: skip
    described["structure"] = described["structure"] | {"connectors": connectors * [one]}
    unfit = {"kind": UNITS, "words": MORE, "place": "", "area_mm2": None, "centre_mm": None}
    described["questions"] = [unfit] * (why == "others")
    faces = (terminal_summary(described, lang), " ".join(cautions(described, words)))
    for told, room in zip(faces, ("terminal", "cautions"), strict=True):
        for code in ("occlusal", "units", "others"):
            sentence = sections(lang)[room][f"connectors_{code}"]
            assert (sentence in told) == (code == why)
    for stage, state in (("opaqued", "trusted"), ("wax", "failed")):
        described["case"] = described["case"] | {"stage": stage}
        described["alignment"] = described["alignment"] | {"state": state}
        assert not connectors_passed_over(described)


def test_a_question_stands_once_on_papers_and_page(tmp_path: Path) -> None:
    """Two places of one question: on the page and in the data of the papers one line."""
    asked = {"words": "not cut: a metal stop?", "place": "47", "area_mm2": 2.0, "centre_mm": None}
    described, words = sample_with(questions=[asked, {**asked, "place": "46"}]), Words("en")
    filed = FiledResult(described, *(8 * [None]))
    page = write_html(tmp_path, filed, {}, words).read_text(encoding="utf-8")
    for shown in (page, str(paper_data(tmp_path, filed, words, {}))):
        assert shown.count("a metal stop?") == 1 and "(47, 2.0 mm²; 46, 2.0 mm²)" in shown


def test_what_is_not_decided_is_not_told_as_a_finding() -> None:
    """Source: 1.05 is not below 0.99; within its uncertainty it may be."""
    told = terminal_summary(sample_with())
    (near,) = (line for line in told.splitlines() if "1.05" in line)
    assert "perhaps too thin" in near and "least 0.99" in near


def test_metal_is_told_so_that_it_cannot_be_held_against_the_amount() -> None:
    """Source: the thinnest metal of a zone lies elsewhere than its worst reading."""
    described = sample_with()
    described["zones"][0] |= {"metal_mm": 0.7, "metal_left_mm": 0.35, "amount_mm": 0.75}
    told = terminal_summary(described)
    assert "leaves 0.35 mm of metal" in told and "0.7 mm" not in told


def test_composite_is_told_as_a_sum_without_a_dash() -> None:
    """Source: 200 and 402 are 602, their doubts of 10 and 20 are 30, told twice as large (k = 2);
    a dash before a number reads as minus."""
    described = sample_with()
    paste = [{"tooth": "", "volume_mm3": 602.0, "u_mm3": 30.0}]
    described["structure"]["material"] = paste
    assert "Composite needed: 602 ± 60 mm³" in terminal_summary(described)
    described["structure"]["material"] = [
        {"tooth": "45", "volume_mm3": 200.0, "u_mm3": 10.0},
        {"tooth": "46", "volume_mm3": 402.0, "u_mm3": 20.0},
    ]  # fmt: skip
    assert "Composite needed: 602 ± 60 mm³ (45: 200, 46: 402)" in terminal_summary(described)


def test_composite_of_a_part_of_the_veneer_is_told_as_that() -> None:
    """Source: drawn. 40 mm³ past the end of the scan are a tenth of what is told, 15 a
    twenty-fifth: within its ±."""
    described, words = sample_with(), Words("en")
    paste = {"tooth": "46", "volume_mm3": 400.0, "u_mm3": 20.0}
    described["structure"]["material"] = [{**paste, "beyond_mm3": 40.0}]
    assert "± 40 mm³. Counted is what was scanned" in terminal_summary(described)
    assert "at least 40 mm³ more" in increment_note(described, words)
    assert ", the framework's scan ends amid the veneer" in terminal_summary(described)
    described |= {"verdict": "undecided", "zones": []}
    first, second, *_ = verdict_sentences(described, words)
    assert "As far as" in first and "Scan all of the framework" in second
    assert words("cautions.cut_off") in cautions(described, words)
    described["structure"]["material"] = [{**paste, "beyond_mm3": 15.0}]
    assert not unscanned_words(described, words)
    assert words("cautions.cut_off") not in cautions(described, words)


def test_spots_of_one_kind_share_a_sentence() -> None:
    """Source: what is to be done about each is the same."""
    spot = {"kind": SHARP_EDGE, "weight": "advice", "value_mm": 0.1, "u_mm": None,
            "size": 3.1, "limit_mm": 0.2}  # fmt: skip
    described = sample_with()
    places = ("45, basal", "46, buccal", "47, mesial")
    described["structure"]["spots"] = [{**spot, "place": place} for place in places]
    told = terminal_summary(described)
    assert told.count("sharp edge under the veneer") == 1
    assert "Sharp edges at 3 places" in told and all(place in told for place in places)


def test_where_a_limit_comes_from_is_said_in_both_languages() -> None:
    """Source: the built-in profile at every stage."""
    told = {row.source for row in LIMITS.values()}
    told |= {why for fields in limits._STAGES.values() for _, why in fields.values()}
    for language in ("en", "de"):
        assert told <= sections(language)["certainty"].keys()


@pytest.mark.parametrize(
    ("zone", "english", "german"),
    [
        ({"finding": "too_thin", "extreme_mm": 0.67, "limit_mm": 1.0, "across_mm": 2.14,
          "amount_mm": 0.45},
         "depth 0.33 mm beyond its limit · width 2.1 mm · take off 0.45 mm",
         "Tiefe 0,33 mm über die Grenze hinaus · Breite 2,1 mm · abtragen: 0,45 mm"),
        ({"finding": "over_contour", "extreme_mm": -0.25, "limit_mm": 0.0, "across_mm": None,
          "amount_mm": None}, "depth 0.25 mm beyond its limit",
         "Tiefe 0,25 mm über die Grenze hinaus"),
    ],
)  # fmt: skip
def test_the_measures_of_a_zone_are_told_in_one_line(
    zone: dict[str, Any], english: str, german: str
) -> None:
    """By arithmetic: 1.00 − 0.67 is 0.33; out of the contour the reading is the depth."""
    assert measures_words(zone, Words("en")) == english
    assert measures_words(zone, Words("de")) == german


def test_every_step_of_a_check_and_a_plan_has_its_words() -> None:
    """Source: the code itself: what is told while it works, it tells in both languages."""
    package = Path(veneercheck.__file__).parent
    files = ("check.py", "plan.py", "case/run.py", "case/planning.py")
    code = "".join((package / name).read_text(encoding="utf-8") for name in files)
    said = {words for words in re.findall(r'say\)?\("([^"]+)"\)', code) if " " in words}
    assert len(said) > 8
    for lang in ("en", "de"):
        catalogue = tomllib.loads(
            (package / "report" / f"words_{lang}.toml").read_text(encoding="utf-8")
        )
        assert said <= set(catalogue["steps"])


def test_a_question_without_a_place_has_no_brackets() -> None:
    """Source: put in, once about no place and once about one."""
    asked = {"words": "Which way?", "place": "", "tooth": None, "surface": None, "area_mm2": None}
    nowhere = terminal_summary(sample_with(questions=[asked]), "en")
    somewhere = terminal_summary(sample_with(questions=[{**asked, "area_mm2": 2.0}]), "en")
    assert "   ?  Which way?\n" in nowhere + "\n"
    assert "Which way? (2.0 mm²)" in somewhere
    for area, read in ((0.04, "0.04"), (0.001, "0.01")):  # never «0.0 mm²»
        tiny = sample_with(questions=[{**asked, "area_mm2": area}])
        assert f"Which way? ({read} mm²)" in terminal_summary(tiny, "en")


def test_what_is_undecided_is_only_perhaps_too_thin_in_every_list() -> None:
    """Source: the second zone put in reads 1.05 where 0.99 is asked."""
    words, (firm, near) = Words("en"), sample_with()["zones"]
    assert finding_words(firm, words) == "too thin"
    assert finding_words(near, words) == "perhaps too thin"
    assert "perhaps too thin" in zone_words(near, words)


@pytest.mark.parametrize("lang", ["en", "de"])
def test_a_bump_has_one_amount_in_its_row_and_beside_its_number(lang: str) -> None:
    """What comes off in all: 0.60 mm to the contour and 1.30 mm of room under it."""
    what = "take off 0.60 mm if it is the framework that stands proud"
    zone = {
        "id": 2, "finding": "over_contour", "extreme_mm": -0.6, "amount_mm": 0.6,
        "action": f"{what}; 1.90 mm in all to make room for the veneer",
    }  # fmt: skip
    words = Words(lang)
    amount = words.number(1.9)
    for tell in (action_words, amount_words, measures_words):
        assert amount in tell(zone, words)
    assert words.number(0.6) not in action_words(zone, words)
    undecided = {**zone, "action": f"within 0.10 mm of the limit: measure by hand or scan again; "
                 f"to be sure, {zone['action']}"}  # fmt: skip
    assert f"{words.number(0.1)} mm" in action_words(undecided, words)
    assert f"{amount} mm" in action_words(undecided, words)
    assert words.number(0.6) not in action_words(undecided, words)
    plain = {**zone, "action": what}
    assert words.number(0.6) in amount_words(plain, words)


@pytest.mark.parametrize("lang", ["en", "de"])
def test_why_a_limit_is_lower_is_told_where_it_is(lang: str) -> None:
    """Only where some place too thin is held against less than its surface's own least layer."""
    zone = {"finding": "too_thin", "about": "veneer", "surface": "buccal", "limit_mm": 1.0}
    document = {
        "profile": {"layer": {"least_mm": 1.0}, "surfaces": {"lingual": {"least_mm": 0.8}},
                    "finish_line": {"width_mm": 0.8}},
        "zones": [zone, {**zone, "surface": "lingual", "limit_mm": 0.8},
                  {**zone, "about": "beads", "limit_mm": 0.5},
                  {**zone, "finding": "too_thick", "limit_mm": 0.5}],
    }  # fmt: skip
    words = Words(lang)
    assert runout_note(document, words) == ""
    document["zones"].append({**zone, "limit_mm": 0.77})
    told = runout_note(document, words)
    assert words.mm(0.8, 1) in told and words.mm(1.0) in told


def test_what_changed_since_is_said_in_both_languages() -> None:
    """Source: the record by hand; what two scans do not tell from their noise is no amount."""
    told = {
        "taken_off_mm": 0.314,
        "added_mm": 0.0,
        "corrected": [],
        "zones": [{"id": 3, "trend": "unmoved"}],
    }
    english, german = (recheck_sentences(told, Words(lang)) for lang in ("en", "de"))
    assert english[0] == "up to 0.31 mm taken off, nothing added"
    assert german[0] == "bis zu 0,31 mm abgetragen, nichts aufgetragen"
    assert english[1].startswith(
        "zone 3: not listed then, though unmoved: the two scans show nothing"
    )
    assert german[1].startswith("Stelle 3: damals nicht aufgeführt, doch unverändert: Die beiden")
    unknown = told | {"taken_off_mm": None}
    assert recheck_sentences(unknown, Words("en"))[0].startswith("– taken off")
