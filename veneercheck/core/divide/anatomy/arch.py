"""The curved axis of a bridge, as seen from occlusal."""

from __future__ import annotations

import dataclasses

import numpy as np

from veneercheck.core.mesh.triangles import components, reach_along_edges, unit
from veneercheck.core.types import Bools, Floats, Ints

_CELL_MM = 1.0
"""The outline seen from occlusal is taken in squares: fine beside a tooth, few for an arch."""

_TILE_MM = 6.0
"""About a tooth: within it, and its neighbours, the highest surface is a crown's top."""

_LEVEL_MM = 0.5
_LEAST_TOP_MM2 = 4.0
"""A crown's top is where this much surface lies above: a speck of dust has less."""

NODE_MM = 0.25
"""Spacing of the axis' nodes; between them it is taken as straight."""

_CELLS_AT_ONCE = 4096
"""Keeps the distances between cells and nodes to some tens of megabytes."""

_ROUNDS = 8
"""The axis settles to hundredths of a millimetre in fewer."""

_SLIDE_MM = 10.0
"""From round to round a place slides along the axis by less; where the axis' straight end crosses
the other end of an arch, its teeth must not be taken for what follows the end."""

_END_MM, _END_SHARE = 2.5, 0.2
"""The rounded ends of the outline say nothing of the direction, and are left out: of a short one
no more than half."""

LONG = 5
"""From this many units on, a bridge may turn so far that it has no straight main direction."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Cloud:
    """Surface points with their outward normals and areas.

    Parameters
    ----------
    points_mm, normals : ndarray, shape (n, 3)
    area_mm2 : ndarray, shape (n,)
    fitting, veneered, bridge : ndarray of bool, shape (n,)
        What is known of each: on a fitting surface, cut back, not model.
    """

    points_mm: Floats
    normals: Floats
    area_mm2: Floats
    fitting: Bools
    veneered: Bools
    bridge: Bools

    def __getitem__(self, chosen: Ints | Bools | slice) -> Cloud:
        """Some of the points."""
        return Cloud(
            *(getattr(self, field.name)[chosen] for field in dataclasses.fields(Cloud)),
        )


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Axis:
    """The bridge's own axis, seen from occlusal.

    Parameters
    ----------
    plane : ndarray, shape (3, 3)
        Rows: two directions across and the occlusal one, right-handed.
    nodes_mm, tangents : ndarray, shape (k, 2)
        Evenly spaced along the axis, in that plane.
    start_mm : float
        Arc length of the first node.
    ends_mm : tuple of 2 floats
        Arc lengths between which there are crowns.
    """

    plane: Floats
    nodes_mm: Floats
    tangents: Floats
    start_mm: float
    ends_mm: tuple[float, float]

    def reversed(self) -> Axis:
        """The same axis run through the other way."""
        length = NODE_MM * (len(self.nodes_mm) - 1)
        low, high = self.ends_mm
        return Axis(
            self.plane, self.nodes_mm[::-1], -self.tangents[::-1],
            -(self.start_mm + length), (-high, -low),
        )  # fmt: skip

    def tangent_at(self, along_mm: float) -> Floats:
        """Unit direction in space in which arc length grows, shape (3,)."""
        node = round((along_mm - self.start_mm) / NODE_MM)
        flat = self.tangents[min(max(node, 0), len(self.tangents) - 1)]
        return np.asarray(flat @ self.plane[:2], dtype=np.float64)

    def turn(self, directions: Floats, along_mm: Floats) -> Floats:
        """Parts of directions along the axis, to its left and occlusal, shape (n, 3)."""
        local = directions @ self.plane.T
        node = np.rint((along_mm - self.start_mm) / NODE_MM).astype(np.int64)
        cosine, sine = self.tangents[np.clip(node, 0, len(self.tangents) - 1)].T
        along = local[:, 0] * cosine + local[:, 1] * sine
        left = local[:, 1] * cosine - local[:, 0] * sine
        return np.stack([along, left, local[:, 2]], axis=1)

    def sagitta_mm(self) -> float:
        """How far the middle of the axis bulges to the left of the line between its ends."""
        first, last = (self.node_at(end) for end in self.ends_mm)
        chord = last - first
        offset = self.node_at(0.5 * sum(self.ends_mm)) - first
        return float((chord[0] * offset[1] - chord[1] * offset[0]) / np.linalg.norm(chord))

    def node_at(self, along_mm: float) -> Floats:
        """The axis' own place, shape (2,), in its plane."""
        node = round((along_mm - self.start_mm) / NODE_MM)
        return np.asarray(self.nodes_mm[min(max(node, 0), len(self.nodes_mm) - 1)])

    def locate(self, points_mm: Floats) -> Floats:
        """Arc length, offset to the left and height of every point, shape (n, 3), mm.

        To the left as seen from occlusal: occlusal × tangent.
        """
        local = points_mm @ self.plane.T
        cell, corner, shape = _cells(local[:, :2], _CELL_MM)
        used = np.zeros(int(np.prod(shape)), dtype=bool)
        used[cell] = True
        occupied = np.flatnonzero(used)
        middle = _middles(occupied, corner, shape, _CELL_MM)
        node = _nearest_node(middle, self.nodes_mm)
        base = np.zeros((len(used), 5))
        base[occupied, 0] = self.start_mm + node * NODE_MM
        base[occupied, 1:3] = self.nodes_mm[node]
        base[occupied, 3:] = self.tangents[node]
        at = base[cell]
        offset, tangent = local[:, :2] - at[:, 1:3], at[:, 3:]
        along = at[:, 0] + offset[:, 0] * tangent[:, 0] + offset[:, 1] * tangent[:, 1]
        left = offset[:, 1] * tangent[:, 0] - offset[:, 0] * tangent[:, 1]
        return np.stack([along, left, local[:, 2]], axis=1)


