"""Spots that were left uncut amid the cut: metal stops, connectors, or what was forgotten."""

from __future__ import annotations

import numpy as np

from veneercheck.core.divide.finish_line import line_to
from veneercheck.core.measure.both_ways import AGREEING_COS, OVER_REACH_MM
from veneercheck.core.measure.space import Reading
from veneercheck.core.mesh.pieces import large_parts
from veneercheck.core.mesh.triangles import any_in, components, parts_in
from veneercheck.core.types import Bools, Floats, Ints, Region

CUT_DEPTH_MM = 0.3
"""Somewhere a cut surface is at least this deep."""

LEAST_ISLAND_MM2 = 0.25
"""A smaller spot is the finish line's crumb, or a flank's top."""

_SURROUNDED_SHARE = 0.95
"""An island borders on one cut area by so much: a vertex with a turned normal makes no collar."""

_CRUMB_MM2 = 0.05
"""Less than this at an island's foot, a sliver with many edges, says nothing of its border."""

_LEDGE_MM2 = 0.5
"""A larger part that was not sorted is no ledge beside a spot."""

_BUMP_MM = 0.4
"""A metal stop that stands out this far keeps the teeth from closing: it is none."""

_BUMP_SHARE = 0.5
"""Of a metal stop less than half stands out of the contour, or none of it far."""


def enclosed(
    code: Ints, reading: Reading, tolerance: float, paint: Ints | None, *, ends: Bools
) -> list[Ints]:
    """Uncut parts that one cut area encloses, largest first; what of them stands proud included."""
    if paint is not None and (paint == Region.ISLAND).any():
        code = np.where(paint == Region.ISLAND, Region.UNCUT, code)
    uncut = (code == Region.UNCUT) | of_islands(code, reading, tolerance, paint)
    cut = code == Region.CUT
    label = parts_in(uncut, reading.edges)
    cut_label = parts_in(cut, reading.edges)
    area = np.bincount(label, weights=np.where(uncut, reading.space.area_mm2, 0.0))
    cut_area = np.bincount(cut_label, weights=np.where(cut, reading.space.area_mm2, 0.0))
    loose = (code == Region.UNSORTED) & ~uncut
    crumbs = loose & ~large_parts(loose, reading.edges, reading.space.area_mm2, _CRUMB_MM2)
    of_part = np.where(uncut & (area >= LEAST_ISLAND_MM2)[label], label, -1)
    crumbs |= _ledges(loose & ~ends, uncut | cut, of_part, reading)
    around = _surroundings(uncut, cut, label, cut_label, reading.edges, ends=ends)
    told = reading.edges[~any_in(crumbs, reading.edges)]
    without = _surroundings(uncut, cut, label, cut_label, told, ends=ends)
    around |= {part: by for part, by in without.items() if area[part] >= LEAST_ISLAND_MM2}
    largest = _largest_of_each(area.astype(float), components(len(label), reading.edges), label)
    # A crumb that merely stands proud, as one in a crevice is read, was not left uncut.
    seen = set(label[(code == Region.UNCUT) | (area >= LEAST_ISLAND_MM2)[label]].tolist())
    small = {part for part, by in around.items() if area[part] < cut_area[by]}
    found = sorted(small & seen - largest, key=lambda part: -area[part])
    return [np.flatnonzero(uncut & (label == part)) for part in found]


def _ledges(loose: Bools, known: Bools, part: Ints, reading: Reading) -> Bools:
    """Crumbs, shape (n,), that lie between what was cut and one uncut part: where a hand took a
    spot down to the contour and stopped, the ledge lies on neither."""
    own = parts_in(loose, reading.edges)
    both = np.concatenate([reading.edges, reading.edges[:, ::-1]])
    both = both[loose[both[:, 0]] & (own[both[:, 0]] != own[both[:, 1]])]
    crumb, beyond = own[both[:, 0]], both[:, 1]
    first, last = np.full(len(loose), len(loose)), np.full(len(loose), -1)
    np.maximum.at(last, crumb, np.where(known[beyond], part[beyond], len(loose) + 1))
    np.minimum.at(first, crumb, np.where(part[beyond] < 0, len(loose), part[beyond]))
    small = np.bincount(own, reading.space.area_mm2 * loose, len(loose)) < _LEDGE_MM2
    found: Bools = loose & (small & (last <= first))[own]
    return found


