"""How far the fit may be believed.

Notes
-----
The fit states the uncertainty of a place, and never less than correlated noise allows. Residuals of
one fit tell little of how far noise hangs together, and an error is a length in space, not along
one direction. Choice: `u_max_mm` is √tr Σ at the worst vertex, from the residuals or from noise
correlated over 0.3 mm, whichever is larger, times 1.3: fits were seen to scatter up to 1.23 times
as far as predicted, 1.31 with narrower weights. Instead of: the residuals' own Σ along the worst
direction, with which two of 249 trials failed in silence; without the factor two of 206 did. Cost:
where noise is white the figure is two to three times too large; the readings keep the covariance
itself.

Halves of a scan that were joined askew, or a coat on one side, lie apart by a way that hangs
together over millimetres: residuals that count as independent from 1 mm on stated 4 to 14 µm where
the pose was 20 to 75 µm off. Choice: to that is added how far the fit moves when part after part of
7 mm is left out. Instead of: residuals alone. Cost: what no part disagrees on, such as one side of
all units, is still understated, by a factor of six at worst; of fewer than four parts, as a
single crown has, nothing is known. What halves that pull against each other leave, `askew` tells.

The state of a fit rests on what touches, not on what was fitted. The fit keeps away from what was
cut, and noise is often correlated where none is seen. Choice: the bound behind `trusted` is that of
all surface in contact, with noise correlated over 0.3 mm. Instead of: the covariance of the fit,
which is smaller with white noise and larger on thin collars. Cost: near 25 and 50 µm the state may
differ from what the true reference would give. Known to fall short: of poses that are solvable by
their own bound, some three in a hundred end doubtful, nearly all with a bound above 20 µm;
`tests/benchmarks/align.md` holds the figures.
"""

from __future__ import annotations

import dataclasses

import numpy as np

from veneercheck.core.align.patches import left_out, parts
from veneercheck.core.align.polish import Body, Polished
from veneercheck.core.align.solver import rows, step
from veneercheck.core.mesh.triangles import row_dot
from veneercheck.core.types import Bools, Floats

_CORRELATION_REACH_MM = 1.0
"""Noise of dental scanners is correlated over a few tenths of a millimetre; beyond, none."""

_CORRELATION_POINTS = 4000

_ASSUMED_LENGTH_MM = 0.3
"""The state assumes noise correlated as exp(−r²/2ℓ²) over this length even if none is seen."""

STATED_FACTOR = 1.3
"""With correlated noise the spread of fits along one direction was up to 1.23 times what residuals
and geometry predict (four bodies, some fifty fits each: `align_accuracy.py spread`), and 1.31 on a
finer mesh with narrower weights: what is stated covers that."""

_PATCH_MM = 2.0

_PART_MM, _LEAST_PARTS = 7.0, 4
"""Parts of about a premolar's width; of fewer, what one alone holds is most of the fit."""

_FREE_SHARE = 1e-4
_TURNS = 0.05
"""Share of the strongest direction below which one is free, and size of a turn that is one."""

_SLIDING = {
    (3, 3): "a sphere",
    (3, 1): "a plane",
    (2, 1): "a cylinder",
    (1, 0): "an extrusion",
}
"""By how many ways it slides and how many of them turn."""

_LAYER_MM = 3.0
"""Farther from the contour there is no layer whose uncertainty would matter."""

