"""The command line under clumsy hands: old reports, full disks, Ctrl-C, words that are commands.

Every expected value is what the chapter of `veneercheck.cli` says of exit codes, and what is left.
"""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

import many_cases
import record_trials as trials
from program import run
from veneercheck import __version__
from veneercheck.batch import Asked
from veneercheck.batch.listing import tasks_of
from veneercheck.case.order import Order
from veneercheck.case.run import carry_out
from veneercheck.cli import main as cli
from veneercheck.core.errors import ProfileError, RecordError, ScanError
from veneercheck.core.types import TriangleMesh
from veneercheck.record import Register
from veneercheck.record.export import export_trends
from veneercheck.report import clear, read_result, render
from veneercheck.scan import write_stl

ROOT = Path(__file__).resolve().parents[2]
COMMAND = [sys.executable, "-m", "veneercheck"]


@pytest.fixture
def pair(tmp_path: Path) -> Path:
    trials.scans(tmp_path)
    return tmp_path


@pytest.fixture(scope="module")
def drawn_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("drawn")
    trials.scans(folder)
    carry_out(Order(folder / "f.stl", folder / "w.stl", aligned=True), out=folder / "out")
    return folder


@pytest.fixture
def drawn(drawn_once: Path, tmp_path: Path) -> Path:
    """A copy of the two scans and of their check in `out`, report included."""
    return Path(shutil.copytree(drawn_once, tmp_path, dirs_exist_ok=True))


CHECK = ("check", "f.stl", "w.stl", "--aligned")


def check_bounded(folder: Path, size: int) -> subprocess.CompletedProcess[str]:
    """A check of the two scans in a folder, into `out`; no file may grow beyond a size."""
    command = [sys.executable, "-c", trials._BOUNDED, str(size), *CHECK, "--out", "out"]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)
    assert "Traceback" not in done.stdout + done.stderr
    return done


def files(folder: Path) -> set[str]:
    return {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}


def test_no_page_of_an_earlier_result_stands_beside_a_new_one(drawn: Path) -> None:
    """With a report, then without: what is left is what a check without a report writes."""
    before = files(drawn / "out")
    assert {"report.html", "report.pdf", "bench.pdf", "contact.pdf", "summary.png"} < before
    assert {"summary.png", "amount.png"} < before
    (drawn / "out" / "decisions.json").write_text('{"decisions": []}', encoding="utf-8")
    (drawn / "out" / "mine.txt").write_text("a file of the user's own", encoding="utf-8")
    trials.scans(drawn, 1.3)
    assert run(*CHECK, "--no-report", "--out", "out", folder=drawn).code in (0, 1)
    left = files(drawn / "out")
    run(*CHECK, "--no-report", "--out", "new", folder=drawn)
    assert left == files(drawn / "new") | {"mine.txt"}


def test_everything_that_is_drawn_is_taken_away(drawn: Path) -> None:
    assert len(files(drawn / "out")) > 10
    clear(drawn / "out")
    assert list((drawn / "out").iterdir()) == []


