"""How a section is drawn: lines by style, figures with white rims, sides, scale, as SVG."""

from __future__ import annotations

import dataclasses
import re
from xml.sax.saxutils import escape

import numpy as np

from veneercheck.core.types import Floats
from veneercheck.report.scene import Scene

STYLE = {
    "framework": 'stroke="#1a1a1a" stroke-width="0.11"',
    "fitting": 'stroke="#1a1a1a" stroke-width="0.09" stroke-dasharray="0.42 0.32"',
    "die": 'stroke="#1a1a1a" stroke-width="0.06" stroke-dasharray="0.6 0.16 0.04 0.16"',
    "model": 'stroke="#b9b2a5" stroke-width="0.11"',
    "wanted": 'stroke="#8c2a44" stroke-width="0.07"',
    "contour": 'stroke="#1a1a1a" stroke-width="0.045"',
    "limit": 'stroke="#8b867c" stroke-width="0.04" stroke-dasharray="0.22 0.14"',
    "grid": 'stroke="#dcd7cd" stroke-width="0.025"',
    "measure": 'stroke="#4a463f" stroke-width="0.05"',
    "metal": 'stroke="#4a463f" stroke-width="0.055"',
    "bad": 'stroke="#8c2a44" stroke-width="0.08"',
    "bar": 'stroke="#1a1a1a" stroke-width="0.08"',
}

_INK, _BAD = "#1a1a1a", "#8c2a44"

_SMALL_MM, _LARGE_MM = 0.42, 0.8

_PER_WIDTH = 0.017
"""Letters grow with the drawing's width, so that a long bridge stays readable on one sheet."""

_LETTER_WIDTH = 0.55
"""Mean width of a letter by its height."""

_TICK = 0.33

_APART = np.array([[-0.5, 0.0], [0.5, 0.0]])
"""Numbers side by side read as one without a gap, in letters' heights."""

_EXTREMES = 2
"""The first figures of a kind are its least and its greatest."""

BAR_MM = 2.0
_PX_PER_MM = 20.0


@dataclasses.dataclass(frozen=True, slots=True)
class Figure:
    """A dimension: from the framework to the contour, with what is written beside it."""

    start: tuple[float, float]
    end: tuple[float, float]
    words: str
    style: str = "measure"


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Sheet:
    """What is seen of a section's plane, shape (2, 2), mm, and how tall its letters are."""

    box: Floats

    @property
    def letters_mm(self) -> float:
        """Height of letters."""
        width = float(self.box[1, 0] - self.box[0, 0])
        return min(max(_PER_WIDTH * width, _SMALL_MM), _LARGE_MM)


def with_letters(svg: str, letters_mm: float) -> str:
    """The same drawing with letters of another height, each word about its own middle line."""

    def larger(found: re.Match[str]) -> str:
        y, anchor, size = float(found[1]), found[2], float(found[3])
        moved = y + _MIDDLE * (letters_mm - size)
        return f'y="{moved:.3f}" text-anchor="{anchor}" font-size="{letters_mm:.3f}"'

    return _TEXT.sub(larger, svg)


_TEXT = re.compile(r'y="([-\d.]+)" text-anchor="(\w+)" font-size="([\d.]+)"')

_MIDDLE = 0.35
"""Words stand so far under their middle line, in letters' heights."""


def width_mm(svg: str) -> float:
    """How wide what a drawing shows is, mm of the bridge."""
    return float(svg.partition('viewBox="')[2].split()[2])


def lines_svg(pieces: Floats, style: str, sheet: Sheet) -> str:
    """Pieces, one that begins where the last one ended going on from it."""
    near = ((pieces > sheet.box[0] - 1.0) & (pieces < sheet.box[1] + 1.0)).all(axis=2).any(axis=1)
    moves, last = [], (np.nan, np.nan)
    for a, b, c, d in np.round(pieces[near].reshape(-1, 4) * [1, -1, 1, -1], 3).tolist():
        moves.append(f"L{c:g} {d:g}" if (a, b) == last else f"M{a:g} {b:g}L{c:g} {d:g}")
        last = (c, d)
    path = "".join(moves)
    return f'<path d="{path}" fill="none" stroke-linecap="round" {STYLE[style]}/>'


def grid_svg(box: Floats) -> str:
    (left, low), (right, high) = box
    upright = "".join(f"M{x} {-high:.3f}V{-low:.3f}" for x in np.arange(np.ceil(left), right))
    level = "".join(f"M{left:.3f} {-y}H{right:.3f}" for y in np.arange(np.ceil(low), high))
    return f'<path d="{upright}{level}" fill="none" {STYLE["grid"]}/>'


def figure_svg(one: Figure, sheet: Sheet) -> str:
    start, end = np.array(one.start), np.array(one.end)
    length = float(np.linalg.norm(end - start))
    way = (end - start) / length if length > 0 else np.array([0.0, 1.0])
    tick = np.array([-way[1], way[0]]) * _TICK * sheet.letters_mm
    strokes = np.array([[start, end], [start - tick, start + tick], [end - tick, end + tick]])
    at, anchor = _words_of(one, sheet)
    ink = _BAD if one.style == "bad" else _INK
    return lines_svg(strokes, one.style, sheet) + _text(at, one.words, anchor, sheet, ink)


def _words_of(one: Figure, sheet: Sheet) -> tuple[Floats, str]:
    """Where a figure's words stand, and which of their ends stands there."""
    start, end = np.array(one.start), np.array(one.end)
    length = float(np.linalg.norm(end - start))
    way = (end - start) / length if length > 0 else np.array([0.0, 1.0])
    anchor = "start" if way[0] > 0.4 else "end" if way[0] < -0.4 else "middle"
    return end + way * sheet.letters_mm, anchor


