"""Retention beads on a framework: which bumps are beads, and the surface they stand on."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np

from veneercheck.core.mesh import (
    components,
    corner_cross,
    neighbour_sums,
    row_dot,
    sum_at_vertices,
    unit,
)
from veneercheck.core.types import BeadField, Bools, Floats, Ints, Limits, TriangleMesh

BUMP_SLOPE = 0.3
"""A bead's flank is steeper than this against the surface round it; a waxed mound is flatter."""

BUMP_MM = 0.05
"""What rises by more than this beyond that slope is looked at; scan noise rises by half of it."""

LEAST_RISE_MM = 0.06
WIDEST_MM = 0.45
"""Beads are 0.2 to 0.6 mm across (common practice, no source); half of that, and a scan's blur."""

FEWEST = 12
"""A bead field holds tens to hundreds of beads; a few bumps are dirt or wax, and stay."""

_FEWEST_VERTICES = 4
_ALIKE = (0.5, 2.5)
"""Beads of one framework are of one make: their rise lies between these shares of the median."""

_AS_HIGH = 0.7
"""A bump that stands out less than this share of the median is a ridge or a speck, no bead."""

_WIDE = 1.6
"""No bead's foot is wider than this share of the median."""

_LEAST_BASE_MM = 0.4
"""Beads stand where composite is to hold: less deep, a bump is the edge of a finish line."""

_SMOOTH_MM = 0.3
"""Directions are averaged over about a bead, so that flanks cancel and the base is left."""

_MOST_STEPS = 100
_STEP_VARIANCE = 0.5
"""A vertex's area vector goes on one edge each step: each axis gets this share of its square."""

_FARTHEST_MM = 1.0
"""No way up a bead is longer."""

_RIM_EDGES = 0.6
"""The foot's rim lies hidden within the edge beyond the last vertex that stands out."""

