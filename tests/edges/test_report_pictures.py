"""Colours, lines, views and stills against closed forms and independent libraries."""

from __future__ import annotations

import dataclasses
import gzip
import itertools
import math
import re
import subprocess
import sys
import textwrap
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image, ImageDraw
from scipy.ndimage import binary_dilation

from veneercheck.core.mesh.sections import crossing
from veneercheck.core.mesh.triangles import vertex_normals
from veneercheck.core.types import SectionPlane, TriangleMesh
from veneercheck.report.amounts import AMOUNT, amount_sheet, amounts_of, figure, write_amounts
from veneercheck.report.carrying import spots_named
from veneercheck.report.colours import (
    BLUE,
    CALM_THICK,
    PLAIN,
    PLASTER,
    WINE,
    Amounts,
    Bands,
    ramp,
    shown_layer,
)
from veneercheck.report.drawing import font, swatch
from veneercheck.report.filed import FiledResult
from veneercheck.report.legend import HEAD, SIGNS, _two_lines
from veneercheck.report.levels import figures
from veneercheck.report.numbering import _seen_of
from veneercheck.report.pack import Pack, add_mesh, expected_thirds, page_order
from veneercheck.report.paper import bench_sheets
from veneercheck.report.picture import apart
from veneercheck.report.raster import Samples, draw, first_outside, paint, projected, read
from veneercheck.report.scene import drawn, scene_of
from veneercheck.report.section_sheet import STYLE, Figure, Sheet, figure_svg, readable
from veneercheck.report.sections import legend, section_svg
from veneercheck.report.stills import cameras, lettered, picture_of, render_stills
from veneercheck.report.summary import SUMMARY, write_summary
from veneercheck.report.surface import (
    Surface,
    evened,
    surface_of,
    unseen_patches,
    zone_of_vertices,
)
from veneercheck.report.views import Camera, Directions, close_up, directions, six_views
from veneercheck.report.words import LANGUAGES, Words, sections

BANDS = Bands(1.0, 2.0)
RADIUS_MM = 4.0


def ball(rings: int = 30) -> TriangleMesh:
    """A ball of radius 4 mm about the origin, closed at its poles."""
    around = 2 * rings
    tilt = np.linspace(0, np.pi, rings + 2)[1:-1, None]
    turn = np.linspace(0, 2 * np.pi, around, endpoint=False)[None]
    grid = np.broadcast_arrays(
        np.sin(tilt) * np.cos(turn), np.sin(tilt) * np.sin(turn), np.cos(tilt)
    )
    at = np.arange(rings * around).reshape(rings, around)
    a, c = at[:-1], at[1:]
    b, d = np.roll(a, -1, 1), np.roll(c, -1, 1)
    top, bottom = rings * around, rings * around + 1
    faces = [np.stack(t, -1).reshape(-1, 3) for t in ((a, c, b), (b, c, d))]
    faces.append(np.stack([np.full(around, top), at[0], np.roll(at[0], -1)], 1))
    faces.append(np.stack([np.full(around, bottom), np.roll(at[-1], -1), at[-1]], 1))
    points = np.vstack([np.stack(grid, -1).reshape(-1, 3), [[0, 0, 1], [0, 0, -1]]])
    return TriangleMesh(points * RADIUS_MM, np.concatenate(faces))


def sample(surface: Surface, camera: Camera, x: np.ndarray, y: np.ndarray) -> Samples:
    """What the rays through some places of a picture meet."""
    laid = projected(surface, camera)
    return read(surface, laid, first_outside(surface, camera, laid, x, y), x, y)


def filed_ball() -> FiledResult:
    """The ball, veneered above z = 0, its layer rising along x from 0.5 to 2.5 mm."""
    mesh = ball()
    x, height = mesh.points_mm[:, 0], mesh.points_mm[:, 2]
    layer = 1.5 + x / RADIUS_MM
    meant = height > 0
    finding = np.where(meant & (layer < 1), 1, np.where(meant & (layer > 2), 2, 0))
    zone = {
        "id": 1, "finding": "too_thin", "decision": "firm", "area_mm2": 9.0, "extreme_mm": 0.6,
        "u_mm": 0.05, "centre_mm": [-3.0, 0.0, 2.6], "tooth": "46", "surface": None,
        "action": "take off 0.40 mm",
    }  # fmt: skip
    other = {**zone, "id": 2, "finding": "too_thick", "decision": "undecided"}
    other["centre_mm"] = [3.0, 0.0, 2.6]
    document = {
        "checked_at_utc": "2026-03-04T05:06:07+00:00",
        "alignment": {"state": "doubtful", "reasons": []},
        "case": {
            "number": "0001",
            "units": [45, 46, 47],
            "frame": {"occlusal": [0, 0, 1], "buccal": [0, 1, 0], "guessed": False},
        },
        "profile": {
            "name": "demo",
            "layer": {"least_mm": 1.0, "greatest_mm": 2.0},
            "allowance": {"opaquer_mm": 0.2, "opaquer_u_mm": 0.03, "beads_mm": 0.0},
        },
        "zones": [zone, other],
        "questions": [],
        "structure": {"connectors": [], "spots": [], "material": []},
    }
    return FiledResult(
        document,
        mesh,
        None,
        layer + 0.2,
        layer,
        np.full(len(layer), 0.05),
        layer + 0.2,
        np.where(meant, 2, 1),
        finding,
    )


def test_bands_break_hard_at_each_limit() -> None:
    """A step of 2 µm across a limit changes the class's colour; within a band it does not."""
    below, above = ramp([0.999, 1.001], BANDS)
    assert np.abs(above - below).max() > 100
    assert np.abs(np.diff(ramp([1.4, 1.402], BANDS), axis=0)).max() < 1
    assert ramp([np.nan], BANDS)[0].tolist() == list(PLASTER)


