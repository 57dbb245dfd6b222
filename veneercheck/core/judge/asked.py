"""What is asked about and never firm: what was left standing may have been meant.

Notes
-----
A connector that was left uncut up to the contour pokes up between crowns that are cut. A top of
0.25 mm² is asked about as a metal stop; «take off 1.15 mm» was told firmly where less of it showed,
beside a finish line or amid the embrasure. Choice: a place too thin whose worst spot lies on the
flank of a top that touches the contour beside the line, or is hardly cut where two named units
meet, is asked, with the connector in the words and the amount; of a single unit nothing is. Instead
of: no limit round such a top, by which what was left standing on a crown would be silent; or a firm
zone whose words name the connector, which a hand would cut. Cost: an embrasure that was forgotten
is asked about, not firm.

A bead that a rim of the scan cuts shows too little of its shape to be told. Choice: a spot no
larger than a bead's foot and no higher than a bead is wide, at an open rim and in a field of beads,
is asked. Instead of: looser shapes for beads, which corners of a cut have as well. Cost: a speck at
a rim amid beads is asked about, not firm.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence

import numpy as np
from scipy.spatial import cKDTree

from veneercheck.core.divide.islands import CUT_DEPTH_MM
from veneercheck.core.divide.regions import Regions
from veneercheck.core.divide.spots import RADIUS_MM
from veneercheck.core.divide.zones import Patch
from veneercheck.core.judge.decide import BEAD, CONNECTOR, STOP, Advised
from veneercheck.core.measure.beads import Beads
from veneercheck.core.measure.space import Reading
from veneercheck.core.types import (
    FORBIDDEN,
    ISLAND,
    MEANT,
    MEANT_STOP,
    Bools,
    Case,
    FindingKind,
    Floats,
    Ints,
    PlaceWords,
    Question,
)

_BETWEEN_UNITS_MM = 1.0
"""A connector reaches no farther from where two units meet; a crown's own wall begins there."""

_AMONG = 0.25
"""A spot of which more lies on beads is among them."""


def or_meant(
    advised: Sequence[Advised], parts: Regions, reading: Reading, owner: Ints, case: Case
) -> tuple[Advised, ...]:
    """The zones, with those marked that may be metal stops or connectors.

    Parameters
    ----------
    advised : sequence of Advised
    parts : Regions
    reading : Reading
    owner : ndarray of int64, shape (n,)
        Unit of every vertex, 0 where none is known.
    case : Case
        Where it forbids metal stops, connectors are still asked about.
    """
    allowed = case.metal_stops != FORBIDDEN
    several, meeting = len(case.units) != 1, _between_units(reading, owner)

    def may_be(one: Advised) -> Advised:
        patch = one.patch
        if patch.finding is not FindingKind.TOO_THIN or patch.spot is None or not len(patch.spot):
            return one
        hardly = bool((reading.space.judged_high_mm[patch.spot] < CUT_DEPTH_MM).any())
        connector = several and bool(parts.left[patch.spot].any())
        if hardly and meeting is not None:
            connector |= bool(meeting.query(patch.centre_mm)[0] <= _BETWEEN_UNITS_MM)
        if allowed and parts.flush[patch.spot].any():
            return dataclasses.replace(one, perhaps=STOP)
        return dataclasses.replace(one, perhaps=CONNECTOR) if connector else one

    return tuple(map(may_be, advised))


def islands(
    parts: Regions, reading: Reading, owner: Ints, case: Case, place: PlaceWords
) -> tuple[Question, ...]:
    """Ask about every island that was left uncut; where two units meet it may be a connector, and
    out of the contour it is no stop that was meant.

    Parameters
    ----------
    parts : Regions
    reading : Reading
    owner : ndarray of int64, shape (n,)
        Unit of every vertex, 0 where none is known.
    case : Case
    place : callable
        Words for where vertices lie.
    """
    meeting = _between_units(reading, owner) if len(case.units) != 1 else None

    def ask(island: Ints) -> Question:
        points, weight = reading.points_mm[island], reading.space.area_mm2[island]
        x, y, z = (float(c) for c in weight @ points / weight.sum())
        kind, words = ISLAND, "not cut: a metal stop?"
        if case.metal_stops == FORBIDDEN:
            words = "not cut, and the case allows no metal stop"
        elif parts.proud[island].any():
            words = "not cut, and out of the contour: lowered to it, a metal stop?"
        elif case.metal_stops == MEANT:
            kind, words = MEANT_STOP, "not cut: a metal stop, as the case says that they are meant"
        elif meeting is not None and meeting.query(points)[0].min() <= _BETWEEN_UNITS_MM:
            words = "not cut where two units meet: a connector, or a metal stop?"
        return Question(kind, float(weight.sum()), (x, y, z), words, place(island)[2])

    return tuple(map(ask, parts.islands))


def _between_units(reading: Reading, owner: Ints) -> cKDTree | None:
    """Where two units meet on the framework; None where they meet nowhere."""
    a, b = reading.edges.T
    meet = (owner[a] != owner[b]) & (owner[a] != 0) & (owner[b] != 0)
    if not meet.any():
        return None
    middle: Floats = 0.5 * (reading.points_mm[a[meet]] + reading.points_mm[b[meet]])
    return cKDTree(middle)


def or_beads(advised: Sequence[Advised], found: Beads, rim: Bools) -> tuple[Advised, ...]:
    """The zones, with those marked that may be a bead that was missed.

    Parameters
    ----------
    advised : sequence of Advised
    found : Beads
    rim : ndarray of bool, shape (n,)
        Where the framework's scan ends, be it at a hole.
    """
    return tuple(
        dataclasses.replace(one, perhaps=one.perhaps or BEAD)
        if may_be_a_bead(one.patch, found, rim)
        else one
        for one in advised
    )


def may_be_a_bead(patch: Patch, found: Beads, rim: Bools) -> bool:
    """Whether a thin spot may be a bead that was missed: where beads touch, the surface between
    them goes on over what is left of it, and a zone reaches a spot's radius beyond it; of one that
    a rim cuts too little shows, and it stands out no farther than it is wide."""
    if patch.finding is not FindingKind.TOO_THIN or patch.spot is None or not len(patch.spot):
        return False
    if patch.area_mm2 >= math.pi * (0.5 * found.diameter_mm + RADIUS_MM) ** 2:
        return False
    if rim[patch.vertices].any() and patch.excess_mm < found.diameter_mm:
        return True
    among = float((found.bead[patch.spot] >= 0).mean())
    return among > _AMONG and patch.excess_mm < float(np.median(found.height_mm))
