"""The page as a reader meets it: offline, without script, turning, on paper."""

from __future__ import annotations

import copy
import dataclasses
import io
import json
import os
import re
import shutil
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pikepdf
import pytest
from PIL import Image
from typer.testing import CliRunner

from browsing import chromium
from edges import test_report_data, test_report_pictures
from veneercheck.cli.main import app
from veneercheck.core.errors import RecordError
from veneercheck.core.types import TriangleMesh
from veneercheck.report import html, read_result, render, write_result
from veneercheck.report.carried import view_plan
from veneercheck.report.colours import CALM_THIN, WINE
from veneercheck.report.cuts import write_sections
from veneercheck.report.html import write_html
from veneercheck.report.interactive import script, view_section
from veneercheck.report.markup import offline_page, read_style
from veneercheck.report.pack import Pack, add_codes, add_mesh, add_values, page_order
from veneercheck.report.paper import PAPERS, write_papers
from veneercheck.report.raster import first_outside, projected
from veneercheck.report.raster import read as read_at
from veneercheck.report.scene import Scene, scene_of
from veneercheck.report.stills import without_words, zones_shown
from veneercheck.report.summary import summary
from veneercheck.report.viewing import scripts
from veneercheck.report.views import Camera
from veneercheck.report.window import open_window
from veneercheck.report.words import Words

ENGINE = os.environ.get("VENEERCHECK_TEST_BROWSER", "chromium")
"""`firefox` or `webkit`, where `playwright install` has fetched it, opens the page there."""

EVIL = "0417</script><img src=x onerror=alert(1)>#[*b*]$x$"


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    """A ball in a ball with one thin cap, checked under a hostile case number and rendered."""
    place = tmp_path_factory.mktemp("report")
    write_result(place, test_report_data.outcome_of(number=EVIL, notes=EVIL))
    filed = json.loads((place / "result.json").read_text(encoding="utf-8"))
    filed["structure"]["spots"] = [
        {
            "kind": "thin metal", "tooth": "46", "surface": "occlusal", "place": "46, occlusal",
            "value_mm": 0.28, "u_mm": 0.035, "limit_mm": 0.6, "size": 4.0, "weight": "undecided",
            "centre_mm": [x, 0.0, z], "words": "thin",
        }
        for x, z in ((0.3, 3.99), (0.9, 5.2))
    ]  # fmt: skip
    (place / "result.json").write_text(json.dumps(filed), encoding="utf-8")
    render(place)
    return place


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    from playwright.sync_api import sync_playwright

    if ENGINE == "chromium":
        with chromium() as opened:
            yield opened
        return
    with sync_playwright() as play:
        opened = getattr(play, ENGINE).launch()
        yield opened
        opened.close()


LONG_MS = 300_000
"""A busy machine is no fault."""


def _open(browser: Any, folder: Path, **settings: Any) -> tuple[Any, list[str]]:
    page = browser.new_page(**settings)
    page.set_default_timeout(LONG_MS)
    seen: list[str] = []
    page.on("request", lambda request: seen.append(request.url))
    page.on("pageerror", lambda error: seen.append(f"error: {error}"))
    page.goto((folder / "report.html").as_uri())
    return page, [url for url in seen if not url.startswith("data:")]


def _ready(page: Any) -> Any:
    page.wait_for_selector("#view[data-ready]", state="attached", timeout=LONG_MS)
    assert page.evaluate("document.getElementById('view').dataset.ready") == "yes"
    return page


def _until(page: Any, condition: str) -> None:
    """Wait for a flight to end; the page's policy forbids the browser's own waiting."""
    end = time.monotonic() + LONG_MS / 1000
    while time.monotonic() < end:
        if page.evaluate(condition):
            return
        page.wait_for_timeout(100)
    raise AssertionError(f"never came true: {condition}")


def test_words_of_others_stay_words(folder: Path) -> None:
    """HTML: a text may hold any characters, but no markup arises from it."""
    text = (folder / "report.html").read_text(encoding="utf-8")
    assert "<img src=x" not in text
    assert "&lt;img src=x onerror=alert(1)&gt;" in text
    assert text.count("<script") == text.count("</script>") == 5


@pytest.mark.parametrize("decision", ["firm", "undecided"])
def test_the_legend_holds_the_tint_of_undecided_places_where_there_are_any(
    folder: Path, decision: str
) -> None:
    """Source: every colour of the map has its meaning beside it."""
    filed, words = read_result(folder), Words("en")
    document = copy.deepcopy(filed.document)
    for zone in document["zones"]:
        zone["decision"] = decision
    scene = scene_of(dataclasses.replace(filed, document=document), words)
    found = re.findall(r'class="one-sign".*?</span>', str(view_section(scene)), re.DOTALL)
    assert "over contour" in found[0]
    told = [sign for sign in found if words("legend.undecided") in sign]
    assert len(told) == (decision == "undecided")
    foot = np.asarray(summary(scene).convert("RGB"), dtype=int)[-200:]
    tint = np.abs(foot - np.round(CALM_THIN)).max(axis=2) < 8
    assert (tint.sum() > 100) == (decision == "undecided")


@pytest.mark.parametrize("zones", [0, 1])
def test_without_zones_the_frameworks_own_findings_are_what_there_is_to_do(
    folder: Path, zones: int
) -> None:
    """Source: the headline, which sends the reader to them; else the list of zones comes first."""
    filed, words = read_result(folder), Words("en")
    document = filed.document | {"zones": filed.document["zones"][:zones]}
    scene = scene_of(dataclasses.replace(filed, document=document), words)
    page = str(html._first_screen(document, {}, words, scene))
    assert (page.index("Look also at") < page.index("Section through both scans")) == (not zones)


