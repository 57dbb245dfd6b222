"""What a rigid fit leaves over: another size, a bow, a part that lies otherwise than the rest.

All of it is measured beside the fit and told; none of it is ever applied to the pose.

Notes
-----
Size and bow are read from the surface through the vertices. Scans are thinned where they are flat,
and a facet lies inside a round contour by up to some 20 µm: seven of 32 sound bridges were told to
be larger than their wax-up, or bent. Choice: the residual less what the contour bulges over its
facets, and an uncertainty that holds how far the answer changes where a patch of 3 mm is left out.
Instead of: the residuals as if they were independent. Cost: the bulge is guessed from normals,
which are rough on long facets; so it is kept out of the fit, which it made twice as far off.

A unit raised by 0.2 mm between narrow collars tilts the fit: its neighbour lies 50 µm askew, all of
it within what counts as contact. Choice: a part has a place of its own, too, where its usual
residual falls clearly there. Instead of: only where more of it comes into contact, which told of
nothing, and «take off 1.15 mm» where nothing had been cut. Cost: raised by 0.1 mm it lies 20 µm
askew, and is trusted.

Powder, sprayed on for the scan, makes a body evenly proud, and a round one looks larger: 15 µm of
it, 0.3 %. Choice: the size beside an even offset; where the two look alike and the size alone moves
the surface by less than is told of a part, nothing is said of it. Instead of: the size alone. Cost:
a single crown may be 0.5 % larger without a word; its layer is then wrong by some 0.02 mm.

Shrinkage of 0.2 % moves the end of a long bridge by 50 µm, and was told as a die not seated as
well. Choice: parts are measured beside a size that is sure, and that is sure only if it stays
where unit after unit is left out. Instead of: parts against the rigid fit; or never beside a size.
Cost: an end that lies off along the arch alone looks partly like a size, and both may be told.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from veneercheck.core.align.polish import Body, Polished
from veneercheck.core.align.reference import contact_within_mm, grown, without_small_patches
from veneercheck.core.align.solver import SURE
from veneercheck.core.align.weights import tukey
from veneercheck.core.types import Bools, Floats, Ints

_NEAR_MM = 0.15
"""A displaced collar or a sprung span lies within this of the contour, a cut does not."""

_CUT_MM = 0.25
_AWAY_MM = 0.6
"""Distance kept from what was cut: the foot of a chamfer lies within `_NEAR_MM` too."""

_SMALLEST_PATCH_MM2 = 0.5
_ROUNDS = 6
_WIDTH = 4.0
_LEAST_WIDTH_MM = 0.02

_SPAN_MM = 14.0
"""Shorter bodies have no span that could bow."""

_SIZE, _LEAST_PARTS = 6, 3
"""Column of the size after a rigid motion; of two units one alone tells of no size of both."""

_LIKE_OFFSET, _MOST_OF = 3.0, 0.95
"""Size and even offset are not told apart within so many standard uncertainties; a size is held
against the movement that nearly all of the surface stays below."""

_PATCH_MM = 3.0
"""Longer than the facets of a thinned scan."""

_PART_MM = 9.0
"""About the width of a tooth."""

_PART_MM2 = 5.0
_GAIN_SHARE, _GAIN_MM2 = 1.3, 1.0
"""A part lies otherwise only if its own place brings so much more of it into contact: the foot of
a chamfer is no displaced collar."""

_CALMER = 1.1
"""… or if its usual residual falls there by so much more than by an even offset; a sound part's
hardly changes."""

_PART_HELD_MM = 0.012
"""A part whose shift is known no better than this along a direction says nothing there."""


@dataclasses.dataclass(frozen=True, slots=True)
class Pattern:
    """What the residual shows beyond noise, each with its standard uncertainty; NaN if unknown.

    Parameters
    ----------
    scale, scale_u : float
        Size of the framework over that of the wax-up.
    bow_mm, bow_u_mm : float
        Middle of the span against its ends.
    part_mm, part_u_mm : float
        Largest shift of a part of about a tooth's width against the whole.
    swollen_mm, swollen_u_mm : float
        Largest even offset of a part, positive where the framework stands outside.
    """

    scale: float = float("nan")
    scale_u: float = float("nan")
    bow_mm: float = float("nan")
    bow_u_mm: float = float("nan")
    part_mm: float = float("nan")
    part_u_mm: float = float("nan")
    swollen_mm: float = float("nan")
    swollen_u_mm: float = float("nan")


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class _Shown:
    """Vertices that may be uncut although displaced, about the body's centre, in its own axes."""

    arm_mm: Floats
    normal: Floats
    residual_mm: Floats
    area_mm2: Floats
    power_mm4: float
    contact_mm: float


