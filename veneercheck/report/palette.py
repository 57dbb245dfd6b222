"""Few colours, and only the map's own: pictures that weigh a third and show the same."""

from __future__ import annotations

import io
from collections.abc import Iterator, Mapping, Sequence
from functools import cache, lru_cache
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from veneercheck.report import colours as own
from veneercheck.report.colours import DOTS, INK, Rgb

if TYPE_CHECKING:
    from PIL import Image as Pillow

_MOST = 256
"""A picture with a byte a pixel holds so many colours."""

_WHITE: Rgb = (255, 255, 255)
_TONES = 7
"""Steps along a band of colours."""

_SHADES = np.linspace(1.0, 0.68, 12)
"""From full light to the darkest that a surface turned away is drawn in."""

_MIXED = (0.25, 0.5, 0.75)
"""Shares in which lines, dots and letters mix with what they lie on, at their smooth edges."""

_BITS = 6
"""Of each of red, green and blue, by which a colour is looked up: steps of 4 in 256."""

LEVEL = 6
"""Level 9 takes seven times as long for 6 % less."""

_ASKED_AT_ONCE, _PIXELS_AT_ONCE = 2048, 1 << 16

Colours = npt.NDArray[np.uint8]


def png(
    picture: Pillow.Image,
    texts: Mapping[str, str] | None = None,
    tones: Sequence[Rgb] = (),
) -> bytes:
    """A picture as a PNG of few colours, `tones` among them, with words that its file tells."""
    from PIL.PngImagePlugin import PngInfo

    told = PngInfo()
    for name, text in (texts or {}).items():
        told.add_text(name, text)
    stream = io.BytesIO()
    few_colours(picture, tones).save(stream, "PNG", compress_level=LEVEL, pnginfo=told)
    return stream.getvalue()


def few_colours(picture: Pillow.Image, tones: Sequence[Rgb] = ()) -> Pillow.Image:
    """A picture (RGB) in the map's own colours, a byte a pixel.

    Every pixel takes the nearest of them; the plain colours, whose meaning the legend tells, stay
    what they are. Where a picture would need more than 256, those that it needs least give way.
    """
    from PIL import Image as Pillow

    key = _key(np.frombuffer(picture.tobytes("raw", "RGBX"), dtype="<u4"))
    count = np.bincount(key, minlength=1 << 3 * _BITS)
    met = np.flatnonzero(count)
    plain, every = plain_colours(), all_colours(tuple(tones))
    nearest = _nearest_of_all(met, tuple(tones))
    need = np.bincount(nearest, count[met], minlength=len(every))
    need[: len(plain)] = np.inf
    kept = np.sort(np.argsort(-need, kind="stable")[:_MOST])
    number = np.zeros(len(count), dtype=np.uint8)
    number[met] = _nearest(_middles(met), every[kept])
    number[_key(np.pad(plain, ((0, 0), (0, 1))).view("<u4")[:, 0])] = np.arange(len(plain))
    few = Pillow.frombytes("P", picture.size, number.take(key).tobytes())
    few.putpalette(every[kept].tobytes())
    return few


@cache
def plain_colours() -> Colours:
    """White and every colour that `colours` names, shape (k, 3): none of them may change."""
    return np.array(list(dict.fromkeys((_WHITE, *_named()))), dtype=np.uint8)


@cache
def all_colours(tones: tuple[Rgb, ...] = ()) -> Colours:
    """All that a map is painted in, the plain colours first, shape (k, 3).

    Bands in steps, all of it in the shades that light gives it, and mixed with what is drawn on it;
    and the tones of a scale as they are, lest two of its steps become one.
    """
    ramps = [_between(first, last) for first, last in _bands()]
    bands = np.concatenate([*ramps, np.array(tones, dtype=np.float64).reshape(-1, 3)])
    plain = plain_colours().astype(np.float64)
    shaded = np.concatenate([shade * np.concatenate([plain, bands]) for shade in _SHADES])
    mixed = [
        share * np.array(over) + (1.0 - share) * np.concatenate([plain, bands[:: _TONES // 2]])
        for over in (_WHITE, INK, DOTS)
        for share in _MIXED
    ]
    found = np.rint(np.concatenate([plain, shaded, *mixed])).astype(np.uint8)
    _, first = np.unique(found, axis=0, return_index=True)
    every: Colours = found[np.sort(first)]
    return every


def _named() -> Iterator[Rgb]:
    """Every colour that `colours` has a name for, ends of bands included."""
    for value in vars(own).values():
        if _is_colour(value):
            yield value
    for first, last in _bands():
        yield first
        yield last


def _bands() -> Iterator[tuple[Rgb, Rgb]]:
    """Every pair of colours that `colours` has a name for."""
    for value in vars(own).values():
        if isinstance(value, tuple) and len(value) == 2 and all(map(_is_colour, value)):
            yield value


def _is_colour(value: object) -> bool:
    return isinstance(value, tuple) and len(value) == 3 and all(type(x) is int for x in value)


def _between(first: Rgb, last: Rgb) -> npt.NDArray[np.float64]:
    along = np.linspace(0.0, 1.0, _TONES)[:, None]
    return np.asarray((1.0 - along) * np.array(first) + along * np.array(last))


def _key(pixels: npt.NDArray[np.uint32]) -> npt.NDArray[np.int32]:
    """The look-up cell of each pixel (red in its lowest byte), some at a time, to spare memory."""
    key = np.empty(len(pixels), dtype=np.int32)
    for start in range(0, len(pixels), _PIXELS_AT_ONCE):
        part, mask = slice(start, start + _PIXELS_AT_ONCE), (1 << _BITS) - 1
        red, green, blue = (pixels[part] >> 8 * k + 8 - _BITS & mask for k in range(3))
        key[part] = red << 2 * _BITS | green << _BITS | blue
    return key


def _middles(key: npt.NDArray[np.intp]) -> npt.NDArray[np.float32]:
    """The colours in the middles of look-up cells, shape (k, 3)."""
    mask, half = (1 << _BITS) - 1, (1 << 8 - _BITS) / 2 - 0.5
    parts = [(key >> shift) & mask for shift in (2 * _BITS, _BITS, 0)]
    return np.stack([(part << 8 - _BITS) + half for part in parts], axis=1).astype(np.float32)


def _nearest_of_all(met: npt.NDArray[np.intp], tones: tuple[Rgb, ...]) -> npt.NDArray[np.int32]:
    """The nearest of all colours for some look-up cells: many are met by picture after picture."""
    known = _known_cells(tones)
    asked = met[known[met] < 0]
    known[asked] = _nearest(_middles(asked), all_colours(tones)) if len(asked) else 0
    return known[met]


@lru_cache(maxsize=2)
def _known_cells(tones: tuple[Rgb, ...]) -> npt.NDArray[np.int32]:
    """The nearest colour of each look-up cell, −1 until it is asked for; its own for each scale."""
    all_colours(tones)
    return np.full(1 << 3 * _BITS, -1, dtype=np.int32)


def _nearest(asked: npt.NDArray[np.float32], among: Colours) -> npt.NDArray[np.intp]:
    """The nearest colour of a palette for each that is asked for."""
    palette = among.astype(np.float32)
    length = (palette**2).sum(axis=1)
    # |a − p|² less |a|², which is the same for all of them; a few at a time, to spare memory.
    parts = np.split(asked, range(_ASKED_AT_ONCE, len(asked), _ASKED_AT_ONCE))
    return np.concatenate([(length - 2.0 * (part @ palette.T)).argmin(axis=1) for part in parts])
