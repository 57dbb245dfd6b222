"""What is missing of the uncut surface in a pose: everywhere alike, or of the metal alone.

Notes
-----
Metal is often scanned on its model, of which finishing took nothing. Laid on the wax-up by one even
amount such a scan shifts and turns until both lie half wrong: under a bridge on a flat model by all
of that amount, and every unit of it looked right (0.107 mm off, and trusted). Choice: the pose is
also sought from what lies far from the cut as it is, and what is missing of the rest is solved with
it; where clearly more of the surface lies right by that, it is so. Instead of: only to doubt; or to
tell metal from stone by shape. Cost: a difference under 0.02 mm is not looked for; a model that was
trimmed to the bridge leaves nothing far from the cut.

A quadrant of stone holds twenty times what is left uncut of a bridge, and its noise, taken for
metal wherever it lay deeper, brought an amount of 0.04 mm down to nothing. Choice: metal hangs
together with what was cut, patch by patch, and so little of it is held against itself, not against
all. Instead of: each point by its sign. Cost: metal that a hole parts from the cut counts as stone.

Another size is no finishing. A cast of ten units, 0.2 % smaller and not finished, was told as
0.03 mm off the metal and nothing off the rest. Choice: a size that is sure is solved beside the
offset, and two amounts must lay clearly more right than one amount of that size. Instead of: the
offset alone. Cost: the pose goes by the truth of the offset, by which a shrunk cast may lie some
0.02 mm farther off than by what the size adds to it.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from veneercheck.core.align.pairs import Pairs, Target, pair
from veneercheck.core.align.patches import cubes, left_out
from veneercheck.core.align.polish import Body, moved, vertices_as_samples
from veneercheck.core.align.reference import clearly_cut
from veneercheck.core.align.sampling import Samples, sample
from veneercheck.core.align.solver import SURE, rows, solved
from veneercheck.core.align.trust import integrated_covariance
from veneercheck.core.align.weights import tukey
from veneercheck.core.mesh.pieces import grown
from veneercheck.core.mesh.ring import spread
from veneercheck.core.types import Bools, Floats, Ints, RigidMotion

_POINTS, _LEAST_SHARE = 8000, 0.01
"""Points spread over the metal, and the share of them that must lie near the contour to say
anything."""

_MOST_MM = 0.3
"""Nobody takes more off than this everywhere; what lies deeper was cut."""

_OUTSIDE_MM = 0.1
"""A pose that is not quite right lifts some of the uncut surface so far out."""

_LEAST_OWN_SHARE = 0.02
"""With less of an even offset that a motion does not make up for, none is told."""

_RIGHT_MM, _MORE_RIGHT = 0.03, 0.015
"""What lies right, and how much more of all must do so by two amounts than by one: 0.03 to 0.17
where 0.04 to 0.1 mm was taken and the model left as it was, less than none where all was finished
alike."""

_OF_METAL, _OF_REST = 0.4, 0.05
"""Beside a large model how much more of the metal alone: 0.5 to 0.7, and a tenth of the foot of a
cut, which passes by every depth. So much less of the rest: two scans lie evenly 10 µm apart."""

_LEAST_APART_MM = 0.02
"""Less between two amounts is not looked for; a pose errs by so much at most."""

_BY_PATCH = (0, 2, 5)
"""In these rounds it is told anew what lacks an amount: what hangs together with the cut."""

_FAR_WIDTHS_MM, _SHOWS = (0.2, 0.2, 0.2, 0.06, 0.06, 0.06), 0.05
"""Weights of the fit far from the cut; a plate shows no motion along itself."""

_CALMING_STEPS = 6

_BIN_MM = 0.02
"""Two bins hold what noise of 10 µm spreads."""

_WIDTHS_MM = (0.1, 0.1, 0.08, 0.06, 0.05, 0.05, 0.05)
"""Of the weights, round after round: narrower than a cut is deep."""

_MODEL_SHARE = 2 / 3
"""With more of the uncut surface far from the cut a model is in the scan."""

_NEAR_MM, _FAR_MM, _LEAST_PART = 2.0, 6.0, 0.01
"""Uncut surface so near to the cut is metal, so far from it a model's, or metal too; each must be
so much of all to be compared."""

AS_IT_WAS_MM = 0.012
"""Two scans of one surface lie evenly apart by so much at most."""

_TWO_MM, _TWO_WIDTH_MM, _TWO_ROUNDS = 0.012, 0.1, 7
"""Sound casts say the same near and far to 0.005 mm, casts on their models two amounts 0.02 mm
apart: a turn makes up for the rest. Weights reach over both."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Taken:
    """What was taken off the uncut surface: all of it alike, or but for what stayed as it was.

    Parameters
    ----------
    mm, u_mm : float
        Positive where something is missing; and its standard uncertainty, NaN where too little
        was found to say.
    other_mm : float
        What much of the uncut surface says otherwise, such as a model; NaN where nothing does.
    as_it_was : ndarray of bool, shape (n,), optional
        Framework vertices of which nothing was taken, such as a model's, where the rest lacks `mm`.
    of_model : bool
        Nothing is missing, nearly all of it far from the cut: of the metal that says little.
    """

    mm: float = math.nan
    u_mm: float = math.nan
    other_mm: float = math.nan
    as_it_was: Bools | None = None
    of_model: bool = False


