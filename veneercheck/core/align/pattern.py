"""What a rigid fit leaves over: another size, a bow, a part that lies otherwise than the rest.

All of it is measured beside the fit and told; none of it is ever applied to the pose.

Notes
-----
Size and bow are read from the surface through the vertices. Scans are thinned where they are flat,
and a facet lies inside a round contour by up to some 20 µm: seven of 32 sound bridges were told to
be larger than their wax-up, or bent. Choice: the residual less what the contour bulges over its
facets, and an uncertainty that holds how far the answer changes where a patch of 3 mm is left out.
Instead of: the residuals as if they were independent. Cost: the bulge is guessed from normals,
which are rough on long facets; so it is kept out of the fit, which it made twice as far off.

Powder, sprayed on for the scan, makes a body evenly proud, and a round one looks larger: 15 µm of
it, 0.3 %. Choice: the size beside an even offset; where the two look alike and the size alone moves
the surface by less than is told of a part, nothing is said of it. Instead of: the size alone. Cost:
a single crown may be 0.5 % larger without a word; its layer is then wrong by some 0.02 mm.

Shrinkage of 0.2 % moves the end of a long bridge by 50 µm, and was told as a die not seated as
well. Choice: parts are measured beside a size that is sure, and that is sure only if it stays
where unit after unit is left out. Instead of: parts against the rigid fit; or never beside a size.
Cost: an end that lies off along the arch alone looks partly like a size, and both may be told.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from veneercheck.core.align.askew import parts_off, scattered_mm
from veneercheck.core.align.patches import SIZE, Shown, solved
from veneercheck.core.align.polish import Body, Polished
from veneercheck.core.align.reference import contact_within_mm, grown, without_small_patches
from veneercheck.core.align.solver import SURE
from veneercheck.core.types import Bools, Floats

_NEAR_MM = 0.15
"""A displaced collar or a sprung span lies within this of the contour, a cut does not."""

_CUT_MM = 0.25
_AWAY_MM = 0.6
"""Distance kept from what was cut: the foot of a chamfer lies within `_NEAR_MM` too."""

_SMALLEST_PATCH_MM2 = 0.5

_SPAN_MM = 14.0
"""Shorter bodies have no span that could bow."""

_LIKE_OFFSET, _MOST_OF = 3.0, 0.95
"""Size and even offset are not told apart within so many standard uncertainties; a size is held
against the movement that nearly all of the surface stays below."""

_SOME = 100
"""So many points of a part tell which unit it is of."""

_OF_THE_CUT_MM = 4.0
"""Uncut surface this near to the cut belongs to the work, mostly."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Pattern:
    """What the residual shows beyond noise, each with its standard uncertainty; NaN if unknown.

    Parameters
    ----------
    scale, scale_u : float
        Size of the framework over that of the wax-up.
    bow_mm, bow_u_mm : float
        Middle of the span against its ends.
    part_mm, part_u_mm : float
        Largest shift of a part of about a tooth's width against the whole.
    swollen_mm, swollen_u_mm : float
        Largest even offset of a part, positive where the framework stands outside.
    scattered_mm : float
        How far parts lie from where the whole has them, root mean square, beyond noise.
    part_at_mm, beside_at_mm, swollen_at_mm : ndarray, shape (k, 3), or None
        Some points of each as it is laid on the wax-up.
    beside_mm : float
        Largest shift that is told of a part beside what was cut; NaN where there is none.
    beside : ndarray of bool, shape (n,), or None
        Framework vertices of all such parts; None where there is none.
    """

    scale: float = float("nan")
    scale_u: float = float("nan")
    bow_mm: float = float("nan")
    bow_u_mm: float = float("nan")
    part_mm: float = float("nan")
    part_u_mm: float = float("nan")
    swollen_mm: float = float("nan")
    swollen_u_mm: float = float("nan")
    beside_mm: float = float("nan")
    beside: Bools | None = None
    scattered_mm: float = 0.0
    part_at_mm: Floats | None = None
    beside_at_mm: Floats | None = None
    swollen_at_mm: Floats | None = None

    def with_beside(self) -> Pattern:
        """The same where the fit rests on what lies otherwise beside the cut, too."""
        part_mm, at_mm = max(self.part_mm, self.beside_mm), self.beside_at_mm
        return dataclasses.replace(self, part_mm=part_mm, part_u_mm=0.0, part_at_mm=at_mm)


