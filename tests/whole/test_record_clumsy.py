"""Cases on record under clumsy hands: wrong numbers, decisions at once, broken folders, names.

Every expected value is what the chapter of `veneercheck.record` says of the command.
"""

from __future__ import annotations

import dataclasses
import json
import os
import pkgutil
import re
import shutil
import signal
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

import pikepdf
import pydicom
import pytest
from typer.testing import CliRunner

import record_trials as trials
from program import run
from veneercheck.cli.main import app
from veneercheck.core.errors import RecordError
from veneercheck.core.types import TriangleMesh
from veneercheck.machine.aside import ASIDE
from veneercheck.record import Entry, Register, deciding, filing, sha256_of
from veneercheck.record.confirm import confirm
from veneercheck.record.deciding import decide
from veneercheck.record.export import export_dicom, export_fhir
from veneercheck.record.located import file_hashes, files_on_record, folder_of, one_check
from veneercheck.record.register import OvertakenError
from veneercheck.record.sameness import key_of
from veneercheck.scan import read_scan

NAME = "Huber Anna"
"""Invented; two words with capitals, as a person's name has them."""


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("made")
    trials.filed(folder)[0].close()
    return folder


@pytest.fixture
def place(made: Path, tmp_path: Path) -> Path:
    """A copy of a register with one case, to do as one likes with."""
    return Path(shutil.copytree(made, tmp_path / "filed"))


def records(place: Path, *words: str) -> Any:
    return CliRunner().invoke(
        app, ["records", *words, "--register", str(place / "register.sqlite")]
    )


@pytest.mark.parametrize("length", [0, 1, 7])
def test_only_a_case_number_or_eight_signs_of_a_key_stand_for_a_case(
    place: Path, length: int
) -> None:
    """The chapter of the room: at least eight signs of a check's key serve."""
    with Register(place / "register.sqlite") as register:
        (check,) = register.checks_of("T-1")
    told = records(place, "decide", check.key[:length], "--what", "accepted", "--who", "AB")
    assert isinstance(told.exception, RecordError), told
    with Register(place / "register.sqlite") as register:
        assert register.decisions_on(check.key) == []
        assert one_check(register, check.key[:8]) == check


def test_a_start_that_two_keys_share_is_refused(place: Path) -> None:
    with Register(place / "register.sqlite") as register:
        (check,) = register.checks_of("T-1")
        register.append(check.key[:10] + "0" * 54, dict(check.body))
        with pytest.raises(RecordError, match="2 checks"):
            one_check(register, check.key[:9])
        assert one_check(register, check.key[:12]) == check


def test_the_answer_names_case_check_and_register_and_a_decision_is_taken_back(
    place: Path,
) -> None:
    told = records(place, "decide", "T-1", "--what", "accepted", "--who", "AB")
    with Register(place / "register.sqlite") as register:
        check = one_check(register, "T-1")
    before, after = told.output.splitlines()
    for line in (before, after):
        assert all(word in line for word in ("T-1", check.key[:12], "register.sqlite")), told.output
    told = records(place, "decide", "T-1", "--what", "taken back", "--who", "AB")
    assert told.exit_code == 0, told.output
    fhir = records(
        place, "export", "T-1", "--form", "fhir", "--out", str(place / "one.json"),
    )  # fmt: skip
    assert fhir.exit_code == 0, fhir.output
    report = json.loads((place / "one.json").read_text("utf-8"))["entry"][0]["resource"]
    assert report["status"] == "preliminary", "the acceptance was taken back"
    with Register(place / "register.sqlite") as register:
        accepted, back = register.decisions_on(check.key)
        assert back.body["takes_back"] == accepted.key
        with pytest.raises(RecordError, match="no decision"):
            decide(register, "T-1", who="AB", what="taken back", why="")
        assert confirm(register, repeat=False).differences == ()


def told_in(folder: Path) -> list[str]:
    text = (folder / "decisions.json").read_text("utf-8")
    return [one["why"] for one in json.loads(text)["decisions"]]


def test_decisions_at_once_are_all_in_the_folder_and_all_on_record(place: Path) -> None:
    """Eight persons at one moment: the report must show what the register holds."""
    gate, failed = threading.Barrier(8), list[Exception]()

    def one(number: int) -> None:
        try:
            with Register(place / "register.sqlite") as register:
                gate.wait()
                decide(register, "T-1", who=f"P{number}", what="accepted", why=f"{number}")
        except Exception as error:  # told by the assertion below
            failed.append(error)

    crowd = [threading.Thread(target=one, args=(number,)) for number in range(8)]
    for thread in crowd:
        thread.start()
    for thread in crowd:
        thread.join()
    assert failed == []
    with Register(place / "register.sqlite") as register:
        check = one_check(register, "T-1")
        on_record = [entry.body["why"] for entry in register.decisions_on(check.key)]
        assert sorted(on_record) == [str(number) for number in range(8)]
        assert told_in(folder_of(register, check)) == on_record
        assert confirm(register, repeat=False).differences == ()
    assert not (place / "cases" / ASIDE).exists()


