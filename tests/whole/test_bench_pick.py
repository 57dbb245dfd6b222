"""What the program could not tell by itself, told on the bench page: places, directions, units.

Expected findings are by construction: the lump's upper half is cut back evenly by 0.9 mm, so that
0.7 mm are left after 0.2 mm of opaquer; below 2.6 mm under its middle the scan ends, which leaves a
collar too narrow for the search, and wide enough for a fit that is started beside it.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

import browsing
from veneercheck.bench import worker
from veneercheck.bench.store import Dropped, Store
from veneercheck.case import run
from veneercheck.case.order import Order
from veneercheck.cli.main import app
from veneercheck.core.mesh.motion import rotation_from_vector
from veneercheck.core.mesh.triangles import select_faces
from veneercheck.core.types import RigidMotion, TriangleMesh
from veneercheck.scan import stl_bytes

PAGE = browsing.page_tests()
browser, bench = PAGE.browser, PAGE.bench

PAGE_SIZE = {"width": 1280, "height": 900}
POSE = RigidMotion(
    np.asarray(rotation_from_vector(np.array([0.0, 0.0, 2.4]))), np.array([30.0, -20.0, 10.0])
)
WAYS = np.array([[1.0, 0.2, 0.9], [-0.9, 0.5, 0.8], [0.1, -1.0, 0.9]])
"""Three places that are seen from above, as directions from the lump's middle."""


GUESS = {
    "occlusal": [0.3, 0.1, -0.95], "buccal": [0.95, 0.0, 0.3], "guessed": True, "sides_known": True,
}  # fmt: skip


def _guessed(route: Any) -> None:
    """The model as the server tells it, with another guess."""
    told = route.fetch().json()
    assert told["plan"]["guess"]["occlusal"] is None
    told["plan"]["guess"] = GUESS
    route.fulfill(json=told)


@pytest.fixture(scope="module")
def lump() -> tuple[TriangleMesh, TriangleMesh]:
    framework, waxup = browsing.caps(0.9, 0.45, 5.0)  # places to pick lie close together
    seen = framework.points_mm[:, 2] > -2.6
    collared = select_faces(framework, seen[framework.faces].all(axis=1))[0]
    return TriangleMesh(POSE.apply(collared.points_mm), collared.faces), waxup


@pytest.fixture(scope="module")
def files(
    lump: tuple[TriangleMesh, TriangleMesh], tmp_path_factory: pytest.TempPathFactory
) -> tuple[str, str]:
    return _written(tmp_path_factory.mktemp("scans"), lump)


def _written(folder: Path, pair: tuple[TriangleMesh, TriangleMesh]) -> tuple[str, str]:
    for name, mesh in zip(("framework.stl", "waxup.stl"), pair, strict=True):
        (folder / name).write_bytes(stl_bytes(mesh))
    return str(folder / "framework.stl"), str(folder / "waxup.stl")


def _cancelled(page: Any) -> None:
    """What was asked is enough: the check itself is not waited for."""
    page.locator("#progress").wait_for()
    PAGE._hold(page)
    page.click("#cancel")
    page.locator("#ended").wait_for()


def _checked(
    page: Any, files: tuple[str, str], instead: Callable[[str], None] | None = None
) -> str:
    """Both scans handed in by the file dialogue, and the check answered; the page's own worker
    stands still where another works instead."""
    page.locator("[data-role=framework] input").set_input_files(files[0])
    page.locator("[data-role=waxup] input").set_input_files(files[1])
    PAGE._taken(page, "framework.stl", "waxup.stl")
    page.click("#start")
    if instead is not None:
        page.locator("#progress").wait_for()
        PAGE._hold(page)
        instead(PAGE._number(page))
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
    failed = _checked(page, files, lambda number: browsing.worked_near_by(bench.folder / number))
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
    # No start over: what was picked is asked again beside what is corrected next.
    page.click("#correct-link")
    page.locator("#model[data-ready=yes]").wait_for()
    with page.expect_request(lambda one: one.method == "POST") as asked:
        page.click("#correct-check")
    assert len(asked.value.post_data_json["landmarks"]) == 3
    _cancelled(page)
    assert page.faults == []
    context.close()


def _wide_and_narrow(page: Any) -> None:
    """The menu in one row at every width, without scrolling sideways."""
    for width in (390, 768, 900, 1280):
        page.set_viewport_size({"width": width, "height": 844})
        row = page.locator(".top")
        assert row.bounding_box()["height"] < 64, width
        wider = "one => [...one.querySelectorAll('*')].filter(it => it.clientWidth"
        assert row.evaluate(f"{wider} && it.scrollWidth > it.clientWidth + 1).length") == 0, width
        inside = "one => [...one.querySelectorAll('a, button')].filter(it => it.offsetParent)"
        ends = row.evaluate(f"{inside}.map(it => it.getBoundingClientRect().right)")
        assert max(ends) <= width, width


