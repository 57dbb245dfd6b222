"""Align two scans, or take their shared frame as given; either way say how far to believe it."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence

import numpy as np

from veneercheck.core.align import fit, polish, seating, words
from veneercheck.core.align.options import AlignOptions
from veneercheck.core.align.pairs import Target
from veneercheck.core.align.pattern import Pattern, pattern
from veneercheck.core.align.polish import LEAST_REFERENCE_MM2, Body, Polished, Quality
from veneercheck.core.align.rival import Rival, best_rival
from veneercheck.core.align.solver import SURE, rows, solved
from veneercheck.core.align.trust import (
    STATED_FACTOR,
    Certainty,
    certainty,
    halves_mm,
    parted_mm,
    weakest_layer_mm,
)
from veneercheck.core.errors import MeshError, Told
from veneercheck.core.mesh.triangles import side_by_side
from veneercheck.core.types import (
    BESIDE,
    Alignment,
    AlignmentState,
    Bools,
    FitEvidence,
    Floats,
    Reason,
    RigidMotion,
    TriangleMesh,
)

_TRUSTED_BOUND_MM = 0.0125
_DOUBTFUL_BOUND_MM = 0.025
"""Standard uncertainty at the farthest vertex: twice it is 25 µm (trusted) and 50 µm (failed)."""

LEAST_SHARPNESS = 0.5
TRUSTED_SHARPNESS = 0.6
"""Share of true contact in what lies within 0.3 mm: at the true pose 0.7 to 1, at others 0.2
to 0.55 (bridges of our own making)."""

_HALVES_U = 8.0
_LEAST_HALVES_MM = 0.02
"""Two halves part by twice the uncertainty of the whole; four times that is no chance."""

_MOST_BESIDE, _LEAST_REST = 3, 0.667
"""So often what lies otherwise beside the cut is left out, as long as such a share of the reference
remains: of more nobody knows which of the two moved."""

_GRAVITY = (
    AlignmentState.TRUSTED,
    AlignmentState.GIVEN,
    AlignmentState.DOUBTFUL,
    AlignmentState.FAILED,
)


def graver(one: AlignmentState, other: AlignmentState) -> AlignmentState:
    """The state that is to be believed less."""
    return max(one, other, key=_GRAVITY.index)


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Fitted:
    """The last fit, on what, and how certain."""

    body: Body
    target: Target
    last: Polished
    sure: Certainty

    @staticmethod
    def of(body: Body, target: Target, last: Polished) -> Fitted:
        waxup_share = target.surface.noise_mm / max(body.surface.noise_mm, 1e-9)
        return Fitted(body, target, last, certainty(body, last, waxup_share))

    def evenly(self) -> tuple[float, Floats]:
        """How far the reference stands out of the contour, everywhere alike, in mm, and the step
        that a fit goes further by that, shape (6,); zeros where it is not sure.

        Powder, sprayed on for the scan, pushes a fit away from the side that its reference faces.
        """
        pairs, body = self.last.pairs, self.body
        lever = np.array([body.radius_mm] * 3 + [1.0] * 3)
        lying = rows(pairs.point_mm, pairs.normal, self.sure.centre_mm) / lever
        jacobian = np.concatenate([lying, np.ones((len(lying), 1))], axis=1)
        area = np.full(len(lying), self.last.sample_area_mm2)
        value, spread = solved(jacobian, pairs.residual_mm, self.last.weight * area, area)
        if not abs(value[6]) > SURE * math.sqrt(spread[6, 6] * self.sure.power_mm4):
            return 0.0, np.zeros(6)
        return -float(value[6]), np.asarray(value[:6] / lever)


def align(
    framework: TriangleMesh,
    waxup: TriangleMesh,
    *,
    options: AlignOptions = AlignOptions(),  # noqa: B008 - frozen
    reference: Bools | None = None,
    start: RigidMotion | None = None,
) -> Alignment:
    """Place the framework on the wax-up by the surface that was not cut.

    Parameters
    ----------
    framework, waxup : TriangleMesh
        Outward faces, mm; any pose, any crop.
    reference : ndarray of bool, shape (n,), optional
        Framework vertices known to be uncut: only they are used.
    start : RigidMotion, optional
        `waxup_from_framework`, roughly (`start_of` places picked): the pose near it is taken, and
        told as doubtful where another fits as well.

    Returns
    -------
    Alignment
        With state `failed` where no pose can be believed.

    Raises
    ------
    MeshError
        If a mesh has no area or the mask has another length than the framework.

    Notes
    -----
    Iterative closest points to the plane (Chen and Medioni 1992) with Tukey's weights, started
    narrow and one-sided; poses are ranked by contact area less what stands outside.
    """
    check(framework, waxup, reference)
    body, target, found = fit.place(framework, waxup, options, reference, start)
    best = found[0]
    last = polish.last_fit(body, target, best.motion, best.quality.noise_mm, options.polish_points)
    if last is None:
        return _nothing(body, best.motion, words.NO_CONTACT)
    done, seat, left = settled(body, target, last, options)
    quality = polish.judge(done.body, target, done.last.motion)
    other = best_rival(done.body, target, found, done.last, quality)
    evidence = _evidence(done, other, left, seat)
    size = left.scale - 1.0 if of_another_size(done, left, options) else 0.0
    state, reasons = _state(done, quality, other, size)
    told = changed(done, seat, left, evidence, options)
    if told and state is AlignmentState.TRUSTED:
        state = AlignmentState.DOUBTFUL
    return dataclasses.replace(
        _outcome(done, left), state=state, reasons=(*told, *reasons), evidence=evidence
    )


def settled(
    body: Body, target: Target, last: Polished, options: AlignOptions
) -> tuple[Fitted, seating.Seating, Pattern]:
    """The last fit with its uncertainty, the bridge's own where that is better, and its rest; made
    anew without what lies otherwise beside the cut, as far as enough remains."""
    done, seat, left = _settled(body, target, last, options)
    whole_mm2, beside = last.area_mm2, Pattern()
    for _ in range(_MOST_BESIDE):
        if left.beside is None or seat.own is not None:
            break
        body, out = seating.confined(body, ~left.beside), left
        again = polish.last_fit(body, target, last.motion, last.noise_mm, options.polish_points)
        if again is None or again.area_mm2 < _LEAST_REST * whole_mm2:
            break
        beside = max(out, beside, key=lambda one: np.nan_to_num(one.beside_mm))
        done, seat, left = _settled(body, target, again, options)
    if left.beside is not None:
        left = left.with_beside()
    mm, at_mm = beside.beside_mm, beside.beside_at_mm
    return done, seat, dataclasses.replace(left, beside_mm=mm, beside_at_mm=at_mm)


def _settled(
    body: Body, target: Target, last: Polished, options: AlignOptions
) -> tuple[Fitted, seating.Seating, Pattern]:
    """The same on all of a body."""
    done = Fitted.of(body, target, last)
    seat, left = side_by_side(
        lambda: seating.compare(body, target, done.last, options, done.sure.power_mm4),
        lambda: _left(done, options),
    )
    if seat.own is not None:
        done = Fitted.of(body, target, seat.own)
        left = _left(done, options)
    return done, seat, left


def _left(done: Fitted, options: AlignOptions) -> Pattern:
    """What the last fit leaves."""
    axes = done.last.motion.turn(words.own_axes(done.body))
    left = pattern(done.body, done.last, axes, done.sure.power_mm4, options.limit_mm)
    risen_mm = seating.risen_mm(done.body, done.target, done.last, axes[2])
    if math.isnan(risen_mm) or risen_mm <= left.part_mm:
        return left
    return dataclasses.replace(left, part_mm=risen_mm, part_u_mm=0.0, part_at_mm=None)


def given(
    framework: TriangleMesh, waxup: TriangleMesh, *, reference: Bools | None = None
) -> Alignment:
    """Take the frame that the scans share as it is; `examine` says how true it is.

    Parameters
    ----------
    reference : ndarray of bool, shape (n,), optional

    Returns
    -------
    Alignment
        State `given`, no motion, no uncertainty, no residual yet.
    """
    check(framework, waxup, reference)
    nowhere = np.zeros(len(framework.points_mm), dtype=bool)
    return Alignment(
        waxup_from_framework=RigidMotion.identity(),
        state=AlignmentState.GIVEN,
        rms_mm=float("nan"),
        reference=nowhere if reference is None else reference,
        reference_area_mm2=0.0,
        reference_share=0.0,
        covariance=np.zeros((6, 6)),
        centre_mm=framework.points_mm.mean(axis=0),
        u_max_mm=0.0,
        stopped="not fitted",
    )


def check(framework: TriangleMesh, waxup: TriangleMesh, reference: Bools | None) -> None:
    for mesh, name in ((framework, "framework"), (waxup, "wax-up")):
        if not len(mesh.faces):
            raise MeshError("the scan has no surface.", where=name)
    if reference is not None and reference.shape != (len(framework.points_mm),):
        raise MeshError(
            Told(
                "the reference mask has {shape} entries, not one for each of {count} framework "
                "vertices.",
                shape=reference.shape,
                count=len(framework.points_mm),
            )
        )


def rms(residual_mm: Floats) -> float:
    return float(np.sqrt(np.mean(residual_mm**2))) if len(residual_mm) else float("nan")


def _evidence(done: Fitted, other: Rival, left: Pattern, seat: seating.Seating) -> FitEvidence:
    return FitEvidence(
        condition=done.sure.condition,
        weakest_layer_mm=weakest_layer_mm(done.body, done.last, done.sure),
        halves_mm=halves_evidence(done),
        rival_share=other.share,
        seating_mm=seat.difference_mm,
        scale=left.scale,
        bow_mm=left.bow_mm,
        part_mm=float(np.fmax(left.part_mm, left.beside_mm)),
        even_mm=done.evenly()[0],
    )


def doubting(told: Sequence[Reason]) -> bool:
    """Whether something is told that the pose rests on."""
    return any(reason.code != BESIDE for reason in told)


def halves_evidence(done: Fitted) -> float:
    """How far fits on either half of the reference part."""
    return halves_mm(done.body, done.last, done.sure.centre_mm)


def of_another_size(done: Fitted, left: Pattern, options: AlignOptions) -> bool:
    """Whether a size is sure, and so much that it is told: a part that it moves is not told."""
    size = abs(left.scale - 1.0)
    matters = size > options.scale_limit or size * done.body.radius_mm > options.limit_mm
    return matters and size > SURE * left.scale_u


def changed(
    done: Fitted,
    seat: seating.Seating,
    left: Pattern,
    evidence: FitEvidence,
    options: AlignOptions,
) -> tuple[Reason, ...]:
    """What was changed between the scans beyond the cut, the plainest cause first."""
    # A part that rests on few facets may be shifted by as much as they lie inside.
    facets = done.last.seen.facets_mm
    limit, told = options.limit_mm, []
    ends_mm = 0.0
    if of_another_size(done, left, options):
        # By no more than the ends a size moves the fit of a part, too.
        ends_mm = abs(left.scale - 1.0) * done.body.radius_mm
        told.append(words.another_size(left.scale, left.scale_u, ends_mm))
    least_mm = ends_mm + max(limit, SURE * float(np.hypot(seat.u_mm, facets)))
    sure = seat.sure_mm > ends_mm + max(limit, SURE * facets)
    if seat.own is not None or seat.difference_mm > least_mm:
        told.append(words.not_seated(seat.difference_mm, seat.own is not None))
    elif sure:
        told.append(words.not_seated(seat.sure_mm, False))
    if left.bow_mm > max(limit, SURE * left.bow_u_mm):
        told.append(words.bowed(left.bow_mm))
    elif left.part_mm > max(limit, SURE * left.part_u_mm):
        told.append(words.part_off(left.part_mm, left.part_at_mm))
    if not math.isnan(left.beside_mm):
        told.append(words.beside(left.beside_mm, left.beside_at_mm))
    if abs(left.swollen_mm) > max(limit, SURE * left.swollen_u_mm):
        told.append(words.swollen(left.swollen_mm, left.swollen_at_mm))
    least_mm = max(_LEAST_HALVES_MM, _HALVES_U * done.sure.u_max_mm, SURE * facets)
    if not doubting(told) and evidence.halves_mm > least_mm:
        told.append(words.halves(evidence.halves_mm))
    return tuple(told)


def _state(
    done: Fitted, quality: Quality, other: Rival, size: float
) -> tuple[AlignmentState, tuple[Reason, ...]]:
    body, last, sure = done.body, done.last, done.sure
    area = last.area_mm2
    failed: list[Reason] = []
    doubt: list[Reason] = []
    if area < LEAST_REFERENCE_MM2:
        failed.append(words.too_little(area))
    if quality.sharpness < LEAST_SHARPNESS:
        failed.append(words.CROSSING_ONLY)
    elif quality.sharpness < TRUSTED_SHARPNESS:
        doubt.append(words.CROSSING_ONLY)
    if not sure.bound_mm <= _DOUBTFUL_BOUND_MM:
        failed.append(words.too_loose(sure.bound_mm, body, last, sure))
    elif sure.bound_mm > _TRUSTED_BOUND_MM:
        doubt.append(words.too_loose(sure.bound_mm, body, last, sure))
    elif min(sure.parted_mm, parted_mm(body, last, size)) > _TRUSTED_BOUND_MM:
        doubt.append(words.parted(sure.parted_mm))
    rival = other.doubt(quality)
    if rival is not None:
        doubt.append(rival)
    if failed:
        return AlignmentState.FAILED, tuple(failed + doubt)
    return (AlignmentState.DOUBTFUL if doubt else AlignmentState.TRUSTED), tuple(doubt)


def _outcome(done: Fitted, left: Pattern) -> Alignment:
    body, last, sure = done.body, done.last, done.sure
    area = last.area_mm2
    used = last.weight > 0
    return Alignment(
        waxup_from_framework=last.motion,
        state=AlignmentState.FAILED,
        rms_mm=rms(last.pairs.residual_mm[used]),
        reference=last.seen.reference,
        reference_area_mm2=area,
        reference_share=area / float(body.surface.area_mm2.sum()),
        covariance=sure.covariance,
        centre_mm=sure.centre_mm,
        u_max_mm=math.hypot(sure.stated_mm, STATED_FACTOR * left.scattered_mm),
        weakest=words.weakest(body, last, sure),
        noise_mm=last.noise_mm,
        contact_mm=sure.contact_mm,
        stopped=last.stopped,
    )


def _nothing(body: Body, motion: RigidMotion, reason: Reason) -> Alignment:
    return Alignment(
        waxup_from_framework=motion,
        state=AlignmentState.FAILED,
        rms_mm=float("nan"),
        reference=np.zeros(len(body.surface.mesh.points_mm), dtype=bool),
        reference_area_mm2=0.0,
        reference_share=0.0,
        covariance=np.full((6, 6), np.nan),
        centre_mm=motion.apply(body.centre_mm[None])[0],
        u_max_mm=float("nan"),
        stopped="no reference",
        reasons=(reason,),
    )
