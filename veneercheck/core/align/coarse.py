"""The pose from anywhere: many short fits at once, the distinct best kept.

Every orientation of an even set is fitted for a few rounds with few points, all of them together
as arrays. Nearest points come from a grid of cells that know their nearest target sample. What
survives is shaken and fitted again; weights forgive a framework inside the contour, none outside.

Notes
-----
Putty that held one scan and not the other stands outside the contour, and its steady pull left the
pose of two bridges 2 mm off: started from the truth, a narrow fit walked away from it. Choice:
where the best pose's residuals have no plain peak, the best few are shaken by millimetres and
fitted again, and what stands out by more than 0.3 mm pulls no more, then or when the pose is made
exact. Instead of: forgiving it from the start, where what is far outside is what turns a framework
the right way; or by 0.6 mm, where a wide fit after the narrow one walked off again: putty lies 0.3
to 0.8 mm over the gum of the other scan. Cost: some two seconds more, and those of the searches
before, where scans do not belong together.
"""

from __future__ import annotations

import dataclasses
import math
from concurrent.futures import ThreadPoolExecutor

import numpy as np

from veneercheck.core.align.grid import NearestGrid, Singles
from veneercheck.core.align.sampling import Surface, sample
from veneercheck.core.mesh.motion import even_rotations, nearest_rotation, rotation_from_vector
from veneercheck.core.types import Bools, Floats, Ints, RigidMotion

_AGREE = 0.5
"""Cosine of normals (60°) from which on a pair counts while the pose is still rough."""

_OUTSIDE_MM = 0.3
_OUTSIDE_REACH_MM = 2.0
_OUTSIDE_COST = 1.0
"""Ranking: what touches counts for a pose, what stands clearly outside counts against it."""

_DAMPING = 1e-3
"""Share of the trace added to the diagonal, so that no pose leaps along a free direction."""

_AT_ONCE = 65_536
"""Points looked at together: memory is given and taken back less."""

_SHAKES = 20
_SHAKE_SEED = 4
"""Neighbours tried around each pose: the same ones every time, so that runs repeat exactly."""


@dataclasses.dataclass(frozen=True, slots=True)
class Stage:
    """One round of the search.

    Parameters
    ----------
    points : int
        Source points.
    inside_mm, outside_mm, reach_mm : float
        Weights: nothing pulls from `inside_mm` under the contour or `reach_mm` away on; outer
        points pull by a constant force beyond `outside_mm`.
    keep : int
        Poses that go on.
    apart_mm : float
        Poses closer than this at the body's edge are one.
    beyond_mm : float
        Farther outside nothing pulls at all: the holder of one scan.
    contact_mm : float
        What counts as touching when its poses are ranked.
    """

    points: int
    rounds: int
    inside_mm: float
    outside_mm: float
    reach_mm: float
    keep: int
    apart_mm: float
    beyond_mm: float = math.inf
    contact_mm: float = 0.15


_SWEEP = Stage(90, 7, 3.0, 0.5, 5.0, 240, 0.0)
_SETTLE = Stage(250, 8, 1.2, 0.3, 3.0, 16, 1.5)
_NEARBY = Stage(100, 8, 1.2, 0.3, 3.0, 8, 1.0)
_NARROW = Stage(400, 8, 0.4, 0.15, 1.5, 8, 0.7)
_CLOSE = Stage(500, 8, 0.3, 0.1, 1.0, 4, 0.5)
_FORGIVING = Stage(200, 6, 0.4, 0.1, 1.5, 48, 0.3, beyond_mm=0.3, contact_mm=0.06)
_FORGIVING_CLOSE = Stage(400, 8, 0.25, 0.1, 1.0, 8, 0.5, beyond_mm=0.25, contact_mm=0.06)

_EARLY_SHARE = 1 / 3
"""Of the orientations of a quick sweep two of three are left early: none of them won later."""

HOPEFUL = 0.1
"""A start whose neighbourhood scores less is climbed from only where all else convinces of nothing:
of 66 poses none came out otherwise by that (`align_poses.py`)."""

_NO_RIVAL = 0.25
"""A pose that scores less of the best one's is left at once, be it turned half round."""

_SWEEP_MORE = dataclasses.replace(_SWEEP, keep=600)
_SETTLE_MORE = dataclasses.replace(_SETTLE, keep=48, apart_mm=1.0)
_NARROW_MORE = dataclasses.replace(_NARROW, keep=24)


