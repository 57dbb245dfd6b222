"""How much finishing and blasting took off the metal everywhere, read off what was not cut.

Notes
-----
A cast is fitted as it was before finishing: the surface of the whole, moved out by what was taken.
Where that is another amount than the fit goes by, the fit shifts and turns until what was not cut
touches all the same: 0.05 mm too much moved trusted poses by 0.06 to 0.09 mm, 0.1 mm by 0.17 mm
(three bodies of `align_bodies`), or the bridge was told as not seated. Choice: after a fit an even
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
from veneercheck.core.align.options import AlignOptions
from veneercheck.core.align.pairs import pair
from veneercheck.core.align.pattern import left_out
from veneercheck.core.align.polish import moved
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
    RigidMotion,
    TriangleMesh,
)

_POINTS = 8000
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
_NEAR_MM, _FAR_MM, _LEAST_PART, _WIDE_MM, _TWO_MM = 2.0, 6.0, 0.01, 0.1, 0.012
"""Uncut surface so near to the cut is metal, so far from it a model's, or metal too; where both are
there, sound casts say the same to 0.005 mm, casts on their models two amounts 0.02 mm apart."""

_WIDTHS_MM = (0.1, 0.1, 0.08, 0.06, 0.05, 0.05, 0.05)
"""Of the weights, round after round: narrower than a cut is deep."""


def before(framework: TriangleMesh, taken_mm: float) -> TriangleMesh:
    """The framework as it was cast, for the fit: what was uncut then lies on the contour."""
    if not taken_mm > 0:
        return framework
    out = taken_mm * vertex_normals(framework)
    return TriangleMesh(framework.points_mm + out, framework.faces)


def by_measure(
    placed: Callable[[float], Alignment],
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
        Lays the framework on the wax-up, for so much taken off everywhere in mm.
    framework, waxup : TriangleMesh
    guess_mm : float
        What the profile says; kept where nothing surer is found.
    reference : ndarray of bool, shape (n,), optional
        Framework vertices known to be uncut.
    """
    found, used_mm = placed(guess_mm), guess_mm
    for _ in range(_MOST_FITS):
        to_contour = found.waxup_from_framework
        taken = taken_off(framework, waxup, to_contour, reference=reference)
        taken_mm, u_mm = max(taken.mm, 0.0), taken.u_mm
        if math.isfinite(taken.other_mm):
            doubt = max(found.state, AlignmentState.DOUBTFUL, key=_GRAVITY.index)
            why = words.two_depths(taken.mm, taken.other_mm)
            return (
                dataclasses.replace(found, state=doubt, reasons=(why, *found.reasons)),
                used_mm,
                (),
            )
        if not (u_mm < _SURE_MM and abs(taken_mm - used_mm) > max(_ALIKE_MM, _SURE * u_mm)):
            break
        anew = placed(taken_mm)
        if anew.state is AlignmentState.FAILED:
            # The two do not lie on each other by what was measured, and other amounts are untrue.
            doubt = max(found.state, AlignmentState.DOUBTFUL, key=_GRAVITY.index)
            return dataclasses.replace(found, state=doubt), used_mm, ()
        found, used_mm = anew, taken_mm
        if found.state in (AlignmentState.TRUSTED, AlignmentState.GIVEN):
            break
    if used_mm == guess_mm:
        return found, guess_mm, ()
    values = {"taken": used_mm, "stated": guess_mm}
    return found, used_mm, (Fault("finishing", 1, _WORDS.format(**values), values=values),)


_GRAVITY = (
    AlignmentState.TRUSTED,
    AlignmentState.GIVEN,
    AlignmentState.DOUBTFUL,
    AlignmentState.FAILED,
)

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


def taken_off(
    framework: TriangleMesh,
    waxup: TriangleMesh,
    motion: RigidMotion,
    *,
    reference: Bools | None = None,
) -> Taken:
    """How far the uncut surface lies inside the contour, all of it alike.

    Parameters
    ----------
    framework, waxup : TriangleMesh
        Outward faces, mm; the framework as it was scanned.
    motion : RigidMotion
        `waxup_from_framework`, to within some hundredths of a millimetre.
    reference : ndarray of bool, shape (n,), optional
        Framework vertices known to be uncut.
    """
    body, target = fit.prepared(framework, waxup, AlignOptions(), reference)
    samples = sample(body.surface, _POINTS, body.allowed)
    lever = np.array([1 / body.radius_mm] * 3 + [1.0] * 4)
    offset, value = 0.0, np.zeros(7)
    for turn, width in enumerate(_WIDTHS_MM):
        found = pair(samples, motion, target)
        uncut = found.good & (found.residual_mm > -_MOST_MM) & (found.residual_mm < _OUTSIDE_MM)
        if uncut.sum() < _POINTS // 100:
            return Taken()
        if not turn:
            offset = _commonest(found.residual_mm[uncut])
        centre = motion.apply(body.centre_mm[None])[0]
        point, residual = found.point_mm[uncut], found.residual_mm[uncut] - offset
        rigid = rows(point, found.normal[uncut], centre)
        jacobian = np.concatenate([rigid, np.full((len(point), 1), -1.0)], axis=1)
        weight = tukey(residual, width)
        value, spread = solved(jacobian * lever, residual, weight, np.ones(len(point)))
        value = value * lever
        motion, offset = moved(motion, value[:6], centre), offset + float(value[6])
    if _own_share(jacobian * lever, weight) < _LEAST_OWN_SHARE:
        return Taken()
    left, near = residual + jacobian @ value, weight > 0
    each_mm2 = float(body.surface.area_mm2.sum()) / _POINTS
    power = integrated_covariance(point[near], left[near])
    # What is not even, such as the foot of a slope, says otherwise patch by patch.
    uneven = left_out(jacobian * lever, weight, residual, point - centre)[6, 6]
    u_mm = math.sqrt(max(float(spread[6, 6]) / each_mm2 * power + float(uneven), 0.0))
    cut = found.point_mm[found.good & (found.residual_mm < -_MOST_MM)]
    near_mm, far_mm = _apart(point, rigid * lever[:6], residual + offset, cut)
    if abs(near_mm - far_mm) > _TWO_MM:
        return Taken(near_mm, math.nan, far_mm)
    return Taken(-offset, u_mm)


def _apart(point: Floats, rigid: Floats, residual: Floats, cut: Floats) -> tuple[float, float]:
    """What was taken off beside the cut, which only metal has, and what far from it; NaN where
    there is not enough of both.

    A turn makes up for most of what lies between: what is left of it tells that there are two.
    """
    from scipy.spatial import cKDTree

    if not len(cut):
        return math.nan, math.nan
    from_cut = cKDTree(cut).query(point)[0]
    part = (from_cut < _NEAR_MM) | (from_cut > _FAR_MM)
    near = from_cut[part] < _NEAR_MM
    if min(near.sum(), (~near).sum()) < _LEAST_PART * len(point):
        return math.nan, math.nan
    jacobian = np.concatenate([rigid[part], np.stack([-1.0 * near, -1.0 * ~near], 1)], axis=1)
    alike = np.concatenate([rigid[part], np.ones((len(near), 1)), near[:, None]], axis=1)
    if _own_share(alike, np.ones(len(near))) < _LEAST_OWN_SHARE * (~near).mean():
        return math.nan, math.nan
    value = np.zeros(8)
    for _ in _WIDTHS_MM:
        left = residual[part] + jacobian @ value
        value += solved(jacobian, left, tukey(left, _WIDE_MM), np.ones(len(left)))[0]
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
