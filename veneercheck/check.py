"""The check, as one sentence: align, measure, divide, judge, and say what to do at the bench."""

from __future__ import annotations

import dataclasses
import functools
import math
from collections.abc import Callable

import numpy as np

from veneercheck.core import align
from veneercheck.core.align import finishing
from veneercheck.core.divide import anatomy, attachments, beside, excess, insides, regions
from veneercheck.core.judge import asked, knife, meant, structure, summed
from veneercheck.core.judge import decide as judge
from veneercheck.core.measure import beads
from veneercheck.core.measure.space import Reading, measure
from veneercheck.core.mesh import rays
from veneercheck.core.mesh.densify import densify
from veneercheck.core.mesh.triangles import side_by_side
from veneercheck.core.types import (
    DENTINE,
    FINISHED,
    WAX,
    Alignment,
    AlignmentState,
    BeadField,
    Bools,
    Case,
    Check,
    Fault,
    Floats,
    Ints,
    Limits,
    PlaceWords,
    Region,
    RigidMotion,
    Structure,
    TriangleMesh,
)

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
    """

    framework: TriangleMesh
    waxup: TriangleMesh
    framework_noise_mm: float = 0.0
    waxup_noise_mm: float = 0.0
    paint: Ints | None = None
    die: TriangleMesh | None = None

    def uncut(self) -> Bools | None:
        """What was painted as uncut: the alignment rests on it alone."""
        painted = None if self.paint is None else self.paint == Region.UNCUT
        return painted if painted is not None and painted.any() else None


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
        The two scans already share a frame; it is taken, and held against what was not cut.
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
    >>> found.zones, round(found.space_statistics.median_mm, 6)
    ((), 1.5)
    """
    limits = limits.at(case.stage)
    say("aligning the framework on what was not cut")
    alignment, here, told = _placed(surfaces, case, limits, aligned)
    found = _checked(surfaces, alignment, case=case, limits=here, say=say)
    return dataclasses.replace(found, limits=limits, told=(*told, *found.told))


def _checked(
    surfaces: Surfaces, alignment: Alignment, *, case: Case, limits: Limits, say: Say
) -> Check:
    """What follows from a pose."""
    framework, paint = densify(
        surfaces.framework,
        surfaces.paint,
        alignment.waxup_from_framework,
        surfaces.waxup,
        math.hypot(surfaces.framework_noise_mm, surfaces.waxup_noise_mm),
    )
    if alignment.state is AlignmentState.FAILED:
        return summed.nothing_measured(framework, surfaces.waxup, alignment, case, limits)
    say("measuring the space")
    measured = _measured(framework, surfaces, alignment, case=case, limits=limits, say=say)
    say("dividing it into zones")
    divided = _divided(measured, surfaces.waxup, paint, case, limits)
    measured = measured.on_slopes(divided, limits)
    work, carried = side_by_side(
        lambda: _work(measured, divided, case, limits),
        lambda: _carried(measured, divided, surfaces, case.stage, limits),
    )
    return _judged(
        measured,
        divided,
        work,
        carried,
        surfaces=surfaces,
        alignment=alignment,
        case=case,
        limits=limits,
    )


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class _Measured:
    """The framework without its beads, and what was read from it; `raw` with them."""

    framework: TriangleMesh
    reading: Reading
    raw: Reading
    beaded: beads.Beads | None

    def on_slopes(self, divided: _Divided, limits: Limits) -> _Measured:
        """What was read, how much too thin it is on slopes judged by the nearest contour."""
        least, _ = anatomy.limits_of_surfaces(limits, divided.where)
        reading = excess.on_slopes(self.reading, divided.parts, limits, least_mm=least)
        return dataclasses.replace(self, reading=reading)

    def field(self, limits: Limits) -> BeadField | None:
        """The beads, and how the veneer covers them."""
        if self.beaded is None:
            return None
        return beads.field(self.beaded, self.raw.space.nearest_mm, limits)


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class _Divided:
    """What of the framework is veneer, which tooth it belongs to, and what was left out."""

    parts: regions.Regions
    where: anatomy.Places
    told: PlaceWords
    attached: tuple[attachments.Attachment, ...]
    beside: tuple[Fault, ...]

    def remarks(self, framework: TriangleMesh, reading: Reading) -> tuple[Fault, ...]:
        """What was left out."""
        return (*attachments.tell(self.attached, framework, reading, self.told), *self.beside)

    def veneered(self) -> Bools:
        """Vertices that are to carry veneer."""
        return np.isin(self.parts.code, (Region.CUT, Region.FINISH_LINE_BAND))