def _text(at: Floats, words: str, anchor: str, sheet: Sheet, ink: str = _INK) -> str:
    """Letters with a white rim, so that no line runs through them."""
    letters = sheet.letters_mm
    x, y = float(at[0]), -float(at[1]) + _MIDDLE * letters
    shared = (
        f'x="{x:.3f}" y="{y:.3f}" text-anchor="{anchor}" font-size="{letters:.3f}" '
        f'font-family="Source Sans Pro, sans-serif"'
    )
    told, rim = escape(words), f'stroke="#ffffff" stroke-width="{0.33 * letters:.3f}"'
    # Rim and letters apart: drawn letter by letter, a rim would cover the letter before it.
    return (
        f'<text {shared} fill="#ffffff" {rim} aria-hidden="true">{told}</text>'
        f'<text {shared} fill="{ink}">{told}</text>'
    )


def sides_svg(
    sides: tuple[str, str, str, str], sheet: Sheet, scene: Scene, figures: list[Figure]
) -> list[str]:
    """What lies left and right in the upper corners, which a crown leaves free; above, below."""
    (left, low), (right, high) = sheet.box
    inset, middle = 0.5 * sheet.letters_mm, 0.5 * (left + right)
    top, bottom = high - 1.6 * inset, low + 1.6 * inset
    places = (
        (left + inset, top, "start"), (right - inset, top, "end"),
        (middle, top, "middle"), (middle, bottom, "middle"),
    )  # fmt: skip
    marks = ("← {}", "{} →", "{}", "{}")
    taken = [_room(*_words_of(one, sheet), one.words, sheet) for one in figures]
    written = []
    for side, mark, (x, y, anchor) in zip(sides, marks, places, strict=True):
        if side:
            words, at = mark.format(scene.words.known("surface", side)), np.array([x, y])
            if anchor == "middle":
                at = _clear(at, words, taken, sheet)
            taken.append(_room(at, anchor, words, sheet))
            written.append(_text(at, words, anchor, sheet))
    return written


def readable(kinds: list[list[Figure]], sheet: Sheet) -> list[Figure]:
    """Figures of several kinds, of which none covers another: of each its extremes, then others."""
    kept: list[Figure] = []
    taken: list[Floats] = []
    for one in [one for kind in kinds for one in kind[:_EXTREMES]] + [
        one for kind in kinds for one in kind[_EXTREMES:]
    ]:
        room = _room(*_words_of(one, sheet), one.words, sheet)
        if not _touches(room, taken):
            kept.append(one)
            taken.append(room + sheet.letters_mm * _APART)
    return kept


def _touches(room: Floats, taken: list[Floats]) -> bool:
    return any((room[0] < one[1]).all() and (one[0] < room[1]).all() for one in taken)


def _room(at: Floats, anchor: str, words: str, sheet: Sheet) -> Floats:
    """What words cover: low corner and high corner."""
    letters = sheet.letters_mm
    wide = _LETTER_WIDTH * letters * len(words)
    left = float(at[0]) - {"start": 0.0, "middle": 0.5, "end": 1.0}[anchor] * wide
    return np.array([[left, at[1] - 0.6 * letters], [left + wide, at[1] + 0.6 * letters]])


def _clear(at: Floats, words: str, taken: list[Floats], sheet: Sheet) -> Floats:
    """The place nearest to one, to its left or right, where words cover no others."""
    letters, (low, high) = sheet.letters_mm, sheet.box
    reach = int((high[0] - low[0]) / letters)
    for step in sorted(range(-reach, reach + 1), key=abs):
        moved = at + [step * letters, 0.0]
        room = _room(moved, "middle", words, sheet)
        inside = room[0, 0] > low[0] and room[1, 0] < high[0]
        if inside and not _touches(room, taken):
            return moved
    return at


def bar_svg(sheet: Sheet, words: str) -> str:
    """The scale, on white, in the lower right corner."""
    letters = sheet.letters_mm
    right, low = sheet.box[1, 0] - letters, sheet.box[0, 1] + letters
    left, tick = right - BAR_MM, 0.25 * letters
    strokes = np.array(
        [
            [[left, low], [right, low]],
            [[right, low - tick], [right, low + tick]],
            [[left, low - tick], [left, low + tick]],
        ]
    )
    label = _text(np.array([right - 0.5 * BAR_MM, low + 0.8 * letters]), f"{words} mm",
                  "middle", sheet)  # fmt: skip
    ground = (
        f'<rect x="{left - 0.4 * letters:.3f}" y="{-low - 1.5 * letters:.3f}" '
        f'width="{BAR_MM + 0.8 * letters:.3f}" height="{2.1 * letters:.3f}" fill="#ffffff"/>'
    )
    return ground + lines_svg(strokes, "bar", sheet) + label


def whole_svg(parts: list[str], box: Floats) -> str:
    (left, low), (right, high) = box
    width, height = right - left, high - low
    place = f'x="{left:.3f}" y="{-high:.3f}" width="{width:.3f}" height="{height:.3f}"'
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{left:.3f} {-high:.3f} {width:.3f} '
        f'{height:.3f}" width="{_PX_PER_MM * width:.0f}" height="{_PX_PER_MM * height:.0f}">'
        f'<rect {place} fill="#ffffff"/>{"".join(parts)}</svg>'
    )
