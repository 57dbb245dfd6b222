"""Whether a scan shows as many crowns as the case names.

Notes
-----
Three units were named on scans of two, and the axis was divided in three all the same: a fault on
26 was told as one on 25, with two connectors where there is one. Choice: the length beside the
usual widths, and whether the cuts lie at necks; where both contradict the case it is asked, and no
tooth is told. Instead of: the count of necks alone, since deep fissures narrow a crown as a neck
does; or the length alone, since pontics close half a gap and people differ by a fifth. Cost: one
unit too many is not noticed where a fissure passes for its neck, nor where neighbours stand in the
scan and so much of what is named may be metal; one too few not where it is much narrower than the
others. No connector is looked at until it is answered.
"""

from __future__ import annotations

import numpy as np

from veneercheck.core.divide.anatomy import arch
from veneercheck.core.divide.anatomy.codes import usual_width_mm
from veneercheck.core.divide.anatomy.neighbours import longest_mm
from veneercheck.core.divide.anatomy.teeth import split
from veneercheck.core.types import Floats

FEWER = (
    "are these the units? by length and necks the framework's scan shows fewer crowns than the "
    "case names, and no tooth is told: name those that are there, or point at each"
)
MORE = (
    "are these all the units? by length and necks the framework's scan shows more crowns than the "
    "case names, and no tooth is told: name all that are there, or point at each"
)

_SHORT, _FAR_TOO_SHORT = 0.85, (0.65, 0.7)
"""By shares of the usual widths. Drawn bridges of the units named are 0.95 to 1.34 as long; the
narrowest that a dentition may hold, a molar's gap closed to a premolar's among small teeth, 0.75,
and 0.67 where that is one of two. Shorter than the second, of two units and of more, no neck
counts."""

_LONG, _LONG_CROWN, _LEAST_DEEP_MM = 1.35, 1.6, 6.0
"""… and of what was cut: a single crown may be longer across its row, and the narrowest is as deep
as that."""

_NECK = 0.65
"""Section beside its crests: at necks of drawn bridges up to 0.64, and on crowns without a deep
fissure 0.7 and more where there is none."""

_ENDS = (0.005, 0.995)


def otherwise(crowns: arch.Cloud, plane: Floats, named: tuple[int, ...]) -> str:
    """What is to be asked of the units named: too many, too few; empty where they fit.

    Parameters
    ----------
    crowns : Cloud
        Upper parts of the bridge's own crowns.
    plane : ndarray, shape (3, 3)
    named : tuple of int
        Codes along the arch.
    """
    flat, usual_mm = crowns.points_mm @ plane[:2].T, sum(map(usual_width_mm, named))
    crown_mm = _LONG_CROWN * max(usual_mm, _LEAST_DEEP_MM)
    if len(named) == 1 and longest_mm(flat) < crown_mm:
        return ""
    axis = arch.find_axis(flat, plane, max(len(named), 2))
    located = axis.locate(crowns.points_mm)

    def worst_neck(codes: tuple[int, ...]) -> float:
        return max(split(axis, codes, located).necks)

    low, high = axis.ends_mm
    short, two = (high - low) / usual_mm, len(named) == 2
    if len(named) > 1 and short < _SHORT:
        far = short < _FAR_TOO_SHORT[0 if two else 1]
        return FEWER if far or worst_neck(named) > _NECK else ""
    cut = located[crowns.veneered, 0]
    most_mm = _LONG * usual_mm if len(named) > 1 else crown_mm
    if len(cut) and np.ptp(np.quantile(cut, _ENDS)) > most_mm:
        return MORE if worst_neck((*named, named[-1])) < _NECK else ""
    return ""
