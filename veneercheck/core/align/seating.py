"""Model and bridge are two bodies: does the bridge sit on its model as it did?

The model is large and would win every fit. So what lies near the cut, which only a bridge has, is
fitted on its own and compared with the rest.

Notes
-----
Model and bridge are compared on one fit where they agree. Two more fits to the end took as long as
the first. Choice: each part's own small step from the common fit; fits of their own only where the
bridge, searched alone, lies more than 20 µm elsewhere. Instead of: three fits always. Cost: a
difference below 20 µm is told from one linearisation; the thirty two-body cases hold.

Powder, sprayed on for the scan, lets each part seem to stand up on its own slopes: 15 µm of it
looked like 60. Choice: an even offset that both parts share is solved with them. Instead of: the
parts alone. Cost: where slopes all face one way, the difference is less certain, and says so.

A bridge that a die carries 0.06 mm up may rest on no more than 70 mm² of its own: along the way
that holds it least it is known to 38 µm, and 71 µm of difference were called no difference, of a
trusted pose 61 µm off. Choice: fits are compared way after way, each against its own uncertainty;
of two sound bridges no way differed by more than 2.7 of it, of that one two by 7 and 9.
Instead of: the largest difference against the largest uncertainty; or that uncertainty in every
pose, by which a sound bridge with 60 mm² of its own is held to 51 µm. Cost: what lies off along the
least certain way alone is neither told nor stated.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from veneercheck.core.align import polish
from veneercheck.core.align.options import AlignOptions
from veneercheck.core.align.pairs import Target
from veneercheck.core.align.polish import Body, Polished
from veneercheck.core.align.reference import (
    clearly_cut,
    contact_within_mm,
    grown,
    without_small_patches,
)
from veneercheck.core.align.solver import SURE, rows, solved
from veneercheck.core.align.trust import certainty, halves_mm, vertex_uncertainty
from veneercheck.core.align.weights import tukey
from veneercheck.core.mesh.motion import vector_from_rotation
from veneercheck.core.mesh.triangles import all_in
from veneercheck.core.types import Bools, Floats, RigidMotion

_NEAR_MM = 4.0
"""Uncut surface this near to the cut belongs to the bridge, mostly."""

_LEAST_MM2 = 15.0
"""Less uncut surface than this gives no fit of its own worth comparing."""

_BETTER_SHARE = 1.25
_BETTER_MM2 = 8.0
"""A pose of its own must bring so much more of the bridge into contact to be believed."""

_NOTICEABLE_MM = 0.02

_PROUD, _PROUD_MM = 1.5, 0.6
"""Uncut surface stands out from so many widths of contact on; a unit that did not go home by less
than the second."""

_PROUD_SPECK_MM2 = 0.5
_PROUD_MM2 = 4.0
_UNIT_MM = 9.0
"""So much of it makes a unit of about so many millimetres worth a fit of its own."""

_ALSO_MM2 = 4.0
"""Of what does not stand out so much more touches in the unit's own place."""

_LEAST_UNITS = 1.5
"""Shorter work is one unit, and has no rest to stand out of."""

