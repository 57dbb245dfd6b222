"""Points close together: surfaces refined, and the framework as the check reads it."""

from __future__ import annotations

import math

import numpy as np

from veneercheck.core.errors import MeshError
from veneercheck.core.mesh.nearest import NearestSurface, squared_sides
from veneercheck.core.mesh.triangles import any_in, face_areas, side_keys
from veneercheck.core.types import Bools, Floats, Ints, RigidMotion, TriangleMesh

LONGEST_EDGE_MM = 0.15
"""Framework edges longer than this are halved, so that no thin spot hides between vertices."""

MOST_TRIANGLES = 3_000_000
"""A framework so large that it would be refined past this keeps longer edges."""

_LONGEST_UNCUT_MM = 0.4
"""Of what lies on the contour, so that spots hold some vertices and a brush has a clean edge."""

_ON_CONTOUR_MM, _NOISE_SHARE = 0.05, 3.0
"""A vertex is off the contour from here on, or from so many standard deviations of the noise; what
runs out more gently lies within two triangles of one that is."""

_ROUNDING_MM = 1e-9

_TRIANGLES_PER_SQUARE = 6.5
"""Halving leaves edges between half the limit and the limit: about this many an edge squared, as
counted on a sphere of 3 million triangles."""


def densify(
    framework: TriangleMesh,
    paint: Ints | None,
    waxup_from_framework: RigidMotion,
    waxup: TriangleMesh,
    noise_mm: float = 0.0,
) -> tuple[TriangleMesh, Ints | None]:
    """Move a framework onto the wax-up, with a vertex at least every 0.15 mm where it was cut.

    What lies on the contour is not measured for thickness and keeps its triangles, but for edges
    of 0.4 mm; so half of a bridge, and more where a model was scanned with it, hardly costs more
    than its scan holds. Where somebody painted, their borders may run anywhere: all is refined.

    Parameters
    ----------
    framework : TriangleMesh
        In its own frame.
    paint : ndarray of int64, shape (n,), optional
        A code for every vertex, −1 where nothing was painted.
    waxup : TriangleMesh
    noise_mm : float
        Of both scans together, standard deviation.

    Returns
    -------
    TriangleMesh, ndarray or None
        Its own vertices first, and the paint of all.
    """
    area = float(face_areas(framework).sum())
    edge_mm = max(LONGEST_EDGE_MM, math.sqrt(_TRIANGLES_PER_SQUARE * area / MOST_TRIANGLES))
    points = waxup_from_framework.apply(framework.points_mm)
    moved = TriangleMesh(points, framework.faces)
    off = np.ones(len(points), dtype=bool)
    if paint is None:
        off = _farther(waxup, points, max(_ON_CONTOUR_MM, _NOISE_SHARE * noise_mm))
        off = _ringed(off, framework.faces)
    fine, parents, _ = refine(moved, edge_mm, off)
    fine, more, _ = refine(fine, max(edge_mm, _LONGEST_UNCUT_MM))
    parents = np.concatenate([parents, more])
    return fine, None if paint is None else _spread_paint(paint, parents)


def _farther(surface: TriangleMesh, points_mm: Floats, limit_mm: float) -> Bools:
    """Points farther from a surface than a limit, shape (n,).

    Most are told by the nearest vertex alone: the surface is no farther off than that, and nearer
    by no more than its longest edge over the root of three.
    """
    from scipy.spatial import cKDTree

    named = np.zeros(len(surface.points_mm), dtype=bool)
    named[surface.faces] = True
    used = surface.points_mm[named]
    between = math.sqrt(float(squared_sides(surface.points_mm, surface.faces).max()) / 3.0)
    away, _ = cKDTree(used).query(
        points_mm, distance_upper_bound=limit_mm + between + _ROUNDING_MM, workers=-1
    )
    far: Bools = np.isinf(away)
    asked = np.flatnonzero(~far & (away > limit_mm))
    if len(asked):
        far[asked] = NearestSurface(surface).query(points_mm[asked]).distance_mm > limit_mm
    return far


def _ringed(chosen: Bools, faces: Ints) -> Bools:
    """Chosen vertices and those within two triangles of them."""
    for _ in range(2):
        beside = faces[any_in(chosen, faces)]
        chosen = chosen.copy()
        chosen[beside.reshape(-1)] = True
    return chosen