def specks_beside_the_line(
    enclosed: list[Ints], code: Ints, reading: Reading, width_mm: float
) -> Bools:
    """Crumbs of the line, shape (n,), within the band of what shows without them: no island."""
    from scipy.spatial import cKDTree

    speck = np.zeros(len(code), dtype=bool)
    for part in enclosed:
        speck[part] = reading.space.area_mm2[part].sum() < LEAST_ISLAND_MM2
    line = line_to((code == Region.UNCUT) & ~speck, code, reading)
    if speck.any():
        speck[speck] = cKDTree(line).query(reading.points_mm[speck])[0] <= width_mm
    return speck


def _largest_of_each(area_mm2: Floats, body: Ints, label: Ints) -> set[int]:
    """The largest part of every body: beside a model that is a body of its own, the bridge's
    collars are no island either."""
    of_body = np.zeros(len(area_mm2), dtype=np.int64)
    of_body[label] = body
    part = np.flatnonzero(area_mm2 > 0)
    part = part[np.argsort(area_mm2[part], kind="stable")]
    return set(dict(zip(of_body[part].tolist(), part.tolist(), strict=True)).values())


def of_islands(code: Ints, reading: Reading, tolerance: float, paint: Ints | None) -> Bools:
    """What may belong to an island beside uncut surface, and would be a gap in it.

    It stands proud; or it is the wall by which that passes through the contour, and agrees with
    nothing; or a dip within it, too shallow to be a cut.
    """
    depth = reading.space.nearest_mm
    loose = code == Region.UNSORTED
    if paint is not None:
        loose = loose & (paint < 0)
    stands = loose & (-depth > tolerance) & (-depth <= OVER_REACH_MM)
    a, b = reading.edges[:, 0], reading.edges[:, 1]
    wall = np.zeros(len(code), dtype=bool)
    wall[b[stands[a]]] = wall[a[stands[b]]] = True
    wall &= loose & (np.abs(depth) <= tolerance)
    dip = loose & (depth > tolerance) & (depth < CUT_DEPTH_MM)
    dip &= reading.agreement >= AGREEING_COS
    found: Bools = stands | wall | dip
    return found


def _surroundings(
    uncut: Bools, cut: Bools, label: Ints, cut_label: Ints, edges: Ints, *, ends: Bools
) -> dict[int, int]:
    """Uncut parts that one cut area surrounds: part → that area; not where the scan `ends`."""
    both = np.concatenate([edges, edges[:, ::-1]])
    leaving = both[uncut[both[:, 0]] & (label[both[:, 0]] != label[both[:, 1]])]
    last = label[uncut & ends]
    part, beyond = np.concatenate([label[leaving[:, 0]], last]), leaving[:, 1]
    neighbour = np.r_[np.where(cut[beyond], cut_label[beyond], -1), np.full(len(last), -1)]
    pairs, count = np.unique(np.stack([part, neighbour], axis=1), axis=0, return_counts=True)
    border = np.bincount(part, minlength=len(uncut))
    around = (pairs[:, 1] >= 0) & (count >= _SURROUNDED_SHARE * border[pairs[:, 0]])
    return {int(p): int(n) for p, n in pairs[around]}


def is_bump(island: Ints, reading: Reading) -> bool:
    """Whether a part stands so far out of the contour, and so much of it, that no one meant it."""
    space = reading.space
    out, area = -space.nearest_mm[island], space.area_mm2[island]
    far = float(area @ (out >= _BUMP_MM))
    return far >= LEAST_ISLAND_MM2 and area @ (out > 0) > _BUMP_SHARE * area.sum()


def is_proud(island: Ints, reading: Reading, tolerance: float, least_mm2: float) -> bool:
    """Whether an island stands out of the contour: as it is, it is no metal stop."""
    space = reading.space
    out = -space.nearest_mm[island] > tolerance
    return bool(space.area_mm2[island] @ out >= least_mm2)