_LEAST_SHARE = 0.2
"""One scan is not taken for more than five times noisier than the other."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Certainty:
    """Uncertainty of a fit.

    Parameters
    ----------
    covariance : ndarray, shape (6, 6)
        Of turn (rad) about `centre_mm`, then shift (mm).
    centre_mm : ndarray, shape (3,)
    u_max_mm : float
        Largest standard uncertainty of the place of any framework vertex that lies near the
        contour (root mean square of its displacement in space, √tr Σ), from the residuals as
        they are and from leaving part after part out.
    bound_mm : float
        What the surface in contact would allow if the noise were correlated over 0.3 mm, along
        the vertex's own worst direction; never less than the residuals say there.
    parted_mm : float
        Standard uncertainty there by leaving part after part out; 0 where there are few.
    stated_mm : float
        `u_max_mm`, or that of the same bound where it is larger: a few residuals tell little of
        how far noise hangs together, and no fit may claim to know it better. Times 1.3, by which
        fits were seen to scatter farther than predicted.
    condition : float
        Strongest over weakest direction of the normal equations.
    weakest_step : ndarray, shape (6,)
        The motion that the reference holds least, one standard uncertainty of it.
    power_mm4 : float
        Variance of the residual times the area of one independent reading.
    contact_mm : float
        Standard deviation of the smoothed residual at vertices that touch; NaN if none do.
    """

    covariance: Floats
    centre_mm: Floats
    u_max_mm: float
    bound_mm: float
    parted_mm: float
    stated_mm: float
    condition: float
    weakest_step: Floats
    power_mm4: float
    contact_mm: float


def certainty(body: Body, fit: Polished, waxup_share: float) -> Certainty:
    """Covariance of the fit, from its normal equations and its residuals.

    Parameters
    ----------
    waxup_share : float
        White noise of the wax-up over that of the framework.

    Notes
    -----
    Σ = A⁻¹ B A⁻¹ with A = Σ w g gᵀ and B = (∫C dA / a) Σ w² g gᵀ, where C is the covariance of
    the residuals over distance and a the area of a point: the estimate for correlated errors
    (White 1984; Conley 1999; from memory), for rows that hardly change over the correlation
    length. For C = σ² exp(−r²/2ℓ²) the integral is 2πℓ²σ².
    """
    centre = fit.motion.apply(body.centre_mm[None])[0]
    jacobian = rows(fit.pairs.point_mm, fit.pairs.normal, centre)
    scale = np.array([1 / body.radius_mm] * 3 + [1.0] * 3)
    raw, condition = sandwich(jacobian, fit.weight, body.radius_mm)
    raw = raw / fit.sample_area_mm2
    used = fit.weight > 0
    spread = float(np.sqrt(np.mean(fit.pairs.residual_mm[used] ** 2))) if used.any() else np.nan
    seen = integrated_covariance(fit.pairs.point_mm[used], fit.pairs.residual_mm[used])
    seen *= _freedom(spread**2 * fit.sample_area_mm2 * used.sum(), seen)
    points = fit.motion.apply(body.surface.mesh.points_mm[counted(body, fit)])
    sigma = max(spread, _unsmoothed_mm(body, fit, waxup_share))
    along, _ = vertex_uncertainty(raw * seen, points, centre)
    bound, stated = vertex_uncertainty(_bound(body, fit, sigma), points, centre)
    by_parts = _by_parts(fit, jacobian * scale, scale, fit.pairs.residual_mm)
    parted, _ = vertex_uncertainty(by_parts, points, centre)
    covariance = raw * seen + by_parts
    _, u_max = vertex_uncertainty(covariance, points, centre)
    return Certainty(
        covariance,
        centre,
        u_max,
        max(along, bound),
        parted,
        STATED_FACTOR * max(u_max, stated),
        condition,
        _weakest(covariance, scale),
        seen,
        _contact_mm(body, fit),
    )


def parted_mm(body: Body, fit: Polished, size: float) -> float:
    """`Certainty.parted_mm` of what another size, framework over wax-up less 1, leaves."""
    centre = fit.motion.apply(body.centre_mm[None])[0]
    jacobian = rows(fit.pairs.point_mm, fit.pairs.normal, centre)
    scale = np.array([1 / body.radius_mm] * 3 + [1.0] * 3)
    arm = np.einsum("ij,ij->i", fit.pairs.point_mm - centre, fit.pairs.normal)
    by_parts = _by_parts(fit, jacobian * scale, scale, fit.pairs.residual_mm - size * arm)
    points = fit.motion.apply(body.surface.mesh.points_mm[counted(body, fit)])
    return vertex_uncertainty(by_parts, points, centre)[0]


def _by_parts(fit: Polished, scaled: Floats, scale: Floats, residual_mm: Floats) -> Floats:
    """Covariance of the fit by leaving out part after part of a unit's width; zeros for few."""
    part = parts(fit.pairs.point_mm, _PART_MM)
    if part.max(initial=0) + 1 < _LEAST_PARTS:
        return np.zeros((6, 6))
    found = left_out(scaled, fit.weight, residual_mm, part)
    return np.asarray(np.outer(scale, scale) * found)


def sandwich(jacobian: Floats, weight: Floats, lever_mm: float) -> tuple[Floats, float]:
    """A⁻¹ (Σ w² g gᵀ) A⁻¹ with A = Σ w g gᵀ, and the condition of A with turns at a lever.

    Times the variance of a residual it is the covariance where noise is white.
    """
    scale = np.array([1 / lever_mm] * 3 + [1.0] * 3)
    scaled = jacobian * scale
    value, vector = np.linalg.eigh(scaled.T @ (scaled * weight[:, None]))
    value = np.maximum(value, 1e-12 * max(float(value[-1]), 1e-300))
    inverse = (vector / value) @ vector.T
    middle = scaled.T @ (scaled * (weight**2)[:, None])
    return np.outer(scale, scale) * (inverse @ middle @ inverse), float(value[-1] / value[0])


