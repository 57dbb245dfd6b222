"""Which stretch of the bridge's axis is which tooth: valleys of its cross-section."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping

import numpy as np

from veneercheck.core.divide.anatomy.arch import Axis
from veneercheck.core.divide.anatomy.codes import usual_width_mm
from veneercheck.core.types import Bools, Floats, Ints

_STEP_MM = 0.25
"""Where valleys may lie: finer than a fissure is wide."""

_AROUND_MM = 4.0
"""Half a tooth: within it on both sides lie the crests that a valley is measured against."""

_HEIGHT_SHARE = 1.0
"""A fall of the top by a share of its height counts as much as the same of the width."""

_HEIGHT_MM = 8.0
"""Usual height of a crown: a fall of the top counts in shares of it."""

_HINT = 0.6
"""Weight of the usual widths beside the valleys: a tooth half as wide again as it should be costs
as much as a valley that lets the width fall by 15 % only."""

_OUTLINE_MM = 0.5
"""The outline is that of the crowns' upper parts: so much farther a crown bulges below."""

_NARROWEST, _WIDEST = 0.45, 1.8
"""No tooth is expected beyond these shares of its usual width."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Teeth:
    """The units of a bridge along its axis.

    Parameters
    ----------
    axis : Axis
        Run through so that buccal is on its left.
    codes : tuple of int
        In the order of arc length; one 0 if the case names none.
    cuts_mm : ndarray, shape (k − 1,)
        Arc lengths at the valleys.
    left_mm, right_mm, top_mm : ndarray, shape (k,)
        Outline and greatest height of each crown.
    cost : float
        How badly valleys and usual widths agree; to compare orders.
    necks : tuple of float
        Section at each cut beside its crests nearby: about 1 where there is no neck.
    lettered : bool
        It does not show surely which side is buccal: side A lies on the axis' left, and units
        without a code are counted from end A, where arc length is greatest.
    """

    axis: Axis
    codes: tuple[int, ...]
    cuts_mm: Floats
    left_mm: Floats
    right_mm: Floats
    top_mm: Floats
    cost: float
    necks: tuple[float, ...] = ()
    lettered: bool = False

    @property
    def names(self) -> tuple[str, ...]:
        """What each unit is called: its code, or such as «A1»; empty where neither is known."""
        counted = range(len(self.codes), 0, -1)
        several = self.lettered and len(self.codes) > 1
        other = [f"A{number}" if several else "" for number in counted]
        return tuple(str(code) if code else o for code, o in zip(self.codes, other, strict=True))

    def index_at(self, along_mm: Floats) -> Ints:
        """Which unit a place along the axis belongs to, shape (n,)."""
        return np.searchsorted(self.cuts_mm, along_mm).astype(np.int64)

    def within(self, points_mm: Floats) -> Bools:
        """Places no farther than half a millimetre outside the crowns' outline, shape (n,)."""
        along, across, _ = self.axis.locate(points_mm).T
        low, high = self.axis.ends_mm
        unit = self.index_at(along)
        out = np.maximum(low - along, along - high)
        out = np.maximum(out, np.maximum(self.right_mm[unit] - across, across - self.left_mm[unit]))
        return np.asarray(out <= _OUTLINE_MM)

    def ends_mm(self) -> tuple[Floats, Floats]:
        """Arc lengths where each unit begins and ends, each of shape (k,)."""
        low, high = self.axis.ends_mm
        return np.append(low, self.cuts_mm), np.append(self.cuts_mm, high)


