"""A plan from the bench page: a finish line picked on a ball, planned as the command line plans."""

from __future__ import annotations

import json
import math
import os
from pathlib import Path
from typing import Any

from typer.testing import CliRunner

import browsing
from veneercheck.cli.main import app
from veneercheck.phantom.bodies import concentric_spheres
from veneercheck.scan import stl_bytes

PAGE = browsing.page_tests()
browser, bench = PAGE.browser, PAGE.bench


def test_a_line_picked_on_the_page_gives_the_plan_of_the_command_line(
    browser: Any, bench: Any, tmp_path: Path
) -> None:
    """Source: the command line, with the case file that the page wrote; the same bytes."""
    ball = concentric_spheres(0.4, inner_mm=3.0, outer_mm=4.0)
    (tmp_path / "waxup.stl").write_bytes(stl_bytes(ball.outer))
    context = browser.new_context(viewport={"width": 1280, "height": 900})
    page = PAGE._enter(context, bench, "")
    page.set_default_timeout(60_000)
    page.goto(bench.url.split("?")[0] + "plan?lang=en")
    page.get_by_role("heading", name="Plan a cut").wait_for()
    page.click("#start")
    page.locator("#notice", has_text="A scan of the wax-up is needed").wait_for()
    page.set_input_files("#waxup-file", str(tmp_path / "waxup.stl"))
    page.locator("#line-told", has_text="Pick the first point").wait_for()
    page.locator("#line-model").scroll_into_view_if_needed()
    box = page.locator("#line-model").bounding_box()
    middle = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    for number in range(1, 7):  # seen from above, the ball fills most of the picture's height
        turn = number * math.pi / 3
        way = 0.28 * box["height"]
        page.mouse.click(middle[0] + way * math.cos(turn), middle[1] - way * math.sin(turn))
        page.locator("#marks-line span", has_text=f"{number}").wait_for()
    page.locator("#line-told", has_text="The line is closed").wait_for()
    page.mouse.move(*middle)
    page.keyboard.press("i")
    page.locator("#line-told", has_text="Line and veneer are set").wait_for()
    for axis, side in (("occlusal", "+z"), ("buccal", "+y")):
        page.select_option(f"#{axis}", side)
    _keep(page, "picked.png")
    page.click("#start")
    page.locator("#made").wait_for()
    said = page.inner_text("#said")
    assert "The material's instructions for use" in said, said
    page.locator("#drawing").evaluate("image => image.decode()")
    _keep(page, "made.png", whole=True)
    href = page.get_by_role("link", name="Everything (ZIP)").get_attribute("href")
    job = bench.folder / "plans" / href.split("/")[2]
    again = CliRunner().invoke(
        app,
        ["plan", str(job / "scans" / "waxup.stl"), "--case", str(job / "case.toml"),
         "--out", str(tmp_path / "plan")],
    )  # fmt: skip
    assert again.exception is None or isinstance(again.exception, SystemExit)
    for name in ("target.stl", "depth.ply", "marks.csv", "depths.svg"):
        assert (tmp_path / "plan" / name).read_bytes() == (job / "check" / name).read_bytes(), name
    planned = json.loads((job / "check" / "plan.json").read_text(encoding="utf-8"))
    # A hexagon 0.28 of the picture's height from its middle: 1.6 mm, 6.7 mm² were it flat.
    assert 6.5 < planned["veneered_area_mm2"] < 8.5
    assert page.faults == []
    context.close()


def _keep(page: Any, name: str, *, whole: bool = False) -> None:
    """Pictures to look at, where somebody asked for them."""
    if place := os.environ.get("KEEP_PICTURES"):
        page.screenshot(path=f"{place}/{name}", full_page=whole)


def test_a_finger_picks_the_line_without_scrolling(
    browser: Any, bench: Any, tmp_path: Path
) -> None:
    """A phone in German: cross, button and model on one screen; nothing reaches beyond the edge.

    The finger only sets the cross: with the button out of sight every point asks for a search.
    """
    ball = concentric_spheres(0.8, inner_mm=3.0, outer_mm=4.0)
    (tmp_path / "waxup.stl").write_bytes(stl_bytes(ball.outer))
    context = browser.new_context(
        viewport={"width": 390, "height": 844}, has_touch=True, is_mobile=True
    )
    page = PAGE._enter(context, bench, "")
    page.goto(bench.url.split("?")[0] + "plan?lang=de")
    page.get_by_role("heading", name="Reduktion planen").wait_for()
    page.set_input_files("#waxup-file", str(tmp_path / "waxup.stl"))
    page.locator("#line-told", has_text="ersten Punkt").wait_for()
    page.evaluate("document.getElementById('line-told').scrollIntoView()")
    seen = page.evaluate("scrollY")
    box = page.locator("#line-model").bounding_box()
    for number in (1, 2):
        page.touchscreen.tap(box["x"] + box["width"] * (0.3 + 0.1 * number), box["y"] + 250)
        page.get_by_role("button", name="Punkt unter dem Kreuz setzen").tap()
        page.locator("#marks-line span", has_text=f"{number}").wait_for()
    page.get_by_role("button", name="Letzten Punkt zurücknehmen").tap()
    assert page.evaluate("scrollY") == seen
    for width in (390, 320):
        page.set_viewport_size({"width": width, "height": 844})
        assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert page.faults == []
    context.close()
