"""Caps of a height over a surface: summits told apart where their flanks melt into each other."""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from veneercheck.core.mesh.nearest import NearestPoints
from veneercheck.core.mesh.triangles import row_dot, unit, vertex_normals
from veneercheck.core.types import Bools, Floats, Ints, TriangleMesh

_FEWEST_VERTICES = 4
"""Fewer have no shape; a peak of noise is one vertex, with the neighbours it drags along."""

_ROUND = 0.25
"""Least share of a cap's narrow second moment in its wide one: 1 for a disc, 0 for a ridge."""

_CUT = 0.5
"""A cap is what stands above this share of its summit: there a ridge is long, a cap is not."""

_FLANK = 0.3
"""A cap's foot reaches to where it stands this share of the usual height out: near its rim."""

_INNER = 0.6
"""How round a cap is on top is read this share of its foot's radius round its middle."""

_DEEP_MM = 0.6
"""What lies farther above or below a cap's middle belongs to another wall."""

_DOWN = -0.5
"""A cap's underside faces down; noise turns no normal of its top so far over."""

_FEWEST_BENT = 7
"""A paraboloid goes through six vertices whatever they are."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Caps:
    """Compact, round summits of a height.

    Parameters
    ----------
    summit : ndarray of int64, shape (k,)
        Highest vertex of each.
    middle_mm : ndarray, shape (k, 3)
        Mean of its vertices above half its summit, weighted by their height.
    radius_mm : ndarray, shape (k,)
        The farthest of these from the middle, across the surface's direction.
    hill : ndarray of int64, shape (n,)
        Which cap a vertex slopes up to; −1 where to none.
    """

    summit: Ints
    middle_mm: Floats
    radius_mm: Floats
    hill: Ints

    def only(self, kept: Bools) -> Caps:
        """Some of the caps, in order."""
        number = np.append(np.where(kept, np.cumsum(kept) - 1, -1), -1)
        return Caps(
            self.summit[kept], self.middle_mm[kept], self.radius_mm[kept], number[self.hill]
        )


def find(
    points_mm: Floats,
    ways: Floats,
    edges: Ints,
    height_mm: Floats,
    *,
    member: Bools,
    prominence_mm: float,
) -> Caps:
    """Find the caps of a height.

    Parameters
    ----------
    points_mm : ndarray, shape (n, 3)
    ways : ndarray, shape (n, 3)
        Outward directions of the surface that the heights are over.
    edges : ndarray of int64, shape (e, 2)
    height_mm : ndarray, shape (n,)
        Positive where `member`.
    member : ndarray of bool, shape (n,)
        Where to look.
    prominence_mm : float
        A summit that stands less above the saddle to a higher one belongs to that one.
    """
    edges = edges[member[edges[:, 0]] & member[edges[:, 1]]]
    at = np.flatnonzero(member)
    summit, hill = np.unique(_summits(height_mm, edges, prominence_mm)[at], return_inverse=True)
    upper = height_mm[at] > _CUT * height_mm[summit][hill]
    vertex, of = at[upper], hill[upper]
    weight = height_mm[vertex]
    total = _sums(weight[:, None] * points_mm[vertex], of, len(summit))
    middle = total / np.bincount(of, weight, minlength=len(summit))[:, None]
    offset = points_mm[vertex] - middle[of]
    offset -= row_dot(offset, ways[summit][of])[:, None] * ways[summit][of]
    radius = np.zeros(len(summit))
    np.maximum.at(radius, of, np.sqrt(row_dot(offset, offset)))
    number = np.full(len(points_mm), -1, dtype=np.int64)
    number[at] = hill
    enough = np.bincount(of, minlength=len(summit)) >= _FEWEST_VERTICES
    return Caps(summit, middle, radius, number).only(
        enough & (_compactness(offset, of, len(summit)) > _ROUND)
    )


def foot_radius_mm(
    points_mm: Floats, ways: Floats, height_mm: Floats, found: Caps, *, summit_mm: Floats
) -> float:
    """Usual radius of the caps' feet: how far their flanks reach; arrays as for `roundness`, and
    the heights of the k summits."""
    flank = np.flatnonzero((found.hill >= 0) & (height_mm > _FLANK * np.median(summit_mm)))
    of = found.hill[flank]
    radius = np.zeros(len(found.summit))
    np.maximum.at(radius, of, across(points_mm[flank] - found.middle_mm[of], ways[flank])[0])
    return float(np.median(radius))


def roundness(
    points_mm: Floats,
    ways: Floats,
    height_mm: Floats,
    found: Caps,
    *,
    foot_mm: float,
    top_less_mm: float,
) -> float:
    """How high the caps stand near their middles, median, in shares of their tops' heights.

    Parameters
    ----------
    points_mm, ways : ndarray, shape (n, 3)
        With the direction in which heights are measured.
    height_mm : ndarray, shape (n,)
    found : Caps
    foot_mm : float
        Usual radius of their feet.
    top_less_mm : float
        How much noise lifts the highest vertex of a cap.
    """
    at = np.flatnonzero(found.hill >= 0)
    of = found.hill[at]
    top = np.zeros(len(found.summit))
    np.maximum.at(top, of, height_mm[at])
    inner = across(points_mm[at] - found.middle_mm[of], ways[at])[0] < _INNER * foot_mm
    share = height_mm[at][inner] / (top - top_less_mm)[of[inner]]
    return float(np.median(share)) if len(share) else 1.0


def feet(points_mm: Floats, ways: Floats, middle_mm: Floats, radius_mm: float) -> Ints:
    """The cap, the nearest of k, in whose foot each vertex lies; −1 elsewhere; shape (n,)."""
    asked = np.flatnonzero(ways.any(axis=1))
    distance, nearest = NearestPoints(middle_mm).query(points_mm[asked])
    near = distance < math.hypot(radius_mm, _DEEP_MM)
    asked, nearest = asked[near], nearest[near]
    aside, along = across(points_mm[asked] - middle_mm[nearest], ways[asked])
    inside = (aside < radius_mm) & (np.abs(along) < _DEEP_MM)
    of = np.full(len(points_mm), -1, dtype=np.int64)
    of[asked[inside]] = nearest[inside]
    return of


def falls(
    points_mm: Floats, ways: Floats, middle_mm: Floats, of: Ints, *, foot_mm: float
) -> tuple[Floats, Floats, Floats]:
    """How far caps fall from their middles to their feet, along two ways square to each other.

    Parameters
    ----------
    points_mm, ways : ndarray, shape (n, 3)
    middle_mm : ndarray, shape (k, 3)
    of : ndarray of int64, shape (n,)
        The cap in whose foot a vertex lies, −1 elsewhere.
    foot_mm : float
        Usual radius of their feet.

    Returns
    -------
    least_mm, most_mm : ndarray, shape (k,)
        Along the flattest way and the steepest, whatever the cap's slope as a whole; NaN where
        too few vertices show a shape.
    spread : ndarray, shape (k,)
        Standard uncertainty of a fall, in σ of white noise.

    Notes
    -----
    The curvatures of the paraboloid that fits best, its axis along the mean direction.
    """
    count = len(middle_mm)
    at = np.flatnonzero(of >= 0)
    of = of[at]
    way = unit(_sums(ways[at], of, count))
    first = unit(np.cross(way, np.eye(3)[np.abs(way).argmin(axis=1)]))
    offset = (points_mm[at] - middle_mm[of]) / foot_mm
    x, y, z = (row_dot(offset, axis[of]) for axis in (first, np.cross(way, first), way))
    terms = np.stack([np.ones(len(at)), x, y, x * x, x * y, y * y], axis=1)
    products = (terms[:, :, None] * terms[:, None, :]).reshape(-1, 36)
    inverse = np.linalg.pinv(_sums(products, of, count).reshape(-1, 6, 6), hermitian=True)
    bent = -foot_mm * np.einsum("kij,kj->ki", inverse, _sums(terms * z[:, None], of, count))[:, 3:]
    mean = 0.5 * (bent[:, 0] + bent[:, 2])
    apart = 0.5 * np.hypot(bent[:, 0] - bent[:, 2], bent[:, 1])
    apart[np.bincount(of, minlength=count) < _FEWEST_BENT] = np.nan
    spread = np.sqrt(np.maximum(inverse[:, 3, 3], inverse[:, 5, 5]))
    return mean - apart, mean + apart, spread


def open_feet(mesh: TriangleMesh, ways: Floats, middle_mm: Floats, radius_mm: float) -> Ints:
    """The cap in whose foot each vertex lies and whose shape it shows: −1 too for what the cap
    overhangs; arrays as for `feet`.

    Notes
    -----
    A ball that was not pressed in stands on the surface: under it lie its own underside and
    surface that goes on, and scans end there. Choice: what lies no higher than what faces down
    shows nothing of the cap. Instead of: one paraboloid through ball, underside and base, which
    lies nearly flat (0.2 of its fellows' fall), so that the ball was no bead, and «take off
    0.75 mm of the framework» was told firmly of it; or of asking nothing of a cap at a rim, by
    which the teeth of a ragged rim are beads. Cost: of a crest that overhangs, its top alone says
    whether it is round; and of a ball of 0.45 mm edges of 0.1 mm show no underside.
    """
    found = feet(mesh.points_mm, ways, middle_mm, radius_mm)
    at = np.flatnonzero(found >= 0)
    of = found[at]
    way = unit(_sums(ways[at], of, len(middle_mm)))[of]
    along = row_dot(mesh.points_mm[at] - middle_mm[of], way)
    down = row_dot(vertex_normals(mesh)[at], way) < _DOWN
    level = np.full(len(middle_mm), -np.inf)
    np.maximum.at(level, of[down], along[down])
    found[at[along <= level[of]]] = -1
    return found


def across(offset: Floats, ways: Floats) -> tuple[Floats, Floats]:
    """Parts of offsets across a direction and along it, each of shape (n,)."""
    along = row_dot(offset, ways)
    return np.sqrt(np.maximum(row_dot(offset, offset) - along**2, 0.0)), along


def _sums(values: Floats, of: Ints, count: int) -> Floats:
    """Sums of rows, shape (m, k), that belong together, shape (count, k)."""
    return np.stack([np.bincount(of, column, minlength=count) for column in values.T], axis=1)


def _compactness(offset: Floats, of: Ints, count: int) -> Floats:
    """Second of the principal second moments over the first, of flat offsets; shape (count,)."""
    pairs = (offset[:, :, None] * offset[:, None, :]).reshape(-1, 9)
    moment = np.linalg.eigvalsh(_sums(pairs, of, count).reshape(-1, 3, 3))
    wide: Floats = np.where(moment[:, 2] > 0, moment[:, 2], np.inf)
    share: Floats = moment[:, 1] / wide
    return share


def _summits(height: Floats, edges: Ints, prominence: float) -> Ints:
    """The summit each vertex slopes up to, shape (n,), those of little prominence given up.

    Notes
    -----
    Prominence is the persistence of a maximum (Edelsbrunner, Letscher and Zomorodian 2002, from
    memory). A hill whose highest saddle leads to a higher summit dies there; all that die in a
    round do so at once.
    """
    order = np.argsort(height, kind="stable")
    rank = np.empty(len(height), dtype=np.int64)
    rank[order] = np.arange(len(height))
    both = np.concatenate([edges, edges[:, ::-1]])
    best = rank.copy()
    np.maximum.at(best, both[:, 0], rank[both[:, 1]])
    summit = _ends(order[best])
    while True:
        start, end = summit[both].T
        both, start, end = (x[start != end] for x in (both, start, end))
        saddle = height[both].min(axis=1)
        given = np.lexsort((rank[end], saddle, start))
        given = given[np.append(start[given][1:] != start[given][:-1], True)[: len(given)]]
        given = given[height[start[given]] - saddle[given] < prominence]
        given = given[rank[end[given]] > rank[start[given]]]
        if not len(given):
            return summit
        leads = np.arange(len(height))
        leads[start[given]] = end[given]
        summit = _ends(leads)[summit]


def _ends(leads: Ints) -> Ints:
    """Where one arrives that follows each node to the one it leads to, and so on."""
    while True:
        farther = leads[leads]
        if np.array_equal(farther, leads):
            return leads
        leads = farther
