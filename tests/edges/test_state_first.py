"""Where the scans may not lie on each other, every face says so before all else."""

from __future__ import annotations

import copy
import dataclasses
import re
import shutil
import subprocess
from pathlib import Path

import pytest

from edges.test_report_data import outcome_of
from veneercheck.report import read_result, write_result
from veneercheck.report.filed import FiledResult
from veneercheck.report.html import page
from veneercheck.report.paper import BENCH, REPORT, write_papers
from veneercheck.report.terminal import terminal_summary
from veneercheck.report.words import LANGUAGES, Words

BEGINS = {
    "en": "Not seated, or one of the scans is untrue or does not belong: "
    "seat the framework and scan again. ",
    "de": "Nicht aufgesetzt, oder einer der Scans stimmt nicht oder gehört nicht dazu: "
    "Gerüst neu aufsetzen und noch einmal scannen. ",
}
GOES_ON = {
    ("doubtful", "en"): "Work by these figures only after that.",
    ("doubtful", "de"): "Erst danach nach diesen Zahlen arbeiten.",
    ("failed", "en"): "There are no figures: the two scans could not be laid on one another.",
    ("failed", "de"): "Es gibt keine Zahlen: "
    "Die beiden Scans ließen sich nicht aufeinanderlegen.",
}  # fmt: skip
"""Source: what the trade is to do, as agreed for this program; written out, not looked up."""

REASON = "near the cut the work lies up to 90 µm differently from the rest than in the wax-up scan"
"""One reason as it is filed, without codes, so that it reads the same in either language."""


def filed_as(state: str, place: Path) -> FiledResult:
    """The invented ball, its alignment in another state; drawn pictures are not needed here."""
    write_result(place, outcome_of(failed=state == "failed"))
    filed = read_result(place)
    document = copy.deepcopy(filed.document)
    document["alignment"] |= {"state": state, "reasons": [REASON]}
    document["alignment"].pop("coded", None)
    document["zones"] = []
    return dataclasses.replace(filed, document=document)


def plain(text: str) -> str:
    return " ".join(text.split())


@pytest.mark.parametrize("lang", LANGUAGES)
@pytest.mark.parametrize("state", ["doubtful", "failed"])
def test_terminal_and_page_begin_with_the_state(state: str, lang: str, tmp_path: Path) -> None:
    """The first line of the one, the first words in the body of the other; then why, told once."""
    filed, first = filed_as(state, tmp_path), BEGINS[lang] + GOES_ON[state, lang]
    told = terminal_summary(filed.document, lang)
    assert told.strip().splitlines()[0] == first
    assert told.count(REASON) == 1 and told.strip().splitlines()[1].endswith(f"{REASON}.")
    html = page(filed, {}, Words(lang))
    body = re.sub(r"<(script|style).*?</\1>", "", html.partition("<body")[2], flags=re.DOTALL)
    words = plain(re.sub(r"<[^>]*>", " ", body.partition(">")[2]))
    assert words.startswith(first) and words.count(first) == 1
    assert words.index(REASON) < words.index(Words(lang)("report.what_to_do"))


@pytest.mark.parametrize(
    ("lang", "first"),
    [("en", "Held only loosely by what was left uncut: "), ("de", "Nur locker gehalten von dem, ")],
)
def test_what_is_only_held_loosely_is_not_sent_to_be_seated(
    lang: str, first: str, tmp_path: Path
) -> None:
    """Source: what helps there, which is more uncut surface; a further doubt comes before it."""
    document = filed_as("doubtful", tmp_path).document
    coded = [{"code": "too_loose", "values": {"bound": 40.0, "least": "", "like": ""}}]
    document["alignment"]["coded"] = coded
    assert terminal_summary(document, lang).strip().startswith(first)
    coded.append({"code": "halves", "values": {"apart": 60.0}})
    document["alignment"]["reasons"] = [REASON, REASON]
    assert terminal_summary(document, lang).strip().startswith(BEGINS[lang].strip())


@pytest.mark.parametrize(
    ("lang", "first"),
    [("en", "Too little of what was left uncut "), ("de", "Zu wenig von dem, was nicht reduz")],
)
def test_what_too_little_holds_to_lie_anywhere_is_not_sent_to_be_seated(
    lang: str, first: str, tmp_path: Path
) -> None:
    """Source: a crown veneered down to a narrow collar is seated, and no new scan of it shows more;
    a further reason, or what was painted, comes before it."""
    document = filed_as("failed", tmp_path).document
    loose = {"code": "too_loose", "values": {"bound": 85.0, "least": "", "like": ""}}
    rival = {"code": "rival", "values": {"rival": 26.0, "best": 32.0}}
    near = {"code": "rival_near", "values": {"rival": 26.0, "best": 32.0, "apart": 1.4}}
    for other in (rival, near):
        document["alignment"] |= {"coded": [loose, other], "reasons": [REASON] * 2}
        said = terminal_summary(document, lang).strip()
        assert said.startswith(first) and GOES_ON["failed", lang].partition(":")[0] in said
    document["alignment"]["coded"] = [loose, {"code": "crossing_only", "values": {}}]
    assert terminal_summary(document, lang).strip().startswith(BEGINS[lang].strip())
    document["alignment"]["coded"] = [loose, {"code": "painted", "values": {}}]
    painted = Words(lang)("verdict.painted_failed")
    assert terminal_summary(document, lang).strip().startswith(painted)