def colorspacious() -> Any:
    """The library; its own source predates raw strings."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colorspacious

    return colorspacious


def told_apart(one: np.ndarray, two: np.ndarray, sight: str) -> np.ndarray:
    """CAM02-UCS differences of tones of 0 to 255, as an eye sees them."""
    other = {"name": "sRGB1+CVD", "cvd_type": sight, "severity": 100}
    seen = {"input_space": "sRGB1" if sight == "normal" else other, "uniform_space": "CAM02-UCS"}
    return colorspacious().deltaE(one / 255, two / 255, **seen)


def lightness(tones: np.ndarray) -> np.ndarray:
    """CIELAB L* of tones of 0 to 255."""
    return colorspacious().cspace_convert(tones / 255, "sRGB1", "CIELab")[:, 0]


@pytest.mark.parametrize(
    ("sight", "least_apart"),
    [("normal", 36), ("protanomaly", 26), ("deuteranomaly", 30), ("tritanomaly", 35)],
)
def test_findings_stay_apart_for_every_eye(sight: str, least_apart: float) -> None:
    """CAM02-UCS differences (colorspacious; Machado 2009 simulation), as designed: 37/27/31/36."""
    shares = np.linspace(0, 1, 9)[:, None]
    wine, blue = (np.asarray(a) + shares * (np.asarray(b) - a) for a, b in (WINE, BLUE))
    bands = [wine, Bands(1.0, 3.0).tones, blue]  # the most steps, which reach nearest to the ends
    pairs = [(bands[i], bands[j]) for i in range(3) for j in range(i)]
    closest = min(
        told_apart(np.repeat(one, len(two), axis=0), np.tile(two, (len(one), 1)), sight).min()
        for one, two in pairs
    )
    assert closest >= least_apart


def test_findings_stay_apart_in_grey() -> None:
    """CIELAB L* (colorspacious), as designed: wine 7–33, blue 45–59, porcelain 66–93."""
    shares = np.linspace(0, 1, 9)[:, None]
    wine, blue = (
        lightness(np.asarray(first) + shares * (np.asarray(last) - first))
        for first, last in (WINE, BLUE)
    )
    porcelain = lightness(Bands(1.0, 3.0).tones)
    assert blue.min() - wine.max() > 10 and porcelain.min() - blue.max() > 7


@pytest.mark.parametrize("sight", ["normal", "protanomaly", "deuteranomaly", "tritanomaly"])
@pytest.mark.parametrize(("bands", "least_apart"), [(BANDS, 7.0), (Bands(1.0, 3.0), 3.4)])
def test_steps_of_what_is_enough_can_be_told_apart(sight, bands, least_apart) -> None:
    """CAM02-UCS (colorspacious), as designed: 7 between each two of 4 steps, 3.4 of 8."""
    tones = bands.tones
    assert len(tones) == (4 if bands is BANDS else 8)
    assert told_apart(tones[1:], tones[:-1], sight).min() >= least_apart


def test_lightness_runs_evenly_from_least_to_greatest() -> None:
    """CIELAB L* (colorspacious): in grey every step is as much lighter as the one before."""
    for bands in (BANDS, Bands(0.75, 2.5), Bands(1.0, 3.0)):
        steps = np.diff(lightness(bands.tones))
        assert steps.min() > 3.5 and np.ptp(steps) < 0.2


def test_steps_lie_on_quarters_of_a_millimetre() -> None:
    """Asked for: 0.25 mm; a sliver beside a limit is no step, and more than eight become wide."""
    assert BANDS.edges_mm == (1.0, 1.25, 1.5, 1.75, 2.0)
    assert Bands(0.8, 1.5).edges_mm == (0.8, 1.0, 1.25, 1.5)
    assert Bands(0.98, 1.52).edges_mm == (0.98, 1.25, 1.52)
    assert Bands(1.0, 4.0).edges_mm == (1.0, 1.5, 2.0, 2.5, 3.0, 3.5, 4.0)
    assert Bands(1.0, 1.0).edges_mm == (1.0, 1.0)
    first, same, other = ramp([1.26, 1.49, 1.51], BANDS)
    assert (first == same).all() and (first != other).all()


def test_a_slope_is_not_read_as_a_value() -> None:
    """By construction: one layer all over a ball keeps its colour within 7 % at any slope."""
    filed = filed_ball()
    even = dataclasses.replace(
        filed, layer_mm=np.full(len(filed.layer_mm), 1.6), finding=np.zeros_like(filed.finding)
    )
    scene = scene_of(even, Words("en"))
    camera = cameras(scene)["occlusal"]
    rows, columns = np.nonzero(np.isfinite(draw(scene.surface, camera).depth_mm))
    found = sample(scene.surface, camera, columns + 0.5, rows + 0.5)
    tone = paint(found, scene.surface, columns + 0.5, rows + 0.5)[found.veneer]
    assert found.veneer.sum() > 10_000
    share = tone / ramp([1.6], BANDS)
    assert share.min() > 0.92 and share.max() <= 1.01


def test_figures_stand_on_their_lines_and_none_on_another() -> None:
    """The layer is 1.5 mm + x/4: a figure's own place says what it must be."""
    scene = scene_of(filed_ball(), Words("de"))
    camera = cameras(scene)["occlusal"]
    raster = drawn(scene, camera)
    pen = Pen()
    boxes = figures(
        pen, scene.surface, camera, raster.depth_mm, scene.levels, taken=(), words=scene.words
    )
    middle = np.array([[0.5 * (a + c), 0.5 * (b + d)] for a, b, c, d in boxes])
    found = sample(scene.surface, camera, *middle.T)
    written = [float(text.replace(",", ".")) for text in pen.written]
    assert {1.25, 1.5, 1.75} <= set(written) and len(boxes) >= 4
    np.testing.assert_allclose(found.layer_mm, written, atol=0.02)
    for at, (a, b, c, d) in enumerate(boxes):
        assert all(c < p or r < a or d < q or s < b for p, q, r, s in boxes[:at])
    blocked = figures(
        pen, scene.surface, camera, raster.depth_mm, scene.levels,
        taken=[(0, 0, 1600, 940)], words=scene.words,
    )  # fmt: skip
    assert blocked == []


class Pen:
    """Notes what is written."""

    def __init__(self) -> None:
        self.written: list[str] = []

    def text(self, _: object, text: str, *__: object, **___: object) -> None:
        self.written.append(text)

    def textlength(self, text: str, _: object) -> float:
        return 12.0 * len(text)


def test_a_scans_noise_does_not_fray_the_lines() -> None:
    """By construction: noise of 20 µm on a slope; evened, its line is hardly longer."""
    rng = np.random.default_rng(5)
    filed = filed_ball()
    noisy = dataclasses.replace(
        filed, layer_mm=filed.layer_mm + rng.normal(0.0, 0.02, len(filed.layer_mm))
    )

    def length(one: FiledResult) -> float:
        level = scene_of(one, Words("en")).levels[1]
        return float(np.linalg.norm(np.diff(level.pieces_mm, axis=1), axis=-1).sum())

    surface = surface_of(noisy)
    raw = crossing(surface.mesh, np.where(noisy.region == 2, noisy.layer_mm, np.nan), 1.5)
    frayed = np.linalg.norm(np.diff(raw.at(surface.mesh.points_mm), axis=1), axis=-1).sum()
    assert length(noisy) - length(filed) < 0.4 * (frayed - length(filed))


def with_work() -> FiledResult:
    """The ball with 0.2 mm for every mm beyond x = 1 mm to take off left, to add right."""
    filed = filed_ball()
    x = filed.mesh.points_mm[:, 0]
    size = np.clip(0.2 * (np.abs(x) - 1.0), 0.0, None)
    zones = filed.document["zones"]
    zones[0]["amount_mm"], zones[1]["amount_mm"] = 0.45, -0.25
    return dataclasses.replace(filed, amount_mm=np.where(x < 0, size, -size))


def test_amounts_have_a_step_a_tenth_and_nothing_is_plain() -> None:
    """Asked for: steps of 0.1 mm; where nothing is to be done, plain; NaN is not measured."""
    scale = Amounts(0.45)
    assert scale.steps == 5 and scale.end_mm == pytest.approx(0.5)
    assert scale.levels_mm == pytest.approx((-0.4, -0.3, -0.2, -0.1, 0.1, 0.2, 0.3, 0.4))
    rgb = scale.colours([0.0, 0.01, -0.01, np.nan, 0.11, 0.19, 0.21, -0.15, 3.0])
    assert (rgb[:3] == PLAIN).all() and (rgb[3] == PLASTER).all()
    assert (rgb[4] == rgb[5]).all() and (rgb[5] != rgb[6]).any() and (rgb[7] != rgb[4]).any()
    assert (rgb[8] == scale.tones[4]).all()
    lined, dotted = scale.patterned(np.array([0.1, -0.1, 0.0], dtype=np.float32))
    assert lined.tolist() == [True, False, False] and dotted.tolist() == [False, True, False]


@pytest.mark.parametrize("sight", ["normal", "protanomaly", "deuteranomaly", "tritanomaly"])
def test_steps_of_amounts_can_be_told_apart(sight) -> None:
    """CAM02-UCS (colorspacious), as designed: 5.5 of ten steps, 10 from where nothing is to do."""
    tones = Amounts(1.0).tones
    for side in (tones[:10], tones[10:]):
        assert told_apart(side[1:], side[:-1], sight).min() >= 5.5
        assert told_apart(side, np.tile(PLAIN, (10, 1)), sight).min() >= 10.0


