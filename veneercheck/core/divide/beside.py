"""Other teeth and the model in the same scan: what stands out of the contour there is no zone.

Notes
-----
On its model a bridge is scanned with what stands beside it. Stone that was scraped, dies that are
not quite home and the noise of far walls stood out of the other scan by 0.1 to 0.2 mm; of eleven
places told, ten lay on it, up to 29 mm off the bridge, one of them firm. Choice: what is farther
from every unit that the case names than metal of one reaches is set aside as model, and what stands
out there is told in one remark; nothing is where no unit is named, or less shows than the units are
wide, as where an end one is metal throughout. Instead of: leaving out all that bears no tooth's
name, margins and fitting surfaces among it. Cost: a wing on a tooth that is not named is judged for
3 mm only.
"""

from __future__ import annotations

import dataclasses

import numpy as np
from scipy.spatial import cKDTree

from veneercheck.core.divide.anatomy import Places
from veneercheck.core.divide.anatomy.codes import usual_width_mm
from veneercheck.core.divide.regions import Regions
from veneercheck.core.measure.both_ways import AGREEING_COS
from veneercheck.core.measure.space import Reading
from veneercheck.core.mesh.pieces import large_parts
from veneercheck.core.types import Bools, Fault, Region

_BESIDE_MM = 3.0
"""Farther from every unit that is named lies no part of one."""

_WHOLE = 0.8
"""Share of the units' usual widths that their outline must have: of a shorter one some is missing,
and may be what lies beside."""

_LEAST_MM2, _MOST = 2.0, 0.95
"""Smaller spots are not told of: rims of holes are ragged. By how much: all but the last of it."""

_CUBE_MM = 0.33
"""One point of each such cube stands for the work: vertices lie close where a scan is bent."""


def set_aside(
    parts: Regions, where: Places, reading: Reading, units: tuple[int, ...]
) -> tuple[Regions, tuple[Fault, ...]]:
    """The regions with what lies beside the work as model, and what stands out of it there."""
    veneered = np.isin(parts.code, (Region.CUT, Region.FINISH_LINE_BAND))
    work = veneered | (where.owner != 0)
    bare = np.flatnonzero(np.isin(parts.code, (Region.UNSORTED, Region.UNCUT)) & ~work)
    if not _all_shown(where, units) or not work.any() or not len(bare):
        return parts, ()
    own = reading.points_mm[work]
    _, each = np.unique(np.floor(own / _CUBE_MM), axis=0, return_index=True)
    off, _ = cKDTree(own[each]).query(reading.points_mm[bare], distance_upper_bound=_BESIDE_MM)
    beside = np.zeros(len(parts.code), dtype=bool)
    beside[bare[np.isinf(off)]] = True
    code = np.where(beside, Region.MODEL, parts.code)
    return dataclasses.replace(parts, code=code), _standing_out(beside, parts, reading)


def _all_shown(where: Places, units: tuple[int, ...]) -> bool:
    """Whether the units are named and their outline is as long as they are wide."""
    if where.teeth is None or not any(where.teeth.names):
        return False
    low, high = where.teeth.axis.ends_mm
    return high - low > _WHOLE * sum(usual_width_mm(code) for code in units)


def _standing_out(beside: Bools, parts: Regions, reading: Reading) -> tuple[Fault, ...]:
    space = reading.space
    out_mm = -np.fmax(space.space_mm, space.nearest_mm)
    out = beside & (out_mm > parts.tolerance_mm) & (reading.agreement >= AGREEING_COS)
    out = large_parts(out, reading.edges, space.area_mm2, _LEAST_MM2)
    if not out.any():
        return ()
    x, y, z = reading.points_mm[np.where(out, out_mm, -np.inf).argmax()]
    words = (
        "beside the work {area:.0f} mm² of other teeth or the model stand out of the wax-up's scan "
        "by up to {most:.2f} mm; not judged: is a die not home, or was the model scraped?"
    )
    area, most = float(space.area_mm2[out].sum()), float(np.quantile(out_mm[out], _MOST))
    return (Fault.of("beside", 1, words, (float(x), float(y), float(z)), area=area, most=most),)