def pattern(body: Body, fit: Polished, axes: Floats, power_mm4: float, limit_mm: float) -> Pattern:
    """Measure what a rigid motion cannot explain.

    Parameters
    ----------
    axes : ndarray, shape (3, 3)
        The bridge's own axes in the wax-up's frame, as rows, the longest last.
    power_mm4 : float
        Variance of the residual times the area of one independent reading.
    limit_mm : float
        By so much a size must move the surface to be told where an even offset explains it too,
        and a part that is no part of the work.
    """
    shown = _shown(body, fit, axes, power_mm4)
    if len(shown.residual_mm) < 50:
        return Pattern()
    rigid = np.concatenate([np.cross(shown.arm_mm, shown.normal), shown.normal], axis=1)
    size = np.einsum("ij,ij->i", shown.arm_mm, shown.normal)[:, None]
    half = 0.5 * float(np.ptp(shown.arm_mm[:, 2]))
    fields = [rigid, size, np.ones_like(size)]
    if 2 * half > _SPAN_MM:
        along = (shown.arm_mm[:, 2] / half)[:, None]
        twist = along * np.cross([0.0, 0.0, 1.0], shown.arm_mm) / half
        fields += [along**2 * shown.normal[:, :2], np.sum(twist * shown.normal, 1)[:, None]]
    value, covariance = solved(np.concatenate(fields, axis=1), shown, patches=True)
    larger, u = float(value[SIZE]), math.sqrt(covariance[SIZE, SIZE])
    alone, of_alone = solved(np.concatenate([rigid, size], axis=1), shown, patches=True)
    if _LIKE_OFFSET * u > abs(alone[SIZE]):
        moved_mm = abs(alone[SIZE]) * float(np.quantile(np.abs(size), _MOST_OF))
        larger, u = (
            float(alone[SIZE]),
            math.sqrt(of_alone[SIZE, SIZE]) if moved_mm > limit_mm else u,
        )
    bow = bow_u = float("nan")
    if len(value) > 8:
        bow = float(np.linalg.norm(value[8:10]))
        way = value[8:10] / max(bow, 1e-12)
        bow_u = float(np.sqrt(way @ covariance[8:10, 8:10] @ way))
    explained = [rigid, size] if abs(larger) > SURE * u else [rigid]
    found = parts_off(shown, np.concatenate(explained, axis=1), limit_mm)
    beside = np.zeros(len(fit.seen.residual_mm), dtype=bool)
    beside[shown.vertex[found.beside]] = True

    def at_mm(here: Bools) -> Floats:
        some = shown.vertex[here]
        return fit.motion.apply(body.surface.mesh.points_mm[some[:: len(some) // _SOME + 1]])

    return Pattern(
        *(1.0 + larger, u, bow, bow_u, *found.shift, *found.offset),
        beside_mm=found.beside_mm,
        beside=beside if beside.any() else None,
        scattered_mm=scattered_mm(shown, rigid, limit_mm),
        part_at_mm=at_mm(found.shifted),
        beside_at_mm=at_mm(found.beside),
        swollen_at_mm=at_mm(found.uneven),
    )


def _shown(body: Body, fit: Polished, axes: Floats, power_mm4: float) -> Shown:
    surface, residual = body.surface, fit.seen.residual_mm
    size = np.abs(residual)
    deep = without_small_patches(surface, np.nan_to_num(residual) < -_CUT_MM, _SMALLEST_PATCH_MM2)
    near = (size < _NEAR_MM) & ~grown(surface, deep, _AWAY_MM) & body.allowed_vertices()
    near = without_small_patches(surface, near, _SMALLEST_PATCH_MM2) | fit.seen.reference
    near &= np.isfinite(residual)
    centre = fit.motion.apply(body.centre_mm[None])[0]
    points = fit.motion.apply(surface.mesh.points_mm[near])
    return Shown(
        (points - centre) @ axes.T,
        fit.seen.normal[near] @ axes.T,
        fit.seen.level_mm[near],
        surface.area_mm2[near],
        power_mm4,
        contact_within_mm(fit.noise_mm),
        np.flatnonzero(near),
        grown(surface, deep, _OF_THE_CUT_MM)[near] | ~deep.any(),
    )
