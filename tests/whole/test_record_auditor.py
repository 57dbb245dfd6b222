"""Ten questions of an auditor, each answered by at most two commands, in SQLite and PostgreSQL.

What each answer must be is by construction: the laboratory of these tests is made up here, but for
A-1, a lump that was really checked and can be checked again.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

import pytest

import made_up_lab
import record_trials as trials
from made_up_lab import OURS, Lab
from veneercheck.profile import load_profile
from veneercheck.record import sha256_of

MOST_COMMANDS = 2


@pytest.fixture(
    scope="module", params=["sqlite", pytest.param("postgresql", marks=pytest.mark.long)]
)
def lab(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[Lab, str]]:
    """The laboratory, and the last hash that was noted halfway."""
    folder = tmp_path_factory.mktemp("lab")
    place = str(folder / "register.sqlite")
    if request.param == "postgresql":
        place = trials.new_database(str(request.getfixturevalue("server")), "auditor")
    with pytest.MonkeyPatch.context() as patched:
        made_up_lab.quick_keys(patched)
        lab = Lab(folder, place)
        yield lab, lived(lab)


def lived(lab: Lab) -> str:
    """Some years of a laboratory; the hash that the auditor noted at the last visit."""
    lab.staff()
    ours, ifu = lab.file("ours.toml", OURS), lab.file("ifu.txt", "instructions for use")
    lab.did("limits", "propose", ours, "--source", ifu, who="CH")
    lab.did("limits", "approve", "ours", who="LP")
    for name, until in (("S-1", "2026-12-31"), ("S-2", "2026-01-31")):
        lab.did("scanners", "add", name, "--serial", f"{name}-4711", who="CH")
        lab.did("scanners", "calibrate", name, "--artefact", "ball 3", "--measured-on",
                "2025-02-01", "--valid-until", until, who="CH")  # fmt: skip
    lots = {"composite": "X-77"}
    lab.real("A-1")
    lab.made_up("A-2", "findings", lots=lots)
    lab.made_up("A-3", "no findings", lots=lots, scanner="S-1", alloy="Alloy Two")
    lab.made_up("A-4", "findings", lots={"composite": "Y-1"}, limits=load_profile(ours))
    decide = ("records", "decide")
    for number, what, who in (("A-1", "accepted", "LP"), ("A-2", "accepted", "LP"),
                              ("A-3", "accepted", "CH"), ("A-4", "accepted", "LP"),
                              ("A-4", "taken back", "TN")):  # fmt: skip
        lab.did(*decide, number, "--what", what, "--why", f"seen {number}", who=who)
    noted = lab.did("records", "confirm", "--no-repeat").split()[-1]
    lab.made_up("A-5", "undecided", scanner="S-2", units=[46])
    second = lab.file("ours2.toml", OURS.replace("0.8", "0.6"))
    lab.did("limits", "propose", second, "--why", "new instructions", who="CH")
    lab.made_up("A-6", "findings", limits=load_profile(second), scanner="S-1")
    lab.made_up("A-7", "no findings", day="2001-05-05")
    lab.made_up("A-8", "no findings", day="2001-06-05")
    lab.did("records", "hold", "A-8", "--why", "complaint", who="CH")
    lab.did("records", "expire", "--years", "10", "--dispose", "--why", "ten years", who="LP")
    lab.did("people", "enrol", "TN", "--role", "left", who="LP")
    return noted


class Auditor:
    """Somebody who asks, and counts the commands it takes."""

    def __init__(self, lab: Lab, noted: str) -> None:
        self.lab, self.noted, self.commands = lab, noted, 0

    def asks(self, *words: str, code: int = 0) -> str:
        """One command's answer."""
        self.commands += 1
        return self.lab.did(*words, code=code)

    def finds(self, *words: str) -> dict[str, Any]:
        """The checks that a command finds, by their numbers."""
        rows = json.loads(self.asks("records", "find", *words, "--json"))
        return {row["case"]: row for row in rows}


@pytest.fixture
def auditor(lab: tuple[Lab, str]) -> Iterator[Auditor]:
    """Who has an answer after at most two commands."""
    one = Auditor(*lab)
    yield one
    assert 1 <= one.commands <= MOST_COMMANDS


def test_1_acceptances_with_findings_of_a_lot(auditor: Auditor) -> None:
    """Who, by which approved limits, is it unaltered, can it be repeated today?"""
    found = auditor.finds("--lot", "X-77", "--verdict", "findings", "--decision", "accepted",
                          "--confirm")  # fmt: skip
    names = ("decided_by", "revision", "limits", "approved_by", "unaltered", "repeated_the_same")
    told = {number: [row[name] for name in names] for number, row in found.items()}
    assert told == {
        "A-1": ["LP", "ours 1", "approved", "LP", True, True],
        "A-2": ["LP", None, "not on record", None, True, False],
    }
    assert "scan is not where it was" in found["A-2"]["not_repeated"]
    assert found["A-1"]["not_repeated"] is None


def test_2_checks_by_limits_that_nobody_approved(auditor: Auditor) -> None:
    assert [*auditor.finds("--limits-state", "not approved")] == ["A-6"]
    never = auditor.finds("--limits-state", "not on record")
    assert [*never] == ["A-2", "A-3", "A-5", "A-7", "A-8"]


