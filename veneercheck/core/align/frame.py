"""Whether a frame that two scans share is true: where would the uncut surface fit best?"""

from __future__ import annotations

import dataclasses

import numpy as np

from veneercheck.core.align import fit, polish, trust, words
from veneercheck.core.align.alignment import (
    LEAST_SHARPNESS,
    TRUSTED_SHARPNESS,
    Fitted,
    changed,
    check,
    given,
    graver,
    halves_evidence,
    rms,
    settled,
)
from veneercheck.core.align.options import AlignOptions
from veneercheck.core.align.pairs import Target, pair
from veneercheck.core.align.polish import LEAST_REFERENCE_MM2, Body, Polished
from veneercheck.core.align.sampling import sample
from veneercheck.core.align.solver import SURE, rows
from veneercheck.core.mesh.motion import vector_from_rotation
from veneercheck.core.mesh.pieces import loose_pieces
from veneercheck.core.mesh.triangles import edge_pairs, select_faces, vertex_areas
from veneercheck.core.types import (
    Alignment,
    AlignmentState,
    Bools,
    FitEvidence,
    Floats,
    Reason,
    RigidMotion,
    TriangleMesh,
)

_USELESS_MM = 0.5
"""A frame so far off its fit leaves no reading of a layer of about 1 mm worth telling."""

_OUTSIDE_MM = 0.15
_LAYER_MM = 3.0
"""A framework lies inside its contour, and not deeper under it than a veneer is thick."""

_BESIDE = 0.5
"""Cosine between the normals of two surfaces that run beside each other."""

_STRAY_SHARE, _CROSSING_SHARE = 0.05, 0.1
"""Of the framework that runs beside a contour, so much stands out of it where the two cross:
0.16 to 0.8 in frames that were wrong by 0.3 mm and more, at most 0.01 in true ones
(`given_frames.py`)."""

_CLEARLY_MORE = 1.1
"""A fit from the frame itself is taken where so much more of the surface touches after it."""

_LEAST_BESIDE_SHARE = 0.05
"""Less of the framework beside a contour has nothing to do with it."""

_NOWHERE = RigidMotion.identity()


def _by_sight(body: Body, target: Target) -> tuple[AlignmentState, tuple[Reason, ...]]:
    """Two surfaces that cross, or that nowhere run beside each other, share no frame."""
    samples = sample(body.surface, polish.QUICK_POINTS)
    found = pair(samples, _NOWHERE, target)
    beside = found.distance_mm < _LAYER_MM
    beside &= np.einsum("ij,ij->i", found.normal, samples.normal) > _BESIDE
    share = float(np.mean(beside))
    if share < _LEAST_BESIDE_SHARE:
        return AlignmentState.FAILED, (words.frame_apart(share),)
    stray = float(np.mean(found.residual_mm[beside] > _OUTSIDE_MM))
    if stray <= _STRAY_SHARE:
        return AlignmentState.GIVEN, ()
    failed = stray > _CROSSING_SHARE
    state = AlignmentState.FAILED if failed else AlignmentState.DOUBTFUL
    return state, (words.frame_crossing(stray),)


def examine(
    framework: TriangleMesh,
    waxup: TriangleMesh,
    *,
    options: AlignOptions = AlignOptions(),  # noqa: B008 - frozen
    reference: Bools | None = None,
) -> Alignment:
    """Take the frame that the scans share, and hold it against what was not cut.

    Parameters
    ----------
    framework, waxup : TriangleMesh
        In one frame, they say; outward faces, mm.
    reference : ndarray of bool, shape (n,), optional
        Framework vertices known to be uncut: only they are used.

    Returns
    -------
    Alignment
        No motion. State `given` where the uncut surface fits where it lies, or where there is
        none and nothing contradicts; `doubtful` where it fits elsewhere, or was changed; `failed`
        where it fits so far away that no number would hold, or the surfaces have nothing in
        common.

    Raises
    ------
    MeshError
        If a mesh has no area or the mask has another length than the framework.
    """
    check(framework, waxup, reference)
    kept = _of_the_bridge(framework)
    if kept.all():
        return _examined(framework, waxup, options, reference)
    whole, corners = framework, kept[framework.faces]
    framework, used = select_faces(whole, np.asarray(corners.all(axis=1)))
    known = None if reference is None else reference[used]
    found = _examined(framework, waxup, options, known)
    if found.reference is None:
        return found
    uncut = np.zeros(len(whole.points_mm), dtype=bool)
    uncut[used] = found.reference
    return dataclasses.replace(found, reference=uncut)


def _of_the_bridge(framework: TriangleMesh) -> Bools:
    """Vertices of no loose piece: where one touches the contour, nothing was left uncut."""
    kept = np.ones(len(framework.points_mm), dtype=bool)
    for piece in loose_pieces(vertex_areas(framework), edge_pairs(framework.faces)):
        kept[piece] = False
    return kept


def _examined(
    framework: TriangleMesh, waxup: TriangleMesh, options: AlignOptions, reference: Bools | None
) -> Alignment:
    frame = given(framework, waxup, reference=reference)
    body, target = fit.prepared(framework, waxup, options, reference)
    last = _fit_from_here(body, target, options)
    if last is None:
        state, told = _by_sight(body, target)
        return dataclasses.replace(
            frame, state=state, reasons=told or (words.GIVEN_WITHOUT_CONTACT,)
        )
    return _compared(frame, body, target, last, options)


