"""The bench page as a technician uses it, in a real browser with a real drag and drop.

Expected findings are by construction: a cap cut back by 0.9 mm leaves 0.7 mm after 0.2 mm of
opaquer, which is below 1.0 mm; cut back by 1.7 mm it leaves 1.5 mm, which is enough.
"""

from __future__ import annotations

import math
import re
import signal
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

import browsing
from browsing import chromium
from veneercheck.scan import stl_bytes

LONG_MS = 300_000
"""A busy machine is no fault."""

TARGET_PX = 44
"""Least size of what is pressed: WCAG 2.1, success criterion 2.5.5 (from memory)."""


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """Scans under the names that a laboratory gives them, and files that are none."""
    folder = tmp_path_factory.mktemp("scans")
    thin, waxup = browsing.caps(0.9)
    contents = {
        "D-0417 framework.stl": stl_bytes(thin),
        "D-0417 waxup.stl": stl_bytes(waxup),
        "D-0417 framework trimmed.stl": stl_bytes(browsing.caps(1.7)[0]),
        "one.stl": stl_bytes(thin),
        "other.stl": stl_bytes(waxup),
        "letter.txt": b"Dear Sir or Madam",
        "broken framework.stl": b"solid nothing",
        "Huber_Anna_waxup<img src=x onerror=alert(1)>.stl": stl_bytes(waxup),
    }
    for name, content in contents.items():
        (folder / name).write_bytes(content)
    return {name: str(folder / name) for name in contents}


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    opened = browsing.open_page(tmp_path_factory.mktemp("bench") / "checks")
    yield opened
    browsing.close_page(opened)


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with chromium() as opened:
        yield opened


@pytest.fixture
def tab(browser: Any, bench: Any) -> Iterator[Any]:
    """A browser that was here before: no card; anything that goes wrong in the page is kept."""
    context = browser.new_context(viewport={"width": 1280, "height": 800})
    yield _enter(context, bench)
    context.close()


def _enter(context: Any, bench: Any, hash_: str = "#new") -> Any:
    page = context.new_page()
    page.set_default_timeout(LONG_MS)
    page.faults = []
    page.on("pageerror", lambda error: page.faults.append(str(error)))
    page.on("dialog", lambda dialog: page.faults.append(dialog.message))
    page.goto(bench.url)
    if hash_:
        page.goto(bench.url.split("?")[0] + hash_)
        page.locator(f".top nav a[href='{hash_}'][aria-current]").wait_for()
    return page


def _drop(page: Any, *paths: str, on: str = "main") -> None:
    """The browser's own drag and drop, as a file manager causes it."""
    box = page.locator(on).first.bounding_box()
    place = {"x": box["x"] + 60, "y": max(box["y"] + 30, 70)}
    data = {"items": [], "files": list(paths), "dragOperationsMask": 1}
    line = page.context.new_cdp_session(page)
    for kind in ("dragEnter", "dragOver", "drop"):
        line.send("Input.dispatchDragEvent", {"type": kind, **place, "data": data})


def _taken(page: Any, *names: str) -> None:
    for role, name in zip(("framework", "waxup"), names, strict=True):
        part = page.locator(f".slot[data-role={role}] [data-part=file]")
        part.filter(has_text=name).wait_for()


def _number(page: Any) -> str:
    number: str = page.url.split("check/")[1]
    return number


def _hold(page: Any) -> None:
    """The check that is shown stands still, so that it is not done before it is cancelled."""
    browsing.signal_worker(_number(page), signal.SIGSTOP)


def _enough(page: Any) -> None:
    """What is only needed up to its answer is not drawn to the end."""
    number = _number(page)
    page.evaluate(f"fetch('/api/checks/{number}/cancel', {{method: 'POST', body: '{{}}'}})")


