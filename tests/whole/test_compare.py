"""Two attempts side by side: what changed, told in a table and on linked maps."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

import record_trials as trials
from browsing import chromium
from edges import test_report_data
from veneercheck.case.order import Order
from veneercheck.case.run import carry_out
from veneercheck.cli.main import app
from veneercheck.core.errors import RecordError
from veneercheck.core.mesh.triangles import vertex_normals
from veneercheck.core.types import Region, TriangleMesh
from veneercheck.report import read_result, write_result
from veneercheck.report.compare import change_between, compared_rows, write_compared
from veneercheck.report.words import Words
from whole import test_report_page

OFF_MM = 0.3


PAGE = test_report_page
_until = PAGE._until


@pytest.fixture(scope="module")
def attempts(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """The ball with its thin cap, and the same with 0.3 mm taken off the cap, which is enough."""
    place = tmp_path_factory.mktemp("attempts")
    outcome = test_report_data.outcome_of()
    judged = tuple(dataclasses.replace(zone, limit_mm=1.0) for zone in outcome.check.zones)
    outcome = dataclasses.replace(outcome, check=dataclasses.replace(outcome.check, zones=judged))
    write_result(place / "one", outcome)
    mesh = outcome.check.framework
    cap = mesh.points_mm[:, 2] > 3.2
    lower = mesh.points_mm - OFF_MM * cap[:, None] * vertex_normals(mesh)
    check = dataclasses.replace(
        outcome.check, framework=TriangleMesh(lower, mesh.faces), zones=(),
        finding=np.zeros_like(outcome.check.finding),
    )  # fmt: skip
    write_result(place / "two", dataclasses.replace(outcome, check=check))
    return place / "one", place / "two"


def test_what_became_of_every_place(attempts: tuple[Path, Path], tmp_path: Path) -> None:
    """By construction: the cap was cut, so it is corrected one way and new the other."""
    made = CliRunner().invoke(app, ["compare", *map(str, attempts), "--out", str(tmp_path)])
    assert made.exit_code == 0, made.output
    assert "1 corrected, 0 better, 0 the same, 0 worse, 0 new" in made.output
    assert "corrected: too thin, –, 0.50 ± 0.08 mm" in made.output
    assert (tmp_path / "compare.html").stat().st_size < 3_000_000
    one, two = map(read_result, attempts)
    (back,) = compared_rows(two, one, change_between(two, one), Words("de"))
    assert back["told"] == "neu" and back["reading_earlier"] == ""
    assert back["reading_later"] == "0,50 ± 0,08 mm"
    (same,) = compared_rows(one, one, change_between(one, one), Words("en"))
    assert same["told"] == "the same" and same["id_earlier"] == same["id_later"] == "1"
    sprue = dataclasses.replace(two, region=np.full_like(two.region, Region.ATTACHMENT))
    assert np.isnan(change_between(one, sprue).off_mm).all()


def test_a_check_against_an_earlier_one_lays_both_side_by_side(tmp_path: Path) -> None:
    """The same scans again: nothing changed, and page and paper say so."""
    trials.scans(tmp_path)
    order = Order(tmp_path / "f.stl", tmp_path / "w.stl", aligned=True)
    carry_out(order, out=tmp_path / "one", with_report=False)
    again = dataclasses.replace(order, earlier=tmp_path / "one")
    outcome = carry_out(again, out=tmp_path / "two")
    assert (tmp_path / "two" / "compare.html").is_file()
    assert not (tmp_path / "one" / "compare.html").exists()
    told = PAGE.read_text(tmp_path / "two" / "report.pdf")
    assert "Since the earlier check" in told
    assert all(f"zone {zone.id}: the same" in told for zone in outcome.check.zones)


def test_what_cannot_be_compared_is_refused(attempts: tuple[Path, Path], tmp_path: Path) -> None:
    one, two = map(read_result, attempts)
    scans = dict(two.document["scans"])
    scans["waxup"] = dict(scans["waxup"], sha256="1" * 64)
    other = dataclasses.replace(two, document={**two.document, "scans": scans})
    with pytest.raises(RecordError, match="different wax-ups"):
        write_compared(tmp_path, one, other)
    with pytest.raises(RecordError, match="nothing was measured"):
        write_compared(tmp_path, one, dataclasses.replace(two, mesh=None))
    assert list(tmp_path.iterdir()) == []


@pytest.fixture(scope="module")
def page(attempts: tuple[Path, Path], tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    place = tmp_path_factory.mktemp("compared")
    write_compared(place, *map(read_result, attempts))
    with chromium() as opened:
        found = opened.new_page(viewport={"width": 1366, "height": 768}, bypass_csp=True)
        found.set_default_timeout(PAGE.LONG_MS)
        found.goto((place / "compare.html").as_uri())
        found.wait_for_selector("body[data-linked]", state="attached")
        yield found


def test_one_map_turns_and_is_cut_with_the_other(page: Any) -> None:
    views = "['earlier', 'later'].map((one) => document.getElementById(one).view)"
    for canvas in page.locator("canvas[data-part=canvas]").all():
        box = canvas.bounding_box()
        assert box["y"] < 330 and box["width"] > 500  # side by side on the first screen
    page.focus("#earlier canvas")
    page.keyboard.press("ArrowLeft")
    one, two = page.evaluate(f"{views}.map((one) => one.camera.toward)")
    assert one == two and abs(one[2]) < 0.9999
    page.focus("#later canvas")
    page.keyboard.press("1")
    _until(page, f"{views}.every((one) => one.camera.toward[2] > 0.99999)")
    page.locator("#later [data-part=slider]").press("ArrowRight")
    one, two = page.evaluate(f"{views}.map((one) => one.node('slider').value)")
    assert one == two
    page.click("#later [data-reading='1']")
    assert page.evaluate(f"{views}.map((one) => one.reading)") == [1, 1]


def test_what_was_taken_off_is_a_map_of_its_own(page: Any) -> None:
    """By construction: 0.3 mm off the cap; nothing elsewhere, and nothing by the earlier one."""
    page.click("#later [data-reading='4']")
    assert page.locator("#earlier [data-reading='4']").count() == 0
    assert "taken off" in page.inner_text("#later [data-part=legend-words]")
    page.focus("#later canvas")
    page.keyboard.press("1")
    _until(page, "document.getElementById('later').view.camera.toward[2] > 0.99999")
    page.keyboard.press("Enter")
    assert "taken off 0.3 mm" in page.inner_text("#later [data-part=reading]")


def test_the_earlier_map_is_wiped_over_the_later_one(page: Any) -> None:
    over = "document.querySelector('canvas.over')"
    assert page.evaluate(f"{over}.hidden")
    page.locator("#wipe").press("End")
    _until(
        page,
        f"!{over}.hidden && {over}.width > 300 && new Set({over}.getContext('2d')"
        f".getImageData(0, {over}.height / 2, {over}.width, 1).data).size > 8",
    )
    assert "100%" not in page.evaluate(f"getComputedStyle({over}).clipPath")
    page.locator("#wipe").press("Home")
    assert page.evaluate(f"{over}.hidden")


def test_no_barrier(page: Any) -> None:
    """axe-core's rules for WCAG levels A and AA."""
    rules = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa"]}
    found = PAGE._axe().run(page, options=rules).response["violations"]
    assert [(fault["id"], fault["nodes"][0]["html"][:120]) for fault in found] == []
