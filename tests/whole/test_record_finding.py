"""What is on record, found through the real command, in SQLite and in PostgreSQL.

Expected rows are by construction: each case is given the alloy, lot or word it is looked for by.
"""

from __future__ import annotations

import csv
import io
import json
import random
import sys
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

import browsing
import find_trials
import record_trials as trials
from program import run
from veneercheck.cli.main import app
from veneercheck.record import Register, sha256_of
from veneercheck.record.marks import marks_of

CASES: dict[str, dict[str, Any]] = {
    "D-1": {"verdict": "findings", "alloy": "Alloy One", "lots": {"composite": "AB-12"},
            "units": [45, 46], "notes": "Größe am Rand prüfen", "day": "2026-01-05"},
    "D-2": {"verdict": "no findings", "alloy": "Alloy Two", "lots": {"alloy": "AB-12"},
            "units": [14], "stage": "cast", "day": "2026-02-05"},
    "D-3": {"verdict": "undecided", "alloy": "Alloy One", "lots": {"composite": "CD-3"},
            "units": [46], "scanner": "S-1", "day": "2026-03-05"},
    "D-4": {"verdict": "findings", "who": "EF", "open": True, "day": "2026-03-06",
            "revision": "ours 2"},
}  # fmt: skip
"""What differs in each case; all else is the same."""


def body_of(number: str, own: dict[str, Any]) -> dict[str, Any]:
    """A check's body with what is its own."""
    body = find_trials.made_up_check(int(number[2:]), random.Random(1))
    result = body["result"]
    zone = {"id": 1, "finding": "too_thin", "decision": "firm", "tooth": "46",
            "surface": "buccal", "area_mm2": 1.0, "extreme_mm": 0.8, "u_mm": 0.05}  # fmt: skip
    result["zones"] = [zone | {"decision": "undecided"}] if own.get("open") else []
    case = {"number": number, "units": [11], "stage": "wax", "notes": "", "alloy": "", "lots": {}}
    case |= {name: own[name] for name in case if name in own}
    result["case"] = case | {"composite": "", "shade": ""}
    result |= {"verdict": own["verdict"], "checked_at_utc": f"{own['day']}T10:00:00+00:00"}
    more: dict[str, Any] = {"standing": {"undecided": []}}
    if "revision" in own:
        name, revision = own["revision"].split()
        limits = {"state": "approved", "profile": name, "revision": int(revision)}
        more["standing"]["limits"] = limits
    if "scanner" in own:
        named = {"scanner": {"name": own["scanner"]}, "calibration": {"state": "valid"}}
        more["standing"] |= named
    return {**body, "who": own.get("who", "AB"), "folder": f"cases/{number}", **more}


