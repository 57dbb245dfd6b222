"""Head and foot of a still: case and title, the bar of the bands, signs with their meaning."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from veneercheck.report.captions import case_words, limits_words, stated
from veneercheck.report.colours import INK
from veneercheck.report.drawing import font, legend_bar, swatch
from veneercheck.report.scene import Scene, bead_places

if TYPE_CHECKING:
    from PIL import Image as Pillow
    from PIL import ImageDraw

WIDTH, HEIGHT = 1600, 940
"""The drawn part of a picture in pixels."""

HEAD, FOOT = 84, 176

_HEAD_SIZES = (36, 32, 28, 24)

FOOT_SIZES = (24, 22, 20, 18)

EDGE = 36

_BAR = (620, 40)

_SWATCH = (46, 30)

SIGNS = (
    "over", "unmeasured", "metal", "unscanned", "undecided",
    "finish_line", "firm_number", "open_number",
)  # fmt: skip
"""What a picture may hold beside the bands, in the order of the legend."""

_SIGN_SIZES, _SIGN_ROWS, _SIGN_ROW_PX, _SIGN_GAP_PX = (23, 21, 19), 3, 42, 26


def heading(pen: ImageDraw.ImageDraw, scene: Scene, title: str) -> None:
    """Case and title over a picture, and what it is not."""
    words, document = scene.words, scene.filed.document
    left = f"{case_words(document, words)} · {title}"
    right = words("picture.aid")
    if scene.bridge.guessed:
        right = f"{words('picture.guessed')} · {right}"
    room = WIDTH - 3 * EDGE - pen.textlength(right, font(26))
    text, size = fitted(pen, left, room)
    lines = [text] if text == left else _two_lines(pen, left, room, size)
    for row, line in enumerate(lines):
        top = 52 - size if len(lines) == 1 else 8 + 30 * row
        pen.text((EDGE, top), line, INK, font(size, bold=True))
    pen.text((WIDTH - EDGE, 24), right, INK, font(26), anchor="ra")
    pen.line((EDGE, HEAD - 12, WIDTH - EDGE, HEAD - 12), fill=INK, width=2)


def _two_lines(pen: ImageDraw.ImageDraw, text: str, room_px: float, size: int) -> list[str]:
    """A line too long for its room, parted where its first half is as long as may be."""
    parts = text.split(" · ")
    heads = [" · ".join(parts[:count]) for count in range(1, len(parts))]
    held = [head for head in heads if pen.textlength(head, font(size, bold=True)) <= room_px]
    first = held[-1] if held else ""
    return [first, fitted(pen, text.removeprefix(f"{first} · "), room_px, (size,))[0]]


def fitted(
    pen: ImageDraw.ImageDraw,
    text: str,
    room_px: float,
    sizes: tuple[int, ...] = _HEAD_SIZES,
    *,
    bold: bool = True,
) -> tuple[str, int]:
    """A line in the largest letters that its room holds, cut with a mark if in none."""
    for size in sizes:
        if pen.textlength(text, font(size, bold=bold)) <= room_px:
            return text, size
    while len(text) > 1 and pen.textlength(text, font(size, bold=bold)) > room_px:
        text = text[:-2].rstrip(" …") + "…"
    return text, size


def legend(sheet: Pillow.Image, scene: Scene) -> None:
    from PIL import ImageDraw

    pen = ImageDraw.Draw(sheet)
    words = scene.words
    top, (width, height) = HEAD + HEIGHT + 48, _BAR
    layer_bar(sheet, scene, (EDGE, top), _BAR, 24)
    _swatches(sheet, scene, EDGE + width + 90, top - 34)
    line = f"{limits_words(scene.filed.document, words)} · {stated(scene.filed.document, words)}"
    line, size = fitted(pen, line, WIDTH - 2 * EDGE, FOOT_SIZES, bold=False)
    pen.text((EDGE, top + height + 48), line, INK, font(size))


def layer_bar(
    sheet: Pillow.Image, scene: Scene, at: tuple[int, int], size: tuple[int, int], letters: int
) -> None:
    """The bar of the legend at its upper left corner: bands named above, figures below."""
    from PIL import ImageDraw

    pen = ImageDraw.Draw(sheet)
    (left, top), (width, height), words = at, size, scene.words
    bands, bold = scene.surface.bands, font(letters, bold=True)
    sheet.paste(legend_bar(bands, width, height), at)
    pen.rectangle((left, top, left + width, top + height), outline=INK, width=2)
    ends = (0.0, bands.least_mm, bands.greatest_mm, bands.top_mm)

    def place(value: float) -> float:
        return left + value / bands.top_mm * width

    _step_figures(pen, scene, place, top + height + 8, letters)
    for value in ends:
        x = round(place(value))
        pen.line((x, top - 4, x, top + height + 4), fill=INK, width=3)
        anchor = "la" if value == 0 else "ma"
        pen.text((x, top + height + 6), words.number(value), INK, bold, anchor=anchor)
    names = ("thin", "enough", "thick")
    for name, low, high in zip(names, ends[:-1], ends[1:], strict=True):
        middle = place(0.5 * (low + high))
        pen.text((middle, top - 12), words(f"legend.{name}"), INK, bold, anchor="ms")
    pen.text((left + width + 14, top + 4), "mm", INK, font(letters))


def _step_figures(
    pen: ImageDraw.ImageDraw,
    scene: Scene,
    place: Callable[[float], float],
    top: int,
    letters: int,
) -> None:
    """Figures under the steps of the legend's bar, as many as stand apart."""
    bands, small = scene.surface.bands, font(letters - 4)
    room = pen.textlength(scene.words.number(bands.greatest_mm), font(letters, True)) + 8
    ends = [place(bands.least_mm), place(bands.greatest_mm)]
    for value in bands.levels_mm:
        x = place(value)
        if all(abs(x - other) >= room for other in ends):
            pen.text((x, top), scene.words.number(value), INK, small, anchor="ma")
            ends.append(x)


def _swatches(sheet: Pillow.Image, scene: Scene, left: int, top: int) -> None:
    """Every sign with its meaning, one behind another in as many rows as there is room for."""
    from PIL import ImageDraw

    pen, gap = ImageDraw.Draw(sheet), _SWATCH[0] + 10
    beads = ("bead",) if len(bead_places(scene.filed.document)) else ()
    told = [(kind, scene.words(f"legend.{kind}")) for kind in (*SIGNS, *beads)]
    room = WIDTH - EDGE - left
    for size in _SIGN_SIZES:
        widths = [gap + pen.textlength(words, font(size)) for _, words in told]
        rows = _rows(widths, room)
        if len(rows) <= _SIGN_ROWS:
            break
    for row, own in enumerate(rows):
        x, y = float(left), top + row * _SIGN_ROW_PX
        for index in own:
            kind, words = told[index]
            sheet.paste(swatch(kind, *_SWATCH), (round(x), y))
            pen.text((x + gap, y + 15), words, INK, font(size), anchor="lm")
            x += widths[index] + _SIGN_GAP_PX


def _rows(widths: list[float], room: float) -> list[list[int]]:
    """Numbers of the entries in each row, none wider than the room unless it stands alone."""
    rows: list[list[int]] = []
    used = room
    for index, width in enumerate(widths):
        if not rows or used + _SIGN_GAP_PX + width > room:
            rows.append([])
            used = -_SIGN_GAP_PX
        rows[-1].append(index)
        used += _SIGN_GAP_PX + width
    return rows
