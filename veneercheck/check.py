"""The check, as one sentence: align, measure, divide, judge, and say what to do at the bench."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable

import numpy as np

from veneercheck.core import (
    align,
    anatomy,
    attachments,
    beads,
    budget,
    judge,
    meant,
    measure,
    rays,
    regions,
    structure,
    zones,
)
from veneercheck.core.mesh import face_areas, refine, vertex_normals
from veneercheck.core.motion import best_motion
from veneercheck.core.types import (
    FORBIDDEN,
    WAX,
    Alignment,
    AlignmentState,
    BeadField,
    Bools,
    Case,
    Check,
    Fault,
    FindingKind,
    Floats,
    Frame,
    Ints,
    Limits,
    PlaceWords,
    Region,
    RigidMotion,
    SpaceMap,
    Statistics,
    TriangleMesh,
)

LONGEST_EDGE_MM = 0.15
"""Framework edges longer than this are halved, so that no thin spot hides between vertices."""

MOST_TRIANGLES = 3_000_000
"""A framework so large that it would be refined past this keeps longer edges."""

_TRIANGLES_PER_SQUARE = 6.5
"""Halving leaves edges between half the limit and the limit: about this many an edge squared, as
counted on a sphere of 3 million triangles."""

_STRAY = 0.05
"""Share of a zone whose metal may read thinner than what is told of it."""

_SLOWER = "Embree is not installed here: the portable engine gives the same numbers, slower"

Say = Callable[[str], None]


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Surfaces:
    """The two scans as the check takes them.

    Parameters
    ----------
    framework, waxup : TriangleMesh
        Each in its own frame, in mm.
    framework_noise_mm, waxup_noise_mm : float
        Noise of each scan, standard deviation.
    paint : ndarray of int64, shape (n,), optional
        `Region` codes painted on the framework, −1 where nothing was painted.
    die : TriangleMesh, optional
        The prepared teeth, in the wax-up's frame.
    reference : ndarray of bool, shape (n,), optional
        Framework vertices that the alignment rests on, and no others.
    """

    framework: TriangleMesh
    waxup: TriangleMesh
    framework_noise_mm: float = 0.0
    waxup_noise_mm: float = 0.0
    paint: Ints | None = None
    die: TriangleMesh | None = None
    reference: Bools | None = None


def _silent(_: str) -> None:
    pass


def check(
    surfaces: Surfaces,
    *,
    case: Case,
    limits: Limits,
    aligned: bool = False,
    say: Say = _silent,
) -> Check:
    """Check the space between a framework and its wax-up.

    Parameters
    ----------
    surfaces : Surfaces
    case : Case
    limits : Limits
        Those of the case's stage are taken.
    aligned : bool
        The two scans already share a frame; it is taken, and its residual told.
    say : callable
        Told in a few words what is being done.

    Returns
    -------
    Check
        With `space` None where the alignment failed: then nothing is measured.

    Examples
    --------
    >>> from veneercheck.phantom.bodies import parallel_plates
    >>> from veneercheck.profile import built_in
    >>> body = parallel_plates(0.5, gap_mm=1.5)
    >>> found = check(
    ...     Surfaces(body.inner, body.outer), case=Case(), limits=built_in(), aligned=True
    ... )
    >>> found.verdict.value, round(found.space_statistics.median_mm, 6)
    ('no findings', 1.5)
    """
    limits = limits.at(case.stage)
    say("aligning the framework on what was not cut")
    alignment = _aligned(surfaces, case, limits) if not aligned else _given(surfaces)
    framework, paint = _sample(surfaces, alignment.waxup_from_framework)
    if alignment.state is AlignmentState.FAILED:
        return _nothing_measured(framework, surfaces.waxup, alignment, case, limits)
    say("measuring the space")
    if rays.default_engine() == "portable":
        say(_SLOWER)

    def measured(metal: TriangleMesh) -> measure.Reading:
        return measure.measure(
            metal,
            surfaces.waxup,
            alignment=alignment,
            limits=limits,
            framework_noise_mm=surfaces.framework_noise_mm,
            waxup_noise_mm=surfaces.waxup_noise_mm,
        )

    raw = reading = measured(framework)
    beaded = beads.find(framework, raw.space.nearest_mm)
    if beaded is not None:
        say("taking the retention beads off")
        framework = beaded.base
        reading = measured(framework)
    attached = attachments.find(framework, surfaces.waxup, reading)
    say("dividing it into zones")
    parts = regions.divide(
        framework, reading, limits, paint=_painted_over(paint, attached, reading)
    )
    alignment = _residual_told(framework, alignment, reading, parts)
    where = _places(framework, reading, parts, case)
    metal = _metal(framework, reading, surfaces.die)
    worked = _work(
        framework, reading, parts, metal=metal, limits=limits, where=where, stage=case.stage
    )
    if beaded is not None:
        worked.advised.extend(_over_beads(beaded, raw, reading, limits, worked.advised))
    told = _words_of(where, reading, parts)
    found = judge.decide(
        worked.advised,
        told,
        lambda at: anatomy.on_functional_cusps(where, at, reading.space.area_mm2),
        stage=case.stage,
        limits=limits,
    )
    stops = judge.questions(parts, framework.points_mm, reading.space.area_mm2, case, told)
    unlike = meant.compare(framework, where, parts, reading.space.area_mm2, case)
    carried = structure.survey(
        framework,
        surfaces.waxup,
        reading,
        region=parts.code,
        where=where,
        limits=limits,
        told=told,
    )
    veneered = np.isin(parts.code, (Region.CUT, Region.FINISH_LINE_BAND))
    share = _measured_share(reading.space, veneered)
    return Check(
        framework=framework,
        waxup=surfaces.waxup,
        alignment=alignment,
        space=reading.space,
        region=parts.code,
        finding=_painted([one.patch for one in worked.advised], len(framework.points_mm)),
        measured_share=share,
        veneered_area_mm2=float(reading.space.area_mm2[veneered].sum()),
        space_statistics=_over(reading.space.space_mm, reading.space.area_mm2, veneered),
        layer_statistics=_over(reading.space.layer_mm, reading.space.area_mm2, veneered),
        zones=found,
        questions=(*stops, *judge.chamfers(worked.unshaped, told), *unlike),
        verdict=judge.sum_up(
            found,
            alignment.state,
            share,
            forbidden_stop=bool(stops) and case.metal_stops == FORBIDDEN,
            unfinished=any(asked.kind == meant.NOT_CUT for asked in unlike),
            structure=carried,
        ),
        case=case,
        limits=limits,
        frame=_frame(where),
        amount_mm=worked.amount_mm,
        metal_left_mm=worked.metal_left_mm,
        p_thin=worked.p_thin,
        p_thick=worked.p_thick,
        tooth=where.tooth,
        surface=where.surface,
        beads=None if beaded is None else _bead_field(beaded, raw, limits),
        told=tuple(_told_of(part, framework, reading, told) for part in attached),
        structure=carried,
    )


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class _Work:
    """What the hand may have to do: zones, missing chamfers, and amounts at every vertex."""

    advised: list[judge.Advised]
    unshaped: list[zones.Patch]
    amount_mm: Floats
    metal_left_mm: Floats
    p_thin: Floats
    p_thick: Floats


def _metal(framework: TriangleMesh, reading: measure.Reading, die: TriangleMesh | None) -> Floats:
    """Thickness of the metal, down to the die or to the framework's own scanned other side."""
    own = reading.space.metal_mm
    if die is None:
        return own
    return np.fmin(budget.metal_to_die(framework, reading.normals, die), own)