def _placed(
    surfaces: Surfaces, case: Case, limits: Limits, aligned: bool
) -> tuple[Alignment, Limits, tuple[Fault, ...]]:
    """The pose; of metal by what finishing truly took off it, of wax by what spray added."""

    def placed(taken_mm: float | Floats, near: RigidMotion | None = None) -> Alignment:
        framework = finishing.before(surfaces.framework, taken_mm)
        return (_given if aligned else _aligned)(framework, surfaces, case, near)

    both, uncut = (surfaces.framework, surfaces.waxup), surfaces.uncut()
    if case.stage == WAX and not limits.finishing_mm:
        found, taken_mm, told = finishing.by_contact(placed, *both, reference=uncut)
    else:
        stated_mm = limits.finishing_mm
        found, taken_mm, told = finishing.by_measure(placed, *both, stated_mm, reference=uncut)
    if case.stage not in (DENTINE, FINISHED):  # what is built up may well stand out
        found = align.doubted(found, *both)
    found = finishing.of_metal(found, case.stage)
    u_mm = math.hypot(limits.seating_u_mm, finishing.uneven_mm(told))
    return found, dataclasses.replace(limits, finishing_mm=taken_mm, seating_u_mm=u_mm), told


def _given(
    framework: TriangleMesh, surfaces: Surfaces, _: Case, __: RigidMotion | None
) -> Alignment:
    """The frame that the scans share, held against what was not cut."""
    return align.examine(framework, surfaces.waxup, reference=surfaces.uncut())


def _aligned(
    framework: TriangleMesh, surfaces: Surfaces, case: Case, near: RigidMotion | None
) -> Alignment:
    """The fit, from the places picked on both scans if there are any, else near a pose if any."""
    uncut = surfaces.uncut()
    if not case.landmarks_mm:
        found = align.align(framework, surfaces.waxup, reference=uncut, start=near)
        return found if uncut is None else align.by_paint(found)
    start = align.start_of(surfaces.framework, surfaces.waxup, case.landmarks_mm)
    found = align.align(framework, surfaces.waxup, reference=uncut, start=start)
    return align.held(found, case.landmarks_mm)


def _measured(
    framework: TriangleMesh,
    surfaces: Surfaces,
    alignment: Alignment,
    *,
    case: Case,
    limits: Limits,
    say: Say,
) -> _Measured:
    """Read the space; where there are beads, read it anew from their base."""
    if rays.default_engine() == "portable":
        say(_SLOWER)

    def read(metal: TriangleMesh) -> Reading:
        reading = measure(
            metal,
            surfaces.waxup,
            alignment=alignment,
            limits=limits,
            framework_noise_mm=surfaces.framework_noise_mm,
            waxup_noise_mm=surfaces.waxup_noise_mm,
        )
        return knife.with_metal(metal, reading, surfaces.die, case.stage)

    raw = read(framework)
    beaded = beads.find(framework, raw.edges, raw.space.nearest_mm)
    if beaded is None:
        return _Measured(framework, raw, raw, None)
    say("taking the retention beads off")
    return _Measured(beaded.base, read(beaded.base), raw, beaded)


