"""People, limits and scanners on record through the real command, in SQLite and in PostgreSQL.

Expected answers follow from the roles' table (`people.MAY`), our own choice, and from the days that
each test itself puts on record.
"""

from __future__ import annotations

import json
import random
import shutil
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

import find_trials
import record_trials as trials
from veneercheck.case.exits import Exit, code_of
from veneercheck.case.order import Settled
from veneercheck.cli.main import app
from veneercheck.core.errors import RecordError
from veneercheck.core.types import Case, Limits
from veneercheck.profile import built_in, load_profile
from veneercheck.profile.limits import parse_profile
from veneercheck.record import Entry, Register, canonical, keys, sha256_of, sha256_of_file
from veneercheck.record.bundle import bundle_faults, write_bundle
from veneercheck.record.confirm import confirm
from veneercheck.record.filing import standing_of
from veneercheck.record.keys import open_key
from veneercheck.record.located import file_hashes, files_on_record
from veneercheck.record.people import signature_faults
from veneercheck.record.register import link
from veneercheck.record.signing import person_entries, unsigned
from veneercheck.report.counted import STANDING, as_it_counts

NOW = datetime(2026, 3, 31, 10, 0, tzinfo=UTC)


@pytest.fixture(autouse=True)
def quick_keys(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Keys that open fast; each file says its own cost, and one test keeps the real one."""
    if "real_cost" not in request.node.name:
        monkeypatch.setattr(keys, "COST", {"memory_kib": 64, "rounds": 1, "lanes": 1})


class Lab:
    """A laboratory: its register, keys, and the command."""

    def __init__(self, folder: Path, place: str) -> None:
        self.folder, self.place, self.keys = folder, place, folder / "keys"
        self.phrase = folder / "phrase.txt"
        self.phrase.write_text("correct horse battery\n", encoding="utf-8")

    def run(self, *words: str, keyed: bool = True) -> Any:
        """What the command says, and how it ends."""
        more = ["--keys", str(self.keys), "--phrase-file", str(self.phrase)] if keyed else []
        return CliRunner().invoke(app, [*words, "--register", self.place, *more])

    def did(self, *words: str, keyed: bool = True) -> str:
        """What the command says; it must have worked."""
        done = self.run(*words, keyed=keyed)
        assert done.exit_code == 0, (words, done.output, done.exception)
        return str(done.output)

    def refuses(self, *words: str, keyed: bool = True) -> str:
        """What the command refuses, in its words."""
        done = self.run(*words, keyed=keyed)
        assert isinstance(done.exception, RecordError), (words, done.output)
        return str(done.exception)

    def checked(
        self, verdict: str, number: str, limits: Limits | None = None, scanner: str = ""
    ) -> str:
        """Put a check on record whose result is made up, with its standing; the check's key."""
        limits = limits or built_in()
        folder = self.folder / "cases" / number
        folder.mkdir(parents=True)
        body = find_trials.made_up_check(int(number[2:]), random.Random(1))
        body["result"] |= {"verdict": verdict, "zones": []}
        body["result"]["case"]["number"] = number
        named = {"sha256": sha256_of(number), "place": "f.stl", "called": "f.stl"}
        body["order"] |= {"scans": {"framework": named, "waxup": named}, "earlier": {}}
        body["order"] |= {"case": {}, "aligned": False}
        work = Settled(Path("f.stl"), Path("w.stl"), Case(number), limits, scanner=scanner)
        (folder / "result.json").write_text(json.dumps(body["result"]), encoding="utf-8")
        with Register(self.place) as register:
            body["standing"] = standing_of(register, work, "TN", NOW)
            (folder / STANDING).write_text(json.dumps(body["standing"]), encoding="utf-8")
            body |= {"folder": str(folder), "files": file_hashes(folder)}
            return register.append(sha256_of(canonical(body)), body).key


@pytest.fixture
def lab(request: pytest.FixtureRequest, tmp_path: Path) -> Lab:
    """A laboratory of the test's own: in SQLite, but where both kinds of database are asked for.

    That both hold and find the same entries is shown in `edges`.
    """
    if getattr(request, "param", "sqlite") == "sqlite":
        return Lab(tmp_path, str(tmp_path / "register.sqlite"))
    server = str(request.getfixturevalue("server"))
    return Lab(tmp_path, trials.new_database(server, f"p{sha256_of(str(tmp_path))[:20]}"))


both = pytest.mark.parametrize("lab", ["sqlite", "postgresql"], indirect=True)


def staffed(lab: Lab) -> str:
    """LP is licensed, CH checks, TN is a technician; the recovery key."""
    told = lab.did("people", "enrol", "LP", "--name", "L. Person", "--role", "licensed")
    for who, role in (("CH", "checker"), ("TN", "technician")):
        lab.did("people", "enrol", who, "--role", role, "--who", "LP")
    return told.strip().splitlines()[-1]


@both
def test_who_may_decide_what_and_what_confirm_says_of_it(lab: Lab) -> None:
    """With findings only the licensed person may accept it."""
    thin, sound = lab.checked("findings", "T-1"), lab.checked("no findings", "T-2")
    staffed(lab)
    what = ("records", "decide", thin[:12], "--what", "accepted", "--why", "measured by hand")
    assert "accept with findings" in lab.refuses(*what, "--who", "CH")
    assert "not enrolled" in lab.refuses(*what, "--who", "XX")
    lab.did(*what, "--who", "LP")
    lab.did("records", "decide", sound[:12], "--what", "accepted", "--who", "CH")
    lab.did("records", "decide", thin[:12], "--what", "cut again", "--who", "TN")
    assert "as put on record" in lab.did("records", "confirm", "--no-repeat", keyed=False).lower()
    shown = lab.did("people", "list", "--lang", "de", keyed=False)
    assert "befugte Person" in shown and "mit Befunden annehmen" in shown


def test_a_first_person_who_is_not_licensed_is_refused(lab: Lab) -> None:
    told = lab.refuses("people", "enrol", "TN", "--role", "technician")
    assert "must be a licensed person" in told


def test_a_wrong_pass_phrase_opens_nothing(lab: Lab) -> None:
    lab.checked("findings", "T-1")
    staffed(lab)
    lab.phrase.write_text("another phrase", encoding="utf-8")
    told = lab.refuses("records", "decide", "T-1", "--what", "accepted", "--who", "LP")
    assert "does not open" in told


def test_a_key_of_real_cost_opens_with_its_phrase_alone(tmp_path: Path) -> None:
    """RFC 9106, second recommended choice; a file that asks for more than a machine has does not
    open, nor one whose bytes were altered."""
    made = keys.new_key(tmp_path, "AB", "correct horse battery")
    file = tmp_path / "AB.json"
    told = json.loads(file.read_text(encoding="utf-8"))
    assert told["argon2id"] == {"memory_kib": 65536, "rounds": 3, "lanes": 4}
    assert keys.open_key(tmp_path, "AB", "correct horse battery").public == made.public
    last = "00" if told["sealed"][-2:] != "00" else "01"
    for altered in ({"argon2id": {**told["argon2id"], "memory_kib": 1 << 30}},
                    {"sealed": told["sealed"][:-2] + last}, {"salt": "00" * 16}):  # fmt: skip
        file.write_text(json.dumps(told | altered), encoding="utf-8")
        with pytest.raises(RecordError, match="does not open"):
            keys.open_key(tmp_path, "AB", "correct horse battery")
    with pytest.raises(RecordError, match="too short"):
        keys.new_key(tmp_path, "CD", "short")


@both
def test_keys_are_turned_and_lost_ones_survived(lab: Lab) -> None:
    """By the old key, by a licensed person, and, where every key is lost, from the paper."""
    thin = lab.checked("findings", "T-1")
    paper = staffed(lab)
    lab.did("records", "decide", thin[:12], "--what", "accepted", "--who", "LP")
    old = lab.folder / "old"
    shutil.copytree(lab.keys, old)
    lab.did("people", "enrol", "TN", "--who", "TN", "--why", "yearly")
    (lab.keys / "CH.json").unlink()
    lab.did("people", "enrol", "CH", "--who", "LP", "--why", "lost")
    shutil.rmtree(lab.keys)
    assert "no recovery key" in lab.refuses("people", "enrol", "LP", "--recovery", "00-11")
    lab.did("people", "enrol", "LP", "--recovery", paper, "--why", "fire")
    lab.did("records", "decide", thin[:12], "--what", "remake", "--who", "LP")
    with Register(lab.place) as register:
        assert list(unsigned(register)) == []
    lab.keys = old
    told = lab.refuses("records", "decide", thin[:12], "--what", "accepted", "--who", "LP")
    assert "not the one on record" in told


def test_who_left_signs_nothing_more_and_what_was_signed_holds(lab: Lab) -> None:
    thin = lab.checked("findings", "T-1")
    staffed(lab)
    lab.did("records", "decide", thin[:12], "--what", "cut again", "--who", "TN")
    lab.did("people", "enrol", "TN", "--role", "left", "--who", "LP")
    assert "left" in lab.refuses("records", "decide", thin[:12], "--what", "remake", "--who", "TN")
    with Register(lab.place) as register:
        assert list(unsigned(register)) == []


def forged(lab: Lab, body: dict[str, Any], by: str) -> dict[str, Any]:
    """A decision signed with somebody's key, past the command."""
    return open_key(lab.keys, by, "correct horse battery").signed(body)


def test_forged_repeated_and_moved_decisions_are_found(lab: Lab) -> None:
    """Each is put into the chain as a program with access to the register could."""
    thin, sound = lab.checked("findings", "T-1"), lab.checked("no findings", "T-2")
    staffed(lab)
    lab.did("records", "decide", thin[:12], "--what", "remake", "--who", "LP")
    with Register(lab.place) as register:
        real = register.decisions_on(thin)[0]
        base = {"kind": "decision", "check_key": thin, "case_number": "T-1", "who": "LP",
                "what": "accepted", "why": "", "decided_at_utc": "2026", "files": {}}  # fmt: skip
        unlike = {
            "not signed": base,
            "forged": {**forged(lab, base | {"after": [real.key]}, "LP"), "why": "altered"},
            "may not accept with findings": forged(lab, base | {"after": [real.key]}, "TN"),
            "repeated or moved": forged(lab, base | {"after": []}, "LP"),
        }
        moved = {**real.body, "check_key": sound}
        for name, body in {**unlike, "its signature": moved}.items():
            entries = [(e.seq, e.key, e.body) for e in register.entries()]
            own = (len(entries) + 1, sha256_of(canonical(body)), body)
            found = list(signature_faults([*entries, own]))
            assert len(found) == 1 and found[0][0] == own[0] and name in found[0][1], (name, found)
        register.append(sha256_of(canonical(unlike["forged"])), unlike["forged"])
        told = [str(one) for one in confirm(register, repeat=False).differences]
    assert any("forged" in words for words in told), told


def test_a_signature_is_verified_from_the_bundle_alone(lab: Lab) -> None:
    """The register is elsewhere; a bundle whose decision was signed by another key is told."""
    thin = lab.checked("findings", "T-1")
    staffed(lab)
    lab.did("records", "decide", thin[:12], "--what", "accepted", "--who", "LP")
    out = lab.folder / "T-1.zip"
    lab.did("records", "export", thin[:12], "--out", str(out), keyed=False)
    assert bundle_faults(out) == []
    with Register(lab.place) as register:
        check, (decision,) = register.with_key(thin), register.decisions_on(thin)
        assert check is not None
        files, people = files_on_record(register, check), person_entries(register)
    for body in (
        {**decision.body, "why": "altered"},
        forged(lab, {n: v for n, v in decision.body.items() if n != "signature"}, "TN"),
    ):
        text = canonical(body)
        hashed = link(decision.seq, decision.key, text, decision.previous)
        other = Entry(decision.seq, decision.key, body, decision.previous, hashed, text)
        write_bundle(out, lab.folder / "cases" / "T-1", files, [check, other], people)
        told = [str(one) for one in bundle_faults(out)]
        assert len(told) == 1 and f"entry {decision.seq}" in told[0], told


@both
def test_limits_are_approved_and_a_check_says_which_revision_judged_it(lab: Lab) -> None:
    staffed(lab)
    profile = lab.folder / "ours.toml"
    profile.write_text('name = "ours"\n[layer]\nleast_mm = 0.8\n', encoding="utf-8")
    source = lab.folder / "ifu.txt"
    source.write_text("instructions for use", encoding="utf-8")
    propose = ("limits", "propose", str(profile))
    lab.did(*propose, "--who", "CH", "--source", str(source))
    assert "revision 1 of «ours» already" in lab.refuses(*propose, "--who", "CH")
    assert "may not approve limits" in lab.refuses("limits", "approve", "ours", "--who", "CH")
    first = lab.checked("findings", "T-1", limits=load_profile(profile))
    lab.did("limits", "approve", "ours", "--who", "LP")
    assert "approved already" in lab.refuses("limits", "approve", "ours", "--who", "LP")
    second = lab.checked("findings", "T-2", limits=load_profile(profile))
    built_in = lab.checked("findings", "T-3")
    profile.write_text('name = "ours"\n[layer]\nleast_mm = 0.9\n', encoding="utf-8")
    assert "needs a reason" in lab.refuses(*propose, "--who", "CH")
    lab.did(*propose, "--who", "CH", "--why", "new instructions")
    with Register(lab.place) as register:
        entries = [register.with_key(key) for key in (first, second, built_in)]
        stands = [entry.body["standing"]["limits"] for entry in entries if entry]
    assert [one["state"] for one in stands] == ["not approved", "approved", "not on record"]
    assert stands[1]["approved_by"] == "LP"
    assert stands[1]["source"] == {"file": "ifu.txt", "sha256": sha256_of("instructions for use")}
    found = lab.did("records", "find", "--limits", "ours 1", "--json", keyed=False)
    assert [row["case"] for row in json.loads(found)] == ["T-1", "T-2"]
    listed = lab.did("limits", "list", keyed=False)
    assert "ours 1" in listed and "ours 2" in listed and "new instructions" in listed


DAYS = {"2026-01-01 2026-12-31": "valid", "2025-01-01 2026-03-30": "out of date",
        "2026-04-01 2026-12-31": "out of date"}  # fmt: skip
"""Measured on, valid until; and what that is worth on 31 March 2026."""


@pytest.mark.parametrize(
    ("lab", "days"),
    [*zip(("sqlite", "postgresql", "sqlite"), DAYS, strict=True)],
    indirect=["lab"],
)
def test_a_calibration_holds_on_its_days_and_limits_may_ask_for_it(lab: Lab, days: str) -> None:
    measured, until = days.split()
    lab.did("scanners", "add", "S-1", "--serial", "4711", "--who", "LP")
    lab.did("scanners", "calibrate", "S-1", "--who", "LP", "--artefact", "ball bar 3",
            "--measured-on", measured, "--valid-until", until, "--trueness-um", "4",
            "--certificate", str(lab.phrase))  # fmt: skip
    asks = parse_profile({"scan": {"calibration": "needed"}, "name": "strict"})
    key = lab.checked("no findings", "T-1", limits=asks, scanner="S-1")
    told = lab.checked("no findings", "T-2", scanner="S-1")
    none = lab.checked("no findings", "T-3", limits=asks)
    with Register(lab.place) as register:
        rows = {row["key"]: row["verdict"] for row in register.list_checks()}
        entry = register.with_key(key)
    assert entry is not None
    calibration = entry.body["standing"]["calibration"]
    assert (calibration["state"], calibration["trueness_um"]) == (DAYS[days], 4.0)
    assert calibration["certificate"] == {"file": lab.phrase.name,
                                          "sha256": sha256_of_file(lab.phrase)}  # fmt: skip
    assert entry.body["result"]["verdict"] == "no findings", "as measured"
    assert rows[key] == ("no findings" if DAYS[days] == "valid" else "undecided")
    assert rows[told] == "no findings" and rows[none] == "undecided"
    assert "S-1" in lab.did("scanners", "list", "--lang", "de", keyed=False)


def test_a_scanner_that_is_not_on_record_is_refused(lab: Lab) -> None:
    with Register(lab.place), pytest.raises(RecordError, match="no scanner"):
        lab.checked("no findings", "T-1", scanner="S-9")


def test_what_limits_ask_for_is_in_the_verdict_and_in_the_exit_code() -> None:
    """As for a doubtful alignment: even a firm zone is no finding where nothing was calibrated."""
    result = {"verdict": "findings", "alignment": {"state": "trusted"},
              "zones": [{"decision": "firm"}]}  # fmt: skip
    assert code_of(as_it_counts(result, None)) is Exit.FINDINGS
    assert code_of(as_it_counts(result, {"undecided": []})) is Exit.FINDINGS
    lacking = as_it_counts(result, {"undecided": ["calibration"]})
    assert code_of(lacking) is Exit.UNDECIDED and lacking["verdict"] == "undecided"