def _least(values: Floats, vertices: Ints) -> float:
    """The least of a zone, a few stray points left out; NaN where nothing is known."""
    known = values[vertices][np.isfinite(values[vertices])]
    return float(np.quantile(known, _STRAY)) if len(known) else math.nan


def _work(
    framework: TriangleMesh,
    reading: measure.Reading,
    parts: regions.Regions,
    *,
    metal: Floats,
    limits: Limits,
    where: anatomy.Places,
    stage: str,
) -> _Work:
    """Zones with what the knife does about them: off where positive, to be added where negative."""
    count = len(framework.points_mm)
    off, on = np.zeros(count), np.zeros(count)
    advised, unshaped = [], []
    least, _ = _limits_of_surfaces(limits, where)
    need = zones.least_layer_mm(parts, limits, least)
    left = budget.metal_left(metal, reading.space.judged_low_mm, need, limits)
    compared = _compared(reading, parts, limits, where)
    for excess in compared:
        side = on if excess.finding is FindingKind.TOO_THICK else off
        for patch in zones.patches(framework, reading, parts, limits, excess):
            if stage == WAX and zones.is_of_band(patch, reading, parts):
                unshaped.append(patch)
                continue
            amount = zones.amounts(reading, excess, patch, judge.advise(patch))
            left_here = _least(left, patch.vertices)
            if excess.finding is not FindingKind.TOO_THICK:
                # No advice ever takes a wall below its limit.
                amount = np.fmin(amount, np.maximum(metal - limits.least_metal_mm, 0.0))
            if excess.finding is FindingKind.TOO_THIN and left_here <= 0.0:
                amount = np.zeros(count)  # no cut makes room: others decide first
            volume = float(reading.space.area_mm2 @ amount)
            under = _least(metal, patch.vertices)
            advised.append(judge.Advised(patch, volume, under, left_here))
            np.maximum(side, amount, out=side)
    thin, thick, _ = (excess.probability() for excess in compared)
    return _Work(advised, unshaped, np.where(off > 0, off, -on), left, thin, thick)


