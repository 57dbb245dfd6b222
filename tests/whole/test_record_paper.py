"""What the printed report carries of a check on record, in both languages, through the command."""

from __future__ import annotations

import dataclasses
import json
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from typer.testing import CliRunner

import record_trials as trials
from veneercheck.cli.main import app
from veneercheck.core.types import LayerLimits, Limits
from veneercheck.record import Register, rejudging, sha256_of_file
from veneercheck.record.located import folder_of
from veneercheck.record.rebuild import rebuild
from veneercheck.record.rejudging import Otherwise
from veneercheck.report.standing import code_words, read_code

CASE = """
case = "D-7"
units = [45, 46]
alloy = "CoCr 4"
composite = "paste 2"
shade = "A3"
scanner = "S-1"

[lots]
composite = "AB-12"

[scans]
framework = "f.stl"
waxup = "w.stl"
"""


@pytest.fixture(scope="module", params=[pytest.param("en", marks=pytest.mark.long), "de"])
def lab(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A case checked into a register with its report, by a scanner whose calibration ran out.

    In SQLite and in English, in PostgreSQL and in German.
    """
    folder = tmp_path_factory.mktemp(request.param)
    place = str(folder / "register.sqlite")
    if request.param == "de":
        place = trials.new_database(str(request.getfixturevalue("server")), "paper")
    (folder / "place").write_text(place, encoding="utf-8")
    trials.scans(folder / "scans")
    (folder / "scans" / "case.toml").write_text(CASE, encoding="utf-8")
    for words in (
        ("scanners", "add", "S-1", "--serial", "4711", "--who", "AB"),
        ("scanners", "calibrate", "S-1", "--artefact", "ball bar 3", "--measured-on", "2020-01-01",
         "--valid-until", "2020-12-31", "--who", "AB"),
        ("check", "--case", str(folder / "scans" / "case.toml"), "--aligned", "--who", "TN",
         "--out", str(folder / "cases"), "--lang", request.param),
    ):  # fmt: skip
        done = CliRunner().invoke(app, [*words, "--register", place_of(folder)])
        assert done.exit_code in (0, 1), (done.output, done.exception)
    yield folder


def place_of(folder: Path) -> str:
    """The register of a laboratory."""
    return (folder / "place").read_text(encoding="utf-8")


def text_of(pdf: Path) -> str:
    """The words of a PDF, by poppler."""
    done = subprocess.run(["pdftotext", "-raw", pdf, "-"], capture_output=True, check=True)
    return done.stdout.decode("utf-8").replace("\u200b", "")


def test_the_paper_says_who_with_what_and_by_which_limits(lab: Path) -> None:
    folder = next(path for path in (lab / "cases").iterdir() if path.name.startswith("D-7"))
    told = text_of(folder / "report.pdf")
    with Register(place_of(lab)) as register:
        check = register.checks_of("D-7")[0]
    sha = sha256_of_file(folder / "result.json")
    for words in ("TN", check.key, "CoCr 4", "paste 2", "A3", "AB-12", "S-1", "4711", "ball bar 3",
                  "2020-12-31", "generic", sha):  # fmt: skip
        assert words in told, words
    first_page = told.split("\f")[0]
    overdue = {"en": "out of date", "de": "abgelaufen"}[lab.name[:2]]
    approved = {"en": "not approved on record", "de": "freigegeben verzeichnet"}[lab.name[:2]]
    assert overdue in first_page and approved in " ".join(first_page.split())
    page = (folder / "report.html").read_text(encoding="utf-8")
    assert "4711" in page and check.key in page and overdue in page


def test_the_code_on_paper_finds_its_check_and_no_other_result(lab: Path) -> None:
    """The code of the key and the result's hash, as a hand scanner types it."""
    folder = next(path for path in (lab / "cases").iterdir() if path.name.startswith("D-7"))
    with Register(place_of(lab)) as register:
        key = register.checks_of("D-7")[0].key
    sha = sha256_of_file(folder / "result.json")
    code = code_words({"standing": {"key": key, "result_sha256": sha}})
    assert code is not None and read_code(code) == (key, sha)
    squeezed = "".join(text_of(folder / "report.pdf").split())
    assert code in squeezed
    place = ["--register", place_of(lab)]
    done = CliRunner().invoke(app, ["records", "show", code, *place])
    assert done.exit_code == 0 and "D-7" in done.output
    other = CliRunner().invoke(app, ["records", "show", code[:-1] + "G", *place])
    assert "another result" in str(other.exception)
    done = CliRunner().invoke(app, ["records", "confirm", "--no-repeat", *place])
    assert done.exit_code == 0, done.output


@pytest.mark.parametrize("lab", ["en"], indirect=True)
def test_a_decision_stands_on_the_paper_with_all_that_was_there(lab: Path) -> None:
    place = ["--register", place_of(lab)]
    words = ["records", "decide", "D-7", "--what", "cut again", "--who", "QA", "--why", "46"]
    done = CliRunner().invoke(app, [*words, *place])
    assert done.exit_code == 0, (done.output, done.exception)
    folder = next(path for path in (lab / "cases").iterdir() if path.name.startswith("D-7"))
    told = text_of(folder / "report.pdf")
    assert "QA" in told and "4711" in told
    done = CliRunner().invoke(app, ["records", "confirm", "--no-repeat", *place])
    assert done.exit_code == 0, done.output


@pytest.mark.parametrize("lab", ["en"], indirect=True)
def test_other_limits_are_tried_on_what_is_on_record(lab: Path) -> None:
    """Cut back by 0.9 mm, 0.7 mm of layer are left (by construction): under 0.5 mm no finding."""
    place = ["--register", place_of(lab)]
    mild = lab / "mild.toml"
    mild.write_text('name = "mild"\n[layer]\nleast_mm = 0.5\n', encoding="utf-8")
    again = CliRunner().invoke(app, ["records", "again", "--profile", str(mild), "--json", *place])
    assert again.exit_code == 0, (again.output, again.exception)
    (row,) = json.loads(again.stdout)
    assert (row["before"], row["after"], row["firm_after"]) == ("findings", "no findings", 0)
    same = CliRunner().invoke(app, ["records", "again", "--profile", "generic", *place])
    assert "0 of 1 checks would read otherwise" in same.output


@pytest.mark.parametrize("lab", ["en"], indirect=True)
def test_where_the_map_suffices_nothing_is_checked_again(
    lab: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """0.7 mm of layer everywhere (by construction) are far from 2.0 and from 1.9 mm. What the
    map alone says is what a whole check says; a map that was altered says nothing."""
    told = {}
    with Register(place_of(lab)) as register:
        (check,) = register.checks_of("D-7")
        own = rebuild(Limits, check.body["order"]["limits"])
        asked: list[str] = []

        def judged(least_mm: float, greatest_mm: float) -> Otherwise:
            layer = LayerLimits(least_mm, greatest_mm)
            other = dataclasses.replace(own, layer=layer)
            (found,) = rejudging.rejudged(register, iter([check]), other, asked.append)
            return found

        told["map"] = judged(own.layer.least_mm, 1.9)
        assert asked == [] and not told["map"].differs
        with monkeypatch.context() as patched:
            patched.setattr(rejudging, "_map_suffices", lambda *_: False)
            told["check"] = judged(own.layer.least_mm, 1.9)
        assert len(asked) == 1 and told["check"] == told["map"]
        judged(own.layer.least_mm - 0.01, 1.9)
        file = folder_of(register, check) / "space.ply"
        whole = file.read_bytes()
        file.write_bytes(whole[:-1] + b"x")
        judged(own.layer.least_mm, 1.9)
        file.write_bytes(whole)
        assert len(asked) == 3, "another least layer, an altered map: checked again"
