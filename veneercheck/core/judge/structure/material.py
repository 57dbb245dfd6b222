"""How much composite the veneer takes: the room between framework and contour, by cells.

Notes
-----
Rays fold: those of a wall and of the floor before it pass through the same room, and over a cusp
they leave room between them. Prisms along them told a crown's 158 mm³ as 216. Choice: cells of a
grid, each by its distances from both surfaces, counted once and to the nearest vertex of the
framework. Instead of: the surfaces as closed bodies, which scans are not. Cost: a few tenths of a
second; room whose nearest surface was not cut is left out.
A neighbour that the wax-up's scan alone shows is room as well, behind its wall: 244 ± 21 mm³ were
told of a crown's 182. Choice: what lies behind a contour that faces the metal is no veneer; of work
without such neighbours that is a thousandth. Instead of: the way from the metal to each cell, which
leaves the contour in every fissure. Cost: none seen.
Beyond the end of the framework's scan the metal goes on unseen: where its upper half was scanned,
698 ± 51 mm³ were told for 602. Choice: room nearest to where it ends, and more than half a cell
aside, is none, and told as left out. Instead of: all of it, or a word alone. Cost: over a strip
half so wide too much.
A framework drawn inward vertex by vertex folds over at cusps, and what stands there on either sheet
is told as within the metal: 333 ± 12 mm³ were told for 576. Choice: where the layer times its area
comes to more than what was counted by a sixth, the middle of both is told, and their difference is
its uncertainty. Instead of: winding numbers, which took longer than the check and were still a
sixth short; or leaving out folded surface, which looks like any other. Cost: in deep hollows, where
both may differ without a fold, too much doubt.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from veneercheck.core.mesh.triangles import row_dot
from veneercheck.core.types import Bools, Floats, Ints, Limits, Material, SpaceMap

_DEEPEST_SHARE = 0.99
"""The deepest layer is the 99 % point by area: the last hundredth is the noisiest."""

_CELL_MM, _BLOCK = 0.5, 2
"""Edge of a cell, and cells along the edge of a block. A cell that a surface passes counts in part:
half as wide they told the same, within 1 %."""

_FARTHEST_MM = 3.0
"""No veneer is deeper, but for spots."""

_MISSED_SHARE = 0.05
"""Of bridges with known room up to so much lay nearest to what was not cut, and was left out; and
as much more as could not be read. Anything up to that is as likely: a third of its square is its
variance (JCGM 100, from memory)."""

_FOLDED = 1.17
"""Layer times area came to 0.81 to 1.15 of what was counted on 31 units, four of them folded a
little, and to 1.31 to 2.4 on 14 with folds or slits."""

_LEAST_MM3 = 0.1
"""Less than this on a unit is the neighbour's veneer running over the border."""


class Side:
    """A surface that is asked on which side of it places lie, and how far off.

    Parameters
    ----------
    points_mm, normals : ndarray, shape (n, 3)
        Its vertices, and outward normals there.
    ends : ndarray of bool, shape (n,), optional
        Where its scan ends, holes in it aside.
    near_mm : float
        Within so much of a vertex its tangent plane is truer than itself: more than half an edge;
        any distance, where only what lies behind the surface is asked for.
    """

    def __init__(
        self,
        points_mm: Floats,
        normals: Floats,
        near_mm: float = 0.4,
        ends: Bools | None = None,
    ) -> None:
        from scipy.spatial import cKDTree

        self.points_mm, self.normals, self.near_mm = points_mm, normals, near_mm
        self.ends = np.zeros(len(points_mm), dtype=bool) if ends is None else ends
        self._tree = cKDTree(points_mm)

    def off_mm(self, places_mm: Floats) -> tuple[Floats, Ints]:
        """Distance from the surface, negative inside, and the nearest vertex, shapes (k,)."""
        away, vertex = self._tree.query(places_mm, workers=-1)
        up = row_dot(places_mm - self.points_mm[vertex], self.normals[vertex])
        size = np.where(away < self.near_mm, np.abs(up), away)
        return np.copysign(size, up), vertex

    def beyond(self, places_mm: Floats, vertex: Ints) -> Bools:
        """Which places, nearest to these vertices, lie past the end of the scan, shape (k,)."""
        past = self.ends[vertex]
        way = places_mm[past] - self.points_mm[vertex[past]]
        over = row_dot(way, self.normals[vertex[past]])
        aside = np.sqrt(np.maximum(row_dot(way, way) - over**2, 0.0))
        past[past] = aside > 0.5 * _CELL_MM
        return past


