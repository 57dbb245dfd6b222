"""The command line as a user meets it: exit codes, refusals, files left behind, README."""

from __future__ import annotations

import ast
import dataclasses
import importlib
import json
import os
import re
import shlex
import subprocess
import sys
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import typer
from typer.testing import CliRunner

from many_cases import uneven
from program import Run, run
from veneercheck.case.run import check_files
from veneercheck.cli import main as cli
from veneercheck.core.mesh.densify import refine
from veneercheck.core.types import TriangleMesh
from veneercheck.phantom.bodies import concentric_spheres
from veneercheck.report import result_schema
from veneercheck.scan import read_scan, write_stl

pytestmark = pytest.mark.usefixtures("fitted_on_few")

ROOT = Path(__file__).resolve().parents[2]


def run_apart(*words: str | Path, folder: Path) -> Run:
    """The program in a process of its own, as a shell starts it."""
    done = subprocess.run(
        [sys.executable, "-m", "veneercheck", *map(str, words)],
        cwd=folder,
        capture_output=True,
        encoding="utf-8",
        env={**os.environ, "PYTHONIOENCODING": "utf-8"},
        check=False,
    )
    assert "Traceback" not in done.stdout + done.stderr
    return Run(done.returncode, done.stdout, done.stderr)


@dataclasses.dataclass(frozen=True)
class Ball:
    """Edges are those of a ball of 4 mm."""

    radius_mm: float
    edge_mm: float


SMALL, FINE = Ball(3.7, 1.8), Ball(3.7, 0.9)
"""One that only has to be there, and one whose space is read."""


@cache
def ball(edge_mm: float) -> TriangleMesh:
    return concentric_spheres(edge_mm).inner


def caps(depth_mm: float, size: Ball = SMALL) -> tuple[TriangleMesh, TriangleMesh]:
    """A lump; its upper cap cut back evenly, with a chamfer half a millimetre wide."""
    faces = ball(size.edge_mm).faces
    way = ball(size.edge_mm).points_mm / 4.0
    outer = size.radius_mm * uneven(way)
    cut = depth_mm * np.clip((way[:, 2] + 0.1) / 0.1, 0.0, 1.0)
    return (
        TriangleMesh(way * (outer - cut)[:, None], faces),
        TriangleMesh(way * outer[:, None], faces),
    )


def write_pair(
    folder: Path,
    depth_mm: float,
    names: tuple[str, str] = ("f.stl", "w.stl"),
    size: Ball = SMALL,
) -> None:
    for name, mesh in zip(names, caps(depth_mm, size), strict=True):
        write_stl(folder / name, mesh)


def result_of(folder: Path) -> dict[str, Any]:
    import jsonschema

    found: dict[str, Any] = json.loads((folder / "result.json").read_text(encoding="utf-8"))
    jsonschema.validate(found, result_schema())
    return found


QUICK = ("--aligned", "--no-report", "--out", "out")


@pytest.mark.parametrize(
    ("depth_mm", "code", "verdict"),
    [
        (1.7, 0, "no findings"),  # layer 1.5 mm after 0.2 mm of opaquer: between 1.0 and 2.0
        (0.9, 1, "findings"),  # layer 0.7 mm: too thin by 0.3 mm
        (2.6, 1, "findings"),  # layer 2.4 mm: too thick by 0.4 mm
        (1.21, 4, "undecided"),  # layer 1.01 mm: over the limit, but by less than 1.645 u
    ],
)
def test_exit_codes_of_a_check(tmp_path: Path, depth_mm: float, code: int, verdict: str) -> None:
    """By construction: the depth of the cut less 0.2 mm of opaquer, against 1.0 and 2.0 mm."""
    write_pair(tmp_path, depth_mm, size=FINE)
    ended = run("check", "f.stl", "w.stl", *QUICK, folder=tmp_path)
    result = result_of(tmp_path / "out")
    assert (ended.code, result["verdict"]) == (code, verdict), ended.said
    # The wall round the cap lies nearer to the contour than its floor, which is the most of it.
    assert result["layer"]["p95_mm"] == pytest.approx(depth_mm - 0.2, abs=0.03)
    assert verdict.upper() in ended.said.upper()
    assert "release" in ended.said, "the caution stands under every result"