def taken_off(body: Body, target: Target, motion: RigidMotion) -> Taken:
    """How far the uncut surface lies inside the contour, all of it alike.

    Parameters
    ----------
    body, target : Body, Target
        The metal as it was scanned, and the wax-up.
    motion : RigidMotion
        `waxup_from_framework`, to within some tenths of a millimetre.
    """
    samples, offset = sample(body.surface, _POINTS, body.allowed), math.nan
    for width in _WIDTHS_MM:
        centre = motion.apply(body.centre_mm[None])[0]
        at = _Uncut.of(pair(samples, motion, target), centre, body.radius_mm)
        if len(at.point_mm) < _LEAST_SHARE * _POINTS:
            return Taken()
        offset = offset if math.isfinite(offset) else _commonest(at.residual_mm)
        value, left, weight = at.step(offset, width)
        motion, offset = moved(motion, value[:6], centre), offset + float(value[6])
    which, each_mm2 = at.which, float(body.surface.area_mm2.sum()) / _POINTS
    sized = _sized(at, offset, each_mm2)
    if sized is not None:
        at, offset, left, weight = sized
    metal = _metal_alone(body, target, samples, motion)
    if metal is not None and metal.clearly(which, left):
        return Taken(metal.mm, metal.u_mm, math.nan, metal.as_it_was)
    if _own_share(at.jacobian, weight) < _LEAST_OWN_SHARE:
        return Taken()
    near_mm, far_mm, u_mm = _apart(at, each_mm2)
    if abs(near_mm - far_mm) > max(_TWO_MM, SURE * u_mm):
        return Taken(near_mm, math.nan, far_mm)
    far = float((at.from_cut_mm() > _FAR_MM).mean())
    of_model = far > _MODEL_SHARE and abs(offset) < AS_IT_WAS_MM
    return Taken(-offset, at.u_mm(at.jacobian, left, weight, each_mm2), of_model=of_model)


