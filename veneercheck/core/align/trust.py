"""How far the fit may be believed."""

from __future__ import annotations

import dataclasses

import numpy as np

from veneercheck.core.align.polish import Body, Polished
from veneercheck.core.align.solver import rows
from veneercheck.core.types import Floats

_CORRELATION_REACH_MM = 1.0
"""Noise of dental scanners is correlated over a few tenths of a millimetre; beyond, none."""

_CORRELATION_POINTS = 4000
_ASSUMED_LENGTH_MM = 0.3
"""The state assumes noise correlated as exp(−r²/2ℓ²) over this length even if none is seen."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Certainty:
    """Uncertainty of a fit.

    Parameters
    ----------
    covariance : ndarray, shape (6, 6)
        Of turn (rad) about `centre_mm`, then shift (mm).
    centre_mm : ndarray, shape (3,)
    u_max_mm : float
        Largest standard uncertainty of any framework vertex, from the residuals as they are.
    bound_mm : float
        The same if the noise were correlated over 0.3 mm.
    condition : float
        Strongest over weakest direction of the normal equations.
    weakest_step : ndarray, shape (6,)
        The motion that the reference holds least.
    """

    covariance: Floats
    centre_mm: Floats
    u_max_mm: float
    bound_mm: float
    condition: float
    weakest_step: Floats


def certainty(body: Body, fit: Polished, white_mm: float) -> Certainty:
    """Covariance of the fit, from its normal equations and its residuals.

    Parameters
    ----------
    body : Body
    fit : Polished
    white_mm : float
        White noise of both scans together.

    Returns
    -------
    Certainty

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
    scaled = jacobian * scale
    matrix = scaled.T @ (scaled * fit.weight[:, None])
    value, vector = np.linalg.eigh(matrix)
    value = np.maximum(value, 1e-12 * max(float(value[-1]), 1e-300))
    inverse = (vector / value) @ vector.T
    middle = scaled.T @ (scaled * (fit.weight**2)[:, None])
    raw = inverse @ middle @ inverse / fit.sample_area_mm2
    raw = scale[:, None] * raw * scale
    used = fit.weight > 0
    spread = float(np.sqrt(np.mean(fit.pairs.residual_mm[used] ** 2))) if used.any() else np.nan
    seen = integrated_covariance(fit.pairs.point_mm[used], fit.pairs.residual_mm[used])
    seen *= _freedom(spread**2 * fit.sample_area_mm2 * used.sum(), seen)
    sigma = float(np.hypot(max(spread, white_mm), 0.0))
    assumed = 2 * np.pi * _ASSUMED_LENGTH_MM**2 * sigma**2
    points = fit.motion.apply(body.surface.mesh.points_mm[body.surface.area_mm2 > 0])
    covariance = raw * seen
    return Certainty(
        covariance,
        centre,
        vertex_uncertainty(covariance, points, centre),
        vertex_uncertainty(raw * max(seen, assumed), points, centre),
        float(value[-1] / value[0]),
        scale * vector[:, 0],
    )


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
    points, residual = point_mm[::every], residual_mm[::every] - 0.0
    tree = cKDTree(points)
    pairs = tree.query_pairs(_CORRELATION_REACH_MM, output_type="ndarray")
    gap = np.linalg.norm(points[pairs[:, 0]] - points[pairs[:, 1]], axis=1)
    product = residual[pairs[:, 0]] * residual[pairs[:, 1]]
    border = np.linspace(0, _CORRELATION_REACH_MM, 11)
    which = np.minimum(np.searchsorted(border, gap, side="right") - 1, 9)
    number = np.bincount(which, minlength=10)
    mean = np.bincount(which, weights=product, minlength=10) / np.maximum(number, 1)
    ring = np.pi * (border[1:] ** 2 - border[:-1] ** 2)
    floor = 0.02 * float(np.mean(residual**2)) * np.pi * _CORRELATION_REACH_MM**2 / 10
    return float(max(np.sum(mean * ring), floor))


def vertex_uncertainty(covariance: Floats, points_mm: Floats, centre_mm: Floats) -> float:
    """Largest standard uncertainty of any point along its own worst direction, mm."""
    arm = points_mm - centre_mm
    far = arm[np.argsort(-np.einsum("ij,ij->i", arm, arm))[: max(len(arm) // 4, 1)]]
    from veneercheck.core.motion import cross_matrix

    jacobian = np.concatenate([-cross_matrix(far), np.broadcast_to(np.eye(3), (len(far), 3, 3))], 2)
    each = np.einsum("nij,jk,nlk->nil", jacobian, covariance, jacobian)
    return float(np.sqrt(max(float(np.linalg.eigvalsh(each)[:, -1].max()), 0.0)))