def test_page_asks_nothing_of_the_network(folder: Path) -> None:
    """The policy forbids all but the page's own parts, each named by its hash or as data."""
    text = (folder / "report.html").read_text(encoding="utf-8")
    policy = re.search(r'Content-Security-Policy" content="([^"]+)"', text).group(1)
    assert policy.startswith("default-src &#x27;none&#x27;") and "unsafe" not in policy
    assert "http://" not in text.replace("http://www.w3.org/2000/svg", "")
    assert "https://" not in text


def test_failed_alignment_shows_no_number_of_space(tmp_path: Path) -> None:
    """The law of the map: what was not measured is never a number, nor a pass."""
    write_result(tmp_path, test_report_data.outcome_of(failed=True))
    names = [path.name for path in render(tmp_path)]
    text = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert names[0] == "report.html" and not list(tmp_path.glob("stills/*"))
    assert "There are no figures" in text and "not a release" in text
    assert "What was measured" not in text


def test_inside_another_page_the_verdict_is_never_painted(browser: Any, tmp_path: Path) -> None:
    """Known in the head of the page, with a model that turns or, as here, with none."""
    write_result(tmp_path, test_report_data.outcome_of(failed=True))
    render(tmp_path)
    page = _open(browser, tmp_path)[0]
    assert page.locator(".verdict").is_visible()
    page.goto(f"{page.url}?inside=1")
    assert page.locator(".verdict").is_hidden()
    assert page.locator("head > script").count() == 1
    page.close()


def test_complete_without_script(browser: Any, folder: Path) -> None:
    """Verdict, list, pictures and cautions stand before any script runs."""
    context = browser.new_context(java_script_enabled=False)
    page, seen = _open(context, folder)
    words = page.inner_text("body")
    assert "One place to change before investing." in words
    assert "take off 0.50 mm" in words and "not a release" in words
    sizes = page.locator("figure img").count()
    assert sizes == 8 and page.locator("[data-part=stage]").is_hidden()
    assert seen == [(folder / "report.html").as_uri()]
    context.close()


def test_without_webgl_the_page_stays_whole(browser: Any, folder: Path) -> None:
    """A machine without WebGL 2 sees the words instead of an empty box."""
    page = browser.new_page()
    page.add_init_script("HTMLCanvasElement.prototype.getContext = () => null")
    page.goto((folder / "report.html").as_uri())
    page.wait_for_selector("#view[data-ready=no]", state="attached", timeout=LONG_MS)
    assert page.locator("[data-part=without]").is_visible()
    assert page.locator("[data-part=stage]").is_hidden()
    page.close()


def test_reading_under_the_pointer_is_the_datas(browser: Any, folder: Path) -> None:
    """Against our own rays in float64 at 200 pixels: 1 µm at most."""
    page, seen = _open(browser, folder, viewport={"width": 1200, "height": 900})
    _ready(page)
    view = "const v = document.getElementById('view').view"
    told = page.evaluate(
        f"(() => {{{view}, c = v.camera; return [c.centre, c.right, c.up, c.toward, c.mmPerPx,"
        "v.canvas.clientWidth, v.canvas.clientHeight]})()"
    )
    place = np.random.default_rng(7).uniform([0.3, 0.25], [0.7, 0.75], (200, 2)) * told[5:]
    found = page.evaluate(
        f"(all) => {{{view}; return all.map(([x, y]) => v.painter.read(v.camera, x, y))}}",
        place.tolist(),
    )
    page.close()
    scene = scene_of(read_result(folder), Words("en"))
    camera = Camera(np.array(told[0]) + _origin(scene), *map(np.array, told[1:4]), *told[4:], 99.0)
    laid = projected(scene.surface, camera)
    met = first_outside(scene.surface, camera, laid, *place.T)
    truth = read_at(scene.surface, laid, met, *place.T).layer_mm + 0.2
    shown = np.array([one["space"] if one and one["kind"] == 0 else np.nan for one in found])
    shown[shown < -20] = np.nan
    both = np.isfinite(shown) & np.isfinite(truth)
    assert both.sum() > 150 and len(np.unique(np.round(truth[both], 2))) > 2
    assert np.abs(shown - truth)[both].max() <= 1e-3
    assert seen == [(folder / "report.html").as_uri()]


def test_the_page_unpacks_what_was_packed(browser: Any, folder: Path, tmp_path: Path) -> None:
    """Places to 1 µm, readings to 0.1 µm, triangles as filed; some have no layer."""
    filed = read_result(folder)
    lost = filed.mesh.points_mm[:, 0] > 1.0
    filed = dataclasses.replace(filed, layer_mm=np.where(lost, np.nan, filed.layer_mm))
    scene = scene_of(filed, Words("en"))
    write_html(tmp_path, filed, {}, Words("en"), scene=scene)
    page, _ = _open(browser, tmp_path)
    _ready(page)
    told = page.evaluate(
        "(() => { const v = document.getElementById('view').view, list = (x) => Array.from(x);"
        "const { space, nearest, meant } = v.along;"
        "const told = (all) => list(all).map((x) => (x === x ? x : null));"
        "return [v.framework, v.contour].map((m) => [list(m.places), list(m.faces)])"
        ".concat([[told(space), told(nearest)], list(meant)]); })()"
    )
    page.close()
    for (places, faces), mesh in zip(told[:2], (filed.mesh, filed.contour), strict=True):
        numbered, old = page_order(mesh)
        np.testing.assert_array_equal(np.reshape(faces, (-1, 3)), numbered.faces)
        found = np.reshape(places, (-1, 3)) + _origin(scene)
        np.testing.assert_allclose(found, numbered.points_mm, atol=0.6e-3)
    old, meant = page_order(filed.mesh)[1], np.array(told[3], dtype=bool)
    assert 0.1 < meant.mean() < 0.95 and (meant & lost[old]).any()
    space = filed.layer_mm + 0.2  # of opaquer
    for read, values in zip(told[2], (space, filed.nearest_mm), strict=True):
        shown = np.array([np.nan if value is None else value for value in read])
        np.testing.assert_allclose(shown, np.where(meant, values[old], np.nan), atol=1.5e-4)