def free_ways(jacobian: Floats, lever_mm: float) -> Floats:
    """Motions that slide a surface along itself, turns at a lever, as columns, shape (6, k)."""
    scaled = jacobian * np.array([1 / lever_mm] * 3 + [1.0] * 3)
    value, vector = np.linalg.eigh(scaled.T @ scaled)
    return np.asarray(vector[:, value < _FREE_SHARE * max(float(value[-1]), 1e-300)])


def slippage(jacobian: Floats, lever_mm: float) -> tuple[int, str]:
    """How many ways a surface can slide along itself, and what it is like, "" if none.

    Parameters
    ----------
    jacobian : ndarray, shape (n, 6)
        Rows [(p − centre) × n, n].

    Notes
    -----
    Gelfand and others 2003: motions of zero eigenvalue are those that slide. Three turns without
    a common axis are a sphere's, three ways with one turn a plane's, two a cylinder's, one turn a
    surface of revolution's, one shift an extrusion's; a turn that also climbs is a helix's.
    """
    free = free_ways(jacobian, lever_mm)
    count = free.shape[1]
    turns = int(np.sum(np.linalg.svd(free[:3], compute_uv=False) > _TURNS)) if count else 0
    if count == 1 and turns:
        climb = abs(float(free[:3, 0] @ free[3:, 0]))
        return 1, "a helix" if climb > _TURNS else "a surface of revolution"
    return count, _SLIDING.get((count, turns), "")


def counted(body: Body, fit: Polished) -> Bools:
    """Vertices whose uncertainty matters: near enough to the contour to have a layer."""
    residual = np.abs(np.nan_to_num(fit.seen.residual_mm, nan=np.inf))
    near = body.surface.whole & (residual < _LAYER_MM)
    return near if near.any() else body.surface.whole


def _contact_mm(body: Body, fit: Polished) -> float:
    inner = fit.seen.contact & ~body.surface.border
    return _deviation(fit.seen.residual_mm[inner]) if inner.any() else float("nan")


def _unsmoothed_mm(body: Body, fit: Polished, waxup_share: float) -> float:
    """Noise of both scans together before they were smoothed, from the framework's residual."""
    inner = fit.seen.contact & ~body.surface.border
    if not inner.any():
        return 0.0
    smoothed = fit.seen.residual_mm[inner]
    raw = smoothed - body.surface.removed_mm[inner]
    square = min(max(waxup_share, _LEAST_SHARE), 1 / _LEAST_SHARE) ** 2
    waxup = _deviation(smoothed) ** 2 * square / (1.0 + square)
    framework = max(_deviation(raw) ** 2 - waxup, 0.0)
    return float(np.sqrt(framework * (1.0 + square)))


def _deviation(residual_mm: Floats) -> float:
    """Standard deviation by the median, which a few strays do not move."""
    return float(np.median(np.abs(residual_mm)) / 0.6745)


def _bound(body: Body, fit: Polished, sigma_mm: float) -> Floats:
    """Covariance if all that touches were used, with noise correlated over 0.3 mm."""
    touching = fit.seen.contact
    centre = fit.motion.apply(body.centre_mm[None])[0]
    points = fit.motion.apply(body.surface.mesh.points_mm[touching])
    scale = np.array([1 / body.radius_mm] * 3 + [1.0] * 3)
    scaled = rows(points, fit.seen.normal[touching], centre) * scale
    matrix = scaled.T @ (scaled * body.surface.area_mm2[touching][:, None])
    value, vector = np.linalg.eigh(matrix)
    inverse = (vector / np.maximum(value, 1e-12 * max(float(value[-1]), 1e-300))) @ vector.T
    bound: Floats = np.outer(scale, scale) * inverse
    return bound * 2 * np.pi * _ASSUMED_LENGTH_MM**2 * sigma_mm**2


def _weakest(covariance: Floats, scale: Floats) -> Floats:
    if not np.isfinite(covariance).all():
        return np.full(6, np.nan)
    value, vector = np.linalg.eigh(covariance / np.outer(scale, scale))
    return np.asarray(scale * vector[:, -1] * np.sqrt(max(float(value[-1]), 0.0)))


def weakest_layer_mm(body: Body, fit: Polished, sure: Certainty) -> float:
    """What the weakest direction does to the layer at the worst vertex, standard uncertainty."""
    inner = ~body.surface.border & counted(body, fit)
    arm = fit.motion.apply(body.surface.mesh.points_mm[inner]) - sure.centre_mm
    normal = fit.motion.turn(body.surface.normal[inner])
    return float(np.abs(rows(arm, normal, np.zeros(3)) @ sure.weakest_step).max(initial=0.0))


