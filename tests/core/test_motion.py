"""Motions against closed forms: Rodrigues, Umeyama's worked example, the spiral's own equation."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from veneercheck.core.errors import MeshError
from veneercheck.core.mesh import motion

_TURN = st.tuples(*[st.floats(-1.8, 1.8)] * 3)


@given(_TURN)
def test_logarithm_undoes_the_exponential(turn):
    # Source: definition; |turn| < π so that the logarithm is unique.
    vector = np.array(turn)
    back = motion.vector_from_rotation(motion.rotation_from_vector(vector))
    if np.linalg.norm(vector) < np.pi - 0.01:
        assert np.allclose(back, vector, atol=1e-9)
    assert np.allclose(
        motion.rotation_from_vector(back), motion.rotation_from_vector(vector), atol=1e-7
    )


@given(_TURN)
def test_exponential_is_a_rotation_by_the_length(turn):
    # Source: Rodrigues: the axis stays, the angle is the length, the determinant is +1.
    vector = np.array(turn)
    rotation = motion.rotation_from_vector(vector)
    assert np.allclose(rotation @ vector, vector, atol=1e-9)
    assert np.linalg.det(rotation) == pytest.approx(1.0)
    angle = np.linalg.norm(vector)
    expected = angle if angle <= np.pi else 2 * np.pi - angle
    assert motion.angle_between(np.eye(3), rotation) == pytest.approx(expected, abs=1e-9)


def test_half_turn_has_an_axis():
    # Source: closed form, a half turn about z.
    vector = motion.vector_from_rotation(np.diag([-1.0, -1.0, 1.0]))
    assert np.allclose(np.abs(vector), [0, 0, np.pi])


def test_best_motion_finds_neither_scale_nor_mirror():
    # Source: Umeyama 1991, worked example (FACTS): the rotation of the similarity; scale stays 1.
    x = np.array([[0, 0, 0], [1, 0, 0], [0, 2, 0.0]])
    y = np.array([[0, 0, 0], [-1, 0, 0], [0, 2, 0.0]])
    found = motion.best_motion(x, y)
    assert np.linalg.det(found.rotation) == pytest.approx(1.0)
    doubled = motion.best_motion(x, 2 * x)
    assert np.allclose(doubled.rotation, np.eye(3))
    assert np.allclose(doubled.translation_mm, x.mean(axis=0))


def test_best_motion_brings_a_known_motion_back():
    rng = np.random.default_rng(7)
    points = rng.normal(size=(9, 3))
    rotation = motion.random_rotation(rng)
    found = motion.best_motion(points, points @ rotation.T + [1, 2, 3])
    assert np.allclose(found.rotation, rotation)
    assert np.allclose(found.translation_mm, [1, 2, 3])


def test_points_on_a_line_are_refused():
    line = np.array([[0, 0, 0], [1, 1, 1], [2, 2, 2.0]])
    with pytest.raises(MeshError, match="one line"):
        motion.best_motion(line, line)


def test_small_motion_turns_about_its_centre():
    # Source: closed form: the centre itself only shifts.
    found = motion.small_motion([0.1, -0.2, 0.3, 1.0, 2.0, 3.0], [5.0, 6.0, 7.0])
    assert np.allclose(found.apply([[5.0, 6.0, 7.0]]), [[6.0, 8.0, 10.0]])
    assert motion.angle_between(np.eye(3), found.rotation) == pytest.approx(np.sqrt(0.14))


def test_spiral_constant_solves_its_equation():
    # Source: Alexa 2021: ψ⁴ = ψ + 4.
    psi = motion._PSI
    assert abs(psi**4 - psi - 4) < 1e-12


def test_even_rotations_leave_no_orientation_far():
    # Source: balls of radius θ cover SO(3) only if n (θ − sin θ)/π ≥ 1; a good cover needs
    # about twice that radius. 700 rotations: radius by volume 17°, so within 34° everywhere.
    even = motion.even_rotations(700)
    rng = np.random.default_rng(1)
    for _ in range(50):
        trace = np.einsum("kij,ij->k", even, motion.random_rotation(rng))
        nearest = np.arccos(np.clip((trace.max() - 1) / 2, -1, 1))
        assert np.degrees(nearest) < 34
