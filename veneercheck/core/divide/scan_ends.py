"""Where a scan ends short of full depth: the veneer may run out to a line that it does not show."""

from __future__ import annotations

import numpy as np

from veneercheck.core.measure.space import Reading
from veneercheck.core.mesh.triangles import border_vertices, components, unique_edges
from veneercheck.core.types import Bools, Floats, Ints, Limits, Region, TriangleMesh

_ON_RIM_MM = 0.15
"""Contour so near to its scan's rim lies on it: half an edge of a usual scan."""


def run_outs(framework: TriangleMesh, code: Ints, reading: Reading, limits: Limits) -> Floats:
    """Points on the contour, shape (k, 3), over cut vertices at which the framework's scan ends
    short of full depth, on a rim that crosses the finish line.

    A rim all within the cut is a hole of the scan, where nothing runs out.
    """
    rim = border_vertices(framework)
    label = components(len(rim), reading.edges[rim[reading.edges].all(axis=1)])
    crosses = np.zeros(len(rim), dtype=bool)
    crosses[label[rim & (code == Region.UNCUT)]] = True
    ends = rim & crosses[label] & _is_short(code, reading, limits)
    found: Floats = reading.space.contour_mm[ends]
    return found


def under_a_rim(code: Ints, reading: Reading, limits: Limits) -> Bools:
    """Cut vertices short of full depth, shape (n,), whose contour lies on a rim of the wax-up that
    uncut surface meets as well: whether the veneer runs out there, its scan does not show."""
    from scipy.spatial import cKDTree

    outer, uncut = reading.contour.outer.mesh, code == Region.UNCUT
    edges, _, uses = unique_edges(outer.faces)
    rim = edges[uses == 1]
    found = np.zeros(len(code), dtype=bool)
    asked = np.flatnonzero(
        (_is_short(code, reading, limits) | uncut) & np.isfinite(reading.space.contour_mm[:, 0])
    )
    if not len(rim) or not len(asked):
        return found
    label, place = components(len(outer.points_mm), rim), np.unique(rim)
    away, which = cKDTree(outer.points_mm[place]).query(
        reading.space.contour_mm[asked], distance_upper_bound=_ON_RIM_MM
    )
    on = np.isfinite(away)
    asked, loop = asked[on], label[place[which[on]]]
    found[asked[np.isin(loop, loop[uncut[asked]])]] = True
    found &= ~uncut
    return found


def _is_short(code: Ints, reading: Reading, limits: Limits) -> Bools:
    short = reading.space.nearest_mm < limits.layer.least_mm + limits.taken_mm
    return np.asarray(short & (code == Region.CUT))