@dataclasses.dataclass(frozen=True, slots=True)
class Effort:
    """How hard to search: times the orientations, when most are left, and how many go on."""

    orientations: int
    early_rounds: int
    sweep: Stage
    settle: Stage
    narrow: Stage


QUICK = Effort(1, 3, _SWEEP, _SETTLE, _NARROW)
THOROUGH = Effort(2, 0, _SWEEP_MORE, _SETTLE_MORE, _NARROW_MORE)
"""Nearly every body is found by the quick search; thin collars and round crowns by the other."""

_CLIMB = ((0.08, 0.6), (0.05, 0.4), (0.03, 0.25))
_NEAR_SHAKE = (0.08, 0.8)
_FAR_SHAKE = (0.06, 0.9)
_BACK_SHAKE = (0.03, 0.25)
_LAST_SHAKE = (0.015, 0.12)
"""Turn (rad) and shift (mm), standard deviations, of each shaking."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Poses:
    """A stack of motions x = rotation · p + shift, with a score each (greater is better)."""

    rotation: Floats
    shift_mm: Floats
    score: Floats

    def __len__(self) -> int:
        return len(self.score)

    def take(self, index: Ints | slice) -> Poses:
        """Some of them."""
        return Poses(self.rotation[index], self.shift_mm[index], self.score[index])

    def motion(self, k: int) -> RigidMotion:
        """One of them as a motion."""
        return RigidMotion(nearest_rotation(self.rotation[k]), self.shift_mm[k])


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Cloud:
    """Source points about the source's centre and their normals, each of shape (3, n)."""

    points: Singles
    normals: Singles


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Search:
    """One direction of the search.

    Parameters
    ----------
    grid : NearestGrid
        Of the target.
    side : float
        +1 if the source is the framework, −1 if it is the wax-up.
    centre_mm : ndarray, shape (3,)
        Area centre of the source, about which poses turn.
    radius_mm : float
        Root mean square distance of the source from it.
    """

    source: Surface
    target: Surface
    grid: NearestGrid
    side: float
    centre_mm: Floats
    radius_mm: float

    @staticmethod
    def of(source: Surface, target: Surface, side: float) -> Search:
        """Prepare a search; builds the grid."""
        share = source.area_mm2 / source.area_mm2.sum()
        centre = share @ source.mesh.points_mm
        square = np.sum((source.mesh.points_mm - centre) ** 2, axis=1)
        return Search(
            source, target, NearestGrid(target), side, centre, float(np.sqrt(share @ square))
        )


def from_anywhere(search: Search, orientations: int, effort: Effort) -> Poses:
    """Distinct good poses from every orientation, best first.

    Poses are of the source about its centre: x = rotation · (p − centre) + shift.
    """
    turns = even_rotations(orientations * effort.orientations)
    anchors = _anchors(search.target)
    rotation = np.repeat(turns, len(anchors), axis=0)
    shift = np.tile(anchors, (len(turns), 1))
    poses = Poses(rotation, shift, np.zeros(len(rotation)))
    sweep = effort.sweep
    if effort.early_rounds:
        keep = math.ceil(_EARLY_SHARE * len(poses))
        early = dataclasses.replace(sweep, rounds=effort.early_rounds, keep=keep)
        poses = run(search, poses, early)
        sweep = dataclasses.replace(sweep, rounds=sweep.rounds - effort.early_rounds)
    poses = run(search, run(search, poses, sweep), effort.settle)
    if effort.early_rounds:  # a quick search climbs from its best alone
        poses = poses.take(np.flatnonzero(poses.score >= _NO_RIVAL * poses.score.max(initial=0.0)))
    return climb(search, poses, effort.narrow)


def climb(search: Search, poses: Poses, narrow: Stage = _NARROW) -> Poses:
    """Shake and fit again, less each time, until the best poses stand still."""
    for turn_rad, shift_mm in _CLIMB:
        poses = run(search, _shaken(poses, turn_rad, shift_mm), narrow)
    return run(search, _shaken(poses, *_LAST_SHAKE), _CLOSE)


def near(search: Search, start: RigidMotion) -> Poses:
    """Poses in the neighbourhood of a start (some 10° and 2 mm) to climb from, best first."""
    about = _shaken(_shaken(_alone(search, start), *_NEAR_SHAKE), *_NEAR_SHAKE)
    return run(search, about, _NEARBY)


