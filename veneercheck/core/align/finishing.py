"""How much finishing and blasting took off the metal everywhere, read off what was not cut.

Notes
-----
A cast is fitted as it was before finishing: the surface of the whole, moved out by what was taken.
Where that is another amount than the fit goes by, the fit shifts and turns until what was not cut
touches all the same: 0.04 to 0.1 mm of difference moved trusted poses by 0.06 to 0.17 mm (two
bodies of `align_bodies`), or the bridge was told as not seated. Choice: after a fit an even
offset is solved with the pose, and where it surely differs from what was gone by, the fit is made
anew. Instead of: the profile's amount alone; a fit to an even offset, which turns until it crosses
the contour; or a wider tolerance, by which a shallow cut counts as uncut. Cost: a second fit for
most casts. On one round cap offset and shift look alike, and the profile's amount stays; a model in
the same scan, or insides of retainers that were not blasted, say another amount, and the fit is
doubtful.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable

import numpy as np

from veneercheck.core.align import fit, words
from veneercheck.core.align.alignment import graver
from veneercheck.core.align.options import AlignOptions
from veneercheck.core.align.pairs import Pairs, Target, pair
from veneercheck.core.align.pattern import left_out
from veneercheck.core.align.polish import Body, moved
from veneercheck.core.align.sampling import sample
from veneercheck.core.align.solver import rows, solved
from veneercheck.core.align.trust import integrated_covariance
from veneercheck.core.align.weights import tukey
from veneercheck.core.mesh.triangles import vertex_normals
from veneercheck.core.types import (
    Alignment,
    AlignmentState,
    Bools,
    Fault,
    Floats,
    Reason,
    RigidMotion,
    TriangleMesh,
)

_POINTS, _LEAST_SHARE = 8000, 0.01
"""Points spread over the metal, and the share of them that must lie near the contour to say
anything."""

_MOST_MM = 0.3
"""Nobody takes more off than this everywhere; what lies deeper was cut."""

_OUTSIDE_MM = 0.1
"""A pose that is not quite right lifts some of the uncut surface so far out."""

_SURE, _SURE_MM, _ALIKE_MM = 3.0, 0.01, 0.005
"""An amount is believed that is known so well, and lies so far from what the profile says."""

_MOST_FITS = 2
"""A wrong amount may turn the first fit so far that what is measured there is half the truth."""

_LEAST_OWN_SHARE = 0.02
"""With less of an even offset that a motion does not make up for, none is told."""

_BIN_MM = 0.02
"""Two bins hold what noise of 10 µm spreads."""

_WIDTHS_MM = (0.1, 0.1, 0.08, 0.06, 0.05, 0.05, 0.05)
"""Of the weights, round after round: narrower than a cut is deep."""

_NEAR_MM, _FAR_MM, _LEAST_PART = 2.0, 6.0, 0.01
"""Uncut surface so near to the cut is metal, so far from it a model's, or metal too; each must be
so much of all to be compared."""

_TWO_MM, _TWO_WIDTH_MM, _TWO_ROUNDS = 0.012, 0.1, 7
"""Sound casts say the same near and far to 0.005 mm, casts on their models two amounts 0.02 mm
apart: a turn makes up for the rest. Weights reach over both."""


def before(framework: TriangleMesh, taken_mm: float) -> TriangleMesh:
    """The framework as it was cast, for the fit: what was uncut then lies on the contour."""
    if not taken_mm > 0:
        return framework
    out = taken_mm * vertex_normals(framework)
    return TriangleMesh(framework.points_mm + out, framework.faces)


def by_measure(
    placed: Callable[[float, RigidMotion | None], Alignment],
    framework: TriangleMesh,
    waxup: TriangleMesh,
    guess_mm: float,
    *,
    reference: Bools | None = None,
) -> tuple[Alignment, float, tuple[Fault, ...]]:
    """The pose of a cast, what it went by as taken off, and what is said of that.

    Parameters
    ----------
    placed : callable
        Lays the framework on the wax-up, for so much taken off everywhere in mm; near a pose, if
        one is given.
    framework, waxup : TriangleMesh
    guess_mm : float
        What the profile says; kept where nothing surer is found.
    reference : ndarray of bool, shape (n,), optional
        Framework vertices known to be uncut.
    """
    found, used_mm = placed(guess_mm, None), guess_mm
    body, target = fit.prepared(framework, waxup, AlignOptions(), reference)
    for _ in range(_MOST_FITS):
        taken = taken_off(body, target, found.waxup_from_framework)
        failed = found.state is AlignmentState.FAILED
        if math.isfinite(taken.other_mm) and not failed:
            return _doubted(found, words.two_depths(taken.mm, taken.other_mm)), used_mm, ()
        measured_mm, least_mm = max(taken.mm, 0.0), max(_ALIKE_MM, _SURE * taken.u_mm)
        if not (taken.u_mm < _SURE_MM and abs(measured_mm - used_mm) > least_mm):
            break
        anew = placed(measured_mm, None)
        if anew.state is AlignmentState.FAILED:
            # Of two poses that are nearly alike a search may take the other one.
            anew = placed(measured_mm, found.waxup_from_framework)
        if anew.state is AlignmentState.FAILED:
            return _doubted(found, words.finished_otherwise(measured_mm, used_mm)), used_mm, ()
        found, used_mm = anew, measured_mm
        if found.state in (AlignmentState.TRUSTED, AlignmentState.GIVEN):
            break
    if used_mm == guess_mm:
        return found, guess_mm, ()
    values = {"taken": used_mm, "stated": guess_mm}
    return found, used_mm, (Fault("finishing", 1, _WORDS.format(**values), values=values),)


def _doubted(found: Alignment, why: Reason) -> Alignment:
    state = graver(found.state, AlignmentState.DOUBTFUL)
    return dataclasses.replace(found, state=state, reasons=(why, *found.reasons))


_WORDS = (
    "finishing took {taken:.2f} mm off everywhere, by what was not cut: that is used, and not the "
    "{stated:.2f} mm of the profile."
)


@dataclasses.dataclass(frozen=True, slots=True)
class Taken:
    """What was taken off all of the uncut surface alike.

    Parameters
    ----------
    mm, u_mm : float
        Positive where something is missing; and its standard uncertainty, NaN where too little
        was found to say.
    other_mm : float
        What much of the uncut surface says otherwise, such as a model; NaN where nothing does.
    """

    mm: float = math.nan
    u_mm: float = math.nan
    other_mm: float = math.nan


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
    if _own_share(at.jacobian, weight) < _LEAST_OWN_SHARE:
        return Taken()
    near_mm, far_mm = _apart(at)
    if abs(near_mm - far_mm) > _TWO_MM:
        return Taken(near_mm, math.nan, far_mm)
    each_mm2 = float(body.surface.area_mm2.sum()) / _POINTS
    return Taken(-offset, at.u_mm(left, weight, each_mm2))


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class _Uncut:
    """Points of the uncut surface and of the cut, and what changes the residual of the former: a
    turn (in mm at the lever's end), a shift, an even offset, seven columns."""

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

    def u_mm(self, left_mm: Floats, weight: Floats, each_mm2: float) -> float:
        """Standard uncertainty of the offset: by noise, and by what is not even patch by patch,
        such as the foot of a slope."""
        _, spread = solved(self.jacobian, left_mm, weight, np.ones(len(left_mm)))
        used = weight > 0
        power = integrated_covariance(self.point_mm[used], left_mm[used])
        arm = self.point_mm - self.centre_mm
        uneven = left_out(self.jacobian, weight, left_mm, arm)
        return math.sqrt(max(float(spread[6, 6] / each_mm2 * power + uneven[6, 6]), 0.0))


def _apart(at: _Uncut) -> tuple[float, float]:
    """What was taken off beside the cut, which only metal has, and what far from it; NaN where
    there is not enough of both, or a motion makes up for their difference."""
    from scipy.spatial import cKDTree

    if not len(at.cut_mm):
        return math.nan, math.nan
    from_cut = cKDTree(at.cut_mm).query(at.point_mm)[0]
    part = (from_cut < _NEAR_MM) | (from_cut > _FAR_MM)
    near = from_cut[part] < _NEAR_MM
    if min(near.sum(), (~near).sum()) < _LEAST_PART * len(at.point_mm):
        return math.nan, math.nan
    rigid, residual, all_alike = at.jacobian[part, :6], at.residual_mm[part], np.ones(len(near))
    alike = np.concatenate([at.jacobian[part], near[:, None]], axis=1)
    if _own_share(alike, all_alike) < _LEAST_OWN_SHARE * (~near).mean():
        return math.nan, math.nan
    jacobian = np.concatenate([rigid, np.stack([-1.0 * near, -1.0 * ~near], axis=1)], axis=1)
    value = np.zeros(jacobian.shape[1])
    for _ in range(_TWO_ROUNDS):
        left = residual + jacobian @ value
        value += solved(jacobian, left, tukey(left, _TWO_WIDTH_MM), all_alike)[0]
    return -float(value[6]), -float(value[7])


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
