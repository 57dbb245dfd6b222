"""Whether framework and wax-up were given the wrong way round."""

from __future__ import annotations

import dataclasses

import numpy as np

from veneercheck.core.align import words
from veneercheck.core.align.alignment import align, graver
from veneercheck.core.mesh.triangles import row_dot, unit
from veneercheck.core.types import Alignment, AlignmentState, Floats, TriangleMesh

_PROBES = 192
"""Framework points compared with the wax-up: enough that a tenth of the surface shows in 19."""

_TARGETS = 20_000
"""Triangles of the wax-up that they are compared with: about 0.3 mm apart on a bridge."""

_NEAR_MM = 3.0
"""Farther from the other scan a point says nothing: no veneer is deeper."""

_UNCUT_MM = 0.15
"""Within this the two surfaces count as one: noise and the spacing of the points together."""

_CUT_MM = 0.3
"""From here on a point was cut back, or stands out."""

_SHARED_FRAME = 0.25
"""Share of points that lie on the other scan, without which no pose is believed here but a sure
one: much may be cut."""

_STANDS_OUT = 0.05
"""Share of points outside the wax-up from which the two were likely exchanged."""

_OUT_OF_ALL_MOVED = 0.6
"""Of the points that do not lie on the wax-up, share outside it: of 350 bridges with faults, models
and sprues at most 0.3 given rightly; given wrongly at least that where one scan shows more of the
work than the other, else 0.7 to 1."""

_SURE = (AlignmentState.TRUSTED, AlignmentState.GIVEN)


def doubted(found: Alignment, framework: TriangleMesh, waxup: TriangleMesh) -> Alignment:
    """The same pose, doubtful where the framework stands outside as a wax-up would.

    Every amount would be told of the wrong surface. Where no pose was found, one is looked for with
    the two exchanged: a cut lies inside what it was cut from, and so an alignment looks for it.
    """
    pose, state = found.waxup_from_framework, found.state
    if state is AlignmentState.FAILED:
        exchanged = align(waxup, framework)
        pose, state = exchanged.waxup_from_framework.inverse(), exchanged.state
    if state is AlignmentState.FAILED:
        return found
    offset = _offsets(pose.apply(framework.points_mm), waxup)
    near = offset[np.isfinite(offset)]
    on_it = int((np.abs(near) <= _UNCUT_MM).sum())
    out, inside = int((near > _CUT_MM).sum()), int((near < -_CUT_MM).sum())
    if state not in _SURE and on_it < _SHARED_FRAME * _PROBES:
        return found
    if out < max(_STANDS_OUT * _PROBES, _OUT_OF_ALL_MOVED * (out + inside)):
        return found
    state = graver(found.state, AlignmentState.DOUBTFUL)
    return dataclasses.replace(found, state=state, reasons=(words.SWAPPED, *found.reasons))


def _offsets(points_mm: Floats, waxup: TriangleMesh) -> Floats:
    """Signed distance of some framework points from the wax-up, positive outside.

    Taken to the plane of the triangle whose middle is nearest; NaN beyond reach.
    """
    probes = points_mm[np.arange(_PROBES) * len(points_mm) // _PROBES]
    step = max(1, len(waxup.faces) // _TARGETS)
    corners = waxup.points_mm[waxup.faces[::step]]
    middles = corners.mean(axis=1)
    origin = middles.mean(axis=0)
    a, b = (probes - origin).astype(np.float32), (middles - origin).astype(np.float32)
    nearest = np.argmin(row_dot(b, b)[None, :] - 2.0 * (a @ b.T), axis=1)
    span = probes - middles[nearest]
    one, other = (corners[nearest, k] - corners[nearest, 0] for k in (1, 2))
    far = row_dot(span, span) > _NEAR_MM**2
    return np.where(far, np.nan, row_dot(span, unit(np.cross(one, other))))