def _sized(
    at: _Uncut, offset_mm: float, each_mm2: float
) -> tuple[_Uncut, float, Floats, Floats] | None:
    """The same fit beside another size, with the residuals of one size, the offset, what is left
    and the weights; None where no size is sure, or an even offset looks like one."""
    arm = at.point_mm - at.centre_mm
    size = np.einsum("ij,ij->i", arm, at.jacobian[:, 3:6])[:, None] * at.lever[0]
    beside = np.concatenate([at.jacobian, size], axis=1)
    value, all_alike = np.zeros(8), np.ones(len(size))
    for width in _WIDTHS_MM:
        left = at.residual_mm - offset_mm + beside @ value
        weight = tukey(left, width)
        value += solved(beside, left, weight, all_alike)[0]
    if _own_share(np.roll(beside, 1, axis=1), weight) < _LEAST_OWN_SHARE:
        return None
    left = at.residual_mm - offset_mm + beside @ value
    weight = tukey(left, _WIDTHS_MM[-1])
    if abs(value[7]) < SURE * at.u_mm(beside, left, weight, each_mm2):
        return None
    alike = dataclasses.replace(at, residual_mm=at.residual_mm + size[:, 0] * value[7])
    return alike, offset_mm + float(value[6]), left, weight


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class _Uncut:
    """Points of the uncut surface and of the cut, and what changes the residual of the former: a
    turn (in mm at the lever's end), a shift, an even offset, seven columns."""

    which: Ints
    """Of the samples."""
    point_mm: Floats
    residual_mm: Floats
    cut_mm: Floats
    centre_mm: Floats
    lever: Floats
    jacobian: Floats

    @staticmethod
    def of(found: Pairs, centre_mm: Floats, lever_mm: float) -> _Uncut:
        cut = found.good & (found.residual_mm < -_MOST_MM)
        uncut = found.good & (found.residual_mm > -_MOST_MM) & (found.residual_mm < _OUTSIDE_MM)
        point = found.point_mm[uncut]
        lever = np.array([1 / lever_mm] * 3 + [1.0] * 4)
        even = np.full((len(point), 1), -1.0)
        jacobian = np.concatenate([rows(point, found.normal[uncut], centre_mm), even], axis=1)
        return _Uncut(
            np.flatnonzero(uncut),
            point,
            found.residual_mm[uncut],
            found.point_mm[cut],
            centre_mm,
            lever,
            jacobian * lever,
        )

    def step(self, offset_mm: float, width_mm: float) -> tuple[Floats, Floats, Floats]:
        """The motion and the further offset that fit best, what is left over, and the weights."""
        residual = self.residual_mm - offset_mm
        weight = tukey(residual, width_mm)
        value, _ = solved(self.jacobian, residual, weight, np.ones(len(residual)))
        return value * self.lever, residual + self.jacobian @ value, weight

    def from_cut_mm(self) -> Floats:
        """Distance of each point from the cut, shape (n,); infinite where nothing was cut."""
        from scipy.spatial import cKDTree

        if not len(self.cut_mm):
            return np.full(len(self.point_mm), np.inf)
        distance: Floats = cKDTree(self.cut_mm).query(self.point_mm)[0]
        return distance

    def u_mm(self, jacobian: Floats, left_mm: Floats, weight: Floats, each_mm2: float) -> float:
        """Standard uncertainty of the offset, the last column: by noise, and by what is not even
        patch by patch, such as the foot of a slope."""
        _, covariance = solved(jacobian, left_mm, weight, np.ones(len(left_mm)))
        used, last = weight > 0, jacobian.shape[1] - 1
        power = integrated_covariance(self.point_mm[used], left_mm[used])
        arm = self.point_mm - self.centre_mm
        uneven = left_out(jacobian, weight, left_mm, cubes(arm))
        return math.sqrt(
            max(float(covariance[last, last] / each_mm2 * power + uneven[last, last]), 0.0)
        )


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class _Metal:
    """A pose in which what lies far from the cut is as it was, and the rest lacks an amount."""

    mm: float
    u_mm: float
    which: Ints
    """Of the samples, shape (k,); what is left over of them, and which of them lack the amount."""
    left_mm: Floats
    less: Bools
    as_it_was: Bools
    """Framework vertices of which nothing was taken, shape (n,)."""

    def clearly(self, which: Ints, left_mm: Floats) -> bool:
        """Whether the amount is sure, and by two clearly more lies right than by one: of all, or
        most of the metal, however little that is, and of the rest hardly less."""
        _, here, there = np.intersect1d(self.which, which, assume_unique=True, return_indices=True)
        more = tukey(self.left_mm[here], _RIGHT_MM) - tukey(left_mm[there], _RIGHT_MM)
        metal, rest = more[self.less[here]], more[~self.less[here]]
        of_metal = metal.sum() > _OF_METAL * len(metal) and rest.sum() > -_OF_REST * len(rest)
        return bool(
            self.mm > SURE * self.u_mm and (more.sum() > _MORE_RIGHT * len(more) or of_metal)
        )


def _far_as_it_was(
    body: Body, target: Target, samples: Samples, motion: RigidMotion
) -> RigidMotion | None:
    """A fit of what lies far from the cut, moved no way that does not show there; None where
    there is too little."""
    for width in _FAR_WIDTHS_MM:
        centre = motion.apply(body.centre_mm[None])[0]
        at = _Uncut.of(pair(samples, motion, target), centre, body.radius_mm)
        far = at.from_cut_mm() > _FAR_MM
        if not len(at.cut_mm) or far.sum() < _LEAST_PART * len(far):
            return None
        root = np.sqrt(tukey(at.residual_mm[far], width))
        lying = root[:, None] * at.jacobian[far, :6]
        value = -np.linalg.pinv(lying, rcond=_SHOWS) @ (root * at.residual_mm[far])
        motion = moved(motion, value * at.lever[:6], centre)
    return motion