@pytest.fixture(scope="module", params=["sqlite", "postgresql"])
def place(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> str:
    """A register with the four cases: D-1 accepted, D-2 accepted and taken back."""
    if request.param == "sqlite":
        where = str(tmp_path_factory.mktemp("register") / "register.sqlite")
    else:
        where = trials.new_database(str(request.getfixturevalue("server")), "found")
    with Register(where) as register:
        keys = {}
        for number, own in CASES.items():
            body = body_of(number, own)
            keys[number] = register.append(sha256_of(number), body).key
        for number, what, why in (("D-1", "accepted", "seen by Zweitprüfer"),
                                  ("D-2", "accepted", "")):  # fmt: skip
            told = trials.decision(int(number[2:]), why)[1]
            told |= {"check_key": keys[number], "what": what, "case_number": number, "who": "QA"}
            last = register.append(sha256_of(f"decision {number}"), told)
        back = {**told, "what": "taken back", "takes_back": last.key}
        register.append(sha256_of("back"), back)
    return where


def ran(place: str, *words: str) -> Any:
    """The command's answer."""
    done = CliRunner().invoke(app, ["records", *words, "--register", place])
    assert done.exit_code == 0, done.output
    return done.output


ASKED = {
    "": "D-1 D-2 D-3 D-4",
    "D-2": "D-2",
    "--case d-3": "D-3",
    "--unit 46": "D-1 D-3",
    "--verdict findings": "D-1 D-4",
    "--stage cast": "D-2",
    "--lot ab-12": "D-1 D-2",
    "--alloy alloy-one": "",
    "--since 2026-02-05": "D-2 D-3 D-4",
    "--until 2026-02-05": "D-1 D-2",
    "--since 2026-03-05 --until 2026-03-05": "D-3",
    "--who EF": "D-4",
    "--who QA": "D-1 D-2",
    "--scanner S-1": "D-3",
    "--limits generic": "D-1 D-2 D-3 D-4",
    "--limits ours~2": "D-4",
    "--undecided": "D-3 D-4",
    "--not-decided": "D-2 D-3 D-4",
    "--decision accepted": "D-1",
    "--words größe": "D-1",
    "--words rand~prüf": "D-1",
    "--words rand~nothing": "",
    "zweitprüfer": "D-1",
    "--verdict findings --lot ab-12 --decision accepted": "D-1",
    "--limit 2": "D-3 D-4",
    "thin": "D-4",
}
"""Words of the command (~ for a blank within one), and the cases that it must name."""


@pytest.mark.parametrize("words", ASKED)
def test_each_question_finds_its_cases_and_no_other(place: str, words: str) -> None:
    asked = [word.replace("~", " ") for word in words.split()]
    found = [row["case"] for row in json.loads(ran(place, "find", *asked, "--json"))]
    assert " ".join(found) == ASKED[words]
    listed = [
        row["case"] for row in csv.DictReader(io.StringIO(ran(place, "list", *asked, "--csv")))
    ]
    assert listed == found


def test_what_is_found_leaves_as_parquet_and_is_read_back(place: str, tmp_path: Path) -> None:
    """Rows, types and empty fields are those of the JSON; none found is a table without rows."""
    pytest.importorskip("pyarrow", reason="needs the extra [parquet]")
    from pyarrow import parquet, types

    file, told = tmp_path / "found.parquet", json.loads(ran(place, "find", "--json"))
    assert ran(place, "find", "--parquet", str(file)).startswith("4 checks")
    table = parquet.read_table(file)
    back = table.to_pylist()
    for row, one in zip(back, told, strict=True):
        moments = {name for name, value in row.items() if isinstance(value, datetime)}
        assert "checked_at_utc" in moments
        assert row | {name: row[name].isoformat() for name in moments} == one
    assert back[0]["units"] == ["45", "46"] and back[0]["decision"] == "accepted"
    assert back[3]["decided_at_utc"] is None
    assert types.is_timestamp(table.schema.field("decided_at_utc").type)
    assert types.is_integer(table.schema.field("seq").type)
    ran(place, "find", "--case", "nowhere", "--parquet", str(file))
    none = parquet.read_table(file)
    assert none.num_rows == 0 and none.schema == table.schema


def test_without_its_library_parquet_says_what_to_install(
    place: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    words = ["find", "--parquet", tmp_path / "x.parquet", "--register", place]
    refused = run("records", *words, folder=tmp_path)
    assert refused.code == 3 and "pip install 'veneercheck[parquet]'" in refused.told
    assert not list(tmp_path.iterdir())


def test_the_table_has_heads_and_the_folder_in_both_languages(place: str) -> None:
    shown = ran(place, "list")
    assert "verdict" in shown.splitlines()[0] and "folder" in shown.splitlines()[0]
    assert "cases/D-4" in shown and "4 on record" in shown
    german = ran(place, "list", "--lang", "de", "--alloy", "Alloy One")
    assert "Urteil" in german and "Befunde" in german and "2 verzeichnet" in german
    assert "accepted" not in german


def test_the_page_takes_its_filters_from_its_address(place: str, tmp_path: Path) -> None:
    """The real page, by the same questions as the command; what is typed is only words."""
    with browsing.entered(tmp_path / "bench", "--register", place) as page:
        for words, cases in (
            ("lot=ab-12&verdict=findings", ["D-1"]),
            ("unit=46", ["D-1", "D-3"]),
            ("not_decided=1&since=2026-03-06", ["D-4"]),
            ("words=rand", ["D-1"]),
            ("words=%3Cb%3Enowhere", []),
            ("nonsense=1", ["D-1", "D-2", "D-3", "D-4"]),
        ):
            code, _, body = page.patient("GET", f"/records?lang=de&{words}")
            told = body.decode()
            rows = told.split("<tbody>")[1].split("<tr>")[1:]
            assert (
                code == 200 and [row.split("<td>")[2].split("<")[0] for row in rows] == cases[::-1]
            ), words
            assert "<b>" not in told and "Urteil" in told and f"{len(cases)} verzeichnet" in told


def test_one_case_is_shown_as_a_table_and_as_json(place: str) -> None:
    shown = ran(place, "show", "D-1")
    assert "accepted" in shown and "seen by Zweitprüfer" in shown and "cases/D-1" in shown
    told = json.loads(ran(place, "show", "D-1", "--json"))
    assert told["check"]["result"]["case"]["number"] == "D-1"
    assert [one["what"] for one in told["decisions"]] == ["accepted"]
    assert "Noch nicht entschieden" in ran(place, "show", "D-3", "--lang", "de")


def test_a_cell_that_a_spreadsheet_would_compute_is_only_words(tmp_path: Path) -> None:
    where = str(tmp_path / "register.sqlite")
    with Register(where) as register:
        register.append(sha256_of("x"), body_of("D-1", CASES["D-1"] | {"who": "=A"}))
    assert ",'=A," in ran(where, "list", "--csv")


def test_marks_of_odd_words_are_short_and_hold_no_control_signs() -> None:
    """PostgreSQL takes no NUL in a text, and no index holds thousands of signs."""
    own = CASES["D-1"] | {"alloy": "a\0b" * 500, "notes": "x" * 9000 + " \0 end"}
    marks = marks_of(body_of("D-1", own))
    assert all(len(value) <= 120 and value.isprintable() for _, value in marks)
    assert ("word", "end") in marks and len(marks) == len(set(marks))
