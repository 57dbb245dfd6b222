"""Vectors, words and signs over a raster: smooth lines, legend, scale bar, numbers."""

from __future__ import annotations

import functools
import importlib.util
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from veneercheck.core.errors import VeneerCheckError
from veneercheck.core.types import Floats, Ints
from veneercheck.report.colours import (
    CALM_THICK,
    CALM_THIN,
    INK,
    METAL,
    PLAIN,
    PLASTER,
    WINE,
    Amounts,
    Bands,
)
from veneercheck.report.picture import Picture, lay, whole
from veneercheck.report.raster import hatch, stipple
from veneercheck.report.surface import Surface
from veneercheck.report.views import Camera, Directions

if TYPE_CHECKING:
    from PIL import Image as Pillow
    from PIL import ImageDraw, ImageFont

_FINER = 3
"""Lines are drawn this much larger and averaged down, which smooths them."""

_HIDDEN_MM = 0.15
"""A line may lie this much behind the surface drawn there and still be seen."""

_SCALE_STEPS_MM = (0.5, 1.0, 2.0, 5.0, 10.0)
_SCALE_LONGEST_PX = 240
_NAME_SIZE = 24
_BESIDE_SIZE = 27
_STEP_LINE_PX = 1.0
"""Half the width of a legend's line between two steps."""

WHITE = (255, 255, 255)


@functools.cache
def font(size_px: int, bold: bool = False) -> ImageFont.FreeTypeFont:
    """The report's typeface (SIL Open Font License), from its own package."""
    from PIL import ImageFont

    face = "SourceSansPro-Semibold.ttf" if bold else "SourceSansPro-Regular.ttf"
    return ImageFont.truetype(str(font_folder() / face), size_px)


def font_folder() -> Path:
    """Where the typeface's files lie.

    Raises
    ------
    VeneerCheckError
        If its package is not installed.
    """
    found = importlib.util.find_spec("font_source_sans_pro")
    if found is None or found.origin is None:
        raise VeneerCheckError(
            "the typeface of the report is not installed.",
            next_step="Run `pip install font-source-sans-pro`.",
        )
    return Path(found.origin).parent / "files"


def image_of(picture: Picture) -> Pillow.Image:
    """A picture, shape (h, w), as the library of images holds it."""
    from PIL import Image as Pillow

    return Pillow.frombytes("RGB", picture.shape[::-1], picture.tobytes(), "raw", "RGBX")


def lay_lines(
    picture: Picture,
    camera: Camera,
    depth_mm: npt.NDArray[np.float32],
    lines: Sequence[tuple[Floats, float]],
) -> None:
    """Draw lines that lie on the surface, in place, where nothing hides them.

    Parameters
    ----------
    picture : ndarray of uint32, shape (h, w)
    lines : sequence of (segments, width_px)
        Segments have shape (k, 2, 3), mm.
    """
    from PIL import Image as Pillow
    from PIL import ImageDraw

    mask = Pillow.new("L", (camera.width * _FINER, camera.height * _FINER))
    pen = ImageDraw.Draw(mask)
    for segments, width_px in lines:
        seen = visible(camera, depth_mm, segments) * _FINER
        for x0, y0, x1, y1 in seen.tolist():
            pen.line((x0, y0, x1, y1), fill=255, width=max(1, round(width_px * _FINER)))
    cover = np.asarray(mask.reduce(_FINER)).reshape(-1)
    drawn = np.flatnonzero(cover)
    lay(picture.reshape(-1), drawn, cover[drawn].astype(np.float32) / 255.0, INK)


def visible(camera: Camera, depth_mm: npt.NDArray[np.float32], segments: Floats) -> Floats:
    """The pieces that nothing hides, on the picture: x, y of both ends, shape (k, 4)."""
    ends = camera.project(segments.reshape(-1, 3)).reshape(-1, 2, 3)
    middle = ends.mean(axis=1)
    x, y = np.floor(middle[:, 0]).astype(int), np.floor(middle[:, 1]).astype(int)
    inside = (x >= 0) & (x < camera.width) & (y >= 0) & (y < camera.height)
    seen = np.zeros(len(ends), dtype=bool)
    at = depth_mm[y[inside], x[inside]]
    with np.errstate(invalid="ignore"):
        seen[inside] = middle[inside, 2] <= at + _HIDDEN_MM
    return ends[seen][:, :, :2].reshape(-1, 4)


