"""Where one scan shows less than the other: the veneer may run out to a line that does not show.

A scan may end short of full depth; or the wax-up's goes on over its model and neighbours, where
what webs over to them is no contour of the veneer. What is told there is undecided, and so is a
true fault that lies within a run-out's width of such a rim, or under such a web.

Notes
-----
Two scans of one work end in the same embrasure, the framework's a little beyond the wax-up's, where
nothing was read. Choice: where the layer before such an end, going on as it comes, is gone within a
run-out's width, it runs out there. Instead of: the framework's own rim alone, over which the other
scan seldom shows any contour; or every such end, by which a floor that is too thin all over would
be excused beside it. Cost: a slope that is thin in earnest within that width is not told.

Wax held in putty is scanned from above; its framework on a stick is scanned all round. The bare
underside then hung together with what holes between the teeth hide of the veneer, deep cut bordered
more than half of it, and all of it counted as veneer not read: 574 mm² for 297, and three times the
paste. Choice: what faces a way in which the wax-up's scan shows nothing was not looked at, and is
sorted by a border of its own; and of what is left a point is cut where along the framework cut lies
nearer than uncut surface: 331 mm², 60 of them not read. Instead of: the size of what is
hidden, or its distance from the contour, both of which a veneer under a large hole shares. Cost: a
side of the veneer that the wax-up does not show at all counts only where cut goes round most of it.
"""

from __future__ import annotations

import math

import numpy as np

from veneercheck.core.measure.space import Contour, Reading
from veneercheck.core.mesh.pieces import large_parts
from veneercheck.core.mesh.triangles import (
    all_in,
    any_in,
    components,
    edge_pairs,
    parts_in,
    reach_along_edges,
    vertex_areas,
)
from veneercheck.core.types import Bools, Floats, Ints, Limits, RayOutcome, Region, TriangleMesh

_ON_RIM_MM = 0.15
"""Contour so near to its scan's rim lies on it: half an edge of a usual scan."""

_ALONE_MM, _ALONE_MM2 = 5.0, 4.0
"""No veneer is so thick: so much of a wax-up so far from any metal is its model or a neighbour."""

_LEADS_THERE_MM = 6.0
"""Along the wax-up so near to what it alone shows, its surface is on the way there."""

_HIDDEN_SHARE = 0.5
"""Of surface that could not be read must face a hole, and of its border with what is known to be
cut or not must lie on deep cut, for it to count as cut: a hole of the wax-up scan over the veneer
must not make the veneer smaller."""

_TAPERED = 0.5
"""Of full depth no more is left where a layer that nobody saw end is taken to run out."""

_WAYS, _ALIKE_COS, _SHOWN_MM2 = 1000, math.cos(math.radians(25.0)), 2.0
"""Ways all round, some 6° apart; and how much surface that faces about so tells that the scanner
looked there: less is a sliver at a rim."""

_BESIDE_MM = 1.0
"""What could not be read so near to a zone may be the rest of it."""

HOLE_MM = 6.0
"""A hole is narrower; the edge of a scan, even of one retainer, goes round a tooth."""

_SEARCHED, _METAL_POINTS = 2000, 20000
"""Vertices of the wax-up that tell whether any of it stands alone; and of the metal, which then lie
some tenths of a millimetre apart."""


def hidden(code: Ints, reading: Reading, deep_mm: float) -> Bools:
    """Parts that could not be read, that face a hole, and that deep cut borders: not seen.

    Where the cut ran out before, the wax-up's scan ends beyond the finish line: what it stood on
    hides uncut bases, and the insides of retainers. What faces a way that the wax-up's scan does
    not show at all is sorted after the rest, by what that has come to be.
    """
    space = reading.space
    # Through a hole the ray may meet the model or another tooth: no sign of a retainer's inside.
    unread = np.isin(code, (Region.UNSORTED, Region.FITTING_SURFACE))
    unread &= np.isnan(space.space_mm) & np.isnan(space.nearest_mm)
    unlooked = unread.copy()
    unlooked[unread] = _not_looked_at(reading.normals[unread], reading.contour)
    unread &= ~unlooked
    cut, uncut = code == Region.CUT, code == Region.UNCUT
    deep = cut & (space.nearest_mm >= deep_mm)
    found = _of_the_cut(unread, reading, deep=deep, shallow=cut & ~deep, uncut=uncut)
    deep, uncut = deep | found, uncut | (unread & ~found)
    return found | _of_the_cut(unlooked, reading, deep=deep, shallow=cut & ~deep, uncut=uncut)


