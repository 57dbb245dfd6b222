"""The framework placed on the wax-up by what was not cut."""

from __future__ import annotations

import dataclasses

import numpy as np

from veneercheck.core.align import coarse, polish
from veneercheck.core.align.options import AlignOptions
from veneercheck.core.align.pairs import Target, target_of
from veneercheck.core.align.polish import Body, Polished, Quality, Seen
from veneercheck.core.align.reference import uncut_vertices
from veneercheck.core.align.sampling import prepare
from veneercheck.core.types import Bools, Floats, RigidMotion, TriangleMesh

_CONVINCING_SHARPNESS = 0.45
_CONVINCING_MM2 = 15.0
"""A pose this sharp over this area needs no search from elsewhere: crossings reach 0.25."""

_CONVINCING_OUTSIDE = 0.5
"""What stands outside, as a share of the contact, that a convincing pose may have."""

_REFINED = 5
"""Candidates of each search that are fitted on the exact surfaces."""

_SAME_POSE_MM = 0.3
"""Candidates closer than this at the farthest vertex are one."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Candidate:
    """A pose and what speaks for it."""

    motion: RigidMotion
    quality: Quality


def place(
    framework: TriangleMesh,
    waxup: TriangleMesh,
    options: AlignOptions,
    reference: Bools | None,
    start: RigidMotion | None,
) -> tuple[Body, Target, list[Candidate]]:
    """Find the poses that are worth a last fit, best first."""
    prepared = prepare(framework, options.denoise_mm), prepare(waxup, options.denoise_mm)
    body, target = Body.of(prepared[0], reference), target_of(prepared[1])
    first = start or RigidMotion.identity()
    found = [_refined(body, target, first)]
    if not convincing(found[0].quality):
        found += _from_near(body, target, first)
    if start is None and not convincing(best_first(found, body)[0].quality):
        found += _from_anywhere(body, target, options)
    return body, target, best_first(found, body)


def convincing(quality: Quality) -> bool:
    """Whether a pose is right beyond the doubt that another might be better."""
    return (
        quality.sharpness >= _CONVINCING_SHARPNESS
        and quality.contact_mm2 >= _CONVINCING_MM2
        and quality.outside_mm2 <= _CONVINCING_OUTSIDE * quality.contact_mm2
    )


def best_first(found: list[Candidate], body: Body) -> list[Candidate]:
    """Candidates by rank, each apart from every better one."""
    ranked = sorted(found, key=lambda one: -one.quality.score_mm2)
    distinct: list[Candidate] = []
    for one in ranked:
        if all(apart_mm(one.motion, other.motion, body) > _SAME_POSE_MM for other in distinct):
            distinct.append(one)
    return distinct


def apart_mm(first: RigidMotion, second: RigidMotion, body: Body) -> float:
    """How far two poses are apart at the farthest corner of the body."""
    corners: Floats = body.centre_mm + body.radius_mm * np.concatenate([np.eye(3), -np.eye(3)])
    gap = first.apply(corners) - second.apply(corners)
    return float(np.linalg.norm(gap, axis=1).max())


def _refined(body: Body, target: Target, start: RigidMotion) -> Candidate:
    motion = polish.search_fit(body, target, start, polish.QUICK_POINTS)
    return Candidate(motion, polish.judge(body, target, motion))


def _from_near(body: Body, target: Target, start: RigidMotion) -> list[Candidate]:
    search = coarse.Search.of(body.surface, target.surface, 1.0)
    poses = coarse.near(search, start)
    return _refine_all(body, target, coarse.as_motions(search, poses))


def _from_anywhere(body: Body, target: Target, options: AlignOptions) -> list[Candidate]:
    forth = coarse.Search.of(body.surface, target.surface, 1.0)
    back = coarse.Search.of(target.surface, body.surface, -1.0)
    found: list[Candidate] = []
    for search in (forth, back):
        poses = coarse.climb(search, coarse.from_anywhere(search, options.orientations))
        found += _refine_all(body, target, coarse.as_motions(search, poses))
    return found


def _refine_all(body: Body, target: Target, starts: list[RigidMotion]) -> list[Candidate]:
    return [_refined(body, target, start) for start in starts[:_REFINED]]


def last_fit(
    body: Body, target: Target, motion: RigidMotion, noise_mm: float, options: AlignOptions
) -> Polished | None:
    """Fit on the uncut surface until it stands still; None if there is no such surface."""
    result: Polished | None = None
    for _ in range(2):
        residual = polish.residual_at_vertices(body, target, motion)
        reference = uncut_vertices(body.surface, residual, noise_mm)
        if not (reference[body.surface.mesh.faces].all(axis=1) & body.allowed).any():
            return None
        seen = Seen(motion, residual, reference, noise_mm)
        result = polish.fit_reference(body, target, seen, options.polish_points)
        motion, noise_mm = result.motion, result.noise_mm
    return result
