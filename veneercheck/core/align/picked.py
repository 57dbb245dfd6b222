"""A start for the fit from places that somebody picked on both scans, and a first look at it.

Notes
-----
A hand shows where the fit begins, and nothing else. A body that fits in two ways is not better
known because somebody chose one of them. Choice: the pose that is near the places picked is taken,
and held against every other pose as any fit is; one that runs away from them is doubtful. Instead
of: no search from elsewhere, which is faster and keeps silent about the other pose. Cost: the time
of a search.
"""

from __future__ import annotations

import dataclasses

import numpy as np

from veneercheck.core.align import fit, polish, words
from veneercheck.core.align.options import AlignOptions
from veneercheck.core.align.pairs import Target
from veneercheck.core.align.polish import Body
from veneercheck.core.errors import MeshError, Told
from veneercheck.core.mesh.motion import best_motion
from veneercheck.core.mesh.nearest import NearestSurface
from veneercheck.core.mesh.triangles import face_normals
from veneercheck.core.types import (
    LOOSE,
    RIVALS,
    Alignment,
    AlignmentState,
    Floats,
    Point,
    RigidMotion,
    TriangleMesh,
)

PICKED_WITHIN_MM = 2.0
"""A place is picked by hand to about half a millimetre on either scan."""

_ON_SURFACE_MM = 0.5
"""A place picked on a scan lies on it; more than scans are smoothed, mended or thinned by."""

_SCANS = ("framework", "wax-up")


def start_of(
    framework: TriangleMesh, waxup: TriangleMesh, pairs_mm: tuple[tuple[Point, Point], ...]
) -> RigidMotion:
    """Where the fit starts: `waxup_from_framework` of the places picked.

    Parameters
    ----------
    framework, waxup : TriangleMesh
    pairs_mm : tuple
        Places picked on both, framework first, each in its own scan's frame.

    Raises
    ------
    MeshError
        If a place lies on neither scan's surface, the places lie on one line, or they cannot be
        laid on each other.
    """
    picked = np.array(pairs_mm, dtype=np.float64)
    for scan, mesh in enumerate((framework, waxup)):
        off = NearestSurface(mesh).query(picked[:, scan]).distance_mm
        worst = int(np.argmax(off))
        if not off[worst] <= _ON_SURFACE_MM:
            raise MeshError(
                Told(
                    "the place picked on the {scans} lies {off:.1f} mm off its surface.",
                    scans=Told(_SCANS[scan]),
                    off=off[worst],
                ),
                where=f"landmark {worst + 1}",
                next_step="Give it in mm, in that scan's own frame, and pick it anew.",
            )
    start = best_motion(picked[:, 0], picked[:, 1])
    apart = apart_mm(start, pairs_mm)
    worst = int(np.argmax(apart))
    if apart[worst] > PICKED_WITHIN_MM:
        raise MeshError(
            Told(
                "laid on each other as well as may be, its two places are {apart:.1f} mm apart.",
                apart=apart[worst],
            ),
            where=f"landmark {worst + 1}",
            next_step="Pick the same places on both scans, in the same order.",
        )
    return start


def apart_mm(motion: RigidMotion, pairs_mm: tuple[tuple[Point, Point], ...]) -> Floats:
    """How far the two places of each pair are apart in a pose, shape (n,)."""
    picked = np.array(pairs_mm, dtype=np.float64)
    gap: Floats = np.linalg.norm(motion.apply(picked[:, 0]) - picked[:, 1], axis=1)
    return gap


def held(alignment: Alignment, pairs_mm: tuple[tuple[Point, Point], ...]) -> Alignment:
    """The alignment, doubtful where it has left the places picked."""
    apart = float(apart_mm(alignment.waxup_from_framework, pairs_mm).max())
    if apart <= PICKED_WITHIN_MM:
        return alignment
    state = alignment.state
    if state is AlignmentState.TRUSTED:
        state = AlignmentState.DOUBTFUL
    reasons = (words.left_picked(apart), *alignment.reasons)
    return dataclasses.replace(alignment, state=state, reasons=reasons)


_OF_TOO_LITTLE = (*LOOSE, "too_little", "no_contact", "crossing_only", *RIVALS)
"""Reasons that more uncut surface, or the right one, could do away with."""


def by_paint(alignment: Alignment) -> Alignment:
    """The alignment on a painted reference; where it is in doubt, that is to be seen first."""
    if not alignment.reasons or any(why.code not in _OF_TOO_LITTLE for why in alignment.reasons):
        return alignment
    return dataclasses.replace(alignment, reasons=(words.PAINTED, *alignment.reasons))


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Bodies:
    """Two scans made ready once, to be laid on each other again and again."""

    framework: TriangleMesh
    waxup: TriangleMesh
    body: Body
    target: Target

    @staticmethod
    def of(framework: TriangleMesh, waxup: TriangleMesh) -> Bodies:
        """Smooth both, build trees and normals."""
        return Bodies(framework, waxup, *fit.prepared(framework, waxup, AlignOptions(), None))


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Laid:
    """A first look at where the places picked lead: nothing is judged, no other pose searched.

    Parameters
    ----------
    waxup_from_framework : RigidMotion
        Where the fit from the places picked comes to rest.
    apart_mm : ndarray, shape (n,)
        Of the two places of each pair, laid on each other as well as may be, before the fit.
    touching_mm2, outside_mm2 : float
        Framework area that lies on the contour, and that stands outside it.
    outside_mm : ndarray, shape (m,)
        How far each framework vertex stands outside the contour; negative under it.
    """

    waxup_from_framework: RigidMotion
    apart_mm: Floats
    touching_mm2: float
    outside_mm2: float
    outside_mm: Floats


def lay(bodies: Bodies, pairs_mm: tuple[tuple[Point, Point], ...]) -> Laid:
    """Fit quickly from the places picked.

    Raises
    ------
    MeshError
        If the places are refused (`start_of`).
    """
    start = start_of(bodies.framework, bodies.waxup, pairs_mm)
    body, target = bodies.body, bodies.target
    motion = polish.search_fit(body, target, start, polish.QUICK_POINTS)
    quality = polish.judge(body, target, motion)
    points = motion.apply(bodies.framework.points_mm)
    near = NearestSurface(bodies.waxup).query(points)
    way = points - near.point_mm
    outward = np.einsum("ij,ij->i", way, face_normals(bodies.waxup)[near.face])
    return Laid(
        motion,
        apart_mm(start, pairs_mm),
        quality.contact_mm2,
        quality.outside_mm2,
        np.where(outward > 0, near.distance_mm, -near.distance_mm),
    )
