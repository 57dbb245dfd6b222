"""The one picture to send: verdict, worst place, amounts and cautions, legible on a phone."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import TYPE_CHECKING

from veneercheck.machine.aside import put
from veneercheck.report.asked import questions_once
from veneercheck.report.captions import case_words, limits_words, stated
from veneercheck.report.colours import INK
from veneercheck.report.drawing import WHITE, font, scale_bar, side_name, swatch
from veneercheck.report.legend import fitted, layer_bar
from veneercheck.report.palette import png
from veneercheck.report.scene import Scene, drawn, what_matters, whole_tones
from veneercheck.report.stills import picture_of
from veneercheck.report.verdict import verdict_sentences
from veneercheck.report.views import Camera, close_up, six_views, view_word
from veneercheck.report.zone_words import action_words, reading_words, zone_place

if TYPE_CHECKING:
    from PIL import Image as Pillow
    from PIL import ImageDraw

SUMMARY = "summary.png"

_SWATCH = (46, 28)

WIDE, TALL = 1080, 1350
"""The upright picture that telephones show whole."""

_EDGE = 36
_LARGE = 1.4
"""On a telephone the picture is shown about a third as large."""

_VERDICT_SIZES, _TITLE_SIZES, _SMALL_SIZES = (52, 48, 44, 40, 36), (36, 33, 30, 27), (29, 27, 25)
_BAR = (700, 40)
_MOST_LINES, _MOST_MORE = 3, 4
"""Lines of the verdict, and of the sentences behind it."""

_FOOT = 262
"""What the legend and the lines below it need."""

_TITLE, _SECOND = 48, 38
"""Height of a picture's title, and of its second line."""

_RULER = (300, 30)
"""How far the scale's left end lies from a picture's lower right corner."""


def write_summary(folder: Path, scene: Scene) -> Path:
    """Write `summary.png`."""
    made = summary(scene)
    return put(folder / SUMMARY, [png(made, tones=whole_tones(scene))])


def summary(scene: Scene) -> Pillow.Image:
    """The picture itself, 1080 × 1350 pixels."""
    from PIL import Image as Pillow
    from PIL import ImageDraw

    near = dataclasses.replace(scene, amounts=True, large=_LARGE)
    sheet = Pillow.new("RGB", (WIDE, TALL), WHITE)
    pen = ImageDraw.Draw(sheet)
    top = _verdict(pen, scene)
    tall = (TALL - _FOOT - top - 2 * _TITLE - _SECOND) // 2
    for title, told, camera in _pictures(scene, tall):
        _title(pen, near, camera, title, top)
        top += _TITLE
        if told:
            words, size = fitted(pen, told, WIDE - 2 * _EDGE, _TITLE_SIZES[1:])
            pen.text((_EDGE, top - 2), words, INK, font(size, bold=True))
            top += _SECOND
        picture, _ = picture_of(near, camera, drawn(near, camera), measured=False)
        right, up = _RULER
        scale_bar(ImageDraw.Draw(picture), camera, WIDE - right, tall - up, "{} mm", large=_LARGE)
        sheet.paste(picture, (0, top))
        top += tall
    _foot(sheet, pen, scene)
    return sheet


def _title(pen: ImageDraw.ImageDraw, scene: Scene, camera: Camera, title: str, top: int) -> None:
    """What a picture shows, and which way its left and right point."""
    left, right = (
        view_word(side_name(scene.bridge, way), scene.bridge, scene.words)
        for way in (-camera.right, camera.right)
    )
    sides, middle = f"← {left} · {right} →", top + _TITLE // 2
    pen.text((WIDE - _EDGE, middle), sides, INK, font(27), anchor="rm")
    room = WIDE - 2 * _EDGE - pen.textlength(sides, font(27)) - 24
    words, size = fitted(pen, title, room, _TITLE_SIZES)
    pen.text((_EDGE, middle), words, INK, font(size, bold=True), anchor="lm")