def test_a_report_that_fails_leaves_no_old_one(
    drawn: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert (drawn / "out" / "report.html").exists()

    def fault(*_: object, **__: object) -> None:
        raise ZeroDivisionError("planted by the test")

    monkeypatch.setattr("veneercheck.report.render", fault)
    with pytest.raises(ZeroDivisionError):
        carry_out(Order(drawn / "f.stl", drawn / "w.stl", aligned=True), out=drawn / "out")
    assert not any(name.endswith((".html", ".pdf", ".png")) for name in files(drawn / "out"))


def test_a_finished_case_is_not_written_over(pair: Path) -> None:
    register, entry = trials.filed(pair)
    register.close()
    folder = pair / "cases" / Path(entry.body["folder"]).name
    before = files(folder)
    done = run(*CHECK, "--out", str(folder), folder=pair)
    assert done.code == 3 and "finished case" in done.told
    assert files(folder) == before


@pytest.mark.parametrize("size", [2_000, 200_000])
def test_a_full_disk_ends_with_3_and_leaves_nothing(pair: Path, size: int) -> None:
    """Files that may not grow beyond a size; at the largest of these the report is what fails."""
    done = check_bounded(pair, size)
    assert done.returncode == 3, done
    assert "free space" in done.stderr
    assert not (pair / "out").exists()
    assert not [path for path in pair.rglob("*") if "part" in path.name]


def test_trends_and_a_decision_on_a_full_disk_leave_nothing(tmp_path: Path) -> None:
    """The decision's own words hold no list of Python."""
    register, check_entry = trials.filed(tmp_path)
    register.close()
    place = str(tmp_path / "register.sqlite")
    words = (
        ["records", "trends", "--out", str(tmp_path / "trends"), "--register", place],
        ["records", "decide", "T-1", "--what", "accepted", "--who", "AB", "--why", "x" * 5000,
         "--register", place],
    )  # fmt: skip
    for one in words:
        command = [sys.executable, "-c", trials._BOUNDED, "3000", *one]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        assert done.returncode == 3, done
        assert "free space" in done.stderr
        assert not re.search(r"[\[(]['(]", done.stderr), done.stderr
    assert not [path for path in tmp_path.rglob("*") if "part" in path.name]
    with Register(place) as opened:
        assert opened.decisions_on(check_entry.key) == []


def test_trends_leave_no_partial(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    register, _ = trials.filed(tmp_path)

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    with register, monkeypatch.context() as patch:
        patch.setattr(Path, "replace", full)
        with pytest.raises(RecordError, match="No space left"):
            export_trends(register, tmp_path / "trends")
    assert list((tmp_path / "trends").iterdir()) == []


def interrupted(
    command: list[str], folder: Path, *, words: int = 0, after_s: float = 0.0
) -> tuple[int, str]:
    """Exit code and what was said where the terminal sends Ctrl-C to all that runs in it.

    It is sent some time after so many words of progress, which are not what was said.
    """
    one = subprocess.Popen(command, cwd=folder, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE,
                           text=True, start_new_session=True)  # fmt: skip
    assert one.stderr is not None
    for _ in range(words):
        assert one.stderr.readline().startswith("· ")
    time.sleep(after_s)
    os.killpg(one.pid, signal.SIGINT)
    said = one.communicate()[1]
    return one.returncode, "".join(
        line for line in said.splitlines(keepends=True) if not line.startswith("· ")
    )


STOPPED = (130, -signal.SIGINT)
"""A shell tells 130 of both. The interpreter ends by the signal itself where Ctrl-C met it in code
that is made while it runs (a dataclass), caught or not."""


@pytest.mark.parametrize("words", [1, 3])
def test_ctrl_c_is_one_plain_line_and_130(pair: Path, words: int) -> None:
    """While it computes: at the first word of progress, and further on."""
    for _ in range(5):
        code, said = interrupted([*COMMAND, *CHECK, "--out", "out"], pair, words=words)
        if code in STOPPED:
            break
        shutil.rmtree(pair / "out")  # on a busy machine it was through before the signal came
    assert code in STOPPED, said
    assert said.startswith("veneercheck: stopped") and said.count("\n") == 1, said
    assert not (pair / "out").exists()


LOADING = """
import sys
class Pressed:
    def find_spec(self, name, *_):
        if name == "veneercheck.cli.main":
            raise KeyboardInterrupt
sys.meta_path.insert(0, Pressed())
import runpy
runpy.run_module("veneercheck", run_name="__main__")
"""


WITHOUT_THE_RECORD = """
import sys
class Absent:
    def find_spec(self, name, *_):
        if name.partition(".")[0] in ("sqlalchemy", "alembic"):
            raise ModuleNotFoundError(f"No module named {name!r}", name=name)
sys.meta_path.insert(0, Absent())
from veneercheck.cli.main import main
for words in sys.argv[1:]:
    sys.argv = ["veneercheck", *words.split()]
    try:
        main()
    except SystemExit as left:
        print(words, "ended with", left.code)
"""


def test_without_the_extra_of_the_record_every_command_says_so(tmp_path: Path) -> None:
    """As in the base install, which brings no database."""
    commands = ["records list", "records find x", "records show D-1", "records confirm",
                "records trends", "records entries check", "scanners list", "limits list",
                "people list"]  # fmt: skip
    done = subprocess.run([sys.executable, "-c", WITHOUT_THE_RECORD, *commands],
                          capture_output=True, text=True, check=False, cwd=tmp_path)  # fmt: skip
    assert {f"{words} ended with 3" for words in commands} <= set(done.stdout.splitlines())
    assert done.stderr.count("needs what is not installed") == len(commands)
    assert done.stderr.count("pip install 'veneercheck[record]'") == len(commands)
    assert not list(tmp_path.iterdir())


def test_ctrl_c_before_anything_is_loaded_is_a_plain_line_too() -> None:
    done = subprocess.run([sys.executable, "-c", LOADING], capture_output=True, text=True,
                          check=False)  # fmt: skip
    assert done.returncode == 130
    assert done.stderr == "veneercheck: stopped; nothing was done yet.\n"


def test_a_batch_that_is_stopped_says_what_is_finished_and_goes_on(tmp_path: Path) -> None:
    """Ctrl-C reaches the workers too, while they load and later: they say nothing."""
    many_cases.write_cases(tmp_path, 4)
    command = [*COMMAND, "batch", "cases.csv", "--no-report", "--out", "out", "--processes", "2"]
    for after_s in (0.9, 1.4, 2.5):
        code, said = interrupted(command, tmp_path, after_s=after_s)
        if code in (0, 1):
            break
        assert code in STOPPED, said
        assert said.startswith("veneercheck: stopped") and said.count("\n") == 1, said
    first = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert "4  cases" in first.stdout
    assert len([path for path in (tmp_path / "out").iterdir() if path.is_dir()]) == 4


def test_a_stopped_batch_counts_what_is_ready(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    many_cases.write_cases(tmp_path, 3)
    from veneercheck.batch.processes import Processes

    own = Processes.check

    def pressed(self: Processes, tasks: Any) -> object:
        found = own(self, tasks)
        yield next(found)
        raise KeyboardInterrupt

    monkeypatch.setattr(Processes, "check", pressed)
    monkeypatch.chdir(tmp_path)
    words = ["batch", "cases.csv", "--no-report", "--out", "out", "--processes", "1"]
    monkeypatch.setattr(sys, "argv", ["veneercheck", *words])
    before = signal.getsignal(signal.SIGINT)
    try:
        with pytest.raises(SystemExit) as left:
            cli.main()
    finally:
        signal.signal(signal.SIGINT, before)
    assert left.value.code == 130
    told = capsys.readouterr().err.splitlines()[-1]
    assert "1 of 3 cases are finished" in told and "same command" in told


def test_the_version_is_said() -> None:
    told = CliRunner().invoke(cli.app, ["--version"])
    assert (told.exit_code, told.output) == (0, f"veneercheck {__version__}\n")


def test_no_name_is_a_command_to_the_terminal(pair: Path) -> None:
    """ESC, a bell, one control sign of eight bits, one that turns the direction of writing."""
    (pair / "p.toml").write_text(
        'name = "a\\u001b[31mb\\u0007c\\u009bd\\u202ee"\n', encoding="utf-8"
    )
    (pair / "p.toml").read_text(encoding="utf-8")
    for words in (
        ["profiles", "check", "p.toml"],
        ["check", "f.stl", "w.stl", "--aligned", "--no-report", "--profile", "p.toml"],
    ):
        done = run(*words, folder=pair)
        said = done.said + done.told
        assert done.code in (0, 1, 3), said
        assert not re.search(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]", said)


def test_what_the_commands_say_goes_through_one_place() -> None:
    """The library's own way to the terminal stands in that place alone."""
    for path in sorted((ROOT / "veneercheck").glob("cli*.py")):
        count = path.read_text(encoding="utf-8").count("typer.echo")
        assert count == (path.name == "cli_options.py"), path


def test_blank_rows_of_a_list_say_nothing(tmp_path: Path) -> None:
    text = "framework,waxup,number\n,,\na.stl,b.stl,1\n   \n\n,,,,\nc.stl,d.stl,2,,\n"
    (tmp_path / "l.csv").write_text(text, encoding="utf-8")
    tasks = tasks_of(tmp_path / "l.csv", Asked(tmp_path))
    assert [task.number for task in tasks] == ["1", "2"]


def test_a_field_without_end_is_refused_with_its_line(tmp_path: Path) -> None:
    text = f"framework,waxup\na.stl,b.stl\n{'x' * 200_000},w.stl\n"
    (tmp_path / "l.csv").write_text(text, encoding="utf-8")
    with pytest.raises(ProfileError, match="line 3"):
        tasks_of(tmp_path / "l.csv", Asked(tmp_path))


@pytest.mark.parametrize("count", [1, 3])
def test_a_scan_of_no_body_is_refused(pair: Path, count: int) -> None:
    mesh = trials.concentric_spheres(1.8).inner
    write_stl(pair / "one.stl", TriangleMesh(mesh.points_mm, mesh.faces[:count]))
    for framework, waxup in (("one.stl", "w.stl"), ("f.stl", "one.stl")):
        with pytest.raises(ScanError, match=r"one\.stl"):
            carry_out(Order(pair / framework, pair / waxup, unit="mm", aligned=True))


def test_a_report_drawn_again_without_a_typesetter_keeps_no_old_paper(
    drawn: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert list((drawn / "out").glob("*.pdf"))
    monkeypatch.setattr("veneercheck.report.setting.can_print", lambda: False)
    render(drawn / "out", lang="de")
    assert not list((drawn / "out").glob("*.pdf"))
    assert read_result(drawn / "out").document["schema"]
