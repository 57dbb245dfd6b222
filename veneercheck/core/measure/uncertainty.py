"""The standard uncertainty of every reading, and of a mean over an area.

Notes
-----
A reading's end lies on a facet, its start on a vertex. On a round contour facets lie under the
surface by h = L²/(6R) in their middle; h/√12 would be its spread about its own mean, and leaves the
mean out. Choice: 0.6 h² (mean square over an even triangle) for the end, h²/12 for the start; what
noise makes facets lean is taken off first. Instead of: h/√12 for both, which held 78 % of true
values within two standard uncertainties on noise-free tooth shapes of 0.3 mm edge. Cost: on coarse
meshes of flat parts some micrometres too many.

Noise that neighbours share is read off the contact. A scanner's own smoothing hides its noise from
any estimate within the scan, and its slow warp moves the fit. Choice: by how much readings at
vertices scatter where nothing was cut, beyond what the scans show and averaging left of it, counts
as noise of every reading. The warp in it is not taken off the stated trueness: the fit errs about
as much elsewhere. Instead of: the estimate, which told 2.4 of 10 µm; the residual of points inside
triangles, a tenth too small, with which 92.8 % of true values lay inside k = 2. Cost: resealed
collars count as noise, too; with a frame that is given nothing is known of it.

Trueness counts once, as a slow warp. An even swelling of one scan shifts a fit that rests on one
side only, and shows twice on the other side. Choice: trueness is the standard uncertainty of the
space, and the trials draw it as a warp over 4 mm. Instead of: a term that depends on where the
reference lies. Cost: a scan that is swollen all over (spray) shows up to twice its swelling
opposite the reference; spray belongs into the allowance.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from veneercheck.core.mesh.prepared import Prepared
from veneercheck.core.mesh.triangles import row_cross, row_dot
from veneercheck.core.types import (
    SHRUNK,
    Alignment,
    AlignmentState,
    Bools,
    Floats,
    Ints,
    Limits,
    SpaceMap,
)

NOISE_REACH_MM = 0.1
"""Distance over which scan noise hangs together (our estimate): ℓ of exp(−r²/2ℓ²)."""

_SCALE_U = 5e-4
"""Relative: wax changes by about 0.03 % a kelvin (from memory), two kelvins either way."""

_FOOT_SHARE = 0.6
"""A reading's end lies anywhere on a facet that lies under a curved surface by h at its middle
and by nothing at its corners: the mean square over an even triangle is 0.6 h²."""

_START_SHARE = 1.0 / 12.0
"""A reading starts at a vertex, which lies on the surface or, where it was put in, on an edge."""


def probability_beyond(excess_mm: Floats, u_mm: Floats) -> Floats:
    """Probability that a true value lies beyond its limit, where the reading does by `excess_mm`.

    Parameters
    ----------
    excess_mm : ndarray
        Positive beyond the limit.
    u_mm : ndarray
        Standard uncertainty of the reading, positive.

    Returns
    -------
    ndarray
        Φ(excess/u) of JCGM 106 (from memory); NaN where the reading is.

    Examples
    --------
    >>> probability_beyond(np.array([0.0, 16.449, -16.449]), np.array([10.0])).round(4)
    array([0.5 , 0.95, 0.05])
    """
    from scipy.special import ndtr

    found: Floats = ndtr(excess_mm / u_mm)
    return found


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Uncertainty:
    """Standard uncertainties, each of shape (n,), in mm."""

    ray_mm: Floats
    judged_mm: Floats
    noise_mm: Floats


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Ends:
    """Where the readings of every framework vertex end.

    Parameters
    ----------
    reading_mm : ndarray, shape (n,)
        The ray where it was measured, else the nearest distance.
    cosine : ndarray, shape (n,)
        Of the angle at which the ray meets the contour; NaN where it was not measured.
    vertex : ndarray of int64, shape (n,)
        Contour vertex beside the nearest contour point; −1 where there is none.
    agreement : ndarray, shape (n,)
        Cosine between the vertex's normal and the contour's at that point.
    """

    reading_mm: Floats
    cosine: Floats
    vertex: Ints
    agreement: Floats


def uncertainty(
    inner: Prepared, outer: Prepared, ends: Ends, *, alignment: Alignment, limits: Limits
) -> Uncertainty:
    """Standard uncertainty of the ray and of the judged readings, and its part that is noise.

    First-order propagation (JCGM 100, from memory). With θ the angle of the ray to the contour's
    normal, whatever moves the contour along its normal moves the ray's end by 1/cos θ, and the
    diameter of a ball that touches both surfaces by 2/(1 + cos θ); the ray's own tilt adds
    t·tan θ.
    """
    known = ends.vertex >= 0
    vertex = np.where(known, ends.vertex, 0)
    by_ball = 2.0 / (1.0 + np.clip(np.where(known, ends.agreement, np.nan), 0.0, 1.0))
    arm = inner.mesh.points_mm - alignment.centre_mm
    fit = _fit_variance(arm, outer.normals, vertex, alignment.covariance)
    fit = fit + _shrunk_variance(arm, outer.normals, vertex, alignment)
    start = inner.facet_height_mm**2 * _START_SHARE
    foot = (outer.facet_height_mm**2 * _FOOT_SHARE).take(vertex)
    stated = limits.trueness_u_mm**2 + limits.seating_u_mm**2
    steady = stated + (ends.reading_mm * _SCALE_U) ** 2
    tangent = np.sqrt(np.maximum(1.0 - ends.cosine**2, 0.0)) / ends.cosine
    tilt = (ends.reading_mm * tangent * inner.facet_tilt_rad / math.sqrt(3.0)) ** 2
    shared = _shared_noise_variance(inner, outer, alignment)

    def noise(factor: Floats) -> Floats:
        return inner.noise_mm**2 + shared + (outer.noise_mm * factor) ** 2

    def total(factor: Floats) -> Floats:
        return noise(factor) + steady + start + (foot + fit) * factor**2

    return Uncertainty(
        np.sqrt(total(1.0 / ends.cosine) + tilt), np.sqrt(total(by_ball)), np.sqrt(noise(by_ball))
    )


def _shared_noise_variance(inner: Prepared, outer: Prepared, alignment: Alignment) -> float:
    """Variance of noise that neighbours share, mm²: no scan shows it, but the contact does.

    By how much readings scatter more, where nothing was cut, than the noise that the scans show
    themselves and that averaging left of it. A scanner's slow warp shows there too, as far as the
    fit did not take it up; that is not taken off what the laboratory states for trueness, because
    the fit errs about as much under that warp elsewhere (`coverage_trials.py`).
    """
    if alignment.state not in (AlignmentState.TRUSTED, AlignmentState.DOUBTFUL):
        return 0.0
    if not math.isfinite(alignment.contact_mm):
        return 0.0
    return max(alignment.contact_mm**2 - inner.noise_mm**2 - outer.noise_mm**2, 0.0)


def _fit_variance(arm: Floats, normals: Floats, vertex: Ints, covariance: Floats) -> Floats:
    """Variance that the fit gives the distance along the contour's normal, mm²."""
    if not covariance.any():
        return np.zeros(len(arm))
    normal = normals.take(vertex, axis=0)
    g = np.concatenate([row_cross(arm, normal), normal], axis=1)
    return row_dot(g @ covariance, g)