def shoved(search: Search, starts: list[RigidMotion]) -> Poses:
    """Poses some 8° and 2 mm about starts, by fits that what stands far outside does not pull."""
    ways = starts if search.side > 0 else [start.inverse() for start in starts]
    shift = np.concatenate([way.apply(search.centre_mm[None]) for way in ways])
    about = Poses(np.stack([way.rotation for way in ways]), shift, np.zeros(len(ways)))
    about = _shaken(_shaken(about, *_FAR_SHAKE), *_FAR_SHAKE)
    found = run(search, about, _FORGIVING)
    return run(search, _shaken(found, *_BACK_SHAKE), _FORGIVING_CLOSE)


def turned(search: Search, start: RigidMotion) -> Poses:
    """Good poses near a start turned half round about each of the source's own axes, best first.

    A plinth with four sides, a collar and a plate fit themselves so turned; and a search that ends
    with the first pose which convinces may have met the wrong one of two.
    """
    _, axes, _ = _own_axes(search.source)
    alone = _alone(search, start)
    turns = start.rotation @ rotation_from_vector(math.pi * axes.T)
    shifts = np.concatenate([alone.shift_mm, _anchors(search.target)])
    rotation = np.repeat(turns, len(shifts), axis=0)
    shift = np.tile(shifts, (len(turns), 1))
    poses = run(search, _shaken(Poses(rotation, shift, shift[:, 0]), *_NEAR_SHAKE), _SWEEP)
    poses = run(search, poses, _NEARBY)
    if float(poses.score.max()) < _NO_RIVAL * float(run(search, alone, _NEARBY).score[0]):
        return poses.take(np.zeros(0, dtype=np.int64))
    return climb(search, poses)


def _alone(search: Search, start: RigidMotion) -> Poses:
    return Poses(start.rotation[None], start.apply(search.centre_mm[None]), np.zeros(1))


def _own_axes(surface: Surface) -> tuple[Floats, Floats, Floats]:
    """Area centre, axes (columns, least spread first) and spread along them of a surface."""
    share = surface.area_mm2 / surface.area_mm2.sum()
    centre = share @ surface.mesh.points_mm
    offset = surface.mesh.points_mm - centre
    value, axes = np.linalg.eigh((offset * share[:, None]).T @ offset)
    return centre, axes, np.sqrt(np.maximum(value, 0.0))


def _anchors(target: Surface) -> Floats:
    """Places where the source's centre may lie: the target's centre, and spread over it.

    A scan with its model base has its centre elsewhere than one without.
    """
    centre, axes, spread = _own_axes(target)
    aside = (axes * (0.7 * spread)).T
    return np.concatenate([centre[None], centre + aside, centre - aside])


def _shaken(poses: Poses, turn_rad: float, shift_mm: float) -> Poses:
    """Every pose and its neighbours, turned and shifted in fixed directions spread at random."""
    pattern = np.random.default_rng(_SHAKE_SEED).normal(size=(_SHAKES, 6))
    pattern[0] = 0.0
    small = rotation_from_vector(pattern[:, :3] * turn_rad)
    rotation = np.einsum("sij,kjl->ksil", small, poses.rotation).reshape(-1, 3, 3)
    shift = (poses.shift_mm[:, None] + pattern[:, 3:] * shift_mm).reshape(-1, 3)
    return Poses(rotation, shift, np.zeros(len(rotation)))


