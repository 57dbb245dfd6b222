"""What looks like cut surface and is not the work's: putty, gum or a model, lower in one scan.

Notes
-----
Where a work stands in putty that lies lower in the framework's scan than in the wax-up's, the putty
is some tenths of a millimetre under a contour that faces the same way: by depth alone a cut, too
thin throughout. Choice: cut surface that no other cut surface borders, of which hardly any is cut
to full depth, that goes on to the end of its scan, and over which the contour leans out of what is
uncut beside it, as a table does of the wall that stands on it, is left out and asked about. Instead
of: a shape of its own, which putty has none; or the end of the scan alone, where a veneer without a
collar ends as well; or the groove alone, which lies between a full crown and the gum, too. Cost:
putty that reaches the veneer itself, or lies lower by a full layer, is still taken for cut; and a
full crown beside others, all of it cut too thin, whose scan ends in the gum, is asked about only.
"""

from __future__ import annotations

import numpy as np

from veneercheck.core.measure.space import Reading
from veneercheck.core.mesh.triangles import components, row_dot
from veneercheck.core.types import Bools, Floats, Ints, Limits, Region

_BESIDE_MM = 1.0
"""So far to both sides of where it meets the work the contour is looked at."""

_GROOVE = 0.35
"""Normals that lean together by more than this, over lengths of that, meet in a groove: no tooth
has so deep a hollow, of 3 mm radius, all along the edge of a cut."""

_SAMPLE = 4000
"""Vertices on either side that are looked at: some tenths of a millimetre apart."""


def holders(code: Ints, reading: Reading, limits: Limits, *, ends: Bools) -> tuple[Ints, ...]:
    """Vertices of each part coded as cut that is putty, gum or model, the largest first.

    Parameters
    ----------
    code : ndarray of int64, shape (n,)
        `Region` of every vertex.
    reading : Reading
    limits : Limits
        The least layer, and what opaquer and beads take: full depth.
    ends : ndarray of bool, shape (n,)
        Vertices on the outer edge of the framework's scan.
    """
    space, edges = reading.space, reading.edges
    cut = code == Region.CUT
    label = components(len(code), edges[cut[edges].all(axis=1)])
    area = np.bincount(label, space.area_mm2 * cut)
    full = cut & (space.nearest_mm >= limits.layer.least_mm + limits.taken_mm)
    none_full = np.bincount(label, space.area_mm2 * full) < limits.smallest_zone_mm2
    leads = np.zeros(len(area), dtype=bool)
    leads[label[ends]] = True
    asked = set(np.flatnonzero((area > 0) & none_full & leads).tolist()) - {int(area.argmax())}
    parts = [np.flatnonzero(cut & (label == one)) for one in sorted(asked, key=lambda k: -area[k])]
    uncut = np.flatnonzero((code == Region.UNCUT) & np.isfinite(space.contour_mm[:, 0]))
    return tuple(part for part in parts if _leans_out(part, uncut, reading))


def _leans_out(part: Ints, uncut: Ints, reading: Reading) -> bool:
    """Whether the contour over a part meets that over uncut surface beside it in a groove."""
    from scipy.spatial import cKDTree

    place = reading.space.contour_mm
    part = part[np.isfinite(place[part, 0])]
    if not len(part) or not len(uncut):
        return False
    part = part[cKDTree(place[uncut]).query(place[part])[0] <= _BESIDE_MM]
    if not len(part):
        return False
    uncut = uncut[cKDTree(place[part]).query(place[uncut])[0] <= _BESIDE_MM]
    part, uncut = (side[:: max(1, len(side) // _SAMPLE)] for side in (part, uncut))
    near = cKDTree(place[part]).sparse_distance_matrix(
        cKDTree(place[uncut]), _BESIDE_MM, output_type="coo_matrix"
    )
    one, other, apart = part[near.row], uncut[near.col], near.data
    normals = reading.contour.outer.normals
    turn = _normals(other, normals, reading) - _normals(one, normals, reading)
    bend = row_dot(turn, place[other] - place[one]) / np.maximum(apart, 1e-9)
    weight = reading.space.area_mm2[one] * reading.space.area_mm2[other] * (apart > 0)
    return bool(weight @ bend < -_GROOVE * weight.sum())


def _normals(vertices: Ints, normals: Floats, reading: Reading) -> Floats:
    """Of the contour, where vertices have their nearest contour, shape (k, 3)."""
    found: Floats = normals[reading.contour.nearest_vertex(reading.space.contour_mm[vertices])]
    return found