def split(
    axis: Axis,
    codes: tuple[int, ...],
    crowns_mm: Floats,
    known_mm: Mapping[int, float] | None = None,
) -> Teeth:
    """Divide the axis at the valleys of the cross-section.

    Parameters
    ----------
    axis : Axis
    codes : tuple of int
        In the order of arc length.
    crowns_mm : ndarray, shape (m, 3)
        Points of the crowns' upper parts as `Axis.locate` gives them.
    known_mm : mapping, optional
        Arc length of a point on a tooth, by its code: the cuts go round it.

    Returns
    -------
    Teeth

    Notes
    -----
    Dynamic programming over all sets of cuts: least sum of the cross-section at the cuts and of
    the squared departures of the teeth's widths from the usual ones, scaled to the bridge.
    """
    cuts, cost, necks = _best_cuts(axis, codes, crowns_mm, known_mm or {})
    index = np.searchsorted(cuts, crowns_mm[:, 0])
    spans = [crowns_mm[index == k] for k in range(len(codes))]
    spans = [span if len(span) else crowns_mm for span in spans]
    return Teeth(
        axis,
        codes,
        cuts,
        np.array([np.quantile(span[:, 1], 0.995) for span in spans]) + 0.5 * _STEP_MM,
        np.array([np.quantile(span[:, 1], 0.005) for span in spans]) - 0.5 * _STEP_MM,
        np.array([np.quantile(span[:, 2], 0.99) for span in spans]),
        cost,
        necks,
    )


def _best_cuts(
    axis: Axis, codes: tuple[int, ...], crowns_mm: Floats, known_mm: Mapping[int, float]
) -> tuple[Floats, float, tuple[float, ...]]:
    if len(codes) == 1:
        return np.zeros(0), 0.0, ()
    low, high = axis.ends_mm
    usual = np.array([usual_width_mm(code) for code in codes])
    expected = usual * (high - low) / usual.sum()
    places = np.arange(low, high, _STEP_MM) + 0.5 * _STEP_MM
    section = _section(crowns_mm, low, len(places))
    gap = places[:, None] - places
    barred = _barred(places, codes, known_mm)
    total = section + barred[0] + _strain(places - low, expected[0])
    steps = []
    for width, closed in zip(expected[1:-1], barred[1:], strict=True):
        ways = total + _strain(gap, width)
        steps.append(ways.argmin(axis=1))
        total = section + closed + ways.min(axis=1)
    total = total + _strain(high - places, expected[-1])
    chosen = [int(total.argmin())]
    for step in reversed(steps):
        chosen.append(int(step[chosen[-1]]))
    chosen.reverse()
    necks = tuple(section[chosen].tolist())
    return places[chosen], float(total.min()) / len(necks), necks


def _barred(places: Floats, codes: tuple[int, ...], known_mm: Mapping[int, float]) -> Floats:
    """Infinite where a cut would part a tooth from its known point, shape (k − 1, count)."""
    barred = np.zeros((len(codes) - 1, len(places)))
    for index, code in enumerate(codes):
        if code in known_mm:
            barred[:index, places > known_mm[code]] = np.inf
            barred[index:, places < known_mm[code]] = np.inf
    return barred


def _strain(width_mm: Floats, expected_mm: float) -> Floats:
    share = width_mm / expected_mm
    strain = _HINT * (share - 1.0) ** 2
    return np.where((share > _NARROWEST) & (share < _WIDEST), strain, np.inf)


def _section(crowns_mm: Floats, low_mm: float, count: int) -> Floats:
    """Width and top of the cross-section beside their crests nearby, shape (count,)."""
    place = ((crowns_mm[:, 0] - low_mm) / _STEP_MM).astype(np.int64)
    inside = (place >= 0) & (place < count)
    place, points = place[inside], crowns_mm[inside]
    left, right, top = np.full((3, count), np.nan)
    np.fmax.at(left, place, points[:, 1])
    np.fmin.at(right, place, points[:, 1])
    np.fmax.at(top, place, points[:, 2])
    width, top = _filled(left - right), _filled(top)
    fall = (_crest(top) - top) / _HEIGHT_MM
    return width / _crest(width) - _HEIGHT_SHARE * fall


def _filled(values: Floats) -> Floats:
    """Gaps filled from their neighbours, and the whole smoothed over three steps."""
    known = np.flatnonzero(np.isfinite(values))
    full = np.interp(np.arange(len(values)), known, values[known])
    padded = np.pad(full, 1, mode="edge")
    return (padded[:-2] + padded[1:-1] + padded[2:]) / 3.0


def _crest(values: Floats) -> Floats:
    reach = int(_AROUND_MM / _STEP_MM)
    padded = np.pad(values, reach, mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1)
    return np.asarray(windows.max(axis=1))