def plane_of(occlusal: Floats) -> Floats:
    """Two directions across the occlusal one and that itself, rows, right-handed."""
    first = np.eye(3)[int(np.argmin(np.abs(occlusal)))]
    first = _direction(first - (first @ occlusal) * occlusal)
    return np.stack([first, np.cross(occlusal, first), occlusal])


def crown_tops(local_mm: Floats, area_mm2: Floats) -> Floats:
    """Height of the crown tops around each point, shape (n,), mm."""
    tile, _, shape = _cells(local_mm[:, :2], _TILE_MM)
    low = local_mm[:, 2].min()
    level = ((local_mm[:, 2] - low) / _LEVEL_MM).astype(np.int64)
    levels = int(level.max()) + 1
    area = np.bincount(
        tile * levels + level, weights=area_mm2, minlength=int(np.prod(shape)) * levels
    )
    above = area.reshape(*shape, levels)[:, :, ::-1].cumsum(axis=2)[:, :, ::-1]
    padded = np.pad(above, ((1, 1), (1, 1), (0, 0)))
    around = sum(padded[i : i + shape[0], j : j + shape[1]] for i in range(3) for j in range(3))
    enough = np.asarray(around) >= _LEAST_TOP_MM2
    top = enough.sum(axis=2).reshape(-1)
    return np.asarray(low + _LEVEL_MM * top[tile])


def largest_patch(local_mm: Floats) -> Bools:
    """Points of the largest connected part of the outline seen from occlusal, shape (n,)."""
    cell, _, shape = _cells(local_mm[:, :2], _CELL_MM)
    occupied, of_point = np.unique(cell, return_inverse=True)
    label = components(len(occupied), _neighbour_pairs(occupied, shape))
    largest = int(np.bincount(label).argmax())
    return np.asarray(label[of_point.reshape(-1)] == largest)


