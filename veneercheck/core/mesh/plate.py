"""A surface without some of its vertices: the thin plate that goes on from the others."""

from __future__ import annotations

from typing import Any

import numpy as np

from veneercheck.core.mesh.triangles import components
from veneercheck.core.types import Bools, Ints, TriangleMesh


def without(mesh: TriangleMesh, edges: Ints, hole: Bools) -> TriangleMesh:
    """The surface with some vertices drawn onto the thin plate that goes on from the others.

    A membrane would lie flat over the rim: on a surface of radius R it cuts r²/2R off under a bead
    of radius r. The plate has the least sum of squared Laplacians over hole and rim, so it takes
    the slope at the rim with it.
    """
    from scipy.sparse.linalg import spsolve

    hole = _with_rim(edges, hole)
    flat, given = _laplacian(edges, hole)
    pull = (flat.T @ flat).tocsc()
    points = np.array(mesh.points_mm)
    points[hole] = spsolve(pull, -(flat.T @ (given @ mesh.points_mm[~hole])))
    return TriangleMesh(points, mesh.faces)


def _with_rim(edges: Ints, hole: Bools) -> Bools:
    """The hole without specks that lie all in it: no rim holds them, so they stay as they are."""
    ends = hole[edges]
    label = components(len(hole), edges[ends.all(axis=1)])
    held = np.zeros(len(hole), dtype=bool)
    held[label[edges[ends[:, 0] != ends[:, 1]].reshape(-1)]] = True
    return hole & held[label]


def _laplacian(edges: Ints, hole: Bools) -> tuple[Any, Any]:
    """Vertex less the mean of its neighbours, in the hole and on its rim.

    Two sparse matrices with a row for each of these: for the hole's vertices, and for all others.
    """
    from scipy.sparse import csr_matrix, eye_array

    both = np.concatenate([edges, edges[:, ::-1]])
    asked = hole.copy()
    asked[both[hole[both[:, 0]], 1]] = True
    both = both[asked[both[:, 0]]]
    row = np.cumsum(asked) - 1
    share = 1.0 / np.bincount(both[:, 0], minlength=len(hole))[both[:, 0]].astype(np.float64)
    shape = (int(asked.sum()), len(hole))
    mean = csr_matrix((share, (row[both[:, 0]], both[:, 1])), shape=shape)
    whole = (eye_array(len(hole), format="csr")[asked] - mean).tocsc()
    return whole[:, hole], whole[:, ~hole]
