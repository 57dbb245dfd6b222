"""How the triangles of a scan hang together: sides, rims, parts."""

from __future__ import annotations

import dataclasses

import numpy as np

from veneercheck.core.mesh.triangles import components
from veneercheck.core.types import Bools, Floats, Ints, TriangleMesh

_WORD_BITS = 64


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Sides:
    """The sides of all triangles, sorted so that those on one edge stand together.

    Parameters
    ----------
    start, end : ndarray of int64, shape (3 m,)
        Vertices that each side runs between, in the order of `triangle`.
    triangle : ndarray of int64, shape (3 m,)
    first : ndarray of int64, shape (e,)
        Where the sides of each edge begin.
    uses : ndarray of int64, shape (e,)
        How many triangles share each edge.
    """

    start: Ints
    end: Ints
    triangle: Ints
    first: Ints
    uses: Ints

    @property
    def edges(self) -> Ints:
        """Vertices of every edge, shape (e, 2)."""
        return np.stack([self.start[self.first], self.end[self.first]], axis=1)

    @property
    def shared(self) -> Ints:
        """Where the sides begin of edges that two triangles share."""
        shared: Ints = self.first[self.uses == 2]
        return shared

    @property
    def mixed(self) -> Bools:
        """Of the `shared` edges those that both triangles run along the same way."""
        return np.asarray(self.start[self.shared] == self.start[self.shared + 1])

    @property
    def border(self) -> Ints:
        """Where the sides stand that no other triangle shares."""
        border: Ints = self.first[self.uses == 1]
        return border


def sides_of(mesh: TriangleMesh) -> Sides:
    """Sort the sides of a mesh by edge.

    Notes
    -----
    Edge and side fit one 64-bit word in any scan below a million vertices, so that one sort of
    words replaces an indirect one.
    """
    faces = mesh.faces
    start = faces.reshape(-1)
    end = faces[:, [1, 2, 0]].reshape(-1)
    bits = max(len(mesh.points_mm), 1).bit_length()
    side_bits = max(len(start), 1).bit_length()
    edge = np.minimum(start, end) << bits
    edge |= np.maximum(start, end)
    if 2 * bits + side_bits < _WORD_BITS:
        edge <<= side_bits
        edge |= np.arange(len(start))
        edge.sort()
        order = edge & ((1 << side_bits) - 1)
        edge >>= side_bits
    else:
        order = np.argsort(edge, kind="stable")
        edge = edge[order]
    new = np.ones(len(edge), dtype=bool)
    np.not_equal(edge[1:], edge[:-1], out=new[1:])
    first = np.flatnonzero(new)
    uses = np.diff(np.append(first, len(edge)))
    return Sides(start[order], end[order], order // 3, first, uses)


def parts_of(mesh: TriangleMesh, sides: Sides) -> Ints:
    """Label the parts that hang together by edges; one label a triangle, from 0 upward."""
    at_vertices = components(len(mesh.points_mm), sides.edges)
    label = at_vertices[mesh.faces[:, 0]]
    return np.unique(label, return_inverse=True)[1].reshape(-1).astype(np.int64)


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Rims:
    """Open borders, each closed round on itself.

    Parameters
    ----------
    length_mm : ndarray, shape (r,)
    centre_mm : ndarray, shape (r, 3)
    rim_of_side : ndarray of int64, shape (b,)
        For each border side its rim.
    """

    length_mm: Floats
    centre_mm: Floats
    rim_of_side: Ints


def rims_of(mesh: TriangleMesh, sides: Sides) -> Rims:
    """Gather the border sides that touch one another into rims."""
    border = sides.border
    start, end = sides.start[border], sides.end[border]
    used, compact = np.unique(np.concatenate([start, end]), return_inverse=True)
    pairs = compact.reshape(2, -1).T
    label = components(len(used), pairs)[pairs[:, 0]] if len(border) else border
    rim = np.unique(label, return_inverse=True)[1].reshape(-1).astype(np.int64)
    a, b = mesh.points_mm[start], mesh.points_mm[end]
    length = np.sqrt(((a - b) ** 2).sum(axis=1))
    count = int(rim.max()) + 1 if len(rim) else 0
    total = np.bincount(rim, weights=length, minlength=count).astype(np.float64)
    members = np.bincount(rim, minlength=count)
    centre = np.stack(
        [np.bincount(rim, weights=a[:, axis], minlength=count) / members for axis in range(3)],
        axis=1,
    )
    return Rims(total, centre, rim)