def test_a_name_on_a_scan_is_warned_of(tmp_path: Path) -> None:
    """An invented person's name; a number says nothing about anybody."""
    write_pair(tmp_path, 1.7, ("Muster_Maria.stl", "D-0417 waxup.stl"))
    ended = run("check", "Muster_Maria.stl", "D-0417 waxup.stl", *QUICK, folder=tmp_path)
    assert ended.code == 0
    assert "«Muster_Maria.stl» looks like a person's name" in ended.told
    assert "D-0417 waxup.stl» looks" not in ended.told


def test_no_register_is_made_for_scans_that_are_not_there(tmp_path: Path) -> None:
    ended = run("check", "f.stl", "w.stl", *QUICK, "--register", "lab.sqlite", folder=tmp_path)
    assert ended.code == 3
    assert not (tmp_path / "lab.sqlite").exists()


@pytest.mark.parametrize(
    "words",
    [
        ("chek",),
        ("check", "f.stl", "w.stl", "--fast"),
        ("check", "f.stl", "w.stl", "more.stl"),
        ("profiles", "lst"),
        ("check", "f.stl", "w.stl", "--unit", "furlong"),
    ],
)
def test_wrong_use_ends_with_2(tmp_path: Path, words: tuple[str, ...]) -> None:
    ended = run(*words, folder=tmp_path)
    assert ended.code == 2
    assert ended.told.strip()