_UNITS = 3
_STILL_PROUD_SHARE = 0.25
"""… and hardly any of it stands out there."""


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
    sure_mm : float
        What of the difference remains by the ways in which it is sure; NaN where unknown.
    """

    difference_mm: float = float("nan")
    u_mm: float = float("nan")
    own: Polished | None = None
    sure_mm: float = float("nan")


def compare(
    body: Body, target: Target, fit: Polished, options: AlignOptions, power_mm4: float
) -> Seating:
    """Fit near the cut and away from it, and compare.

    Parameters
    ----------
    fit : Polished
        Of all of the reference.
    power_mm4 : float
        Variance of its residual times the area of one independent reading.
    """
    surface, cut = body.surface, clearly_cut(body.surface, fit.seen.residual_mm)
    near = grown(surface, cut, _NEAR_MM)
    far = fit.seen.reference & ~near
    if not cut.any() or surface.area_mm2[far].sum() < _LEAST_MM2:
        return Seating()
    parted, proud_mm = _parted(body, fit, near, power_mm4)
    body = _lowered(body, proud_mm)
    bridge = confined(body, near)
    motion = polish.search_fit(bridge, target, fit.motion, polish.QUICK_POINTS)
    if _difference_mm(body, near, fit.motion, motion) <= _NOTICEABLE_MM:
        return parted
    return _fitted_apart(body, target, fit, options, near=near, motion=motion)


def risen_mm(body: Body, target: Target, fit: Polished, along: Floats) -> float:
    """How far a unit that stands up lies from where its uncut surface fits, NaN if none does.

    Parameters
    ----------
    along : ndarray, shape (3,)
        The bridge's longest axis in the wax-up's frame.

    Notes
    -----
    A unit that did not go home touches along its upright walls and stands out where it looks up;
    what is near the contour (`pattern`) does not show it from 0.15 mm on. Bumps of wax have no
    pose in which more of the unit touches; and where only what stands out would come to touch, as
    on a surface that was built too high, that is over contour and no more.
    """
    surface, seen = body.surface, fit.seen
    contact_mm = contact_within_mm(fit.noise_mm)
    bridge = (
        grown(surface, clearly_cut(surface, seen.residual_mm), _NEAR_MM) & body.allowed_vertices()
    )
    proud = _proud(body, seen, contact_mm) & bridge
    place = fit.motion.apply(surface.mesh.points_mm) @ along
    found = [math.nan]
    if not proud.any() or np.ptp(place[bridge]) < _LEAST_UNITS * _UNIT_MM:
        return math.nan
    for _ in range(_UNITS):
        area = np.where(proud, surface.area_mm2, 0.0)
        if area.sum() < _PROUD_MM2:
            break
        order = np.argsort(place)
        middle = place[order][np.searchsorted(np.cumsum(area[order]), 0.5 * area.sum())]
        unit = bridge & (np.abs(place - middle) <= 0.5 * _UNIT_MM)
        motion = polish.search_fit(confined(body, unit), target, fit.motion, polish.QUICK_POINTS)
        own = polish.look(body, target, motion, fit.noise_mm)
        before, after = (surface.area_mm2[one.contact & unit].sum() for one in (seen, own))
        rest = unit & ~proud
        also = surface.area_mm2[rest] @ (own.contact[rest] * 1.0 - seen.contact[rest])
        left = surface.area_mm2[_proud(body, own, contact_mm) & proud & unit].sum()
        home = left < _STILL_PROUD_SHARE * area[unit].sum()
        if home and also > _ALSO_MM2 and after > max(_BETTER_SHARE * before, before + _BETTER_MM2):
            way_mm = _difference_mm(body, unit & proud, fit.motion, motion)
            found += [way_mm] if way_mm < _PROUD_MM else []
        proud &= ~unit
    return float(np.nanmax(found)) if len(found) > 1 else math.nan


def _proud(body: Body, seen: polish.Seen, contact_mm: float) -> Bools:
    """Vertices that stand out of the contour, none of a speck."""
    residual = np.nan_to_num(seen.residual_mm)
    out = (residual > _PROUD * contact_mm) & (residual < _PROUD_MM)
    return without_small_patches(body.surface, out, _PROUD_SPECK_MM2)


def _lowered(body: Body, proud_mm: float) -> Body:
    """A body without what lies on it evenly."""
    mesh = body.surface.mesh
    points = mesh.points_mm - proud_mm * body.surface.normal
    lower = dataclasses.replace(body.surface, mesh=dataclasses.replace(mesh, points_mm=points))
    return dataclasses.replace(body, surface=lower)


def _parted(body: Body, fit: Polished, near: Bools, power_mm4: float) -> tuple[Seating, float]:
    """The same reference in two parts, each as it would move by itself from the common fit.

    Both may stand evenly out of the contour, by powder that was sprayed on for the scan.
    """
    seen, area = fit.seen, body.surface.area_mm2
    if area[seen.reference & near].sum() < _LEAST_MM2:
        return Seating(), 0.0
    part = seen.reference
    points = seen.motion.apply(body.surface.mesh.points_mm)
    centre = seen.motion.apply(body.centre_mm[None])[0]
    weight = np.zeros(len(area))
    for here in (part & near, part & ~near):
        weight[here] = tukey(seen.residual_mm[here], polish.FIT_WIDTH * fit.noise_mm) * area[here]
    unit = np.array([1 / body.radius_mm] * 3 + [1.0] * 3)
    each = rows(points[part], seen.normal[part], centre) * unit
    own = near[part][:, None]
    jacobian = np.concatenate([each * own, each * ~own, np.ones_like(own, dtype=float)], axis=1)
    value, covariance = solved(jacobian, seen.residual_mm[part], weight[part], area[part])
    lie = np.concatenate([np.diag(unit), -np.diag(unit), np.zeros((6, 1))], axis=1)
    apart, spread = lie @ value, lie @ covariance @ lie.T * power_mm4
    moved = points[near] - centre
    difference = np.linalg.norm(np.cross(apart[:3], moved) + apart[3:], axis=1).max()
    proud, u_proud = float(-value[12]), math.sqrt(covariance[12, 12] * power_mm4)
    seating = Seating(float(difference), vertex_uncertainty(spread, moved, np.zeros(3))[1])
    return seating, proud if abs(proud) > SURE * u_proud else 0.0


def _fitted_apart(
    body: Body,
    target: Target,
    fit: Polished,
    options: AlignOptions,
    *,
    near: Bools,
    motion: RigidMotion,
) -> Seating:
    """Two fits to the end, from where the bridge alone came to lie."""
    surface, half = body.surface, options.polish_points // 2
    own = polish.last_fit(confined(body, near), target, motion, fit.noise_mm, half)
    if own is None or own.area_mm2 < _LEAST_MM2:
        return Seating()
    difference = _difference_mm(body, near, fit.motion, own.motion)
    u_own, spread = _uncertainty(body, own)
    together = float(surface.area_mm2[fit.seen.reference & near].sum())
    better = own.area_mm2 > max(_BETTER_SHARE * together, together + _BETTER_MM2)
    if better and difference > _NOTICEABLE_MM:
        return Seating(difference, u_own, own)
    rest = polish.last_fit(confined(body, ~near), target, fit.motion, fit.noise_mm, half)
    if rest is None:
        return Seating()
    u_rest, of_rest = _uncertainty(body, rest)
    return Seating(
        _difference_mm(body, near, rest.motion, own.motion),
        float(np.hypot(u_own, u_rest)),
        sure_mm=_sure_mm(body, near, rest.motion, own.motion, spread + of_rest),
    )


def _uncertainty(body: Body, fit: Polished) -> tuple[float, Floats]:
    """By the residuals, or by how far fits on either half of the patches part, if that is more:
    standard uncertainty in mm at the farthest vertex, and the covariance of the motion."""
    sure = certainty(body, fit, 1.0)
    u_mm = max(sure.u_max_mm, 0.5 * halves_mm(body, fit, sure.centre_mm))
    return u_mm, sure.covariance * (u_mm / max(sure.u_max_mm, 1e-12)) ** 2


def _sure_mm(
    body: Body, near: Bools, first: RigidMotion, second: RigidMotion, covariance: Floats
) -> float:
    """Farthest way between two fits on the bridge in mm, by the motions that surely differ."""
    if not np.isfinite(covariance).all():
        return math.nan
    lever = np.array([body.radius_mm] * 3 + [1.0] * 3)
    centre = first.apply(body.centre_mm[None])[0]
    change = second.after(first.inverse())
    apart = [vector_from_rotation(change.rotation), change.apply(centre[None])[0] - centre]
    variance, ways = np.linalg.eigh(lever[:, None] * covariance * lever)
    each = ways.T @ (lever * np.concatenate(apart))
    sure = ways @ np.where(np.abs(each) > SURE * np.sqrt(np.maximum(variance, 0)), each, 0) / lever
    arm = first.apply(body.surface.mesh.points_mm[near]) - centre
    return float(np.linalg.norm(np.cross(sure[:3], arm) + sure[3:], axis=1).max())


def confined(body: Body, vertices: Bools) -> Body:
    """The body of which only some vertices, shape (n,), may be taken as uncut."""
    faces = body.surface.mesh.faces
    allowed = body.allowed & all_in(vertices, faces)
    return dataclasses.replace(
        body, allowed=np.asarray(allowed), may_touch=body.may_touch & vertices
    )


def _difference_mm(body: Body, near: Bools, first: RigidMotion, second: RigidMotion) -> float:
    points = body.surface.mesh.points_mm[near]
    return float(np.linalg.norm(first.apply(points) - second.apply(points), axis=1).max())