def test_the_map_of_amounts_shows_what_is_to_be_done_and_else_nothing() -> None:
    """By construction: 0.2 mm for every mm beyond 1 mm, to take off left, to add right."""
    scene = amounts_of(scene_of(with_work(), Words("en")))
    camera = cameras(scene)["occlusal"]
    raster = drawn(scene, camera)
    pen = Pen()
    boxes = figures(
        pen, scene.surface, camera, raster.depth_mm, scene.levels, taken=(), words=scene.words
    )
    assert {"0.1", "0.2", "0.3"} <= set(pen.written)
    middle = np.array([[0.5 * (a + c), 0.5 * (b + d)] for a, b, c, d in boxes])
    found = sample(scene.surface, camera, *middle.T)
    place = camera.origins(*middle.T) - found.depth_mm.astype(np.float64)[:, None] * camera.toward
    size = 0.2 * (np.abs(place[:, 0]) - 1.0)
    np.testing.assert_allclose(size, [float(text) for text in pen.written], atol=0.02)
    rows, columns = np.nonzero(np.isfinite(raster.depth_mm))
    seen = sample(scene.surface, camera, columns + 0.5, rows + 0.5)
    bare = seen.veneer & (np.abs(camera.origins(columns + 0.5, rows + 0.5)[:, 0]) < 0.7)
    tone = apart(raster.colours[rows[bare], columns[bare]]) / np.array(PLAIN)
    assert np.quantile(tone, 0.02) > 0.9 and bare.sum() > 5000


def test_the_picture_of_amounts_is_small_and_goes_when_they_are_not_known(tmp_path) -> None:
    """Colours of the palette against the same picture with all of its colours."""
    scene = scene_of(with_work(), Words("de"))
    assert write_amounts(tmp_path, scene) == tmp_path / AMOUNT
    told = amounts_of(scene)
    whole = np.asarray(amount_sheet(told)).astype(int)
    with Image.open(tmp_path / AMOUNT) as few:
        assert few.mode == "P" and few.size == (1600, whole.shape[0])
        off = np.abs(np.asarray(few.convert("RGB")).astype(int) - whole).max(axis=2)
    assert np.quantile(off, 0.99) <= 12
    assert (tmp_path / AMOUNT).stat().st_size < 400_000
    assert write_amounts(tmp_path, scene_of(filed_ball(), Words("de"))) is None
    assert not (tmp_path / AMOUNT).exists()


@pytest.mark.parametrize("lang", ["en", "de"])
def test_one_picture_to_send_holds_what_must_stand_on_it(monkeypatch, tmp_path, lang) -> None:
    """By definition: verdict with its doubt first, case, date, state, limits, scale, amounts,
    worst place, caution; no letter smaller than 25 px, which a phone shows as 9 px."""
    words = Words(lang)
    told, sizes = [], []
    write = ImageDraw.ImageDraw.text

    def noted(self, xy, text, fill=None, font=None, *more, **others):
        told.append(text)
        sizes.append(font.size)
        return write(self, xy, text, fill, font, *more, **others)

    monkeypatch.setattr(ImageDraw.ImageDraw, "text", noted)
    write_summary(tmp_path, scene_of(with_amounts_told(), words))
    with Image.open(tmp_path / SUMMARY) as picture:
        assert picture.size == (1080, 1350)
    assert (tmp_path / SUMMARY).stat().st_size < 400_000
    page = " ".join(told)
    assert page.startswith(words("verdict.doubtful"))
    when = words.moment("2026-03-04T05:06:07")
    for part in (words("picture.case", number="0001"), when, "1.50 mm",
                 words("picture.state", state=words("state.doubtful")), "«demo»",
                 words("amount.off", amount=words.number(0.45)), words("picture.zone", id=1),
                 words("verdict.not_release"), words("legend.thin")):  # fmt: skip
        assert part in page or part.replace(".", ",") in page, part
    assert sum(bool(re.fullmatch(r"\d+(\.5)? mm", text)) for text in told) == 2  # both scales
    assert min(sizes) >= 25
    assert not any("…" in text for text in told)


def with_amounts_told() -> FiledResult:
    """The ball with the words that a whole result has, its least layer 1.5 mm."""
    filed = filed_ball()
    more = {"place": "46, occlusal", "functional": False, "amount_mm": 0.45, "about": "layer"}
    zones = [{**zone, **more} for zone in filed.document["zones"]]
    profile = dict(filed.document["profile"], layer={"least_mm": 1.5, "greatest_mm": 2.0})
    case = dict(filed.document["case"], stage="wax", metal_stops="ask")
    document = dict(filed.document, zones=zones, profile=profile, case=case,
                    remarks=[], verdict="findings",
                    alignment={"state": "doubtful", "reasons": []})  # fmt: skip
    return dataclasses.replace(filed, document=document)


def test_a_close_up_holds_its_own_number_whatever_hides_its_place() -> None:
    """Seen from below both zones are hidden by the ball; the close-up of the second shows it."""
    scene = scene_of(filed_ball(), Words("en"))
    camera = cameras(scene)["basal"]
    raster = drawn(scene, camera)
    assert picture_of(scene, camera, raster)[1] == []
    assert picture_of(scene, camera, raster, own=2)[1] == ["2"]


@pytest.mark.parametrize(
    ("across_mm", "shown_mm"), [(1.0, 9.0), (5.0, 2.2 * 5.0), (20.0, 1.1 * 16.0)]
)
def test_a_close_up_is_no_wider_than_all_of_the_work(across_mm: float, shown_mm: float) -> None:
    """By arithmetic: 9 mm, or 2.2 zones, or a ball of 16 mm and a tenth more."""
    mesh = TriangleMesh(2.0 * ball().points_mm, ball().faces)
    zone = {"centre_mm": [8.0, 0.0, 0.0], "area_mm2": math.pi * across_mm**2 / 4.0}
    x, y, z = np.eye(3)
    camera = close_up(zone, Directions(z, y, x, False, {}), mesh, 400, 300)
    assert camera.toward @ x > 0.99
    assert 300 * camera.mm_per_px == pytest.approx(shown_mm, abs=0.02)


def test_a_zone_whose_centre_is_hidden_has_its_number_where_it_is_seen() -> None:
    """The thin side's centre is put under the ball, as a steep wall's is; from above its own
    vertices (x < −2, z > 0) are seen, from below none is."""
    filed = filed_ball()
    first, second = filed.document["zones"]
    hidden = {**first, "centre_mm": [-3.0, 0.0, -2.6]}
    filed = dataclasses.replace(filed, document={**filed.document, "zones": [hidden, second]})
    scene = scene_of(filed, Words("en"))
    camera = cameras(scene)["occlusal"]
    raster = drawn(scene, camera)
    assert picture_of(scene, camera, raster)[1] == ["1", "2"]
    x, _ = _seen_of(scene.surface, 1, np.array([-3.0, 0.0, -2.6]), camera, raster)
    rim = camera.project(np.array([[-2.0, 0.0, 3.46], [-4.0, 0.0, 0.0]]))[:, 0]
    assert min(rim) <= x <= max(rim)


