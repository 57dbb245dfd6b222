"""Refusals follow `--lang`: every pattern has its German, and no English is left of a command."""

from __future__ import annotations

import ast
import pickle
import re
import string
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from program import run
from veneercheck.batch.task import FAILED
from veneercheck.core.align.picked import _SCANS
from veneercheck.core.errors import RecordError, Told
from veneercheck.phantom.bodies import concentric_spheres
from veneercheck.phantom.verify import known_bodies
from veneercheck.record.people import MAY, ROLES
from veneercheck.report.refused import german, refused, said
from veneercheck.report.words import Words
from veneercheck.scan import write_stl
from veneercheck.scan.units import _WORDS

pytestmark = pytest.mark.usefixtures("fitted_on_few")

ROOT = Path(__file__).resolve().parents[2] / "veneercheck"
VERDICTS = ("findings", "no findings", "undecided")
REFUSALS = {
    "VeneerCheckError", "ScanError", "MeshError", "ProfileError", "RecordError", "OvertakenError",
    "cut_short", "not_understood", "too_large", "_refused",
}  # fmt: skip
"""What makes a refusal of a sentence: its classes, and the helpers that say what next."""


def texts(node: ast.expr) -> Iterator[ast.expr]:
    if isinstance(node, ast.IfExp):
        yield from texts(node.body)
        yield from texts(node.orelse)
    else:
        yield node


def every_pattern() -> dict[str, str]:
    """Each sentence of a refusal that stands in the code, and where."""
    found = {}
    for path in sorted(ROOT.rglob("*.py")):
        for call in ast.walk(ast.parse(path.read_text("utf-8"))):
            if not isinstance(call, ast.Call):
                continue
            name = getattr(call.func, "id", getattr(call.func, "attr", ""))
            parts = [*call.args, *(one.value for one in call.keywords if one.arg == "next_step")]
            if name not in REFUSALS and name != "Told" and len(parts) == len(call.args):
                continue
            for part in (one for value in parts for one in texts(value)):
                where = f"{path.relative_to(ROOT)}:{part.lineno}"
                assert not isinstance(part, ast.JoinedStr), f"{where}: its pattern is lost"
                if isinstance(part, ast.Constant) and isinstance(part.value, str) and part.value:
                    found[part.value] = where
    return found


def fields(pattern: str) -> list[str]:
    return sorted(name for _, name, _, _ in string.Formatter().parse(pattern) if name)


def test_every_refusal_is_said_in_german_with_all_its_values() -> None:
    """By reading the code itself: what it says is in the catalogue, and nothing else is."""
    patterns, known = every_pattern(), german()
    parts = {
        *VERDICTS,
        FAILED,
        *(body.name for body in known_bodies(1.0)),
        *_SCANS,
        "waxup",
        *ROLES,
        *MAY,
        *_WORDS.values(),
    }
    assert len(patterns) > 400
    assert {one: at for one, at in patterns.items() if one not in known} == {}
    assert known.keys() - patterns.keys() == parts - patterns.keys()
    assert [one for one in known if fields(one) != fields(known[one])] == []
    assert [
        one
        for one in known
        if one == known[one] and len(re.sub("{[^}]*}", "", one)) > 5 and " in {unit}" not in one
    ] == []


def test_a_sentence_keeps_its_values_wherever_it_goes() -> None:
    """Source: German writes a comma; a value that is a sentence has its own German."""
    told = Told("--{name} = {value:g} mm is no such length.", name="depth", value=np.float64(0.5))
    assert said(told, Words("en")) == told == "--depth = 0.5 mm is no such length."
    assert said(told, Words("de")) == "--depth = 0,5 mm ist keine solche Länge."
    again = pickle.loads(pickle.dumps(told))
    assert (again, again.pattern, again.values) == (told, told.pattern, told.values)
    within = Told("Thin the meshes out or, where there is more, {more_memory}.",
                  more_memory=Told("set {variable}={gb}", variable="X", gb="4"))  # fmt: skip
    assert said(within, Words("de")).endswith("oder, wo mehr da ist, X=4 setzen.")
    refusal = RecordError("there is no register.", where="a{b}", next_step=within)
    assert refused(refusal, Words("en")) == str(refusal)
    assert refused(refusal, Words("de")).startswith("a{b}: dort ist kein Register. Die Netze")
    assert said("of somebody else", Words("de")) == "of somebody else"


