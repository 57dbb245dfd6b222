"""The check as a whole: its verdict, what share was measured, and figures of space and layer."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence

import numpy as np

from veneercheck.core.divide.islands import LEAST_ISLAND_MM2
from veneercheck.core.divide.regions import Regions
from veneercheck.core.judge.meant import UNFINISHED
from veneercheck.core.measure.space import Reading
from veneercheck.core.measure.uncertainty import mean_uncertainty
from veneercheck.core.types import (
    FORBIDDEN,
    ISLAND,
    Alignment,
    AlignmentState,
    Bools,
    Case,
    Check,
    Decision,
    FindingKind,
    Floats,
    Limits,
    Question,
    Region,
    SpaceMap,
    Statistics,
    Structure,
    TriangleMesh,
    Verdict,
    Weight,
    Zone,
)

LEAST_MEASURED_SHARE = 0.95
"""With less of the veneered area measured, nothing found does not mean nothing there."""

_BEYOND_SHARE = 0.05
"""Of sound bridges that were scanned whole, or cropped beside the veneer, 0.01 at most."""


def sum_up(
    zones: tuple[Zone, ...],
    state: AlignmentState,
    measured_share: float,
    *,
    case: Case,
    questions: Sequence[Question] = (),
    structure: Structure | None = None,
) -> Verdict:
    """The verdict: firm findings, nothing found, or undecided; never a release.

    Where the alignment is doubtful or failed, too little was measured, or a surface meant for
    veneer is not cut, or a unit not seen, it is at most undecided; so where a spot was left uncut
    that the case does not mean, and where the framework's scan ends amid the veneer. A
    connector or a wall of metal that is firmly too thin, or composite that firmly stands without
    support, is a finding as a zone is one.
    """
    if state in (AlignmentState.DOUBTFUL, AlignmentState.FAILED):
        return Verdict.UNDECIDED
    weights = structure.weights() if structure else frozenset()
    firm = any(zone.decision is Decision.FIRM for zone in zones)
    spots = [one.area_mm2 for one in questions if one.kind == ISLAND]
    forbidden = bool(spots) and case.metal_stops == FORBIDDEN
    if forbidden or firm or Weight.FINDING in weights:
        return Verdict.FINDINGS
    forgotten = max(spots, default=0.0) >= LEAST_ISLAND_MM2
    unfinished = forgotten or any(one.kind in UNFINISHED for one in questions)
    paste = [(one.beyond_mm3, one.volume_mm3) for one in structure.material] if structure else []
    cut_off = ends_amid_veneer(paste)
    undecided = bool(zones) or unfinished or cut_off or Weight.UNDECIDED in weights
    if undecided or not measured_share >= LEAST_MEASURED_SHARE:
        return Verdict.UNDECIDED
    return Verdict.NO_FINDINGS


def ends_amid_veneer(volumes_mm3: Sequence[tuple[float, float]]) -> bool:
    """Whether more room lies past the end of the framework's scan than a volume is told to, of each
    unit's room past it and before it, mm³."""
    beyond, told = np.reshape(volumes_mm3, (-1, 2)).sum(axis=0)
    return bool(beyond > _BEYOND_SHARE * told)


def measured_share(space: SpaceMap, veneered: Bools) -> float:
    """Share of the veneered area with a reading; a chamfer's wall has only its nearest contour."""
    read = np.fmin(space.judged_low_mm, space.judged_high_mm)
    total = space.area_mm2[veneered].sum()
    if not total > 0:
        return math.nan
    return float(space.area_mm2[veneered & np.isfinite(read)].sum() / total)


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


def figures(
    points_mm: Floats,
    reading: Reading,
    layer_mm: Floats,
    parts: Regions,
    *,
    alignment: Alignment,
    limits: Limits,
) -> tuple[Statistics, Statistics]:
    """Space and layer over the cut proper, each mean with its uncertainty.

    The run-out at the finish line is left out: there every layer down to nothing is as it should
    be, and the figures would tell how long the line is.
    """
    cut, area = parts.code == Region.CUT, reading.space.area_mm2
    mean = mean_uncertainty(
        points_mm,
        reading.normals,
        reading.space,
        cut & np.isfinite(layer_mm),
        alignment=alignment,
        limits=limits,
    )
    space, layer = (
        statistics(values[cut], area[cut]) for values in (layer_mm + limits.taken_mm, layer_mm)
    )
    return (
        dataclasses.replace(space, mean_u_mm=mean.u_mm),
        dataclasses.replace(layer, mean_u_mm=math.hypot(mean.u_mm, limits.opaquer_u_mm)),
    )


def nothing_measured(
    framework: TriangleMesh,
    waxup: TriangleMesh,
    alignment: Alignment,
    case: Case,
    limits: Limits,
) -> Check:
    """Without a pose there is no space to speak of."""
    count = len(framework.points_mm)
    nothing = statistics(np.zeros(0), np.zeros(0))
    return Check(
        framework=framework,
        waxup=waxup,
        alignment=alignment,
        space=None,
        region=np.full(count, Region.UNSORTED, dtype=np.int64),
        finding=np.full(count, FindingKind.NONE, dtype=np.int64),
        measured_share=math.nan,
        veneered_area_mm2=math.nan,
        space_statistics=nothing,
        layer_statistics=nothing,
        zones=(),
        questions=(),
        verdict=sum_up((), alignment.state, math.nan, case=case),
        case=case,
        limits=limits,
    )