def test_the_whole_way_with_dropped_files(
    browser: Any, bench: Any, files: dict[str, str], tmp_path: Path
) -> None:
    """Card, drop, one button, answer, report in place, downloads, trimmed and checked again."""
    context = browser.new_context(viewport={"width": 1280, "height": 800})
    page = _enter(context, bench, "")
    page.get_by_role("heading", name="How to scan").wait_for()
    before = len(page.evaluate("fetch('/api/checks').then((answer) => answer.json())"))
    page.get_by_role("link", name="I know this").click()
    _drop(page, files["D-0417 waxup.stl"], files["D-0417 framework.stl"])
    _taken(page, "D-0417 framework.stl", "D-0417 waxup.stl")
    assert page.inner_text("#order") == "Told apart by their file names."
    page.get_by_role("button", name="Check the room").click()
    page.locator("#answer").wait_for()
    assert page.inner_text("#verdict") == "One place to change before investing."
    line = page.inner_text("#zones li")
    assert "take off" in line and "too thin · firm · worst reading 0." in line
    page.locator("#report").wait_for()
    report = page.frame_locator("#report")
    assert "An aid, not a release." in report.locator("summary").first.inner_text()
    assert report.locator(".verdict").is_hidden()  # told once: on the page round it
    report.locator("#view[data-ready=yes]").wait_for()
    page.locator("#zones .sign").click()
    report.locator("[data-part=measures]", has_text="1 · depth").wait_for()
    page.locator("#zones .chosen .sign[aria-pressed=true]").wait_for()
    page.get_by_role("link", name="Everything (ZIP)").wait_for()
    with page.expect_download() as saved:
        page.get_by_role("link", name="Bench sheet (PDF)").click()
    saved.value.save_as(tmp_path / "bench.pdf")
    assert (tmp_path / "bench.pdf").read_bytes().startswith(b"%PDF-")
    first = page.url
    _drop(page, files["D-0417 framework trimmed.stl"], on="#trimmed")
    page.locator("#check-files", has_text="trimmed").wait_for()
    page.locator("#answer").wait_for()
    assert page.inner_text("#verdict").startswith("No place outside the limits")
    compared = page.inner_text("#compared")
    assert "corrected: 1 · still there: none · not listed before: none" in compared
    _enough(page)
    page.get_by_role("link", name="the check before").click()
    page.locator("#zones li", has_text="take off").wait_for()
    assert page.url == first
    page.get_by_role("link", name="Checks").click()
    page.locator("#checks tr").nth(before + 1).wait_for()
    assert page.locator("#checks tr").count() == before + 2
    assert page.faults == []
    context.close()


def test_files_that_are_no_scans(tab: Any, files: dict[str, str]) -> None:
    """Each is refused in words, the page stays as it was, and what to do next is said."""
    _drop(tab, files["letter.txt"])
    tab.locator("#notice", has_text="letter.txt is no scan file").wait_for()
    _drop(tab, *(files[name] for name in ("one.stl", "other.stl", "D-0417 waxup.stl")))
    tab.locator("#notice", has_text="Two scans make one check").wait_for()
    tab.click("#start")
    tab.locator("#notice", has_text="Two scans are needed").wait_for()
    _drop(tab, files["broken framework.stl"], files["D-0417 waxup.stl"])
    _taken(tab, "broken framework.stl", "D-0417 waxup.stl")
    tab.click("#start")
    tab.locator("#ended").wait_for()
    told = tab.inner_text("#ended")
    assert "This cannot be checked as it is." in told and "broken framework.stl" in told
    assert tab.locator("#again").is_visible() and tab.locator("#unit-again").is_visible()
    assert tab.faults == []


def test_names_stay_text_and_a_person_is_warned_about(tab: Any, files: dict[str, str]) -> None:
    name = "Huber_Anna_waxup<img src=x onerror=alert(1)>.stl"
    _drop(tab, files["D-0417 framework.stl"], files[name])
    _taken(tab, "D-0417 framework.stl", name)
    assert "looks like a person's name" in tab.inner_text("#told")
    assert tab.locator("img").count() == 0 and tab.faults == []


def test_swapped_scans_two_tabs_reload_and_cancel(
    tab: Any, bench: Any, files: dict[str, str]
) -> None:
    """Names that say nothing, the wrong way round; the answer says so, and one button mends it."""
    _drop(tab, files["other.stl"], files["one.stl"])
    _taken(tab, "other.stl", "one.stl")
    assert "which is which" in tab.inner_text("#order")
    other = _enter(tab.context, bench)
    _drop(other, files["other.stl"], files["one.stl"])
    _taken(other, "other.stl", "one.stl")
    other.click("#swap")
    _taken(other, "one.stl", "other.stl")
    for page in (tab, other):
        page.click("#start")
        page.locator("#progress").wait_for()
    _hold(tab)
    browsing.worked_near_by(bench.folder / _number(tab))
    tab.reload()
    tab.locator("#answer").wait_for()
    assert "look swapped" in tab.inner_text("#swapped")
    _enough(tab)
    tab.click("#swap-again")
    tab.locator("#check-files", has_text="Framework: one.stl").wait_for()
    _hold(tab)
    tab.click("#cancel")
    tab.locator("#ended-words", has_text="This check was cancelled.").wait_for()
    other.locator("#answer").wait_for()
    assert other.inner_text("#verdict") == "One place to change before investing."
    assert other.locator("#swapped").is_hidden()
    _enough(other)
    assert tab.faults == other.faults == []