def _over_beads(
    found: beads.Beads,
    raw: measure.Reading,
    reading: measure.Reading,
    limits: Limits,
    advised: list[judge.Advised],
) -> list[judge.Advised]:
    """Zones where only the cover over beads is short."""
    thin = [one.patch for one in advised if one.patch.finding is FindingKind.TOO_THIN]
    return [judge.Advised(p) for p in zones.bead_patches(found, raw, reading, limits, thin)]


def _painted_over(
    paint: Ints | None, attached: tuple[attachments.Attachment, ...], reading: measure.Reading
) -> Ints | None:
    """What was painted, and the parts that are left out."""
    if not attached:
        return paint
    count = len(reading.space.area_mm2)
    full = np.full(count, -1, dtype=np.int64) if paint is None else paint.copy()
    for part in attached:
        full[part.vertices] = Region.ATTACHMENT
    return full


def _bead_field(found: beads.Beads, raw: measure.Reading, limits: Limits) -> BeadField:
    cover = raw.space.nearest_mm[found.top]
    return BeadField(
        count=len(found.top),
        diameter_mm=found.diameter_mm,
        height_mm=float(np.median(found.height_mm)),
        proud=int((found.height_mm > limits.opaquer_mm).sum()),
        cover_least_mm=float(np.nanmin(cover)),
        cover_median_mm=float(np.nanmedian(cover)),
    )


def _told_of(
    part: attachments.Attachment,
    framework: TriangleMesh,
    reading: measure.Reading,
    told: PlaceWords,
) -> Fault:
    """A part that was left out, and where it stands: told from its foot."""
    area = reading.space.area_mm2[part.vertices]
    x, y, z = area @ framework.points_mm[part.vertices] / area.sum()
    foot = part.vertices[np.abs(reading.space.nearest_mm[part.vertices]) < attachments.FAR_MM]
    tooth, _, _ = told(foot)
    where = f" at {tooth}" if tooth else ""
    words = (
        f"a sprue, handle or pin{where} stands {part.length_mm:.1f} mm out of the contour; "
        "left out, and what lies under it was not seen."
    )
    return Fault("attachment", 1, words, (float(x), float(y), float(z)))


def _before_finishing(framework: TriangleMesh, limits: Limits) -> TriangleMesh:
    """The framework as it was cast, for the fit: what was uncut then lies on the contour."""
    if not limits.finishing_mm > 0:
        return framework
    out = limits.finishing_mm * vertex_normals(framework)
    return TriangleMesh(framework.points_mm + out, framework.faces)


def _given(surfaces: Surfaces) -> Alignment:
    return align.given(surfaces.framework, surfaces.waxup, reference=_reference(surfaces))


def _aligned(surfaces: Surfaces, case: Case, limits: Limits) -> Alignment:
    """The fit, from the places picked on both scans if there are any."""
    start = None
    if case.landmarks_mm:
        picked = np.array(case.landmarks_mm)
        start = best_motion(picked[:, 0], picked[:, 1])
    framework = _before_finishing(surfaces.framework, limits)
    return align.align(framework, surfaces.waxup, reference=_reference(surfaces), start=start)


def _reference(surfaces: Surfaces) -> Bools | None:
    """What was said to be uncut, by a mask of its own or by the paint on the framework."""
    if surfaces.reference is not None:
        return surfaces.reference
    painted = None if surfaces.paint is None else surfaces.paint == Region.UNCUT
    return painted if painted is not None and painted.any() else None


def _residual_told(
    framework: TriangleMesh, alignment: Alignment, reading: measure.Reading, parts: regions.Regions
) -> Alignment:
    """A given frame is measured by what was left uncut; a fitted one tells its own residual."""
    if alignment.state is not AlignmentState.GIVEN:
        return alignment
    space, uncut = reading.space, parts.code == Region.UNCUT
    return align.with_residual(
        alignment,
        align.Residual(
            framework.points_mm,
            reading.normals,
            space.contour_mm,
            space.nearest_mm,
            uncut,
            space.area_mm2,
        ),
    )


def _places(
    framework: TriangleMesh, reading: measure.Reading, parts: regions.Regions, case: Case
) -> anatomy.Places:
    """Which tooth and surface every point belongs to."""
    model = parts.code == Region.MODEL
    attached = parts.code == Region.ATTACHMENT
    return anatomy.place(
        framework,
        case,
        # An attachment has no place on a tooth: neither its area nor its outline counts.
        area_mm2=np.where(attached, 0.0, reading.space.area_mm2),
        bridge=~model if model.any() else None,
        veneered=np.isin(parts.code, (Region.CUT, Region.FINISH_LINE_BAND)),
        fitting=(parts.code == Region.FITTING_SURFACE) | attached,
        normals=reading.normals,
        contour_mm=reading.space.contour_mm,
    )