def test_a_torn_surface_comes_back_from_its_pack(browser: Any) -> None:
    """Holes, fins on an edge that has two triangles already, crumbs and scattered readings."""
    rng = np.random.default_rng(5)
    ball = test_report_pictures.ball(24)
    faces = ball.faces[rng.random(len(ball.faces)) > 0.15]
    fins = np.column_stack(
        [faces[::40, :2], rng.integers(0, len(ball.points_mm), len(faces[::40]))]
    )
    mesh, _ = page_order(
        TriangleMesh(ball.points_mm + 0.03 * rng.standard_normal(ball.points_mm.shape),
                     np.concatenate([faces, fins]))
    )  # fmt: skip
    count = len(mesh.points_mm)
    values = np.where(rng.random(count) < 0.4, np.nan, rng.normal(0.0, 3.0, count))
    codes, pack = rng.integers(0, 255, count).astype(np.uint8), Pack()
    plan = [
        add_mesh(pack, mesh, np.zeros(3)),
        add_values(pack, mesh.faces, values, 1e-4),
        add_codes(pack, mesh.faces, codes),
    ]
    page = browser.new_page()
    page.set_content(f"<script type='text/plain' id='data'>{pack.text()}</script>")
    page.add_script_tag(content=scripts(("decode.js",)))
    places, found, read, told = page.evaluate(
        "async ([mesh, values, codes]) => { const bytes = await unpack('data');"
        "const made = readMesh(bytes, mesh), list = (x) => Array.from(x);"
        "return [list(made.places), list(made.faces),"
        "list(readValues(bytes, values, made)).map((x) => (x === x ? x : null)),"
        "list(readCodes(bytes, codes, made))]; }",
        plan,
    )
    page.close()
    np.testing.assert_allclose(np.reshape(places, (-1, 3)), mesh.points_mm, atol=0.51e-3)
    np.testing.assert_array_equal(np.reshape(found, (-1, 3)), mesh.faces)
    shown = np.array([np.nan if value is None else value for value in read])
    np.testing.assert_allclose(shown, values, atol=0.51e-4)
    np.testing.assert_array_equal(told, codes)


def _origin(scene: Scene) -> np.ndarray:
    plan, _ = view_plan(scene)
    zone = scene.filed.document["zones"][0]
    return np.asarray(zone["centre_mm"]) - np.asarray(plan["zones"][0]["centre"])


def test_names_of_thin_metal_stand_beside_their_places(browser: Any, folder: Path) -> None:
    """Each within the view, on a narrow screen, too, clear of the other, and led to its place; what
    is not sure bears a question mark."""
    scene = scene_of(read_result(folder), Words("en"))
    origin = _origin(scene)
    for one in view_plan(scene)[0]["spots"]:  # one lies on the contour, its name on metal
        assert np.linalg.norm(np.array(one["centre"]) + origin) == pytest.approx(4.0, abs=0.01)
    page, _ = _open(browser, folder, viewport={"width": 400, "height": 800})
    _ready(page)
    page.click("#view [data-view=occlusal]")
    camera = "document.getElementById('view').view.camera.toward"
    _until(page, f"{camera}[2] > 0.999")
    page.wait_for_timeout(700)
    told = page.evaluate(
        "(() => { const { view } = document.getElementById('view'), { canvas } = view;"
        "const [wide, high] = [canvas.clientWidth, canvas.clientHeight];"
        "return view.plan.spots.map((one) => { const box = one.sign.getBoundingClientRect(),"
        "frame = canvas.getBoundingClientRect(), [x] = view.camera.project(one.centre, wide, high);"
        "return [one.sign.textContent, one.sign.hidden, box.left - frame.left,"
        "box.right - frame.left, box.top, wide, x, one.leader.hidden,"
        "parseFloat(one.leader.style.transform.slice(10))]; "
        "}); })()"
    )
    assert len(told) == 2
    for text, hidden, left, right, _, wide, x, alone, place in told:
        assert text == "? thin metal 0.28 ± 0.07 mm" and not hidden and not alone
        assert left >= 0 and right <= wide and place == pytest.approx(x, abs=0.5)
    assert abs(told[0][4] - told[1][4]) >= 30  # they stand over one another
    page.close()


