"""Other teeth and the model in the same scan: what stands out of the contour there is no zone.

Notes
-----
On its model a bridge is scanned with what stands beside it. Stone that was scraped, dies that are
not quite home and the noise of far walls stood out of the other scan by 0.1 to 0.2 mm; of eleven
places told, ten lay on it, up to 29 mm off the bridge, one of them firm. Choice: what is farther
from every unit that the case names than metal of one reaches is set aside as model, and what stands
out there is told in one remark. Instead of: leaving out all that bears no tooth's name, margins and
fitting surfaces among it. Cost: a wing on a tooth that is not named is judged for 3 mm only.
"""

from __future__ import annotations

import dataclasses

import numpy as np
from scipy.spatial import cKDTree

from veneercheck.core.divide.anatomy import Places
from veneercheck.core.divide.regions import Regions
from veneercheck.core.measure.both_ways import AGREEING_COS
from veneercheck.core.measure.space import Reading
from veneercheck.core.mesh.pieces import large_parts
from veneercheck.core.types import Bools, Fault, Region

_NAMED_MM, _CUT_MM = 3.0, 12.0
"""Farther than this from every unit that is named, and where none is from all that was cut, no part
of the work lies: a crown that was not cut at all is narrower."""

_LEAST_MM2, _MOST = 2.0, 0.95
"""Smaller spots are not told of: rims of holes are ragged. By how much: all but the last of it."""

_FEW = 5000
"""Points that stand for the work: a third of a millimetre apart on a bridge."""


def set_aside(parts: Regions, where: Places, reading: Reading) -> tuple[Regions, tuple[Fault, ...]]:
    """The regions with what lies beside the work as model, and what stands out of it there."""
    veneered = np.isin(parts.code, (Region.CUT, Region.FINISH_LINE_BAND))
    named = where.teeth is not None and any(where.teeth.names)
    work = np.flatnonzero(veneered | (where.owner != 0) if named else veneered)
    bare = np.flatnonzero(np.isin(parts.code, (Region.UNSORTED, Region.UNCUT)))
    if not len(work) or not len(bare):
        return parts, ()
    reach = _NAMED_MM if named else _CUT_MM
    near = cKDTree(reading.points_mm[work[:: 1 + len(work) // _FEW]])
    off, _ = near.query(reading.points_mm[bare], distance_upper_bound=reach)
    beside = np.zeros(len(parts.code), dtype=bool)
    beside[bare[np.isinf(off)]] = True
    code = np.where(beside, Region.MODEL, parts.code)
    return dataclasses.replace(parts, code=code), _standing_out(beside, parts, reading)


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
