"""The framework placed on the wax-up by what was not cut.

Notes
-----
The best pose is turned half round before it is taken. A search ends with the first pose that
convinces, and a plinth with four sides, a collar or a plate convinces upside down: half of it
touches, sharply. Choice: one more quick search about the three own axes of the scan, from the best
pose; what scores a quarter of it there is fitted as well. Instead of: searching on everywhere,
which takes three times as long; or a limit on what stands outside, which bumps exceed. Scans that
lie on each other as they are say by that which of two like poses is theirs: there only one that
fits clearly better is taken. Cost: a tenth of a second; symmetries other than half turns are left
to the search.

Poses rank by what lies within 0.03 mm of the contour, less what stands outside. By its own noise a
blunt pose touches within 0.09 mm, and came before the true one of a bridge in putty, which stands
out of the other scan's gum. Choice: one measure for all, and where the first is no plain one a
search anew from the best by the wider measure. Instead of: leaving out what stands outside, by
which a framework within a larger contour would fit anywhere. Cost: of scans as noisy as 0.03 mm a
third of the contact counts for nothing, in every pose alike.

Of crowns and short spans that keep but a collar of 0.3 to 0.9 mm, open below, the cut itself lay on
the contour, lifted by its own depth: 67 mm² without a peak against 14 true ones at the noise, and
the true pose was never met. Choice: where the first is no plain one it is also sunk by the depths
of a veneer, along the mean normal of what touches; and a plain pose goes before a blunt one that
touches up to four times as much, when it is taken as when rivals are counted. Instead of: less of a
rank for all that is spread evenly, which leaves the lifted pose before collars of 0.3 mm; or closer
measures in the search that shoves the best about, which met three of five such poses, sinking five.
Cost: three fits where there is no plain pose; one that touches plainly by chance, over a quarter of
the blunt true one, would be taken: none was seen, and it would hold the framework loosely.
"""

from __future__ import annotations

import dataclasses

import numpy as np

from veneercheck.core.align import coarse, polish
from veneercheck.core.align.coarse import Poses, Search
from veneercheck.core.align.options import AlignOptions
from veneercheck.core.align.pairs import Target, pair, target_of
from veneercheck.core.align.polish import LEAST_REFERENCE_MM2, Body, Quality
from veneercheck.core.align.sampling import prepare, sample
from veneercheck.core.align.weights import tukey
from veneercheck.core.mesh.triangles import side_by_side
from veneercheck.core.types import Bools, Floats, RigidMotion, TriangleMesh

_CONVINCING_SHARPNESS = 0.7
_CONVINCING_MM2 = 15.0
"""A pose this sharp over this area needs no search from elsewhere: crossings reach 0.55."""

_PEAK_MM, _PEAK_SHARPNESS = 0.025, 0.9
"""… and whose residuals have a peak: where they are spread evenly their estimate ends at 0.028 to
0.03 mm, and three times that is a third of all that is near. Of a noisy scan nearly all is."""

_PLAIN_MM = 0.015
"""A pose 1 mm off, held by part of what touches, showed 0.022 mm; scanners have less."""

_CONVINCING_SHARE = 0.12
"""… and over this share of the smaller scan: a large model's plane touches 2 % anywhere."""

_CONVINCING_OUTSIDE = 0.25
"""What stands outside, as a share of the contact, that a convincing pose may have."""

_REFINED = 5
"""Candidates of each search that are fitted on the exact surfaces."""

_WORTH_SHARE = 0.6
_WORTH_SCORE = 0.03
"""Coarse score, as a share of the best and at least, that is worth an exact fit."""

_SAME_POSE_MM = 0.3
"""Candidates closer than this at the farthest vertex are one."""

_NEAR_MM, _NEAR_RAD = 2.0, 0.25
"""Three places, 4 mm off one line and each picked to half a millimetre on either scan, place a
scan to about as much."""

_CLEARLY_BETTER = 1.05
"""Rank, as a share, from which on a pose is taken though the scans lie on each other otherwise."""

_SHOVED = 3
"""Where the best pose has no plain peak, so many of the best are shoved about: the true one may
lie beside."""

