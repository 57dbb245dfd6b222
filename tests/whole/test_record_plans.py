"""Plans on record are listed, found, shown, imported, held and disposed of as checks are.

In SQLite and in PostgreSQL, through the real command. What must be told is by construction.
"""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path
from typing import Any

import pytest

import made_up_lab
import record_trials as trials
from made_up_lab import Lab
from veneercheck.record import Register, sha256_of
from veneercheck.record.confirm import confirm
from veneercheck.record.importing import original_hash
from veneercheck.record.located import file_hashes


@pytest.fixture(params=[pytest.param("sqlite", marks=pytest.mark.long), "postgresql"])
def lab(request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Lab:
    """A check and a plan of T-1, a plan of T-2 alone, an old one of T-3."""
    made_up_lab.quick_keys(monkeypatch)
    place = str(tmp_path / "register.sqlite")
    if request.param == "postgresql":
        server = str(request.getfixturevalue("server"))
        place = trials.new_database(server, f"p{sha256_of(str(tmp_path))[:20]}")
    lab = Lab(tmp_path, place)
    lab.staff()
    lab.made_up("T-1", "findings")
    lab.made_up_plan("T-1", units=[45], lots={"composite": "X-77"}, conflicts=2)
    lab.made_up_plan("T-2", units=[46], alloy="Alloy One", notes="deep bite")
    lab.made_up_plan("T-3", day="2001-05-05")
    return lab


def planned(lab: Lab, *words: str) -> list[str]:
    """The case numbers of the plans that a command finds."""
    rows = json.loads(lab.did("records", "find", *words, "--plans", "--json"))
    return [row["case"] for row in rows]


def test_plans_are_listed_found_and_shown(lab: Lab) -> None:
    for words, told in (
        ((), ["T-1", "T-2", "T-3"]),
        (("T-2",), ["T-2"]),
        (("--unit", "45"), ["T-1"]),
        (("--lot", "x-77"), ["T-1"]),
        (("--alloy", "alloy one"), ["T-2"]),
        (("--words", "bite"), ["T-2"]),
        (("--since", "2026-01-01"), ["T-1", "T-2"]),
        (("--until", "2001-05-05"), ["T-3"]),
        (("--who", "TN", "--limit", "1"), ["T-3"]),
        (("--who", "LP"), []),
        (("--limits", "generic", "--case", "T-1"), ["T-1"]),
        (("--verdict", "findings"), []),
        (("--not-decided",), []),
        ((sha256_of("T-2")[:12],), ["T-2"]),
    ):
        assert planned(lab, *words) == told, words
    (row,) = csv.DictReader(io.StringIO(lab.did("records", "list", "T-1", "--plans", "--csv")))
    assert (row["case"], row["conflicts"], row["who"]) == ("T-1", "2", "TN")
    assert Path(row["folder"]) == lab.folder / "cases" / "T-1-plan"
    listed = lab.did("records", "list", "--lang", "de")
    assert "1 verzeichnet" in listed and "3 Pläne" in listed and "Stellen ohne Raum" in listed
    assert [row["case"] for row in json.loads(lab.did("records", "list", "--json"))] == ["T-1"]
    shown = lab.did("records", "show", "T-1")
    assert "verdict" in shown and "T-1-plan" in shown, "a check names the plans of its case"
    shown = lab.did("records", "show", "T-2")
    for words in ("Alloy One", "places without room", sha256_of("T-2"), "T-2-plan"):
        assert words in shown, words
    told = json.loads(lab.did("records", "show", "T-2", "--json"))
    assert told["plan"]["case_number"] == "T-2" and told["disposed"] is None


def test_an_old_plan_goes_by_a_signed_entry_and_one_that_is_held_stays(lab: Lab) -> None:
    """Its hashes stay on record, the chain confirms, and a backup holds what is left."""
    key = next(row["key"] for row in everything(lab) if row["case"] == "T-3")
    hashes = file_hashes(lab.folder / "cases" / "T-3-plan")
    words = ("records", "expire", "--years", "10")
    assert "plan" in lab.did(*words) and (lab.folder / "cases" / "T-3-plan").is_dir()
    lab.did("records", "hold", "T-3", "--why", "enquiry", who="CH")
    assert "held" in lab.did(*words, "--dispose", "--why", "old", who="LP")
    assert (lab.folder / "cases" / "T-3-plan").is_dir()
    lab.did("records", "hold", "T-3", "--why", "settled", "--release", who="CH")
    refused = lab.run(*words, "--dispose", "--why", "old", who="TN")
    assert refused.exit_code != 0 and (lab.folder / "cases" / "T-3-plan").is_dir()
    assert "disposed" in lab.did(*words, "--dispose", "--why", "old", who="LP")
    assert not (lab.folder / "cases" / "T-3-plan").exists()
    (gone,) = json.loads(lab.did("records", "entries", "disposal", "--json"))
    assert (gone["check_key"], gone["disposed"]) == (key, hashes)
    assert gone["case_number"] == "T-3" and gone["signature"]["by"] == "LP"
    assert "LP" in lab.did("records", "show", "T-3") and planned(lab, "T-3") == ["T-3"]
    with Register(lab.place) as register:
        assert confirm(register, repeat=False).differences == ()
    assert "3 cases" in lab.did("records", "backup", "--out", str(lab.folder / "b.zip"))


def everything(lab: Lab) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = json.loads(lab.did("records", "list", "--plans", "--json"))
    return rows


def test_plans_come_over_and_conflicts_are_named(lab: Lab, tmp_path: Path) -> None:
    """Into a register of its own (SQLite): T-2 stands for another case there."""
    (tmp_path / "ours").mkdir()
    ours = Lab(tmp_path / "ours", str(tmp_path / "ours" / "register.sqlite"))
    ours.staff()
    ours.made_up("T-2", "findings", scans="ours")
    words = ("records", "import", lab.place, "--out", str(tmp_path / "ours" / "imported"))
    told = ours.did(*words, who="LP", code=1)
    assert "CONFLICT plan" in told and "case number T-2 is on record here by other scans" in told
    assert "On record: 1 checks" in told and "On record: 2 plans" in told
    assert "3 were there" in ours.did(*words, who="LP", code=1), "again changes nothing"
    assert planned(ours) == ["T-1", "T-3"]
    folder = Path(everything(ours)[0]["folder"])
    assert file_hashes(folder) == file_hashes(lab.folder / "cases" / "T-1-plan")
    with Register(lab.place) as theirs, Register(ours.place) as register:
        there = {one.key: one.hash for one in theirs.entries()}
        came = [one for one in register.entries() if "imported" in one.body]
        assert len(came) == 3 and all(original_hash(one) == there[one.key] for one in came)
        assert all(one.body["signature"]["by"] == "LP" for one in came)
        assert confirm(register, repeat=False).differences == ()
    assert "of register" in ours.did("records", "show", "T-3")
    told = ours.did(*words, "--same-numbers", who="LP")
    assert "On record: 1 plans" in told and planned(ours, "T-2") == ["T-2"]
