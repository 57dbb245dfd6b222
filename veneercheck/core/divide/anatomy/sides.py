"""Which side of a bridge is buccal, and how sure that is: what speaks for it, as log-odds."""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from veneercheck.core.divide.anatomy.arch import Axis, Cloud
from veneercheck.core.divide.anatomy.codes import side_of
from veneercheck.core.divide.anatomy.places import Surface
from veneercheck.core.divide.anatomy.surfaces import Seen
from veneercheck.core.divide.anatomy.teeth import Teeth
from veneercheck.core.types import Case, Floats, Ints

STATED = 0.985
"""Less sure than this, neither side is called buccal: sides and ends have letters, and it is
asked. Judged from what follows, such a side is the wrong one in fewer than one bridge of sixty."""

_ONE_SIDED = 0.1
"""A share by which veneered walls favour one side; scan noise and an uneven line alone make less
on a bridge that is cut alike on both sides."""

_CROWN_ONE_SIDED = 0.5
"""… and surely makes it the side of the cut on a single crown: a front tooth's incisal cut runs
down its palatal side and makes up to a third."""

_NAMED_ODDS, _USUAL_ODDS = 5.0, 1.5
"""Log-odds of the veneered side: where the case names one of the two sides and not the other, the
cut shows which it is; where it names none, one bridge in five may be veneered lingually."""

_CURVE_ODDS_A_MM, _CURVE_ODDS, _CURVED_UNITS = 2.0, 5.0, 3
"""… of the arch's bulge: teeth that stand half a millimetre out of the row bend a bridge of three
units the wrong way in one of six where it bulges by 0.7 mm, and in none where by 1.5. Two units
have no curve."""

_ROW_ODDS_A_MM, _ROW_ODDS, _ONE_TOOTH_ODDS = 1.5, 5.0, 2.0
_LEAST_ROW, _SEVERAL, _HIGHER_MM = 0.5, 2.0, 2.0
"""… of how far the crowns of other teeth lie on average to the inner side of the line through the
bridge, beyond its ends: 1.6 to 6.9 mm on quadrants and arches of our own making. By the area of one
of the bridge's own crowns: from half of one on, since a tooth that is shown in part may show either
half; less than two may stand out of the row. What stands higher is of the other jaw."""

_HOLLOW_ODDS, _LEAST_HOLLOW_MM2 = 8.0, 10.0
"""… of the retainers' hollows lying where retainers are named and pontics not, by the share of
units that fit only one way round; and the inside of which a retainer has more."""

_WIDTH_ODDS, _WIDTH_COST = 0.6, 0.2
"""… of the usual widths: little, teeth and valleys differ too much."""

_WALL_COS = 0.55
"""Steeper than about 57° from the horizontal a surface is a wall."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Shown:
    """What a scan shows: upper parts of the bridge's crowns and of what else stands there, and what
    is known to lie inside retainers."""

    crowns: Cloud
    others: Cloud
    insides: Cloud


@dataclasses.dataclass(frozen=True, slots=True)
class Judged:
    """Which side is buccal.

    Parameters
    ----------
    odds : float
        Log-odds that it is the one looked at; negative: the other one.
    one_sided : float
        How much more of the veneer faces the side looked at, −1 to 1.
    """

    odds: float
    one_sided: float

    @property
    def certainty(self) -> float:
        """Probability of the likelier side."""
        return 1.0 / (1.0 + math.exp(-abs(self.odds)))

    @property
    def stated(self) -> bool:
        """Whether it is sure enough to be called buccal."""
        return self.certainty >= STATED

    @property
    def veneered(self) -> bool:
        """Whether one side is plainly the more veneered one, so that it can be told by that."""
        return abs(self.one_sided) >= _ONE_SIDED


SAID = Judged(math.inf, 0.0)
"""The case says it."""


def of_bridge(one: Teeth, other: Teeth, shown: Shown, case: Case) -> Judged:
    """Judge the left of an axis against its right.

    Parameters
    ----------
    one, other : Teeth
        The units on the axis and on the same one reversed.
    shown : Shown
    case : Case
    """
    one_sided = _one_sided(one.axis, shown.crowns)
    odds = _veneer_odds(one_sided / _ONE_SIDED, case)
    odds += _hollow_odds(one, other, shown.insides, case) + _row_odds(one, shown)
    if len(one.codes) >= _CURVED_UNITS or not any(one.codes):
        curve = _CURVE_ODDS_A_MM * one.axis.sagitta_mm()
        odds += float(np.clip(curve, -_CURVE_ODDS, _CURVE_ODDS))
    if np.isfinite(one.cost + other.cost):
        odds += _WIDTH_ODDS * float(np.clip((other.cost - one.cost) / _WIDTH_COST, -1.0, 1.0))
    return Judged(odds, one_sided)


def in_row(crown: Teeth, shown: Shown, case: Case) -> Judged:
    """Judge the left of a single crown's axis along its row against its right."""
    one_sided = _one_sided(crown.axis, shown.crowns)
    odds = _veneer_odds(one_sided / _CROWN_ONE_SIDED, case) + _row_odds(crown, shown)
    return Judged(odds, one_sided)


