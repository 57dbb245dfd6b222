"""What is put on a framework before it is scanned: retention beads on the cut, and a sprue."""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from veneercheck.core.errors import MeshError
from veneercheck.core.mesh.densify import refine
from veneercheck.core.mesh.triangles import row_dot, select_faces, unique_edges, vertex_normals
from veneercheck.core.types import Bools, Floats, Ints, TriangleMesh

_EDGE_SHARE = 0.375
"""Edges well under half a bead's diameter: a scan must resolve what it shows."""

_RING_MM = 0.3
"""Distance between the rings of a sprue's wall."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Beaded:
    """A framework with beads on it.

    Parameters
    ----------
    mesh : TriangleMesh
        Its first vertices are those of the plain framework, in order; more were put between.
    centres_mm : ndarray, shape (k, 3)
        Where the beads' middles lie: on the cut surface.
    under : ndarray of int64, shape (n,)
        Which bead raised a vertex; −1 where none did.
    """

    mesh: TriangleMesh
    centres_mm: Floats
    under: Ints


def put_beads(
    plain: TriangleMesh, seats: Ints, *, diameter_mm: float, sunk_mm: float | None = None
) -> Beaded:
    """Put beads on some vertices: spheres sunk in by half their diameter unless told.

    What a bead overhangs is filled: a scanner that looks down on it sees a wall there.

    Parameters
    ----------
    plain : TriangleMesh
        Without noise, normals outward.
    seats : ndarray of int64, shape (k,)
        Vertices at which the beads sit.
    diameter_mm : float
    sunk_mm : float, optional
        How deep their lowest point lies under the surface; 0 where they only touch it.

    Raises
    ------
    MeshError
        If the beads would float over the surface, or lie under it.
    """
    from scipy.spatial import cKDTree

    if sunk_mm is not None and not 0 <= sunk_mm < diameter_mm:
        raise MeshError(
            f"beads of {diameter_mm} mm cannot be sunk in by {sunk_mm} mm. "
            "Give 0 or more, and less than their diameter."
        )

    fine, _, _ = refine(plain, _EDGE_SHARE * diameter_mm)
    ways = vertex_normals(plain)[seats]
    radius = 0.5 * diameter_mm
    lift = radius - (radius if sunk_mm is None else sunk_mm)
    centres = plain.points_mm[seats] + lift * ways
    points = np.array(fine.points_mm)
    near, bead = cKDTree(centres).query(points, distance_upper_bound=math.hypot(radius, lift))
    close = np.flatnonzero(np.isfinite(near))
    offset = points[close] - centres[bead[close]]
    along = row_dot(offset, ways[bead[close]])
    across = np.maximum(row_dot(offset, offset) - along**2, 0.0)
    rise = np.sqrt(np.maximum(radius**2 - across, 0.0)) - along
    above = (across < radius**2) & (rise > 0)
    raised, bead = close[above], bead[close[above]]
    points[raised] += rise[above, None] * ways[bead]
    under = np.full(len(points), -1, dtype=np.int64)
    under[raised] = bead
    return Beaded(TriangleMesh(points, fine.faces), centres, under)


def spread(points_mm: Floats, chosen: Bools, spacing_mm: float, rng: np.random.Generator) -> Ints:
    """Some of the chosen vertices, none nearer to another than a spacing, in random order.

    A vertex is kept where its random rank is the lowest among those near it and left over.
    """
    from scipy.spatial import cKDTree

    left = np.flatnonzero(chosen)
    pairs = cKDTree(points_mm[left]).query_pairs(spacing_mm, output_type="ndarray")
    rank = rng.permutation(len(left))
    alive, kept = np.ones(len(left), dtype=bool), np.zeros(len(left), dtype=bool)
    while alive.any():
        pairs = pairs[alive[pairs].all(axis=1)]
        loser = np.where(rank[pairs[:, 0]] > rank[pairs[:, 1]], pairs[:, 0], pairs[:, 1])
        lowest = alive.copy()
        lowest[loser] = False
        kept |= lowest
        alive &= ~lowest
        alive[pairs[lowest[pairs[:, 0]], 1]] = False
        alive[pairs[lowest[pairs[:, 1]], 0]] = False
    return np.asarray(left[kept])


def put_sprue(
    mesh: TriangleMesh, seat_mm: Floats, way: Floats, *, diameter_mm: float, length_mm: float
) -> tuple[TriangleMesh, Ints]:
    """Pull a round bar out of a surface: the patch about a place, moved off along a direction.

    Parameters
    ----------
    seat_mm, way : ndarray, shape (3,)
        Where the bar stands, and the unit vector in which it leaves.

    Returns
    -------
    mesh : TriangleMesh
    origin : ndarray of int64, shape (n,)
        Index of each vertex before; −1 on the bar.
    """
    middle = mesh.points_mm[mesh.faces].mean(axis=1) - seat_mm
    along = middle @ way
    across = np.sqrt(np.maximum(row_dot(middle, middle) - along**2, 0.0))
    patch = (across < 0.5 * diameter_mm) & (np.abs(along) < 0.5 * diameter_mm)
    lifted = mesh.faces[patch]
    rim = _rim(lifted)
    count = len(mesh.points_mm)
    level, points = np.arange(count), [mesh.points_mm]
    faces = [mesh.faces[~patch]]
    steps = np.linspace(0.0, length_mm, max(2, round(length_mm / _RING_MM)) + 1)[1:]
    for step in steps:
        own = np.unique(lifted if step == steps[-1] else rim)
        above = np.full(count, -1, dtype=np.int64)
        above[own] = sum(map(len, points)) + np.arange(len(own))
        points.append(mesh.points_mm[own] + step * way)
        a, b, c, d = level[rim[:, 0]], level[rim[:, 1]], above[rim[:, 1]], above[rim[:, 0]]
        faces += [np.stack([a, b, c], 1), np.stack([a, c, d], 1)]
        level = above
    whole = TriangleMesh(np.concatenate(points), np.concatenate([*faces, level[lifted]]))
    kept, old = select_faces(whole, np.ones(len(whole.faces), dtype=bool))
    return kept, np.where(old < count, old, -1)


def _rim(faces: Ints) -> Ints:
    """Sides of some triangles that no other of them shares, directed as in their triangle."""
    sides = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])
    _, edge_of_side, uses = unique_edges(faces)
    shared = uses[edge_of_side] > 1
    return np.asarray(sides[~shared.T.reshape(-1)], dtype=np.int64)