def test_who_decides_without_having_seen_the_latest_is_told(place: Path) -> None:
    with Register(place / "register.sqlite") as register:
        check = one_check(register, "T-1")
        decide(register, "T-1", who="AB", what="accepted", why="")
        body = {**trials.decision(1)[1], "check_key": check.key}
        with pytest.raises(OvertakenError):
            register.append("0" * 64, body, seen=[])
        assert len(register.decisions_on(check.key)) == 1


class Cut(BaseException):
    """The process ends here."""


@pytest.mark.parametrize("where", ["before the entry", "after the entry", "amid the files"])
def test_a_decision_that_was_cut_off_is_finished_or_undone_at_the_next_start(
    place: Path, monkeypatch: pytest.MonkeyPatch, where: str
) -> None:
    """An honest user never looks like a forger. Cut at each step of the order of writing."""
    with Register(place / "register.sqlite") as register:
        check = one_check(register, "T-1")
        folder = folder_of(register, check)
        before = file_hashes(folder)
        with monkeypatch.context() as patch:
            append, to_disk = Register.append, deciding.to_disk

            def cut(*args: Any, **more: Any) -> Entry:
                if where != "before the entry":
                    append(*args, **more)
                raise Cut

            def cut_amid(path: Path) -> None:
                to_disk(path)
                if path == folder:
                    raise Cut

            if where == "amid the files":
                patch.setattr(deciding, "to_disk", cut_amid)
            else:
                patch.setattr(Register, "append", cut)
                patch.setattr(deciding, "_settle", lambda *_, **__: None)
            with pytest.raises(Cut):
                decide(register, "T-1", who="AB", what="accepted", why="cut")
        left = list((place / "cases" / ASIDE).iterdir())
        assert len(left) == 1, "it was cut off"
        command = [sys.executable, "-c", "import os; print(os.getpid())"]
        dead = subprocess.run(command, capture_output=True, text=True, check=True).stdout.strip()
        left[0].rename(left[0].with_name(left[0].name.replace(str(os.getpid()), dead)))
        assert confirm(register, repeat=False).differences == ()
        on_record = where != "before the entry"
        assert len(register.decisions_on(check.key)) == on_record
        assert (file_hashes(folder) == before) is not on_record
        assert file_hashes(folder) == files_on_record(register, check)
    assert not (place / "cases" / ASIDE).exists()


@pytest.mark.parametrize("where", ["amid the report", "on record"])
def test_ctrl_c_while_deciding_leaves_nothing_that_looks_altered(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, where: str
) -> None:
    """While the report is drawn anew, and once the entry stands and its files are still aside."""
    trials.filed(tmp_path, with_report=True)[0].close()
    place = "veneercheck.report.paper.write_papers", "veneercheck.record.Register.append"
    own = pkgutil.resolve_name(place[where == "on record"])

    def pressed(*args: Any, **more: Any) -> Any:
        done = own(*args, **more) if where == "on record" else None
        signal.raise_signal(signal.SIGINT)
        return done

    monkeypatch.setattr(place[where == "on record"], pressed)
    if where == "on record":  # what is drawn is as good as any
        monkeypatch.setattr("veneercheck.report.render", lambda folder, **_: drawn_by_hand(folder))
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    words = ["decide", "T-1", "--what", "accepted", "--who", "AB", "--register", "register.sqlite"]
    try:
        done = run("records", *words, folder=tmp_path)
    finally:
        signal.signal(signal.SIGINT, before)
    assert (done.code, done.told) == (130, "veneercheck: stopped; nothing half-written was left.\n")
    assert not (tmp_path / "cases" / ASIDE).exists()
    with Register(tmp_path / "register.sqlite") as register:
        check = one_check(register, "T-1")
        on_record = register.decisions_on(check.key)
        assert len(on_record) == (where == "on record")
        folder = folder_of(register, check)
        assert (folder / "decisions.json").exists() == (where == "on record")
        assert file_hashes(folder) == files_on_record(register, check)
        assert confirm(register, repeat=False).differences == ()


def drawn_by_hand(folder: Path) -> None:
    (folder / "report.html").write_text("another page", "utf-8")


