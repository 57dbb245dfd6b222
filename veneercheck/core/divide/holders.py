"""Putty, gum or a model, lower or higher in one scan than in the other: not the work's.

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

Putty in which the framework stood, above the gum or the putty of the other scan, was told as over
contour by up to 0.9 mm, 7 mm below the finish line. Choice: what stands out where the scans end,
and neither borders on what lies on or under the contour as the work does nor stands on it by a
wall, is left out and asked about. Instead of: how far it stands out, which a slip of the knife may,
too; or leaving it out in silence, when steep lumps at an end went with it. Cost: where a crevice
between putty and work is shallower than a veneer is thick it is told as over contour, and a boss
with upright walls at the very end of a scan is asked about.
"""

from __future__ import annotations

import numpy as np

from veneercheck.core.divide.scan_ends import HOLE_MM
from veneercheck.core.measure.both_ways import AGREEING_COS, COVERED_MM, OVER_REACH_MM
from veneercheck.core.measure.space import Reading
from veneercheck.core.mesh.pieces import grown, long_rims
from veneercheck.core.mesh.triangles import parts_in, row_dot
from veneercheck.core.types import Bools, Floats, Ints, Limits, Region, TriangleMesh

_BESIDE_MM = 1.0
"""So far to both sides of where it meets the work the contour is looked at."""

_GROOVE = 0.35
"""Normals that lean together by more than this, over lengths of that, meet in a groove: no tooth
has so deep a hollow, of 3 mm radius, all along the edge of a cut."""

_BORDERS, _STANDS = 0.1, 0.25
"""Of its border more is on the work where a bump rises gently; of that of its steep walls, which
face otherwise than the contour, even more. Putty borders on its end and on what nothing shows."""

_LEAST_MM2 = 0.1
"""Of less nothing is told."""

_SAMPLE = 4000
"""Vertices on either side that are looked at: some tenths of a millimetre apart."""


def lying_lower(code: Ints, reading: Reading, limits: Limits, *, ends: Bools) -> tuple[Ints, ...]:
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
    label = parts_in(cut, edges)
    area = np.bincount(label, space.area_mm2 * cut)
    full = cut & (space.nearest_mm >= limits.layer.least_mm + limits.taken_mm)
    none_full = np.bincount(label, space.area_mm2 * full) < limits.smallest_zone_mm2
    leads = np.zeros(len(area), dtype=bool)
    leads[label[ends]] = True
    asked = set(np.flatnonzero((area > 0) & none_full & leads).tolist()) - {int(area.argmax())}
    parts = [np.flatnonzero(cut & (label == one)) for one in sorted(asked, key=lambda k: -area[k])]
    uncut = np.flatnonzero((code == Region.UNCUT) & np.isfinite(space.contour_mm[:, 0]))
    return tuple(part for part in parts if _leans_out(part, uncut, reading))


def standing_higher(framework: TriangleMesh, reading: Reading, out: Bools) -> tuple[Ints, ...]:
    """Vertices of each part that stands `out` where the scans end and is parted from the work, the
    largest first: putty, gum or model.

    Parameters
    ----------
    framework : TriangleMesh
        In the wax-up's frame.
    reading : Reading
    out : ndarray of bool, shape (n,)
        What stands out of the contour.
    """
    space, edges = reading.space, reading.edges
    alike = reading.agreement >= AGREEING_COS
    proud = out & alike & (space.nearest_mm >= -OVER_REACH_MM)
    if not proud.any():
        return ()
    work = alike & ~out & (space.nearest_mm <= COVERED_MM)
    unread = np.isnan(space.nearest_mm)
    ends = long_rims(reading.on_rim, framework.points_mm, edges, HOLE_MM)
    beyond = grown(ends, unread, edges)
    label = parts_in(proud, edges)
    both = np.concatenate([edges, edges[:, ::-1]])

    def border(of: Bools, label: Ints, *where: Bools) -> list[Floats]:
        """Sides that leave `of`, by part: all of them, and those that lead to each of `where`."""
        part, beside = both[of[both[:, 0]] & ~of[both[:, 1]]].T
        counted = [np.ones(len(part))] + [one[beside].astype(float) for one in where]
        return [np.bincount(label[part], weight, len(of)).astype(float) for weight in counted]

    sides, on_work, at_end = border(proud, label, work, beyond)
    at_end += np.bincount(label, proud & beyond, len(out))
    # Down its walls: what stands on the cut is the work's, what a crevice parts from it is none.
    wall = ~alike & ~out & ((space.nearest_mm <= COVERED_MM) | (unread & ~beyond))
    risen = proud | (wall & grown(proud, wall, edges))
    foot = parts_in(risen, edges)
    all_round, on_foot = (count[foot] for count in border(risen, foot, work))
    stands = np.zeros(len(out), dtype=bool)
    stands[label[proud & (on_foot > _STANDS * all_round)]] = True
    area = np.bincount(label, space.area_mm2 * proud, len(out))
    kept = (area >= _LEAST_MM2) & (at_end > 0) & (on_work <= _BORDERS * sides) & ~stands
    return tuple(
        np.flatnonzero(grown(proud & (label == one), space.nearest_mm < 0, edges))
        for one in sorted(np.flatnonzero(kept), key=lambda k: -area[k])
    )


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
