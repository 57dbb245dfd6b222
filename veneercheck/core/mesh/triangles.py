"""Quantities derived from a triangle mesh: normals, areas, edges, components, refinement."""

from __future__ import annotations

import itertools
import math
import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

from veneercheck.core.types import Bools, Floats, Ints, TriangleMesh

_First = TypeVar("_First")
_Second = TypeVar("_Second")
_Real = TypeVar("_Real", bound=np.floating[Any])

_THREADS = 2
"""numpy and Embree release the interpreter's lock, so two Python threads share the points."""

_FEWEST_A_THREAD = 4096
"""Below this a second thread costs more than it brings."""


def in_threads(run: Callable[[slice], None], count: int) -> None:
    """Share out a range between threads: `run` is called with a slice for each."""
    shares = max(1, min(_THREADS, count // _FEWEST_A_THREAD))
    borders = np.linspace(0, count, shares + 1).astype(int)
    parts = [slice(int(a), int(b)) for a, b in itertools.pairwise(borders)]
    threads = [threading.Thread(target=run, args=(part,)) for part in parts[1:]]
    for thread in threads:
        thread.start()
    try:
        run(parts[0])
    finally:
        for thread in threads:
            thread.join()


def side_by_side(
    first: Callable[[], _First], second: Callable[[], _Second]
) -> tuple[_First, _Second]:
    """Two independent pieces of work on a thread each; arrays let go of the interpreter."""
    with ThreadPoolExecutor(1) as other:
        begun = other.submit(second)
        return first(), begun.result()


def neighbour_sums(edges: Ints, values: Floats) -> Floats:
    """Sum of a quantity over the neighbours of every vertex.

    Parameters
    ----------
    edges : ndarray of int64, shape (e, 2)
    values : ndarray, shape (n, k) or (n,)

    Examples
    --------
    >>> neighbour_sums(np.array([[0, 1], [1, 2]]), np.array([1.0, 2.0, 4.0]))
    array([2., 5., 2.])
    """
    a, b = np.ascontiguousarray(edges.T)
    total = np.empty(values.shape)
    columns = total.reshape(len(values), -1)
    for k, column in enumerate(np.ascontiguousarray(values.reshape(len(values), -1).T)):
        found = np.bincount(a, weights=column.take(b), minlength=len(values))
        found += np.bincount(b, weights=column.take(a), minlength=len(values))
        columns[:, k] = found
    return total


def calmed(normals: Floats, edges: Ints, rounds: int) -> Floats:
    """Unit normals, each taken with its neighbours' so many times: scan noise bends as well.

    Examples
    --------
    >>> roof = np.array([[-0.6, 0.0, 0.8], [0.6, 0.0, 0.8]])
    >>> calmed(roof, np.array([[0, 1]]), 1)
    array([[0., 0., 1.],
           [0., 0., 1.]])
    """
    for _ in range(rounds):
        normals = unit(normals + neighbour_sums(edges, normals))
    return normals


def corner_cross(mesh: TriangleMesh) -> Floats:
    """Cross product of two sides of every triangle: twice its area, along its normal.

    Returns
    -------
    ndarray, shape (m, 3), mm²
    """
    a, b, c = (mesh.points_mm.take(mesh.faces[:, k], axis=0) for k in range(3))
    b -= a
    c -= a
    return row_cross(b, c)


def row_cross(a: npt.NDArray[_Real], b: npt.NDArray[_Real]) -> npt.NDArray[_Real]:
    """Cross product of each row of `a` with the same row of `b`, both of shape (n, 3)."""
    product = np.empty_like(a)
    for k in range(3):
        i, j = (k + 1) % 3, (k + 2) % 3
        np.multiply(a[:, i], b[:, j], out=product[:, k])
        product[:, k] -= a[:, j] * b[:, i]
    return product


def row_dot(a: Floats, b: Floats) -> Floats:
    """Dot product of each row of `a` with the same row of `b`, both of shape (n, 3) or (n, 2).

    By columns: rows so short are slow to go along.
    """
    product: Floats = a[:, 0] * b[:, 0]
    for k in range(a.shape[1] - 1, 0, -1):
        product += a[:, k] * b[:, k]
    return product


def unit(vectors: Floats) -> Floats:
    """Scale vectors, shape (n, 3), to length one; a zero vector stays zero."""
    length = np.sqrt(row_dot(vectors, vectors))
    return np.divide(vectors, np.where(length > 0, length, 1.0)[:, None])


def face_areas(mesh: TriangleMesh) -> Floats:
    """Area of every triangle, shape (m,), in mm²."""
    cross = corner_cross(mesh)
    return 0.5 * np.sqrt(row_dot(cross, cross))


def face_normals(mesh: TriangleMesh) -> Floats:
    """Outward unit normal of every triangle, shape (m, 3); zero for a degenerate one."""
    return unit(corner_cross(mesh))


def vertex_normals(mesh: TriangleMesh) -> Floats:
    """Outward unit normal of every vertex, its triangles weighted by their area.

    Returns
    -------
    ndarray, shape (n, 3)
        Zero for a vertex without triangles.
    """
    return unit(sum_at_vertices(mesh, corner_cross(mesh)))


def vertex_areas(mesh: TriangleMesh) -> Floats:
    """Area every vertex stands for: a third of its triangles. Shape (n,), mm²."""
    return sum_at_vertices(mesh, face_areas(mesh)[:, None] / 3.0)[:, 0]


def sum_at_vertices(mesh: TriangleMesh, at_faces: Floats) -> Floats:
    """Add what every triangle gives, shape (m, k), at each of its corners, shape (n, k)."""
    n = len(mesh.points_mm)
    total = np.zeros((n, at_faces.shape[1]))
    corners = np.ascontiguousarray(mesh.faces.T)
    for column in range(at_faces.shape[1]):
        weights = np.ascontiguousarray(at_faces[:, column])
        total[:, column] = sum(np.bincount(corner, weights, minlength=n) for corner in corners)
    return total


def unique_edges(faces: Ints) -> tuple[Ints, Ints, Ints]:
    """Edges of a mesh, each once, and the edge opposite each corner's successor.

    Parameters
    ----------
    faces : ndarray of int64, shape (m, 3)

    Returns
    -------
    edges : ndarray, shape (e, 2)
        Vertex pairs, the smaller index first.
    edge_of_side : ndarray, shape (m, 3)
        Side k of a triangle runs from its corner k to corner k + 1.
    uses : ndarray, shape (e,)
        How many triangles share each edge: 1 on an open border, 2 inside a sound mesh.
    """
    key, bits = side_keys(faces.reshape(-1), faces[:, [1, 2, 0]].reshape(-1))
    order = np.argsort(key, kind="stable")
    ordered = key[order]
    first = np.ones(len(ordered), dtype=bool)
    first[1:] = ordered[1:] != ordered[:-1]
    rank = np.cumsum(first) - 1
    edge_of_side = np.empty(len(key), dtype=np.int64)
    edge_of_side[order] = rank
    found = ordered[first]
    edges = np.stack([found >> bits, found & ((1 << bits) - 1)], axis=1)
    uses = np.bincount(rank, minlength=len(edges)) if len(key) else np.zeros(0, dtype=np.int64)
    return edges, edge_of_side.reshape(-1, 3), uses.astype(np.int64)


def edge_uses(faces: Ints) -> tuple[Ints, Ints]:
    """Edges of a mesh, each once and in rising order, and how many triangles share each.

    The first and the last result of `unique_edges`, in half its time.
    """
    key, bits = side_keys(faces.reshape(-1), faces[:, [1, 2, 0]].reshape(-1))
    key.sort()
    new = np.ones(len(key), dtype=bool)
    np.not_equal(key[1:], key[:-1], out=new[1:])
    first = np.flatnonzero(new)
    found = key.take(first)
    edges = np.stack([found >> bits, found & ((1 << bits) - 1)], axis=1)
    return edges, np.diff(first, append=len(key))


def edge_pairs(faces: Ints) -> Ints:
    """Edges of a mesh, each once: vertex pairs, shape (e, 2), the smaller index first."""
    return edge_uses(faces)[0]


def side_keys(start: Ints, end: Ints) -> tuple[Ints, int]:
    """One word for each side, the smaller vertex in the upper bits; and how many bits lie below."""
    bits = max(int(max(start.max(), end.max())) if len(start) else 0, 1).bit_length()
    key = np.minimum(start, end) << bits
    key |= np.maximum(start, end)
    return key, bits


def border_vertices(mesh: TriangleMesh) -> Bools:
    """Vertices on an open border, shape (n,)."""
    return on_border(len(mesh.points_mm), *edge_uses(mesh.faces))


def on_border(count: int, edges: Ints, uses: Ints) -> Bools:
    """Which of so many vertices lie on an open border, from the `edge_uses` of their mesh."""
    border = np.zeros(count, dtype=bool)
    border[edges.compress(uses == 1, axis=0)] = True
    return border


def components(count: int, pairs: Ints) -> Ints:
    """Label the connected components of a graph: 0, 1, … in order of each one's smallest node.

    Parameters
    ----------
    count : int
        Number of nodes.
    pairs : ndarray of int64, shape (e, 2)

    Examples
    --------
    >>> components(4, np.array([[0, 1], [2, 3]]))
    array([0, 0, 1, 1])
    """
    from scipy.sparse import csgraph

    pairs = np.reshape(pairs, (-1, 2))
    _, label = csgraph.connected_components(
        _graph(count, pairs, np.ones(len(pairs))), directed=False
    )
    return np.asarray(label, dtype=np.int64)


def parts_in(mask: Bools, edges: Ints) -> Ints:
    """Label the `components` of what a mask, shape (n,), holds of a mesh; all others are alone."""
    return components(len(mask), edges.compress(all_in(mask, edges), axis=0))


def all_in(mask: Bools, rows: Ints) -> Bools:
    """Rows of vertices (edges, triangles), shape (m, k), that a mask, shape (n,), holds whole."""
    found: Bools = mask.take(rows[:, 0])
    for column in rows.T[1:]:
        found &= mask.take(column)
    return found


def any_in(mask: Bools, rows: Ints) -> Bools:
    """Rows of vertices, shape (m, k), of which a mask, shape (n,), holds one or more."""
    found: Bools = mask.take(rows[:, 0])
    for column in rows.T[1:]:
        found |= mask.take(column)
    return found


def reach_along_edges(
    points_mm: Floats,
    edges: Ints,
    seeds: Bools,
    limit_mm: float,
    length_mm: Floats | None = None,
) -> Floats:
    """Length of the shortest way along edges from the nearest seed; infinite beyond the limit.

    Parameters
    ----------
    points_mm : ndarray, shape (n, 3)
    edges : ndarray of int64, shape (e, 2)
        Each once.
    seeds : ndarray of bool, shape (n,)
    limit_mm : float
    length_mm : ndarray, shape (e,), optional
        Of each edge, where it counts as another than it is.
    """
    from scipy.sparse import csgraph

    if not seeds.any():
        return np.full(len(points_mm), np.inf)
    box_mm = limit_mm if length_mm is None else math.inf
    worth = _worth_following(points_mm, edges, seeds, box_mm)
    edges = edges.compress(worth, axis=0)
    if length_mm is None:
        span = points_mm.take(edges[:, 0], axis=0)
        span -= points_mm.take(edges[:, 1], axis=0)
        length = np.sqrt(sum(np.square(span).T))
    else:
        length = length_mm[worth]
    short = length <= limit_mm  # nor do ways lead over places that are not known
    graph = _graph(len(points_mm), edges.compress(short, axis=0), length[short])
    found: Floats = csgraph.dijkstra(
        graph, directed=False, indices=np.flatnonzero(seeds), limit=limit_mm, min_only=True
    )
    return found


def _worth_following(points_mm: Floats, edges: Ints, seeds: Bools, limit_mm: float) -> Bools:
    """Edges that a way may take: not between two seeds, nor farther away than the limit."""
    worth = ~all_in(seeds, edges)
    if math.isfinite(limit_mm) and seeds.any():
        low, high = bounding_box(points_mm[seeds])
        inside = np.ones(len(points_mm), dtype=bool)
        for k, axis in enumerate(points_mm.T):
            inside &= (axis >= low[k] - limit_mm) & (axis <= high[k] + limit_mm)
        worth &= all_in(inside, edges)
    return worth


def _graph(count: int, pairs: Ints, weight: Floats) -> Any:
    from scipy.sparse import csr_array

    start, end = np.ascontiguousarray(pairs.T).astype(np.int32)
    if (start[1:] < start[:-1]).any():
        return csr_array((weight, (start, end)), shape=(count, count))
    row = np.zeros(count + 1, dtype=np.int32)  # edges in rising order stand as they are stored
    np.cumsum(np.bincount(start, minlength=count), out=row[1:])
    return csr_array((weight, end, row), shape=(count, count))


def select_faces(mesh: TriangleMesh, keep: Bools) -> tuple[TriangleMesh, Ints]:
    """Keep some triangles and only the vertices they use.

    Parameters
    ----------
    keep : ndarray of bool, shape (m,)

    Returns
    -------
    mesh : TriangleMesh
    old_index : ndarray of int64
        For every kept vertex, its index in the mesh given.
    """
    faces = mesh.faces[keep]
    used = np.zeros(len(mesh.points_mm), dtype=bool)
    used[faces.reshape(-1)] = True
    old_index = np.flatnonzero(used)
    new_index = np.cumsum(used) - 1
    return TriangleMesh(mesh.points_mm[old_index], new_index[faces]), old_index


def renumber_by_first_use(mesh: TriangleMesh) -> TriangleMesh:
    """Number vertices in the order the triangles name them, and drop unused ones.

    Neighbours in space then lie near in memory, which nearest-point and ray queries feel.
    """
    n = len(mesh.points_mm)
    flat = mesh.faces.reshape(-1)
    first = np.full(n, len(flat), dtype=np.int64)
    first[flat[::-1]] = np.arange(len(flat) - 1, -1, -1)
    order = np.argsort(first, kind="stable")[: int((first < len(flat)).sum())]
    new_index = np.empty(n, dtype=np.int64)
    new_index[order] = np.arange(len(order))
    return TriangleMesh(mesh.points_mm[order], new_index[mesh.faces])


def bounding_box(points_mm: npt.ArrayLike) -> tuple[Floats, Floats]:
    """Smallest and greatest coordinates, each of shape (3,), in mm."""
    columns = np.asarray(points_mm, dtype=np.float64).T
    return np.array([one.min() for one in columns]), np.array([one.max() for one in columns])