def test_keyboard_alone(tab: Any, files: dict[str, str]) -> None:
    """Tab, Enter and the browser's own file dialogue; nothing is pointed at."""

    def reach(wanted: str) -> None:
        for _ in range(80):
            tab.keyboard.press("Tab")
            if tab.evaluate(f"document.activeElement.matches({wanted!r})"):
                return
        raise AssertionError(f"never reached {wanted}")

    asked: list[Any] = []

    def opened(chooser: Any) -> None:
        asked.append(chooser)

    tab.on("filechooser", opened)
    for role, name in (("framework", "one.stl"), ("waxup", "other.stl")):
        reach(f"[data-role={role}] input")
        ring = "one => getComputedStyle(one).outlineStyle"
        assert tab.eval_on_selector(f"[data-role={role}] .button", ring) == "solid"
        tab.keyboard.press("Enter")
        for _ in browsing.tries():
            if asked:
                break
            tab.wait_for_timeout(100)
        asked.pop().set_files(files[name])
    _taken(tab, "one.stl", "other.stl")
    reach("summary")
    tab.keyboard.press("Enter")
    reach(".tooth")
    for _ in range(2):
        tab.keyboard.press("Enter")
    assert tab.inner_text("#chosen") == "18 pontic"
    tab.keyboard.press("Enter")
    for _ in range(80):
        tab.keyboard.press("Shift+Tab")
        if tab.evaluate("document.activeElement.id") == "start":
            break
    tab.keyboard.press("Enter")
    tab.locator("#progress").wait_for()
    _hold(tab)
    reach("#cancel")
    tab.keyboard.press("Enter")
    tab.locator("#ended").wait_for()
    assert tab.faults == []


def test_what_was_guessed_is_corrected_on_the_model(tab: Any, files: dict[str, str]) -> None:
    """Directions by pictures, a tooth by touch and by key, paint by stroke; all of it is asked."""
    _drop(tab, files["one.stl"], files["other.stl"])
    _taken(tab, "one.stl", "other.stl")
    tab.locator("summary").click()
    tab.locator(".tooth", has_text="46").click()
    tab.click("#start")
    tab.locator("#answer").wait_for()
    _enough(tab)
    tab.click("#correct-link")
    tab.locator("#model[data-ready=yes]").wait_for()
    assert tab.locator("#occlusal img").count() == tab.locator("#buccal img").count() == 6
    tab.locator("#occlusal button[value='+z']").click()
    tab.locator("#buccal button[value='+z']").click()  # both at once cannot be: the last one counts
    assert tab.locator("#occlusal [aria-pressed=true]").count() == 0
    tab.locator("#buccal button[value='-y']").click()
    tab.locator("#occlusal button[value='+z']").focus()
    tab.keyboard.press("Enter")
    tab.locator("#units button").click()
    tab.keyboard.press("Enter")  # the model has the focus, and the cross stands on the lump
    tab.locator("#units button", has_text="46 ✓").wait_for()
    tab.locator("#by-unit label", has_text="buccal").click()
    tab.locator("#brushes button", has_text="left uncut").click()
    box = tab.locator("#model").bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    tab.mouse.move(x, y)
    tab.mouse.down()
    tab.mouse.move(x + 40, y + 20, steps=3)
    tab.mouse.up()
    tab.locator("#model-told", has_text="of the model is painted").wait_for()
    tab.locator("#model").focus()
    tab.keyboard.press("ArrowUp")
    turned = tab.locator("#occlusal button[value='turned']")
    assert turned.inner_text() == "as the model is turned now"
    turned.click()
    assert turned.locator(".named").inner_text() == "biting surface"
    assert turned.locator("img").count() == 1
    assert tab.locator("#occlusal [aria-pressed=true]").count() == 1
    assert tab.locator("#occlusal .named", has_text="biting surface").count() == 1
    with tab.expect_request(lambda one: one.method == "POST") as asked:
        tab.click("#correct-check")
    said = asked.value.post_data_json
    assert (said["buccal"], said["by_unit"]) == ("-y", {"46": ["buccal"]})
    assert 0.9 < said["occlusal"][2] < 0.999
    assert math.hypot(*said["occlusal"]) == pytest.approx(1, abs=2e-3)
    # The cut lump's top lies 2.6 mm above its middle (3.5 less 0.9), straight under the cross.
    assert said["teeth"]["46"][2] == pytest.approx(2.6, abs=0.2) and len(said["painted"]) == 24
    tab.locator("#progress").wait_for()
    _hold(tab)
    tab.click("#cancel")
    tab.locator("#ended").wait_for()
    assert tab.faults == []


