"""Rigid motions: exponential map, best rotation between points, even sets of rotations."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from veneercheck.core.errors import MeshError
from veneercheck.core.types import Floats, RigidMotion

_SMALL_TURN_RAD = 1e-8
"""Below this angle the series of sine and cosine are exact in float64."""


def rotation_from_vector(turn_rad: npt.ArrayLike) -> Floats:
    """Rotation about a vector by its length (Rodrigues' formula).

    Parameters
    ----------
    turn_rad : array_like, shape (3,) or (k, 3)
        Axis times angle, rad.

    Returns
    -------
    ndarray, shape (3, 3) or (k, 3, 3)

    Examples
    --------
    >>> rotation_from_vector([0, 0, np.pi / 2]).round(6) + 0.0
    array([[ 0., -1.,  0.],
           [ 1.,  0.,  0.],
           [ 0.,  0.,  1.]])
    """
    vector = np.asarray(turn_rad, dtype=np.float64)
    angle = np.linalg.norm(vector, axis=-1)[..., None, None]
    safe = np.where(angle > _SMALL_TURN_RAD, angle, 1.0)
    sine = np.where(angle > _SMALL_TURN_RAD, np.sin(safe) / safe, 1.0)
    versine = np.where(angle > _SMALL_TURN_RAD, 2 * (np.sin(safe / 2) / safe) ** 2, 0.5)
    cross = cross_matrix(vector)
    rotation: Floats = np.eye(3) + sine * cross + versine * (cross @ cross)
    return rotation


def vector_from_rotation(rotation: npt.ArrayLike) -> Floats:
    """Axis times angle of a rotation, shape (3,), rad; the inverse of `rotation_from_vector`."""
    r = np.asarray(rotation, dtype=np.float64)
    twice_sine = np.array([r[2, 1] - r[1, 2], r[0, 2] - r[2, 0], r[1, 0] - r[0, 1]])
    angle = angle_between(r, np.eye(3))
    if np.pi - angle < 1e-3:
        outer = 0.5 * (r + r.T) - np.cos(angle) * np.eye(3)
        axis = outer[:, int(np.argmax(np.diag(outer)))]
        axis = axis / np.linalg.norm(axis)
        return np.asarray(angle * axis * (1.0 if twice_sine @ axis >= 0 else -1.0))
    scale = 0.5 if angle < _SMALL_TURN_RAD else angle / (2 * np.sin(angle))
    return np.asarray(scale * twice_sine)


def cross_matrix(vectors: Floats) -> Floats:
    """Matrices that take the cross product with given vectors, shape (..., 3, 3)."""
    matrix = np.zeros((*vectors.shape[:-1], 3, 3))
    x, y, z = vectors[..., 0], vectors[..., 1], vectors[..., 2]
    matrix[..., 0, 1], matrix[..., 0, 2] = -z, y
    matrix[..., 1, 0], matrix[..., 1, 2] = z, -x
    matrix[..., 2, 0], matrix[..., 2, 1] = -y, x
    return matrix


def small_motion(step: npt.ArrayLike, centre_mm: npt.ArrayLike) -> RigidMotion:
    """A turn about a centre, then a shift.

    Parameters
    ----------
    step : array_like, shape (6,)
        Turn (rad), then shift (mm).
    centre_mm : array_like, shape (3,)
    """
    six = np.asarray(step, dtype=np.float64)
    centre = np.asarray(centre_mm, dtype=np.float64)
    rotation = rotation_from_vector(six[:3])
    return RigidMotion(rotation, centre - rotation @ centre + six[3:])


def angle_between(first: npt.ArrayLike, second: npt.ArrayLike) -> float:
    """Angle of the rotation that leads from one rotation to another, rad.

    Exact near 0 and near a half turn, where the trace alone loses half the digits.
    """
    apart = np.asarray(first, dtype=np.float64).T @ np.asarray(second, dtype=np.float64)
    sine = 0.5 * np.sqrt(
        (apart[2, 1] - apart[1, 2]) ** 2
        + (apart[0, 2] - apart[2, 0]) ** 2
        + (apart[1, 0] - apart[0, 1]) ** 2
    )
    return float(np.arctan2(sine, 0.5 * (np.trace(apart) - 1.0)))


def nearest_rotation(matrix: npt.ArrayLike) -> Floats:
    """The proper rotation nearest to a matrix, shape (3, 3): cleans what rounding did."""
    left, _, right = np.linalg.svd(np.asarray(matrix, dtype=np.float64))
    flip = np.diag([1.0, 1.0, float(np.sign(np.linalg.det(left @ right)))])
    return np.asarray(left @ flip @ right)


def best_motion(
    from_mm: npt.ArrayLike, to_mm: npt.ArrayLike, weights: npt.ArrayLike | None = None
) -> RigidMotion:
    """The rigid motion that brings points onto their partners best, least squares.

    Neither a scale nor a mirror image is ever fitted.

    Parameters
    ----------
    from_mm, to_mm : array_like, shape (n, 3)
        At least three pairs that do not lie on one line.
    weights : array_like, shape (n,), optional

    Returns
    -------
    RigidMotion
        `to_from_from`.

    Raises
    ------
    MeshError
        If there are fewer than three pairs or all lie on one line.

    Notes
    -----
    Kabsch 1976 by singular values, sign after Umeyama 1991 (both from memory).
    """
    a, b = np.asarray(from_mm, dtype=np.float64), np.asarray(to_mm, dtype=np.float64)
    if a.shape != b.shape or a.ndim != 2 or a.shape[0] < 3:
        raise MeshError("at least three pairs of points are needed to place one on the other.")
    w = np.ones(len(a)) if weights is None else np.asarray(weights, dtype=np.float64)
    w = w / w.sum()
    mean_a, mean_b = w @ a, w @ b
    spread = (b - mean_b).T @ ((a - mean_a) * w[:, None])
    left, size, right = np.linalg.svd(spread)
    if size[1] <= 1e-12 * max(size[0], 1e-300):
        raise MeshError("the points picked lie on one line: pick a third one beside it.")
    flip = np.diag([1.0, 1.0, float(np.sign(np.linalg.det(left @ right)))])
    rotation = left @ flip @ right
    return RigidMotion(rotation, mean_b - rotation @ mean_a)


def rotations_from_quaternions(quaternions: npt.ArrayLike) -> Floats:
    """Rotation matrices, shape (k, 3, 3), of quaternions (x, y, z, w), shape (k, 4)."""
    q = np.asarray(quaternions, dtype=np.float64)
    q = q / np.linalg.norm(q, axis=1, keepdims=True)
    cross = cross_matrix(q[:, :3])
    rotations: Floats = np.eye(3) + 2 * q[:, 3, None, None] * cross + 2 * (cross @ cross)
    return rotations


_PHI = np.sqrt(2.0)
_PSI = 1.533751168755204288118041
"""The two constants of the spiral: √2 and the positive root of ψ⁴ = ψ + 4."""


def even_rotations(count: int) -> Floats:
    """Rotations spread evenly over all orientations.

    Returns
    -------
    ndarray, shape (count, 3, 3)

    Notes
    -----
    Super-Fibonacci spirals, Alexa 2021 (method from memory; the constant ψ is checked by its
    equation in the tests).
    """
    s = np.arange(count) + 0.5
    t = s / count
    inner, outer = np.sqrt(t), np.sqrt(1.0 - t)
    alpha, beta = 2 * np.pi * s / _PHI, 2 * np.pi * s / _PSI
    return rotations_from_quaternions(
        np.stack(
            [
                inner * np.sin(alpha),
                inner * np.cos(alpha),
                outer * np.sin(beta),
                outer * np.cos(beta),
            ],
            axis=1,
        )
    )


def random_rotation(rng: np.random.Generator) -> Floats:
    """A rotation drawn evenly from all orientations, shape (3, 3)."""
    return np.asarray(rotations_from_quaternions(rng.normal(size=(1, 4)))[0])
