"""What the program could not tell by itself, told on the bench page: places, directions, units.

Expected findings are by construction: the lump's upper half is cut back evenly by 0.9 mm, so that
0.7 mm are left after 0.2 mm of opaquer; below 2.6 mm under its middle the scan ends, which leaves a
collar too narrow for the search, and wide enough for a fit that is started beside it.
"""

from __future__ import annotations

import importlib.util
import json
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

from veneercheck.cli.main import app
from veneercheck.core.mesh.motion import rotation_from_vector
from veneercheck.core.mesh.triangles import select_faces
from veneercheck.core.types import RigidMotion, TriangleMesh
from veneercheck.scan import stl_bytes


def _page_tests() -> Any:
    path = Path(__file__).parent / "test_bench_page.py"
    spec = importlib.util.spec_from_file_location("bench_page", path)
    module = importlib.util.module_from_spec(spec)
    sys.modules["bench_page"] = module
    spec.loader.exec_module(module)
    return module


PAGE = _page_tests()
DOOR = PAGE.DOOR
browser, bench = PAGE.browser, PAGE.bench
pytestmark = PAGE.pytestmark

POSE = RigidMotion(
    np.asarray(rotation_from_vector(np.array([0.0, 0.0, 2.4]))), np.array([30.0, -20.0, 10.0])
)
PAGE_SIZE = {"width": 1280, "height": 900}
WAYS = np.array([[1.0, 0.2, 0.9], [-0.9, 0.5, 0.8], [0.1, -1.0, 0.9]])
"""Three places that are seen from above, as directions from the lump's middle."""


@pytest.fixture(scope="module")
def lump() -> tuple[TriangleMesh, TriangleMesh]:
    framework, waxup = DOOR.caps(0.9, 0.45)  # places to pick lie close together
    seen = framework.points_mm[:, 2] > -2.6
    collared = select_faces(framework, seen[framework.faces].all(axis=1))[0]
    return TriangleMesh(POSE.apply(collared.points_mm), collared.faces), waxup


@pytest.fixture(scope="module")
def files(
    lump: tuple[TriangleMesh, TriangleMesh], tmp_path_factory: pytest.TempPathFactory
) -> tuple[str, str]:
    folder = tmp_path_factory.mktemp("scans")
    for name, mesh in zip(("framework.stl", "waxup.stl"), lump, strict=True):
        (folder / name).write_bytes(stl_bytes(mesh))
    return str(folder / "framework.stl"), str(folder / "waxup.stl")


def _checked(page: Any, files: tuple[str, str]) -> str:
    """Both scans handed in by the file dialogue, and the check answered."""
    page.locator("[data-role=framework] input").set_input_files(files[0])
    page.locator("[data-role=waxup] input").set_input_files(files[1])
    PAGE._taken(page, "framework.stl", "waxup.stl")
    page.click("#start")
    page.locator("#answer").wait_for()
    PAGE._enough(page)
    return PAGE._number(page)


def _places(mesh: TriangleMesh, frame: RigidMotion) -> np.ndarray:
    """The vertices that lie farthest in the three directions, of what is seen from above."""
    ways = WAYS / np.linalg.norm(WAYS, axis=1)[:, None]
    own = frame.inverse().apply(mesh.points_mm)
    own /= np.linalg.norm(own, axis=1)[:, None]
    return mesh.points_mm[np.argmax(own @ ways.T, axis=0)]


def _pixels(page: Any, role: str, mesh: TriangleMesh, places: np.ndarray) -> np.ndarray:
    """Where places lie in the picture from above, from its upper left corner: the projection."""
    box = page.locator(f"#place-{role}").evaluate("(one) => [one.clientWidth, one.clientHeight]")
    low, high = mesh.points_mm.min(axis=0), mesh.points_mm.max(axis=0)
    middle = 0.5 * (low + high)
    radius = np.linalg.norm(mesh.points_mm - middle, axis=1).max()
    off = (places - middle)[:, :2] * [1.0, -1.0] / (2 * radius / min(box[0], 1.4 * box[1]))
    return np.array(box) / 2 + off


def _by_keys(page: Any, role: str, wanted: np.ndarray, start: np.ndarray) -> None:
    """The cross is moved in its steps of 12 px from where it was, to within half of one."""
    page.locator(f"#place-{role}").focus()
    keys = (("ArrowLeft", "ArrowRight"), ("ArrowUp", "ArrowDown"))
    for steps, (back, on) in zip(np.rint((wanted - start) / 12).astype(int), keys, strict=True):
        for _ in range(abs(steps)):
            page.keyboard.press(on if steps > 0 else back)
    page.keyboard.press("Enter")


