"""A part that lies otherwise than the rest: of the work, or beside what was cut.

Notes
-----
A unit raised by 0.2 mm between narrow collars tilts the fit: its neighbour lies 50 µm askew, all of
it within what counts as contact. Choice: a part has a place of its own, too, where its usual
residual falls clearly there. Instead of: only where more of it comes into contact, which told of
nothing, and «take off 1.15 mm» where nothing had been cut. Cost: raised by 0.1 mm it lies 20 µm
askew, and is trusted.

Where a part's faces look one way, its shift and an even offset nearly cancel: 40 µm with -21 along
one normal are 7 µm that can be seen. Views fused 5 to 8 µm apart left such pairs on stone, and of
eight sound bridges on their models three were sent to be seated again. Choice: where no more comes
to touch, a shift's uncertainty holds warp as well, as much as patches of 3 mm show all over the
scan: 43 µm are known to 15 then, and 60 µm of a die that truly stood higher to 12. Instead of:
residuals as if they were independent, ± 5; patches left out one by one, ± 7, since warp hangs
together farther; or the part's own patches, by which 58 of 84 units that were truly raised were
told and not 72: where a unit ends within a part, that is no warp. Cost: of a part that faces one
way less is told; two of those 72, raised by 0.06 mm on a model, are told no more.

A neighbour of stone that stood 0.06 mm higher made a pose doubtful that was 12 µm off. Choice: a
part of which less than a tenth lies within 4 mm of what was cut is another tooth, or the model: it
is told as such, the fit is made anew without it, and what is read by it may be firm. Instead of:
the same words for all; the pose as it was, which such a part pulls on; or trust, since a unit of
which nothing was cut may be what is not seated. Cost: a neighbour's die leaves the check undecided;
and where a third of what the fit rests on lies otherwise nobody knows which of the two moved: of
that nothing is firm.

A size below what is told, views fused askew or a slow warp leave parts beside their places though
none is told, and leaving parts out one by one shows little of it where as many pull the other way:
10 to 21 µm were stated and trusted where ends lay 18 to 29 µm off, 0.15 % smaller, and 5 to 20 for
views 40 µm apart, 21 to 40 off. Choice: how far parts scatter about the whole beyond noise is
stated with the pose; it changes no state and no reading. Instead of: the size alone, of which fused
views show little. Cost: a warp that a body follows as one pose is not seen; and where views meet,
half their step may lie beyond k = 2.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from veneercheck.core.align.patches import PART_MM, Shown, cubes, parts, solved
from veneercheck.core.align.solver import SURE
from veneercheck.core.types import Bools, Floats

_PART_MM2 = 5.0
_GAIN_SHARE, _GAIN_MM2 = 1.3, 1.0
"""A part lies otherwise only if its own place brings so much more of it into contact: the foot of
a chamfer is no displaced collar."""

_CALMER = 1.1
"""… or if its usual residual falls there by so much more than by an even offset; a sound part's
hardly changes."""

_TAKEN_UP = 2.0
"""Variance of the warp that a part's own shift and offset take up, over that of what they leave of
it over 3 mm: about one in usual parts of sound models, 5 at worst of two hundred."""

_PATCH_MM2 = 1.0
_QUARTER = 0.3186
"""A quarter of normal deviations stay below this share of their standard deviation."""

_HELD_MM = 0.012
"""A part whose shift is known no better than this along a direction says nothing there."""

_OF_THE_CUT = 0.1
"""A part of which less than this share lies near to what was cut is not of the work."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Parts:
    """What parts of about a tooth's width do, each with its standard uncertainty in mm.

    Parameters
    ----------
    shift, offset : tuple of float
        Of the part of the work that is shifted most against the whole, and of any part that is
        offset most; those that are sure come first.
    shifted, uneven : ndarray of bool, shape (n,)
        The vertices of either part.
    beside_mm : float
        Largest shift that is told of parts which are not of the work; NaN where there is none.
    beside : ndarray of bool, shape (n,)
        The vertices of all such parts.
    """

    shift: tuple[float, float]
    shifted: Bools
    offset: tuple[float, float]
    uneven: Bools
    beside_mm: float
    beside: Bools


def parts_off(shown: Shown, rigid: Floats, limit_mm: float) -> Parts:
    """How far parts lie off the whole.

    Parameters
    ----------
    rigid : ndarray, shape (n, k)
        What the whole may do: a rigid motion, and a size that is sure.
    limit_mm : float
        By more a part is told.
    """
    left = _without(rigid, shown)
    # Powder pushes a fit where its surface faces one way.
    evened = _without(np.concatenate([rigid, np.ones_like(rigid[:, :1])], axis=1), shown)
    label = parts(shown.arm_mm, PART_MM)
    beside, beside_mm = np.zeros(len(label), dtype=bool), math.nan
    if label.max(initial=0) == 0:
        return Parts((math.nan,) * 2, beside, (math.nan,) * 2, beside, beside_mm, beside)
    shift, offset, fits = [(0.0, 0.0, beside)], [(0.0, 0.0, beside)], []
    for k in range(int(label.max()) + 1):
        here = label == k
        if shown.area_mm2[here].sum() < _PART_MM2:
            continue
        one = _taken(left, here)
        fields = np.concatenate([one.normal, np.ones((len(one.residual_mm), 1))], axis=1)
        fits.append((here, one, fields, *solved(fields, one)))
    warp_mm2 = _warp_mm2([(one, fields @ value) for _, one, fields, value, _ in fits])
    for here, one, fields, value, covariance in fits:
        gains = _gains(fields, value, one)
        if gains:
            off = _held_shift(value, covariance)
        else:
            off = _calming(fields, _taken(evened, here), warp_mm2)
        if np.average(one.of_the_cut, weights=one.area_mm2) >= _OF_THE_CUT:
            shift.append((*off, here))
        elif off[0] > max(limit_mm, SURE * off[1]):
            beside, beside_mm = beside | here, float(np.fmax(beside_mm, off[0]))
        if gains and np.sqrt(covariance[3, 3]) < _HELD_MM:
            offset.append((float(value[3]), float(np.sqrt(covariance[3, 3])), here))
    return Parts(*_greatest(shift), *_greatest(offset), beside_mm, beside)


