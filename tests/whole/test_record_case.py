"""A case on record from check to bundle: repeated to the last digit, and nothing altered unseen."""

from __future__ import annotations

import dataclasses
import json
import os
import random
import subprocess
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

import record_trials as trials
from veneercheck.cli.main import app
from veneercheck.core.errors import RecordError, ScanError
from veneercheck.core.types import Case, LayerLimits, Limits
from veneercheck.machine.aside import ASIDE
from veneercheck.profile import built_in
from veneercheck.record import Register, filing
from veneercheck.record.bundle import bundle_faults, write_bundle
from veneercheck.record.confirm import confirm
from veneercheck.record.deciding import decide
from veneercheck.record.filing import make_case_folder, put_on_record
from veneercheck.record.located import file_hashes, files_on_record, folder_of, one_check
from veneercheck.record.rebuild import kept, rebuild

scans, filed, NOW = trials.scans, trials.filed, trials.NOW


def test_what_is_kept_of_case_and_limits_gives_them_back() -> None:
    """Through JSON, with mappings by number, points and nested limits."""
    case = Case(
        "T-1", (45, 46), (46,), occlusal="+z", veneered=("buccal",),
        tooth_points_mm={46: (0.1, -2.0, 1e-17)}, veneered_units={45: ("basal",)},
    )  # fmt: skip
    assert rebuild(Case, json.loads(json.dumps(kept(case)))) == case
    own = built_in()
    fields = {**kept(own), "surfaces": {"basal": {"least_mm": 0.1 + 0.2, "greatest_mm": 3.0}}}
    again = rebuild(Limits, json.loads(json.dumps(fields)))
    assert again.surfaces == {"basal": LayerLimits(0.1 + 0.2, 3.0)}
    with pytest.raises(RecordError, match="does not know"):
        rebuild(Limits, {**kept(own), "lustre": 1.0})


def test_a_check_on_record_is_repeated_from_elsewhere_by_another_process(tmp_path: Path) -> None:
    """The scans that were checked are gone; those in the case folder serve."""
    register, entry = filed(tmp_path)
    register.close()
    for scan in (tmp_path / "scans").iterdir():
        scan.unlink()
    (tmp_path / "elsewhere").mkdir()
    done = subprocess.run(
        [
            sys.executable,
            "-m",
            "veneercheck",
            "records",
            "confirm",
            "--register",
            "../register.sqlite",
        ],
        cwd=tmp_path / "elsewhere",
        capture_output=True,
        text=True,
        env={**os.environ, "PYTHONHASHSEED": "77"},
        check=False,
    )
    assert done.returncode == 0, done
    assert "1 checks repeated to the last digit" in done.stdout
    assert entry.hash in done.stdout


def test_the_same_check_is_made_and_filed_once(tmp_path: Path) -> None:
    register, entry = filed(tmp_path)
    with register:
        work = scans(tmp_path / "copies")
        made = make_case_folder(work, tmp_path / "cases", with_report=False)
        assert not made.fresh, "the same bytes under another name are the same scans"
        assert put_on_record(register, made) == entry
        other = make_case_folder(
            scans(tmp_path / "other", 1.7), tmp_path / "cases", with_report=False
        )
        assert other.fresh
        put_on_record(register, other)
        assert len(register.list_checks()) == 2
        assert register.list_checks(verdict="findings")[0]["key"] == entry.key
        assert register.list_checks(verdict="undecided") == []
        scan = entry.body["order"]["scans"]["framework"]["sha256"]
        assert [row["key"] for row in register.list_checks(scan_sha256=scan)] == [entry.key]


def test_a_decision_stands_beside_the_verdict(tmp_path: Path) -> None:
    register, entry = filed(tmp_path)
    with register:
        result = (folder_of(register, entry) / "result.json").read_bytes()
        decide(register, "T-1", who="QA", what="accepted", why="measured by hand", now=NOW)
        decide(register, entry.key[:9], who="XY", what="remake", why="")
        assert (folder_of(register, entry) / "result.json").read_bytes() == result
        told = json.loads((folder_of(register, entry) / "decisions.json").read_text("utf-8"))
        assert [one["who"] for one in told["decisions"]] == ["QA", "XY"]
        assert confirm(register, repeat=False).differences == ()
        for who, what in (("Dr. A. B. Long", "accepted"), ("AB", "released")):
            with pytest.raises(RecordError):
                decide(register, "T-1", who=who, what=what, why="")