def _shrunk_variance(arm: Floats, normals: Floats, vertex: Ints, alignment: Alignment) -> Floats:
    """Variance that a cast's other size gives the same distance, mm².

    Where a smaller cast sits on its dies within what it shrank, nothing says: anywhere between
    both ends alike (an even distribution, JCGM 100, from memory).
    """
    if all(why.code != SHRUNK for why in alignment.reasons):
        return np.zeros(len(arm))
    moved_mm = (alignment.evidence.scale - 1.0) * row_dot(arm, normals.take(vertex, axis=0))
    variance: Floats = moved_mm**2 / 3.0
    return variance


@dataclasses.dataclass(frozen=True, slots=True)
class MeanUncertainty:
    """Standard uncertainty of a mean over an area, by where it comes from, in mm.

    Parameters
    ----------
    fit_mm : float
        A misfit moves all of the area together: its gradient is averaged before it is squared.
    noise_mm : float
        Noise averages out over the number of independent spots.
    common_mm : float
        What is common to all of it: trueness, seating, scale, and facets, which lie under a
        curved surface everywhere.
    """

    fit_mm: float
    noise_mm: float
    common_mm: float

    @property
    def u_mm(self) -> float:
        """All of it together."""
        return math.hypot(self.fit_mm, self.noise_mm, self.common_mm)


def mean_uncertainty(
    points_mm: Floats,
    normals: Floats,
    space: SpaceMap,
    where: Bools,
    *,
    alignment: Alignment,
    limits: Limits,
) -> MeanUncertainty:
    """Standard uncertainty of the mean space over a part of the framework.

    Parameters
    ----------
    points_mm, normals : ndarray, shape (n, 3)
        Of the framework in the wax-up's frame.
    space : SpaceMap
    where : ndarray of bool, shape (n,)
    alignment : Alignment
    limits : Limits

    Returns
    -------
    MeanUncertainty
        NaN where nothing there was measured.
    """
    here = np.flatnonzero(where & np.isfinite(space.u_judged_mm))
    area = space.area_mm2[here]
    if not area.sum() > 0:
        return MeanUncertainty(math.nan, math.nan, math.nan)
    weight, normal = area / area.sum(), normals[here]
    arm = points_mm[here] - alignment.centre_mm
    rows = np.concatenate([row_cross(arm, normal), normal], axis=1)
    gradient = weight @ rows
    fit = float(gradient @ alignment.covariance @ gradient)
    noise = space.u_noise_mm[here] ** 2
    spots = max(area.sum() / (2.0 * math.pi * NOISE_REACH_MM**2), 1.0)
    averaged = float(weight @ noise) * max(float(weight @ weight), 1.0 / spots)
    scale = (np.nan_to_num(space.nearest_mm[here]) * _SCALE_U) ** 2
    stated = limits.trueness_u_mm**2 + limits.seating_u_mm**2
    own_fit = row_dot(rows @ alignment.covariance, rows)
    facets = space.u_judged_mm[here] ** 2 - noise - scale - stated - own_fit
    facet = float(weight @ np.sqrt(np.maximum(facets, 0.0)))
    common = math.sqrt(facet**2 + float(weight @ scale) + stated)
    return MeanUncertainty(math.sqrt(max(fit, 0.0)), math.sqrt(averaged), common)