def facing(surface: Surface, camera: Camera, segments: Floats, face: Ints) -> Floats:
    """Only the segments on triangles that face the eye."""
    toward = surface.facing[face] @ camera.toward
    return segments[toward > 0]


def legend_bar(bands: Bands, width: int, height: int) -> Pillow.Image:
    """The three bands from 0 to the top, with their patterns and steps, as a strip."""
    return _strip(bands, 0.0, bands.top_mm, width, height)


def amount_bar(amounts: Amounts, width: int, height: int) -> Pillow.Image:
    """The steps from the most to add to the most to take off, with their patterns, as a strip."""
    return _strip(amounts, -amounts.end_mm, amounts.end_mm, width, height)


def _strip(
    scale: Bands | Amounts, low: float, high: float, width: int, height: int
) -> Pillow.Image:
    y, x = (grid.reshape(-1) + 0.5 for grid in np.mgrid[0:height, 0:width])
    value = low + x / width * (high - low)
    colours = scale.colours(value)
    nothing = np.zeros(len(x), dtype=bool)
    lined, dotted = scale.patterned(value.astype(np.float32))
    hatch(colours, x, y, lined, nothing)
    stipple(colours, x, y, dotted, nothing)
    for level in scale.levels_mm:
        colours[np.abs(x - (level - low) / (high - low) * width) < _STEP_LINE_PX] = INK
    return image_of(whole(colours).reshape(height, width))