_SUNK_MM = (0.75, 1.25, 1.75)
"""How deep a cut is, and so how far it lifts what is laid on the contour by it: from 0.5 mm less
to 0.25 mm more than the true depth a fit found the pose (five bodies, collars of 0.2 to 0.6 mm)."""

_PLAIN_SHARE = 0.25
"""Rank of a plain pose, as a share of a blunt one's, from which on it goes first: true ones on
collars of 0.2 to 0.6 mm had 0.3 to 0.9 of what the lifted had."""


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
    """Find the poses that are worth a last fit, best first.

    With a start the best pose near it comes first, whatever fits better elsewhere; and elsewhere
    is always searched, quickly, for what else it might have been. The best one is turned half round
    at last: where that fits as well, or better, the search ended too early.
    """
    body, target = prepared(framework, waxup, options, reference)
    first = start or RigidMotion.identity()
    found = [_refined(body, target, first)]
    least_mm2 = least_contact_mm2(body, target)
    forth = coarse.Search.of(body.surface, target.surface, 1.0)

    def convinced() -> bool:
        return convincing(best_first(found, body)[0].quality, least_mm2)

    lying = start is None and convinced()
    if start is not None:
        found += _climbed(body, target, forth, coarse.near(forth, first))
        found += _from_anywhere(body, target, forth, options, (coarse.QUICK,))
    elif not lying:
        near = coarse.near(forth, first)
        hopeful = near.score.max() >= coarse.HOPEFUL
        if hopeful:
            found += _climbed(body, target, forth, near)
        if not convinced():
            found += _from_anywhere(body, target, forth, options, (coarse.QUICK, coarse.THOROUGH))
        if not hopeful and not convinced():
            found += _climbed(body, target, forth, near)
    if not _plain(best_first(found, body)[0].quality):
        blunt = best_first(found, body, blunt=True)
        found += _sunk(body, target, blunt[0].motion)
        found += _shoved(body, target, forth, blunt[:_SHOVED])
    best = _taken(found, body, start)
    turned = _refine_all(body, target, forth, coarse.turned(forth, best.motion))
    least = _CLEARLY_BETTER * best.quality.rank_mm2 if lying else -np.inf
    found += [one for one in turned if one.quality.rank_mm2 > least]
    return body, target, [_taken(found, body, start), *best_first(found, body)]


def _taken(found: list[Candidate], body: Body, start: RigidMotion | None) -> Candidate:
    """The best pose; with a start the best near it; a plain one before what it outweighs."""
    ranked = best_first(found, body)
    if start is not None:
        near = [one for one in ranked if apart_mm(one.motion, start, body) <= near_mm(body)]
        ranked = near or found[:1]
    best = ranked[0]
    return next((one for one in ranked if outweighs(one.quality, best.quality)), best)


def near_mm(body: Body) -> float:
    """How far from its start a pose still counts as near it."""
    return _NEAR_MM + _NEAR_RAD * body.radius_mm


def outweighs(one: Quality, other: Quality) -> bool:
    """Whether a pose is plain enough to go before a blunt one, though that touches more."""
    enough_mm2 = max(LEAST_REFERENCE_MM2, _PLAIN_SHARE * other.rank_mm2)
    return not _plain(other) and _plain(one) and not one.slides and one.rank_mm2 >= enough_mm2


def prepared(
    framework: TriangleMesh,
    waxup: TriangleMesh,
    options: AlignOptions,
    reference: Bools | None,
) -> tuple[Body, Target]:
    """Both scans smoothed and ready to be laid on each other."""
    return side_by_side(
        lambda: Body.of(prepare(framework, options.denoise_mm), reference),
        lambda: target_of(prepare(waxup, options.denoise_mm)),
    )


def least_contact_mm2(body: Body, target: Target) -> float:
    """Contact below which no pose convinces, from the size of the smaller scan."""
    smaller = min(body.surface.area_mm2.sum(), target.surface.area_mm2.sum())
    return max(_CONVINCING_MM2, _CONVINCING_SHARE * float(smaller))