def halves_mm(body: Body, fit: Polished, centre_mm: Floats) -> float:
    """How far two fits part at the farthest vertex, each on every other patch of the reference.

    The patches are cells of 2 mm in a chequered grid, larger than noise hangs together: the two
    share no reading, so half of what they part by estimates the error of the whole fit.
    """
    cell = np.floor((fit.pairs.point_mm - centre_mm) / _PATCH_MM).astype(np.int64).sum(axis=1)
    jacobian = rows(fit.pairs.point_mm, fit.pairs.normal, centre_mm)
    steps = [
        step(jacobian, fit.pairs.residual_mm, fit.weight * (cell % 2 == side), body.radius_mm)
        for side in (0, 1)
    ]
    apart = steps[0] - steps[1]
    arm = fit.motion.apply(body.surface.mesh.points_mm[counted(body, fit)]) - centre_mm
    moved = np.cross(apart[:3], arm) + apart[3:]
    return float(np.linalg.norm(moved, axis=1).max(initial=0.0))


def _freedom(power: float, seen: float) -> float:
    """The fit ate six of the independent readings; never more than it leaves."""
    independent = power / max(seen, 1e-18)
    return float(independent / max(independent - 6.0, 0.25 * independent, 1e-9))


def integrated_covariance(point_mm: Floats, residual_mm: Floats) -> float:
    """∫ C dA of residuals over a surface, mm⁴: σ² times the area of one independent reading.

    Parameters
    ----------
    point_mm : ndarray, shape (k, 3)
        Spread evenly over the surface.
    residual_mm : ndarray, shape (k,)

    Returns
    -------
    float
        Sum over pairs closer than 1 mm; the pairs' density is counted from the points.
    """
    from scipy.spatial import cKDTree

    count = len(point_mm)
    if count < 10:
        return float("nan")
    every = max(1, count // _CORRELATION_POINTS)
    points, residual = point_mm[::every], residual_mm[::every]
    one, other = cKDTree(points).query_pairs(_CORRELATION_REACH_MM, output_type="ndarray").T
    apart = points[one] - points[other]
    gap, product = np.sqrt(row_dot(apart, apart)), residual[one] * residual[other]
    border = np.linspace(0, _CORRELATION_REACH_MM, 11)
    which = np.minimum(np.searchsorted(border, gap, side="right") - 1, 9)
    number = np.bincount(which, minlength=10)
    mean = np.bincount(which, weights=product, minlength=10) / np.maximum(number, 1)
    ring = np.pi * (border[1:] ** 2 - border[:-1] ** 2)
    floor = 0.02 * float(np.mean(residual**2)) * np.pi * _CORRELATION_REACH_MM**2 / 10
    return float(max(np.sum(mean * ring), floor))


_FEW, _ROUNDED = 64, 1.0 - 1e-9
"""Places of the greatest trace, which bound the variance from below; a trace that is equal to it
but for its last digits still comes into question."""


def vertex_uncertainty(
    covariance: Floats, points_mm: Floats, centre_mm: Floats
) -> tuple[float, float]:
    """Largest standard uncertainty of any point, mm.

    Returns
    -------
    along, whole : float
        Along the point's own worst direction; and of its place, √tr Σ: the root mean square
        length of its displacement, which a length in space must be held against.
    """
    arm = points_mm - centre_mm
    far = arm[np.argsort(-row_dot(arm, arm))[: max(len(arm) // 4, 1)]]
    from veneercheck.core.mesh.motion import cross_matrix

    def greatest(some: Floats) -> float:
        ones = np.broadcast_to(np.eye(3), (len(some), 3, 3))
        jacobian = np.concatenate([-cross_matrix(some), ones], 2)
        each = jacobian @ covariance @ jacobian.transpose(0, 2, 1)
        return float(np.linalg.eigvalsh(each)[:, -1].max())

    # Of all places at first the trace alone, in closed form.
    turn, both = covariance[:3, :3], covariance[:3, 3:] + covariance[3:, :3].T
    axis = np.array([both[2, 1] - both[1, 2], both[0, 2] - both[2, 0], both[1, 0] - both[0, 1]])
    trace = row_dot(far, far) * np.trace(turn) - row_dot(far @ turn, far)
    trace += np.trace(covariance[3:, 3:]) + far @ axis
    whole = along = max(float(trace.max()), 0.0)
    if whole > 0:
        # No variance along a direction is greater than the trace, so few places come into question.
        along = greatest(far[np.argsort(-trace)[:_FEW]])
        along = greatest(far[trace >= _ROUNDED * along])
    return float(np.sqrt(along)), float(np.sqrt(whole))