@pytest.mark.parametrize(
    ("lang", "first"),
    [("en", "What was left uncut fits in more "), ("de", "Was nicht reduziert wurde, ")],
)
def test_what_fits_in_two_ways_is_not_sent_to_be_seated(
    lang: str, first: str, tmp_path: Path
) -> None:
    """Source: neither scan is untrue where a crown fits in two ways; a further doubt comes first,
    and by what one of two poses says nobody works."""
    document = filed_as("doubtful", tmp_path).document
    loose = {"code": "too_loose", "values": {"bound": 40.0, "least": "", "like": ""}}
    for code in ("rival", "rival_near"):
        rival = {"code": code, "values": {"rival": 26.0, "best": 32.0, "apart": 1.4}}
        document["alignment"] |= {"coded": [loose, rival], "reasons": [REASON] * 2}
        said = terminal_summary(document, lang).strip()
        assert said.startswith(first) and GOES_ON["doubtful", lang] in said.splitlines()[0]
    document["alignment"]["coded"] = [rival, {"code": "halves", "values": {"apart": 60.0}}]
    assert terminal_summary(document, lang).strip().startswith(BEGINS[lang].strip())


@pytest.mark.parametrize(
    ("lang", "first"),
    [
        ("en", "One of the scans does not agree"),
        ("de", "Einer der Scans stimmt in sich"),
    ],
)
def test_a_scan_that_does_not_agree_with_itself_is_not_sent_to_be_seated(
    lang: str, first: str, tmp_path: Path
) -> None:
    """Source: no seating mends a scan that was joined askew; a further doubt comes first."""
    document = filed_as("doubtful", tmp_path).document
    coded = [{"code": "parted", "values": {"bound": 40.0}}]
    document["alignment"]["coded"] = coded
    assert terminal_summary(document, lang).strip().startswith(first)
    coded.append({"code": "bowed", "values": {"bow": 60.0}})
    document["alignment"]["reasons"] = [REASON, REASON]
    assert terminal_summary(document, lang).strip().startswith(BEGINS[lang].strip())


@pytest.mark.parametrize(("state", "code"), [("failed", "no_contact"), ("doubtful", "too_loose")])
def test_a_painted_reference_that_does_not_hold_is_named_before_the_seating(
    state: str, code: str, tmp_path: Path
) -> None:
    """Source: green on the cut by mistake, or on too little: no scan and no seating helps there."""
    document = filed_as(state, tmp_path).document
    values = {"bound": 40.0, "least": "", "like": ""}
    document["alignment"]["coded"] = [
        {"code": "painted", "values": {}}, {"code": code, "values": values},
    ]  # fmt: skip
    document["alignment"]["reasons"] = [REASON, REASON]
    first = terminal_summary(document, "en").strip().splitlines()[0]
    assert "painted" in first and "seat" not in first


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="poppler is not installed")
@pytest.mark.parametrize("lang", LANGUAGES)
@pytest.mark.parametrize("state", ["doubtful", "failed"])
def test_report_and_bench_sheet_begin_with_the_state(state: str, lang: str, tmp_path: Path) -> None:
    """The first words that another reader takes from page 1; why stands on the same page."""
    filed, first = filed_as(state, tmp_path), BEGINS[lang] + GOES_ON[state, lang]
    write_papers(tmp_path, filed, Words(lang), drawings={})
    for name in (REPORT, BENCH):
        made = subprocess.run(
            ["pdftotext", "-layout", "-l", "1", tmp_path / name, "-"],
            capture_output=True, text=True, check=True,
        ).stdout  # fmt: skip
        assert plain(made).startswith(first), name
        assert REASON in plain(made), name


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="poppler is not installed")
def test_what_both_scans_told_side_by_side_stands_on_paper_too(tmp_path: Path) -> None:
    """Source: the remark put in, said as on the page; a file for the record must not say less."""
    filed = filed_as("trusted", tmp_path)
    code, values = "spray_on_waxup", {"off": 0.03}
    filed.document["remarks"] = [{"kind": "spray", "words": "", "code": code, "values": values}]
    write_papers(tmp_path, filed, Words("de"), drawings={})
    for name in (REPORT, BENCH):
        made = subprocess.run(
            ["pdftotext", "-layout", tmp_path / name, "-"],
            capture_output=True,
            text=True,
            check=True,
        ).stdout
        told = plain(made)
        assert "das Wax-up steht um 0,03 mm über dem, was nicht reduziert wurde" in told, name


@pytest.mark.parametrize("state", ["trusted", "given"])
def test_nothing_is_put_before_a_sound_result(state: str, tmp_path: Path) -> None:
    """A frame that nothing contradicts is no alarm: the heading stays the first line."""
    told = terminal_summary(filed_as(state, tmp_path).document, "en")
    assert told.strip().startswith("0417-B") and BEGINS["en"].strip() not in told