def scattered_mm(shown: Shown, rigid: Floats, limit_mm: float) -> float:
    """How far parts lie from where the whole has them, root mean square in space, beyond noise.

    Parameters
    ----------
    rigid : ndarray, shape (n, 6)
    limit_mm : float
        By more a part is told, and counts as by so much.
    """
    left, label = _without(rigid, shown), parts(shown.arm_mm, PART_MM)
    total = area = 0.0
    for k in range(int(label.max()) + 1):
        one = _taken(left, label == k)
        each = float(one.area_mm2.sum())
        value, covariance = solved(one.normal, one)
        # Along normals, which are all that is seen of it; in space that is one part of three.
        across = one.normal.T @ (one.normal * one.area_mm2[:, None])
        beyond = 3.0 * float(value @ across @ value - np.trace(across @ covariance))
        total, area = total + min(beyond, limit_mm**2 * each), area + each
    return math.sqrt(max(total, 0.0) / area)


def _greatest(found: list[tuple[float, float, Bools]]) -> tuple[tuple[float, float], Bools]:
    off, u, here = max(found, key=lambda one: (abs(one[0]) > SURE * one[1], abs(one[0])))
    return (off, u), here


def _held_shift(
    value: Floats, covariance: Floats, slow: Floats | float = 0.0
) -> tuple[float, float]:
    """Length of a shift along the directions in which it is known, and its standard uncertainty,
    in mm, for a covariance of it and of what hangs together over all of the part."""
    spread, axes = np.linalg.eigh(covariance[:3, :3])
    along = axes @ ((axes.T @ value[:3]) * (spread < _HELD_MM**2))
    size = float(np.linalg.norm(along))
    way = along / max(size, 1e-12)
    return size, float(np.sqrt(way @ (covariance[:3, :3] + slow) @ way))


def _taken(shown: Shown, here: Bools) -> Shown:
    return Shown(
        shown.arm_mm[here],
        shown.normal[here],
        shown.residual_mm[here],
        shown.area_mm2[here],
        shown.power_mm4,
        shown.contact_mm,
        shown.vertex[here],
        shown.of_the_cut[here],
    )


def _gains(fields: Floats, value: Floats, shown: Shown) -> bool:
    """Whether a displacement brings clearly more surface into contact than lay there before."""

    def touching_mm2(residual: Floats) -> float:
        return float(shown.area_mm2[np.abs(residual) <= shown.contact_mm].sum())

    before = touching_mm2(shown.residual_mm)
    after = touching_mm2(shown.residual_mm - fields @ value)
    return after > max(_GAIN_SHARE * before, before + _GAIN_MM2)


def _without(fields: Floats, shown: Shown) -> Shown:
    """What displacement fields leave."""
    value, _ = solved(fields, shown)
    return dataclasses.replace(shown, residual_mm=shown.residual_mm - fields @ value)


def _calming(fields: Floats, shown: Shown, warp_mm2: float) -> tuple[float, float]:
    """The shift that lays a part clearly nearer than an even offset of it does; else none."""
    value, covariance = solved(fields, shown)
    even, _ = solved(fields[:, 3:], shown)

    def usual_mm(taken: Floats) -> float:
        return float(np.median(np.abs(shown.residual_mm - taken)))

    if usual_mm(fields[:, 3:] @ even) <= _CALMER * usual_mm(fields @ value):
        return 0.0, 0.0
    share = shown.area_mm2 / shown.area_mm2.sum()
    matrix = fields.T @ (fields * share[:, None])
    each = _TAKEN_UP * warp_mm2 / len(value)
    slow = each * np.linalg.pinv(matrix, rcond=1e-10, hermitian=True)[:3, :3]
    return _held_shift(value, covariance, slow)


def _warp_mm2(fits: list[tuple[Shown, Floats]]) -> float:
    """Variance of what a part's own shift and offset leave of it over 3 mm.

    By the lower quarter of all patches: what one part that is displaced beside another leaves of
    either is no warp.
    """
    each = []
    for one, taken in fits:
        patch = cubes(one.arm_mm)
        area = np.bincount(patch, weights=one.area_mm2)
        total = np.bincount(patch, weights=one.area_mm2 * (one.residual_mm - taken))
        each.append(np.abs(total / area)[area > _PATCH_MM2])
    usual = np.concatenate([*each, np.zeros(0)])
    return float((np.quantile(usual, 0.25) / _QUARTER) ** 2) if len(usual) else 0.0