def run(search: Search, poses: Poses, stage: Stage) -> Poses:
    """Fit all poses for some rounds and keep the best distinct ones."""
    found = sample(search.source, stage.points)
    cloud = Cloud(
        (found.point_mm - search.centre_mm).T.astype(np.float32), found.normal.T.astype(np.float32)
    )

    def fitted(part: Poses) -> tuple[Floats, Floats, Floats]:
        rotation, shift = part.rotation, part.shift_mm
        for _ in range(stage.rounds):
            rotation, shift = _advance(search, rotation, shift, cloud, stage)
        return rotation, shift, _score(search, rotation, shift, cloud, stage.contact_mm)

    some = max(_AT_ONCE // stage.points, 1)
    parts = [poses.take(slice(k, k + some)) for k in range(0, max(len(poses), 1), some)]
    with ThreadPoolExecutor(2) as threads:
        done = list(threads.map(fitted, parts))
    ranked = Poses(*(np.concatenate(each) for each in zip(*done, strict=True)))
    return _distinct(ranked, stage.keep, stage.apart_mm, search.radius_mm)


def _look(
    search: Search, rotation: Floats, shift: Floats, cloud: Cloud
) -> tuple[Singles, Singles, Singles, Singles, Bools]:
    """Arms and normals of the pairs, shape (3, k, n), residuals, squared distances and whether
    the normals agree, shape (k, n)."""
    turn = rotation.transpose(1, 0, 2).astype(np.float32)
    arm = turn @ cloud.points
    place = arm + shift.T.astype(np.float32)[..., None]
    near, normal = search.grid(place)
    place -= near
    residual, square = _dot(place, normal), _dot(place, place)
    agree = _dot(turn @ cloud.normals, normal) > _AGREE
    return arm, normal, residual, square, agree


def _dot(a: Singles, b: Singles) -> Singles:
    """Dot products over the first axis of three."""
    found: Singles = a[0] * b[0]
    for k in (1, 2):
        found += a[k] * b[k]
    return found


def _advance(
    search: Search, rotation: Floats, shift: Floats, cloud: Cloud, stage: Stage
) -> tuple[Floats, Floats]:
    arm, normal, residual, square, agree = _look(search, rotation, shift, cloud)
    out = residual * np.float32(search.side)
    agree &= (square < stage.reach_mm**2) & (out < stage.beyond_mm)
    inside = np.clip(out * np.float32(-1 / stage.inside_mm), 0, 1)
    inside *= inside
    weight = 1 - inside
    weight *= weight
    weight *= np.float32(stage.outside_mm) / np.maximum(out, np.float32(stage.outside_mm))
    weight *= agree
    # How each residual changes with a turn, at the radius as lever, and a shift; itself; and
    # nothing: eight rows are multiplied in half the time of seven.
    rows = np.empty((8, *residual.shape), dtype=np.float32)
    for k in range(3):
        i, j = (k + 1) % 3, (k + 2) % 3
        np.multiply(arm[i], normal[j], out=rows[k])
        rows[k] -= arm[j] * normal[i]
    rows[:3] *= np.float32(1 / search.radius_mm)
    rows[3:6], rows[6], rows[7] = normal, residual, 0
    weighted = (rows[:6] * weight).transpose(1, 0, 2)
    equations = (weighted @ rows.transpose(1, 2, 0)).astype(np.float64)
    matrix, right = equations[..., :6], -equations[..., 6:7]
    trace = np.trace(matrix, axis1=1, axis2=2)
    matrix += (_DAMPING * trace + 1e-6)[:, None, None] * np.eye(6)
    step = np.linalg.solve(matrix, right)[..., 0]
    turn = np.clip(step[:, :3] / search.radius_mm, -0.5, 0.5)
    return rotation_from_vector(turn) @ rotation, shift + step[:, 3:]


def _score(
    search: Search, rotation: Floats, shift: Floats, cloud: Cloud, contact_mm: float
) -> Floats:
    _, _, residual, square, agree = _look(search, rotation, shift, cloud)
    out = residual * np.float32(search.side)
    touch = np.exp(-((residual / contact_mm) ** 2)) * agree * (square < 1.0)
    beyond = (out > _OUTSIDE_MM) & agree & (square < _OUTSIDE_REACH_MM**2)
    score: Floats = (touch.mean(axis=1) - _OUTSIDE_COST * beyond.mean(axis=1)).astype(np.float64)
    return score


def _distinct(poses: Poses, keep: int, apart_mm: float, radius_mm: float) -> Poses:
    """The best poses, each apart from every better one."""
    order = np.argsort(-poses.score, kind="stable")
    if apart_mm <= 0:
        return poses.take(order[:keep])
    chosen: list[int] = []
    left = order
    while len(left) and len(chosen) < keep:
        best = int(left[0])
        chosen.append(best)
        trace = np.einsum("kij,ij->k", poses.rotation[left], poses.rotation[best])
        angle = np.arccos(np.clip(0.5 * (trace - 1), -1, 1))
        moved = np.linalg.norm(poses.shift_mm[left] - poses.shift_mm[best], axis=1)
        left = left[angle * radius_mm + moved > apart_mm]
    return poses.take(np.array(chosen, dtype=np.int64))


def as_motions(search: Search, poses: Poses) -> list[RigidMotion]:
    """The poses as motions `waxup_from_framework`, whichever way the search ran."""
    about = RigidMotion(np.eye(3), -search.centre_mm)
    found = [poses.motion(k).after(about) for k in range(len(poses))]
    return found if search.side > 0 else [motion.inverse() for motion in found]
