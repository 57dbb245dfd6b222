"""Thin lines between the steps of a map, and their figures, placed so that none covers another."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from veneercheck.core.mesh.sections import crossing
from veneercheck.core.types import Floats, Ints
from veneercheck.report.colours import INK, PORCELAIN, Amounts
from veneercheck.report.drawing import facing, font, visible
from veneercheck.report.surface import Surface
from veneercheck.report.views import Camera
from veneercheck.report.words import Words

if TYPE_CHECKING:
    from PIL import ImageDraw

LINE_PX = 1.2
"""Thinner than the lines of limits, which must stand out among these."""

_SIZE_PX, _HALO_PX = 22, 3
_CELL_PX = 56
"""A figure is sought in squares of this size, through which its line passes once."""

_LEAST_LINE_PX, _MOST_LINE_PX = 38.0, 90.0
"""Length of line in such a square: less is a dot, more is a tangle that no figure would suit."""

_LEAST_REACH_PX = 17.0
"""How far the line reaches from its middle there."""

_LIKE_APART_PX = 300.0
"""The same figure stands again only so far away."""

_APART_PX, _EDGE_PX = 8.0, 12.0


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Level:
    """A line of equal value: pieces of shape (k, 2, 3) in mm, and their triangles (k,)."""

    value_mm: float
    pieces_mm: Floats
    face: Ints


Box = tuple[float, float, float, float]
"""Left, top, right, bottom in pixels."""


def levels_of(surface: Surface) -> tuple[Level, ...]:
    """The lines between the steps of what a surface shows."""
    meant = surface.veneer[surface.mesh.faces].mean(axis=1) >= 0.5
    found = []
    for value in surface.scale.levels_mm:
        line = crossing(surface.mesh, surface.shown_mm, value, meant)
        found.append(Level(value, line.at(surface.mesh.points_mm), line.face))
    return tuple(found)


def figures(
    pen: ImageDraw.ImageDraw,
    surface: Surface,
    camera: Camera,
    depth_mm: npt.NDArray[np.float32],
    levels: Sequence[Level],
    *,
    taken: Sequence[Box],
    words: Words,
    large: float = 1.0,
) -> list[Box]:
    """Write each line's figure on it where there is room, and tell where they stand."""
    boxes: list[Box] = []
    digits = 1 if isinstance(surface.scale, Amounts) else 2
    size = round(_SIZE_PX * large)
    for level in levels:
        text = words.number(abs(level.value_mm), digits)
        half = 0.5 * pen.textlength(text, font(size, bold=True))
        like: list[tuple[float, float]] = []
        for x, y in _places(surface, camera, depth_mm, level):
            box = (x - half, y - 0.5 * size, x + half, y + 0.5 * size)
            if not _inside(box, camera) or any(_meet(box, other) for other in (*taken, *boxes)):
                continue
            if any(math.dist((x, y), other) < _LIKE_APART_PX for other in like):
                continue
            like.append((x, y))
            boxes.append(box)
            pen.text(
                (x, y), text, INK, font(size, bold=True), anchor="mm",
                stroke_width=_HALO_PX, stroke_fill=PORCELAIN[1],
            )  # fmt: skip
    return boxes


def _places(
    surface: Surface, camera: Camera, depth_mm: npt.NDArray[np.float32], level: Level
) -> list[tuple[float, float]]:
    """Where a figure may stand on its line: in squares that it passes once, longest first."""
    seen = visible(camera, depth_mm, facing(surface, camera, level.pieces_mm, level.face))
    if not len(seen):
        return []
    ends = seen.reshape(-1, 2, 2)
    middle, length = ends.mean(axis=1), np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1)
    cell = np.floor(middle / _CELL_PX)
    _, own = np.unique(cell, axis=0, return_inverse=True)
    own = own.reshape(-1)
    total = np.bincount(own, length)
    share = length / np.maximum(total, 1e-9)[own]
    mean = np.stack([np.bincount(own, share * middle[:, k]) for k in (0, 1)], axis=1)
    off = np.linalg.norm(middle - mean[own], axis=1)
    reach = np.zeros(len(total))
    np.maximum.at(reach, own, off)
    # A speck is all length and no reach: its figure would cover it whole.
    fit = (total >= _LEAST_LINE_PX) & (total <= _MOST_LINE_PX) & (reach >= _LEAST_REACH_PX)
    order = np.lexsort((off, own))
    nearest = order[np.searchsorted(own[order], np.arange(len(total)))]
    ranked = nearest[np.argsort(-total, kind="stable")]
    ranked = ranked[fit[own[ranked]]]
    return [(float(x), float(y)) for x, y in middle[ranked]]


def _inside(box: Box, camera: Camera) -> bool:
    left, top, right, bottom = box
    return (
        left > _EDGE_PX
        and top > _EDGE_PX
        and right < camera.width - _EDGE_PX
        and bottom < camera.height - _EDGE_PX
    )


def _meet(one: Box, other: Box) -> bool:
    return (
        one[0] < other[2] + _APART_PX
        and other[0] < one[2] + _APART_PX
        and one[1] < other[3] + _APART_PX
        and other[1] < one[3] + _APART_PX
    )
