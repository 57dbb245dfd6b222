"""The command that plans a cut, as a user meets it."""

from __future__ import annotations

import hashlib
import json
from importlib import resources
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from typer.testing import CliRunner

from veneercheck.case.planning import look_at_plan
from veneercheck.case.wedge import read_wedge
from veneercheck.cli import main as cli
from veneercheck.core.errors import RecordError, VeneerCheckError
from veneercheck.core.mesh.triangles import border_vertices, select_faces
from veneercheck.core.types import Region, TriangleMesh
from veneercheck.phantom.bodies import concentric_spheres
from veneercheck.report.space_ply import surface_ply_bytes
from veneercheck.scan import painted_ply_bytes, read_scan, write_stl

CASE = 'case = "DEMO-7"\n[frame]\nocclusal = "+z"\nbuccal = "+y"\n'


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A ball of 4 mm as wax-up, one of 3 mm as die, the upper cap painted."""
    ball = concentric_spheres(0.4, inner_mm=3.0, outer_mm=4.0)
    write_stl(tmp_path / "waxup.stl", ball.outer)
    write_stl(tmp_path / "die.stl", ball.inner)
    above = TriangleMesh(ball.outer.points_mm + [0.0, 0.0, 7.98], ball.outer.faces)
    write_stl(tmp_path / "jaw.stl", above)
    paint = np.where(ball.outer.points_mm[:, 2] > 1.5, int(Region.CUT), -1)
    mask = painted_ply_bytes(ball.outer.points_mm, ball.outer.faces, paint)
    (tmp_path / "mask.ply").write_bytes(mask)
    (tmp_path / "case.toml").write_text(CASE, encoding="utf-8")
    return tmp_path


def run(folder: Path, *words: str, monkeypatch: pytest.MonkeyPatch) -> tuple[int, str]:
    monkeypatch.chdir(folder)
    done = CliRunner().invoke(cli.app, ["plan", *words])
    if isinstance(done.exception, VeneerCheckError):
        return 3, str(done.exception)
    assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
    return done.exit_code, done.output


WEDGE = "L;b;a;thickness_mm\n85;9;-1;0,1\n80;13;0,5;0,4\n75;15;1;0,8\n72;17;1,5;1,4\n71;18;2;2\n"


def test_the_shade_over_the_plan_is_that_of_the_wedge(folder, monkeypatch) -> None:
    """Source: where 1 mm lies between the balls a layer of 0.2 mm is left; the wedge says the rest.

    As spreadsheets write it in German: semicolons, decimal commas, columns in any order.
    """
    (folder / "wedge.csv").write_text(WEDGE, encoding="utf-8")
    words = ("waxup.stl", "--die", "die.stl", "--mask", "mask.ply", "--case", "case.toml",
             "--wedge", "wedge.csv", "--out", "plan", "--lang", "de")  # fmt: skip
    _, told = run(folder, *words, monkeypatch=monkeypatch)
    document = json.loads((folder / "plan" / "plan.json").read_text(encoding="utf-8"))
    schema = resources.files("veneercheck.report").joinpath("plan.schema.json")
    jsonschema.validate(document, json.loads(schema.read_text(encoding="utf-8")))
    (unit,) = document["shade"]["units"]
    wedge = read_wedge(folder / "wedge.csv")
    assert document["shade"]["error"] == pytest.approx(wedge.error(), abs=1e-6)
    # Faceting: 0.02 mm of layer are 0.2 of ΔE00 here.
    assert unit["median"] == pytest.approx(wedge.off_full_depth(np.array([0.2]))[0], abs=0.3)
    assert unit["beyond_acceptable"] > 0.5
    assert f"{unit['median']:.1f} neben der vollen Tiefe".replace(".", ",") in told
    assert "· die Scans werden gelesen" in told and "reading the scans" not in told
    drawn = (folder / "plan" / "shade.svg").read_text(encoding="utf-8")
    assert 'class="edge"' in drawn


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("thickness_mm,L,a,b\n0.5,80,1,1\n1,75,1,1\n", "2 step"),
        ("mm,L,a,b\n", "does not name"),
        (WEDGE.replace("75;", "x;"), "line 4"),
        (WEDGE.replace("0,8", "0,4"), "same thickness"),
        (WEDGE.replace("85;", "850;"), "line 2"),
        ("", "does not name"),
    ],
)
def test_a_wedge_that_is_none_is_refused_and_nothing_is_left(
    folder, monkeypatch, text, said
) -> None:
    (folder / "wedge.csv").write_text(text, encoding="utf-8")
    words = ("waxup.stl", "--mask", "mask.ply", "--wedge", "wedge.csv", "--out", "plan")
    code, told = run(folder, *words, monkeypatch=monkeypatch)
    assert code == 3
    assert "wedge.csv" in told and said in told
    assert not (folder / "plan").exists()


def test_a_plan_lies_whole_in_its_folder_and_names_the_conflict(folder, monkeypatch) -> None:
    """Source: 1 mm between the balls; 1.2 mm of layers and 0.6 mm of metal do not fit, by 0.8."""
    words = ("waxup.stl", "--die", "die.stl", "--mask", "mask.ply", "--case", "case.toml",
             "--antagonist", "jaw.stl")  # fmt: skip
    code, told = run(folder, *words, "--out", "plan", monkeypatch=monkeypatch)
    assert code == 1
    assert "The material's instructions for use" in told
    names = {path.name for path in (folder / "plan").iterdir()}
    files = ("plan.json", "target.ply", "target.stl", "target.3mf", "depth.ply", "marks.csv",
             "depths.svg", "plan.pdf")  # fmt: skip
    assert names >= set(files)
    document = json.loads((folder / "plan" / "plan.json").read_text(encoding="utf-8"))
    schema = resources.files("veneercheck.report").joinpath("plan.schema.json")
    jsonschema.validate(document, json.loads(schema.read_text(encoding="utf-8")))
    (conflict,) = document["conflicts"]
    assert conflict["kind"] == "layer too thin"  # 0.2 mm of it would be left
    # Faceting of both balls: L²/(8R) each, 0.4 mm edges.
    assert conflict["short"] == pytest.approx(0.8, abs=0.02)
    assert conflict["firm"]
    # Balls 7.98 mm apart touch at the pole, far from the finish line at a height of 1.5 mm.
    (contact,) = document["contacts"]
    assert not contact["too_near"]
    assert contact["at_mm"][2] > 3.8
    for name in ("target.ply", "target.stl", "target.3mf"):
        target = read_scan(folder / "plan" / name).mesh
        assert not border_vertices(target).any()
    # The metal that is kept: 0.6 mm over the ball of 3 mm.
    top = target.points_mm[target.points_mm[:, 2] > 3.0]
    assert np.linalg.norm(top, axis=1).min() == pytest.approx(3.6, abs=0.02)
    again = (folder / "plan" / "target.stl").read_bytes()
    run(folder, *words, "--out", "plan", monkeypatch=monkeypatch)
    assert (folder / "plan" / "target.stl").read_bytes() == again


@pytest.mark.parametrize("fault", ["no surfaces", "hole", "far die", "elsewhere", "taken"])
def test_what_cannot_be_planned_is_refused_in_words(folder, monkeypatch, fault: str) -> None:
    words = ["waxup.stl", "--mask", "mask.ply", "--case", "case.toml", "--out", "plan"]
    ball = read_scan(folder / "waxup.stl").mesh
    if fault == "no surfaces":
        words = ["waxup.stl", "--case", "case.toml", "--out", "plan"]
    elif fault == "hole":
        top = ball.points_mm[ball.faces].mean(axis=1)[:, 2] > 3.9
        write_stl(folder / "waxup.stl", select_faces(ball, ~top)[0])
    elif fault == "far die":
        write_stl(folder / "die.stl", TriangleMesh(ball.points_mm + 40.0, ball.faces))
        words += ["--die", "die.stl"]
    elif fault == "elsewhere":
        paint = np.full(len(ball.points_mm), int(Region.CUT))
        (folder / "mask.ply").write_bytes(
            painted_ply_bytes(ball.points_mm + 30.0, ball.faces, paint)
        )
    else:
        (folder / "plan").mkdir()
        (folder / "plan" / "letter.txt").write_text("mine", encoding="utf-8")
    code, told = run(folder, *words, monkeypatch=monkeypatch)
    expected = {
        "no surfaces": "nothing of it is to be veneered",
        "hole": "the wax-up is open at",
        "far die": "the die lies outside the wax-up",
        "elsewhere": "lies nowhere on the wax-up",
        "taken": "something else lies in that folder",
    }[fault]
    assert (code, expected in told) == (3, True), told
    assert told.rstrip().endswith(".")
    left = {path.name for path in folder.iterdir()} & {"plan", ".aside"}
    assert left == ({"plan"} if fault == "taken" else set())


def test_a_check_refuses_a_folder_without_its_plan_before_it_begins(tmp_path: Path) -> None:
    ball = concentric_spheres(1.5).inner
    write_stl(tmp_path / "waxup.stl", ball)
    with pytest.raises(RecordError, match="no plan can be read there"):
        look_at_plan(tmp_path, tmp_path / "waxup.stl")
    filed = {"scans": {"waxup": {"sha256": "0" * 64}}}
    (tmp_path / "plan.json").write_text(json.dumps(filed), encoding="utf-8")
    (tmp_path / "target.ply").write_bytes(b"".join(surface_ply_bytes(ball, "target")))
    with pytest.raises(RecordError, match="from another wax-up"):
        look_at_plan(tmp_path, tmp_path / "waxup.stl")
    own = hashlib.sha256((tmp_path / "waxup.stl").read_bytes()).hexdigest()
    filed["scans"]["waxup"]["sha256"] = own
    (tmp_path / "plan.json").write_text(json.dumps(filed), encoding="utf-8")
    look_at_plan(tmp_path, tmp_path / "waxup.stl")
