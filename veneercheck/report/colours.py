"""The bands of the map: wine, porcelain, blue, with a hard break at each limit."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from veneercheck.core.types import Bools, FindingKind, Floats, Ints, Region

Rgb = tuple[int, int, int]

WINE: tuple[Rgb, Rgb] = ((0x2C, 0x06, 0x18), (0x8C, 0x2A, 0x44))
"""Too thin, from metal almost bare (dark: it would show through) up to the least layer."""

PORCELAIN: tuple[Rgb, Rgb] = ((0xC9, 0xAE, 0x7C), (0xEF, 0xE1, 0xC0))
"""Enough, from the least to the greatest layer."""

BLUE: tuple[Rgb, Rgb] = ((0x6A, 0xA3, 0xCC), (0x2F, 0x6F, 0x9F))
"""Too thick, from the greatest layer upward."""

PLASTER: Rgb = (0xF3, 0xF4, 0xF4)
"""Meant for veneer but not measured."""

METAL: Rgb = (0xC3, 0xC8, 0xCC)
"""Not veneered: bare metal, fitting surface or model; no finding stands there."""

INK: Rgb = (0x1A, 0x1A, 0x1A)
"""Limit lines, zone edges, words."""

DOTS: Rgb = (0x0A, 0x21, 0x3D)
"""The dots on too thick."""

THICK_SPAN_MM = 1.0
"""How far above the greatest layer the blue reaches its end; thicker keeps the last colour."""


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
    >>> ramp([1.0], Bands(1.0, 2.0)).tolist()
    [[201.0, 174.0, 124.0]]
    """
    layer = np.asarray(layer_mm, dtype=np.float32)
    rgb = np.empty((*layer.shape, 3), dtype=np.float32)
    rgb[...] = PLASTER
    thin, thick = layer < bands.least_mm, layer > bands.greatest_mm
    enough = np.isfinite(layer) & ~thin & ~thick
    for where, low, high, ends in (
        (thin, 0.0, bands.least_mm, WINE),
        (enough, bands.least_mm, bands.greatest_mm, PORCELAIN),
        (thick, bands.greatest_mm, bands.top_mm, BLUE),
    ):
        rgb[where] = _between(layer[where], low, high, ends)
    return rgb


def _between(
    layer: npt.NDArray[np.float32], low: float, high: float, ends: tuple[Rgb, Rgb]
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


def vertex_colours(
    layer_mm: Floats, region: Ints, finding: Ints, bands: Bands
) -> npt.NDArray[np.uint8]:
    """Colour of every vertex for any viewer of coloured meshes, shape (n, 3)."""
    colours = ramp(shown_layer(layer_mm, finding, bands), bands)
    colours[~veneered(region, finding)] = METAL
    return np.asarray(np.rint(colours), dtype=np.uint8)