def test_the_report_shows_the_decision(tmp_path: Path) -> None:
    from veneercheck.report import read_result
    from veneercheck.report.html import page
    from veneercheck.report.words import Words

    register, entry = filed(tmp_path)
    with register:
        decide(register, "T-1", who="QA", what="ask the dentist", why="<b> & co", now=NOW)
        found = read_result(folder_of(register, entry))
    shown = page(found, {}, Words("en"))
    assert "ask the dentist, decided by QA, 2026-03-31 10:00 UTC: &lt;b&gt; &amp; co" in shown
    assert found.document["verdict"] == "findings"


def test_an_altered_byte_of_a_case_folder_is_named(tmp_path: Path) -> None:
    register, entry = filed(tmp_path)
    chance = random.Random(3)
    with register:
        folder = folder_of(register, entry)
        for name in files_on_record(register, entry):
            whole = (folder / name).read_bytes()
            broken = bytearray(whole)
            broken[chance.randrange(len(whole))] ^= 1 << chance.randrange(8)
            (folder / name).write_bytes(broken)
            told = confirm(register, repeat=False).differences
            assert [one.place for one in told] == [str(folder / name)]
            (folder / name).write_bytes(whole)
        (folder / "more.txt").touch()
        assert "not on record" in str(confirm(register, repeat=False).differences[0])
        (folder / "more.txt").unlink()
        assert confirm(register).differences == ()


def test_a_case_folder_without_an_entry_is_named(tmp_path: Path) -> None:
    """Entries cut off at the end of the register leave their folders behind."""
    register, _ = filed(tmp_path)
    with register:
        made = make_case_folder(
            scans(tmp_path / "other", 1.7), tmp_path / "cases", with_report=False
        )
        (told,) = confirm(register, repeat=False).differences
        assert told.place == str(made.folder)


def test_numbers_that_come_out_otherwise_are_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A program that adds a micrometre to the space is caught by field and version."""
    from veneercheck.core import types as t
    from veneercheck.core.measure.space import measure

    register, _ = filed(tmp_path)

    def shifted(framework: t.TriangleMesh, waxup: t.TriangleMesh, **more: object) -> object:
        moved = t.TriangleMesh(waxup.points_mm * (1 + 2e-4), waxup.faces)
        return measure(framework, moved, **more)

    monkeypatch.setattr("veneercheck.check.measure", shifted)
    monkeypatch.setattr("veneercheck.record.confirm.__version__", "9.9")
    with register:
        (told,) = confirm(register).differences
    assert "layer.max_mm was" in told.what
    assert "repeated by 9.9" in told.what


def test_a_failure_leaves_no_half_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A disk that is full when the order is written."""

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(filing, "write_text", full)
    with pytest.raises(RecordError, match="No space left"):
        make_case_folder(scans(tmp_path / "scans"), tmp_path / "cases", with_report=False)
    assert not (tmp_path / "cases").exists(), "made for this check, so it goes with it"


def test_a_case_folder_that_was_moved_is_told_as_that(tmp_path: Path) -> None:
    """Not as twenty missing files, nor as a disk that cannot be written; it can be brought back."""
    register, entry = filed(tmp_path)
    with register:
        folder = folder_of(register, entry)
        folder.rename(tmp_path / "away")
        (told,) = confirm(register).differences
        assert told.place == str(folder) and "not where it was" in told.what
        with pytest.raises(RecordError, match="not where it was"):
            decide(register, "T-1", who="QA", what="accepted", why="", now=NOW)
        (tmp_path / "away").rename(folder)
        assert confirm(register, repeat=False).differences == ()
        assert register.decisions_on(entry.key) == []