def test_3_checks_without_a_valid_calibration(auditor: Auditor) -> None:
    """S-2 was out of date on the day; where no scanner was named, nobody can tell."""
    late = auditor.finds("--calibration", "out of date")
    assert {number: row["scanner"] for number, row in late.items()} == {"A-5": "s-2"}
    assert [*auditor.finds("--calibration", "absent")] == ["A-2", "A-4", "A-7", "A-8"]


def test_4_who_decided_what_and_in_which_role(auditor: Auditor) -> None:
    """TN has left since, and was a technician when the acceptance was taken back."""
    told = json.loads(auditor.asks("records", "show", "A-4", "--json"))
    assert [(one["who"], one["what"], one["signed_by"], one["role"], one["why"])
            for one in told["decisions"]] == [
        ("LP", "accepted", "LP", "licensed", "seen A-4"),
        ("TN", "taken back", "TN", "technician", "seen A-4"),
    ]  # fmt: skip
    shown = auditor.asks("records", "show", "A-1", "--lang", "de")
    assert "LP, befugte Person" in shown and "seen A-1" in shown and "A-4" not in shown


def test_5_how_limits_changed_and_what_would_read_otherwise(auditor: Auditor) -> None:
    listed = auditor.asks("limits", "list")
    rows = [line for line in listed.splitlines() if line.startswith("ours")]
    assert ["ifu.txt" in row for row in rows] == [True, False]
    assert "LP" in rows[0] and "new instructions" in rows[1] and "LP" not in rows[1]
    second = str(auditor.lab.folder / "ours2.toml")
    again = json.loads(
        auditor.asks("records", "again", "--profile", second, "--limits", "ours 1", "--json")
    )
    told = {row["case"]: (row["before"], row["after"]) for row in again}
    assert told["A-1"] == ("findings", "no findings")
    assert told["A-4"] == ("findings", "") and len(told) == 2, "its scans are not there"


def test_6_what_was_disposed_of_and_what_is_held(auditor: Auditor) -> None:
    (gone,) = json.loads(auditor.asks("records", "entries", "disposal", "--json"))
    assert (gone["case_number"], gone["who"], gone["why"]) == ("A-7", "LP", "ten years")
    assert gone["signature"]["by"] == "LP" and set(gone["disposed"]) == {
        "result.json", "standing.json"}  # fmt: skip
    shown = auditor.asks("records", "show", "A-8")
    assert "held back from disposal" in shown and "CH, complaint" in shown


def test_7_whether_the_record_is_the_one_of_the_last_visit(auditor: Auditor) -> None:
    told = auditor.asks("records", "confirm", "--no-repeat", "--noted", auditor.noted)
    assert "all up to it is as it was then" in told and "As put on record" in told
    other = auditor.asks("records", "confirm", "--no-repeat", "--noted", "0" * 64, code=1)
    assert "cut off or written anew" in other


def test_8_what_nobody_has_decided(auditor: Auditor) -> None:
    """An acceptance that was taken back is none."""
    assert [*auditor.finds("--not-decided", "--since", "2026-01-01")] == ["A-4", "A-5", "A-6"]
    assert [*auditor.finds("--undecided")] == ["A-5"]


def test_9_with_what_a_case_was_made(auditor: Auditor) -> None:
    """Alloy, lot, scanner with its calibration, limits with their approval; in one table."""
    shown = auditor.asks("records", "show", "A-1")
    today = datetime.now(UTC).date().isoformat()[:8]
    for words in ("Alloy One", "composite X-77", "S-1, serial S-1-4711", "valid: ball 3, measured "
                  "on 2025-02-01, valid until 2026-12-31", "«ours», revision 1, approved by LP on "
                  f"{today}"):  # fmt: skip
        assert words in shown, words
    told = json.loads(auditor.asks("records", "show", "A-1", "--json"))
    source = told["check"]["standing"]["limits"]["source"]
    assert source == {"file": "ifu.txt", "sha256": sha256_of("instructions for use")}


def test_10_who_could_accept_on_a_day(auditor: Auditor) -> None:
    """Nobody was enrolled in 2001; today two may accept, and who left may do nothing."""
    today = datetime.now(UTC).date().isoformat()
    rows = auditor.asks("people", "list", "--on", today).splitlines()
    may = {row.split()[0]: "accept," in row for row in rows if row[:2] in ("LP", "CH", "TN")}
    assert may == {"LP": True, "CH": True, "TN": False}
    assert "LP" not in auditor.asks("people", "list", "--on", "2001-01-01")


def test_an_altered_case_is_told_beside_what_is_found(lab: tuple[Lab, str]) -> None:
    """By name, with the exit code of what differs; the other one stays whole."""
    one, words = lab[0], ("records", "find", "--lot", "X-77", "--alloy", "Alloy Two", "--confirm")
    file = one.folder / "cases" / "A-3" / "result.json"
    whole = file.read_bytes()
    file.write_bytes(whole + b" ")
    try:
        done = one.run(*words, "--csv")
        assert done.exit_code == 1 and str(file) in done.stderr
        (row,) = csv.DictReader(io.StringIO(done.stdout))
        assert (row["case"], row["unaltered"], row["repeated_the_same"]) == (
            "A-3",
            "False",
            "False",
        )
        german = one.run(*words, "--lang", "de")
        assert "verändert" in german.stdout
    finally:
        file.write_bytes(whole)
    shown = one.did(*words)
    assert "as put on record" in shown
    assert "scan is not where it was" in shown, "why it was not repeated"
