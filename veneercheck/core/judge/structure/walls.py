"""Metal under the veneer that is thinner than it may be, where its other side is known.

Notes
-----
A layer may be right over metal that is not: then no zone speaks of it. Choice: the mean of the
thinnest quarter of a square millimetre of every thin patch, firm where it lies below the least
metal by its uncertainty. Instead of: the budget of zones alone, which is asked only where the layer
falls short. Cost: cut crests and fins, behind which a ray leaves through the cut again, are not
judged, nor is the finish line's band, nor what lies within 1.2 mm of a margin.
"""

from __future__ import annotations

import math

import numpy as np

from veneercheck.core.divide.excess import GUARD
from veneercheck.core.judge.structure.spots import patches
from veneercheck.core.types import (
    THIN_METAL,
    WAX,
    Bools,
    Floats,
    Ints,
    Limits,
    PlaceWords,
    Spot,
    Weight,
)


def thin_metal(
    points_mm: Floats,
    metal_mm: Floats,
    *,
    edges: Ints,
    area_mm2: Floats,
    veneered: Bools,
    u_mm: float,
    limits: Limits,
    told: PlaceWords,
    stage: str,
) -> tuple[Spot, ...]:
    """Find patches of veneered metal that are thinner than the least.

    Parameters
    ----------
    points_mm : ndarray, shape (n, 3)
    metal_mm : ndarray, shape (n,)
        Thickness under every vertex; NaN where it is not known, or no wall's.
    edges : ndarray of int64, shape (e, 2)
    area_mm2 : ndarray, shape (n,)
    veneered : ndarray of bool, shape (n,)
        Cut surface off the scan's rims and the margins.
    u_mm : float
        Standard uncertainty of a mean over so small a patch.
    limits : Limits
    told : callable
    stage : str
        Of the work: what can be done depends on it.

    Returns
    -------
    tuple of Spot
        The largest first.
    """
    limit_mm = limits.least_metal_mm
    thin = veneered & (np.nan_to_num(metal_mm, nan=math.inf) < limit_mm)
    found = []
    for patch in patches(thin, edges):
        area = area_mm2[patch]
        if area.sum() < limits.smallest_zone_mm2:
            continue
        value_mm = _thinnest_mm(metal_mm[patch], area, limits.smallest_zone_mm2)
        tooth, surface, place = told(patch)
        x, y, z = np.average(points_mm[patch], axis=0, weights=area)
        firm = value_mm + GUARD * u_mm < limit_mm
        words = (
            f"{place or 'under the veneer'}: {value_mm:.2f} mm of metal, at least {limit_mm:.2f} mm"
            f" is required. {_MORE_WAX if stage == WAX else _MORE_METAL}"
        )
        found.append(
            Spot(
                THIN_METAL,
                tooth,
                surface,
                place,
                value_mm,
                u_mm,
                limit_mm,
                float(area.sum()),
                (float(x), float(y), float(z)),
                Weight.FINDING if firm else Weight.UNDECIDED,
                words,
            )
        )
    return tuple(sorted(found, key=lambda spot: -spot.size))


_MORE_WAX = (
    "Add wax where the layer has room to spare; elsewhere only the contour or the preparation "
    "can give the room."
)
_MORE_METAL = (
    "Only where the layer has room to spare can metal be added; else the contour must give the "
    "room, or the work is made anew."
)


def _thinnest_mm(metal_mm: Floats, area_mm2: Floats, least_mm2: float) -> float:
    """Mean of the thinnest part of a patch, as large as the smallest zone."""
    order = np.argsort(metal_mm)
    count = int(np.searchsorted(np.cumsum(area_mm2[order]), least_mm2)) + 1
    worst = order[:count]
    return float(np.average(metal_mm[worst], weights=area_mm2[worst]))