def _of_the_cut(
    unread: Bools, reading: Reading, *, deep: Bools, shallow: Bools, uncut: Bools
) -> Bools:
    """Parts of what was not read that deep cut borders, as far as it is nearer than uncut surface;
    masks of shape (n,)."""
    edges, area_mm2 = reading.edges, reading.space.area_mm2
    label = parts_in(unread, edges)
    area = np.bincount(label, area_mm2 * unread, minlength=len(unread))
    facing = np.bincount(label, area_mm2 * (unread & reading.under_a_hole), minlength=len(unread))
    both = np.concatenate([edges, edges[:, ::-1]])
    leaving = both[unread[both[:, 0]] & (deep | shallow | uncut)[both[:, 1]]]
    # A hole may lie over a slope: there shallow cut speaks for neither.
    hole = area[label[leaving[:, 0]]] <= HOLE_MM**2
    leaving = leaving[~(hole & shallow[leaving[:, 1]])]
    part = label[leaving[:, 0]]
    border = np.bincount(part, minlength=len(unread))
    on_cut = np.bincount(part, deep[leaving[:, 1]], minlength=len(unread))
    found = (facing >= _HIDDEN_SHARE * area) & (area > 0)
    found &= (border > 0) & (on_cut >= _HIDDEN_SHARE * border)
    within = unread & found[label]
    over = edges[any_in(within, edges)]
    to_cut, to_uncut = (
        reach_along_edges(reading.points_mm, over, seeds, math.inf) for seeds in (deep, uncut)
    )
    return np.asarray(within & (to_cut <= to_uncut))


def _not_looked_at(ways: Floats, contour: Contour) -> Bools:
    """Directions, shape (k, 3), in which hardly anything that the wax-up's scan shows faces."""
    from scipy.spatial import cKDTree

    step = np.arange(_WAYS) + 0.5  # points all round by the golden angle (from memory)
    up, turn = 1.0 - 2.0 * step / _WAYS, math.pi * (1.0 + math.sqrt(5.0)) * step
    aside = np.sqrt(1.0 - up**2)
    all_ways = np.stack([aside * np.cos(turn), aside * np.sin(turn), up], axis=1)
    tree, outer = cKDTree(all_ways), contour.outer
    area = np.bincount(tree.query(outer.normals)[1], vertex_areas(outer.mesh), minlength=_WAYS)
    shown = (all_ways @ all_ways.T >= _ALIKE_COS) @ area
    return np.asarray(shown[tree.query(ways)[1]] < _SHOWN_MM2)


def share_read(vertices: Ints, reading: Reading, unread: Bools, *, too_thick: bool) -> float:
    """Share of a zone that could be read, of it and of what beside it could not: a hole of the scan
    may hide the rest. Over what no ray met contour, it is too thick by another wall's."""
    space = reading.space
    area_mm2 = read_mm2 = float(space.area_mm2[vertices].sum())
    if too_thick:
        read_mm2 -= float(space.area_mm2[vertices] @ (space.outcome[vertices] == RayOutcome.MISS))
    if unread.any():
        own = np.zeros(len(unread), dtype=bool)
        own[vertices] = True
        near = np.isfinite(reach_along_edges(reading.points_mm, reading.edges, own, _BESIDE_MM))
        area_mm2 += float(space.area_mm2[near & unread].sum())
    return max(read_mm2, 0.0) / area_mm2  # rounding leaves a little less than nothing


def run_outs(framework: TriangleMesh, code: Ints, reading: Reading, limits: Limits) -> Floats:
    """Points on the contour, shape (k, 3), over cut vertices at which the framework's scan ends
    short of full depth, on a rim that crosses the finish line; or at which both scans do, the
    framework's no farther beyond the wax-up's than a run-out is wide, and the layer with them.

    A rim all within the cut is a hole of the scan, where nothing runs out.
    """
    rim, edges = reading.on_rim, reading.edges
    label = parts_in(rim, edges)
    crosses = np.zeros(len(rim), dtype=bool)
    crosses[label[rim & (code == Region.UNCUT)]] = True
    rim = rim & crosses[label]
    beyond = np.isin(code, (Region.UNSORTED, Region.CUT)) & np.isnan(reading.space.nearest_mm)
    within = edges[all_in(beyond | rim, edges)]
    width_mm = limits.finish_line_width_mm
    beyond &= np.isfinite(reach_along_edges(framework.points_mm, within, rim & beyond, width_mm))
    short, last = _is_short(code, reading, limits), np.zeros(len(rim), dtype=bool)
    for one, other in (edges.T, edges.T[::-1]):
        last[one[beyond[other]]] = True
    full_mm = limits.layer.least_mm + limits.taken_mm
    last &= short & ~rim & (reading.space.nearest_mm <= _TAPERED * full_mm)
    ends = _tapering(np.flatnonzero(last), code, reading, width_mm)
    found: Floats = reading.space.contour_mm[np.concatenate([np.flatnonzero(rim & short), ends])]
    return found