def _spread_paint(paint: Ints, parents: Ints) -> Ints:
    """A vertex between two of one paint has that paint; else it is found automatically."""
    known = np.concatenate([paint, np.full(len(parents), -1, dtype=np.int64)])
    added = np.arange(len(paint), len(known))
    # A vertex added in a later round may have parents added in an earlier one.
    while True:
        both = known[parents]
        value = np.where(both[:, 0] == both[:, 1], both[:, 0], -1)
        if np.array_equal(known[added], value):
            return known
        known[added] = value


def refine(
    mesh: TriangleMesh, longest_edge_mm: float, chosen: Bools | None = None
) -> tuple[TriangleMesh, Ints, Floats]:
    """Split triangles until no edge is longer than a limit; the surface itself stays.

    Every edge that is too long is halved in all triangles that share it, so no gap opens.

    Parameters
    ----------
    longest_edge_mm : float
        Positive.
    chosen : ndarray of bool, shape (n,), optional
        Edges between two of these vertices, and their parts, are meant; else all are.

    Returns
    -------
    mesh : TriangleMesh
        The first vertices are the old ones, in order.
    parents : ndarray of int64, shape (k, 2)
        For every added vertex, the two vertices it was put between (they may be added ones).
    middle : ndarray, shape (k, 3)
        Coordinates of the added vertices, mm.

    Raises
    ------
    MeshError
        If the limit is not positive.
    """
    if not longest_edge_mm > 0:
        raise MeshError("the longest edge must be a positive length in mm.")
    points, faces = mesh.points_mm, mesh.faces
    parents: list[Ints] = []
    whole = 0
    while True:
        split = _split_once(points, faces, longest_edge_mm, chosen, whole)
        if split is None:
            break
        points, faces, pairs, whole = split
        parents.append(pairs)
        if chosen is not None:
            chosen = np.concatenate([chosen, np.ones(len(pairs), dtype=bool)])
    old = len(mesh.points_mm)
    added = np.concatenate(parents) if parents else np.zeros((0, 2), dtype=np.int64)
    return TriangleMesh(points, faces), added, points[old:]


_HALVES: tuple[tuple[tuple[int, int, int], ...], ...] = (
    ((0, 1, 2),),
    ((0, 3, 2), (3, 1, 2)),
    ((0, 1, 4), (0, 4, 2)),
    ((0, 3, 2), (3, 4, 2), (3, 1, 4)),
    ((0, 1, 5), (5, 1, 2)),
    ((0, 3, 5), (3, 1, 2), (3, 2, 5)),
    ((0, 1, 4), (0, 4, 5), (5, 4, 2)),
    ((0, 3, 5), (3, 1, 4), (5, 4, 2), (3, 4, 5)),
)
"""Triangles that replace one, by which sides are halved (bit k: side k, midpoint 3 + k)."""


def _split_once(
    points: Floats, faces: Ints, longest_edge_mm: float, chosen: Bools | None, whole: int
) -> tuple[Floats, Ints, Ints, int] | None:
    """Halve long sides once; the first `whole` triangles had none the time before, and so have
    none now. How many have none comes last."""
    done, faces = faces[:whole], faces[whole:]
    long = _long_sides(points, faces, longest_edge_mm)
    if chosen is not None:
        ends = chosen[faces]
        long &= ends & np.roll(ends, -1, axis=1)
    side, corner = np.nonzero(long)
    if not len(side):
        return None
    # Only the long sides are compared: few in a mesh that is nearly fine enough.
    key, bits = side_keys(faces[side, corner], faces[side, (corner + 1) % 3])
    found, which = np.unique(key, return_inverse=True)
    pairs = np.stack([found >> bits, found & ((1 << bits) - 1)], axis=1)
    side_point = np.full(faces.shape, -1, dtype=np.int64)
    side_point[side, corner] = len(points) + which.reshape(-1)
    code = long[:, 0] + 2 * long[:, 1] + 4 * long[:, 2]
    split = np.flatnonzero(code)
    parts, code = [done, faces.compress(code == 0, axis=0)], code[split]
    six = np.concatenate([faces[split], side_point[split]], axis=1)
    parts += [
        six[code == pattern][:, list(corners)]
        for pattern, triangles in enumerate(_HALVES)
        for corners in triangles
        if pattern
    ]
    new_points = np.concatenate([points, 0.5 * (points[pairs[:, 0]] + points[pairs[:, 1]])])
    return new_points, np.concatenate(parts), pairs, len(parts[0]) + len(parts[1])


def _long_sides(points: Floats, faces: Ints, longest_edge_mm: float) -> Bools:
    """Sides longer than a limit, shape (m, 3)."""
    return squared_sides(points, faces) > longest_edge_mm**2
