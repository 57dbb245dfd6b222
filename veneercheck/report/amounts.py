"""What is to be taken off or added, as one picture: `amount.png`."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING
from weakref import WeakKeyDictionary

import numpy as np

from veneercheck.machine.aside import put
from veneercheck.report.captions import limits_words, stated
from veneercheck.report.colours import AMOUNT_STEP_MM, INK, Amounts
from veneercheck.report.drawing import WHITE, amount_bar, font, swatch
from veneercheck.report.legend import FOOT_SIZES, HEAD, HEIGHT, WIDTH, fitted, heading
from veneercheck.report.levels import levels_of
from veneercheck.report.palette import png
from veneercheck.report.scene import Scene, drawn, lines_of, what_matters, whole_tones
from veneercheck.report.stills import picture_of
from veneercheck.report.surface import with_amounts
from veneercheck.report.views import VIEW_NAMES, Camera, close_up, six_views, view_word
from veneercheck.report.words import Words

if TYPE_CHECKING:
    from PIL import Image as Pillow
    from PIL import ImageDraw

AMOUNT = "amount.png"

_EDGE, _FOOT = 36, 200
_BAR = (760, 36)
_SWATCH, _SIGNS = (46, 30), ("nothing", "unmeasured", "metal", "finish_line")
_MOST_SIDES = 4
"""More small views than these would make a picture that no screen shows whole."""

_FIGURE_APART_PX = 58


def amounts_of(scene: Scene) -> Scene | None:
    """The same scene, coloured by what is to be taken off or added; None where that is not known.

    Where no amount is told the surface is plain: nothing was found, or too little of it was read to
    tell one. Made once for a scene.
    """
    if scene not in _TOLD:
        _TOLD[scene] = _told(scene)
    return _TOLD[scene]


_TOLD: WeakKeyDictionary[Scene, Scene | None] = WeakKeyDictionary()


def _told(scene: Scene) -> Scene | None:
    amount = scene.filed.amount_mm
    if amount is None or not np.isfinite(amount).any():
        return None
    surface = with_amounts(scene.surface, amount)
    return dataclasses.replace(
        scene, surface=surface, lines=lines_of(surface), levels=levels_of(surface), amounts=True
    )


def write_amounts(folder: Path, scene: Scene) -> Path | None:
    """Write `amount.png`; an earlier one is removed where amounts are not known."""
    told = amounts_of(scene)
    if told is None:
        (folder / AMOUNT).unlink(missing_ok=True)
        return None
    return put(folder / AMOUNT, [png(amount_sheet(told), tones=whole_tones(told))])


def amount_sheet(told: Scene, sides: Sequence[str] | None = None) -> Pillow.Image:
    """The view from occlusal of a scene of amounts, and small ones from sides that show more.

    Parameters
    ----------
    sides : sequence of str, optional
        Which small views; else those that look at a zone.
    """
    from PIL import Image as Pillow
    from PIL import ImageDraw

    cameras = six_views(told.bridge, what_matters(told.surface), WIDTH, HEIGHT)
    sides = side_views(told, cameras) if sides is None else sides
    small = (WIDTH // 2, HEIGHT // 2)
    rows = (len(sides) + 1) // 2
    sheet = Pillow.new("RGB", (WIDTH, HEAD + HEIGHT + rows * small[1] + _FOOT), WHITE)
    camera = cameras["occlusal"]
    sheet.paste(picture_of(told, camera, drawn(told, camera))[0], (0, HEAD))
    pen = ImageDraw.Draw(sheet)
    for index, name in enumerate(sides):
        left, top = index % 2 * small[0], HEAD + HEIGHT + index // 2 * small[1]
        sheet.paste(side_picture(told, cameras[name], small), (left, top))
        title = told.words("picture.view", view=view_word(name, told.bridge, told.words))
        pen.text((left + _EDGE, top + 10), title, INK, font(26, bold=True))
    heading(pen, told, told.words(f"{told.amount_kind}.title"))
    _legend(sheet, pen, told, HEAD + HEIGHT + rows * small[1])
    return sheet


def side_picture(scene: Scene, camera: Camera, size: tuple[int, int]) -> Pillow.Image:
    """A view on a smaller picture, with its signs as large as elsewhere."""
    width, height = size
    near = dataclasses.replace(
        camera, width=width, height=height, mm_per_px=camera.mm_per_px * camera.width / width
    )
    return picture_of(scene, near, drawn(scene, near), measured=False)[0]


def side_views(scene: Scene, cameras: Mapping[str, Camera]) -> list[str]:
    """Views beside the one from occlusal that look straightest at a zone, in their own order."""
    wanted = set()
    for zone in scene.filed.document["zones"]:
        toward = close_up(zone, scene.bridge, scene.surface.mesh, WIDTH, HEIGHT).toward
        wanted.add(max(VIEW_NAMES, key=lambda name: float(cameras[name].toward @ toward)))
    return [name for name in VIEW_NAMES if name in wanted - {"occlusal"}][:_MOST_SIDES]


def _legend(sheet: Pillow.Image, pen: ImageDraw.ImageDraw, scene: Scene, top: int) -> None:
    words, scale = scene.words, scene.surface.scale
    assert isinstance(scale, Amounts)
    top += 46
    width, height = _BAR
    sheet.paste(amount_bar(scale, width, height), (_EDGE, top))
    pen.rectangle((_EDGE, top, _EDGE + width, top + height), outline=INK, width=2)
    middle = _EDGE + width // 2
    for name, x in (("add", middle - width // 4), ("take_off", middle + width // 4)):
        pen.text(
            (x, top - 12),
            words(f"{scene.amount_kind}.{name}"),
            INK,
            font(24, bold=True),
            anchor="ms",
        )
    for value, off in bar_figures(scale, width):
        text = figure(scale, value, words)
        pen.text((_EDGE + off, top + height + 6), text, INK, font(22), anchor="ma")
    pen.text((_EDGE + width + 12, top + 3), "mm", INK, font(24))
    left = _EDGE + width + 90
    for index, kind in enumerate(_SIGNS):
        x, y = left + index % 2 * 290, top - 30 + index // 2 * 42
        sheet.paste(swatch(kind, *_SWATCH), (x, y))
        told = words(f"{scene.amount_kind}.{kind}" if kind == "nothing" else f"legend.{kind}")
        size = 22 if pen.textlength(told, font(22)) < 225 else 18
        pen.text((x + _SWATCH[0] + 10, y + 15), told, INK, font(size), anchor="lm")
    document = scene.filed.document
    for line, below in (
        (words(f"{scene.amount_kind}.note"), 42),
        (f"{limits_words(document, words)} · {stated(document, words)}", 74),
    ):
        text, size = fitted(pen, line, WIDTH - 2 * _EDGE, FOOT_SIZES, bold=False)
        pen.text((_EDGE, top + height + below), text, INK, font(size))


def figure(scale: Amounts, value_mm: float, words: Words) -> str:
    """An amount under its bar; at an end that holds all that is more, it says so."""
    text = words.number(abs(value_mm), 1)
    more = scale.most_mm > scale.end_mm + 1e-6 and abs(value_mm) > scale.end_mm - 1e-6
    return f"≥ {text}" if more else text


def bar_figures(scale: Amounts, width: int) -> list[tuple[float, float]]:
    """Amounts written under a bar of amounts, and how far from its left end, in pixels."""
    every = int(np.ceil(_FIGURE_APART_PX / (width / (2 * scale.steps))))
    return [
        (AMOUNT_STEP_MM * at, (at + scale.steps) * width / (2 * scale.steps))
        for at in range(-scale.steps, scale.steps + 1)
        if at % every == 0
    ]
