"""The bands of the map: wine, porcelain, blue, with a hard break at each limit."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from veneercheck.core.types import Bools, FindingKind, Floats, Ints, Region

Rgb = tuple[int, int, int]

WINE: tuple[Rgb, Rgb] = ((0x2C, 0x06, 0x18), (0x8C, 0x2A, 0x44))
"""Too thin, from metal almost bare (dark: it would show through) up to the least layer."""

PORCELAIN: tuple[Rgb, Rgb] = ((0xC0, 0x95, 0x4C), (0xF8, 0xF0, 0xD2))
"""Enough, from the least to the greatest layer, in steps of even lightness."""

BLUE: tuple[Rgb, Rgb] = ((0x5A, 0x93, 0xBE), (0x2F, 0x6F, 0x9F))
"""Too thick, from the greatest layer upward."""

CALM_THIN: Rgb = (0xDD, 0xAE, 0xA4)
CALM_THICK: Rgb = (0xA9, 0xC6, 0xDA)
"""Undecided: within its uncertainty of a limit, which a good cut may be. No alarm."""

PLASTER: Rgb = (0xF3, 0xF4, 0xF4)
"""Meant for veneer but not measured."""

TAKE_OFF: tuple[Rgb, Rgb] = ((0xF0, 0xD3, 0xDA), (0x5A, 0x12, 0x2C))
"""The least to the most to take off."""

ADD: tuple[Rgb, Rgb] = ((0xD6, 0xE6, 0xF1), (0x12, 0x3F, 0x66))
"""The least to the most to add."""

PLAIN: Rgb = (0xF8, 0xF3, 0xE8)
"""Veneered, and nothing to be done."""

METAL: Rgb = (0xC3, 0xC8, 0xCC)
"""Not veneered: bare metal, fitting surface or model; no finding stands there."""

INK: Rgb = (0x1A, 0x1A, 0x1A)
"""Limit lines, zone edges, words."""

DOTS: Rgb = (0x0A, 0x21, 0x3D)
"""The dots on too thick."""

THICK_SPAN_MM = 1.0
"""How far above the greatest layer the blue reaches its end; thicker keeps the last colour."""


STEP_MM, WIDE_STEP_MM = 0.25, 0.5
"""Steps in which what is enough can be read; the wide one where there were too many others."""

_MOST_STEPS = 8
"""More of them could not be told apart: their lightness would differ by less than 4."""

_SLIVER = 0.2
"""A step narrower than this share of the others is one with its neighbour."""

AMOUNT_STEP_MM = 0.1
"""What the knife or the wax can follow."""

_LEAST_STEPS, _MOST_AMOUNT_STEPS = 4, 10
"""The scale of amounts holds at least and at most so many steps; what is more keeps the last."""

NOTHING_MM = 0.02
"""Amounts below this are drawn as nothing: no hand works so finely."""

ASIDE_MM = 1e-3
"""Puts a judged vertex on its side of a limit; far below what anybody reads off a colour."""

_LEAST_SPAN_MM = 1e-6
"""Two limits may coincide; a band of no width has one colour."""


@dataclasses.dataclass(frozen=True, slots=True)
class Bands:
    """The limits that divide the map, in mm of layer.

    Parameters
    ----------
    least_mm, greatest_mm : float
        From the profile in force.
    """

    least_mm: float
    greatest_mm: float

    @staticmethod
    def of(document: Mapping[str, Any]) -> Bands:
        """The bands of a filed document."""
        layer = document["profile"]["layer"]
        return Bands(float(layer["least_mm"]), float(layer["greatest_mm"]))

    @property
    def top_mm(self) -> float:
        """Where the last ramp ends."""
        return self.greatest_mm + THICK_SPAN_MM

    @property
    def edges_mm(self) -> tuple[float, ...]:
        """Where the steps of what is enough begin and end, the limits included."""
        step = (
            STEP_MM if self.greatest_mm - self.least_mm <= _MOST_STEPS * STEP_MM else WIDE_STEP_MM
        )
        first, last = self.least_mm / step + _SLIVER, self.greatest_mm / step - _SLIVER
        between = (step * at for at in range(math.ceil(first), math.floor(last) + 1))
        return (self.least_mm, *between, self.greatest_mm)

    @property
    def bounds_mm(self) -> tuple[float, float]:
        """Where strong lines run: at the limits."""
        return self.least_mm, self.greatest_mm

    @property
    def levels_mm(self) -> tuple[float, ...]:
        """Where thin lines run: between two steps."""
        return self.edges_mm[1:-1]

    @property
    def tones(self) -> npt.NDArray[np.float32]:
        """The colour of each step, shape (k, 3), 0…255, their lightness evenly apart."""
        edges = np.asarray(self.edges_mm)
        middle = 0.5 * (edges[1:] + edges[:-1])
        return _between(middle, self.least_mm, self.greatest_mm, PORCELAIN)

    def colours(self, layer_mm: npt.ArrayLike) -> npt.NDArray[np.float32]:
        """Colour of a layer, as `ramp` gives it."""
        return ramp(layer_mm, self)

    def patterned(self, layer_mm: npt.NDArray[np.float32]) -> tuple[Bools, Bools]:
        """Where lines lie over the colour (too thin), and where dots (too thick)."""
        return layer_mm < self.least_mm, layer_mm > self.greatest_mm


@dataclasses.dataclass(frozen=True, slots=True)
class Amounts:
    """The steps in which the amounts to take off and to add are drawn.

    Parameters
    ----------
    most_mm : float
        The largest amount of the map, of either kind.
    """

    most_mm: float

    @property
    def steps(self) -> int:
        """How many steps the scale holds on either side."""
        asked = math.ceil(self.most_mm / AMOUNT_STEP_MM - 1e-6)
        return min(max(asked, _LEAST_STEPS), _MOST_AMOUNT_STEPS)

    @property
    def bounds_mm(self) -> tuple[float, float]:
        """Where strong lines run: round what is to be done."""
        return NOTHING_MM, -NOTHING_MM

    @property
    def end_mm(self) -> float:
        """Where the scale ends on either side."""
        return AMOUNT_STEP_MM * self.steps

    @property
    def levels_mm(self) -> tuple[float, ...]:
        """Where thin lines run: between two steps, those to add negative."""
        above = [AMOUNT_STEP_MM * at for at in range(1, self.steps)]
        return (*(-level for level in reversed(above)), *above)

    @property
    def tones(self) -> npt.NDArray[np.float32]:
        """Colours of the steps to take off, then of those to add, shape (2 k, 3), 0…255."""
        middle = (np.arange(self.steps, dtype=np.float32) + 0.5) / self.steps
        return np.concatenate([_between(middle, 0.0, 1.0, ends) for ends in (TAKE_OFF, ADD)])

    def colours(self, amount_mm: npt.ArrayLike) -> npt.NDArray[np.float32]:
        """Colour of an amount: to take off, negative to add, NaN not measured; shape (n, 3)."""
        amount = np.asarray(amount_mm, dtype=np.float32)
        known = np.nan_to_num(amount)
        step = np.minimum(np.abs(known) / AMOUNT_STEP_MM, self.steps - 1).astype(np.intp)
        rgb = self.tones[step + np.where(known < 0.0, self.steps, 0)]
        rgb[np.abs(known) < NOTHING_MM] = PLAIN
        rgb[np.isnan(amount)] = PLASTER
        return rgb

    def patterned(self, amount_mm: npt.NDArray[np.float32]) -> tuple[Bools, Bools]:
        """Where lines lie over the colour (take off), and where dots (add)."""
        return amount_mm >= NOTHING_MM, amount_mm <= -NOTHING_MM


def taken_mm(document: Mapping[str, Any]) -> float:
    """What opaquer and beads take of the space, from a filed document."""
    allowance = document["profile"]["allowance"]
    return float(allowance["opaquer_mm"]) + float(allowance["beads_mm"])


def ramp(layer_mm: npt.ArrayLike, bands: Bands) -> npt.NDArray[np.float32]:
    """Colour of a layer.

    Parameters
    ----------
    layer_mm : array_like, shape (n,)
        NaN gives plaster.
    bands : Bands

    Returns
    -------
    ndarray of float32, shape (n, 3)
        Red, green, blue, 0…255.

    Examples
    --------
    >>> ramp([0.0, 9.0], Bands(1.0, 2.0)).tolist()
    [[44.0, 6.0, 24.0], [47.0, 111.0, 159.0]]
    """
    layer = np.asarray(layer_mm, dtype=np.float32)
    rgb = np.empty((*layer.shape, 3), dtype=np.float32)
    rgb[...] = PLASTER
    thin, thick = layer < bands.least_mm, layer > bands.greatest_mm
    enough = np.isfinite(layer) & ~thin & ~thick
    for where, low, high, ends in (
        (thin, 0.0, bands.least_mm, WINE),
        (thick, bands.greatest_mm, bands.top_mm, BLUE),
    ):
        rgb[where] = _between(layer[where], low, high, ends)
    step = np.searchsorted(np.asarray(bands.levels_mm, dtype=np.float32), layer[enough], "right")
    rgb[enough] = bands.tones[step]
    return rgb


def _between(
    layer: npt.NDArray[np.floating[Any]], low: float, high: float, ends: tuple[Rgb, Rgb]
) -> npt.NDArray[np.float32]:
    first, last = (np.asarray(end, dtype=np.float32) for end in ends)
    along = np.clip((layer - low) / max(high - low, _LEAST_SPAN_MM), 0.0, 1.0)[:, None]
    return np.asarray(first + along * (last - first), dtype=np.float32)


def veneered(region: Ints, finding: Ints) -> Bools:
    """Vertices whose layer is judged: cut surface, its finish-line band, and over contour."""
    meant = np.isin(region, (Region.CUT, Region.FINISH_LINE_BAND))
    return np.asarray(meant | (finding == FindingKind.OVER_CONTOUR), dtype=np.bool_)


def readable_layer(layer_mm: Floats, nearest_mm: Floats, taken_mm: float) -> Floats:
    """The layer along the ray, else what the nearest contour leaves, shape (n,), mm.

    Where the ray grazes or misses (the wall of a chamfer), the judgement reads the nearest
    contour; only a vertex without either is shown as not measured.
    """
    return np.where(np.isfinite(layer_mm), layer_mm, nearest_mm - taken_mm)


def shown_layer(layer_mm: Floats, finding: Ints, bands: Bands) -> Floats:
    """The layer as the map colours it, shape (n,), mm: always on the side the judgement took.

    Judged are more readings than the layer along the ray; an undecided zone may lie a little
    within its limit; in the finish-line band the least layer grows from nothing; the flank of a
    spot left uncut belongs to the question about it. So a vertex with a finding takes its
    finding's side, and one without is shown as enough, at the end of the band next to its value.
    """
    none = finding == FindingKind.NONE
    thin = (finding == FindingKind.TOO_THIN) | (finding == FindingKind.OVER_CONTOUR)
    enough = np.clip(layer_mm, bands.least_mm + ASIDE_MM, bands.greatest_mm - ASIDE_MM)
    shown = np.where(none, enough, layer_mm)
    shown = np.where(thin, np.minimum(shown, bands.least_mm - ASIDE_MM), shown)
    thick = finding == FindingKind.TOO_THICK
    return np.where(thick, np.maximum(shown, bands.greatest_mm + ASIDE_MM), shown)


def calmed(shown_mm: Floats, plain: Bools, average: Callable[[Floats], Floats]) -> Floats:
    """The shown layer, where nothing was found evened among its like, shape (n,), mm.

    The noise of a scan would fray every line between two steps.

    Parameters
    ----------
    shown_mm : ndarray, shape (n,)
    plain : ndarray of bool, shape (n,)
        Meant for veneer, read, and without a finding.
    average : callable
        The mean of a value over a vertex's neighbours.
    """
    share = average(plain.astype(np.float64))
    mean = average(np.where(plain, shown_mm, 0.0)) / np.maximum(share, ASIDE_MM)
    return np.where(plain, mean, shown_mm)


def vertex_colours(
    layer_mm: Floats, region: Ints, finding: Ints, bands: Bands
) -> npt.NDArray[np.uint8]:
    """Colour of every vertex for any viewer of coloured meshes, shape (n, 3)."""
    colours = ramp(shown_layer(layer_mm, finding, bands), bands)
    colours[~veneered(region, finding)] = METAL
    return np.asarray(np.rint(colours), dtype=np.uint8)