def convincing(quality: Quality, least_mm2: float) -> bool:
    """Whether a pose is right beyond the doubt that another might be better."""
    return (
        quality.sharpness >= _CONVINCING_SHARPNESS
        and _has_peak(quality)
        and quality.contact_mm2 >= least_mm2
        and quality.outside_mm2 <= _CONVINCING_OUTSIDE * quality.contact_mm2
        and not quality.slides
    )


def _has_peak(quality: Quality) -> bool:
    return quality.noise_mm < _PEAK_MM or quality.sharpness >= _PEAK_SHARPNESS


def _plain(quality: Quality) -> bool:
    """Whether a pose's peak is not the half of one, as where the work lies askew in its place."""
    sharp = quality.sharpness >= _CONVINCING_SHARPNESS or quality.noise_mm < _PLAIN_MM
    return _has_peak(quality) and sharp


def best_first(found: list[Candidate], body: Body, *, blunt: bool = False) -> list[Candidate]:
    """Candidates by rank, each apart from every better one.

    Those to begin anew from by a `blunt` measure: none of them touches closely, and what stands
    outside would outweigh the little that does.
    """
    ranked = sorted(
        found, key=lambda one: -(one.quality.score_mm2 if blunt else one.quality.rank_mm2)
    )
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


def _refined(
    body: Body, target: Target, start: RigidMotion, reach_mm: float = polish.REACH_MM
) -> Candidate:
    motion = polish.search_fit(body, target, start, polish.QUICK_POINTS, reach_mm)
    return Candidate(motion, polish.judge(body, target, motion))


def _from_anywhere(
    body: Body,
    target: Target,
    forth: Search,
    options: AlignOptions,
    efforts: tuple[coarse.Effort, ...],
) -> list[Candidate]:
    """Search both ways round, with one effort after the other, until a pose convinces."""
    back: Search | None = None
    least_mm2 = least_contact_mm2(body, target)
    found: list[Candidate] = []
    for effort in efforts:
        for turned in (False, True):
            if turned and back is None:
                back = Search.of(target.surface, body.surface, -1.0)
            search = back if turned and back is not None else forth
            poses = coarse.from_anywhere(search, options.orientations, effort)
            found += _refine_all(body, target, search, poses)
            if found and convincing(best_first(found, body)[0].quality, least_mm2):
                return found
    return found


def _sunk(body: Body, target: Target, start: RigidMotion) -> list[Candidate]:
    """Poses deeper than a start by what is cut: an even cut that lies on the contour lifts it."""
    found = pair(sample(body.surface, polish.QUICK_POINTS), start, target)
    way = (tukey(found.distance_mm, polish.VICINITY_MM) * found.good) @ found.normal
    way /= max(float(np.linalg.norm(way)), 1e-12)
    deeper = [RigidMotion(start.rotation, start.translation_mm - mm * way) for mm in _SUNK_MM]
    return [_refined(body, target, one) for one in deeper]


def _shoved(body: Body, target: Target, forth: Search, best: list[Candidate]) -> list[Candidate]:
    """Poses some millimetres from the best, both ways round: putty in one scan pushes off."""
    starts = [one.motion for one in best]
    back = Search.of(target.surface, body.surface, -1.0)
    return [
        one
        for search in (forth, back)
        for one in _refine_all(
            body, target, search, coarse.shoved(search, starts), polish.CLOSE_REACH_MM
        )
    ]


def _climbed(body: Body, target: Target, search: Search, poses: Poses) -> list[Candidate]:
    return _refine_all(body, target, search, coarse.climb(search, poses))


def _refine_all(
    body: Body,
    target: Target,
    search: Search,
    poses: Poses,
    reach_mm: float = polish.REACH_MM,
) -> list[Candidate]:
    """Fit what scored well on the exact surfaces; the rest is not worth the time."""
    good = poses.score >= max(_WORTH_SHARE * float(poses.score.max(initial=0.0)), _WORTH_SCORE)
    chosen = poses.take(np.flatnonzero(good)[:_REFINED])
    starts = coarse.as_motions(search, chosen)
    return [_refined(body, target, start, reach_mm) for start in starts]
