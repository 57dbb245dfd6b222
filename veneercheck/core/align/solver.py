"""Point-to-plane least squares: one linear step for a small motion."""

from __future__ import annotations

import numpy as np

from veneercheck.core.types import Floats

SURE = 3.0
"""What was solved for is there, and told, from so many of its standard uncertainties on."""

_LEAST_EIGENVALUE_SHARE = 1e-9
"""Directions weaker than this share of the strongest are left alone, not guessed."""


def rows(point_mm: Floats, normal: Floats, centre_mm: Floats) -> Floats:
    """Rows of the normal equations, shape (n, 6): [(p − centre) × n, n].

    Chen and Medioni 1992; Low 2004.
    """
    return np.concatenate([np.cross(point_mm - centre_mm, normal), normal], axis=1)


def step(jacobian: Floats, residual_mm: Floats, weight: Floats, lever_mm: float) -> Floats:
    """The small motion that takes the weighted residuals down, shape (6,).

    Parameters
    ----------
    jacobian : ndarray, shape (n, 6)
    residual_mm, weight : ndarray, shape (n,)
    lever_mm : float
        Length that makes turns and shifts comparable.

    Returns
    -------
    ndarray, shape (6,)
        Turn (rad), then shift (mm); zero along directions that the pairs do not hold.
    """
    unit_of = np.array([1 / lever_mm] * 3 + [1.0] * 3)
    scaled = jacobian * unit_of
    normal_matrix = scaled.T @ (scaled * weight[:, None])
    right = -scaled.T @ (weight * residual_mm)
    value, vector = np.linalg.eigh(normal_matrix)
    held = value > _LEAST_EIGENVALUE_SHARE * max(float(value[-1]), 1e-300)
    inverse = np.where(held, 1.0 / np.where(held, value, 1.0), 0.0)
    return np.asarray(unit_of * (vector @ (inverse * (vector.T @ right))))


def solved(
    jacobian: Floats, residual_mm: Floats, weight: Floats, area_mm2: Floats
) -> tuple[Floats, Floats]:
    """Coefficients that take the weighted residuals down, and their covariance for a power of one.

    Parameters
    ----------
    jacobian : ndarray, shape (n, k)
    residual_mm : ndarray, shape (n,)
    weight : ndarray, shape (n,)
        Holds the area of each point.
    area_mm2 : ndarray, shape (n,)

    Returns
    -------
    ndarray, shape (k,), and ndarray, shape (k, k)
        Times the variance of a residual and the area of one independent reading it is a
        covariance. Directions that the points do not hold are zero in both.
    """
    # The area of a point counts twice in the middle matrix, and once in the power.
    normal_matrix = jacobian.T @ (jacobian * weight[:, None])
    inverse = np.linalg.pinv(normal_matrix, rcond=_LEAST_EIGENVALUE_SHARE, hermitian=True)
    middle = jacobian.T @ (jacobian * (weight**2 / np.maximum(area_mm2, 1e-12))[:, None])
    return -inverse @ (jacobian.T @ (weight * residual_mm)), inverse @ middle @ inverse
