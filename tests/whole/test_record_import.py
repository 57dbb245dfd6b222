"""Checks of another register, of a backup and of a bundle taken over; conflicts are named.

The other laboratory has people and keys of its own. What must come over is by construction.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

import made_up_lab
import record_trials as trials
from made_up_lab import Lab
from veneercheck.core.errors import RecordError
from veneercheck.profile import load_profile
from veneercheck.record import Register, canonical, sha256_of
from veneercheck.record.bundle import bundle_faults
from veneercheck.record.confirm import confirm
from veneercheck.record.importing import import_faults, original_hash, source_of, take_in
from veneercheck.record.located import file_hashes
from veneercheck.record.people import signature_faults

OLD_BUNDLE = Path(__file__).parents[1] / "edges" / "bundle_1.zip"
"""Written by the program before people, limits and scanners came on record: a check of two small
files with a decision on it."""


@pytest.fixture(params=[pytest.param("sqlite", marks=pytest.mark.long), "postgresql"])
def labs(
    request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> tuple[Lab, Lab]:
    """The other laboratory, and this one; T-4 is another case in each."""
    made_up_lab.quick_keys(monkeypatch)
    places = [str(tmp_path / name / "register.sqlite") for name in ("other", "ours")]
    if request.param == "postgresql":
        server = str(request.getfixturevalue("server"))
        places[1] = trials.new_database(server, f"i{sha256_of(str(tmp_path))[:20]}")
    made = []
    for name, place in zip(("other", "ours"), places, strict=True):
        (tmp_path / name).mkdir()
        made.append(Lab(tmp_path / name, place))
        made[-1].staff()
    other, ours = made
    other.made_up("T-1", "findings")
    other.made_up("T-2", "no findings")
    other.made_up("T-3", "no findings", day="2001-05-05")
    other.made_up("T-4", "findings", scans="theirs")
    ours.made_up("T-4", "no findings")
    other.did("records", "decide", "T-1", "--what", "accepted", "--why", "by hand", who="LP")
    other.did("records", "hold", "T-2", "--why", "complaint", who="CH")
    other.did("records", "expire", "--years", "10", "--dispose", "--why", "old", who="LP")
    return other, ours


def imported(ours: Lab, source: str, code: int = 0, *more: str) -> str:
    """What importing says; folders come below our own."""
    out = str(ours.folder / "imported")
    return ours.did("records", "import", source, "--out", out, *more, who="LP", code=code)


def test_checks_come_over_with_their_decisions_and_conflicts_are_named(
    labs: tuple[Lab, Lab],
) -> None:
    other, ours = labs
    with Register(ours.place) as register:
        before = [entry.hash for entry in register.entries()]
    told = imported(ours, other.place, 1)
    assert "CONFLICT" in told and "case number T-4 is on record here by other scans" in told
    assert "3 checks, 3 entries on them; 0 were there" in told and "3 of kind person" in told
    assert "3 were there" in imported(ours, other.place, 1), "again changes nothing"
    with Register(other.place) as theirs, Register(ours.place) as register:
        entries = list(register.entries())
        assert [entry.hash for entry in entries[: len(before)]] == before
        assert len(entries) == len(before) + 6
        origins = {one.key: one.hash for one in theirs.entries()}
        came = [one for one in entries if "imported" in one.body]
        assert all(original_hash(one) == origins[one.key] for one in came)
        assert confirm(register, repeat=False).differences == ()
        (accepted,) = [one for one in came if one.body["kind"] == "decision"]
        assert accepted.body["imported"]["role"] == "licensed"
        assert accepted.body["signature"]["by"] == "LP"
        assert accepted.body["signature"]["key"] != accepted.body["imported"]["signature"]["key"]
    found = json.loads(ours.did("records", "find", "--decision", "accepted", "--json"))
    assert [row["case"] for row in found] == ["T-1"]
    files = file_hashes(Path(found[0]["folder"]))
    assert files == file_hashes(other.folder / "cases" / "T-1")
    shown = ours.did("records", "show", "T-1")
    assert f"of register {came[0].body['imported']['register'][:12]}, by LP" in shown
    with_all = imported(ours, other.place, 0, "--same-numbers")
    assert "1 checks, 0 entries on them; 3 were there" in with_all


def test_what_is_decided_later_there_is_named_and_what_is_decided_here_is_signed(
    labs: tuple[Lab, Lab],
) -> None:
    """A later decision changes files of the case there: it is not mixed with what is here."""
    other, ours = labs
    imported(ours, other.place, 1)
    ours.did("records", "decide", "T-1", "--what", "remake", "--why", "", who="TN")
    other.did("records", "decide", "T-1", "--what", "cut again", "--why", "", who="TN")
    assert "on record here without entries" in imported(ours, other.place, 1)
    assert "as put on record" in ours.did("records", "confirm", "--no-repeat").lower()


def test_an_import_that_was_stopped_goes_on(tmp_path: Path) -> None:
    """Stopped between a check and the decision on it: nothing is doubled or lost."""
    (tmp_path / "other").mkdir()
    other = Lab(tmp_path / "other", str(tmp_path / "other" / "register.sqlite"))
    other.made_up("T-1", "findings")
    other.did("records", "decide", "T-1", "--what", "remake", "--why", "", "--who", "AB")
    signed = []

    def sign(body: Mapping[str, Any]) -> Mapping[str, Any]:
        signed.append(body["kind"])
        if len(signed) == 2:
            raise KeyboardInterrupt
        return body

    with Register(tmp_path / "ours.sqlite") as ours, source_of(other.place) as source:
        how: Any = {"who": "CD", "now": made_up_lab.NOW}
        with pytest.raises(KeyboardInterrupt):
            take_in(ours, source, tmp_path / "cases", sign=sign, **how)
        taken = take_in(ours, source, tmp_path / "cases", sign=sign, **how)
        assert (taken.checks, taken.more, taken.there) == (0, 1, 0)
        assert signed == ["check", "decision", "decision"]
        assert confirm(ours, repeat=False).differences == ()


def test_who_may_not_and_what_was_made_up(labs: tuple[Lab, Lab]) -> None:
    """Only a licensed person imports; what is altered after it, or never was there, is found."""
    other, ours = labs
    done = ours.run("records", "import", other.place, who="CH")
    assert isinstance(done.exception, RecordError) and "may not import" in str(done.exception)
    imported(ours, other.place, 1)
    with Register(ours.place) as register:
        assert list(import_faults(register)) == []
        (real,) = [one for one in register.entries()
                   if one.body["kind"] == "decision"]  # fmt: skip
        body = {**real.body, "why": "another reason"}
        forged = register.append(sha256_of(canonical(body)), body)
        told = [str(one) for one in import_faults(register)]
        signed = list(signature_faults((e.seq, e.key, e.body) for e in register.entries()))
    assert len(told) == 1 and f"entry {forged.seq}" in told[0]
    assert [seq for seq, _ in signed] == [forged.seq], "nor does its signature hold"


def test_the_same_check_with_other_decisions_is_a_conflict(labs: tuple[Lab, Lab]) -> None:
    """Nothing is added to a check that was made here; the entry that is lacking is named."""
    other, ours = labs
    out = ours.folder / "T-1.zip"
    other.did("records", "export", "T-1", "--out", str(out))
    with Register(other.place) as theirs, Register(ours.place) as register:
        check = theirs.checks_of("T-1")[0]
        register.append(check.key, {**check.body, "folder": str(other.folder / "cases" / "T-1")})
        lacking = theirs.decisions_on(check.key)[0].seq
        changed = theirs.checks_of("T-2")[0]
        unlike = {**changed.body, "files": {"result.json": "0" * 64}}
        register.append(changed.key, unlike)
    assert f"without entries [{lacking}] on it" in imported(ours, str(out), 1)
    assert "another result of the same check" in imported(ours, other.place, 1)


def test_backups_and_bundles_come_over_too_and_damaged_ones_do_not(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made_up_lab.quick_keys(monkeypatch)
    (tmp_path / "other").mkdir()
    (tmp_path / "ours").mkdir()
    other = Lab(tmp_path / "other", str(tmp_path / "other" / "register.sqlite"))
    ours = Lab(tmp_path / "ours", str(tmp_path / "ours" / "register.sqlite"))
    other.made_up("T-1", "findings")
    other.made_up("T-2", "findings")
    other.did("records", "decide", "T-1", "--what", "remake", "--why", "", "--who", "AB")
    limits = other.file("ours.toml", made_up_lab.OURS)
    other.did("limits", "propose", limits, "--who", "AB")
    other.did("limits", "approve", "ours", "--who", "CD")
    other.made_up("T-3", "findings", limits=load_profile(limits))
    bundle, backup = tmp_path / "T-1.zip", tmp_path / "all.zip"
    other.did("records", "export", "T-1", "--out", str(bundle))
    other.did("records", "backup", "--out", str(backup))
    out = ("--out", str(ours.folder / "cases"), "--who", "CD")
    shutil.rmtree(other.folder / "cases")
    assert "1 checks, 1 entries" in ours.did("records", "import", str(bundle), *out)
    assert "2 checks, 0 entries on them; 1 were there" in ours.did(
        "records", "import", str(backup), *out)  # fmt: skip
    with Register(ours.place) as register:
        assert confirm(register, repeat=False).differences == ()
        count = len(list(register.entries()))
    found = json.loads(ours.did("records", "find", "--limits-state", "approved", "--json"))
    told = [(one["case"], one["revision"], one["approved_by"]) for one in found]
    assert told == [("T-3", None, None)], "another laboratory's revision is none of ours"
    for file in (bundle, backup, Path(other.place)):
        whole = file.read_bytes()
        file.write_bytes(whole.replace(b"remake", b"accept"))
        done = ours.run("records", "import", str(file), *out)
        assert isinstance(done.exception, RecordError), file
    done = ours.run("records", "import", str(tmp_path / "nowhere"), *out)
    assert isinstance(done.exception, RecordError)
    with Register(ours.place) as register:
        assert len(list(register.entries())) == count


def test_a_bundle_of_an_older_version_opens_and_comes_over(tmp_path: Path) -> None:
    assert bundle_faults(OLD_BUNDLE) == []
    ours = Lab(tmp_path, str(tmp_path / "register.sqlite"))
    told = ours.did("records", "import", str(OLD_BUNDLE), "--out", str(tmp_path / "cases"),
                    "--who", "AB")  # fmt: skip
    assert "1 checks, 1 entries" in told
    with Register(ours.place) as register:
        assert confirm(register, repeat=False).differences == ()
        (check,) = register.checks_of("T-1")
        assert [one.body["what"] for one in register.decisions_on(check.key)] == ["accepted"]
        folder = tmp_path / "cases" / Path(check.body["folder"]).name
        assert file_hashes(folder).keys() == {"result.json", "zones.csv", "decisions.json"}