def test_hands_on_the_view(browser: Any, folder: Path) -> None:
    """Switch, section, row to zone, keys, finger: each leaves its own trace."""
    page, _ = _open(browser, folder, viewport={"width": 820, "height": 1180}, has_touch=True)
    _ready(page)
    part = "#view [data-part={}]".format
    page.click("#view [data-reading='3']")
    assert "standard uncertainty" in page.inner_text(part("legend-words"))
    before = page.get_attribute(part("section") + " .framework", "d")
    page.locator(part("slider")).press("ArrowRight")
    assert page.get_attribute(part("section") + " .framework", "d") != before
    page.click("a[data-zone='1']")
    assert page.inner_text(part("reading")).startswith("Zone 1 · too thin")
    assert page.locator("tr.chosen a[data-zone='1'][aria-current=true]").count() == 1
    camera = "document.getElementById('view').view.camera.toward"
    view = "document.getElementById('view').view"
    side = f"Math.min({view}.canvas.clientWidth, {view}.canvas.clientHeight)"
    _until(
        page, f"Math.abs({view}.camera.mmPerPx * {side} / {view}.plan.zones[0].field - 1) < 1e-9"
    )
    assert page.evaluate(f"{camera}[2]") > 0.95
    page.focus(part("canvas"))
    page.keyboard.press("Enter")
    told = page.inner_text(part("reading"))
    assert told.startswith("46, occlusal · layer 0.50 ± 0.08 mm · space 0.70 mm")
    assert told.endswith("Zone 1 · too thin · 0.50 ± 0.08 mm · firm · take off 0.50 mm")
    page.keyboard.press("m")
    mm_per_px = page.evaluate("document.getElementById('view').view.camera.mmPerPx")
    box = page.locator(part("canvas")).bounding_box()
    for x in (-30, 30):
        page.touchscreen.tap(box["x"] + box["width"] / 2 + x, box["y"] + box["height"] / 2)
    told = page.locator(part("reading"), has_text="straight distance").inner_text()
    # Two places of equal height on a ball lie as far apart as the picture shows them.
    assert told.startswith("straight distance")
    assert float(told.split()[2]) == pytest.approx(60 * mm_per_px, abs=0.02)
    page.keyboard.press("m")
    with page.expect_download() as saved:
        page.keyboard.press("s")
    with Image.open(saved.value.path()) as picture:
        assert picture.size[1] > box["height"] + 80  # case and legend stand around the view
        strip = np.asarray(picture.convert("RGB"))[-185:]  # legend and three lines of words
    assert re.fullmatch(
        r"veneercheck-[\w-]+-zone-1-2026-01-\d\d\.png", saved.value.suggested_filename
    )
    assert (np.abs(strip.astype(int) - WINE[0]).sum(axis=2) < 40).any()
    page.keyboard.press("2")
    _until(page, f"{camera}[0] < -0.9999")
    page.evaluate("document.querySelector('#view canvas').scrollIntoView({ block: 'start' })")
    box = page.locator(part("canvas")).bounding_box()
    page.touchscreen.tap(box["x"] + 3, box["y"] + 3)
    page.locator(part("reading"), has_text="nothing here").wait_for()
    assert page.locator("tr.chosen").count() == 0  # what is tapped on the model is what is chosen
    page.focus(part("canvas"))
    page.keyboard.press("n")
    page.locator("tr.chosen a[data-zone='1']").wait_for()
    assert page.evaluate("document.documentElement.scrollWidth") <= 820
    page.close()


def test_the_first_screen_holds_model_and_list(browser: Any, folder: Path) -> None:
    """A usual laptop: both side by side, the section below the list. A telephone: the model first.

    Before the script has drawn, the still stands in the model's place.
    """
    page, _ = _open(browser, folder, viewport={"width": 1366, "height": 768})
    _ready(page)
    model = page.locator("#view canvas").bounding_box()
    first = page.locator("a[data-zone='1']").bounding_box()
    cut = page.locator("#view svg.section").bounding_box()
    assert model["y"] < 260 and model["y"] + model["height"] <= 768
    assert first["y"] < 260 and first["x"] + first["width"] < model["x"]
    assert cut["y"] + 0.8 * cut["height"] <= 768 and cut["x"] + cut["width"] <= model["x"]
    assert page.locator("details .box").first.is_hidden()
    worst = page.locator("header .worst")
    assert worst.is_hidden()  # the list beside it says so
    page.set_viewport_size({"width": 390, "height": 844})
    _until(page, "document.querySelector('#view canvas').getBoundingClientRect().width < 390")
    model = page.locator("#view canvas").bounding_box()
    first = page.locator("a[data-zone='1']").bounding_box()
    assert model["y"] + 0.7 * model["height"] < 844 and first["y"] > model["y"] + model["height"]
    assert min(first["width"], first["height"]) >= 44
    told = worst.bounding_box()
    assert told["y"] + told["height"] < model["y"] < 0.45 * 844
    assert page.locator("#view .action").first.inner_text() in worst.inner_text()
    page.close()
    context = browser.new_context(
        java_script_enabled=False, viewport={"width": 1366, "height": 768}
    )
    page, _ = _open(context, folder)
    still = page.locator(".see figure img").bounding_box()
    assert still["y"] < 260 and still["height"] > 300
    context.close()


def test_a_chosen_place_keeps_its_row_in_sight(browser: Any, folder: Path) -> None:
    """The list beside the model scrolls in itself: rows before and behind hide the chosen one."""
    page, _ = _open(browser, folder, viewport={"width": 1366, "height": 768})
    _ready(page)
    told = page.evaluate(
        "(() => { const row = document.querySelector(\"a[data-zone='1']\").closest('tr');"
        "const box = row.closest('.zones'), off = () => {"
        "const [a, b] = [row, box].map((e) => e.getBoundingClientRect());"
        "return [a.top - b.top, b.bottom - a.bottom]; };"
        "for (let k = 0; k < 40; k += 1) {"
        "const [up, down] = [0, 1].map(() => row.cloneNode(true));"
        "for (const one of [up, down]) one.querySelector('a').removeAttribute('data-zone');"
        "row.before(up); row.after(down); }"
        "const hidden = off(); document.getElementById('view').view.select(1);"
        "return [hidden, off()]; })()"
    )
    page.close()
    (_, below), chosen = told
    assert below < 0 <= min(chosen)


