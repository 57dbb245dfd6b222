"""Pieces of a scan that no edge joins to the bridge: dust, or wax that clings or floats there."""

from __future__ import annotations

import numpy as np

from veneercheck.core.mesh.triangles import components
from veneercheck.core.types import Floats, Ints

LOOSE_MM2, _LOOSE_SHARE = 10.0, 0.05
"""What hangs together with nothing, and is smaller than a tenth of a crown and than this share of
the scan, is no part of the bridge."""


def loose_pieces(area_mm2: Floats, edges: Ints) -> list[Ints]:
    """Vertices of each small piece by itself, the largest first, from the areas at all vertices."""
    label = components(len(area_mm2), edges)
    area = np.bincount(label, area_mm2)
    small = (area < LOOSE_MM2) & (area < _LOOSE_SHARE * area.sum()) & (area > 0)
    pieces = np.flatnonzero(small)
    order = pieces[np.argsort(-area[pieces], kind="stable")]
    return [np.flatnonzero(label == piece) for piece in order]