@pytest.mark.parametrize("lang", ["en-GB", "de-DE"])
def test_the_menu_stands_in_one_row(browser: Any, bench: Any, lang: str) -> None:
    """What does not fit opens below it, by touch and by keys, and closes with the page chosen."""
    context = browser.new_context(viewport=PAGE_SIZE, has_touch=True, locale=lang)
    page = PAGE._enter(context, bench)
    _wide_and_narrow(page)
    page.set_viewport_size({"width": 390, "height": 844})
    limits = page.locator("#rest a[href='#limits']")
    assert limits.is_hidden()
    page.locator("#more").tap()
    limits.tap()
    page.locator("section[data-view=limits]").wait_for()
    assert limits.is_hidden()
    page.locator("#more").focus()
    page.keyboard.press("Enter")
    limits.wait_for()
    page.keyboard.press("Escape")
    limits.wait_for(state="hidden")
    assert page.faults == []
    context.close()


def test_guesses_are_named_and_renamed_in_place(browser: Any, bench: Any, tmp_path: Path) -> None:
    """Pictures carry words of the trade; units are named where none were, and renamed with all
    that was said of them."""
    context = browser.new_context(viewport=PAGE_SIZE, has_touch=True, bypass_csp=True)
    page = PAGE._enter(context, bench)
    _checked(page, _written(tmp_path, browsing.caps(0.9)))
    page.route("**/model?*", _guessed)
    page.click("#correct-link")
    page.locator("#model[data-ready=yes]").wait_for()
    # The lump shows neither. The guess put in leans away from the axes nearest to it: it has
    # pictures of its own, and stands on the model where it points.
    marked = [
        page.locator(f"#{box} button", has=page.locator(".badge:visible")).get_attribute("value")
        for box in ("occlusal", "buccal")
    ]
    assert marked == ["guess", "guess"]
    assert page.inner_text("#occlusal button[value='guess'] .named") == "biting surface"
    assert page.locator("#buccal button[value='guess']").get_attribute("aria-pressed") == "true"
    page.locator("#marks-model", has_text="biting surface").wait_for(state="attached")
    assert page.inner_text("#buccal button[value='-x'] .named") == "tongue or palate side"
    assert "No units are named yet" in page.inner_text("#units-hint")
    page.locator("#occlusal button[value='+z']").click()
    page.locator("#buccal button[value='-y']").tap()
    # By definition: what lies across from them, and the two that are left.
    names = {
        side: page.inner_text(f"#occlusal button[value='{side}'] .named")
        for side in ("+z", "-z", "-y", "+y", "+x", "-x")
    }
    assert list(names.values()) == [
        "biting surface", "towards the gum", "cheek or lip side", "tongue or palate side",
        "end of the bridge", "end of the bridge",
    ]  # fmt: skip
    page.locator("#rename-open").focus()
    page.keyboard.press("Enter")
    page.locator("#rename-arches .tooth[aria-label^='36']").tap()
    page.locator("#units button", has_text="36").click()
    page.keyboard.press("Enter")
    page.locator("#units button", has_text="36 ✓").wait_for()
    page.locator("#by-unit label", has_text="buccal").click()
    for _ in range(2):  # a pontic, then out again; the neighbour comes in its place
        page.locator("#rename-arches .tooth[aria-label^='36']").click()
    page.locator("#rename-arches .tooth[aria-label^='37']").click()
    page.locator("#units button", has_text="37 ✓").wait_for()
    assert page.inner_text("#rename-chosen") == "37 retainer"
    page.locator("#marks-model", has_text="37").wait_for(state="attached")  # drawn a frame later
    assert page.locator("#marks-model span").all_text_contents() == [
        "biting surface", "cheek or lip side", "37",
    ]  # fmt: skip
    _no_barrier(page)
    with page.expect_request(lambda one: one.method == "POST") as asked:
        page.click("#correct-check")
    said = asked.value.post_data_json
    assert (said["units"], said["pontics"]) == ([37], [])
    assert (said["occlusal"], said["buccal"]) == ("+z", "-y")
    assert list(said["teeth"]) == ["37"] and said["by_unit"] == {"37": ["buccal"]}
    _cancelled(page)
    assert page.faults == []
    context.close()


def test_a_check_after_another_lies_beside_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By the worker itself, with a result that is there already in place of the check."""
    mesh, waxup = browsing.caps(0.9)
    first, second = _written(tmp_path, (mesh, waxup))
    real = run.carry_out(Order(Path(first), Path(second)), out=tmp_path / "out", with_report=False)
    assert real.check.space is not None
    monkeypatch.setattr(
        run, "carry_out", lambda _, out, **__: shutil.copytree(tmp_path / "out", out)
    )
    store = Store(tmp_path / "checks")
    scans = {"framework": Dropped(Path(first), "f.stl"), "waxup": Dropped(Path(second), "w.stl")}
    made = []
    for after in (None, "before"):
        order = {"unit": None, "lang": "en", "after": after and made[0].number}
        made.append(store.new_job(order, scans, {}))
        worker.run(made[-1])
        assert made[-1].end()["end"] == "done"
    assert not (made[0].out / "compare.html").exists()
    page = (made[1].out / "compare.html").read_text("utf-8")
    assert "1 the same, 0 worse, 0 new" in page
    filed = json.loads((made[0].out / "result.json").read_text("utf-8"))
    filed["scans"]["waxup"]["sha256"] = "0" * 64  # another wax-up: nothing to lay beside
    (made[0].out / "result.json").write_text(json.dumps(filed), "utf-8")
    made.append(store.new_job({"unit": None, "lang": "en", "after": made[0].number}, scans, {}))
    worker.run(made[2])
    assert made[2].end()["end"] == "done" and not (made[2].out / "compare.html").exists()
