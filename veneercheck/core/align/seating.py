"""Model and bridge are two bodies: does the bridge sit on its model as it did?

The model is large and would win every fit. So what lies near the cut, which only a bridge has, is
fitted on its own and compared with the rest.
"""

from __future__ import annotations

import dataclasses

import numpy as np

from veneercheck.core.align import polish
from veneercheck.core.align.options import AlignOptions
from veneercheck.core.align.pairs import Target
from veneercheck.core.align.polish import Body, Polished
from veneercheck.core.align.reference import grown, without_small_patches
from veneercheck.core.align.trust import certainty
from veneercheck.core.types import Bools, RigidMotion

_CUT_MM = 0.3
_CUT_MM2 = 1.0
"""Deeper than this over so much surface is cut."""

_NEAR_MM = 4.0
"""Uncut surface this near to the cut belongs to the bridge, mostly."""

_LEAST_MM2 = 15.0
"""Less uncut surface than this gives no fit of its own worth comparing."""

_BETTER_SHARE = 1.25
_BETTER_MM2 = 8.0
"""A pose of its own must bring so much more of the bridge into contact to be believed."""

_NOTICEABLE_MM = 0.02


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Seating:
    """The bridge fitted on its own.

    Parameters
    ----------
    difference_mm : float
        Farthest way between the two fits on the bridge; NaN where they cannot be compared.
    u_mm : float
        Standard uncertainty of that difference, at most.
    own : Polished or None
        The bridge's own fit where it differs and is the better one for the bridge.
    """

    difference_mm: float = float("nan")
    u_mm: float = float("nan")
    own: Polished | None = None


def compare(body: Body, target: Target, fit: Polished, options: AlignOptions) -> Seating:
    """Fit near the cut and away from it, and compare."""
    surface, residual = body.surface, fit.seen.residual_mm
    cut = without_small_patches(surface, np.nan_to_num(residual) < -_CUT_MM, _CUT_MM2)
    near = grown(surface, cut, _NEAR_MM)
    far = fit.seen.reference & ~near
    if not cut.any() or surface.area_mm2[far].sum() < _LEAST_MM2:
        return Seating()
    bridge = _confined(body, near)
    motion = polish.search_fit(bridge, target, fit.motion, polish.QUICK_POINTS)
    own = polish.last_fit(bridge, target, motion, fit.noise_mm, options.polish_points // 2)
    if own is None or own.area_mm2 < _LEAST_MM2:
        return Seating()
    difference = _difference_mm(body, near, fit.motion, own.motion)
    u_own = certainty(body, own, 1.0).u_max_mm
    together = float(surface.area_mm2[fit.seen.reference & near].sum())
    better = own.area_mm2 > max(_BETTER_SHARE * together, together + _BETTER_MM2)
    if better and difference > _NOTICEABLE_MM:
        return Seating(difference, u_own, own)
    rest = polish.last_fit(
        _confined(body, ~near), target, fit.motion, fit.noise_mm, options.polish_points // 2
    )
    if rest is None:
        return Seating()
    u_mm = float(np.hypot(u_own, certainty(body, rest, 1.0).u_max_mm))
    return Seating(_difference_mm(body, near, rest.motion, own.motion), u_mm)


def _confined(body: Body, vertices: Bools) -> Body:
    faces = body.surface.mesh.faces
    allowed = body.allowed & vertices[faces].all(axis=1)
    return dataclasses.replace(
        body, allowed=np.asarray(allowed), may_touch=body.may_touch & vertices
    )


def _difference_mm(body: Body, near: Bools, first: RigidMotion, second: RigidMotion) -> float:
    points = body.surface.mesh.points_mm[near]
    return float(np.linalg.norm(first.apply(points) - second.apply(points), axis=1).max())