def _words_of(
    where: anatomy.Places, reading: measure.Reading, parts: regions.Regions
) -> PlaceWords:
    """Tooth, surface and place in words of some vertices."""
    space = reading.space

    def told(at: Ints) -> tuple[str | None, str | None, str]:
        tooth, surface, words = anatomy.place_words(where, at, space.area_mm2)
        height = anatomy.line_words(where, at, space.area_mm2, space.contour_mm, parts.line_mm)
        return tooth, surface, ", ".join(filter(None, (words, height)))

    return told


def _frame(where: anatomy.Places) -> Frame:
    def known(direction: Floats) -> tuple[float, float, float] | None:
        if not (np.isfinite(direction).all() and direction.any()):
            return None
        x, y, z = (float(part) for part in direction)
        return x, y, z

    guessed = where.occlusal_guessed or where.buccal_guessed
    return Frame(known(where.occlusal), known(where.buccal), guessed, where.words)


def _sample(
    surfaces: Surfaces, waxup_from_framework: RigidMotion
) -> tuple[TriangleMesh, Ints | None]:
    """The framework in the wax-up's frame, with a vertex at least every 0.15 mm."""
    mesh = surfaces.framework
    area = float(face_areas(mesh).sum())
    edge_mm = max(LONGEST_EDGE_MM, math.sqrt(_TRIANGLES_PER_SQUARE * area / MOST_TRIANGLES))
    fine, parents, _ = refine(mesh, edge_mm)
    moved = TriangleMesh(waxup_from_framework.apply(fine.points_mm), fine.faces)
    return moved, None if surfaces.paint is None else _spread_paint(surfaces.paint, parents)


def _spread_paint(paint: Ints, parents: Ints) -> Ints:
    """A vertex between two of one paint has that paint; else it is found automatically."""
    known = np.concatenate([paint, np.full(len(parents), -1, dtype=np.int64)])
    added = np.arange(len(paint), len(known))
    # A vertex added in a later round may have parents added in an earlier one.
    while True:
        both = known[parents]
        value = np.where(both[:, 0] == both[:, 1], both[:, 0], -1)
        if np.array_equal(known[added], value):
            return known
        known[added] = value


def _compared(
    reading: measure.Reading, parts: regions.Regions, limits: Limits, where: anatomy.Places
) -> tuple[zones.Excess, ...]:
    least, greatest = _limits_of_surfaces(limits, where)
    return zones.excesses(reading, parts, limits, least_mm=least, greatest_mm=greatest)


def _limits_of_surfaces(limits: Limits, where: anatomy.Places) -> tuple[Floats, Floats]:
    """Least and greatest layer at every point: the general ones, or those of its surface."""
    least = np.full(len(where.tooth), limits.layer.least_mm)
    greatest = np.full(len(where.tooth), limits.layer.greatest_mm)
    if limits.surfaces:
        for (tooth, surface), word in anatomy.surface_words(where).items():
            own = limits.surfaces.get(word)
            if own is not None:
                here = (where.tooth == tooth) & (where.surface == surface)
                least[here], greatest[here] = own.least_mm, own.greatest_mm
    return least, greatest


def _painted(patches: list[zones.Patch], count: int) -> Ints:
    finding = np.full(count, FindingKind.NONE, dtype=np.int64)
    for patch in patches:
        finding[patch.vertices] = patch.finding
    return finding


def _measured_share(space: SpaceMap, veneered: Bools) -> float:
    """Share of the veneered area with a reading; a chamfer's wall has only its nearest contour."""
    read = np.fmin(space.judged_low_mm, space.judged_high_mm)
    total = space.area_mm2[veneered].sum()
    if not total > 0:
        return math.nan
    return float(space.area_mm2[veneered & np.isfinite(read)].sum() / total)


def _over(values_mm: Floats, area_mm2: Floats, veneered: Bools) -> Statistics:
    return judge.statistics(values_mm[veneered], area_mm2[veneered])


def _nothing_measured(
    framework: TriangleMesh,
    waxup: TriangleMesh,
    alignment: Alignment,
    case: Case,
    limits: Limits,
) -> Check:
    """Without a pose there is no space to speak of."""
    nothing = judge.statistics(np.zeros(0), np.zeros(0))
    return Check(
        framework=framework,
        waxup=waxup,
        alignment=alignment,
        space=None,
        region=np.full(len(framework.points_mm), Region.UNSORTED, dtype=np.int64),
        finding=np.full(len(framework.points_mm), FindingKind.NONE, dtype=np.int64),
        measured_share=math.nan,
        veneered_area_mm2=math.nan,
        space_statistics=nothing,
        layer_statistics=nothing,
        zones=(),
        questions=(),
        verdict=judge.sum_up((), alignment.state, math.nan),
        case=case,
        limits=limits,
    )