def _divided(
    measured: _Measured, waxup: TriangleMesh, paint: Ints | None, case: Case, limits: Limits
) -> _Divided:
    """Sort every point: cut or not, which tooth, which surface; sprues and handles aside."""
    framework, reading = measured.framework, measured.reading
    attached = attachments.find(framework, waxup, reading)
    paint = attachments.painted_over(paint, attached, len(framework.points_mm))
    divide = functools.partial(
        regions.divide, framework, reading, limits, paint=paint, built_up=case.stage == DENTINE
    )
    parts = divide()
    where = anatomy.locate(framework, reading, parts, case)
    bare = insides.undersides(parts.islands, reading, where.occlusal)
    if bare.any():
        parts = divide(bare=bare)
    told = anatomy.telling(where, reading, parts)
    parts, standing_out = beside.set_aside(parts, where, reading, case.units)
    return _Divided(parts, where, told, attached, standing_out)


def _work(measured: _Measured, divided: _Divided, case: Case, limits: Limits) -> knife.Work:
    """Zones and amounts, those where only the cover over beads is short among them."""
    work = knife.work(
        measured.framework,
        measured.reading,
        divided.parts,
        limits=limits,
        where=divided.where,
        told=divided.told,
        stage=case.stage,
    )
    own, owner = measured.reading, divided.where.owner
    advised = asked.or_meant(work.advised, divided.parts, own, owner, case)
    work = dataclasses.replace(work, advised=advised)
    if measured.beaded is None:
        return work
    return knife.with_bead_covers(
        work, measured.beaded, measured.raw, measured.reading,
        parts=divided.parts, limits=limits,
    )  # fmt: skip


def _carried(
    measured: _Measured, divided: _Divided, surfaces: Surfaces, stage: str, limits: Limits
) -> Structure:
    """What the framework is as a structure."""
    return structure.survey(
        measured.framework,
        measured.reading,
        parts=divided.parts,
        where=divided.where,
        stage=stage,
        limits=limits,
        told=divided.told,
        die=surfaces.die,
    )


def _judged(
    measured: _Measured,
    divided: _Divided,
    work: knife.Work,
    carried: Structure,
    *,
    surfaces: Surfaces,
    alignment: Alignment,
    case: Case,
    limits: Limits,
) -> Check:
    """Judge zones and framework, ask what only the technician knows, and sum it all up."""
    framework = measured.framework
    space = dataclasses.replace(measured.reading.space, layer_mm=work.layer_mm)
    parts, where, told = divided.parts, divided.where, divided.told
    alignment = anatomy.named(alignment, framework.points_mm, where, told)
    zones = judge.decide(
        work.advised,
        told,
        lambda at: anatomy.on_functional_cusps(where, at, space.area_mm2),
        stage=case.stage,
        limits=limits,
        doubtful=alignment.beyond_budget,
    )
    higher = attachments.higher(divided.attached)
    questions = (
        *asked.islands(parts, measured.reading, where.owner, case, told),
        *judge.chamfers(work.unshaped, told),
        *meant.compare(framework, where, parts, space.area_mm2, case),
        *meant.unseen(framework, surfaces.waxup, where, case),
        *meant.held(framework, parts, higher, space.area_mm2, told),
        *anatomy.question(where, framework, space.area_mm2),
    )
    veneered = divided.veneered()
    share = summed.measured_share(space, veneered)
    space_figures, layer_figures = summed.figures(
        framework.points_mm, measured.reading, work.layer_mm, parts,
        alignment=alignment, limits=limits,
    )  # fmt: skip
    return Check(
        framework=framework,
        waxup=surfaces.waxup,
        alignment=alignment,
        space=space,
        region=parts.code,
        finding=work.finding,
        measured_share=share,
        veneered_area_mm2=float(space.area_mm2[veneered].sum()),
        space_statistics=space_figures,
        layer_statistics=layer_figures,
        zones=zones,
        questions=questions,
        verdict=summed.sum_up(
            zones, alignment.state, share, case=case, questions=questions, structure=carried
        ),
        case=case,
        limits=limits,
        frame=anatomy.frame(where),
        amount_mm=work.amount_mm,
        metal_left_mm=work.metal_left_mm,
        p_thin=work.p_thin,
        p_thick=work.p_thick,
        tooth=where.tooth,
        surface=where.surface,
        beads=measured.field(limits),
        told=divided.remarks(framework, measured.reading),
        structure=carried,
        die=surfaces.die,
    )