def material(
    metal: Side,
    contour: Side,
    space: SpaceMap,
    *,
    tooth: Ints,
    veneered: Bools,
    limits: Limits,
    name: Callable[[int], str] = lambda code: str(code or ""),
) -> tuple[Material, ...]:
    """Volume of the veneer of every unit, and in how many layers it must be cured.

    Parameters
    ----------
    metal, contour : Side
        The framework, and the wax-up's outer side.
    space : SpaceMap
    tooth : ndarray of int64, shape (n,)
        Codes or numbers of the units; 0 where there is none.
    veneered : ndarray of bool, shape (n,)
    limits : Limits
    name : callable, optional
        What a unit is called.

    Returns
    -------
    tuple of Material
        Opaquer and beads taken off. An increment deeper than the profile's is cured in more.
    """
    volume, beyond = veneer_volumes(metal, contour, veneered, limits.taken_mm)
    deep = space.judged_high_mm - limits.taken_mm
    layer = np.fmax(0.5 * (space.judged_low_mm + space.judged_high_mm) - limits.taken_mm, 0.0)
    found = []
    for code in np.unique(tooth[volume > 0]):
        here = veneered & (tooth == code) & np.isfinite(deep)
        total = float(volume[tooth == code].sum())
        if not here.any() or total < _LEAST_MM3:
            continue
        deepest = _quantile(deep[here], space.area_mm2[here])
        unread = 1.0 - space.area_mm2[here].sum() / space.area_mm2[veneered & (tooth == code)].sum()
        missed = (_MISSED_SHARE + unread) * total / math.sqrt(3.0)
        doubt = math.hypot(space.area_mm2[here] @ space.u_judged_mm[here], missed)
        laid = float(space.area_mm2[here] @ layer[here])
        if laid > _FOLDED * total:
            total, doubt = 0.5 * (total + laid), math.hypot(doubt, laid - total)
        count = max(math.ceil(deepest / limits.increment_mm), 1)
        left_out = float(beyond[tooth == code].sum())
        found.append(Material(name(int(code)), total, doubt, deepest, count, left_out))
    return tuple(found)


def veneer_volumes(
    metal: Side, contour: Side, veneered: Bools, taken_mm: float
) -> tuple[Floats, Floats]:
    """Volume of composite nearest to every vertex of the framework, and what of the room nearest to
    it lies past the end of its scan and is in no volume, each of shape (n,), mm³.

    Parameters
    ----------
    metal, contour : Side
    veneered : ndarray of bool, shape (n,)
    taken_mm : float
        What opaquer and beads take of the space.
    """
    if not veneered.any():
        return np.zeros(len(veneered)), np.zeros(len(veneered))
    wide_mm = _BLOCK * _CELL_MM
    blocks = _blocks(metal.points_mm[veneered], wide_mm)
    half = 0.5 * math.sqrt(3.0) * wide_mm
    off, _ = metal.off_mm(blocks)
    between = (off > taken_mm - half) & (off < _FARTHEST_MM + half)
    blocks = blocks[between]
    blocks = blocks[contour.off_mm(blocks)[0] < half]
    step = (np.arange(_BLOCK) + 0.5) * _CELL_MM - 0.5 * wide_mm
    cells = np.stack(np.meshgrid(step, step, step, indexing="ij"), axis=-1).reshape(-1, 3)
    place = (blocks[:, None] + cells).reshape(-1, 3)
    off, vertex = metal.off_mm(place)
    here = veneered[vertex] & (off > taken_mm - _CELL_MM)
    place, off, vertex = place[here], off[here], vertex[here]
    out, over = contour.off_mm(place)
    way = metal.points_mm[vertex] - contour.points_mm[over]
    own = row_dot(way, contour.normals[over]) < 0.0
    share = _share(off - taken_mm) * _share(-out) * own * _CELL_MM**3
    past = metal.beyond(place, vertex)
    # Where both scans end, nobody knows whether the veneer goes on.
    unscanned = past & ~contour.beyond(place, over)
    every = [np.bincount(vertex, share * part, len(veneered)) for part in (~past, unscanned)]
    return every[0].astype(np.float64), every[1].astype(np.float64)


def _blocks(points_mm: Floats, wide_mm: float) -> Floats:
    """Middles of all blocks within a veneer's depth of points, shape (k, 3)."""
    from scipy.spatial import cKDTree

    margin = math.ceil(_FARTHEST_MM / wide_mm) + 1
    low = np.floor(points_mm.min(axis=0) / wide_mm).astype(np.int64) - margin
    index = np.floor(points_mm / wide_mm).astype(np.int64) - low
    taken = np.zeros(index.max(axis=0) + 1 + margin, dtype=bool)
    taken[tuple(index.T)] = True
    cells = np.argwhere(np.ones_like(taken))
    away, _ = cKDTree(np.argwhere(taken)).query(cells, distance_upper_bound=margin + 0.5)
    middles: Floats = (cells[away <= margin] + low + 0.5) * wide_mm
    return middles


def _share(off_mm: Floats) -> Floats:
    """Of a cell how much lies on a surface's positive side, from its middle's distance."""
    return np.asarray(np.clip(off_mm / _CELL_MM + 0.5, 0.0, 1.0))


def _quantile(values: Floats, weights: Floats) -> float:
    order = np.argsort(values)
    cumulated = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(cumulated, _DEEPEST_SHARE * cumulated[-1])])
