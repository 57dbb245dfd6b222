"""Which framework vertices were not cut: found by the fit itself."""

from __future__ import annotations

import numpy as np

from veneercheck.core.align.sampling import Surface
from veneercheck.core.mesh.pieces import large_parts
from veneercheck.core.types import Bools, Floats

_CONTACT_NOISES = 4.0
_LEAST_CONTACT_MM = 0.012
_OFF_NOISES = 5.0
_LEAST_OFF_MM = 0.04
"""Beyond this a vertex was cut, or stands outside: its neighbourhood must not pull either."""

_KEEP_AWAY_MM = (0.2, 0.0)
"""Distance kept from what was cut, as much as the reference can bear: smoothing bleeds there."""

_BEARABLE_SHARE = 0.4
"""Of the contact area must remain after keeping away."""

_CUT_MM, _CUT_MM2 = 0.3, 1.0
"""Deeper than this over so much surface is cut."""

_SMALLEST_PATCH_MM2 = 0.3
"""Smaller patches of contact are crossings by chance."""


def contact_within_mm(noise_mm: float) -> float:
    """Distance within which a vertex lies on the contour."""
    return max(_CONTACT_NOISES * noise_mm, _LEAST_CONTACT_MM)


def touching_vertices(surface: Surface, residual_mm: Floats, noise_mm: float) -> Bools:
    """Vertices that lie on the contour within the noise, in patches that are no crossings."""
    contact = np.abs(residual_mm) <= contact_within_mm(noise_mm)
    return without_small_patches(surface, contact, _SMALLEST_PATCH_MM2)


def uncut_vertices(surface: Surface, residual_mm: Floats, noise_mm: float) -> Bools:
    """Find the vertices that lie on the contour, away from all that does not.

    Parameters
    ----------
    surface : Surface
        The framework.
    residual_mm : ndarray, shape (n,)
        NaN where there is no fit pair.

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    contact = touching_vertices(surface, residual_mm, noise_mm)
    off = np.abs(residual_mm) > max(_OFF_NOISES * noise_mm, _LEAST_OFF_MM)
    whole = float(surface.area_mm2[contact].sum())
    for away in _KEEP_AWAY_MM:
        kept = contact & ~grown(surface, off, away)
        kept = without_small_patches(surface, kept, _SMALLEST_PATCH_MM2)
        if surface.area_mm2[kept].sum() >= _BEARABLE_SHARE * whole:
            return kept
    return contact


def grown(surface: Surface, mask: Bools, by_mm: float) -> Bools:
    """A mask of vertices grown along the edges by about a distance."""
    wide = mask.copy()
    a, b = np.ascontiguousarray(surface.edges.T)
    for _ in range(round(by_mm / max(surface.edge_mm, 1e-9))):
        rim = np.flatnonzero(wide.take(a) != wide.take(b))
        wide[a.take(rim)] = wide[b.take(rim)] = True
    return wide


def clearly_cut(surface: Surface, residual_mm: Floats) -> Bools:
    """Vertices that lie clearly inside the contour over more than a speck, shape (n,)."""
    return without_small_patches(surface, np.nan_to_num(residual_mm) < -_CUT_MM, _CUT_MM2)


def without_small_patches(surface: Surface, mask: Bools, smallest_mm2: float) -> Bools:
    """A mask without its patches below an area."""
    return large_parts(mask, surface.edges, surface.area_mm2, smallest_mm2)