def _by_touch(page: Any, role: str, wanted: np.ndarray) -> None:
    x, y = (float(value) for value in wanted)
    page.locator(f"#place-{role}").tap(position={"x": x, "y": y})
    page.locator(f"#set-{role}").tap()


def _by_mouse(page: Any, role: str, wanted: np.ndarray) -> None:
    x, y = (float(value) for value in wanted)
    page.locator(f"#place-{role}").click(position={"x": x, "y": y})


def _no_barrier(page: Any) -> None:
    """On a telephone nothing runs out and nothing is too small; axe finds nothing."""
    from axe_playwright_python.sync_playwright import Axe

    page.set_viewport_size({"width": 390, "height": 844})
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    assert page.evaluate(PAGE.SMALL % (PAGE.TARGET_PX, PAGE.TARGET_PX)) == []
    rules = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa"]}
    found = Axe().run(page, options=rules).response["violations"]
    assert [(one["id"], one["nodes"][0]["html"][:120]) for one in found] == []
    page.set_viewport_size(PAGE_SIZE)


def test_a_failed_alignment_is_solved_by_three_pairs(
    browser: Any, bench: Any, files: Any, lump: Any, tmp_path: Path
) -> None:
    """One pair each by mouse, keys and touch; the case file holds them, the command line agrees."""
    context = browser.new_context(viewport=PAGE_SIZE, has_touch=True, bypass_csp=True)
    page = PAGE._enter(context, bench)
    failed = _checked(page, files)
    assert "could not be laid on each other" in page.inner_text("#unsure-words")
    page.click("#place-link")
    page.locator("#place[data-ready=yes]").wait_for()
    at = {
        role: _pixels(page, role, mesh, _places(mesh, frame))
        for role, mesh, frame in (
            ("framework", lump[0], POSE), ("waxup", lump[1], RigidMotion.identity()),
        )
    }  # fmt: skip
    for k, set_point in enumerate((_by_mouse, _by_touch, _by_keys)):
        for role in ("framework", "waxup"):
            more = (at[role][1],) if set_point is _by_keys else ()
            set_point(page, role, at[role][k], *more)
            page.locator(f"#marks-{role} span").nth(k).wait_for()
        assert page.locator("#pairs li").count() == k + 1
        assert page.locator("#place-check").is_disabled() or k == 2
    page.locator("#place-fit").wait_for()
    page.keyboard.press("Backspace")  # undone, and the look with it
    page.locator("#place-fit").wait_for(state="hidden")
    assert page.locator("#place-check").is_disabled()
    _by_mouse(page, "framework", at["framework"][2])
    assert "still missing on: Wax-up" in page.inner_text("#place-told")
    _by_mouse(page, "waxup", at["waxup"][2])
    page.locator("#place-fit").wait_for()
    assert "0." in page.inner_text("#pairs") and "mm apart" in page.inner_text("#pairs")
    _no_barrier(page)
    page.click("#place-check")
    page.wait_for_url(lambda url: "#check/" in url and failed not in url)
    page.locator("#answer").wait_for()
    PAGE._enough(page)
    assert page.locator("#unsure").is_hidden()
    job = bench.folder / PAGE._number(page)
    by_page = json.loads((job / "check/result.json").read_text("utf-8"))
    motion = np.array(by_page["alignment"]["waxup_from_framework"])
    lies = lump[0].points_mm @ motion[:3, :3].T + motion[:3, 3]
    assert np.abs(lies - POSE.inverse().apply(lump[0].points_mm)).max() < 0.02
    assert (by_page["alignment"]["state"], by_page["verdict"]) == ("trusted", "findings")
    assert (job / "case.toml").read_text("utf-8").count("[[landmarks]]") == 3
    words = ["check", *files, "--no-report", "--case", str(job / "case.toml")]
    ended = CliRunner().invoke(app, [*words, "--out", str(tmp_path / "out")])
    assert ended.exit_code in (0, 1, 4), ended.output
    by_command = json.loads((tmp_path / "out/result.json").read_text("utf-8"))
    assert by_page.pop("checked_at_utc") and by_command.pop("checked_at_utc")
    assert by_page == by_command
    assert page.faults == []
    context.close()