def pattern(body: Body, fit: Polished, axes: Floats, power_mm4: float, limit_mm: float) -> Pattern:
    """Measure what a rigid motion cannot explain.

    Parameters
    ----------
    axes : ndarray, shape (3, 3)
        The bridge's own axes in the wax-up's frame, as rows, the longest last.
    power_mm4 : float
        Variance of the residual times the area of one independent reading.
    limit_mm : float
        By so much a size must move the surface to be told where an even offset explains it too.
    """
    shown = _shown(body, fit, axes, power_mm4)
    if len(shown.residual_mm) < 50:
        return Pattern()
    rigid = np.concatenate([np.cross(shown.arm_mm, shown.normal), shown.normal], axis=1)
    size = np.einsum("ij,ij->i", shown.arm_mm, shown.normal)[:, None]
    half = 0.5 * float(np.ptp(shown.arm_mm[:, 2]))
    fields = [rigid, size, np.ones_like(size)]
    if 2 * half > _SPAN_MM:
        along = (shown.arm_mm[:, 2] / half)[:, None]
        twist = along * np.cross([0.0, 0.0, 1.0], shown.arm_mm) / half
        fields += [along**2 * shown.normal[:, :2], np.sum(twist * shown.normal, 1)[:, None]]
    value, covariance = _solved(np.concatenate(fields, axis=1), shown, patches=True)
    larger, u = float(value[6]), math.sqrt(covariance[6, 6])
    alone, of_alone = _solved(np.concatenate([rigid, size], axis=1), shown, patches=True)
    if _LIKE_OFFSET * u > abs(alone[6]):
        moved_mm = abs(alone[6]) * float(np.quantile(np.abs(size), _MOST_OF))
        larger, u = float(alone[6]), math.sqrt(of_alone[6, 6]) if moved_mm > limit_mm else u
    bow = bow_u = float("nan")
    if len(value) > 8:
        bow = float(np.linalg.norm(value[8:10]))
        way = value[8:10] / max(bow, 1e-12)
        bow_u = float(np.sqrt(way @ covariance[8:10, 8:10] @ way))
    explained = [rigid, size] if abs(larger) > SURE * u else [rigid]
    return Pattern(1.0 + larger, u, bow, bow_u, *_parts(shown, np.concatenate(explained, axis=1)))


def _shown(body: Body, fit: Polished, axes: Floats, power_mm4: float) -> _Shown:
    surface, residual = body.surface, fit.seen.residual_mm
    size = np.abs(residual)
    deep = without_small_patches(surface, np.nan_to_num(residual) < -_CUT_MM, _SMALLEST_PATCH_MM2)
    near = (size < _NEAR_MM) & ~grown(surface, deep, _AWAY_MM) & body.allowed_vertices()
    near = without_small_patches(surface, near, _SMALLEST_PATCH_MM2) | fit.seen.reference
    near &= np.isfinite(residual)
    centre = fit.motion.apply(body.centre_mm[None])[0]
    points = fit.motion.apply(surface.mesh.points_mm[near])
    return _Shown(
        (points - centre) @ axes.T,
        fit.seen.normal[near] @ axes.T,
        fit.seen.level_mm[near],
        surface.area_mm2[near],
        power_mm4,
        contact_within_mm(fit.noise_mm),
    )


