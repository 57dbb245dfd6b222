"""Align two scans, or take their shared frame as given; either way say how far to believe it."""

from __future__ import annotations

import dataclasses

import numpy as np

from veneercheck.core.align import fit, polish, seating, words
from veneercheck.core.align.fit import Candidate
from veneercheck.core.align.options import AlignOptions
from veneercheck.core.align.pairs import Target
from veneercheck.core.align.polish import Body, Polished
from veneercheck.core.align.trust import Certainty, certainty
from veneercheck.core.errors import MeshError
from veneercheck.core.types import (
    Alignment,
    AlignmentState,
    Bools,
    Floats,
    RigidMotion,
    TriangleMesh,
)

_TRUSTED_BOUND_MM = 0.0125
_DOUBTFUL_BOUND_MM = 0.025
"""Standard uncertainty at the farthest vertex: twice it is 25 µm (trusted) and 50 µm (failed)."""

_LEAST_REFERENCE_MM2 = 5.0
_LEAST_SHARPNESS = 0.5
_TRUSTED_SHARPNESS = 0.6
"""Share of true contact in what lies within 0.3 mm: at the true pose 0.7 to 1, at others 0.2
to 0.55 (bridges of our own making)."""

_RIVAL_SHARE = 0.7
"""A rival pose with more than this share of the winner's rank leaves the choice open."""


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
    options : AlignOptions, optional
    reference : ndarray of bool, shape (n,), optional
        Framework vertices known to be uncut: only they are used.
    start : RigidMotion, optional
        `waxup_from_framework`, roughly (from landmarks): no search from elsewhere.

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
    _check(framework, waxup, reference)
    body, target, found = fit.place(framework, waxup, options, reference, start)
    best = found[0]
    last = polish.last_fit(body, target, best.motion, best.quality.noise_mm, options.polish_points)
    if last is None:
        return _nothing(body, best.motion, words.NO_CONTACT)
    seat = seating.compare(body, target, last, options)
    last = seat.own or last
    white = float(np.hypot(body.surface.noise_mm, target.surface.noise_mm))
    sure = certainty(body, last, white)
    state, reasons = _state(body, target, last, sure, found)
    if seat.own is not None or seat.difference_mm > options.limit_mm:
        reasons = (words.not_seated(seat.difference_mm, seat.own is not None), *reasons)
        if state is AlignmentState.TRUSTED:
            state = AlignmentState.DOUBTFUL
    return _outcome(body, last, sure, state, reasons)


def given(
    framework: TriangleMesh, waxup: TriangleMesh, *, reference: Bools | None = None
) -> Alignment:
    """Take the frame that the scans share; `with_residual` tells later how true it is.

    Parameters
    ----------
    framework, waxup : TriangleMesh
    reference : ndarray of bool, shape (n,), optional

    Returns
    -------
    Alignment
        State `given`, no motion, no uncertainty, no residual yet.
    """
    _check(framework, waxup, reference)
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


def with_residual(
    alignment: Alignment, distance_mm: Floats, uncut: Bools, area_mm2: Floats
) -> Alignment:
    """Add to a given frame what was measured where the framework was left uncut.

    Parameters
    ----------
    alignment : Alignment
        State `given`.
    distance_mm : ndarray, shape (n,)
        Signed distance of every framework vertex to the contour.
    uncut : ndarray of bool, shape (n,)
    area_mm2 : ndarray, shape (n,)
        Area that each vertex stands for.
    """
    area = float(area_mm2[uncut].sum())
    reasons = () if area >= _LEAST_REFERENCE_MM2 else (words.GIVEN_WITHOUT_CONTACT,)
    return dataclasses.replace(
        alignment,
        rms_mm=_rms(distance_mm[uncut]),
        reference=uncut[: len(alignment.reference)],
        reference_area_mm2=area,
        reference_share=area / max(float(area_mm2.sum()), 1e-12),
        reasons=reasons,
    )


def _check(framework: TriangleMesh, waxup: TriangleMesh, reference: Bools | None) -> None:
    for mesh, name in ((framework, "framework"), (waxup, "wax-up")):
        if not len(mesh.faces):
            raise MeshError("the scan has no surface.", where=name)
    if reference is not None and reference.shape != (len(framework.points_mm),):
        raise MeshError(
            f"the reference mask has {reference.shape} entries, not one for each of "
            f"{len(framework.points_mm)} framework vertices."
        )


def _rms(residual_mm: Floats) -> float:
    return float(np.sqrt(np.mean(residual_mm**2))) if len(residual_mm) else float("nan")


def _state(
    body: Body, target: Target, last: Polished, sure: Certainty, found: list[Candidate]
) -> tuple[AlignmentState, tuple[str, ...]]:
    quality = polish.judge(body, target, last.motion)
    area = last.area_mm2
    failed: list[str] = []
    doubt: list[str] = []
    if area < _LEAST_REFERENCE_MM2:
        failed.append(words.too_little(area))
    if quality.sharpness < _LEAST_SHARPNESS:
        failed.append(words.CROSSING_ONLY)
    elif quality.sharpness < _TRUSTED_SHARPNESS:
        doubt.append(words.CROSSING_ONLY)
    if not sure.bound_mm <= _DOUBTFUL_BOUND_MM:
        failed.append(words.too_loose(sure.bound_mm, body, last, sure))
    elif sure.bound_mm > _TRUSTED_BOUND_MM:
        doubt.append(words.too_loose(sure.bound_mm, body, last, sure))
    rivals = [one for one in found if fit.apart_mm(one.motion, last.motion, body) > 0.5]
    if rivals and rivals[0].quality.score_mm2 > _RIVAL_SHARE * quality.score_mm2:
        doubt.append(words.rival(rivals[0].quality.score_mm2, quality.score_mm2))
    if failed:
        return AlignmentState.FAILED, tuple(failed + doubt)
    return (AlignmentState.DOUBTFUL if doubt else AlignmentState.TRUSTED), tuple(doubt)


def _outcome(
    body: Body,
    last: Polished,
    sure: Certainty,
    state: AlignmentState,
    reasons: tuple[str, ...],
) -> Alignment:
    area = last.area_mm2
    used = last.weight > 0
    return Alignment(
        waxup_from_framework=last.motion,
        state=state,
        rms_mm=_rms(last.pairs.residual_mm[used]),
        reference=last.seen.reference,
        reference_area_mm2=area,
        reference_share=area / float(body.surface.area_mm2.sum()),
        covariance=sure.covariance,
        centre_mm=sure.centre_mm,
        u_max_mm=sure.u_max_mm,
        weakest=words.weakest(body, last, sure),
        noise_mm=last.noise_mm,
        stopped=last.stopped,
        reasons=reasons,
    )


def _nothing(body: Body, motion: RigidMotion, reason: str) -> Alignment:
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