def find_axis(flat_mm: Floats, plane: Floats, units: int) -> Axis:
    """Find the axis of a bridge from its crowns.

    Parameters
    ----------
    flat_mm : ndarray, shape (n, 2)
        Points of the crowns' upper parts, in the plane.
    plane : ndarray, shape (3, 3)
    units : int
        How many there are; the more, the more may the axis bend.

    Returns
    -------
    Axis

    Notes
    -----
    A principal curve (Hastie and Stuetzle 1989, from memory) of polynomials in arc length.
    """
    cell, corner, shape = _cells(flat_mm, _CELL_MM)
    occupied = np.unique(cell)
    middle = _middles(occupied, corner, shape, _CELL_MM)
    along = _first_guess(middle, occupied, shape, units)
    final = _degree(units)
    for round_ in range(_ROUNDS):
        degree = final if units >= LONG else min(final, 1 + round_ // 3)
        end = min(_END_MM, _END_SHARE * float(np.ptp(along)))
        inner = (along > along.min() + end) & (along < along.max() - end)
        kept, at = along[inner], middle[inner]
        curve = [np.polynomial.Polynomial.fit(kept, at[:, k], degree) for k in range(2)]
        nodes, tangents, start = _nodes(curve, along)
        node = _nearest_node(middle, nodes, (along - start) / NODE_MM)
        offset = middle - nodes[node]
        along = start + node * NODE_MM + (offset * tangents[node]).sum(axis=1)
    low, high = np.quantile(along, [0.01, 0.99])
    return Axis(plane, nodes, tangents, start, (low - 0.5 * _CELL_MM, high + 0.5 * _CELL_MM))


def straight_axis(flat_mm: Floats, plane: Floats, direction: Floats) -> Axis:
    """The axis of a single crown: through the middle of its outline, in a given direction."""
    cell, corner, shape = _cells(flat_mm, _CELL_MM)
    middle = _middles(np.unique(cell), corner, shape, _CELL_MM)
    tangent = _direction(plane[:2] @ direction)
    along = (flat_mm - middle.mean(axis=0)) @ tangent
    low, high = np.quantile(along, [0.005, 0.995])
    steps = np.arange(np.floor(low / NODE_MM) - 40, np.ceil(high / NODE_MM) + 41) * NODE_MM
    nodes = middle.mean(axis=0) + steps[:, None] * tangent
    return Axis(plane, nodes, np.tile(tangent, (len(nodes), 1)), float(steps[0]), (low, high))


def axis_through(nodes_mm: Floats, occlusal: Floats) -> Axis:
    """An axis through known places, such as those of a section along the bridge.

    Parameters
    ----------
    nodes_mm : ndarray, shape (k, 3)
        Evenly spaced, as an axis has them.
    occlusal : ndarray, shape (3,)
    """
    plane = plane_of(occlusal)
    flat = nodes_mm @ plane[:2].T
    tangents = unit(np.gradient(flat, axis=0))
    return Axis(plane, flat, tangents, 0.0, (0.0, NODE_MM * (len(flat) - 1)))


def _degree(units: int) -> int:
    if units <= 2:
        return 1
    return 2 if units <= 4 else 4


def _first_guess(middle: Floats, occupied: Ints, shape: tuple[int, int], units: int) -> Floats:
    if units < LONG:
        centred = middle - middle.mean(axis=0)
        guess: Floats = centred @ np.linalg.eigh(centred.T @ centred)[1][:, 1]
        return guess
    pairs = _neighbour_pairs(occupied, shape)
    seeds = np.zeros(len(middle), dtype=bool)
    seeds[0] = True
    for _ in range(2):
        way = reach_along_edges(middle, pairs, seeds, np.inf)
        way[~np.isfinite(way)] = 0.0
        seeds[:] = False
        seeds[int(way.argmax())] = True
    return way


def _nodes(curve: list[np.polynomial.Polynomial], along: Floats) -> tuple[Floats, Floats, float]:
    """Even nodes on a curve, running on straight by a tooth beyond both ends."""
    low, high = float(along.min()), float(along.max())
    steps = np.linspace(low, high, max(2, int((high - low) / NODE_MM) * 2))
    points = np.stack([part(steps) for part in curve], axis=1)
    first, last = points[0] - points[1], points[-1] - points[-2]
    beyond = 10.0
    points = np.concatenate(
        [points[:1] + beyond * unit(first[None]), points, points[-1:] + beyond * unit(last[None])]
    )
    length = np.append(0.0, np.cumsum(np.sqrt((np.diff(points, axis=0) ** 2).sum(axis=1))))
    even = np.arange(0.0, length[-1], NODE_MM)
    nodes = np.stack([np.interp(even, length, points[:, k]) for k in range(2)], axis=1)
    return nodes, unit(np.gradient(nodes, axis=0)), low - beyond


def _cells(flat_mm: Floats, size_mm: float) -> tuple[Ints, Floats, tuple[int, int]]:
    corner = flat_mm.min(axis=0) - size_mm
    index = ((flat_mm - corner) / size_mm).astype(np.int64)
    rows, columns = (index.max(axis=0) + 2).tolist()
    return index[:, 0] * columns + index[:, 1], corner, (rows, columns)


def _middles(cell: Ints, corner: Floats, shape: tuple[int, int], size_mm: float) -> Floats:
    index = np.stack([cell // shape[1], cell % shape[1]], axis=1)
    return np.asarray(corner + (index + 0.5) * size_mm)


def _neighbour_pairs(occupied: Ints, shape: tuple[int, int]) -> Ints:
    """Pairs of occupied cells that touch, also at a corner."""
    place = np.full(shape[0] * shape[1], -1, dtype=np.int64)
    place[occupied] = np.arange(len(occupied))
    found = []
    for step in (1, shape[1] - 1, shape[1], shape[1] + 1):
        other = place[np.minimum(occupied + step, len(place) - 1)]
        both = other >= 0
        found.append(np.stack([np.flatnonzero(both), other[both]], axis=1))
    return np.concatenate(found)


def _nearest_node(flat_mm: Floats, nodes_mm: Floats, near: Floats | None = None) -> Ints:
    """The nearest node of each place, not far along from where it is taken to lie, if that is."""
    square = (nodes_mm**2).sum(axis=1)
    node = np.empty(len(flat_mm), dtype=np.int64)
    for first in range(0, len(flat_mm), _CELLS_AT_ONCE):
        part = slice(first, first + _CELLS_AT_ONCE)
        off = square - 2.0 * flat_mm[part] @ nodes_mm.T
        if near is not None:
            off[np.abs(np.arange(len(nodes_mm)) - near[part, None]) > _SLIDE_MM / NODE_MM] = np.inf
        node[part] = off.argmin(axis=1)
    return node


def _direction(vector: Floats) -> Floats:
    return np.asarray(vector / np.linalg.norm(vector))
