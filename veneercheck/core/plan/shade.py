"""How far a layer's shade is off full depth, from a laboratory's own step wedge and nothing else.

Notes
-----
Choice: a monotone curve (PCHIP) through the laboratory's own steps, on its own opaquer. Instead of:
two-flux models of absorption and scatter, which need more measurements and came out less true (doi
10.1016/j.dental.2024.07.013). Cost: no shade is told for a layer thinner than the thinnest step,
and none at all without a wedge.
"""

from __future__ import annotations

import dataclasses

import numpy as np

from veneercheck.core.types import Floats

PERCEPTIBLE, ACCEPTABLE = 0.8, 1.8
"""Difference that half of the observers see, and that half accept: ΔE00, Paravina et al. 2015."""

LEAST_STEPS = 4
"""Two ends, and two between them that can be left out to see what the curve is worth."""


@dataclasses.dataclass(frozen=True, slots=True)
class UnitShade:
    """How far the shade of one unit is off full depth, ΔE00; shares are of its veneered area.

    Parameters
    ----------
    unit : str
    median, worst : float
        NaN where every layer is thinner than the wedge; `worst` leaves out one twentieth.
    beyond_acceptable, beyond_perceptible : float
        Share whose shade is off by more.
    not_known : float
        Share whose layer is thinner than the thinnest step.
    """

    unit: str
    median: float
    worst: float
    beyond_acceptable: float
    beyond_perceptible: float
    not_known: float


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Wedge:
    """A step wedge of one composite on one opaquer, as it was measured.

    Parameters
    ----------
    thickness_mm : ndarray, shape (k,)
        Increasing; at least `LEAST_STEPS`.
    lab : ndarray, shape (k, 3)
        L*, a*, b* of each step (CIE 1976).
    """

    thickness_mm: Floats
    lab: Floats

    def colour(self, layer_mm: Floats) -> Floats:
        """L*, a*, b* over a layer, shape (n, 3); NaN below the thinnest step.

        What is thicker than the thickest step looks as that does.
        """
        return _curve(self.thickness_mm, self.lab, layer_mm)

    def off_full_depth(self, layer_mm: Floats) -> Floats:
        """ΔE00 between a layer's colour and that of the thickest step, shape (n,)."""
        return ciede2000(self.colour(layer_mm), self.lab[-1])

    def error(self) -> float:
        """Largest ΔE00 by which the curve through all other steps misses an inner one.

        It spans twice the distance between steps there, so it is rather too large than too small.
        """
        return float(max(self._missed(k) for k in range(1, len(self.thickness_mm) - 1)))

    def _missed(self, k: int) -> float:
        rest = np.arange(len(self.thickness_mm)) != k
        guess = _curve(self.thickness_mm[rest], self.lab[rest], self.thickness_mm[[k]])
        return float(ciede2000(guess, self.lab[k])[0])


def unit_shade(unit: str, off: Floats, area_mm2: Floats) -> UnitShade:
    """Sum up one unit: ΔE00 of its vertices, NaN where not known, and their areas, shape (n,)."""
    total = float(area_mm2.sum())
    known = np.isfinite(off)
    order = np.argsort(off[known])
    ranked, weight = off[known][order], np.cumsum(area_mm2[known][order])

    def quantile(share: float) -> float:
        if not len(ranked):
            return float("nan")
        return float(ranked[min(int(np.searchsorted(weight, share * weight[-1])), len(ranked) - 1)])

    def beyond(limit: float) -> float:
        return float(area_mm2[known & (off > limit)].sum()) / total

    return UnitShade(
        unit,
        quantile(0.5),
        quantile(0.95),
        beyond(ACCEPTABLE),
        beyond(PERCEPTIBLE),
        float(area_mm2[~known].sum()) / total,
    )


def ciede2000(one: Floats, other: Floats) -> Floats:
    """Colour difference ΔE00 between L*, a*, b* of shape (n, 3) or (3,).

    Source: ISO/CIE 11664-6, in the order of Sharma, Wu and Dalal, Color Res Appl 2005;30:21-30.
    """
    one, other = np.broadcast_arrays(np.atleast_2d(one), np.atleast_2d(other))
    light = 0.5 * (one[:, 0] + other[:, 0])
    chroma = 0.5 * (np.hypot(one[:, 1], one[:, 2]) + np.hypot(other[:, 1], other[:, 2]))
    stretch = 1.5 - 0.5 * np.sqrt(_seventh(chroma))
    (c1, h1), (c2, h2) = ((_polar(lab, stretch)) for lab in (one, other))
    mean_c = 0.5 * (c1 + c2)
    grey = c1 * c2 == 0.0
    turn = (h2 - h1 + 180.0) % 360.0 - 180.0
    turn = np.where((turn == -180.0) & (h2 > h1), 180.0, turn)
    d_h = np.where(grey, 0.0, 2.0 * np.sqrt(c1 * c2) * _sin(0.5 * turn))
    far = np.abs(h1 - h2) > 180.0
    hue = 0.5 * (h1 + h2 + np.where(far, np.where(h1 + h2 < 360.0, 360.0, -360.0), 0.0))
    hue = np.where(grey, h1 + h2, hue)
    waves = (
        1.0
        - 0.17 * _cos(hue - 30.0)
        + 0.24 * _cos(2.0 * hue)
        + 0.32 * _cos(3.0 * hue + 6.0)
        - 0.20 * _cos(4.0 * hue - 63.0)
    )
    bend = (light - 50.0) ** 2
    by_light = (other[:, 0] - one[:, 0]) / (1.0 + 0.015 * bend / np.sqrt(20.0 + bend))
    by_chroma = (c2 - c1) / (1.0 + 0.045 * mean_c)
    by_hue = d_h / (1.0 + 0.015 * mean_c * waves)
    blue = 30.0 * np.exp(-(((hue - 275.0) / 25.0) ** 2))
    mixed = -2.0 * np.sqrt(_seventh(mean_c)) * _sin(2.0 * blue) * by_chroma * by_hue
    found: Floats = np.sqrt(by_light**2 + by_chroma**2 + by_hue**2 + mixed)
    return found


def _curve(thickness_mm: Floats, lab: Floats, layer_mm: Floats) -> Floats:
    from scipy.interpolate import PchipInterpolator

    layer = np.minimum(layer_mm, thickness_mm[-1])
    found: Floats = PchipInterpolator(thickness_mm, lab, extrapolate=False)(layer)
    return found


def _seventh(chroma: Floats) -> Floats:
    power: Floats = chroma**7
    return power / (power + 25.0**7)


def _polar(lab: Floats, stretch: Floats) -> tuple[Floats, Floats]:
    """Chroma and hue (degrees) with the a* axis stretched."""
    a = stretch * lab[:, 1]
    return np.hypot(a, lab[:, 2]), np.degrees(np.arctan2(lab[:, 2], a)) % 360.0


def _sin(degrees: Floats) -> Floats:
    return np.asarray(np.sin(np.radians(degrees)))


def _cos(degrees: Floats) -> Floats:
    return np.asarray(np.cos(np.radians(degrees)))
