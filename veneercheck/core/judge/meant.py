"""What was meant to be veneered, or is named, against what was cut and scanned."""

from __future__ import annotations

import math

import numpy as np

from veneercheck.core.divide.anatomy import Places, Surface, missing_unit, surface_words
from veneercheck.core.divide.regions import Regions
from veneercheck.core.types import (
    UNITS,
    Bools,
    Case,
    Floats,
    Ints,
    PlaceWords,
    Question,
    Region,
    TriangleMesh,
)

NOT_CUT, NOT_MEANT, NOT_SEEN = "meant_not_cut", "cut_not_meant", "unit_not_seen"
HELD, HIGHER = "putty_or_model", "putty_or_model_higher"
"""Kinds of question."""

UNFINISHED = (NOT_CUT, NOT_SEEN, HELD, HIGHER, UNITS)
"""While one of them is open, nothing found does not mean nothing there."""

_WORDS = {
    NOT_CUT: "meant for veneer, but hardly cut",
    NOT_MEANT: "cut, but not meant for veneer",
    NOT_SEEN: "is a unit missing here? the wax-up shows a crown where the framework's scan has "
    "none: it was not checked, and teeth may be named wrongly",
    HELD: "putty, gum or a model? lower than in the wax-up's scan, it meets the work in a groove "
    "and goes on to the end of the scan: left out; paint it as model, or as cut if it is veneer",
    HIGHER: "putty, gum or a model? higher than in the wax-up's scan where the scans end, it is "
    "parted from the work: left out; paint it as model, or as uncut if it is the work's",
}

_SYNONYMS = {"palatal": "lingual", "incisal": "occlusal"}

_LEAST_MM2 = 2.0
"""Less of a surface is the edge of another one."""

_WALL_SHARES = (0.45, 0.55)
"""A veneer runs over the edge of its neighbours, up to two fifths of them, and leaves a collar
and a rim of its own, a quarter or so: hardly cut is below the first, cut is above the second."""

_PROXIMAL_SHARES = (0.15, 0.9)
"""Towards the neighbours a buccal veneer wraps round to seven tenths, or ends at the edge."""


def compare(
    framework: TriangleMesh, where: Places, parts: Regions, area_mm2: Floats, case: Case
) -> tuple[Question, ...]:
    """Tell surfaces that were meant and not cut, and those cut and not meant.

    Parameters
    ----------
    framework : TriangleMesh
    where : Places
    parts : Regions
    area_mm2 : ndarray, shape (n,)
        Area that each vertex stands for.
    case : Case
        What it says of the veneered surfaces; where it says nothing, nothing is told.
    """
    aside = (Region.FITTING_SURFACE, Region.MODEL, Region.ATTACHMENT)
    crown = ~np.isin(parts.code, aside)
    cut = np.isin(parts.code, (Region.CUT, Region.FINISH_LINE_BAND, Region.ISLAND))
    told = []
    for (tooth, surface), word in surface_words(where).items():
        if surface >= Surface.SIDE_A or (not where.sides_known and not tooth):
            continue  # Which of the named surfaces, or whose unit's, this is does not show.
        meant = case.veneered_units.get(tooth, case.veneered)
        here = crown & (where.tooth == tooth) & (where.surface == surface)
        kind = _kind(_plain(word) in map(_plain, meant), surface, area_mm2, here, cut)
        if meant and kind:
            shown = here & (cut if kind == NOT_MEANT else ~cut)
            place = f"{tooth}, {word}" if tooth else word
            told.append(_question(kind, framework, area_mm2 * shown, place))
    return tuple(told)


def unseen(
    framework: TriangleMesh, waxup: TriangleMesh, where: Places, case: Case
) -> tuple[Question, ...]:
    """Ask about a unit that the case names and the framework's scan lacks."""
    missing = missing_unit(framework, waxup, where, case)
    if missing is None:
        return ()
    centre_mm, code = missing
    return (Question(NOT_SEEN, math.nan, centre_mm, _WORDS[NOT_SEEN], code),)


def held(
    framework: TriangleMesh,
    parts: Regions,
    higher: Ints,
    area_mm2: Floats,
    place: PlaceWords,
) -> tuple[Question, ...]:
    """Ask about what looks cut and was taken for putty, gum or a model; and of all that stands
    `higher` once."""

    def asked(kind: str, part: Ints) -> Question:
        here = np.zeros(len(area_mm2))
        here[part] = area_mm2[part]
        return _question(kind, framework, here, place(part)[2])

    lower = tuple(asked(HELD, part) for part in parts.held)
    return (*lower, asked(HIGHER, higher)) if len(higher) else lower


def _plain(word: str) -> str:
    return _SYNONYMS.get(word, word)


def _kind(meant: bool, surface: int, area_mm2: Floats, here: Bools, cut: Bools) -> str:
    total = float(area_mm2[here].sum())
    if total < _LEAST_MM2:
        return ""
    share = float(area_mm2[here & cut].sum()) / total
    proximal = surface in (Surface.MESIAL, Surface.DISTAL)
    least, most = _PROXIMAL_SHARES if proximal else _WALL_SHARES
    if meant:
        return NOT_CUT if share < least else ""
    return NOT_MEANT if share > most else ""


def _question(kind: str, framework: TriangleMesh, weight: Floats, place: str) -> Question:
    middle = weight @ framework.points_mm / weight.sum()
    inside = np.flatnonzero(weight > 0)
    off = framework.points_mm[inside] - middle
    x, y, z = framework.points_mm[inside[np.einsum("ij,ij->i", off, off).argmin()]]
    return Question(kind, float(weight.sum()), (float(x), float(y), float(z)), _WORDS[kind], place)
