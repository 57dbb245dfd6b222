"""The finish line: where the cut ends on the contour, and how far from there places lie.

Notes
-----
Distance from the finish line is the smaller of two. Choice: along the contour from the foot of the
nearest point, and of the point itself as seen square to the contour at the line: under a wall that
leans back the foot lies far from the line though the wall does not. Cost: none found.
"""

from __future__ import annotations

import numpy as np

from veneercheck.core.measure.space import Reading
from veneercheck.core.mesh.pieces import large_parts
from veneercheck.core.mesh.triangles import parts_in
from veneercheck.core.types import Bools, Floats, Ints, Region

_ONE_SIDE, _RIDGE_MM2 = 0.75, 1.5
"""Of what stands out and is larger, no more of the border is cut, or it is a ridge amid the cut;
remnants at sharp margins of one body were up to 1.2 mm² large."""

_UNDER_LINE_MM, _LINE_POINTS = 2.0, 8
"""A vertex is held against so many points of the line, the nearest ones, and none farther."""


def collar(code: Ints, proud: Bools, reading: Reading, least_mm2: float) -> Bools:
    """What lies beyond a finish line, shape (n,): uncut, or proud by remnants or a rounded rim.

    Cut to a sharp margin, the veneer ends there, and is not short by a whole layer. A ridge with
    cut on both its sides ends none. Cost: at a true fault that stands out at the margin it ends,
    too, and at a ridge no larger than a remnant.

    Parameters
    ----------
    proud : ndarray of bool, shape (n,)
        What stands out of the contour.
    least_mm2 : float
        Smaller crumbs end nothing.
    """
    uncut = code == Region.UNCUT
    proud = proud & ~uncut
    label = parts_in(proud, reading.edges)
    both = np.concatenate([reading.edges, reading.edges[:, ::-1]])
    leaving = both[proud[both[:, 0]] & ~proud[both[:, 1]]]
    border, on_cut = (
        np.bincount(label[leaving[some, 0]], minlength=len(code))
        for some in (slice(None), code[leaving[:, 1]] == Region.CUT)
    )
    area = np.bincount(label, reading.space.area_mm2 * proud, minlength=len(code))
    ridge = (area > _RIDGE_MM2) & (on_cut > _ONE_SIDE * border)
    found = uncut | (proud & ~ridge[label])
    large = large_parts(found, reading.edges, reading.space.area_mm2, least_mm2)
    return np.asarray(uncut | large)


def line_to(beyond: Bools, code: Ints, reading: Reading) -> Floats:
    """Points on the contour where the cut meets what lies `beyond`, shape (k, 3)."""
    cut = code == Region.CUT
    a, b = reading.edges[:, 0], reading.edges[:, 1]
    crossing = (cut[a] & beyond[b]) | (cut[b] & beyond[a])
    line = 0.5 * (reading.space.contour_mm[a[crossing]] + reading.space.contour_mm[b[crossing]])
    return np.asarray(line[np.isfinite(line[:, 0])])


def distance_on_contour(code: Ints, reading: Reading, line: Floats, width_mm: float) -> Floats:
    """Distance of cut vertices from a line on the contour, along the contour, shape (n,).

    Straight distance between points of the contour, which over less than a millimetre differs
    from the way along it by less than the mesh can tell; infinite where it exceeds `width_mm`.
    Under a wall that leans back, the contour that a vertex sees lies farther from the line than
    the vertex itself, as seen square to the contour there: the smaller counts.
    """
    from scipy.spatial import cKDTree

    distance = np.full(len(code), np.inf)
    cut = np.flatnonzero(code == Region.CUT)
    asked = cut[np.isfinite(reading.space.contour_mm[cut, 0])]
    if len(line) and len(asked):
        distance[asked], _ = cKDTree(line).query(
            reading.space.contour_mm[asked], distance_upper_bound=width_mm
        )
        beside = _beside(reading.points_mm[cut], line, reading)
        distance[cut] = np.fmin(distance[cut], np.where(beside <= width_mm, beside, np.inf))
    return distance


def _beside(points_mm: Floats, line: Floats, reading: Reading) -> Floats:
    """Distance from the line as seen square to the contour there; infinite far from it, mm."""
    from scipy.spatial import cKDTree

    outward = reading.contour.outer.normals[reading.contour.nearest_vertex(line)]
    count = min(_LINE_POINTS, len(line))
    far, which = cKDTree(line).query(points_mm, k=count, distance_upper_bound=_UNDER_LINE_MM)
    far, which = far.reshape(-1, count), which.reshape(-1, count)
    known = np.isfinite(far)
    which = np.where(known, which, 0)
    gap = points_mm[:, None, :] - line[which]
    depth = np.einsum("ijk,ijk->ij", gap, outward[which])
    aside = np.sqrt(np.maximum(far**2 - depth**2, 0.0), where=known, out=np.full(far.shape, np.inf))
    found: Floats = aside.min(axis=1)
    return found