SMALL = """() => [...document.querySelectorAll('a, button, select, input, summary, label.choice')]
  .map((one) => one.type === 'file' || one.matches('.choice input') ? one.closest('label') : one)
  .map((one) => [one, one.getBoundingClientRect()])
  .filter(([one, box]) => box.width && (box.width < %d || box.height < %d))
  .map(([one, box]) => `${one.outerHTML.slice(0, 80)} ${box.width}x${box.height}`)"""


_LEFT_OF_WORDS = """() => Object.fromEntries(["drawing", "check-title"].map((name) => {
  const words = document.createRange();
  words.selectNodeContents(document.getElementById(name));
  return [name, words.getBoundingClientRect().left];
}))"""


@pytest.mark.parametrize("size", [(800, 1280), (1280, 800), (390, 844)])
def test_tablet_phone_and_no_barrier(browser: Any, bench: Any, size: tuple[int, int]) -> None:
    """A 10-inch tablet both ways and a telephone: nothing runs out, nothing is too small, the menu
    stands in one row, axe finds nothing on the widest and on the narrowest."""
    from axe_playwright_python.sync_playwright import Axe

    context = browser.new_context(
        viewport=dict(zip(("width", "height"), size, strict=True)), has_touch=True, bypass_csp=True
    )
    page = _enter(context, bench)
    rules = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa"]}
    number = page.evaluate("fetch('/api/checks').then((answer) => answer.json())")
    last = [one["number"] for one in number if one["verdict"]][-1:]
    checks = [f"{view}/{one}" for one in last for view in ("check", "correct")]
    for view in ("new", "card", "limits", "repeat", "day", *checks):
        page.evaluate(f"location.hash = '{view}'")
        page.locator(f"section[data-view={view.split('/')[0]}]").wait_for()
        if view == "new":
            page.locator("summary").tap()
            page.locator(".tooth").first.tap()
        if view in ("limits", "day"):
            page.locator(f"section[data-view={view}] table").first.wait_for()
        if view.startswith("check"):
            page.locator("#answer").wait_for()
            page.evaluate("document.getElementById('drawing').textContent = 'being drawn'")
            left = page.evaluate(_LEFT_OF_WORDS)
            assert left["drawing"] == left["check-title"] or size[0] > 1000  # in one line
        if view.startswith("correct"):
            page.locator("#model[data-ready=yes]").wait_for()
        assert page.evaluate("document.documentElement.scrollWidth") <= size[0], view
        assert page.locator(".top").bounding_box()["height"] < 64, view
        assert page.evaluate(SMALL % (TARGET_PX, TARGET_PX)) == [], view
        if size == (800, 1280):
            continue  # the same elements as the other way up
        found = Axe().run(page, options=rules).response["violations"]
        assert [(one["id"], one["nodes"][0]["html"][:120]) for one in found] == [], view
    assert page.faults == []
    context.close()


def test_german(browser: Any, bench: Any, files: dict[str, str]) -> None:
    """The browser's language is taken; no English word and no key is left on the page."""
    context = browser.new_context(locale="de-DE")
    page = _enter(context, bench)
    page.get_by_role("heading", name="Neue Prüfung").wait_for()
    page.locator("summary").click()
    told = page.inner_text("body")
    assert not re.search(r"\b(the|and|which|check)\b|\{\{|undefined", told), told
    _drop(page, files["one.stl"], files["other.stl"])
    _taken(page, "one.stl", "other.stl")
    page.click("#start")
    page.locator("#answer").wait_for()
    assert "mm vom Gerüst abtragen" in page.inner_text("#zones")
    _enough(page)
    page.click("#language")
    page.locator("#zones", has_text="take off").wait_for()
    assert page.faults == []
    context.close()