COMMANDS = {
    "missing": ("check", "none.stl", "w.stl"),
    "no scans": ("check",),
    "letter": ("check", "letter.stl", "w.stl"),
    "empty": ("check", "empty.stl", "w.stl"),
    "folder": ("check", "folder", "w.stl"),
    "profile": ("check", "f.stl", "w.stl", "--profile", "enamel"),
    "key": ("check", "f.stl", "w.stl", "--profile", "unknown.toml"),
    "stage": ("check", "f.stl", "w.stl", "--stage", "clay"),
    "case": ("check", "--case", "none.toml"),
    "unit": ("check", "small.stl", "w.stl"),
    "report": ("report", "folder"),
    "compare": ("compare", "folder", "folder"),
    "batch": ("batch", "folder"),
    "list": ("batch", "cases.csv"),
    "watch": ("watch", "none"),
    "plan": ("plan", "none.stl"),
    "records list": ("records", "list"),
    "records trends": ("records", "trends", "--register", "none.sqlite"),
    "records show": ("records", "show", "D-1"),
    "people": ("people", "list"),
    "scanners": ("scanners", "list"),
    "limits": ("limits", "list"),
    "restore": ("records", "restore", "none.zip"),
    "confirm": ("records", "confirm"),
    "repeatability": ("repeatability", "none.stl", "more.stl"),
}
ENGLISH = {"the", "there", "is", "not", "no", "give", "check", "name", "of", "this", "and", "what"}


@pytest.mark.parametrize("name", COMMANDS)
def test_no_refusal_of_a_command_stays_english(tmp_path: Path, name: str) -> None:
    """Refused alike in both; of the German no English is left, but names of commands in quotes."""
    mesh = concentric_spheres(1.8).inner
    for file in ("f.stl", "w.stl"):
        write_stl(tmp_path / file, mesh)
    write_stl(tmp_path / "small.stl", type(mesh)(mesh.points_mm / 1000.0, mesh.faces))
    (tmp_path / "letter.stl").write_text("Dear Sir or Madam,\n", encoding="utf-8")
    (tmp_path / "empty.stl").touch()
    (tmp_path / "folder").mkdir()
    (tmp_path / "unknown.toml").write_text("[layer]\nleest_mm = 1\n", encoding="utf-8")
    (tmp_path / "cases.csv").write_text("case,colour\nD-1,red\n", encoding="utf-8")
    words = COMMANDS[name]
    english, german_ = (run(*words, "--lang", lang, folder=tmp_path) for lang in ("en", "de"))
    assert (english.code, german_.code) == (3, 3), german_
    lines = [told.told.strip().splitlines()[-1] for told in (english, german_)]
    assert lines[0] != lines[1]
    bare = re.sub("«[^»]*»|`[^`]*`|[()]", " ", lines[1].split("veneercheck: ")[1])
    said_ = {word.strip(".,:;«»`").lower() for word in bare.split()}
    assert not said_ & ENGLISH, lines[1]


def test_what_many_cases_came_to_is_told_in_german(tmp_path: Path) -> None:
    """One checked, one refused, one whose other scan is not there: no English is left but names."""
    export = tmp_path / "export"
    export.mkdir()
    body = concentric_spheres(1.8)
    for name, mesh in (("framework", body.inner), ("waxup", body.outer)):
        write_stl(export / f"D-1_{name}.stl", mesh)
        (export / f"D-2_{name}.stl").write_text("Dear Sir or Madam,\n", encoding="utf-8")
    write_stl(export / "D-3_framework.stl", body.inner)
    asked = ("export", "--aligned", "--no-report", "--lang", "de")
    batch = run("batch", *asked, "--processes", "1", folder=tmp_path)
    watch = run("watch", *asked, "--once", "--still", "0.1", folder=tmp_path)
    assert (batch.code, watch.code) == (3, 3)
    assert "      2  Fälle" in batch.said and "FEHLGESCHLAGEN D-2: " in batch.said
    assert "D-3: der Scan (Wax-up) ist noch nicht da" in watch.told
    for told in (batch.said, batch.told, watch.said, watch.told):
        bare = re.sub(r"\S*[/_]\S*", " ", told)
        assert not {word.strip(".,:;«»`·").lower() for word in bare.split()} & ENGLISH, told
