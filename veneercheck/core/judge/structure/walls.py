"""Metal under the veneer that is thinner than it may be, where its other side is known.

Notes
-----
A layer may be right over metal that is not: then no zone speaks of it. Choice: the mean over
0.25 mm² round every point, held against the least metal as a zone's is against its limit: firm
beyond it by the guard band, undecided within, what noise makes of the worst of many spots allowed
for. Instead of: the budget of zones alone, which is asked only where the layer falls short; or the
thinnest points, which are the noisiest. Cost: cut crests and fins, behind which a ray leaves
through the cut again, are not judged, nor is the finish line's band but over the inside of a
retainer; how the pose moves the die is not in the uncertainty, a doubtful pose decides nothing.

A wall runs out to its margin, and is thin there by nature. Choice: over the last 1.2 mm the least
metal grows evenly from nothing, as the layer's limit does beside a finish line; there only what is
surely thinner is told. Instead of: nothing within 1.2 mm of a margin or in the band, by which walls
of 0.12 mm on 8 mm² above a narrow collar had no word; or the whole limit, by which every margin is
too thin. Cost: a wall that runs out more slowly than 1 in 2 is told though it may be meant.
"""

from __future__ import annotations

import math

import numpy as np

from veneercheck.core.divide.excess import GUARD, Excess
from veneercheck.core.divide.spots import SPOT_MM2, decisive, largest_of, spot_means
from veneercheck.core.judge.structure.spots import patches
from veneercheck.core.measure.space import Reading
from veneercheck.core.types import (
    THIN_METAL,
    WAX,
    Bools,
    FindingKind,
    Floats,
    Limits,
    PlaceWords,
    Spot,
    Weight,
)


def thin_metal(
    reading: Reading,
    metal_mm: Floats,
    *,
    least_mm: Floats,
    veneered: Bools,
    steady_u_mm: float,
    limits: Limits,
    told: PlaceWords,
    stage: str,
) -> tuple[Spot, ...]:
    """Find patches of veneered metal that are thinner than the least, or may be.

    Parameters
    ----------
    reading : Reading
        For points, normals, areas, edges and the noise of either side.
    metal_mm : ndarray, shape (n,)
        Thickness under every vertex; NaN where it is not known, or no wall's.
    least_mm : ndarray, shape (n,)
        Least metal of every vertex: less where it runs out to a margin.
    veneered : ndarray of bool, shape (n,)
        Cut surface off the scan's rims.
    steady_u_mm : float
        The part of a thickness' standard uncertainty that does not average out over a spot.
    limits : Limits
    told : callable
    stage : str
        Of the work: what can be done depends on it.

    Returns
    -------
    tuple of Spot
        The largest first.
    """
    space, whole = reading.space, least_mm >= limits.least_metal_mm
    plain = np.ones(len(metal_mm))  # no knife
    short = Excess(
        finding=FindingKind.TOO_THIN,
        excess_mm=np.where(veneered, least_mm - metal_mm, np.nan),
        value_mm=metal_mm,
        steady_u_mm=steady_u_mm * plain,
        noise_u_mm=math.sqrt(2.0) * space.u_noise_mm,
        told_from_mm=0.0,
        may_be_close=whole,
        path=plain,
        from_line=plain,
    )
    asked = decisive(reading.points_mm, short)
    means = spot_means(reading.points_mm, reading.normals, space.area_mm2, short, asked)
    near = asked & (np.nan_to_num(means.excess_mm, nan=-math.inf) > -means.guard_mm * whole)
    found = []
    for patch in patches(near, reading.edges):
        area_mm2 = float(space.area_mm2[patch].sum())
        worst = patch[means.excess_mm[patch].argmax()]
        chosen_mm = means.noise_u_mm[worst] * largest_of(area_mm2 / SPOT_MM2)
        excess_mm = float(means.excess_mm[worst] - chosen_mm)
        guard_mm = float(means.guard_mm[worst])
        told_from_mm = -guard_mm if whole[patch].any() else guard_mm
        if area_mm2 < limits.smallest_zone_mm2 or excess_mm <= told_from_mm:
            continue
        value_mm, u_mm = float(means.value_mm[worst]), guard_mm / GUARD
        limit_mm = value_mm + float(means.excess_mm[worst])
        tooth, surface, place = told(patch)
        x, y, z = (float(part) for part in reading.points_mm[worst])
        words = (
            f"{place or 'under the veneer'}: {value_mm:.2f} mm of metal, at least {limit_mm:.2f} mm"
            f" is required. {_MORE_WAX if stage == WAX else _MORE_METAL}"
        )
        weight = Weight.FINDING if excess_mm > guard_mm else Weight.UNDECIDED
        found.append(
            Spot(THIN_METAL, tooth, surface, place, value_mm, u_mm, limit_mm, area_mm2, (x, y, z),
                 weight, words)
        )  # fmt: skip
    return tuple(sorted(found, key=lambda spot: -spot.size))


_MORE_WAX = (
    "Add wax where the layer has room to spare; elsewhere only the contour or the preparation "
    "can give the room."
)
_MORE_METAL = (
    "Only where the layer has room to spare can metal be added; else the contour must give the "
    "room, or the work is made anew."
)
