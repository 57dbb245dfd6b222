"""Find the teeth of a bridge: its axis, which way that runs, and where one tooth ends."""

from __future__ import annotations

import dataclasses

import numpy as np

from veneercheck.core.divide.anatomy import arch, codes, sides, teeth
from veneercheck.core.divide.anatomy.crowns import otherwise
from veneercheck.core.divide.anatomy.neighbours import own_crowns, row_through
from veneercheck.core.types import Case, Floats, unit_way

_CROWN_MM, _FRONT_CROWN_MM = 4.5, 5.5
"""Under the top, this much of a crown surely stands above the gingiva; front teeth are higher."""

_POINTS_APART = (
    "The points on teeth in the case file do not lie in the order of the units: they were left out."
)

_OTHER_WAY = 0.08
"""The units lie the other way round if that explains widths and valleys by so much better: named by
the other side of the mouth, drawn bridges of three makes cost 0.09 to 0.17 more, rightly named ones
at most 0.07."""

_OTHER_WAY_WORDS = (
    "By their widths the units lie the other way round along the bridge: look whether the side of "
    "the mouth and the buccal direction are as the case file says."
)

_LONG_FORM, _LONG_MM = 1.4, 12.0
"""An outline this much longer than wide, and longer than a tooth, is a bridge even if no units
are named."""

_LEAST_UNIT_MM, _LEAST_POINTS = 3.0, 30
"""A bridge shorter than this times its units is not the one named; with fewer points a unit its
outline does not show."""

_MOST = 0.5
"""The crowns' largest connected part is the bridge if it has so much of their surface; else the
mesh is too coarse to hang together."""

_UNKNOWN_UNITS = 3
"""A bend as of three is allowed to a bridge whose units are not named."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Found:
    """Teeth on their axis, and what had to be guessed for it."""

    teeth: teeth.Teeth
    judged: sides.Judged
    words: tuple[str, ...]
    asked: str = ""

    @property
    def guessed(self) -> bool:
        """Whether the case does not say which side is buccal."""
        return self.judged is not sides.SAID


def find_teeth(cloud: arch.Cloud, plane: Floats, named: tuple[int, ...], case: Case) -> Found:
    upper = upper_crowns(cloud, plane, named)
    own = own_crowns(upper, plane, named)
    crowns = upper[own]
    shown = sides.Shown(crowns, upper[~own], cloud[cloud.fitting])
    flat = crowns.points_mm @ plane[:2].T
    short = _length_mm(flat) < _LEAST_UNIT_MM * len(named)
    if len(named) > 1 and (short or len(flat) < _LEAST_POINTS * len(named)):
        found = _single(cloud, shown, plane, (), case)
        said = "The framework is too short or coarse for the units named: teeth are not told."
        return dataclasses.replace(found, words=(said, *found.words))
    pointed_at = set(named) <= set(case.tooth_points_mm)
    if named and not pointed_at and (asked := otherwise(crowns, plane, named)):
        return dataclasses.replace(find_teeth(cloud, plane, (), case), asked=asked)
    if len(named) == 1 or (not named and not _is_long(flat)):
        return _single(cloud, shown, plane, named, case)
    axis = arch.find_axis(flat, plane, len(named) or _UNKNOWN_UNITS)
    return _bridge(shown, axis, named or (0,), case)


def upper_crowns(cloud: arch.Cloud, plane: Floats, named: tuple[int, ...]) -> arch.Cloud:
    """The upper parts of the crowns, without model, dust and the insides."""
    local = cloud.points_mm @ plane.T
    front = any(codes.is_front(code) for code in named)
    reach = _FRONT_CROWN_MM if front else _CROWN_MM
    below = arch.crown_tops(local, cloud.area_mm2) - local[:, 2]
    upper = np.flatnonzero((below < reach) & cloud.bridge & ~cloud.fitting)
    if not len(upper):
        return cloud
    main = upper[arch.largest_patch(local[upper])]
    whole = cloud.area_mm2[main].sum() > _MOST * cloud.area_mm2[upper].sum()
    return cloud[main if whole else upper]


def _is_long(flat: Floats) -> bool:
    spread = np.linalg.eigvalsh(np.cov(flat.T))
    enough = len(flat) >= _LEAST_POINTS and _length_mm(flat) > _LONG_MM
    return bool(enough and spread[1] > _LONG_FORM**2 * spread[0])


def _length_mm(flat: Floats) -> float:
    """Diagonal of the outline's box: an arch is no shorter."""
    return float(np.linalg.norm(flat.max(axis=0) - flat.min(axis=0)))