def test_the_page_shows_the_steps_of_the_stills(browser: Any, folder: Path) -> None:
    """The picture that the page saves holds the tones of the stills."""
    scene = scene_of(read_result(folder), Words("en"))
    page, _ = _open(browser, folder, viewport={"width": 1000, "height": 800}, accept_downloads=True)
    _ready(page)
    view = "document.getElementById('view').view"
    plan = page.evaluate(f"{view}.plan.steps")
    assert plan["edges"] == list(scene.surface.bands.edges_mm)
    np.testing.assert_allclose(np.array(plan["tones"]) * 255, scene.surface.bands.tones, atol=0.02)
    page.evaluate(
        "(() => { window.texts = []; const put = CanvasRenderingContext2D.prototype.fillText;"
        "CanvasRenderingContext2D.prototype.fillText = function (text, x, y, most) {"
        "window.texts.push([text, y, most]); put.call(this, text, x, y, most); }; })()"
    )
    page.focus('#view [data-part="canvas"]')
    with page.expect_download() as saved:
        page.keyboard.press("s")
    # Legend, limits and state stand under one another, none wider than the picture.
    told = {text: (y, most) for text, y, most in page.evaluate("window.texts")}
    legend = page.text_content('#view [data-part="legend-words"]')
    lines = [told[line] for line in (legend, *view_plan(scene)[0]["footing"])]
    assert np.all(np.diff([y for y, _ in lines]) > 15)
    assert all(most > 200 for _, most in lines)
    with Image.open(saved.value.path()) as picture:
        colours = np.asarray(picture.convert("RGB")).astype(int)
    layer = 1.1  # of the ball that the report was made of, outside its thin cap
    tone = scene.surface.bands.colours([layer])[0]
    assert (np.abs(colours - tone).max(axis=2) <= 2).sum() > 2000
    page.close()


def test_the_first_section_cuts_the_worst_place(browser: Any, tmp_path: Path) -> None:
    """By construction: the zone is put 1.5 mm aside; the slider goes in steps of 0.05 mm."""
    outcome = test_report_data.outcome_of()
    zone = dataclasses.replace(outcome.check.zones[0], centre_mm=(1.5, 1.1, 3.5))
    check = dataclasses.replace(outcome.check, zones=(zone,))
    write_result(tmp_path, dataclasses.replace(outcome, check=check))
    filed = read_result(tmp_path)
    write_html(tmp_path, filed, {}, Words("en"), scene=scene_of(filed, Words("en")))
    page, _ = _open(browser, tmp_path, viewport={"width": 1000, "height": 800})
    _ready(page)
    view = "document.getElementById('view').view"
    at = float(page.evaluate(f"{view}.node('slider').value"))
    way = page.evaluate(f"Array.from({view}.axis().way)")
    origin = _origin(scene_of(read_result(tmp_path), Words("en")))
    offset = float(np.dot(np.array(zone.centre_mm) - origin, way))
    assert abs(offset) > 0.5
    assert at == pytest.approx(offset, abs=0.03)


def test_the_page_shows_what_is_to_be_taken_off(browser: Any, tmp_path: Path) -> None:
    """By construction: 0.35 mm to take off all over the cap, nothing elsewhere."""
    outcome = test_report_data.outcome_of()
    height = outcome.check.framework.points_mm[:, 2]
    check = dataclasses.replace(outcome.check, amount_mm=np.where(height > 3.2, 0.35, 0.0))
    write_result(tmp_path, dataclasses.replace(outcome, check=check))
    render(tmp_path)
    page, _ = _open(browser, tmp_path, viewport={"width": 1000, "height": 800})
    _ready(page)
    view = "document.getElementById('view').view"
    page.click('#view [data-reading="4"]')
    ticks = page.inner_text('#view [data-part="ticks"]').split()
    assert ticks == ["0.4", "0.3", "0.2", "0.1", "0.0", "0.1", "0.2", "0.3", "0.4"]
    page.focus('#view [data-part="canvas"]')
    page.keyboard.press("Enter")
    told = page.inner_text('#view [data-part="reading"]')
    assert "take off 0.4 mm" in told or "take off 0.3 mm" in told
    assert page.evaluate(f"{view}.plan.amounts.off.length") == 4
    assert page.is_visible('#view [data-of="4"]') and not page.is_visible('#view [data-of="0"]')
    # In the section the wanted surface runs 0.35 mm under the cap; through the middle: radially.
    path = page.get_attribute("#view svg.section .wanted", "d")
    far = np.hypot(*(_ends(path, _origin(scene_of(read_result(tmp_path), Words("en")))).T))
    assert far.min() == pytest.approx(4.0 - 0.35, abs=0.02) and far.max() < 4.02
    assert "the surface after what is to be done" in page.inner_text(".section-box .note")
    # Taken off beyond the ball's middle, the line would be turned inside out: none is drawn.
    page.evaluate(f"{view}.along.amount.fill(5); {view}.cutAt()")
    assert page.locator("#view svg.section .wanted").count() == 0
    page.click('#view [data-reading="0"]')
    assert not page.is_visible('#view [data-of="4"]') and page.is_visible('#view [data-of="0"]')
    page.close()
    words = read_text(tmp_path / "bench.pdf")
    assert "How much to take off (wine, hatched) or add (blue, dotted)" in words


