"""Sums over neighbours, and spreading along edges, against dense matrices."""

import numpy as np
import pytest

from veneercheck.core.mesh import ring
from veneercheck.core.mesh.ring import Ring, spread
from veneercheck.core.mesh.triangles import edge_pairs, neighbour_sums
from veneercheck.phantom.bodies import known_bodies

MESH = known_bodies(1.2)[2].inner
EDGES, COUNT = edge_pairs(MESH.faces), len(MESH.points_mm)
VALUES = np.random.default_rng(3).standard_normal((COUNT, 3))


def adjacency(weights: np.ndarray) -> np.ndarray:
    """By definition: one entry each way for every edge."""
    dense = np.zeros((COUNT, COUNT))
    dense[EDGES[:, 0], EDGES[:, 1]] = weights
    return dense + dense.T


def test_sums_are_products_with_the_adjacency() -> None:
    """With a factor on every edge and without, for vectors and for single numbers."""
    found, plain = Ring(EDGES, COUNT), adjacency(np.ones(len(EDGES)))
    np.testing.assert_array_equal(found.degree, plain.sum(axis=1))
    np.testing.assert_allclose(found.matrix() @ VALUES, plain @ VALUES, atol=1e-12)
    np.testing.assert_allclose(found.matrix() @ VALUES[:, 0], plain @ VALUES[:, 0], atol=1e-12)
    np.testing.assert_allclose(neighbour_sums(EDGES, VALUES), plain @ VALUES, atol=1e-12)
    weights = np.linspace(0.0, 2.0, len(EDGES))
    weighed = found.matrix(weights) @ VALUES
    np.testing.assert_allclose(weighed, adjacency(weights) @ VALUES, atol=1e-12)


@pytest.mark.parametrize("little", [0, 10**9])
@pytest.mark.parametrize("steps", [1, 2, 7, 100])
def test_spreading_is_a_power_of_one_step(monkeypatch, little, steps) -> None:
    """By matrix power; the polynomials leave out a millionth at most, and what all have stays."""
    monkeypatch.setattr(ring, "_LITTLE", little)
    plain = adjacency(np.ones(len(EDGES)))
    power = np.linalg.matrix_power(plain / plain.sum(axis=0), steps)
    found = spread(EDGES, VALUES, steps)
    np.testing.assert_allclose(found, power @ VALUES, atol=1e-5)
    np.testing.assert_allclose(found.sum(axis=0), VALUES.sum(axis=0), atol=1e-4)
    assert np.abs(found - VALUES).max() > 0.1


def test_a_lonely_vertex_has_nothing(monkeypatch) -> None:
    """No edge leads to it, so nothing is handed to it, in either way of reckoning."""
    for little in (0, 10**9):
        monkeypatch.setattr(ring, "_LITTLE", little)
        assert spread(np.array([[0, 1]]), np.ones((3, 1)), 3)[2, 0] == 0.0