def _row_odds(teeth: Teeth, shown: Shown) -> float:
    """An arch bends to its inner side beyond either end of the bridge."""
    axis, crowns, others = teeth.axis, shown.crowns, shown.others
    if not len(crowns.points_mm) or not len(others.points_mm):
        return 0.0
    own, rest = (part.points_mm @ axis.plane.T for part in (crowns, others))
    first, last = (axis.node_at(end) for end in axis.ends_mm)
    length = float(np.linalg.norm(last - first))
    along = (last - first) / length
    off = rest[:, :2] - 0.5 * (first + last)
    beyond = off @ along
    counts = (np.abs(beyond) > 0.5 * length) & (rest[:, 2] > own[:, 2].min())
    counts &= rest[:, 2] < own[:, 2].max() + _HIGHER_MM
    area = others.area_mm2 * counts
    crown = crowns.area_mm2.sum() / len(teeth.codes)
    ends = area[beyond < 0].sum(), area[beyond > 0].sum()
    if sum(ends) < _LEAST_ROW * crown:
        return 0.0
    several = min(ends) > _LEAST_ROW * crown or sum(ends) > _SEVERAL * crown
    most = _ROW_ODDS if several else _ONE_TOOTH_ODDS
    left = off @ np.array([-along[1], along[0]])
    return float(np.clip(-_ROW_ODDS_A_MM * (area @ left) / area.sum(), -most, most))


def of_crown(cloud: Cloud, plane: Floats, case: Case) -> tuple[Floats, Judged]:
    """Judge the side that the veneered walls of a single crown face, shape (3,)."""
    local = cloud.normals @ plane.T
    weight = cloud.area_mm2 * (cloud.veneered & (np.abs(local[:, 2]) < _WALL_COS))
    total = weight @ local[:, :2]
    share = float(np.linalg.norm(total)) / max(float(weight.sum()), 1e-9)
    if share < _ONE_SIDED:
        return plane[0], Judged(0.0, 0.0)
    odds = _veneer_odds(share / _CROWN_ONE_SIDED, case)
    facing = np.asarray(total @ plane[:2])
    return (facing if odds >= 0 else -facing), Judged(odds, share if odds >= 0 else -share)


def _one_sided(axis: Axis, crowns: Cloud) -> float:
    """How much more of the veneer faces left than right, −1 to 1."""
    along = axis.locate(crowns.points_mm)[:, 0]
    left = axis.turn(crowns.normals, along)[:, 1] * crowns.area_mm2 * crowns.veneered
    every = float(np.abs(left).sum())
    return float(left.sum()) / every if every > 0 else 0.0


def _veneer_odds(plainly: float, case: Case) -> float:
    named = {*case.veneered, *(one for own in case.veneered_units.values() for one in own)}
    buccal, inner = "buccal" in named, bool(named & {"lingual", "palatal"})
    plain = float(np.clip(plainly, -1.0, 1.0))
    if not named:
        return _USUAL_ODDS * plain
    return _NAMED_ODDS * plain * (buccal - inner)


def _hollow_odds(one: Teeth, other: Teeth, insides: Cloud, case: Case) -> float:
    if not case.pontics or not len(insides.points_mm):
        return 0.0
    hollow = np.array([code not in case.pontics for code in one.codes])
    if (hollow == hollow[::-1]).all():
        return 0.0

    def fitting(way: Teeth) -> float:
        unit = way.index_at(way.axis.locate(insides.points_mm)[:, 0])
        area = np.bincount(unit, insides.area_mm2, minlength=len(hollow))
        return float(((area > _LEAST_HOLLOW_MM2) == hollow).mean())

    return _HOLLOW_ODDS * (fitting(one) - fitting(other))


def lettered(seen: Seen, teeth: Teeth) -> tuple[Seen, Teeth, Ints]:
    """Take the names off that hang on which side is buccal, and give letters instead.

    Parameters
    ----------
    seen : Seen
        With side A taken for buccal.
    teeth : Teeth
        Its axis with side A on its left.

    Returns
    -------
    seen : Seen
        Sides and ends by letter; the middle one of an odd number of units keeps its code.
    teeth : Teeth
    unit : ndarray of int64, shape (n,)
        Number of the unit, counted from end A; 0 on the model.

    Notes
    -----
    End A lies on the left as seen from side A with the biting surface up, where arc length is
    greatest: left of the axis = occlusal × tangent, so from there the tangent points to the left.
    """
    codes, count = teeth.codes, len(teeth.codes)
    unit, to_a = np.zeros(len(seen.tooth), dtype=np.int64), np.zeros(len(seen.tooth))
    for index, code in enumerate(codes):
        here = (seen.tooth == code) & (code > 0)
        unit[here], to_a[here] = count - index, -side_of(code)
    surface = seen.surface.copy()
    surface[seen.surface == Surface.BUCCAL] = Surface.SIDE_A
    surface[seen.surface == Surface.LINGUAL] = Surface.SIDE_B
    mesial = seen.surface == Surface.MESIAL
    ends = mesial | (seen.surface == Surface.DISTAL)
    surface[ends] = np.where(mesial == (to_a > 0), Surface.END_A, Surface.END_B)[ends]
    kept = tuple(code if 2 * index + 1 == count else 0 for index, code in enumerate(codes))
    return (
        dataclasses.replace(
            seen,
            tooth=np.where(np.isin(seen.tooth, kept), seen.tooth, 0),
            surface=surface,
            mesial_share=to_a * seen.mesial_share,
        ),
        dataclasses.replace(teeth, codes=kept, lettered=True),
        unit,
    )