def _metal_alone(
    body: Body, target: Target, samples: Samples, motion: RigidMotion
) -> _Metal | None:
    """The fit by two amounts, none and another; None where nothing speaks for two."""
    start = _far_as_it_was(body, target, samples, motion)
    if start is None:
        return None
    motion, mm, lacks = start, _LEAST_APART_MM, np.zeros(0, dtype=bool)
    for turn, width in enumerate(_WIDTHS_MM):
        centre = motion.apply(body.centre_mm[None])[0]
        at = _Uncut.of(pair(samples, motion, target), centre, body.radius_mm)
        if len(at.point_mm) < _LEAST_SHARE * _POINTS:
            return None
        if turn in _BY_PATCH:
            lacks = _lacking(body, target, motion, mm)
        less = lacks[body.surface.mesh.faces[samples.face[at.which]]].sum(axis=1) > 1  # of three
        left = at.residual_mm + mm * less
        jacobian = np.concatenate([at.jacobian[:, :6], 1.0 * less[:, None]], axis=1)
        weight = tukey(left, width)
        value, _ = solved(jacobian, left, weight, np.ones(len(left)))
        left = left + jacobian @ value
        motion, mm = moved(motion, value[:6] * at.lever[:6], centre), mm + float(value[6])
    share = float(less[weight > 0].mean()) if weight.any() else 0.0
    if mm < _LEAST_APART_MM or not _LEAST_PART < share < 1.0 - _LEAST_PART:
        return None
    each_mm2 = float(body.surface.area_mm2.sum()) / _POINTS
    u_mm = at.u_mm(jacobian, left, weight, each_mm2)
    return _Metal(mm, u_mm, at.which, left, less, ~lacks)


def _lacking(body: Body, target: Target, motion: RigidMotion, mm: float) -> Bools:
    """Framework vertices of which an amount was taken, shape (n,): as those around them say, and
    only what hangs together with the cut, as metal does."""
    surface, found = body.surface, pair(vertices_as_samples(body.surface), motion, target)
    lacking = found.residual_mm.clip(-mm, 0.0)
    both = np.stack([lacking, np.ones(len(lacking))], axis=1)
    both = spread(surface.edges, both, _CALMING_STEPS)
    cut = clearly_cut(surface, found.residual_mm)
    return grown(cut, both[:, 0] < -0.5 * mm * both[:, 1], surface.edges)


def _apart(at: _Uncut, each_mm2: float) -> tuple[float, float, float]:
    """What was taken off beside the cut, which only metal has, what far from it, and the standard
    uncertainty of their difference; NaN where there is not enough of both, or a motion makes up
    for their difference."""
    from_cut = at.from_cut_mm()
    part = (from_cut < _NEAR_MM) | (from_cut > _FAR_MM)
    near = from_cut[part] < _NEAR_MM
    if min(near.sum(), (~near).sum()) < _LEAST_PART * len(at.point_mm):
        return math.nan, math.nan, math.nan
    rigid, residual, all_alike = at.jacobian[part, :6], at.residual_mm[part], np.ones(len(near))
    alike = np.concatenate([at.jacobian[part], near[:, None]], axis=1)
    if _own_share(alike, all_alike) < _LEAST_OWN_SHARE * (~near).mean():
        return math.nan, math.nan, math.nan
    jacobian = np.concatenate([rigid, -np.stack([np.ones(len(near)), near], axis=1)], axis=1)
    value = np.zeros(jacobian.shape[1])
    for _ in range(_TWO_ROUNDS):
        left = residual + jacobian @ value
        weight = tukey(left, _TWO_WIDTH_MM)
        value += solved(jacobian, left, weight, all_alike)[0]
    both = dataclasses.replace(at, point_mm=at.point_mm[part])
    u_mm = both.u_mm(jacobian, residual + jacobian @ value, weight, each_mm2)
    return -float(value[6] + value[7]), -float(value[6]), u_mm


def _own_share(jacobian: Floats, weight: Floats) -> float:
    """How much of the last column the others do not make up for: of an even offset on a plane a
    motion makes up for all."""
    matrix = jacobian.T @ (jacobian * weight[:, None])
    rigid, mixed, even = matrix[:-1, :-1], matrix[:-1, -1], float(matrix[-1, -1])
    alike = float(mixed @ np.linalg.pinv(rigid, rcond=1e-9, hermitian=True) @ mixed)
    return 1.0 - alike / even if even > 0 else 0.0


def _commonest(residual_mm: Floats) -> float:
    """The middle of the fullest bin of two, so that its place does not depend on the bins'."""
    count, border = np.histogram(residual_mm, np.arange(-_MOST_MM, _OUTSIDE_MM + _BIN_MM, _BIN_MM))
    pairs = count[:-1] + count[1:]
    return float(border[1 + int(pairs.argmax())])