def _fit_from_here(body: Body, target: Target, options: AlignOptions) -> Polished | None:
    """The uncut surface fitted from where it lies; None where there is none to speak of."""
    near = polish.search_fit(body, target, _NOWHERE, polish.QUICK_POINTS)
    fits = [_fitted(body, target, near, options)]
    if _farthest_mm(body, near) > options.limit_mm:
        # A search is wide: a bump, or a narrow collar beside a flat run-out, leads it astray.
        fits.append(_fitted(body, target, _NOWHERE, options))
    found = [one for one in fits if one is not None and one.area_mm2 >= LEAST_REFERENCE_MM2]
    if not found:
        return None
    noise_mm = min(one.noise_mm for one in found)
    seen = [polish.judge(body, target, one.motion, noise_mm=noise_mm) for one in found]
    best = int(seen[-1].contact_mm2 > _CLEARLY_MORE * seen[0].contact_mm2)
    sharp = polish.judge(body, target, found[best].motion).sharpness
    return found[best] if sharp >= LEAST_SHARPNESS else None


def _fitted(
    body: Body, target: Target, motion: RigidMotion, options: AlignOptions
) -> Polished | None:
    noise_mm = polish.judge(body, target, motion).noise_mm
    return polish.last_fit(body, target, motion, noise_mm, options.polish_points)


def _farthest_mm(body: Body, motion: RigidMotion) -> float:
    points = body.surface.mesh.points_mm
    return float(np.linalg.norm(motion.apply(points) - points, axis=1).max())


def _compared(
    frame: Alignment, body: Body, target: Target, last: Polished, options: AlignOptions
) -> Alignment:
    """The given frame against the fit: how far apart, and what was changed beyond the cut."""
    done, seat, left = settled(body, target, last, options)
    evidence = FitEvidence(
        condition=done.sure.condition,
        halves_mm=halves_evidence(done),
        seating_mm=seat.difference_mm,
        scale=left.scale,
        bow_mm=left.bow_mm,
        part_mm=float(np.fmax(left.part_mm, left.beside_mm)),
        even_mm=done.evenly()[0],
    )
    free = _free_ways(done)
    off_mm, untrue = _apart(done, free, options.limit_mm)
    useless = untrue and off_mm > _USELESS_MM
    told = [words.frame_untrue(off_mm)] if untrue else []
    if not free.size and not useless:
        told += changed(done, seat, left, evidence, options)
    quality = polish.judge(body, target, done.last.motion)
    if quality.sharpness < TRUSTED_SHARPNESS:
        told.append(words.CROSSING_ONLY)
    state = AlignmentState.DOUBTFUL if told else AlignmentState.GIVEN
    if useless:
        state = AlignmentState.FAILED
    if quality.contact_mm2 < fit.least_contact_mm2(body, target):
        seen, more = _by_sight(body, target)
        told += more
        state = graver(state, seen)
    return dataclasses.replace(
        _with_reference(frame, done),
        state=state,
        reasons=tuple(told),
        evidence=dataclasses.replace(evidence, frame_mm=off_mm),
    )


def _free_ways(done: Fitted) -> Floats:
    """Motions that slide the reference along itself."""
    pairs, used = done.last.pairs, done.last.weight > 0
    lying = rows(pairs.point_mm[used], pairs.normal[used], done.sure.centre_mm)
    return trust.free_ways(lying, done.body.radius_mm)


def _with_reference(frame: Alignment, done: Fitted) -> Alignment:
    """The frame with the uncut surface that the fit found, and its residual where it lies."""
    body, last = done.body, done.last
    uncut = last.seen.reference
    here = polish.look_again(body, done.target, last.seen, _NOWHERE, last.noise_mm)
    residual = here.residual_mm[uncut]
    return dataclasses.replace(
        frame,
        rms_mm=rms(residual[np.isfinite(residual)]),
        reference=uncut,
        reference_area_mm2=done.last.area_mm2,
        reference_share=done.last.area_mm2 / float(body.surface.area_mm2.sum()),
    )


def _apart(done: Fitted, free: Floats, limit_mm: float) -> tuple[float, bool]:
    """How far the fit moves the surface along its normal, at the vertex where that is surest.

    And whether that is more than is told, and than its uncertainty explains. What slides the
    reference along itself is left out: nothing shows how far it slid. Powder may excuse a frame
    that does not fit, and never accuses one that does: on a cap an even offset is nearly a shift.
    """
    body, sure, motion = done.body, done.sure, done.last.motion
    lever = np.array([body.radius_mm] * 3 + [1.0] * 3)
    shift = motion.apply(body.centre_mm[None])[0] - body.centre_mm
    change = np.concatenate([vector_from_rotation(motion.rotation), shift])
    changes = lever * np.stack([change, change + done.evenly()[1]])
    changes = (changes - changes @ free @ free.T) / lever
    here = trust.counted(body, done.last)
    moved = motion.apply(body.surface.mesh.points_mm[here])
    row = rows(moved, motion.turn(body.surface.normal[here]), sure.centre_mm)
    off = np.abs(changes @ row.T)
    factor = sure.stated_mm / sure.u_max_mm if sure.u_max_mm > 0 else 1.0
    variance = np.einsum("ij,jk,ik->i", row, sure.covariance, row)
    beyond = off - SURE * factor * np.sqrt(np.maximum(variance, 0.0))
    which = int(np.argmin(beyond.max(axis=1)))
    worst = int(np.argmax(beyond[which]))
    off_mm = float(off[which, worst])
    return off_mm, bool(off_mm > limit_mm and beyond[which, worst] > 0)