def _verdict(pen: ImageDraw.ImageDraw, scene: Scene) -> int:
    """The verdict in large letters, the state first where it is doubtful; where it ends."""
    document, words = scene.filed.document, scene.words
    first, *more = verdict_sentences(document, words)[:-1]  # what it is not stands at the foot
    room = WIDE - 2 * _EDGE
    for size in _VERDICT_SIZES:
        lines = wrapped(pen, first, room, size)
        if len(lines) <= _MOST_LINES:
            break
    y = 22
    for line in lines[:_MOST_LINES]:
        pen.text((_EDGE, y), line, INK, font(size, bold=True))
        y += round(1.15 * size)
    asked = questions_once(document, words)
    small = _SMALL_SIZES[0]
    told: list[str] = []
    for one in (*more, *asked):  # a sentence that would be cut off is left to the report
        lines = wrapped(pen, one, room, small, bold=False)
        told += lines if len(told) + len(lines) <= _MOST_MORE else []
    for line in told:
        pen.text((_EDGE, y + 6), line, INK, font(small))
        y += round(1.25 * small)
    line, small = fitted(
        pen,
        f"{case_words(document, words)} · {stated(document, words)}",
        room,
        _SMALL_SIZES,
        bold=False,
    )
    pen.text((_EDGE, y + 8), line, INK, font(small))
    y += 8 + round(1.35 * small)
    pen.line((_EDGE, y + 4, WIDE - _EDGE, y + 4), fill=INK, width=2)
    return y + 8


def wrapped(
    pen: ImageDraw.ImageDraw, text: str, room_px: float, size: int, *, bold: bool = True
) -> list[str]:
    """A sentence in lines that its room holds, in letters of a size."""
    lines: list[str] = []
    for word in text.split():
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and pen.textlength(longer, font(size, bold=bold)) <= room_px:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines


def _pictures(scene: Scene, tall: int) -> list[tuple[str, str, Camera]]:
    """The view from occlusal and the worst place, each with its words; without one, from buccal."""
    words, zones = scene.words, scene.filed.document["zones"]
    views = six_views(scene.bridge, what_matters(scene.surface), WIDE, tall)
    told = [
        (words("picture.view", view=view_word(name, scene.bridge, words)), "", views[name])
        for name in ("occlusal", "buccal")
    ]
    if not zones:
        return told
    worst = zones[0]
    title = filter(None, (words("picture.zone", id=worst["id"]), zone_place(worst, words)))
    finding = words.known("finding", worst["finding"])
    below = f"{finding} · {reading_words(worst, words)} · {action_words(worst, words)}"
    camera = close_up(worst, scene.bridge, scene.surface.mesh, WIDE, tall)
    return [told[0], (" · ".join(title), below, camera)]


def _foot(sheet: Pillow.Image, pen: ImageDraw.ImageDraw, scene: Scene) -> None:
    words, document = scene.words, scene.filed.document
    top = TALL - _FOOT + 54
    layer_bar(sheet, scene, (_EDGE, top), _BAR, 29)
    limits, taken = limits_words(document, words).rsplit(" · ", 1)
    y = top + _BAR[1] + 50
    taken_px = _sign(sheet, pen, words("legend.undecided"), y) if scene.undecided else 0.0
    for line, beside_px in ((limits, taken_px), (taken, 0.0)):
        room = WIDE - 2 * _EDGE - beside_px
        text, size = fitted(pen, line, room, _SMALL_SIZES, bold=False)
        pen.text((_EDGE, y), text, INK, font(size))
        y += 36
    line, size = fitted(pen, words("verdict.not_release"), WIDE - 2 * _EDGE, (30, 28, 26))
    pen.text((_EDGE, y), line, INK, font(size, bold=True))


def _sign(sheet: Pillow.Image, pen: ImageDraw.ImageDraw, told: str, y: int) -> float:
    """The tint of undecided places with its meaning, at the right; the room that it takes."""
    letters = font(_SMALL_SIZES[0])
    x = WIDE - _EDGE - pen.textlength(told, letters)
    pen.text((x, y), told, INK, letters)
    sheet.paste(swatch("undecided", *_SWATCH), (round(x) - _SWATCH[0] - 10, y + 4))
    return WIDE - _EDGE - x + _SWATCH[0] + 2 * _EDGE