def _single(
    cloud: arch.Cloud, shown: sides.Shown, plane: Floats, named: tuple[int, ...], case: Case
) -> Found:
    crown, judged = shown.crowns, sides.SAID

    def across(buccal: Floats) -> teeth.Teeth:
        way = np.cross(buccal, plane[2])
        axis = arch.straight_axis(crown.points_mm @ plane[:2].T, plane, way)
        return teeth.split(axis, named or (0,), axis.locate(crown.points_mm))

    if case.buccal:
        split = across(np.array(unit_way(case.buccal)))
    elif (row := row_through(crown, shown.others, plane)) is not None:
        split = across(np.cross(plane[2], row))
        judged = sides.in_row(split, shown, case)
        if _way_to_a(judged, split.axis) < 0:
            split = across(np.cross(row, plane[2]))
    else:
        buccal, judged = sides.of_crown(cloud, plane, case)
        split = across(buccal)
    return Found(split, judged, _side_words(judged))


def _bridge(shown: sides.Shown, axis: arch.Axis, named: tuple[int, ...], case: Case) -> Found:
    """Run the axis so that buccal, or side A, lies on its left, and divide it."""
    points_mm = shown.crowns.points_mm
    one, other = (
        teeth.split(way, named, way.locate(points_mm), _known_places(way, case))
        for way in (axis, axis.reversed())
    )
    order = _order_of_points(_known_places(axis, case), named)
    judged = sides.SAID
    if order:
        score = order
    elif case.buccal:
        score = float(mean_left(axis) @ np.array(unit_way(case.buccal)))
    else:
        judged = sides.of_bridge(one, other, shown, case)
        score = _way_to_a(judged, axis)
    words = _side_words(judged)
    chosen, away = (one, other) if score >= 0 else (other, one)
    if not np.isfinite(chosen.cost):
        located = chosen.axis.locate(points_mm)
        chosen, words = teeth.split(chosen.axis, named, located), (*words, _POINTS_APART)
    elif case.buccal and chosen.cost > away.cost + _OTHER_WAY:
        words = (*words, _OTHER_WAY_WORDS)
    return Found(chosen, judged, words)


def _way_to_a(judged: sides.Judged, axis: arch.Axis) -> float:
    """Positive where the left of the axis is buccal or, in doubt, side A.

    That is the side that shows on the bench, the more veneered one; else the one towards the
    positive end of the scan's nearest axis.
    """
    if judged.stated:
        return judged.odds
    left = mean_left(axis)
    return judged.one_sided if judged.veneered else float(left[np.abs(left).argmax()])


def _side_words(judged: sides.Judged) -> tuple[str, ...]:
    if judged is sides.SAID:
        return ()
    if judged.stated:
        return (f"{_NO_BUCCAL}; judged from the veneer, the arch and the retainers.",)
    which = "is the more veneered one" if judged.veneered else "is shown in the pictures"
    return (f"{_NO_BUCCAL} and does not show surely: sides have letters. Side A {which}; {_ENDS}",)


_NO_BUCCAL = "The buccal direction is not in the case file"
_ENDS = (
    "seen from it, the biting surface up, end A is on the left, "
    "and units count from there: A1, A2 …"
)


def _known_places(axis: arch.Axis, case: Case) -> dict[int, float]:
    """Arc lengths of the points that the case gives on teeth."""
    if not case.tooth_points_mm:
        return {}
    located = axis.locate(np.array(list(case.tooth_points_mm.values())))
    return dict(zip(case.tooth_points_mm, located[:, 0].tolist(), strict=True))


def _order_of_points(known_mm: dict[int, float], named: tuple[int, ...]) -> float:
    """Way of the axis in which the points lie in the order of the arch; 0 if it does not show."""
    along = [known_mm[code] for code in named if code in known_mm]
    return along[-1] - along[0] if len(along) > 1 else 0.0


def mean_left(axis: arch.Axis) -> Floats:
    """The left of the axis on the whole: across the line between its ends."""
    low, high = axis.ends_mm
    middle = [axis.tangent_at(low + share * (high - low)) for share in (0.1, 0.3, 0.5, 0.7, 0.9)]
    left = np.cross(axis.plane[2], np.sum(middle, axis=0))
    return np.asarray(left / np.linalg.norm(left))
