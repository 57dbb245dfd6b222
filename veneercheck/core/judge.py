"""Decide each zone with its uncertainty, say what to do, and sum the check up in a verdict."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from veneercheck.core.regions import Regions
from veneercheck.core.types import (
    FORBIDDEN,
    AlignmentState,
    Case,
    Decision,
    FindingKind,
    Floats,
    Ints,
    Question,
    Statistics,
    Verdict,
    Zone,
)
from veneercheck.core.zones import GUARD, Patch

LEAST_MEASURED_SHARE = 0.95
"""With less of the veneered area measured, nothing found does not mean nothing there."""

_KNIFE_STEP_MM = 0.05
"""Amounts are told in steps a hand can work to."""

_ORDER = (FindingKind.OVER_CONTOUR, FindingKind.TOO_THIN, FindingKind.TOO_THICK)


PlaceWords = Callable[[Ints], tuple[str | None, str | None, str]]
"""Tooth, surface and a place in words for some vertices."""


def _nowhere(_: Ints) -> tuple[str | None, str | None, str]:
    return None, None, ""


def decide(patches: list[Patch], place: PlaceWords = _nowhere) -> tuple[Zone, ...]:
    """Judge every patch and rank them: firm first, then by depth beyond the limit × area.

    Parameters
    ----------
    patches : list of Patch
    place : callable, optional
        Says where some vertices lie.
    """

    def rank(patch: Patch) -> tuple[bool, float]:
        return (_decision(patch) is not Decision.FIRM, -max(patch.excess_mm, 0.0) * patch.area_mm2)

    ranked = sorted(patches, key=rank)
    return tuple(_zone(number, patch, place) for number, patch in enumerate(ranked, start=1))


def _decision(patch: Patch) -> Decision:
    """ISO 14253-1: firm where the mean clears the limit by 1.645 of its own uncertainty."""
    return Decision.FIRM if patch.excess_mm > GUARD * patch.u_mm else Decision.UNDECIDED


def _zone(number: int, patch: Patch, place: PlaceWords) -> Zone:
    x, y, z = (float(c) for c in patch.centre_mm)
    tooth, surface, words = place(patch.vertices)
    return Zone(
        id=number,
        finding=patch.finding,
        decision=_decision(patch),
        area_mm2=patch.area_mm2,
        extreme_mm=patch.extreme_mm,
        u_mm=patch.u_mm,
        centre_mm=(x, y, z),
        tooth=tooth,
        surface=surface,
        place=words,
        action=action_words(patch),
    )


def action_words(patch: Patch) -> str:
    """What the hand does: «take off 0.35 mm», in steps of 0.05 mm, never less than is missing."""
    if _decision(patch) is Decision.UNDECIDED:
        return f"within {GUARD * patch.u_mm:.2f} mm of the limit: measure by hand or scan again"
    steps = math.ceil(round(patch.excess_mm / _KNIFE_STEP_MM, 6))
    amount = f"{max(steps, 1) * _KNIFE_STEP_MM:.2f} mm"
    if patch.finding is FindingKind.TOO_THICK:
        return f"add {amount} of wax"
    if patch.finding is FindingKind.OVER_CONTOUR:
        return f"take off {amount} to reach the contour"
    return f"take off {amount}"


def questions(
    regions: Regions,
    points_mm: Floats,
    area_mm2: Floats,
    case: Case,
    place: PlaceWords = _nowhere,
) -> tuple[Question, ...]:
    """Ask about every island that was left uncut."""
    asked = []
    for island in regions.islands:
        weight = area_mm2[island]
        x, y, z = (float(c) for c in weight @ points_mm[island] / weight.sum())
        words = "not cut: a metal stop?"
        if case.metal_stops == FORBIDDEN:
            words = "not cut, and the case allows no metal stop"
        _, _, where = place(island)
        asked.append(Question("island", float(weight.sum()), (x, y, z), words, where))
    return tuple(asked)


def sum_up(
    zones: tuple[Zone, ...],
    state: AlignmentState,
    measured_share: float,
    *,
    forbidden_stop: bool = False,
) -> Verdict:
    """The verdict: firm findings, nothing found, or undecided; never a release.

    Where the alignment is doubtful or failed, or too little was measured, it is at most
    undecided.
    """
    if state in (AlignmentState.DOUBTFUL, AlignmentState.FAILED):
        return Verdict.UNDECIDED
    if forbidden_stop or any(zone.decision is Decision.FIRM for zone in zones):
        return Verdict.FINDINGS
    if zones or not measured_share >= LEAST_MEASURED_SHARE:
        return Verdict.UNDECIDED
    return Verdict.NO_FINDINGS


def statistics(values_mm: Floats, area_mm2: Floats) -> Statistics:
    """Area-weighted figures of the finite values; NaN where there are none."""
    known = np.isfinite(values_mm)
    values, weight = values_mm[known], area_mm2[known]
    if not weight.sum() > 0:
        return Statistics(*[math.nan] * 6)
    order = np.argsort(values)
    values, weight = values[order], weight[order]
    # Each value stands at the middle of its own weight (Hyndman and Fan 1996, definition 5).
    middle = (np.cumsum(weight) - 0.5 * weight) / weight.sum()
    p05, median, p95 = np.interp((0.05, 0.5, 0.95), middle, values)
    mean = float(weight @ values / weight.sum())
    return Statistics(
        float(values[0]), float(p05), float(median), mean, float(p95), float(values[-1])
    )
