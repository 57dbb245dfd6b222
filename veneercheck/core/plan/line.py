"""A finish line through picked points: the shortest way on the surface from each to the next.

Notes
-----
The way must lie on the surface, run straight there, and part the mesh without doubt into what is
veneered and what is not. Choice: Dijkstra (scipy) over a few places on every edge finds through
which triangles it runs, then these places slide until the way is straightest; it crosses edges
only, so that a flood over uncrossed ones finds the side. Instead of: `potpourri3d`'s edge flips,
which lead from vertex to vertex and do not tell which edges they cross; on a ball of 3 mm with
edges of 0.1 mm these lay within 11 µm of the great circle, ours within 8 µm. Cost: half a second a
line instead of 0.05; along a ridge a way may pass a vertex on its wrong side, by a fiftieth of an
edge.
"""

from __future__ import annotations

import dataclasses

import numpy as np

from veneercheck.core.errors import MeshError, Told
from veneercheck.core.mesh.feet import shares_in
from veneercheck.core.mesh.nearest import Nearest, NearestSurface
from veneercheck.core.mesh.triangles import components
from veneercheck.core.plan.contour import LINE_STEP_MM
from veneercheck.core.types import Bools, FinishLine, Floats, Ints, TriangleMesh

PICKED_WITHIN_MM = 1.0
"""A point is picked on the surface; one farther off lies on something else."""

_SHARES = np.array([0.12, 0.37, 0.63, 0.88])
"""Places on every edge that the way may take at first."""

_SIDES = ((0, 1), (1, 2), (2, 0))
_ROUND_MM = 2.0
_ROUNDS = 30
_NEAREST_SHARE = 0.02
_PARTED_SHARE = 0.9


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Way:
    """A closed way on a mesh.

    Parameters
    ----------
    points_mm : ndarray, shape (k, 3)
        Its corners, the first once more at the end.
    crossed : ndarray of int64, shape (c, 2)
        Edges that it crosses, by their vertices; each as often as it does.
    """

    points_mm: Floats
    crossed: Ints


def extent_of_lines(mesh: TriangleMesh, lines: tuple[FinishLine, ...]) -> Floats:
    """A signed distance from finish lines, positive on the sides that are veneered, shape (n,).

    Raises
    ------
    MeshError
        If a point lies off the surface, or a line does not part it.
    """
    found = np.full(len(mesh.points_mm), -np.inf)
    for line in lines:
        found = np.maximum(found, _extent(mesh, line))
    return found


def way_through(mesh: TriangleMesh, points_mm: Floats) -> Way:
    """The shortest closed way on a mesh through points in their order."""
    near = _on_surface(mesh, points_mm)
    edges, sides = _edges(mesh.faces)
    corners, crossed = [], []
    for first in range(len(points_mm)):
        last = (first + 1) % len(points_mm)
        ends = near.point_mm[[first, last]]
        faces = np.array([near.face[first], near.face[last]])
        edge, share = _first_way(mesh, edges, sides, ends, faces)
        begin, end = (mesh.points_mm[edges[edge, k]] for k in (0, 1))
        corners += [ends[:1], _straightened(ends, begin, end, share)]
        crossed.append(edges[edge])
    return Way(np.concatenate([*corners, near.point_mm[:1]]), np.concatenate(crossed))


def _on_surface(mesh: TriangleMesh, points_mm: Floats) -> Nearest:
    near = NearestSurface(mesh).query(points_mm)
    worst = int(near.distance_mm.argmax())
    if near.distance_mm[worst] > PICKED_WITHIN_MM:
        x, y, z = points_mm[worst]
        raise MeshError(
            Told(
                "the point ({x:.1f}, {y:.1f}, {z:.1f}) of a finish line lies {off:.1f} mm off "
                "the wax-up.",
                x=x,
                y=y,
                z=z,
                off=near.distance_mm[worst],
            ),
            next_step="Pick it on the wax-up, in mm, in the frame of its scan.",
        )
    return near


def _edges(faces: Ints) -> tuple[Ints, Ints]:
    """Every edge by its two vertices, shape (e, 2), and those of every triangle, shape (m, 3)."""
    pairs = np.sort(np.stack([faces[:, side] for side in _SIDES], axis=1), axis=2)
    edges, inverse = np.unique(pairs.reshape(-1, 2), axis=0, return_inverse=True)
    return edges, inverse.reshape(-1, 3)


def _first_way(
    mesh: TriangleMesh, edges: Ints, sides: Ints, ends_mm: Floats, faces: Ints
) -> tuple[Ints, Floats]:
    """Edges crossed between two points, in order, and where on them, about."""
    if faces[0] == faces[1]:
        return np.zeros(0, dtype=np.int64), np.zeros(0)
    middle = ends_mm.mean(axis=0)
    reach = 0.75 * float(np.linalg.norm(ends_mm[0] - ends_mm[1])) + _ROUND_MM
    away = np.linalg.norm(mesh.points_mm - middle, axis=1)
    for within in (reach, np.inf):
        chosen = (away <= within)[mesh.faces].any(axis=1)
        chosen[faces] = True
        found = _dijkstra(
            mesh, edges, sides, ends_mm=ends_mm, faces=faces, chosen=np.flatnonzero(chosen)
        )
        if found is not None:
            return found
    raise MeshError(
        "two points of a finish line lie on parts of the wax-up that do not hang together.",
        next_step="Pick all points of a line on one piece, or close the gap between them.",
    )


