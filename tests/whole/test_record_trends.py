"""What a register teaches: control charts, first passes, and the page that shows them."""

from __future__ import annotations

import copy
import csv
import html
import itertools
import random
import re
import shutil
import subprocess
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from statistics import fmean
from typing import Any

import pikepdf
import pytest
from typer.testing import CliRunner

import record_trials
from browsing import chromium
from edges.test_report_data import outcome_of
from veneercheck.cli.main import app
from veneercheck.record import Register, sha256_of
from veneercheck.report import document
from veneercheck.report.trends import (
    LIMITS_AT,
    LIMITS_FROM,
    Bounds,
    Seen,
    control_limits,
    drifted,
    learn,
    seen,
    share_interval,
)
from veneercheck.report.trends_lab import Trends, taught
from veneercheck.report.trends_page import trends_page
from veneercheck.report.words import Words

EVIL = "C-1</svg><img src=x onerror=alert(1)>"
DRIFT_FROM, CHECKS = 40, 60


def one(number: int, **more: Any) -> Seen:
    """A check a day, each a work of its own."""
    told = {
        "key": sha256_of(str(number)), "work": f"W-{number}", "case": f"W-{number}",
        "moment": (datetime(2026, 1, 1, 9, tzinfo=UTC) + timedelta(days=number)).isoformat(),
        "profile": "generic", "stage": "wax", "verdict": "no findings", "teeth": ("45", "46"),
        "short": frozenset(), "noise_mm": 0.010 + 0.001 * (number % 2), "rms_mm": None,
    }  # fmt: skip
    return Seen(**{**told, **more})


def test_limits_are_those_of_a_published_example() -> None:
    """NIST/SEMATECH e-Handbook 6.3.2.2 (from memory): ten values, mean 50.81, mean moving range
    1.8778, limits 55.8041 and 45.8159 with 3/1.128. Twice the ten values, the second time
    backwards, have the same mean and 18 of 19 ranges twice, one of 0."""
    values = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
    bounds = control_limits([*values, *reversed(values)])
    assert bounds.centre_mm == pytest.approx(50.81)
    reach = 55.8041 - 50.81
    assert bounds.high_mm - 50.81 == pytest.approx(reach * 18 / 19, rel=2e-4)
    assert 50.81 - bounds.low_mm == pytest.approx((50.81 - 45.8159) * 18 / 19, rel=2e-4)


def test_few_points_have_no_limits_and_later_ones_do_not_move_them() -> None:
    values = [0.010, 0.012] * LIMITS_FROM
    assert control_limits(values[: LIMITS_FROM - 1]) is None
    assert control_limits(values[:LIMITS_FROM]) == control_limits([*values, 9.0])


def test_no_lower_limit_below_nothing() -> None:
    """A spread is never negative."""
    assert control_limits([0.001, 0.009] * LIMITS_FROM).low_mm is None


def test_a_jump_and_a_drift_are_told_and_steady_noise_is_not() -> None:
    """Values alternate by a micrometre round 10.5: limits ± 2.66 µm. A jump of 5 µm lies beyond;
    a shift of 1 µm lies within, and its ninth point in a row ends a run (Nelson 1984)."""
    steady = [one(number) for number in range(50)]
    (group,) = learn(reversed(steady))
    assert group.charts[0].signals() == []
    jump = [*steady, one(50, noise_mm=0.0155)]
    (point,) = learn(jump)[0].charts[0].signals()
    assert point.seen.case == "W-50" and point.beyond and not point.run
    drift = [*steady, *(one(n, noise_mm=0.0112 + 0.0005 * (n % 2)) for n in range(50, 60))]
    # the last steady value, of an odd day, lies above the centre already
    found = learn(drift)[0].charts[0].signals()
    assert [point.seen.case for point in found] == ["W-57", "W-58", "W-59"]
    assert all(point.run and not point.beyond for point in found)


def test_false_alarms_are_as_rare_as_normal_noise_allows() -> None:
    """Beyond ± 3 standard deviations: 0.27 % with limits known; about three times that with
    limits from 20 points (mean over 400 sets of limits; bounds wide)."""
    chance = random.Random(11)
    beyond = total = 0
    for _ in range(400):
        values = [chance.gauss(1.0, 0.01) for _ in range(120)]
        bounds = control_limits(values)
        beyond += sum(not bounds.low_mm <= v <= bounds.high_mm for v in values[LIMITS_FROM:])
        total += len(values) - LIMITS_FROM
    assert 0.0027 < beyond / total < 0.0135


