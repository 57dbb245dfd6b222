"""Neighbours along edges: sums over them, and what is handed on from one to the next."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from veneercheck.core.mesh.triangles import neighbour_sums
from veneercheck.core.types import Floats, Ints

_LITTLE = 1_000_000
"""Edges times steps below which loading sparse matrices takes longer than they save."""

_LEFT_OUT = 1e-6
"""Share of a spread quantity that may be left out: a direction turns by a millionth of a radian."""


class Ring:
    """The neighbours of every vertex, one list behind another.

    Parameters
    ----------
    edges : ndarray of int64, shape (e, 2)
    count : int
        Of vertices.
    """

    def __init__(self, edges: Ints, count: int) -> None:
        from scipy.sparse import csr_matrix

        both = np.concatenate([edges, edges[:, ::-1]]).astype(np.int32)
        # The edge behind each entry, from one on: what is stored as zero could be dropped.
        number = np.tile(np.arange(1, len(edges) + 1, dtype=np.int32), 2)
        lists = csr_matrix((number, (both[:, 0], both[:, 1])), shape=(count, count))
        self._start, self._item, self._edge = lists.indptr, lists.indices, lists.data - 1
        self.degree: Ints = np.diff(lists.indptr).astype(np.int64)

    def matrix(self, at_edges: Floats | None = None) -> Any:
        """Sparse matrix whose product with values at vertices is their sum over neighbours.

        Parameters
        ----------
        at_edges : ndarray, shape (e,), optional
            Factor on what passes along each edge.
        """
        ones = np.ones(len(self._item)) if at_edges is None else at_edges.take(self._edge)
        return self._of(ones)

    def _of(self, entries: Floats) -> Any:
        from scipy.sparse import csr_matrix

        count = len(self.degree)
        return csr_matrix((entries, self._item, self._start), (count, count))

    def spread(self, values: Floats, steps: int) -> Floats:
        """The same as `spread`, as polynomials of one step that need fewer products than steps.

        Notes
        -----
        xᵏ is the mean of the Chebyshev polynomials T_|2j−k| under the binomial distribution of j
        (from memory); what its tail weighs is left out, so that 100 steps take 51.
        """
        step = self._of((1.0 / np.maximum(self.degree, 1)).take(self._item))
        weights = _chebyshev_weights(steps)
        before, now = values, step @ values
        total: Floats = weights[0] * before
        for weight in weights[1:]:
            if weight:
                total += weight * now
            before, now = now, 2.0 * (step @ now) - before
        return total


def spread(edges: Ints, values: Floats, steps: int) -> Floats:
    """What handing all one has on to the neighbours, in even shares, comes to after some steps.

    Parameters
    ----------
    edges : ndarray of int64, shape (e, 2)
    values : ndarray, shape (n, k)
    steps : int
        At least one.

    Returns
    -------
    ndarray, shape (n, k)
        Zero for what no edge leads to.

    Examples
    --------
    >>> spread(np.array([[0, 1], [1, 2]]), np.array([[4.0], [0.0], [0.0]]), 2).T.tolist()
    [[2.0, 0.0, 2.0]]
    """
    if steps * len(edges) >= _LITTLE:
        return Ring(edges, len(values)).spread(values, steps)
    share = 1.0 / np.maximum(np.bincount(edges.reshape(-1), minlength=len(values)), 1)
    for _ in range(steps):
        values = neighbour_sums(edges, share[:, None] * values)
    return values


def mean_round(values: Floats, edges: Ints) -> Floats:
    """Mean of each vertex and its neighbours, like `values`, of shape (n,) or (n, 3).

    Examples
    --------
    >>> mean_round(np.array([1.0, 2.0, 6.0]), np.array([[0, 1], [1, 2]]))
    array([1.5, 3. , 4. ])
    """
    share = 1.0 / (1.0 + np.bincount(edges.reshape(-1), minlength=len(values)))
    return np.asarray((values + neighbour_sums(edges, values)).T * share).T


def _chebyshev_weights(steps: int) -> Floats:
    """Weights of the polynomials T₀, T₁, … that make up xᵏ, but for a tail that weighs nothing."""
    weights = np.zeros(steps + 1)
    for j in range(steps + 1):
        weights[abs(2 * j - steps)] += math.comb(steps, j) / 2**steps
    tail = np.cumsum(weights[::-1])[::-1]
    weights = weights[: int(np.flatnonzero(tail > _LEFT_OUT).max()) + 1]
    weights /= weights.sum()
    return weights
