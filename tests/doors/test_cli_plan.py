"""The command that plans a cut, as a user meets it."""

from __future__ import annotations

import dataclasses
import hashlib
import json
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

from veneercheck.batch.listing import tasks_of
from veneercheck.batch.task import Asked, do
from veneercheck.case.against import look_at_plan
from veneercheck.case.wedge import read_wedge
from veneercheck.cli import main as cli
from veneercheck.core.errors import RecordError, VeneerCheckError
from veneercheck.core.mesh.triangles import border_vertices, select_faces
from veneercheck.core.types import Region, TriangleMesh
from veneercheck.phantom.bodies import concentric_spheres
from veneercheck.report.plan_words import plan_summary
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


def planned(folder: Path) -> Any:
    """What the plan's document says; its schema holds it."""
    import jsonschema

    document = json.loads((folder / "plan" / "plan.json").read_text(encoding="utf-8"))
    schema = resources.files("veneercheck.report").joinpath("plan.schema.json")
    jsonschema.validate(document, json.loads(schema.read_text(encoding="utf-8")))
    return document


WEDGE = "L;b;a;thickness_mm\n85;9;-1;0,1\n80;13;0,5;0,4\n75;15;1;0,8\n72;17;1,5;1,4\n71;18;2;2\n"


def test_the_shade_over_the_plan_is_that_of_the_wedge(folder, monkeypatch) -> None:
    """Source: where 1 mm lies between the balls a layer of 0.2 mm is left; the wedge says the rest.

    As spreadsheets write it in German: semicolons, decimal commas, columns in any order.
    """
    (folder / "wedge.csv").write_text(WEDGE, encoding="utf-8")
    words = ("waxup.stl", "--die", "die.stl", "--mask", "mask.ply", "--case", "case.toml",
             "--wedge", "wedge.csv", "--out", "plan", "--lang", "de")  # fmt: skip
    _, told = run(folder, *words, monkeypatch=monkeypatch)
    document = planned(folder)
    (unit,) = document["shade"]["units"]
    wedge = read_wedge(folder / "wedge.csv")
    assert document["shade"]["error"] == pytest.approx(wedge.error(), abs=1e-6)
    # Faceting: 0.02 mm of layer are 0.2 of ΔE00 here.
    assert unit["median"] == pytest.approx(wedge.off_full_depth(np.array([0.2]))[0], abs=0.3)
    assert unit["beyond_acceptable"] > 0.5
    assert f"{unit['median']:.1f} neben der vollen Tiefe".replace(".", ",") in told
    assert "· die Scans werden gelesen" in told and "reading the scans" not in told
    assert document["guessed"]  # filed in English, told in the reader's words
    assert not any(guess in told for guess in document["guessed"])
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
             "depths.svg", "plan.pdf", "pins.3mf")  # fmt: skip
    assert names >= set(files)
    document = planned(folder)
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


def test_without_a_die_nothing_is_said_to_fit_over_one(folder, monkeypatch) -> None:
    """Source: the wax-up is a closed ball, and no die is given."""
    words = ("waxup.stl", "--mask", "mask.ply", "--case", "case.toml", "--out", "plan")
    code, told = run(folder, *words, monkeypatch=monkeypatch)
    document = json.loads((folder / "plan" / "plan.json").read_text(encoding="utf-8"))
    assert (code, document["die_known"], document["conflicts"]) == (4, False, [])
    assert "metal over the preparation" in told and "was not judged" in told
    assert "fit everywhere" not in told
    # Nor does anyone work by a target without a word of it that its mesh is folded.
    for lang, word in (("en", "thorns"), ("de", "Dornen")):
        assert word in _torn(document, 5000, lang) and word not in _torn(document, 900, lang)


def _torn(document: dict, crossings: int, lang: str) -> str:
    """The plan in words, were so many triangles of its target to run through others."""
    return plan_summary(document | {"target_crossings": crossings}, lang)