def read_text(paper: Path) -> str:
    """The words of a PDF."""
    said = subprocess.run(
        ["pdftotext", "-layout", str(paper), "-"], capture_output=True, check=True, text=True
    )
    return said.stdout


def _ends(path: str, origin_mm: np.ndarray) -> np.ndarray:
    """Places that a path of the section leads through, to the right and down, mm."""
    places = np.array(re.findall(r"[ML]([-\d.]+)[ ,]([-\d.]+)", path), dtype=float)
    return places + [origin_mm[0], -origin_mm[2]]


def test_the_sliders_section_holds_die_fitting_surface_and_metal(
    browser: Any, tmp_path: Path
) -> None:
    """A ball over an eccentric ball as die: circles, and metal as long as its figure, by geometry.

    What faces nowhere below the veneer at x > 0 is set to be the fitting surface, by code.
    """
    bodies = test_report_pictures
    filed = bodies.with_die()
    x, _, height = filed.mesh.points_mm.T
    tooth = np.where((height > 0) | (x > 0), 45, 0)
    filed = dataclasses.replace(filed, tooth=tooth, surface=np.where(height > 0, 2, 0))
    scene = scene_of(filed, Words("en"))
    style, origin = read_style("page.css"), _origin(scene)
    made = offline_page("section", view_section(scene), style, lang="en", code=script())
    (tmp_path / "report.html").write_text(made, encoding="utf-8")
    page = _ready(_open(browser, tmp_path)[0])
    told = page.inner_text(".section-box .note")
    assert "fitting surface" in told and "the die" in told and "thickness of the metal" in told
    page.select_option("#view [data-part=axis]", "buccal")
    page.evaluate("const v = document.getElementById('view').view; v.node('slider').value = 0;"
                  "v.cutAt()")  # fmt: skip
    lines = {
        name: _ends(page.get_attribute(f"svg.section .{name}", "d"), origin)
        for name in ("die", "fitting", "model", "framework")
    }
    figures = page.evaluate(
        "[...document.querySelectorAll('svg.section path.metal')].map((line, i) => [line, document"
        ".querySelectorAll('svg.section text.metal')[i]]).map(([l, w]) => [l.getAttribute('d'),"
        "w.textContent])"
    )
    page.close()
    die = [bodies.DIE_ASIDE_MM, 0.0]
    off = np.linalg.norm(lines["die"] - die, axis=1)
    assert len(off) > 60 and off == pytest.approx(bodies.DIE_RADIUS_MM, abs=0.02)
    step = 2.0 * np.pi * bodies.RADIUS_MM / 60  # one triangle more or less; down is positive
    for name, across, down in (("fitting", 1, 1), ("model", -1, 1), ("framework", 0, -1)):
        assert np.linalg.norm(lines[name], axis=1) == pytest.approx(bodies.RADIUS_MM, abs=0.02)
        assert (lines[name] * [across, down]).min() > -step
    assert len(figures) >= 3
    for line, words in figures:
        start, end = _ends(line, origin)
        assert np.linalg.norm(start) == pytest.approx(bodies.RADIUS_MM, abs=0.02)
        assert np.linalg.norm(end - die) == pytest.approx(bodies.DIE_RADIUS_MM, abs=0.02)
        assert np.linalg.norm(end - start) == pytest.approx(float(words), abs=0.01)


_TOUCHING = """() => {
  const { view } = document.getElementById("view"), svg = document.querySelector("svg.section");
  const found = [], slider = view.node("slider");
  let count = 0;
  for (const axis of ["mesial", "buccal", "occlusal"]) {
    view.chooseAxis(axis);
    for (let k = 0; k <= 12; k += 1) {
      slider.value = Number(slider.min) + ((slider.max - slider.min) * k) / 12;
      view.cutAt();
      const words = [...svg.querySelectorAll("text:not(:only-of-type)")];
      const boxes = words.map((one) => {
        const { x, y, width, height } = one.getBBox();
        return [x, y + height / 8, x + width, y + (height * 7) / 8];
      });
      const { x, y, width, height } = svg.viewBox.baseVal;
      boxes.forEach(([left, top, right, bottom], i) => {
        const told = [axis, k, words[i].textContent];
        count += 1;
        if (left < x || right > x + width || top < y || bottom > y + height) found.push(told);
        boxes.slice(0, i).forEach(([x0, y0, x1, y1], j) => {
          const both = left < x1 && x0 < right && top < y1 && y0 < bottom;
          if (both) found.push([...told, words[j].textContent]);
        });
      });
    }
  }
  return [count, found];
}"""


def test_no_word_of_the_sliders_section_stands_on_another(browser: Any, tmp_path: Path) -> None:
    """39 sections of a ball over a die, on a phone; none is cut off by the frame either.

    The boxes are the browser's own, less an eighth of a line above and below, where digits have
    neither ink nor need of room.
    """
    scene = scene_of(test_report_pictures.with_die(), Words("en"))
    made = offline_page(
        "section", view_section(scene), read_style("page.css"), lang="en", code=script()
    )
    (tmp_path / "report.html").write_text(made, encoding="utf-8")
    page = _ready(_open(browser, tmp_path, viewport={"width": 390, "height": 844})[0])
    many, touching = page.evaluate(_TOUCHING)
    page.close()
    assert many > 200
    assert touching == []