def test_a_slow_drift_is_told_sooner_by_the_moving_mean() -> None:
    """Lucas and Saccucci 1990, table 3 (from memory): with a weight of 0.2 and limits of 2.96
    deviations, a shift by one deviation is told after 10.5 points on average, and nothing at all
    once in 500; with limits of 3 hardly later and hardly more seldom."""
    chance, deviation = random.Random(1), 0.1
    bounds = Bounds(None, 1.0, 1.0 + LIMITS_AT * 1.128 * deviation)

    def first(shift: float) -> int:
        values = [chance.gauss(1.0 + shift * deviation, deviation) for _ in range(200)]
        return [*drifted(values, bounds), True].index(True) + 1

    assert 9.0 < fmean(first(1.0) for _ in range(400)) < 12.0
    steady = [chance.gauss(1.0, deviation) for _ in range(20_000)]
    starts = itertools.pairwise([False, *drifted(steady, bounds)])
    alarms = sum(now and not before for before, now in starts)
    assert 1 / 900 < alarms / 20_000 < 1 / 300


def test_first_passes_are_told_by_technician_material_and_limits() -> None:
    """By construction: TN passes two of three, XY none of one; all in one alloy."""
    told = [("TN", "no findings"), ("TN", "findings"), ("TN", "no findings"), ("XY", "undecided")]
    checks = [
        one(number, verdict=verdict, traits=(("who", who), ("alloy", "A")))
        for number, (who, verdict) in enumerate(told)
    ]
    (group,) = learn(checks)
    assert group.by_trait() == [("who", "TN", 2, 3), ("who", "XY", 0, 1), ("alloy", "A", 2, 4)]
    page = trends_page(Trends([group]), Words("de"))
    assert "Zahntechniker/in" in page and "2 / 3" in page and "Legierung" in page


def test_interval_of_a_share_is_that_of_a_published_example() -> None:
    """Newcombe 1998, table I (from memory): 81 of 263, score method 0.2553 to 0.3662."""
    assert share_interval(81, 263) == pytest.approx((0.2553, 0.3662), abs=5e-5)


def test_only_the_first_check_of_a_work_counts() -> None:
    short = frozenset({("46", "buccal")})
    checks = [
        one(0, work="A", verdict="findings", short=short),
        one(1, work="A"),
        one(2, work="B"),
        one(3, work="C", verdict="undecided"),
        one(4, work="A", stage="cast"),
        one(5, work="D", verdict="findings", short=short | {("45", "")}, teeth=("45", "46", "47")),
    ]
    cast, wax = learn(checks)
    assert (cast.stage, cast.passed(), len(cast.first)) == ("cast", 1, 1)
    assert (wax.checks, len(wax.first), wax.passed(), wax.undecided()) == (5, 4, 1, 1)
    assert wax.short() == {("46", "buccal"): 2, ("45", ""): 1}
    assert wax.of_tooth() == {"45": 4, "46": 4, "47": 1, "": 4}


def documents() -> Iterator[tuple[str, dict[str, Any]]]:
    """Results of invented checks: the noise drifts from the fortieth day on."""
    base = document(outcome_of())
    chance = random.Random(2)
    for number in range(CHECKS):
        told = copy.deepcopy(base)
        moment = datetime(2026, 1, 5, 8, tzinfo=UTC) + timedelta(days=number)
        drift = 0.0004 * max(0, number - DRIFT_FROM)
        told["checked_at_utc"] = moment.isoformat()
        told["case"]["number"] = EVIL if number == CHECKS - 1 else f"C-{number}"
        told["case"]["stage"] = "wax" if number % 6 else "cast"
        told["alignment"]["noise_mm"] = abs(chance.gauss(0.012 + drift, 0.0012))
        told["alignment"]["rms_mm"] = abs(chance.gauss(0.016, 0.002))
        zone = told["zones"][0]
        zone["surface"] = chance.choice(["occlusal", "buccal", "lingual", "mesial", "distal"])
        zone["tooth"] = chance.choice(["45", "46", "47"])
        if chance.random() < 0.6:
            told["zones"], told["verdict"] = [], "no findings"
        yield sha256_of(str(number)), told


def test_only_what_is_sure_and_fitted_is_looked_at() -> None:
    """A frame that was given has no residual of a fit; an undecided zone is not surely thin."""
    base = document(outcome_of())
    base["alignment"]["noise_mm"] = 0.009
    found = seen("0", base)
    assert (found.rms_mm, found.noise_mm) == (0.011, 0.009)
    assert found.short == {("46", "occlusal")} and set(found.teeth) == {"45", "46", "47"}
    base["alignment"]["state"] = "given"
    base["zones"][0]["decision"] = "undecided"
    base["case"]["number"] = None
    other = seen("0", base)
    assert other.rms_mm is None and other.short == frozenset()
    assert other.work == "0" * 64, "without a number, the wax-up says which work it is"