def test_a_plan_without_a_mark_is_drawn_all_the_same(folder, monkeypatch) -> None:
    """What is veneered may be too small for any mark; lines of depth are drawn as ever."""
    monkeypatch.setattr("veneercheck.plan.depth_marks", lambda *_: ())
    words = ("waxup.stl", "--mask", "mask.ply", "--case", "case.toml", "--out", "plan")
    code, _ = run(folder, *words, monkeypatch=monkeypatch)
    document = json.loads((folder / "plan" / "plan.json").read_text(encoding="utf-8"))
    drawn = (folder / "plan" / "depths.svg").read_text(encoding="utf-8")
    assert (code, document["marks"]) == (4, [])
    assert "<circle" not in drawn and 'class="strong"' in drawn


@pytest.mark.parametrize("fault", ["no surfaces", "hole", "far die", "elsewhere", "shade", "taken"])
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
    elif fault == "shade":
        ways = np.array([[0, 0, 255], [0, 0, 200], [128, 128, 128]])
        colours = ways[np.digitize(-ball.points_mm[:, 2], [-2.5, -1.5])]
        rows = [f"{x} {y} {z} {r} {g} {b}" for (x, y, z), (r, g, b) in
                zip(ball.points_mm, colours, strict=True)]  # fmt: skip
        rows += [f"3 {a} {b} {c}" for a, b, c in ball.faces]
        named = "".join(f"property float {k}\n" for k in "xyz")
        named += "".join(f"property uchar {k}\n" for k in ("red", "green", "blue"))
        head = f"ply\nformat ascii 1.0\nelement vertex {len(ball.points_mm)}\n{named}"
        head += f"element face {len(ball.faces)}\nproperty list uchar int vertex_indices\n"
        (folder / "mask.ply").write_text(head + "end_header\n" + "\n".join(rows) + "\n", "ascii")
    else:
        (folder / "plan").mkdir()
        (folder / "plan" / "letter.txt").write_text("mine", encoding="utf-8")
    code, told = run(folder, *words, monkeypatch=monkeypatch)
    expected = {
        "no surfaces": "nothing of it is to be veneered",
        "hole": "the wax-up is open at",
        "far die": "the die lies outside the wax-up",
        "elsewhere": "lies nowhere on the wax-up",
        "shade": "coloured (0, 0, 200), which is not the pure (0, 0, 255) of a mask",
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


def test_a_check_on_record_keeps_its_plan_and_is_repeated_with_it(folder, monkeypatch) -> None:
    """Source: the target is the framework here, so nothing of it is off its plan; the plan's own
    files lie in the case folder, so that moving the plan away leaves the record whole."""
    words = ("waxup.stl", "--mask", "mask.ply", "--case", "case.toml", "--out", "plan")
    run(folder, *words, monkeypatch=monkeypatch)
    checked = CliRunner().invoke(
        cli.app,
        ["check", "plan/target.stl", "waxup.stl", "--case", "case.toml", "--plan", "plan",
         "--aligned", "--no-report", "--register", "r.sqlite", "--out", "cases"],
    )  # fmt: skip
    assert "Against the plan: 0.0 mm² cut deeper" in checked.output, checked.output
    (case,) = (one for one in (folder / "cases").iterdir() if one.is_dir())
    order = json.loads((case / "order.json").read_text(encoding="utf-8"))
    filed = hashlib.sha256((folder / "plan" / "plan.json").read_bytes()).hexdigest()
    assert order["plan"]["plan.json"] == filed
    assert (case / "plan" / "target.ply").is_file() and (case / "off_plan.ply").is_file()
    (folder / "plan").rename(folder / "elsewhere")
    (folder / "list.csv").write_text(
        "framework,waxup,case,plan\nplan/target.stl,waxup.stl,case.toml,plan\n", encoding="utf-8"
    )
    (task,) = tasks_of(folder / "list.csv", Asked(folder))
    assert task.plan == str(folder / "plan")
    refused = do(dataclasses.replace(task, framework=str(folder / "elsewhere" / "target.stl")))
    assert "no plan can be read there" in refused.cause and str(folder / "plan") in refused.cause
    confirmed = CliRunner().invoke(cli.app, ["records", "confirm", "--register", "r.sqlite"])
    assert "1 checks repeated to the last digit" in confirmed.output, confirmed.output
    altered = json.loads((case / "plan_compared.json").read_text(encoding="utf-8"))
    altered["deepest_mm"] += 0.1
    (case / "plan_compared.json").write_text(json.dumps(altered), encoding="utf-8")
    confirmed = CliRunner().invoke(cli.app, ["records", "confirm", "--register", "r.sqlite"])
    assert "plan_compared.json" in confirmed.output and confirmed.exit_code != 0


def test_a_finish_line_in_the_case_file_takes_the_place_of_the_mask(folder, monkeypatch) -> None:
    """Source: the same circle of latitude, painted and picked: 2 π r h = 63 mm² over z = 1.5;
    the profile's density gives a mass to what is dentine and incisal."""
    angle = np.linspace(0.0, 2.0 * np.pi, 60, endpoint=False)
    level = np.sqrt(16.0 - 1.5**2)
    ring = np.column_stack([level * np.cos(angle), level * np.sin(angle), 0.0 * angle + 1.5])
    text = f"{CASE}[[finish_line]]\npoints = {ring.round(4).tolist()}\ninside = [0.0, 0.0, 4.0]\n"
    (folder / "case.toml").write_text(text, encoding="utf-8")
    (folder / "own.toml").write_text('name = "own"\n[paste]\ndensity_g_cm3 = 2.0\n')
    words = ("waxup.stl", "--case", "case.toml", "--profile", "own.toml", "--out", "plan")
    _, told = run(folder, *words, monkeypatch=monkeypatch)
    document = planned(folder)
    assert document["veneered_area_mm2"] == pytest.approx(2 * np.pi * 4.0 * 2.5, rel=0.02)
    (unit,) = document["layers"]
    paste = unit["dentine_mm3"] + unit["incisal_mm3"]
    assert unit["mass_g"] == pytest.approx(2.0 * paste / 1000.0, rel=1e-3)
    assert "g without opaquer" in told
    off = text.replace("inside = [0.0, 0.0, 4.0]", "inside = [0.0, 0.0, 9.0]")
    (folder / "case.toml").write_text(off, encoding="utf-8")
    code, told = run(folder, *words, monkeypatch=monkeypatch)
    assert (code, "lies 5.0 mm off the wax-up" in told) == (3, True), told
    (folder / "case.toml").write_text(f"{CASE}[[finish_line]]\npoints = [[1, 2, 3]]\n")
    code, told = run(folder, *words, monkeypatch=monkeypatch)
    assert (code, "is no finish line" in told) == (3, True), told


def test_a_plan_on_record_is_bundled_and_made_again(folder, monkeypatch) -> None:
    """Source: the same scans, case and limits are the same plan, to the last digit."""
    words = ("waxup.stl", "--mask", "mask.ply", "--case", "case.toml", "--out", "plans",
             "--register", "r.sqlite", "--who", "AB")  # fmt: skip
    _, told = run(folder, *words, monkeypatch=monkeypatch)
    (place,) = (one for one in (folder / "plans").iterdir() if one.is_dir())
    assert str(place.name) in told and place.name.startswith("DEMO-7-plan-")
    assert {"plan_order.json", "plan.json", "scans"} <= {one.name for one in place.iterdir()}
    before = (place / "plan.json").read_bytes()
    run(folder, *words, monkeypatch=monkeypatch)  # no second entry, and the folder as it was
    assert (place / "plan.json").read_bytes() == before
    on_record = ("--register", "r.sqlite")
    listed = CliRunner().invoke(cli.app, ["records", "entries", "plan", *on_record])
    assert listed.output.count("DEMO-7") >= 1 and "AB" in listed.output, listed.output
    (folder / "waxup.stl").unlink()  # the folder holds its own scans
    words = ["records", "export", "DEMO-7", "--out", "b.zip", *on_record]
    done = CliRunner().invoke(cli.app, words)
    assert done.exit_code == 0, done.output
    done = CliRunner().invoke(cli.app, ["records", "confirm", "b.zip", *on_record])
    assert "every byte is as it was written" in done.output, done.output
    done = CliRunner().invoke(cli.app, ["records", "confirm", *on_record])
    assert "1 checks repeated to the last digit" in done.output, done.output
    (place / "marks.csv").write_text("1", encoding="utf-8")
    done = CliRunner().invoke(cli.app, ["records", "confirm", "DEMO-7", *on_record])
    assert "marks.csv" in done.output and done.exit_code != 0