def swatch(kind: str, width: int, height: int) -> Pillow.Image:
    """A small field that shows one sign of the legend."""
    from PIL import ImageDraw

    y, x = (grid.reshape(-1) + 0.5 for grid in np.mgrid[0:height, 0:width])
    every, nothing = np.ones(len(x), dtype=bool), np.zeros(len(x), dtype=bool)
    plain = {"over": WINE[0], "unmeasured": PLASTER, "metal": METAL, "nothing": PLAIN}
    colours = np.empty((len(x), 3), dtype=np.float32)
    colours[:] = plain.get(kind, WHITE)
    if kind == "over":
        hatch(colours, x, y, every, nothing)
    if kind == "undecided":
        left = x < 0.5 * width
        colours[left], colours[~left] = CALM_THIN, CALM_THICK
        hatch(colours, x, y, nothing, left)
        stipple(colours, x, y, nothing, ~left)
    image = image_of(whole(colours).reshape(height, width))
    pen, middle = ImageDraw.Draw(image), (width // 2, height // 2)
    if kind in ("over", "unmeasured", "undecided", "nothing"):
        pen.rectangle((0, 0, width - 1, height - 1), outline=INK, width=2)
    elif kind == "unscanned":
        pen.rectangle((0, 0, width - 1, height - 1), outline=METAL, width=1)
    elif kind == "finish_line":
        pen.line((0, middle[1], width, middle[1]), fill=INK, width=4)
    elif kind == "bead":
        pen.circle(middle, middle[1] - 4, outline=INK, width=2)
    elif kind in ("firm_number", "open_number"):
        fill = INK if kind == "firm_number" else WHITE
        pen.circle(middle, middle[1] - 1, fill=fill, outline=INK, width=2)
    return image


def plate(pen: ImageDraw.ImageDraw, box: tuple[float, float, float, float]) -> None:
    """A white field, so that words stay readable over the picture."""
    pen.rounded_rectangle(box, radius=12, fill=WHITE, outline=METAL, width=2)


def scale_bar(
    pen: ImageDraw.ImageDraw, camera: Camera, x: int, y: int, words_mm: str, *, large: float = 1.0
) -> None:
    """A bar of a round length, its left end at x, y; `words_mm` has a brace for the number."""
    fitting = [s for s in _SCALE_STEPS_MM if s / camera.mm_per_px <= _SCALE_LONGEST_PX]
    length_mm = fitting[-1] if fitting else _SCALE_STEPS_MM[0]
    end = x + round(length_mm / camera.mm_per_px)
    plate(pen, (x - 24, y - 16 - 34 * large, end + 24, y + 20))
    pen.line((x, y, end, y), fill=INK, width=4)
    for tick in (x, end):
        pen.line((tick, y - 8, tick, y + 8), fill=INK, width=3)
    pen.text(
        (0.5 * (x + end), y - 12), words_mm.format(f"{length_mm:g}"), INK,
        font(round(26 * large)), anchor="mb",
    )  # fmt: skip


def orientation(
    pen: ImageDraw.ImageDraw,
    camera: Camera,
    bridge: Directions,
    words: dict[str, str],
    at: tuple[int, int],
) -> None:
    """A cross at x, y that tells which way the picture's sides point."""
    arm = 26
    x, y = at
    plate(pen, (x - 128, y - 66, x + 128, y + 66))
    pen.line((x - arm, y, x + arm, y), fill=INK, width=3)
    pen.line((x, y - arm, x, y + arm), fill=INK, width=3)
    sides: Sequence[tuple[Floats, tuple[float, float], str]] = (
        (camera.right, (x + arm + 8, y), "lm"),
        (-camera.right, (x - arm - 8, y), "rm"),
        (camera.up, (x, y - arm - 6), "mb"),
        (-camera.up, (x, y + arm + 4), "mt"),
    )
    for way, place, anchor in sides:
        pen.text(place, words[side_name(bridge, way)], INK, font(24), anchor=anchor)


def side_name(bridge: Directions, way: Floats) -> str:
    """The side of the bridge that a direction points to most nearly."""
    named = {
        "occlusal": bridge.occlusal,
        "basal": -bridge.occlusal,
        "buccal": bridge.buccal,
        "lingual": -bridge.buccal,
        "mesial": bridge.mesial,
        "distal": -bridge.mesial,
    }
    return max(named, key=lambda candidate: float(named[candidate] @ way))


def leader(pen: ImageDraw.ImageDraw, at: tuple[float, float], to: tuple[float, float]) -> None:
    """A line from a sign's middle to its place, which a dot marks; drawn before all signs."""
    pen.line((*at, *to), fill=WHITE, width=7)
    pen.line((*at, *to), fill=INK, width=3)
    pen.ellipse((at[0] - 6, at[1] - 6, at[0] + 6, at[1] + 6), fill=INK, outline=WHITE, width=2)


def number_sign(
    pen: ImageDraw.ImageDraw,
    to: tuple[float, float],
    text: str,
    *,
    firm: bool,
    beside: str = "",
    large: float = 1.0,
) -> None:
    """A numbered disc with its middle at `to`: filled where firm, hollow where not.

    What stands beside the number makes it a field, with `to` in its middle.
    """
    radius = 21 * large
    if beside:
        half = sign_reach(pen, beside, large)
        field = (to[0] - half, to[1] - radius, to[0] + half, to[1] + radius)
        pen.rounded_rectangle(field, radius=radius, fill=WHITE, outline=INK, width=2)
        to = (to[0] - half + radius, to[1])
        words = (to[0] + radius + 7, to[1])
        pen.text(words, beside, INK, font(round(_BESIDE_SIZE * large), bold=True), anchor="lm")
    box = (to[0] - radius, to[1] - radius, to[0] + radius, to[1] + radius)
    pen.ellipse(box, fill=INK if firm else WHITE, outline=WHITE if firm else INK, width=3)
    fill = WHITE if firm else INK
    pen.text(to, text, fill, font(round(28 * large), bold=True), anchor="mm")


def sign_reach(pen: ImageDraw.ImageDraw, beside: str, large: float = 1.0) -> float:
    """How far a number's sign reaches to either side with words beside it, in pixels."""
    if not beside:
        return 0.0
    words = pen.textlength(beside, font(round(_BESIDE_SIZE * large), bold=True))
    return 0.5 * (42 * large + words + 22)


def name_sign(
    pen: ImageDraw.ImageDraw, at: tuple[float, float], to: tuple[float, float], text: str
) -> None:
    """Words on a white field round `to`, with a leader to `at`."""
    half, tall = 0.5 * pen.textlength(text, font(_NAME_SIZE)) + 10, 19
    pen.line((*at, *to), fill=WHITE, width=7)
    pen.line((*at, *to), fill=INK, width=2)
    pen.ellipse((at[0] - 5, at[1] - 5, at[0] + 5, at[1] + 5), fill=INK, outline=WHITE, width=2)
    box = (to[0] - half, to[1] - tall, to[0] + half, to[1] + tall)
    pen.rounded_rectangle(box, radius=8, fill=WHITE, outline=INK, width=2)
    pen.text(to, text, INK, font(_NAME_SIZE), anchor="mm")


def name_width(pen: ImageDraw.ImageDraw, text: str) -> float:
    """How wide the words of a `name_sign` are, in pixels."""
    return pen.textlength(text, font(_NAME_SIZE))