def limits(revision: int, least_mm: float, reason: str) -> dict[str, Any]:
    """A revision of the limits, as «limits propose» puts it on record."""
    return {
        "kind": "limits", "profile": "demo", "revision": revision, "reason": reason,
        "limits": {"name": "demo", "layer": {"least_mm": least_mm, "target_mm": 1.2},
                   "certainty": {"layer.least_mm": str(revision)}},
        "limits_sha256": str(revision), "source": None, "who": "CH",
        "entered_at_utc": f"2026-0{revision}-05T08:00:00+00:00",
    }  # fmt: skip


def entries() -> Iterator[tuple[str, dict[str, Any]]]:
    """What the register holds: from the day on from which the noise drifts, by new limits."""
    first, second = limits(1, 0.8, ""), limits(2, 0.6, "new instructions")
    yield sha256_of("limits 1"), first
    yield sha256_of("limits 2"), second
    approval = {"kind": "approval", "limits_key": sha256_of("limits 2"), "profile": "demo",
                "revision": 2, "limits_sha256": "2", "same_person": False, "who": "LP",
                "entered_at_utc": "2026-02-05T09:00:00+00:00"}  # fmt: skip
    yield sha256_of("approval"), approval
    for number, trueness_um in enumerate((4.0, 6.5), 1):
        yield sha256_of(f"calibration {number}"), {
            "kind": "calibration", "scanner": "S-1", "artefact": "ball 3", "passed": True,
            "measured_on": f"2026-0{number}-01", "valid_until": "2027-01-01", "who": "CH",
            "trueness_um": trueness_um, "precision_um": None, "certificate": None,
            "entered_at_utc": "2026-01-01T08:00:00+00:00",
        }  # fmt: skip
    repeated = {"kind": "repeatability", "scanner": "S-1", "scans": 4, "words": [], "who": "CH",
                "seating_u_mm": 0.0123, "noise_mm": 0.0071, "distortion_mm": None,
                "version": "0", "entered_at_utc": "2026-01-04T08:00:00+00:00"}  # fmt: skip
    yield sha256_of("repeated"), repeated
    for number, (key, result) in enumerate(documents()):
        told = {"profile": "demo", "state": "approved", "revision": 1 + (number >= DRIFT_FROM)}
        standing = {"scanner": {"name": "S-1", "serial": "1"}, "limits": told,
                    "calibration": {"state": "valid"}, "undecided": []}  # fmt: skip
        yield key, {"kind": "check", "who": "AB", "folder": "x", "result": result,
                    "standing": standing}  # fmt: skip