def _tapering(last: Ints, code: Ints, reading: Reading, width_mm: float) -> Ints:
    """Of the vertices before an end those where the layer, going on as it comes towards them, is
    gone within a run-out's width."""
    from scipy.spatial import cKDTree

    space = reading.space
    cut = np.flatnonzero((code == Region.CUT) & np.isfinite(space.nearest_mm))
    if not len(last) or not len(cut):
        return last[:0]
    tree = cKDTree(space.contour_mm[last])
    off, _ = tree.query(space.contour_mm[cut], distance_upper_bound=width_mm)
    inner = np.isfinite(off) & (off > 0.5 * width_mm)
    off, cut = off[inner], cut[inner]
    near = tree.sparse_distance_matrix(
        cKDTree(space.contour_mm[cut]), width_mm, output_type="coo_matrix"
    )
    weight = space.area_mm2[cut[near.col]]
    total, way, depth = (
        np.bincount(near.row, weight * of, len(last))
        for of in (1.0, off[near.col], space.nearest_mm[cut[near.col]])
    )
    own = space.nearest_mm[last]
    return last[(total > 0) & ((depth - own * total) * width_mm >= own * way)]


def under_a_rim(code: Ints, reading: Reading, limits: Limits, from_line_mm: Floats) -> Bools:
    """Cut vertices short of full depth, shape (n,), whose contour lies no farther from a rim of the
    wax-up that uncut surface meets as well than a run-out is wide: whether the veneer runs out
    there, its scan does not show.

    Parameters
    ----------
    from_line_mm : ndarray, shape (n,)
        Along the contour: nearer to a line that was found than to the rim, that line counts.
    """
    from scipy.spatial import cKDTree

    outer, uncut, rim = reading.contour.outer.mesh, code == Region.UNCUT, reading.contour.rim
    found = np.zeros(len(code), dtype=bool)
    asked = np.flatnonzero(
        (_is_short(code, reading, limits) | uncut) & np.isfinite(reading.space.contour_mm[:, 0])
    )
    if not len(rim) or not len(asked):
        return found
    places, edge = _along(outer.points_mm[rim])
    loops = components(len(outer.points_mm), rim)[rim[edge, 0]]
    away, which = cKDTree(places).query(
        reading.space.contour_mm[asked], distance_upper_bound=limits.finish_line_width_mm
    )
    near = np.isfinite(away) & (away < np.where(uncut[asked], _ON_RIM_MM, from_line_mm[asked]))
    asked, loop = asked[near], loops[which[near]]
    found[asked[np.isin(loop, loop[uncut[asked]])]] = True
    found &= ~uncut
    return found


def _along(ends_mm: Floats) -> tuple[Floats, Ints]:
    """Points along edges, shape (m, 2, 3), no farther apart than what lies on a rim; of which."""
    one, other = ends_mm[:, 0], ends_mm[:, 1]
    count = np.ceil(np.linalg.norm(other - one, axis=1) / _ON_RIM_MM).astype(np.int64) + 1
    edge = np.repeat(np.arange(len(count)), count)
    step = np.arange(len(edge)) - np.repeat(np.cumsum(count) - count, count)
    share = (step / np.maximum(count[edge] - 1, 1))[:, None]
    return (1.0 - share) * one[edge] + share * other[edge], edge


def under_a_web(code: Ints, reading: Reading) -> Bools:
    """Cut vertices, shape (n,), whose contour leads over to a model or neighbour that the wax-up's
    scan shows and the framework's does not: a web between the two is no contour of the veneer."""
    from scipy.spatial import cKDTree

    found = np.zeros(len(code), dtype=bool)
    outer = reading.contour.outer.mesh
    tree = cKDTree(_some(reading.points_mm, _METAL_POINTS))
    some = _some(outer.points_mm, _SEARCHED)
    if np.isfinite(tree.query(some, distance_upper_bound=_ALONE_MM)[0]).all():
        return found
    alone = np.isinf(tree.query(outer.points_mm, distance_upper_bound=_ALONE_MM)[0])
    edges = edge_pairs(outer.faces)
    alone = large_parts(alone, edges, vertex_areas(outer), _ALONE_MM2)
    leads = reach_along_edges(outer.points_mm, edges, alone, _LEADS_THERE_MM)
    asked = np.flatnonzero((code == Region.CUT) & np.isfinite(reading.space.contour_mm[:, 0]))
    foot = reading.contour.nearest_vertex(reading.space.contour_mm[asked])
    found[asked] = np.isfinite(leads[foot])
    return found


def _some(points_mm: Floats, count: int) -> Floats:
    return points_mm[:: max(1, len(points_mm) // count)]


def _is_short(code: Ints, reading: Reading, limits: Limits) -> Bools:
    short = reading.space.nearest_mm < limits.layer.least_mm + limits.taken_mm
    return np.asarray(short & (code == Region.CUT))