_DEEP_MM = 0.6
"""What lies farther above or below a bead's middle belongs to another wall."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Beads:
    """Beads found on a framework.

    Parameters
    ----------
    base : TriangleMesh
        The framework without them: the same vertices, those of the beads on the surface between.
    bead : ndarray of int64, shape (n,)
        Number of the bead that a vertex belongs to, −1 elsewhere.
    top : ndarray of int64, shape (k,)
        Highest vertex of each bead.
    height_mm : ndarray, shape (k,)
        How far each top stands out over the base.
    diameter_mm : float
        Of the foot, median.
    """

    base: TriangleMesh
    bead: Ints
    top: Ints
    height_mm: Floats
    diameter_mm: float


def find(mesh: TriangleMesh, edges: Ints, space_mm: Floats) -> Beads | None:
    """Find retention beads, and the surface they stand on.

    Parameters
    ----------
    mesh : TriangleMesh
        Edges well under half a bead's diameter, or its beads are not seen.
    edges : ndarray of int64, shape (e, 2)
        Of the mesh.
    space_mm : ndarray, shape (n,)
        Signed distance of every vertex from the contour, positive inside; beads stand where
        it is positive. NaN where unknown.

    Returns
    -------
    Beads or None
        None where fewer than `FEWEST` bumps alike are found.

    Notes
    -----
    How far a vertex rises above a cone of slope `BUMP_SLOPE` put over every other vertex is
    found along edges (a top-hat transform with a cone, from memory); the rise along an edge is
    taken against the mean of the directions at its ends, so that a round surface does not rise.
    The base under a bead is the thin plate that goes on from its rim.
    """
    inside = space_mm > 0
    there = edges[inside[edges[:, 0]] & inside[edges[:, 1]]]
    if not len(there):
        return None
    edge_mm = float(np.median(_lengths(mesh.points_mm, there)))
    ways = _calm_directions(mesh, there, edge_mm)
    rise = _rise(mesh.points_mm, there, ways)
    middle, radius = _bumps(mesh.points_mm, there, ways, rise, space_mm)
    if len(middle) < FEWEST:
        return None
    foot = radius + _RIM_EDGES * edge_mm
    found = _taken_off(mesh, edges, ways, middle, foot)
    usual = float(np.median(found.height_mm))
    high = found.height_mm > max(_AS_HIGH * usual, LEAST_RISE_MM)
    high &= space_mm[found.top] + found.height_mm > _LEAST_BASE_MM
    if high.sum() < FEWEST:
        return None
    if not high.all():
        found = _taken_off(mesh, edges, ways, middle[high], foot)
    return dataclasses.replace(found, diameter_mm=2.0 * radius)


def field(found: Beads, nearest_mm: Floats, limits: Limits) -> BeadField:
    """How the veneer covers the beads.

    Parameters
    ----------
    found : Beads
    nearest_mm : ndarray, shape (n,)
        From every vertex of the framework with its beads to the contour.
    limits : Limits
        For the opaquer that must bury them.
    """
    cover = nearest_mm[found.top]
    return BeadField(
        count=len(found.top),
        diameter_mm=found.diameter_mm,
        height_mm=float(np.median(found.height_mm)),
        proud=int((found.height_mm > limits.opaquer_mm).sum()),
        cover_least_mm=float(np.nanmin(cover)),
        cover_median_mm=float(np.nanmedian(cover)),
    )


def _taken_off(
    mesh: TriangleMesh, edges: Ints, ways: Floats, middle: Floats, foot_mm: float
) -> Beads:
    bead = _nearest_bump(mesh.points_mm, ways, middle, foot_mm)
    base = _without(mesh, edges, bead >= 0)
    height = row_dot(mesh.points_mm - base.points_mm, ways)
    top = _highest(bead, height, len(middle))
    return Beads(base, bead, top, height[top], 2.0 * foot_mm)


def _lengths(points: Floats, edges: Ints) -> Floats:
    way = points[edges[:, 0]] - points[edges[:, 1]]
    return np.sqrt(row_dot(way, way))


def _calm_directions(mesh: TriangleMesh, edges: Ints, edge_mm: float) -> Floats:
    """Outward directions of the surface without its beads: area vectors spread along edges.

    Zero for what no edge leads to.
    """
    share = 1.0 / np.maximum(np.bincount(edges.reshape(-1), minlength=len(mesh.points_mm)), 1)
    steps = round((_SMOOTH_MM / edge_mm) ** 2 / _STEP_VARIANCE) if edge_mm > 0 else 0
    area = sum_at_vertices(mesh, corner_cross(mesh))
    for _ in range(min(max(steps, 1), _MOST_STEPS)):
        area = neighbour_sums(edges, share[:, None] * area)
    return unit(area)


def _rise(points: Floats, edges: Ints, ways: Floats) -> Floats:
    """How far each vertex stands out beyond the slope of a mound, shape (n,), mm."""
    both = np.concatenate([edges, edges[:, ::-1]])
    both = both[np.argsort(both[:, 1], kind="stable")]
    start, end = both[:, 0], both[:, 1]
    step = points[end] - points[start]
    length = np.sqrt(row_dot(step, step))
    gain = 0.5 * row_dot(step, ways[start] + ways[end]) - BUMP_SLOPE * length
    first = np.flatnonzero(np.append(True, np.diff(end) > 0))
    rise = np.zeros(len(points))
    for _ in range(math.ceil(_FARTHEST_MM / max(float(np.median(length)), 1e-3))):
        rise[end[first]] = np.maximum(
            rise[end[first]], np.maximum.reduceat(rise[start] + gain, first)
        )
    return rise


def _bumps(
    points: Floats, edges: Ints, ways: Floats, rise: Floats, space_mm: Floats
) -> tuple[Floats, float]:
    """Middles of the bumps deep enough inside the contour, and their median radius."""
    out = (rise > BUMP_MM) & (space_mm > 0)
    label = components(len(out), edges[out[edges[:, 0]] & out[edges[:, 1]]])
    member = np.flatnonzero(out)
    _, of = np.unique(label[member], return_inverse=True)
    count = np.bincount(of)
    if not len(count):
        return np.zeros((0, 3)), math.nan
    weight = np.bincount(of, rise[member])
    total = np.stack([np.bincount(of, rise[member] * p) for p in points[member].T], axis=1)
    middle: Floats = total / weight[:, None]
    radius, peak, deep = np.zeros((3, len(count)))
    np.maximum.at(radius, of, _across(points[member] - middle[of], ways[member])[0])
    np.maximum.at(peak, of, rise[member])
    # The base lies no deeper than this under any of a bump's vertices.
    np.maximum.at(deep, of, space_mm[member] + rise[member] + BUMP_SLOPE * WIDEST_MM)
    bump = (count >= _FEWEST_VERTICES) & (radius < WIDEST_MM) & (peak > LEAST_RISE_MM)
    bump &= deep > _LEAST_BASE_MM
    if not bump.any():
        return np.zeros((0, 3)), math.nan
    usual, wide = np.median(peak[bump]), np.median(radius[bump])
    bump &= (peak > _ALIKE[0] * usual) & (peak < _ALIKE[1] * usual) & (radius < _WIDE * wide)
    return np.asarray(middle[bump]), float(wide)


def _across(offset: Floats, ways: Floats) -> tuple[Floats, Floats]:
    """Parts of offsets across a direction and along it, each of shape (n,)."""
    along = row_dot(offset, ways)
    return np.sqrt(np.maximum(row_dot(offset, offset) - along**2, 0.0)), along


def _nearest_bump(points: Floats, ways: Floats, middle: Floats, radius_mm: float) -> Ints:
    """The bump in whose foot each vertex lies, −1 elsewhere, shape (n,)."""
    from scipy.spatial import cKDTree

    reach = math.hypot(radius_mm, _DEEP_MM)
    asked = np.flatnonzero(ways.any(axis=1))
    distance, nearest = cKDTree(middle).query(points[asked], distance_upper_bound=reach)
    near = np.isfinite(distance)
    asked, nearest = asked[near], nearest[near]
    across, along = _across(points[asked] - middle[nearest], ways[asked])
    inside = (across < radius_mm) & (np.abs(along) < _DEEP_MM)
    bead = np.full(len(points), -1, dtype=np.int64)
    bead[asked[inside]] = nearest[inside]
    return bead


def _without(mesh: TriangleMesh, edges: Ints, hole: Bools) -> TriangleMesh:
    """The surface with some vertices drawn onto the thin plate that goes on from the others.

    A membrane would lie flat over the rim: on a surface of radius R it cuts r²/2R off under a bead
    of radius r. The plate has the least sum of squared Laplacians over hole and rim, so it takes
    the slope at the rim with it.
    """
    from scipy.sparse.linalg import spsolve

    flat, given = _laplacian(edges, hole)
    pull = (flat.T @ flat).tocsc()
    points = np.array(mesh.points_mm)
    points[hole] = spsolve(pull, -(flat.T @ (given @ mesh.points_mm[~hole])))
    return TriangleMesh(points, mesh.faces)


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


def _highest(bead: Ints, height_mm: Floats, count: int) -> Ints:
    """The vertex of each bead that stands out farthest, shape (count,)."""
    member = np.flatnonzero(bead >= 0)
    member = member[np.lexsort((height_mm[member], bead[member]))]
    last = np.searchsorted(bead[member], np.arange(count), side="right") - 1
    return np.asarray(member[last])