def _dijkstra(
    mesh: TriangleMesh, edges: Ints, sides: Ints, *, ends_mm: Floats, faces: Ints, chosen: Ints
) -> tuple[Ints, Floats] | None:
    from scipy.sparse import csr_array
    from scipy.sparse.csgraph import dijkstra

    used, own = np.unique(sides[chosen], return_inverse=True)
    own = own.reshape(-1, 3)
    begin, end = (mesh.points_mm[edges[used, k]] for k in (0, 1))
    places = begin[:, None] + _SHARES[:, None] * (end - begin)[:, None]
    each = len(_SHARES)
    nodes = own[:, :, None] * each + np.arange(each)
    pairs = [
        np.stack(np.broadcast_arrays(nodes[:, a, :, None], nodes[:, b, None, :]), axis=-1)
        for a, b in _SIDES
    ]
    links = [np.concatenate(pairs).reshape(-1, 2)]
    count = len(used) * each
    for number, face in enumerate(faces):
        around = nodes[np.searchsorted(chosen, face)].reshape(-1)
        links.append(np.stack([np.full(len(around), count + number), around], axis=1))
    link = np.concatenate(links)
    points = np.concatenate([places.reshape(-1, 3), ends_mm])
    length = np.linalg.norm(points[link[:, 0]] - points[link[:, 1]], axis=1)
    graph = csr_array((length, (link[:, 0], link[:, 1])), shape=(count + 2, count + 2))
    _, before = dijkstra(graph, directed=False, indices=count, return_predecessors=True)
    node, passed = int(before[count + 1]), list[int]()
    while 0 <= node < count:
        passed.append(node)
        node = int(before[node])
    if node != count:
        return None
    way = np.array(passed[::-1], dtype=np.int64)
    return used[way // each], _SHARES[way % each]


def _straightened(ends_mm: Floats, begin: Floats, end: Floats, share: Floats) -> Floats:
    """Places on edges, slid along them until the way is straightest, shape (k, 3).

    Each round shortens the sum of squares, weighted by the lengths before it.
    """
    if not len(share):
        return np.zeros((0, 3))
    from scipy.linalg import solveh_banded

    along = end - begin
    for _ in range(_ROUNDS):
        points = np.concatenate([ends_mm[:1], begin + share[:, None] * along, ends_mm[1:]])
        weight = 1.0 / np.maximum(np.linalg.norm(np.diff(points, axis=0), axis=1), 1e-6)
        fixed = np.concatenate([ends_mm[:1], begin, ends_mm[1:]])
        pull = weight[:-1, None] * (fixed[:-2] - begin) + weight[1:, None] * (fixed[2:] - begin)
        own = (weight[:-1] + weight[1:]) * np.einsum("ij,ij->i", along, along)
        beside = -weight[1:-1] * np.einsum("ij,ij->i", along[:-1], along[1:])
        band = np.stack([np.concatenate([[0.0], beside]), own])[-len(own) :]
        share = solveh_banded(band, np.einsum("ij,ij->i", pull, along))
        share = np.clip(share, _NEAREST_SHARE, 1.0 - _NEAREST_SHARE)
    return np.asarray(begin + share[:, None] * along)


def _extent(mesh: TriangleMesh, line: FinishLine) -> Floats:
    from scipy.spatial import cKDTree

    way = way_through(mesh, np.array(line.points_mm))
    inside = _side(mesh, way, np.array(line.inside_mm))
    away, _ = cKDTree(_close_together(way.points_mm)).query(mesh.points_mm)
    return np.asarray(np.where(inside, away, -away))


def _side(mesh: TriangleMesh, way: Way, inside_mm: Floats) -> Bools:
    """Vertices on the side of a way on which a point lies."""
    edges, _ = _edges(mesh.faces)
    low, high = np.sort(way.crossed, axis=1).T
    count = len(mesh.points_mm)
    key, times = np.unique(low * count + high, return_counts=True)
    cut = np.isin(edges[:, 0] * count + edges[:, 1], key[times % 2 == 1])
    label = components(count, edges[~cut])
    near = _on_surface(mesh, inside_mm[None])
    corners = mesh.faces[near.face[0]]
    share = shares_in(mesh.points_mm[corners][None], near.point_mm)[0]
    found = label == label[corners[int(share.argmax())]]
    parted = found[edges[cut, 0]] != found[edges[cut, 1]]
    if not len(parted) or parted.mean() < _PARTED_SHARE:
        raise MeshError(
            "a finish line does not part the wax-up: it crosses itself, or runs back the same way.",
            next_step="Pick its points in order, once round what is to be veneered.",
        )
    return np.asarray(found)


def _close_together(corners_mm: Floats) -> Floats:
    """Points of a way no farther apart than `LINE_STEP_MM`."""
    length = np.linalg.norm(np.diff(corners_mm, axis=0), axis=1)
    at = np.concatenate([[0.0], np.cumsum(length)])
    steps = np.linspace(0.0, at[-1], int(np.ceil(at[-1] / LINE_STEP_MM)) + 1)
    return np.stack([np.interp(steps, at, column) for column in corners_mm.T], axis=1)