def _axe() -> Any:
    from axe_playwright_python.sync_playwright import Axe

    return Axe()


def test_no_barrier_for_any_reader(browser: Any, folder: Path) -> None:
    """axe-core's rules for WCAG levels A and AA."""
    page = browser.new_page(bypass_csp=True)
    page.goto((folder / "report.html").as_uri())
    _ready(page)
    rules = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa"]}
    for dark in (False, True):
        if dark:
            page.click("#view [data-part=dark]")
        found = _axe().run(page, options=rules).response["violations"]
        assert [(fault["id"], fault["nodes"][0]["html"][:120]) for fault in found] == []
    page.close()


def test_a_phone_shows_the_list_without_scrolling_aside(browser: Any, folder: Path) -> None:
    """360 px, the narrowest usual screen: nothing reaches beyond it, no word is broken up, every
    value stands beside its column's name; and it is still a table to whoever has it read aloud."""
    page, _ = _open(browser, folder, viewport={"width": 360, "height": 780}, bypass_csp=True)
    _ready(page)
    beyond = page.evaluate(
        "[...document.querySelectorAll('main *')].filter((e) => !e.closest('svg, .labels')"
        "&& e.getBoundingClientRect().right > 361).map((e) => e.outerHTML.slice(0, 80))"
    )
    assert beyond == []
    (row,) = page.locator(".zones tbody tr").all()
    action = row.locator(".action").bounding_box()
    assert action["width"] > 150 and action["height"] < 40  # «take off 0.50 mm» in one line
    worst = row.locator("td[data-head='worst reading']")
    assert worst.evaluate("(e) => getComputedStyle(e, '::before').content") == '"worst reading"'
    assert worst.inner_text() == "0.50 ± 0.08 mm"
    table = page.get_by_role("table").first
    assert table.get_by_role("cell").count() == 7
    assert table.get_by_role("columnheader").count() == 8
    rules = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa"]}
    found = _axe().run(page, options=rules).response["violations"]
    assert [(fault["id"], fault["nodes"][0]["html"][:120]) for fault in found] == []
    page.close()


def test_print_view_leaves_out_the_screens_parts(browser: Any, folder: Path) -> None:
    """On paper there is nothing to press."""
    page, _ = _open(browser, folder)
    page.emulate_media(media="print")
    assert page.locator("[data-part=stage]").is_hidden()
    assert page.locator("[data-part=stage-section]").is_hidden()
    assert page.locator(".zones tbody tr").is_visible()
    assert page.locator("figure img").first.is_visible()
    assert page.locator("details .box").first.is_visible()  # what is folded on the screen
    page.close()


def test_papers_carry_the_data_and_every_zone(folder: Path) -> None:
    """pikepdf reads part, conformance, fonts, tags and attachments; pdftotext the words."""
    with pikepdf.open(folder / "report.pdf") as pdf:
        meta = pdf.open_metadata()
        assert (meta["pdfaid:part"], meta["pdfaid:conformance"]) == ("3", "A")
        assert "/StructTreeRoot" in pdf.Root and len(pdf.Root.AF) == 2
        assert "/OutputIntents" in pdf.Root
        for name in ("result.json", "zones.csv"):
            attached = pdf.attachments[name].get_file().read_bytes()
            assert attached == (folder / name).read_bytes()
        kinds = {pdf.attachments[name].get_file().mime_type for name in pdf.attachments}
        assert kinds == {"application/json", "text/csv"}
    with pikepdf.open(folder / "bench.pdf") as sheet:
        assert len(sheet.pages) == 1


@pytest.mark.parametrize("name", ["report.pdf", "bench.pdf", "contact.pdf"])
def test_papers_are_whole_and_bring_their_own_letters(folder: Path, name: str) -> None:
    """ISO 19005 (from memory): fonts embedded, an ICC profile as intent; qpdf finds no fault."""
    with pikepdf.open(folder / name) as pdf:
        fonts = [one for one in pdf.objects if _is(one, "/FontDescriptor")]
        assert len(fonts) >= 2
        assert all(any(key.startswith("/FontFile") for key in one) for one in fonts)
        intent = pdf.Root.OutputIntents[0]
        assert intent.S == "/GTS_PDFA1"
        assert intent.DestOutputProfile.read_bytes()[36:40] == b"acsp"  # ICC.1, bytes 36 to 39
        assert pdf.Root.MarkInfo.Marked and not pdf.is_encrypted
        pictures = [one for one in pdf.objects if _is(one, None) and one.get("/S") == "/Figure"]
        assert pictures and all(str(one.get("/Alt", "")) for one in pictures)
        # ISO 14289-1 (from memory): it says so, shows its title, and no table is without a head.
        assert pdf.open_metadata()["pdfuaid:part"] == "1"
        assert pdf.Root.ViewerPreferences.DisplayDocTitle
        tables = [one for one in pdf.objects if _is(one, None) and one.get("/S") == "/Table"]
        assert (len(tables) >= 3) == (name == "report.pdf")
        assert all("/TH" in _below(one) for one in tables)
    found = subprocess.run(
        ["qpdf", "--check", folder / name], capture_output=True, text=True, check=False
    )
    assert found.returncode == 0, found.stdout + found.stderr