def test_a_bundle_that_was_made_up_is_whole_but_not_on_record(tmp_path: Path) -> None:
    """Another laboratory's register, with the same case decided otherwise, made one of them."""
    told = []
    for name, what in (("ours", "remake"), ("theirs", "accepted")):
        (tmp_path / name).mkdir()
        register, _ = filed(tmp_path / name)
        with register:
            decide(register, "T-1", who="QA", what=what, why="", now=NOW)
            bundle_of(register, tmp_path / f"{name}.zip")
        words = ["records", "confirm", str(tmp_path / f"{name}.zip")]
        place = str(tmp_path / "ours" / "register.sqlite")
        done = CliRunner().invoke(app, [*words, "--register", place])
        told.append((done.exit_code, done.output))
    assert told[0][0] == 0 and "its record is the one in" in told[0][1]
    assert told[1][0] == 1 and "record.json, entry 2: is not the one on record" in told[1][1]


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        (["list", "--since", "tomorrow"], 2, "no day"),
        (["trends", "--since", "2026-13-01"], 2, "no day"),
        (["confirm", "none.zip"], 3, "no such bundle"),
    ],
)
def test_what_is_not_there_is_no_empty_answer(
    tmp_path: Path, words: list[str], code: int, says: str
) -> None:
    """A list that is empty, or a bundle called altered, would be believed."""
    Register(tmp_path / "register.sqlite").close()
    command = [sys.executable, "-m", "veneercheck", "records", *words]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.returncode == code and says in done.stderr, done
    assert done.stdout == ""


def test_only_case_folders_are_left_in_the_store(tmp_path: Path) -> None:
    """After a check, a decision and a refusal no place for work is left beside them."""
    register, entry = filed(tmp_path)
    with register:
        decide(register, "T-1", who="QA", what="accepted", why="", now=NOW)
    (tmp_path / "w.stl").write_text("Dear Sir or Madam,", encoding="utf-8")
    refused = dataclasses.replace(scans(tmp_path / "scans"), waxup=tmp_path / "w.stl")
    with pytest.raises(ScanError):
        make_case_folder(refused, tmp_path / "cases")
    assert list((tmp_path / "cases").iterdir()) == [folder_of(register, entry)]
    (tmp_path / "cases" / ASIDE).write_text("a file in its place", encoding="utf-8")
    with pytest.raises(RecordError, match="cannot be written"):
        make_case_folder(refused, tmp_path / "cases")


def bundle_of(register: Register, target: Path) -> Path:
    entry = one_check(register, "T-1")
    entries = [entry, *register.decisions_on(entry.key)]
    return write_bundle(
        target, folder_of(register, entry), files_on_record(register, entry), entries
    )


def test_a_bundle_has_the_same_bytes_and_each_is_accounted_for(tmp_path: Path) -> None:
    register, _ = filed(tmp_path)
    with register:
        decide(register, "T-1", who="QA", what="accepted", why="", now=NOW)
        whole = bundle_of(register, tmp_path / "one.zip").read_bytes()
        assert bundle_of(register, tmp_path / "two.zip").read_bytes() == whole
    assert bundle_faults(tmp_path / "one.zip") == []
    chance = random.Random(5)
    small = [chance.randrange(3000) for _ in range(15)] + [
        -1 - chance.randrange(900) for _ in range(15)
    ]
    for at in [*small, *(chance.randrange(len(whole)) for _ in range(20))]:
        broken = bytearray(whole)
        broken[at] ^= 1 << chance.randrange(8)
        (tmp_path / "broken.zip").write_bytes(broken)
        assert bundle_faults(tmp_path / "broken.zip"), f"byte {at}"


def test_provenance_is_read_by_an_independent_reader(tmp_path: Path) -> None:
    """`prov` reads W3C PROV-JSON; the hashes are those of the files."""
    import zipfile

    from prov.model import ProvDocument

    register, entry = filed(tmp_path)
    with register:
        decide(register, "T-1", who="QA", what="accepted", why="", now=NOW)
        target = bundle_of(register, tmp_path / "one.zip")
        hashes = file_hashes(folder_of(register, entry))
    text = zipfile.ZipFile(target).read("prov.json").decode("utf-8")
    document = ProvDocument.deserialize(content=text, format="json")
    kinds = [type(record).__name__ for record in document.get_records()]
    assert kinds.count("ProvActivity") == 2
    assert kinds.count("ProvUsage") == 5
    assert kinds.count("ProvAgent") == 3
    said = {
        str(value)
        for record in document.get_records()
        for name, value in record.attributes
        if name.localpart == "sha256"
    }
    wanted = {hashes[name] for name in ("scans/framework.stl", "scans/waxup.stl", "result.json")}
    assert wanted <= said


def test_an_altered_case_is_not_bundled(tmp_path: Path) -> None:
    register, entry = filed(tmp_path)
    with register:
        (folder_of(register, entry) / "zones.csv").write_text("nothing", encoding="utf-8")
        with pytest.raises(RecordError, match="not as it is on record"):
            bundle_of(register, tmp_path / "one.zip")
    assert list(tmp_path.glob("*.zip*")) == list(tmp_path.glob(".*.partial")) == []