def test_an_altered_result_does_not_come_on_record_by_a_decision(tmp_path: Path) -> None:
    register, check = trials.filed(tmp_path, with_report=True)
    with register:
        result = folder_of(register, check) / "result.json"
        result.write_text(result.read_text("utf-8") + " ", "utf-8")
        with pytest.raises(RecordError, match="not as it is on record"):
            decide(register, "T-1", who="AB", what="accepted", why="")
        assert register.decisions_on(check.key) == []


@pytest.fixture(scope="module")
def finished_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("finished")
    work = trials.scans(folder / "scans")
    filing.make_case_folder(work, folder / "cases", with_report=False)
    return folder


@pytest.fixture
def finished(finished_once: Path, tmp_path: Path) -> Path:
    """A copy of two scans and of the folder of their check, which is in no register."""
    return Path(shutil.copytree(finished_once, tmp_path, dirs_exist_ok=True))


def folder_within(place: Path) -> Path:
    (folder,) = (path for path in (place / "cases").iterdir() if path.name != ASIDE)
    return folder


def broken(folder: Path, how: str) -> None:
    if how == "no space.ply":
        (folder / "space.ply").unlink()
    elif how == "half a space.ply":
        data = (folder / "space.ply").read_bytes()
        (folder / "space.ply").write_bytes(data[: len(data) // 2])
    elif how == "no scan":
        (folder / "scans" / "waxup.stl").unlink()
    else:
        (folder / how.removeprefix("empty ")).write_bytes(b"")


@pytest.mark.parametrize(
    "how",
    ["no space.ply", "half a space.ply", "no scan", "empty result.json", "empty order.json"],
)
def test_a_finished_folder_that_is_not_whole_is_not_filed(finished: Path, how: str) -> None:
    work = trials.scans(finished / "scans")
    broken(folder_within(finished), how)
    with pytest.raises(RecordError, match="not whole"):
        filing.make_case_folder(work, finished / "cases", with_report=False)
    with Register(finished / "register.sqlite") as register:
        with pytest.raises(RecordError, match="not whole"):
            filing.check_on_record(register, work, finished / "cases", with_report=False)
        assert register.list_checks() == []


def test_an_empty_folder_is_filled_under_the_key_made_before_anything_is_copied(
    finished: Path,
) -> None:
    work, folder = trials.scans(finished / "scans"), folder_within(finished)
    shutil.rmtree(folder)
    folder.mkdir()
    again = filing.make_case_folder(work, finished / "cases", with_report=False)
    assert again.fresh and (again.folder / "result.json").exists()
    assert key_of(work) == again.key != sha256_of("")


@pytest.mark.parametrize("name", ["a?b.sqlite", "50%.sqlite", "a%3Fb#c.sqlite", "a@b.sqlite"])
def test_the_register_is_the_very_file_that_was_named(tmp_path: Path, name: str) -> None:
    with Register(tmp_path / name) as register:
        assert register.file == tmp_path / name
        assert register.shown == str(tmp_path / name)
    assert [path.name for path in tmp_path.iterdir()] == [name]


def test_a_check_on_record_is_not_done_again_elsewhere(place: Path) -> None:
    work = trials.scans(place / "scans")
    with Register(place / "register.sqlite") as register:
        check = one_check(register, "T-1")
        made, entry = filing.check_on_record(register, work, place / "elsewhere")
        assert entry == check and not made.fresh
        assert made.folder == folder_of(register, check)
        assert not (place / "elsewhere").exists()
        made.folder.rename(place / "moved")
        with pytest.raises(RecordError, match="not where it was"):
            filing.check_on_record(register, work, place / "elsewhere")


@pytest.fixture(scope="module")
def named(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A case in which a name stands wherever a laboratory may have written one."""
    folder = tmp_path_factory.mktemp("named")
    work = trials.scans(folder / "scans", number=NAME)
    paths = []
    for path in (work.framework, work.waxup):
        data = path.read_bytes()
        paths.append(path.with_name(f"{NAME} {path.name}"))
        paths[-1].write_bytes(NAME.encode().ljust(80) + data[80:])
    case = dataclasses.replace(work.case, notes=f"for {NAME}")
    work = dataclasses.replace(work, framework=paths[0], waxup=paths[1], case=case)
    with Register(folder / "register.sqlite") as register:
        filing.check_on_record(register, work, folder / "cases", who="AB")
        decide(register, NAME, who="AB", what="accepted", why=f"{NAME} agreed", now=trials.NOW)
    return folder


def words_of(pdf: bytes, room: Path) -> str:
    """What stands in a PDF: its text by poppler, its attachments and metadata by qpdf."""
    (room / "one.pdf").write_bytes(pdf)
    found = subprocess.run(["pdftotext", str(room / "one.pdf"), "-"], capture_output=True,
                           text=True, check=True).stdout  # fmt: skip
    with pikepdf.open(room / "one.pdf") as opened:
        for one in opened.attachments.values():
            found += one.get_file().read_bytes().decode("utf-8")
        found += str(opened.open_metadata()) + str(dict(opened.docinfo))
    return re.sub(r"\s+", " ", found)


needs_poppler = pytest.mark.skipif(
    shutil.which("pdftotext") is None, reason="Debian's poppler-utils is missing"
)


@needs_poppler
def test_names_are_truly_taken_out_of_dicom(named: Path, tmp_path: Path) -> None:
    told: list[str] = []
    with Register(named / "register.sqlite") as register:
        kept = export_dicom(register, NAME, tmp_path / "kept")
        bare = export_dicom(register, NAME, tmp_path / "bare", without_names=True, told=told.append)
        check = one_check(register, NAME)
    for path in kept:
        assert "PatientIdentityRemoved" not in pydicom.dcmread(path), "nothing was removed"
    objects = [pydicom.dcmread(path) for path in bare]
    assert {str(one.PatientIdentityRemoved) for one in objects} == {"YES"}
    assert {one.PatientID for one in objects} == {check.key[:12]}
    report, scans = objects[0], objects[1:]
    shown = words_of(report.EncapsulatedDocument, tmp_path)
    assert NAME in words_of(pydicom.dcmread(kept[0]).EncapsulatedDocument, tmp_path), "it was there"
    assert "too thin" in shown and "accepted" in shown, "the report itself is there"
    for part in ("Huber", "Anna"):
        assert part not in shown
        assert all(part.encode() not in path.read_bytes() for path in bare[1:])
        assert part not in str(report)
    for path, one in zip(("framework", "waxup"), scans, strict=True):
        (tmp_path / "one.stl").write_bytes(one.EncapsulatedDocument)
        own = check.body["order"]["scans"][path]["place"]
        with Register(named / "register.sqlite") as register:
            before = read_scan(folder_of(register, check) / own).mesh
        assert same(read_scan(tmp_path / "one.stl").mesh, before)
    listed = " ".join(told)
    for what in ("case number", "notes", "names of the scans", "reasons", "STL"):
        assert what in listed
    assert "Huber" not in listed


def same(one: TriangleMesh, other: TriangleMesh) -> bool:
    return bool((one.points_mm == other.points_mm).all() and (one.faces == other.faces).all())


@needs_poppler
def test_names_are_truly_taken_out_of_fhir(named: Path, tmp_path: Path) -> None:
    import base64

    path = tmp_path / "one.json"
    words = ["export", NAME, "--form", "fhir", "--out", str(path), "--patient-id", "H-7"]
    done = records(named, *words, "--without-names")
    assert done.exit_code == 0, done.output
    assert "looks like" not in done.stderr
    assert "Taken out: the notes" in done.stdout
    told = json.loads(path.read_text("utf-8"))
    form = told["entry"][0]["resource"].pop("presentedForm")[0]
    shown = words_of(base64.b64decode(form["data"]), tmp_path)
    for part in ("Huber", "Anna"):
        assert part not in shown + json.dumps(told)
    assert "H-7" in shown


def test_an_export_warns_of_names_as_a_check_does(named: Path, tmp_path: Path) -> None:
    words = ["export", NAME, "--form", "fhir", "--out", str(tmp_path / "one.json")]
    told = records(named, *words)
    assert told.exit_code == 0, told.output
    assert f"«{NAME}» looks like a person's name" in told.stderr
    assert records(named, "export", NAME, "--without-names").exit_code == 2, "a bundle keeps all"


@pytest.mark.parametrize("bad", ["", " ", "a\nb", "a\x1b[31m"])
def test_an_identifier_that_is_none_is_refused_by_fhir_too(
    place: Path, tmp_path: Path, bad: str
) -> None:
    with (
        Register(place / "register.sqlite") as register,
        pytest.raises(RecordError, match="identifier"),
    ):
        export_fhir(register, "T-1", tmp_path / "one.json", bad)
    assert not (tmp_path / "one.json").exists()


def test_a_database_is_told_in_words(server: str) -> None:
    """What PostgreSQL's driver raises holds a mapping of fields; its message is field M."""
    with pytest.raises(RecordError) as refusal:
        Register(f"{server}/nothing_of_that_name")
    assert "does not exist" in str(refusal.value)
    assert "{" not in str(refusal.value)