def test_bench_sheets_hold_every_firm_zone_and_none_is_all_but_empty() -> None:
    """By arithmetic: as few sheets as hold six each, filled as evenly as they go."""
    for count in range(1, 60):
        firm = [{"id": n, "decision": "firm"} for n in range(count)]
        sheets = bench_sheets([*firm, {"id": 99, "decision": "undecided"}])
        assert [zone["id"] for sheet in sheets for zone in sheet] == list(range(count))
        sizes = [len(sheet) for sheet in sheets]
        assert len(sheets) == -(-count // 6) and max(sizes) <= 6
        assert max(sizes) - min(sizes) <= 1 and (count <= 6 or min(sizes) >= 3)
    assert bench_sheets([]) == [[]]
    assert bench_sheets([{"id": 1, "decision": "undecided"}]) == [
        [{"id": 1, "decision": "undecided"}]
    ]


def test_what_is_shown_takes_the_judgements_side() -> None:
    """A finding's side wins over the raw layer; no finding is never shown as one."""
    layer = np.array([1.02, 0.4, 2.4, 1.98, np.nan])
    finding = np.array([1, 0, 0, 2, 0])
    shown = shown_layer(layer, finding, BANDS)
    assert shown[0] < 1.0 and shown[3] > 2.0
    np.testing.assert_allclose(shown[1:3], [1.0, 2.0], atol=2e-3)
    assert 1.0 <= shown[1] <= shown[2] <= 2.0
    assert np.isnan(shown[4])


def test_a_border_is_evened_and_every_vertex_keeps_its_side() -> None:
    """A cap of 30° on a ball, its border jagged by chance: the circle is what is known of it."""
    mesh = ball(40)
    tilt = np.degrees(np.arccos(np.clip(mesh.points_mm[:, 2] / RADIUS_MM, -1, 1)))
    rng = np.random.default_rng(3)
    jagged = tilt < 30.0 + rng.choice([-2.0, 2.0], len(tilt))
    away, all_of_it = (tilt < 10.0) | (tilt > 60.0), tilt >= 0.0
    for code, limit in ((1, 1.0), (2, 2.0)):
        finding = np.where(jagged, code, 0)
        raw = shown_layer(np.where(jagged, 1.5, limit), finding, BANDS)
        even = evened(mesh, raw, finding, all_of_it, BANDS)
        np.testing.assert_array_equal(np.sign(even - limit), np.sign(raw - limit))
        np.testing.assert_array_equal(even[away], raw[away])
        line, before = (crossing(mesh, v, limit).at(mesh.points_mm) for v in (even, raw))
        length, was = (np.linalg.norm(np.diff(x, axis=1), axis=-1).sum() for x in (line, before))
        circle = 2.0 * np.pi * RADIUS_MM * np.sin(np.radians(30.0))
        assert length < 1.25 * circle and length - circle < 0.6 * (was - circle)
        half = mesh.points_mm[:, 0] > 0.0  # beside what carries no veneer nothing is evened
        cut = evened(mesh, raw, finding, half, BANDS)
        beside = ~half | (np.abs(tilt - 30.0) > 20.0)
        np.testing.assert_array_equal(cut[beside], raw[beside])
    free = np.zeros(len(tilt), dtype=int)
    np.testing.assert_array_equal(evened(mesh, raw, free, all_of_it, BANDS), raw)


def test_isoline_of_height_is_a_circle() -> None:
    """On a ball the height z = h passes at radius √(R² − h²); facets lie inside by L²/8R."""
    mesh = ball(60)
    segments = crossing(mesh, mesh.points_mm[:, 2], 1.5).at(mesh.points_mm)
    radius = np.linalg.norm(segments[..., :2], axis=-1)
    length = np.linalg.norm(np.diff(mesh.points_mm[mesh.faces], axis=1), axis=-1).max()
    sagitta = length**2 / (8 * RADIUS_MM)
    exact = np.sqrt(RADIUS_MM**2 - 1.5**2)
    assert (exact - radius).max() < 1.2 * sagitta and (radius - exact).max() < 1e-9
    np.testing.assert_allclose(segments[..., 2], 1.5, atol=1e-12)


def test_section_lies_in_its_plane() -> None:
    """Definition of a plane: every point's offset along its normal is the same."""
    normal = np.array([0.6, 0.0, 0.8])
    mesh = ball()
    pieces = crossing(mesh, mesh.points_mm @ normal, 0.3).at(mesh.points_mm)
    assert len(pieces) > 20
    np.testing.assert_allclose(pieces @ normal, 0.3, atol=1e-12)


def test_a_drawn_section_is_to_scale() -> None:
    """Plane through the ball's middle: a circle of 4 mm, limits 1.2 and 2.2 mm outside it.

    The layer, 1.5 mm + x/4, is chosen: each dimension is as long as its figure and the opaquer.
    """
    drawn = section_svg(_ACROSS, scene_of(filed_ball(), Words("en")))
    assert "← buccal" in drawn and "2 mm" in drawn

    (outline,) = lines(drawn, _FRAMEWORK)
    assert np.linalg.norm(outline, axis=1) == pytest.approx(RADIUS_MM, abs=0.02)
    for limit, reach in zip(lines(drawn, "dasharray"), (1.2, 2.2), strict=True):
        assert np.linalg.norm(limit, axis=1) == pytest.approx(RADIUS_MM + reach, abs=0.02)
        assert limit[:, 1].max() < 0.5  # only above the middle, where it is veneered
    (bar,) = lines(drawn, 'stroke="#1a1a1a" stroke-width="0.08"')
    assert np.ptp(bar[:2, 0]) == pytest.approx(2.0, abs=0.001)
    figures = dimensions(drawn)
    assert len(figures) >= 5
    for start, end, ink, shown in figures:
        assert shown == pytest.approx(1.5 + start[0] / RADIUS_MM, abs=0.02)
        assert np.linalg.norm(end - start) == pytest.approx(shown + 0.2, abs=0.01)
        assert ink.startswith("#8c2a44") == (not 1.0 <= shown <= 2.0)
    layers = [shown for *_, shown in figures]
    assert min(layers) < 0.6 and max(layers) > 2.4  # both extremes


def test_the_name_of_a_side_stands_beside_a_figure_not_on_it() -> None:
    """A dimension put where «occlusal» would be written in the middle of the upper edge."""
    box = np.array([[-8.0, -5.0], [8.0, 8.0]])
    plane = dataclasses.replace(_ACROSS, sides=("buccal", "lingual", "occlusal", "basal"))
    letters = Sheet(box).letters_mm
    own = Figure((0.0, 4.0), (0.0, 8.0 - 1.8 * letters), "1.23")
    drawn = section_svg(plane, scene_of(filed_ball(), Words("en")), own, box)
    place = {
        words: np.array([float(x), float(y)])
        for x, y, words in re.findall(r'<text x="(\S+)" y="(\S+)"[^>]*>([^<]+)<', drawn)
    }
    gap = np.abs(place["occlusal"] - place["1.23"]) / letters
    # Half of both words at half a letter's height a letter, as digits are at least that wide.
    assert gap[0] >= 0.5 * 0.5 * (len("occlusal") + len("1.23"))
    assert place["basal"][0] == 0.0


_FRAMEWORK = 'stroke="#1a1a1a" stroke-width="0.11"'
_DIE, _FITTING = 'dasharray="0.6 0.16 0.04 0.16"', 'dasharray="0.42 0.32"'
_MODEL, _METAL = 'stroke="#b9b2a5"', '#4a463f" stroke-width="0.055'
_ACROSS = SectionPlane("unit", "46", (1, 0, 0), (0, 0, 1), ((0, 0, 0),), ("buccal", "", "", ""))


def lines(drawn: str, style: str) -> list[np.ndarray]:
    """Places of all lines of one style."""
    paths = re.findall(rf'<path d="([^"]*)"[^>]*{style}', drawn)
    return [np.array(re.findall(r"[ML](\S+) ([^ML]+)", path), dtype=float) for path in paths]


def dimensions(drawn: str) -> list[tuple[np.ndarray, np.ndarray, str, float]]:
    """Start, end, colour and width, and value of every dimension."""
    found = re.findall(
        r'd="M(\S+) (\S+)L(\S+) ([^ML"]+)M[^"]*"[^>]*stroke="((?:#4a463f|#8c2a44)[^/]*)"/>'
        r"<text[^>]*>([\d.]+)<",
        drawn,
    )
    return [
        (*np.array(ends, dtype=float).reshape(2, 2), ink, float(words))
        for *ends, ink, words in found
    ]


def test_no_figure_of_a_section_stands_on_another() -> None:
    """Dimensions all round a ring of 1 mm, outward and inward: they crowd, above all within.

    What words cover is measured with the typeface of the papers.
    """
    sheet = Sheet(np.array([[-8.0, -5.0], [8.0, 8.0]]))
    turns = np.linspace(0.0, 2.0 * np.pi, 24, endpoint=False)
    ring = np.stack([np.cos(turns), np.sin(turns)], axis=1)
    kinds = [
        [Figure(tuple(at), tuple(at * reach), f"{abs(reach - 1):.2f}") for at in ring]
        for reach in (2.2, 0.4)
    ]
    kept = readable(kinds, sheet)
    assert kept[0] == kinds[0][0]  # the least of a kind always stands
    assert {one.words for one in kept} == {"1.20", "0.60"} and len(kept) > 8
    drawn = "".join(figure_svg(one, sheet) for one in kept)
    boxes = covered(drawn)
    assert len(boxes) == len(kept)
    for (words, one), (others, other) in itertools.combinations(boxes, 2):
        both = np.minimum(one[1], other[1]) - np.maximum(one[0], other[0])
        assert both.min() <= 0.0, (words, others)


def covered(drawn: str) -> list[tuple[str, np.ndarray]]:
    """Each figure of a drawing and the digits' own box, low and high corner."""
    found = []
    for x, y, anchor, size, words in re.findall(
        r'<text x="(\S+)" y="(\S+)" text-anchor="(\w+)" font-size="(\S+)"[^>]*>(−?[\d.]+)<', drawn
    )[::2]:  # each is drawn twice, its rim first
        letters = font(100)
        left, top, right, bottom = np.array(letters.getbbox(words, anchor="ls")) * float(size) / 100
        shift = {"start": 0.0, "middle": -0.5, "end": -1.0}[anchor] * (right - left)
        low = [float(x) + left + shift, float(y) + top]
        found.append((words, np.array([low, [low[0] + right - left, float(y) + bottom]])))
    return found


def test_a_section_shows_the_surface_that_is_wanted() -> None:
    """0.4 mm to take off all over the upper half: a half circle of that much less.

    Taken off beyond the ball's middle, it would be the line turned inside out: it is left out.
    """
    filed = filed_ball()
    off = dataclasses.replace(filed, amount_mm=np.where(filed.mesh.points_mm[:, 2] > 0, 0.4, 0.0))
    drawn = section_svg(_ACROSS, scene_of(off, Words("en")))
    (wanted,) = lines(drawn, STYLE["wanted"])
    far = np.linalg.norm(wanted, axis=1)
    assert np.median(far) == pytest.approx(RADIUS_MM - 0.4, abs=0.01)
    assert far.min() > RADIUS_MM - 0.42 and len(wanted) > 40 and wanted[:, 1].max() < 0.3
    assert Words("en")("carrying.line_wanted") in legend({"a": drawn}, Words("en"))

    plain = section_svg(_ACROSS, scene_of(filed, Words("en")))
    assert not lines(plain, STYLE["wanted"])
    assert Words("en")("carrying.line_wanted") not in legend({"a": plain}, Words("en"))

    deep = np.where(filed.mesh.points_mm[:, 2] > 0, RADIUS_MM + 1.0, 0.0)
    through = section_svg(
        _ACROSS, scene_of(dataclasses.replace(filed, amount_mm=deep), Words("en"))
    )
    assert not lines(through, STYLE["wanted"])  # beyond the middle all of it lies in other metal


DIE_RADIUS_MM, DIE_ASIDE_MM = 3.0, 0.4


def with_die() -> FiledResult:
    """The ball over a die aside of its middle; straight inward the metal is known.

    Source: the ray between eccentric spheres, R − e·cos θ − √(r² − e²·sin² θ), by geometry.
    """
    filed = filed_ball()
    x, rest = filed.mesh.points_mm[:, 0], np.linalg.norm(filed.mesh.points_mm[:, 1:], axis=1)
    along, across = DIE_ASIDE_MM * x / RADIUS_MM, DIE_ASIDE_MM * rest / RADIUS_MM
    die = ball()
    return dataclasses.replace(
        filed,
        metal_mm=RADIUS_MM - along - np.sqrt(DIE_RADIUS_MM**2 - across**2),
        die=TriangleMesh(
            die.points_mm * DIE_RADIUS_MM / RADIUS_MM + [DIE_ASIDE_MM, 0, 0], die.faces
        ),
    )


def test_the_die_is_drawn_and_the_metal_over_it_dimensioned() -> None:
    """Every dimension is as long as its figure and ends at the die, a circle of known place."""
    filed = with_die()
    drawn = section_svg(_ACROSS, scene_of(filed, Words("en")))
    (die,) = lines(drawn, _DIE)
    off = np.linalg.norm(die - [DIE_ASIDE_MM, 0.0], axis=1)
    assert off == pytest.approx(DIE_RADIUS_MM, abs=0.02)
    metal = [one for one in dimensions(drawn) if one[2].startswith(_METAL)]
    assert len(metal) >= 3
    for start, end, _, shown in metal:
        assert np.linalg.norm(start) == pytest.approx(RADIUS_MM, abs=0.02)
        assert np.linalg.norm(end - [DIE_ASIDE_MM, 0.0]) == pytest.approx(DIE_RADIUS_MM, abs=0.02)
        assert np.linalg.norm(end - start) == pytest.approx(shown, abs=0.01)
    assert min(shown for *_, shown in metal) < 0.65  # 0.6 where the die is nearest
    told = legend({"unit": drawn}, Words("en"))
    assert "dashes and dots: the die" in told and "thickness of the metal" in told
    assert "model" not in told and "fitting" not in told
    without = section_svg(_ACROSS, scene_of(filed_ball(), Words("en")))
    assert not lines(without, _DIE)
    assert legend({"unit": without}, Words("en")) == Words("en")("carrying.section_note")


def test_fitting_surface_and_model_are_told_from_the_framework() -> None:
    """By code: below the veneer, what belongs to a tooth and faces nowhere is the inside of its
    retainer, what belongs to none is the model; no pontic has an inside."""
    filed = filed_ball()
    x, _, height = filed.mesh.points_mm.T
    tooth = np.where(x > 0, 45, 0)
    told = dataclasses.replace(
        filed, tooth=np.where(height > 0, 45, tooth), surface=np.where(height > 0, 2, 0)
    )
    drawn = section_svg(_ACROSS, scene_of(told, Words("en")))
    (inside,), (model,), (outside,) = (lines(drawn, s) for s in (_FITTING, _MODEL, _FRAMEWORK))
    step = 2.0 * np.pi * RADIUS_MM / 60  # one triangle more or less
    assert inside[:, 0].min() > -step and inside[:, 1].min() > -step
    assert model[:, 0].max() < step and model[:, 1].min() > -step
    assert outside[:, 1].max() < step
    told.document["case"]["pontics"] = [45]
    assert not lines(section_svg(_ACROSS, scene_of(told, Words("en"))), _FITTING)


@pytest.mark.parametrize(("unit", "sign"), [(46, 1), (36, -1), (16, -1), (26, 1)])
def test_mesial_points_forward_in_every_quadrant(unit: int, sign: int) -> None:
    """From anatomy: seen with the patient's left +x, back +y, up +z, mesial is −y on a molar."""
    lower, right_side = unit // 10 in (3, 4), unit // 10 in (1, 4)
    frame = {
        "occlusal": [0, 0, 1 if lower else -1],
        "buccal": [-1 if right_side else 1, 0, 0],
        "guessed": False,
    }
    mesh = ball()
    found = directions({"case": {"frame": frame, "units": [unit]}}, mesh, mesh.points_mm[:, 2] > 0)
    np.testing.assert_allclose(found.mesial, [0, -1, 0], atol=1e-12)
    turned = np.cross(frame["occlusal"], frame["buccal"]) * sign
    np.testing.assert_allclose(found.mesial, turned, atol=1e-12)


def test_a_pixel_holds_the_datas_own_value() -> None:
    """The layer is linear in x, and so is a plane triangle: every pixel is known exactly."""
    scene = scene_of(filed_ball(), Words("en"))
    camera = six_views(scene.bridge, scene.surface.mesh.points_mm, 320, 240)["occlusal"]
    rows, columns = np.nonzero(np.isfinite(draw(scene.surface, camera).depth_mm))
    assert len(rows) > 5000
    found = sample(scene.surface, camera, columns + 0.5, rows + 0.5)
    place = camera.origins(columns + 0.5, rows + 0.5)
    x = (place - found.depth_mm.astype(np.float64)[:, None] * camera.toward)[:, 0]
    np.testing.assert_allclose(found.layer_mm, 1.5 + x / RADIUS_MM, atol=1e-6)


@pytest.mark.parametrize("name", ["occlusal", "buccal"])
@pytest.mark.parametrize("amounts", [False, True])
def test_what_has_one_tone_is_painted_as_if_it_were_read(name: str, amounts: bool) -> None:
    """Witness: each pixel read by itself; half a step of rounding, and a step of the light."""
    scene = scene_of(with_work(), Words("en"))
    surface = (amounts_of(scene) if amounts else scene).surface
    camera = six_views(scene.bridge, surface.mesh.points_mm, 320, 240)[name]
    raster = draw(surface, camera)
    steps = np.abs(np.stack([raster.depth_mm - np.roll(raster.depth_mm, 1, k) for k in (0, 1)]))
    edge = binary_dilation(~(steps.max(axis=0) < 0.3), iterations=3)  # with what is not seen
    rows, columns = np.nonzero(~edge)
    found = sample(surface, camera, columns + 0.5, rows + 0.5)
    wanted = paint(found, surface, columns + 0.5, rows + 0.5)
    off = np.abs(apart(raster.colours[rows, columns]) - wanted).max(axis=1)
    one = surface.tones.of_face[found.face] != 0
    assert one.sum() > 7000 and (~one).sum() > 3000
    assert off.max() < 0.55
    assert len(np.unique(apart(raster.colours[rows, columns])[one], axis=0)) > 20


def test_silhouette_of_a_ball_is_a_disc() -> None:
    """A ball of radius R covers πR² of a parallel projection, less the facets' sagitta."""
    scene = scene_of(filed_ball(), Words("en"))
    camera = six_views(scene.bridge, scene.surface.mesh.points_mm, 400, 300)["buccal"]
    covered = np.isfinite(draw(scene.surface, camera).depth_mm).sum() * camera.mm_per_px**2
    assert 0.99 < covered / (np.pi * RADIUS_MM**2) < 1.001


def test_an_open_back_is_looked_through() -> None:
    """Half a shell below a plate: from below the plate is seen, the shell's inside is not."""
    filed = filed_ball()
    height = filed.mesh.points_mm[filed.mesh.faces][..., 2].mean(axis=1)
    upper = TriangleMesh(filed.mesh.points_mm, filed.mesh.faces[height > 0])
    scene = scene_of(dataclasses.replace(filed, mesh=upper), Words("en"))
    cameras = six_views(scene.bridge, upper.points_mm, 160, 120)
    assert np.isfinite(draw(scene.surface, cameras["occlusal"]).depth_mm).mean() > 0.2
    assert np.isnan(draw(scene.surface, cameras["basal"]).depth_mm).all()


def test_the_end_of_a_bar_that_holds_more_says_so() -> None:
    """Source: ten steps of 0.1 mm are the most; 1.9 mm keeps the colour of the last."""
    words = Words("en")
    assert [figure(Amounts(1.9), value, words) for value in (-1.0, 0.5, 1.0)] == [
        "≥ 1.0",
        "0.5",
        "≥ 1.0",
    ]
    assert figure(Amounts(1.0), 1.0, words) == "1.0"


def test_patterns_tell_firm_from_undecided(tmp_path) -> None:
    """Firm: lines every 11 px; undecided: dots every 30 px, so far less of it is covered."""
    scene = scene_of(filed_ball(), Words("en"))
    files = render_stills(tmp_path, scene, lambda _: None)
    assert set(files) == {
        "occlusal", "buccal", "lingual", "mesial", "distal", "basal", "zone-1", "zone-2",
    }  # fmt: skip
    seen = np.asarray(Image.open(files["occlusal"]).convert("RGB")).astype(int)
    assert seen.shape == (1200, 1600, 3)
    wine = (seen[..., 0] - seen[..., 1] > 60) & (seen[..., 2] < 110)
    blue = (seen[..., 2] - seen[..., 0] > 40) & (seen[..., 2] > 110)
    body = np.s_[90:1000]
    assert wine[body].sum() > 5000 and blue[body].sum() > 5000
    firm_rows = wine[body].any(axis=1)
    pale = (seen[body].min(axis=2) > 200)[firm_rows]
    assert pale.sum() > 1000
    # The too thick zone is undecided and calm: shade leaves the share of red as it is.
    share = (seen[body][..., 0] / np.maximum(seen[body][..., 2], 1))[blue[body]]
    assert np.median(share) == pytest.approx(CALM_THICK[0] / CALM_THICK[2], abs=0.05)
    assert max(end[0] / end[2] for end in BLUE) < 0.5


def with_holes(*tilts: float) -> FiledResult:
    """The ball without any reading in caps about +z and about ±x at 45°, by the caps' own tilt."""
    filed = filed_ball()
    ways = np.array([[0, 0, 1], [0.6, 0, 0.8], [-0.6, 0, 0.8]])[: len(tilts)]
    towards = filed.mesh.points_mm @ ways.T / RADIUS_MM
    seen = ~(towards > np.cos(np.radians(tilts))).any(axis=1)
    unread = {
        name: np.where(seen, getattr(filed, name), np.nan)
        for name in ("space_mm", "layer_mm", "nearest_mm")
    }
    return dataclasses.replace(filed, **unread)


def test_what_was_not_measured_is_found_patch_by_patch() -> None:
    """A cap has the area 2πR²(1 − cos θ) and its middle on its axis; a crumb is not named."""
    patches = unseen_patches(surface_of(with_holes(9.0, 14.0, 3.0)))
    area = 2 * np.pi * RADIUS_MM**2 * (1 - np.cos(np.radians([14.0, 9.0])))
    assert [one for one, _ in patches] == pytest.approx(area, rel=0.12)
    for (_, place), way in zip(patches, ([0.6, 0, 0.8], [0, 0, 1]), strict=True):
        assert np.linalg.norm(place - RADIUS_MM * np.array(way)) < 0.3
    assert unseen_patches(surface_of(filed_ball())) == []


@pytest.mark.parametrize("lang", LANGUAGES)
def test_a_hole_is_named_in_the_picture_and_the_legend_holds_its_words(lang) -> None:
    """By comparison with the same picture without names; the legend leaves the margin free."""
    scene = dataclasses.replace(scene_of(with_holes(14.0), Words(lang)), levels=())
    camera = cameras(scene)["occlusal"]
    raster = drawn(scene, camera)
    named, bare = (
        np.asarray(lettered(one, "occlusal", camera, raster)).astype(int)
        for one in (scene, dataclasses.replace(scene, unseen=()))
    )
    rows, columns = np.nonzero(np.abs(named - bare).sum(axis=2))
    assert np.ptp(columns) > 150 and 30 < np.ptp(rows) < 300 and rows.max() < 84 + 940
    assert named[84 + 940 :, -30:].min() == 255
    marks = {swatch(kind, 46, 30).tobytes() for kind in SIGNS}
    assert len(marks) == len(SIGNS)


@pytest.mark.parametrize(
    ("weight", "there"), [("finding", True), ("undecided", True), ("advice", False)]
)
def test_thin_metal_is_named_where_it_is(weight: str, there: bool) -> None:
    """By comparison with the picture without it: a name that its leader ties to the place; what
    weighs nothing in the verdict is left to the list. What is not sure bears a question mark."""
    spot = {
        "kind": "thin metal", "weight": weight, "value_mm": 0.28, "u_mm": 0.035, "limit_mm": 0.6,
        "size": 4.0, "centre_mm": [0.0, 1.0, RADIUS_MM - 0.1], "place": "", "tooth": None,
        "surface": None,
    }  # fmt: skip
    filed = filed_ball()
    document = {**filed.document, "structure": {"connectors": [], "spots": [spot], "material": []}}
    thin = dataclasses.replace(filed, document=document)
    told, plain = (scene_of(one, Words("en")) for one in (thin, filed))
    camera = cameras(plain)["occlusal"]
    raster = drawn(plain, camera)
    named, bare = (
        np.asarray(lettered(one, "occlusal", camera, raster)).astype(int) for one in (told, plain)
    )
    marked = np.argwhere(np.abs(named - bare).sum(axis=2))
    assert bool(len(marked)) == there
    names = [text for text, _ in spots_named(document, Words("en"))]
    name = "thin metal 0.28 ± 0.07 mm"
    told_by = {"finding": [name], "undecided": [f"? {name}"]}
    assert names == told_by.get(weight, [])
    if there:
        x, y, _ = camera.project(np.array([spot["centre_mm"]]))[0]
        assert np.abs(marked - [y + HEAD, x]).sum(axis=1).min() < 12


@pytest.mark.parametrize(("side", "named"), [(0.5, True), (-0.5, False)])
def test_what_stands_over_the_metal_is_named_on_it(side: float, named: bool) -> None:
    """A place of the contour 0.6 mm over the ball: from buccal it lies in the air over the outline,
    and is named where the metal under it is seen; on the far side that is hidden."""
    way = np.array([0.0, side, 1.0]) / np.hypot(side, 1.0)
    spot = {
        "kind": "unsupported composite", "weight": "finding", "value_mm": 2.3, "u_mm": 0.035,
        "limit_mm": 2.0, "size": 1.0, "centre_mm": ((RADIUS_MM + 0.6) * way).tolist(), "place": "",
        "tooth": None, "surface": None,
    }  # fmt: skip
    filed = filed_ball()
    document = {**filed.document, "structure": {"connectors": [], "spots": [spot], "material": []}}
    told, plain = (
        scene_of(one, Words("en")) for one in (dataclasses.replace(filed, document=document), filed)
    )
    camera = cameras(plain)["buccal"]
    raster = drawn(plain, camera)
    one, other = (np.asarray(lettered(scene, "buccal", camera, raster)) for scene in (told, plain))
    assert bool((one != other).any()) == named


def test_an_old_close_up_does_not_stay(tmp_path) -> None:
    """A picture of a zone that the result no longer lists would contradict it."""
    scene = scene_of(filed_ball(), Words("en"))
    (tmp_path / "stills").mkdir()
    (tmp_path / "stills" / "zone-9.png").write_bytes(b"old")
    render_stills(tmp_path, scene, lambda _: None)
    assert not (tmp_path / "stills" / "zone-9.png").exists()


def test_vertices_belong_to_the_listed_zone_of_their_finding() -> None:
    """Two pieces of one finding go to the nearer of two listed centres."""
    filed = filed_ball()
    twin = {**filed.document["zones"][0], "id": 7, "centre_mm": [3.0, 0.0, 2.6]}
    finding = np.where(np.abs(filed.mesh.points_mm[:, 0]) > 2.5, 1, 0)
    zone = zone_of_vertices(filed.mesh, finding, [filed.document["zones"][0], twin])
    x = filed.mesh.points_mm[:, 0]
    assert (
        set(zone[x < -2.5]) == {1} and set(zone[x > 2.5]) == {7} and set(zone[finding == 0]) == {0}
    )


def test_the_pages_order_keeps_the_surface() -> None:
    """The same triangles, turned as before, each with its highest corner first, in rising order."""
    mesh = ball()
    extra = TriangleMesh(
        np.vstack([[9, 9, 9], mesh.points_mm]), np.vstack([mesh.faces + 1, [[5, 7, 5]]])
    )
    told, old = page_order(extra)
    np.testing.assert_array_equal(told.points_mm, extra.points_mm[old])
    assert len(old) == len(mesh.points_mm) and 0 not in old

    def turned(faces: np.ndarray) -> set[tuple[int, ...]]:
        return {min((a, b, c), (b, c, a), (c, a, b)) for a, b, c in faces.tolist()}

    assert turned(old[told.faces]) == turned(mesh.faces + 1)
    assert (told.faces[:, :1] > told.faces[:, 1:]).all()
    assert (np.diff(told.faces[:, 0]) >= 0).all()
    beside = (told.faces[1:, 1] == told.faces[:-1, 2]) & (told.faces[1:, 0] == told.faces[:-1, 0])
    assert beside.mean() > 0.4  # of two triangles a vertex one follows in its fan


def test_the_page_is_told_little_where_neighbours_tell_the_rest() -> None:
    """Less than half of what two bytes a coordinate and three a corner would come to, packed."""
    mesh, _ = page_order(ball(60))
    pack = Pack()
    add_mesh(pack, mesh, np.zeros(3))
    plain = gzip.compress(
        np.rint(mesh.points_mm * 1000).astype("<i2").tobytes() + mesh.faces.astype("<u4").tobytes()
    )
    assert len(pack.text()) * 3 / 4 < 0.5 * len(plain)
    # Of a closed surface told round its rim nearly every third corner is where the rim goes on.
    assert (mesh.faces[:, 2] == expected_thirds(mesh.faces)).mean() > 0.9


def test_languages_say_the_same_things() -> None:
    """Every catalogue has the same keys and fills in the same values, but for what English says
    in the code alone (`test_codes_in_german.py`)."""
    import re

    def shape(lang: str) -> dict[str, list[str]]:
        return {
            f"{section}.{name}": sorted(re.findall(r"{[^}]*}", text))
            for section, words in sections(lang).items()
            if section not in ("told", "told_words")
            for name, text in words.items()
        }

    assert len(LANGUAGES) == 2
    assert shape("en") == shape("de")


def test_numbers_follow_the_language() -> None:
    """Decimal comma in German; a share below one is never rounded up to the whole."""
    assert Words("de").mm_sure(0.62, 0.04) == "0,62 ± 0,08 mm"
    assert Words("en").number(-0.004) == "0.00" and Words("en").number(-0.4) == "−0.40"
    assert Words("en").percent(0.9999) == "99.9 %" and Words("en").mm(None) == "–"


def test_a_sprue_never_tilts_the_views() -> None:
    """By construction: a bridge along x; what stands 30 mm up and aside from it is left out."""
    filed = filed_ball()
    bridge = TriangleMesh(filed.mesh.points_mm * [3, 1, 1], filed.mesh.faces)
    case = {"frame": {"occlusal": [0, 0, 1], "buccal": None, "guessed": True}, "units": []}
    sprue = ball(8).points_mm * [0.2, 4, 0.2] + [0, 60, 0]
    both = TriangleMesh(np.vstack([bridge.points_mm, sprue]), bridge.faces)
    veneer = np.append(filed.region == 2, np.zeros(len(sprue), dtype=bool))
    aside = np.arange(len(both.points_mm)) >= len(bridge.points_mm)
    plain = directions({"case": case}, bridge, filed.region == 2)
    for one, other in zip(
        (plain.occlusal, plain.buccal, plain.mesial),
        dataclasses.astuple(directions({"case": case}, both, veneer, aside))[:3],
        strict=True,
    ):
        np.testing.assert_allclose(one, other, atol=1e-9)
    assert abs(directions({"case": case}, both, veneer).mesial[0]) < 0.5  # with it they would tilt


@pytest.mark.parametrize("lang", ["en", "de"])
def test_found_beads_are_drawn_where_they_are_seen(lang) -> None:
    """A ring of the foot's diameter round its place from above, nothing from below."""
    filed = filed_ball()
    beads = {"diameter_mm": 0.8, "places_mm": [[0.0, 0.0, RADIUS_MM]]}
    with_beads = dataclasses.replace(filed, document={**filed.document, "beads": beads})
    plain, beaded = (scene_of(one, Words(lang)) for one in (filed, with_beads))
    for name, seen in (("occlusal", True), ("basal", False)):
        camera = cameras(plain)[name]
        before, after = (
            np.asarray(picture_of(one, camera, drawn(one, camera))[0]).astype(int)
            for one in (plain, beaded)
        )
        rows, columns = np.nonzero(np.abs(before - after).max(axis=2) > 60)
        assert (len(rows) > 40) == seen
        if seen:
            far = np.hypot(columns + 0.5 - camera.width / 2, rows + 0.5 - camera.height / 2)
            np.testing.assert_allclose(far * camera.mm_per_px, 0.4, atol=3 * camera.mm_per_px)
    camera = cameras(beaded)["occlusal"]
    told = []
    words = Words(lang)("legend.bead")
    sheet = lettered(beaded, "occlusal", camera, drawn(beaded, camera))
    without = lettered(plain, "occlusal", camera, drawn(plain, camera))
    assert sheet.size == without.size and words
    told = np.abs(np.asarray(sheet).astype(int) - np.asarray(without)).max(axis=2)[-176:, 680:]
    assert (told > 60).any()  # its sign stands in the legend


def test_guessed_directions_say_so() -> None:
    """Without a frame the mean normal of the veneer stands for occlusal: here +z."""
    filed = filed_ball()
    case = {"frame": {"occlusal": None, "buccal": None, "guessed": True}, "units": []}
    long = dataclasses.replace(
        filed, mesh=TriangleMesh(filed.mesh.points_mm * [3, 1, 1], filed.mesh.faces)
    )
    found = directions({"case": case}, long.mesh, filed.region == 2)
    assert (
        found.guessed
        and found.names["occlusal"] == "+z"
        and found.names["mesial"] in ("+x", "-x", "+y", "-y")
    )
    np.testing.assert_allclose(found.occlusal, [0, 0, 1], atol=0.02)
    assert (
        vertex_normals(long.mesh)[filed.region == 2]
        @ found.occlusal
        @ np.ones((filed.region == 2).sum())
        > 0
    )


def test_pictures_need_no_graphics_library(tmp_path) -> None:
    """/proc/self/maps: after every picture is drawn, no OpenGL, EGL, Mesa or VTK is loaded."""
    code = textwrap.dedent(
        """
        import importlib.abc, importlib.util, sys
        from pathlib import Path

        class Hidden(importlib.abc.MetaPathFinder):
            def find_spec(self, name, path=None, target=None):
                if name.split(".")[0] in ("pyvista", "vtk", "vtkmodules", "OpenGL", "open3d"):
                    raise ImportError(name)

        sys.meta_path.insert(0, Hidden())
        spec = importlib.util.spec_from_file_location("bodies", sys.argv[1])
        bodies = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(bodies)
        from veneercheck.report import render, write_result
        place = Path(sys.argv[2])
        write_result(place, bodies.outcome_of())
        print(*(path.name for path in render(place)))
        maps = Path("/proc/self/maps").read_text()
        print([name for name in ("libGL", "libEGL", "libOSMesa", "vtk") if name in maps])
        """
    )
    bodies = Path(__file__).with_name("test_report_data.py")
    said = subprocess.run(
        [sys.executable, "-c", code, str(bodies), str(tmp_path)],
        capture_output=True, text=True, check=True,
    ).stdout.splitlines()  # fmt: skip
    assert {"report.html", "zone-1.png", "contact.pdf", "report.pdf"} <= set(said[0].split())
    assert said[1] == "[]"


def test_signs_find_room_over_no_other_and_over_no_others_place() -> None:
    """Twelve places in a square of 60 pixels, each with a sign as wide as two of them apart."""
    from veneercheck.report.placing import Room

    rng = np.random.default_rng(4)
    places = [(float(x), float(y)) for x, y in 270.0 + 60.0 * rng.random((12, 2))]
    room = Room(640.0, 600.0, 8.0)
    room.boxes.append((0.0, 480.0, 200.0, 600.0))  # the corner of the directions
    found = room.beside([(at, (60.0, 20.0)) for at in places], (20.0, 50.0, 90.0, 150.0, 220.0))
    for index, (x, y) in enumerate(found):
        assert 60 < x < 580 and 20 < y < 580
        assert not (x - 60 < 200 and y + 20 > 480)
        assert all(abs(x - a) >= 60 or abs(y - b) >= 20 for a, b in places)
        assert all(abs(x - a) >= 120 or abs(y - b) >= 40 for a, b in found[:index])
    lone = Room(640.0, 600.0, 8.0).beside([((300.0, 300.0), (60.0, 20.0))], (20.0, 50.0))[0]
    assert math.hypot(lone[0] - 300.0, lone[1] - 300.0) < 90.0  # near where there is room
    covered = np.zeros((60, 64), dtype=bool)
    covered[:, 31:] = True  # what a picture shows is not covered where there is room beside
    aside = Room(640.0, 600.0, 8.0, covered).beside([((310.0, 300.0), (60.0, 20.0))], (20.0, 50.0))
    assert aside[0][0] < 310.0


def test_a_heading_too_long_for_one_line_stands_whole_in_two() -> None:
    """By hand: parted where the first line is as long as may be; only what fits in no two is cut,
    with a mark."""
    pen = ImageDraw.Draw(Image.new("RGB", (10, 10)))
    text = "case DEMO-0451 · zone 3 · over contour · take off 0.25 mm if it is the framework"
    room_px = 0.6 * pen.textlength(text, font(24, bold=True))
    first, second = _two_lines(pen, text, room_px, 24)
    assert f"{first} · {second}" == text and first.endswith("over contour")
    long = _two_lines(pen, f"{text} that stands proud, 2.10 mm in all", room_px, 24)
    assert long[0] == first and long[1].endswith("…")
    assert max(pen.textlength(line, font(24, bold=True)) for line in long) <= room_px