def written(place: str, out: Path, *words: str) -> None:
    """What the command writes of a register."""
    command = ["records", "trends", "--register", place, "--out", str(out), *words]
    done = CliRunner().invoke(app, command)
    assert done.exit_code == 0, done.output


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The page, the paper and the tables, through the command line."""
    place = tmp_path_factory.mktemp("trends")
    with Register(place / "register.sqlite", lasting=False) as register:
        for key, body in entries():
            register.append(key, body)
    for lang in ("en", "de"):
        written(str(place / "register.sqlite"), place / lang, "--lang", lang)
    return place


def read_back(pdf: Path) -> str:
    """The words of a PDF in their order, each once parted by a blank."""
    done = subprocess.run(["pdftotext", "-raw", str(pdf), "-"], capture_output=True, check=True)
    return " ".join(done.stdout.decode("utf-8").split())


needs_poppler = pytest.mark.skipif(shutil.which("pdftotext") is None, reason="no poppler here")


@needs_poppler
@pytest.mark.parametrize("lang", ["en", "de"])
def test_the_paper_says_what_the_page_says(folder: Path, lang: str) -> None:
    """Register, day, units, legend and cautions are there; every sentence of the page, too."""
    text = read_back(folder / lang / "trends.pdf")
    page = (folder / lang / "trends.html").read_text(encoding="utf-8")
    assert 'href="trends.pdf"' in page
    words = Words(lang)
    with Register(folder / "register.sqlite") as register:
        mark = register.entry_at(1).hash[:12]
    for told in (words("trends.register", name="register.sqlite"), mark,
                 words("trends.legend"), words("trends.about_cause"), words("trends.about_changes"),
                 words("trends.scanner", name="S-1"), "0.0123" if lang == "en" else "0,0123",
                 words("trends.change", profile="demo", revision=2),
                 "layer.least_mm: 0.8 → 0.6", words("trends.approved", who="LP")):  # fmt: skip
        assert told in text, told
        assert told in html.unescape(page), told
    body = re.sub(r"<style.*?</style>|<svg.*?</svg>", " ", page, flags=re.DOTALL)
    for sentence in re.findall(r"<p[^>]*>([^<]+)</p>", body):
        assert html.unescape(sentence) in text, sentence
    month = slice(8) if lang == "en" else slice(2, None)  # midnight may lie between
    assert words.day(datetime.now(UTC).isoformat())[month] in text and "certainty" not in text


def test_the_paper_is_tagged_and_its_fonts_are_in_it(folder: Path) -> None:
    """PDF/A-2a and PDF/UA-1 by what it says of itself; a picture in words for each chart."""
    with pikepdf.open(folder / "de" / "trends.pdf") as pdf:
        assert pdf.check_pdf_syntax() == [] and bool(pdf.Root.MarkInfo.Marked)
        assert str(pdf.Root.Lang) == "de"
        told = pdf.open_metadata()
        assert (told["pdfaid:part"], told["pdfaid:conformance"]) == ("2", "A")
        assert told["pdfuaid:part"] == "1"
        fonts = [font for page in pdf.pages for font in page.Resources.get("/Font", {}).values()]
        assert fonts
        assert all("SourceSansPro" in str(font.BaseFont) for font in fonts)
        assert all(
            any(name in one.FontDescriptor for name in ("/FontFile2", "/FontFile3"))
            for font in fonts
            for one in font.DescendantFonts
        )
        figures = [one for one in pdf.objects if isinstance(one, pikepdf.Dictionary)
                   and one.get("/S") == "/Figure"]  # fmt: skip
    charts = (folder / "de" / "trends.html").read_text("utf-8").count('class="chart"')
    assert len(figures) == charts and all(len(str(one.Alt)) > 20 for one in figures)


def test_postgresql_teaches_the_same(folder: Path, tmp_path: Path, server: str) -> None:
    """The same entries: the same tables to the byte, the same words on page and paper."""
    place = record_trials.new_database(server, "trends")
    with Register(folder / "register.sqlite") as here, Register(place) as there:
        there.take_over(here.entries(), at_once=100)
    written(place, tmp_path)
    for name in ("charts.csv", "places.csv", "first-passes-by.csv", "limits-changed.csv"):
        assert (tmp_path / name).read_bytes() == (folder / "en" / name).read_bytes(), name
    if shutil.which("pdftotext"):
        told = [read_back(one / "trends.pdf") for one in (tmp_path, folder / "en")]
        one, other = (text.partition(" UTC")[2] for text in told)  # after register and moment
        assert one == other and "Checks on record: 60" in one
        assert "/trends" in told[0] and "lab@" not in told[0]


def test_what_new_limits_changed_and_how_a_scanner_drifts(folder: Path) -> None:
    """By construction: forty days by the first revision, then the second, approved by LP."""
    with (folder / "en" / "limits-changed.csv").open(encoding="utf-8", newline="") as file:
        (row,) = csv.DictReader(file)
    told = ("profile", "revision", "who", "approved_by", "reason", "limit", "before", "after")
    assert [row[name] for name in told] == ["demo", "2", "CH", "LP", "new instructions",
                                            "layer.least_mm", "0.8", "0.6"]  # fmt: skip
    found = taught(entries())
    (change,) = found.changes
    whole = {one.stage: (one.before[1], one.after[1]) for one in change.passes}
    assert whole == {"wax": (33, 17), "cast": (7, 3)}
    (scanner,) = found.scanners
    charts = {chart.quantity: chart for chart in scanner.charts}
    assert [point.value_mm for point in charts["trueness_mm"].points] == [0.004, 0.0065]
    assert [point.value_mm for point in charts["repeat_mm"].points] == [0.0071]
    assert len(charts["scanner_mm"].points) == CHECKS and "precision_mm" not in charts
    page = (folder / "en" / "trends.html").read_text(encoding="utf-8")
    (wax,) = (one for one in change.passes if one.stage == "wax")
    passed = [
        result["zones"] == [] for _, result in documents() if result["case"]["stage"] == "wax"
    ]
    assert (wax.before[0], wax.after[0]) == (sum(passed[:33]), sum(passed[33:]))
    assert f">{wax.before[0]} / 33<" in page and f">{wax.after[0]} / 17<" in page
    signals = charts["scanner_mm"].signals()
    assert signals and min(int(one.seen.case[2:]) for one in signals[:-1]) > DRIFT_FROM


def test_a_drift_is_drawn_as_a_diamond(folder: Path) -> None:
    """Every point that is told as speaking of a change, and no other."""
    page = (folder / "en" / "trends.html").read_text(encoding="utf-8")
    found = taught(entries())
    groups = [chart for one in (*found.groups, *found.scanners) for chart in one.charts]
    assert page.count("<polygon") == sum(len(chart.signals()) for chart in groups)
    assert any(p.drift and not (p.beyond or p.run) for chart in groups for p in chart.points)


def test_tables_hold_every_point_and_every_first_check(folder: Path) -> None:
    told = {}
    for name in ("first-checks", "places", "charts"):
        with (folder / "en" / f"{name}.csv").open(encoding="utf-8", newline="") as file:
            told[name] = list(csv.DictReader(file))
    assert len(told["first-checks"]) == CHECKS
    assert len([row for row in told["charts"] if not row["scanner"]]) == 2 * CHECKS
    wanted = {key: result["alignment"]["noise_mm"] for key, result in documents()}
    noise = [row for row in told["charts"] if row["quantity"] == "noise_mm"]
    assert {row["key"]: float(row["value_mm"]) for row in noise} == pytest.approx(wanted, abs=1e-6)
    cast = [row for row in noise if row["stage"] == "cast"]
    assert len(cast) == 10 and {row["high_mm"] for row in cast} == {""}, "too few for limits"
    thin = sum(int(row["too_thin"]) for row in told["places"])
    assert thin == sum(bool(result["zones"]) for _, result in documents())


def test_page_says_the_same_in_both_languages(folder: Path) -> None:
    english = (folder / "en" / "trends.html").read_text(encoding="utf-8")
    german = (folder / "de" / "trends.html").read_text(encoding="utf-8")
    passed = sum(not result["zones"] for _, result in documents() if
                 result["case"]["stage"] == "wax")  # fmt: skip
    assert f"({passed} of 50;" in english and f"({passed} von 50;" in german
    assert "Limits are drawn from 20 points on" in english
    assert english.count("<polygon") > 0 and "Points that speak of a change" in english
    assert 'lang="de"' in german and "Wachs" in german


def test_every_figure_of_a_chart_has_its_unit(folder: Path) -> None:
    text = (folder / "en" / "trends.html").read_text(encoding="utf-8")
    labels = re.findall(r"<text[^>]*>([^<]*)</text>", text)
    lengths = [label for label in labels if re.match(r"0\.\d", label)]
    assert lengths
    assert all(label.endswith(" mm") for label in lengths)


def test_page_is_whole_and_words_of_others_stay_words(folder: Path) -> None:
    text = (folder / "en" / "trends.html").read_text(encoding="utf-8")
    assert "<img" not in text and "&lt;img src=x" in text
    assert "<script" not in text and "style=" not in text and "http" not in text.replace(
        "http-equiv", "")  # fmt: skip


def test_an_empty_register_is_told_so() -> None:
    assert "No check is on record." in trends_page(Trends([]), Words("en"))


def test_since_starts_anew(folder: Path, tmp_path: Path) -> None:
    words = ["records", "trends", "--register", str(folder / "register.sqlite")]
    done = CliRunner().invoke(app, [*words, "--out", str(tmp_path), "--since", "2026-02-14"])
    assert done.exit_code == 0, done.output
    with (tmp_path / "first-checks.csv").open(encoding="utf-8", newline="") as file:
        assert len(list(csv.DictReader(file))) == CHECKS - DRIFT_FROM


def test_no_barrier_for_any_reader_by_day_in_the_dark_and_on_a_telephone(folder: Path) -> None:
    """axe-core's rules for WCAG levels A and AA; nothing is asked of a network, nothing spills."""
    from axe_playwright_python.sync_playwright import Axe

    rules = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa"]}
    with chromium() as browser:
        for scheme, width in (("light", 1200), ("dark", 1200), ("dark", 360)):
            page = browser.new_page(
                bypass_csp=True, color_scheme=scheme, viewport={"width": width, "height": 900}
            )
            asked: list[str] = []
            page.on("request", lambda request, asked=asked: asked.append(request.url))
            page.goto((folder / "en" / "trends.html").as_uri())
            assert len(asked) == 1
            found = Axe().run(page, options=rules).response["violations"]
            assert [(fault["id"], fault["nodes"][0]["html"][:120]) for fault in found] == []
            wide = page.evaluate("document.documentElement.scrollWidth")
            assert wide <= width
            ground = page.evaluate("getComputedStyle(document.body).backgroundColor")
            assert (ground == "rgb(255, 255, 255)") == (scheme == "light")
            page.close()
