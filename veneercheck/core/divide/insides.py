"""The inside of a retainer, which is never veneered, whatever the wax-up shows under it.

Notes
-----
A wax-up that is closed below an open retainer gives its roof a contour that faces the same way, as
far off as the roof is high. Choice: what lies deeper than any veneer, on the back of thin metal, is
inside where it hangs together with walls that face the contour's other way, or meet none.
Instead of: depth alone, by which a thin wing's veneer that is too thick would be no veneer. Cost:
a roof whose walls were not scanned counts as veneer, and so does one no deeper than veneer may be.
"""

from __future__ import annotations

import numpy as np

from veneercheck.core.measure.space import Reading
from veneercheck.core.mesh.pieces import grown, large_parts
from veneercheck.core.types import Bools, RayOutcome

LEAST_FITTING_MM2 = 4.0
"""Less than this seen across a groove is the groove's own wall, not the inside of a retainer."""

_THIN_METAL_MM = 2.0
"""So thin metal is a retainer's; a pontic is solid."""

_AGAINST_COS = -0.5
"""Surface that faces the contour's other way, within 60°, is the inside of what carries veneer."""


def insides(reading: Reading, *, seen: Bools, veneer_mm: float) -> Bools:
    """Vertices inside retainers though rays from there may meet contour, shape (n,).

    Parameters
    ----------
    seen : ndarray of bool, shape (n,)
        Has contour of its own.
    veneer_mm : float
        No veneer is meant to be thicker.
    """
    space, edges = reading.space, reading.edges
    back = _behind(reading, seen)
    against = reading.agreement < _AGAINST_COS
    bare = against | (back & (space.outcome == RayOutcome.MISS))
    found = large_parts(bare, edges, space.area_mm2, LEAST_FITTING_MM2)
    # Past a retainer's short side its inside meets another wall's contour; or a closed wax-up's.
    deep = space.nearest_mm > veneer_mm
    found = grown(found, bare | (back & deep), edges)
    # Crumbs of it whose other side saw no contour; an outside round a sharp rim is larger.
    left = _behind(reading, np.ones(len(seen), dtype=bool)) & deep & ~found
    left &= ~large_parts(left, edges, space.area_mm2, LEAST_FITTING_MM2)
    return grown(found, left, edges)


def _behind(reading: Reading, seen: Bools) -> Bools:
    """Vertices on the back of thin metal whose other side has `seen` contour, shape (n,)."""
    other = reading.other_side
    against = np.einsum("ij,ij->i", reading.normals, reading.normals[other]) < _AGAINST_COS
    thin = (other >= 0) & (reading.space.metal_mm <= _THIN_METAL_MM)
    return np.asarray(thin & against & seen[other])