REFUSED = {
    "missing": ("check", "none.stl", "w.stl"),
    "no scans": ("check",),
    "not a scan": ("check", "letter.stl", "w.stl"),
    "empty": ("check", "empty.stl", "w.stl"),
    "a folder": ("check", "folder", "w.stl"),
    "unknown profile": ("check", "f.stl", "w.stl", "--profile", "enamel"),
    "broken profile": ("check", "f.stl", "w.stl", "--profile", "broken.toml"),
    "unknown key": ("check", "f.stl", "w.stl", "--profile", "unknown.toml"),
    "missing case": ("check", "--case", "none.toml"),
    "broken case": ("check", "f.stl", "w.stl", "--case", "broken.toml"),
    "no result": ("report", "folder"),
    "profile to check": ("profiles", "check", "unknown.toml"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_a_refusal_says_what_and_what_next_and_leaves_nothing(tmp_path: Path, name: str) -> None:
    write_pair(tmp_path, 1.7)
    (tmp_path / "letter.stl").write_text("Dear Sir or Madam,\n", encoding="utf-8")
    (tmp_path / "empty.stl").touch()
    (tmp_path / "folder").mkdir()
    (tmp_path / "broken.toml").write_text("[layer\n", encoding="utf-8")
    (tmp_path / "unknown.toml").write_text("[layer]\nleest_mm = 1\n", encoding="utf-8")
    words = REFUSED[name]
    ended = run(*words, *(QUICK if words[0] == "check" else ()), folder=tmp_path)
    assert ended.code == 3, ended
    assert len(ended.told.strip().splitlines()[-1]) > 20
    assert ended.told.rstrip().endswith((".", "?")), "a sentence, and what to do next"
    out = tmp_path / "out"
    assert not out.exists() or not list(out.iterdir()), "nothing half-written"


@pytest.mark.parametrize("name", ["words.txt", "a folder"])
def test_a_refusal_takes_its_new_folder_away(tmp_path: Path, name: str) -> None:
    """What was there before stays; what was made for the check goes with it."""
    write_pair(tmp_path, 1.3)
    framework = tmp_path / "f.stl"
    if name == "words.txt":
        framework = tmp_path / name
        framework.write_text("a letter")
    else:
        framework = tmp_path / name
        framework.mkdir()
    before = sorted(tmp_path.iterdir())
    told = run("check", framework, "w.stl", "--out", "new/deep", folder=tmp_path)
    assert told.code == 3
    assert sorted(tmp_path.iterdir()) == before


def test_one_file_given_twice_is_said_before_anything_else(tmp_path: Path) -> None:
    write_pair(tmp_path, 1.3)
    told = run("check", "f.stl", "f.stl", "--no-report", folder=tmp_path)
    assert told.code == 4
    lines = [line for line in told.said.splitlines() if line.strip()]
    assert "the same file was given as framework and as wax-up" in lines[2]


def test_an_old_result_survives_a_refusal(tmp_path: Path) -> None:
    write_pair(tmp_path, 1.7)
    assert run("check", "f.stl", "w.stl", *QUICK, folder=tmp_path).code == 0
    before = {p.name: p.read_bytes() for p in (tmp_path / "out").iterdir()}
    (tmp_path / "w.stl").write_bytes(b"solid broken\n")
    assert run("check", "f.stl", "w.stl", *QUICK, folder=tmp_path).code == 3
    assert {p.name: p.read_bytes() for p in (tmp_path / "out").iterdir()} == before


def box() -> TriangleMesh:
    return TriangleMesh(
        np.array([[x, y, z] for x in (0, 9) for y in (0, 14) for z in (0, 5)], dtype=float),
        [
            *[[0, 1, 3], [0, 3, 2], [4, 6, 7], [4, 7, 5], [0, 4, 5], [0, 5, 1]],
            *[[2, 3, 7], [2, 7, 6], [0, 2, 6], [0, 6, 4], [1, 5, 7], [1, 7, 3]],
        ],
    )


def test_an_alignment_that_fails_gives_no_number_of_space(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A box and a ball have nothing in common, wherever one is laid on the other.

    The search from anywhere, which is long and in vain, is tried on strangers in `core`.
    """
    for search in ("_from_anywhere", "_shoved"):
        monkeypatch.setattr(f"veneercheck.core.align.fit.{search}", lambda *_: [])
    write_stl(tmp_path / "f.stl", refine(box(), 1.0)[0])
    write_stl(tmp_path / "w.stl", caps(1.7)[1])
    ended = run("check", "f.stl", "w.stl", "--no-report", "--out", "out", folder=tmp_path)
    assert ended.code == 4, ended
    result = result_of(tmp_path / "out")
    assert result["alignment"]["state"] == "failed"
    assert result["verdict"] == "undecided"
    assert result["space"]["median_mm"] is None
    assert result["layer"]["measured_share"] is None
    assert result["zones"] == []
    assert not (tmp_path / "out" / "space.ply").exists()


def test_a_fault_of_the_program_is_caught_and_told(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def fault() -> None:
        raise ZeroDivisionError("planted by the test")

    monkeypatch.setattr(cli, "app", fault)
    with pytest.raises(SystemExit) as ended:
        cli.main()
    assert ended.value.code == 5
    told = capsys.readouterr().err
    assert "fault of the program" in told
    assert "Traceback" not in told
    named = re.search(r"Send (\S+\.txt)", told)
    assert named is not None
    kept = Path(named[1])
    assert "planted by the test" in kept.read_text(encoding="utf-8")
    kept.unlink()


@pytest.mark.parametrize(
    "names",
    [
        ("two words.stl", "Brücke 45–47.stl"),
        ("мост.stl", "橋.stl"),
        ("-dash.stl", "a'b&c;d.stl"),
    ],
)
def test_awkward_file_names(tmp_path: Path, names: tuple[str, str]) -> None:
    """From the shell's words to the exit code: a thin layer, as above."""
    program = run_apart if names[0].startswith("мост") else run  # what no 8-bit locale can hold
    write_pair(tmp_path, 0.9, names)
    out = f"out {Path(names[0]).stem.strip('-')} {Path(names[1]).stem}"
    words = ("check", "--aligned", "--no-report", "--out", out, "--", *names)
    ended = program(*words, folder=tmp_path)
    assert ended.code == 1, ended
    told = result_of(tmp_path / out)["scans"]
    assert (told["framework"]["file"], told["waxup"]["file"]) == names


def test_the_case_file_may_name_the_scans(tmp_path: Path) -> None:
    (tmp_path / "elsewhere").mkdir()
    write_pair(tmp_path / "elsewhere", 1.7)
    (tmp_path / "elsewhere" / "case.toml").write_text(
        'case = "T-1"\nunits = [46]\n[scans]\nframework = "f.stl"\nwaxup = "w.stl"\n',
        encoding="utf-8",
    )
    ended = run("check", "--case", "elsewhere/case.toml", *QUICK, folder=tmp_path)
    assert ended.code == 0, ended
    assert result_of(tmp_path / "out")["case"]["number"] == "T-1"


def test_a_declared_key_stands_in_for_the_waxup(tmp_path: Path) -> None:
    """The key's inside is the wax-up's outside turned about: the same space is read from it."""
    write_pair(tmp_path, 1.5, size=FINE)
    inside = read_scan(tmp_path / "w.stl").mesh
    write_stl(tmp_path / "key.stl", TriangleMesh(inside.points_mm, inside.faces[:, ::-1]))
    case = '[scans]\nframework = "f.stl"\nwaxup = "key.stl"\nwaxup_kind = "key"\n'
    (tmp_path / "case.toml").write_text(case, encoding="utf-8")
    scans, key = tmp_path / "scans", tmp_path / "key"
    run("check", "f.stl", "w.stl", *QUICK[:-1], scans, folder=tmp_path)
    run("check", "--case", "case.toml", *QUICK[:-1], key, folder=tmp_path)
    one, other = result_of(scans), result_of(key)
    assert one["space"]["median_mm"] == pytest.approx(1.5, abs=0.03)
    assert other["space"] == pytest.approx(one["space"], abs=1e-4)


@pytest.mark.usefixtures("frame_as_given")  # a key in place of a wax-up fits nowhere
def test_what_a_scan_stands_for_is_part_of_its_check(tmp_path: Path) -> None:
    """The same files, read as a wax-up and as a key, are two checks; each is repeated as it was."""
    from veneercheck.case.order import Order, settle
    from veneercheck.record import Register
    from veneercheck.record.confirm import settled_again
    from veneercheck.record.filing import make_case_folder, put_on_record

    write_pair(tmp_path, 1.5)
    work = settle(Order(tmp_path / "f.stl", tmp_path / "w.stl", aligned=True))
    with Register(str(tmp_path / "register.sqlite")) as register:
        keys, kinds = set(), []
        for kind in ("scan", "key"):
            asked = dataclasses.replace(work, waxup_kind=kind)
            made = make_case_folder(asked, tmp_path / "cases", with_report=False)
            entry = put_on_record(register, made)
            keys.add(made.key)
            kinds.append(settled_again(entry.body["order"], made.folder).waxup_kind)
    assert len(keys) == 2
    assert kinds == ["scan", "key"]


def test_a_profile_of_ones_own_is_judged_by(tmp_path: Path) -> None:
    """A layer of 1.5 mm is enough for 1.0 mm, too thin for 1.7 mm."""
    write_pair(tmp_path, 1.7)
    (tmp_path / "own.toml").write_text("[layer]\nleast_mm = 1.7\n", encoding="utf-8")
    ended = run("check", "f.stl", "w.stl", "--profile", "own.toml", *QUICK, folder=tmp_path)
    assert ended.code == 1
    result = result_of(tmp_path / "out")
    assert result["profile"]["layer"]["least_mm"] == 1.7
    assert {zone["finding"] for zone in result["zones"]} == {"too_thin"}


def test_profiles_show_can_be_fed_back(tmp_path: Path) -> None:
    shown = run("profiles", "show", folder=tmp_path)
    assert shown.code == 0
    assert "common practice, no source" in shown.said
    (tmp_path / "copy.toml").write_text(shown.said, encoding="utf-8")
    assert run("profiles", "check", "copy.toml", folder=tmp_path).code == 0
    assert "generic" in run("profiles", "list", folder=tmp_path).said.split()


@cache
def commands() -> dict[str, Any]:
    """Every command of the program, by its words."""
    found: dict[str, Any] = {}

    def walk(command: Any, path: str) -> None:
        inner = getattr(command, "commands", None)
        if inner is None:
            found[path] = command
            return
        for name, one in inner.items():
            walk(one, f"{path} {name}".strip())

    walk(typer.main.get_command(cli.app), "")
    return found


def read_as_a_shell_does(line: str) -> None:
    """The command line is understood; nothing is carried out."""
    words = shlex.split(line)
    assert words.pop(0) == "veneercheck"
    name = max((one for one in commands() if words[: one.count(" ") + 1] == one.split()), key=len)
    commands()[name].make_context(name, words[name.count(" ") + 1 :])


README = ROOT.joinpath("README.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("name", commands())
def test_every_command_explains_each_of_its_words_and_has_an_example(name: str) -> None:
    command = commands()[name]
    shown = CliRunner().invoke(cli.app, [*name.split(), "--help"])
    assert shown.exit_code == 0
    assert len(command.help) > 20
    for word in command.params:
        assert len(word.help or "") > 5, f"{name}: {word.name} is not explained"
        assert word.help in " ".join(shown.output.split()), "what is explained is shown"
    assert command.epilog.startswith(f"Example: veneercheck {name}")
    read_as_a_shell_does(command.epilog.removeprefix("Example: "))
    assert command.epilog in " ".join(shown.output.split())


def test_every_group_of_commands_has_help() -> None:
    groups = {name for name, one in vars(typer.main.get_command(cli.app))["commands"].items()
              if hasattr(one, "commands")}  # fmt: skip
    assert groups >= {"profiles", "records", "people", "scanners", "limits"}
    for group in groups:
        assert vars(typer.main.get_command(cli.app))["commands"][group].help


def test_readme_names_every_command_and_no_other() -> None:
    named = set(re.findall(r"`(?:veneercheck )?([a-z]+(?: [a-z]+)?)(?: [A-Z]+)*`", README))
    assert set(commands()) <= named
    called = re.findall(r"veneercheck((?: [a-z]+)+)", " ".join(re.findall(r"`[^`\n]+`", README)))
    called += re.findall(r"bin/veneercheck((?: [a-z]+)+)", README)
    assert len(called) > 10
    for words in called:
        assert any(f"{words.strip()} ".startswith(f"{name} ") for name in commands()), words


def test_readmes_lines_of_the_program_are_understood() -> None:
    lines = re.findall(r"`(veneercheck check framework[^`]*)`", README)
    lines += [f"veneercheck {words}" for words in re.findall(r"bin/veneercheck (.*)", README)]
    assert len(lines) == 3
    for line in lines:
        read_as_a_shell_does(line)


def test_readmes_lines_from_python_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """By construction: 0.9 mm of space, less 0.2 mm of opaquer, against 1.0 mm."""
    [lines] = re.findall(r"```python\n(.*?)```", README, re.DOTALL)
    monkeypatch.chdir(tmp_path)
    write_pair(tmp_path, 0.9, ("framework.stl", "waxup.stl"))
    monkeypatch.setattr(check_files, "__kwdefaults__", {**check_files.__kwdefaults__, **AT_ONCE})
    exec(lines)
    said = capsys.readouterr().out
    assert said.startswith("findings given\ntoo_thin")
    assert result_of(tmp_path / "check")["verdict"] == "findings"


AT_ONCE = {"aligned": True, "with_report": False}
"""Alignment and pictures are tried elsewhere."""


@pytest.mark.parametrize(("name", "most"), [("README.md", 9), ("DEVELOPERS.md", 12)])
def test_what_is_read_first_stays_short(name: str, most: int) -> None:
    """So many kilobytes at most; what is longer is a chapter of some package's docstring."""
    assert len(ROOT.joinpath(name).read_bytes()) <= most * 1024


def test_the_chapters_that_readme_names_are_there() -> None:
    named = re.findall(r"`(?:python -m pydoc veneercheck|…)\.([a-z.]+)`", README)
    rooms = {room if "." in room or room in ROOMS else f"core.{room}" for room in named}
    assert len(rooms) == 9
    for room in rooms:
        chapter = importlib.import_module(f"veneercheck.{room}").__doc__
        assert chapter is not None
        assert len(chapter) > 500


def test_every_decision_is_explained_in_the_module_that_it_names() -> None:
    """Context, alternatives and cost stand in its docstring, under «Notes»."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    lines = re.findall(r"^- .*\((`.*)\)$", text.partition("## Decisions")[2], re.MULTILINE)
    assert len(lines) > 50
    for name in re.findall(r"`([a-z_/]+)`", " ".join(lines)):
        found = [*ROOT.glob(f"veneercheck/**/{name}.py"), *ROOT.glob(f"veneercheck/**/{name}/")]
        texts = [ast.parse((one / "__init__.py" if one.is_dir() else one).read_text("utf-8"))
                 for one in found]  # fmt: skip
        assert any("Notes\n-----" in (ast.get_docstring(one) or "") for one in texts), name


ROOMS = {path.parent.name for path in ROOT.glob("veneercheck/*/__init__.py")}


def test_every_exit_code_is_told() -> None:
    chapter = importlib.import_module("veneercheck.cli").__doc__ or ""
    listed = [int(code) for code in re.findall(r"^- (\d+): ", chapter, re.MULTILINE)]
    assert listed == [int(code) for code in cli.Exit]
    whole = " ".join(CliRunner().invoke(cli.app, ["--help"]).output.split())
    told = whole.partition("Exit codes: ")[2]
    assert [int(code) for code in re.findall(r"(?:^|, )(\d+) ", told)] == listed


def test_fields_prints_the_schema() -> None:
    """A strict one, which refuses what it does not know (JSON Schema 2020-12)."""
    printed = CliRunner().invoke(cli.app, ["fields", "--schema"]).output
    assert json.loads(printed) == result_schema()
    assert "| `zones[].u_mm` |" in CliRunner().invoke(cli.app, ["fields"]).output


def test_the_reports_chapter_names_every_field_of_the_result() -> None:
    chapter = importlib.import_module("veneercheck.report").__doc__ or ""
    named = set(re.findall(r"`([a-z_0-9]+)`", chapter))
    assert set(result_schema()["required"]) <= named
    assert set(result_schema()["properties"]) <= named
