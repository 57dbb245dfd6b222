"""Whether framework and wax-up were given the wrong way round, or one of them was mirrored."""

from __future__ import annotations

import dataclasses

import numpy as np

from veneercheck.core.align import words
from veneercheck.core.align.alignment import align, graver
from veneercheck.core.mesh.nearest import NearestPoints
from veneercheck.core.mesh.triangles import (
    border_vertices,
    row_dot,
    unit,
    vertex_areas,
    vertex_normals,
)
from veneercheck.core.types import (
    Alignment,
    AlignmentState,
    Bools,
    Floats,
    RigidMotion,
    TriangleMesh,
)

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

_OUT_OF_ALL_MOVED = 0.35
"""Of the points that do not lie on the wax-up, share outside it and facing alike: of 180 bridges at
most 0.18 given rightly and 0.40 or more given wrongly, half of them 1."""

_VENEER_MM = 0.6
"""The middle one of those points stands out by this or more, as over a cut; a contour that was
waxed too high, less. Of those given wrongly 0.9 or more."""

_ALIKE_COS = 0.7
"""Points of a sprue or a model do not face as the wax-up beside them does."""

_MORE = 1.2
"""So much more of a mirror image touches: what is symmetric itself, and doubted for another cause,
touches as much either way."""

_SURE = (AlignmentState.TRUSTED, AlignmentState.GIVEN)


def doubted(found: Alignment, framework: TriangleMesh, waxup: TriangleMesh) -> Alignment:
    """The same pose, doubtful where the framework stands outside as a wax-up would.

    Every amount would be told of the wrong surface. Where no pose was found, one is looked for with
    the two exchanged: a cut lies inside what it was cut from, and so an alignment looks for it.
    Where none was, or parts disagree, the framework's mirror image is laid on the wax-up, as a
    program that turns an axis over saves it.
    """
    if _fits_mirrored(found, framework, waxup):
        return dataclasses.replace(found, reasons=(words.MIRRORED, *found.reasons))
    pose, state = found.waxup_from_framework, found.state
    if state is AlignmentState.FAILED:
        exchanged = align(waxup, framework)
        pose, state = exchanged.waxup_from_framework.inverse(), exchanged.state
    if state is AlignmentState.FAILED:
        return found
    away, out = _offsets(framework, pose, waxup)
    near = np.isfinite(away)
    on_it, inside = int((np.abs(away) <= _UNCUT_MM).sum()), int((away < -_CUT_MM).sum())
    if state not in _SURE and on_it < _SHARED_FRAME * _PROBES:
        return found
    if out.sum() < max(_STANDS_OUT * near.sum(), 1.0, _OUT_OF_ALL_MOVED * (out.sum() + inside)):
        return found
    if np.median(away[out]) < _VENEER_MM:
        return found
    state = graver(found.state, AlignmentState.DOUBTFUL)
    return dataclasses.replace(found, state=state, reasons=(words.SWAPPED, *found.reasons))


def _fits_mirrored(found: Alignment, framework: TriangleMesh, waxup: TriangleMesh) -> bool:
    """Whether the mirror image is trusted, and by more surface, where the framework as it is was
    not."""
    if found.state in _SURE:
        return False
    image = TriangleMesh(framework.points_mm * [-1.0, 1.0, 1.0], framework.faces[:, ::-1])
    other, touching = align(image, waxup), np.nan_to_num(found.reference_area_mm2)
    more = other.reference_area_mm2 > _MORE * touching
    return bool(other.state is AlignmentState.TRUSTED and more)


def _offsets(
    framework: TriangleMesh, pose: RigidMotion, waxup: TriangleMesh
) -> tuple[Floats, Bools]:
    """Signed distance of some framework points from the wax-up, positive outside; and which of
    them stand out of it and face as it does there.

    The points stand for equal areas. The distance is that to the plane of the triangle whose
    middle is nearest; NaN beyond reach, and where the wax-up's scan ends.
    """
    area = np.cumsum(vertex_areas(framework))
    chosen = np.searchsorted(area, (np.arange(_PROBES) + 0.5) / _PROBES * area[-1])
    probes = pose.apply(framework.points_mm[chosen])
    faces = waxup.faces[:: max(1, len(waxup.faces) // _TARGETS)]
    corners = waxup.points_mm[faces]
    middles = corners.mean(axis=1)
    nearest = NearestPoints(middles).query(probes)[1]
    span = probes - middles[nearest]
    one, other = (corners[nearest, k] - corners[nearest, 0] for k in (1, 2))
    normal = unit(np.cross(one, other))
    away = np.where(row_dot(span, span) > _NEAR_MM**2, np.nan, row_dot(span, normal))
    if not (away > _CUT_MM).any():  # as nearly always: the rest costs more than all before
        return away, np.zeros(_PROBES, dtype=bool)
    away[border_vertices(waxup)[faces[nearest]].any(axis=1)] = np.nan
    facing = pose.turn(vertex_normals(framework)[chosen])
    return away, (away > _CUT_MM) & (row_dot(facing, normal) > _ALIKE_COS)