def _solved(jacobian: Floats, shown: _Shown, *, patches: bool = False) -> tuple[Floats, Floats]:
    """Coefficients of displacement fields in a residual, robustly, and their covariance.

    With `patches` the covariance holds as well how far they change where one patch is left out.
    """
    value = np.zeros(jacobian.shape[1])
    scale = np.maximum(np.sqrt(np.mean(jacobian**2, axis=0)), 1e-12)
    unit_rows = jacobian / scale
    residual = shown.residual_mm
    for _ in range(_ROUNDS):
        left = residual - unit_rows @ value
        width = max(_WIDTH * float(np.median(np.abs(left))) / 0.6745, _LEAST_WIDTH_MM)
        weight = tukey(left, width) * shown.area_mm2
        matrix = unit_rows.T @ (unit_rows * weight[:, None])
        inverse = np.linalg.pinv(matrix, rcond=1e-10, hermitian=True)
        value = inverse @ (unit_rows.T @ (weight * residual))
    squared = weight**2 / np.maximum(shown.area_mm2, 1e-12)
    middle = unit_rows.T @ (unit_rows * squared[:, None])
    covariance = inverse @ middle @ inverse * shown.power_mm4
    if patches:
        covariance = covariance + left_out(unit_rows, weight, residual, cubes(shown.arm_mm))
        unit = parts(shown.arm_mm, _PART_MM)
        if unit.max(initial=0) + 1 >= _LEAST_PARTS:
            by_unit = left_out(unit_rows, weight, residual, unit)
            covariance[_SIZE, _SIZE] += by_unit[_SIZE, _SIZE]
    return value / scale, covariance / np.outer(scale, scale)


def cubes(arm_mm: Floats) -> Ints:
    """Number of the cube of 3 mm that each point lies in, shape (n,), none left out."""
    cell = np.floor(arm_mm / _PATCH_MM).astype(np.int64)
    cell -= cell.min(axis=0)
    number = np.ravel_multi_index(cell.T, cell.max(axis=0) + 1)
    return np.unique(number, return_inverse=True)[1].reshape(-1).astype(np.int64)


def left_out(jacobian: Floats, weight: Floats, residual: Floats, patch: Ints) -> Floats:
    """Covariance of coefficients by leaving out patch after patch (jackknife; Tukey 1958).

    Facets of a thinned mesh lie beside the surface by a way that hangs together as far as they
    reach; residuals that are thought independent say nothing of it.

    Parameters
    ----------
    patch : ndarray of int64, shape (n,)
        Number of the patch that each residual stands on, none left out.
    """
    order = np.argsort(patch, kind="stable")
    ends = np.searchsorted(patch[order], np.arange(1, patch.max() + 1))
    rows, weighted = jacobian[order], (jacobian * weight[:, None])[order]
    pairs = zip(np.split(rows, ends), np.split(weighted, ends), strict=True)
    matrices = np.stack([some.T @ more for some, more in pairs])
    rights = np.add.reduceat(weighted * residual[order][:, None], np.r_[0, ends], axis=0)
    count = len(matrices)
    without = np.linalg.pinv(matrices.sum(axis=0) - matrices, rcond=1e-10, hermitian=True)
    values = np.einsum("nij,nj->ni", without, rights.sum(axis=0) - rights)
    away = values - values.mean(axis=0)
    found: Floats = (count - 1) / count * away.T @ away
    return found