def _below(element: Any) -> set[str]:
    """Kinds of all the parts of a tagged element."""
    kids = element.get("/K", [])
    parts = [one for one in (kids if isinstance(kids, pikepdf.Array) else [kids]) if _is(one, None)]
    return {str(one.get("/S")) for one in parts}.union(*(_below(one) for one in parts))


def _is(found: Any, kind: str | None) -> bool:
    return isinstance(found, pikepdf.Dictionary) and (kind is None or found.get("/Type") == kind)


def test_another_language_and_another_paper(folder: Path, tmp_path: Path) -> None:
    """US letter is 8.5 × 11 inches of 72 points (ANSI/ASME Y14.1, from memory)."""
    there = shutil.copytree(folder, tmp_path / "again")
    made = CliRunner().invoke(app, ["report", str(there), "--lang", "de", "--paper", "us-letter"])
    assert made.exit_code == 0, made.output
    page = (there / "report.html").read_text(encoding="utf-8")
    assert '<html lang="de">' in page and "zu dünn" in page and "too thin" not in page
    with pikepdf.open(there / "report.pdf") as pdf:
        assert [float(side) for side in pdf.pages[0].mediabox] == [0, 0, 612, 792]
        assert str(pdf.Root.Lang) == "de"


def test_a_window_that_cannot_open_is_refused_in_words(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without the library, a screen or OpenGL the page is named instead."""
    monkeypatch.setattr("sys.platform", "linux")
    for name in ("DISPLAY", "WAYLAND_DISPLAY"):
        monkeypatch.delenv(name, raising=False)
    with pytest.raises(RecordError, match=r"report\.html"):
        open_window(folder)


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="poppler is not installed")
def test_words_of_the_paper_can_be_read_out(folder: Path) -> None:
    """Verdict, action and the hostile case number come out as they went in."""
    made = subprocess.run(
        ["pdftotext", "-layout", folder / "report.pdf", "-"],
        capture_output=True, text=True, check=True,
    ).stdout  # fmt: skip
    assert "One place to change before investing." in made
    for zone in read_result(folder).document["zones"]:
        assert zone["action"] in made and f"Zone {zone['id']} · too thin · 0.50 ± 0.08 mm" in made
    assert "onerror=alert(1)" in made and "not a release" in made
    # The cap lies on top: seen from there and on the horizon of the sides, never from below.
    sides = ("buccal", "lingual", "mesial", "distal")
    assert all(f"{view} view, zone no. 1" in made for view in sides)
    assert "basal view" not in made and zones_shown(folder / "stills" / "basal.png") == []


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="poppler is not installed")
def test_seven_zones_fill_two_bench_sheets_and_one_page_of_pictures(tmp_path: Path) -> None:
    """By arithmetic: four and three a sheet, each with its own words; six with their pictures on
    the page for the designer, whatever they need there."""
    outcome = test_report_data.outcome_of()
    (zone,) = outcome.check.zones
    actions = [f"take off 0.{number}1 mm" for number in range(1, 8)]
    zones = tuple(
        dataclasses.replace(zone, id=number, action=action)
        for number, action in enumerate(actions, 1)
    )
    check = dataclasses.replace(outcome.check, zones=zones)
    write_result(tmp_path, dataclasses.replace(outcome, check=check))
    render(tmp_path, paper="us-letter")
    first, second = read_text(tmp_path / "bench.pdf").strip("\f").split("\f")
    assert all(action in first for action in actions[:4])
    assert all(action in second for action in actions[4:])
    assert not any(action in first for action in actions[4:])
    assert "An aid, not a release. The licensed person" in second
    (page,) = read_text(tmp_path / "contact.pdf").strip("\f").split("\f")
    assert all(action in page for action in actions[:6]) and "1 more in the report" in page
    views = ("occlusal", "buccal", "lingual", "mesial", "distal", "basal")
    assert all(f"{view} view" in page for view in views)
    told = subprocess.run(
        ["pdftotext", "-bbox", tmp_path / "contact.pdf", "-"],
        check=True,
        capture_output=True,
        text=True,
    ).stdout
    tall = re.findall(r'yMin="([\d.]+)" xMax="[\d.]+" yMax="([\d.]+)">([^<]+)', told)
    # Points of type: what is smaller than 7 is not read at arm's length; figures of sections, too.
    assert min(float(end) - float(start) for start, end, _ in tall) >= 7.0
    assert any(word == "buccal" for *_, word in tall)


def test_a_picture_of_the_paper_is_the_stills_own(folder: Path) -> None:
    """By definition: the still's own pixels below its head, the empty part above left out."""
    still = folder / "stills" / "buccal.png"
    with Image.open(still) as whole, Image.open(io.BytesIO(without_words(still))) as part:
        height = part.size[1]
        own = whole.convert("L").crop((0, 84 + 940 - height, 1600, 84 + 940))
        off = np.abs(np.asarray(own, dtype=int) - np.asarray(part.convert("L"), dtype=int))
    assert part.size[0] == 1600 and 400 < height < 940
    assert off.mean() < 1.0  # what JPEG leaves out
    assert np.asarray(own)[40:].min() < 100 and np.asarray(own)[:30].min() == 255


def test_one_result_gives_one_paper(folder: Path) -> None:
    """Rendered twice by the same versions, the bytes are the same."""
    filed, words = read_result(folder), Words("en")
    before = [(folder / name).read_bytes() for name in PAPERS]
    scene = scene_of(filed, words)
    drawings = write_sections(folder, scene)
    again = write_papers(folder, filed, words, drawings=drawings)
    assert [path.read_bytes() for path in again] == before