def _parts(shown: _Shown, rigid: Floats) -> tuple[float, float, float, float]:
    """The part that is shifted most against the whole, and the one that is offset most."""
    left = _without(rigid, shown)
    # Powder pushes a fit where its surface faces one way.
    evened = _without(np.concatenate([rigid, np.ones_like(rigid[:, :1])], axis=1), shown)
    label = parts(shown.arm_mm, _PART_MM)
    if label.max(initial=0) == 0:
        return (float("nan"),) * 4
    shift, offset = [(0.0, 0.0)], [(0.0, 0.0)]
    for k in range(int(label.max()) + 1):
        here = label == k
        if shown.area_mm2[here].sum() < _PART_MM2:
            continue
        one = _taken(left, here)
        fields = np.concatenate([one.normal, np.ones((len(one.residual_mm), 1))], axis=1)
        value, covariance = _solved(fields, one)
        if not _gains(fields, value, one):
            shift.append(_calming(fields, _taken(evened, here)))
            continue
        shift.append(_held_shift(value[:3], covariance[:3, :3]))
        if np.sqrt(covariance[3, 3]) < _PART_HELD_MM:
            offset.append((float(value[3]), float(np.sqrt(covariance[3, 3]))))
    return (*_greatest(shift), *_greatest(offset))


def _greatest(found: list[tuple[float, float]]) -> tuple[float, float]:
    return max(found, key=lambda one: abs(one[0]))


def _held_shift(value: Floats, covariance: Floats) -> tuple[float, float]:
    """Length of a shift along the directions in which it is known."""
    spread, axes = np.linalg.eigh(covariance)
    held = spread < _PART_HELD_MM**2
    if not held.any():
        return 0.0, 0.0
    along = (axes.T @ value) * held
    size = float(np.linalg.norm(along))
    way = along / max(size, 1e-12)
    return size, float(np.sqrt(np.sum(way**2 * spread)))


def _taken(shown: _Shown, here: Bools) -> _Shown:
    return _Shown(
        shown.arm_mm[here],
        shown.normal[here],
        shown.residual_mm[here],
        shown.area_mm2[here],
        shown.power_mm4,
        shown.contact_mm,
    )


def _gains(fields: Floats, value: Floats, shown: _Shown) -> bool:
    """Whether a displacement brings clearly more surface into contact than lay there before."""

    def touching_mm2(residual: Floats) -> float:
        return float(shown.area_mm2[np.abs(residual) <= shown.contact_mm].sum())

    before = touching_mm2(shown.residual_mm)
    after = touching_mm2(shown.residual_mm - fields @ value)
    return after > max(_GAIN_SHARE * before, before + _GAIN_MM2)


def _without(fields: Floats, shown: _Shown) -> _Shown:
    """What displacement fields leave."""
    value, _ = _solved(fields, shown)
    return dataclasses.replace(shown, residual_mm=shown.residual_mm - fields @ value)


def _calming(fields: Floats, shown: _Shown) -> tuple[float, float]:
    """The shift that lays a part clearly nearer than an even offset of it does; else none."""
    value, covariance = _solved(fields, shown)
    even, _ = _solved(fields[:, 3:], shown)

    def usual_mm(taken: Floats) -> float:
        return float(np.median(np.abs(shown.residual_mm - taken)))

    if usual_mm(fields[:, 3:] @ even) <= _CALMER * usual_mm(fields @ value):
        return 0.0, 0.0
    return _held_shift(value[:3], covariance[:3, :3])


def parts(points_mm: Floats, apart_mm: float) -> Ints:
    """Number of the part that each point belongs to: parts are about so wide, shape (n,).

    Seeds are the point farthest from all seeds so far, until none is farther than `apart_mm`.
    """
    away = np.linalg.norm(points_mm - points_mm[np.argmin(points_mm[:, 2])], axis=1)
    label = np.zeros(len(points_mm), dtype=np.int64)
    count = 1
    while away.max(initial=0.0) > apart_mm:
        gap = np.linalg.norm(points_mm - points_mm[np.argmax(away)], axis=1)
        closer = gap < away
        label[closer], away = count, np.minimum(away, gap)
        count += 1
    return label
