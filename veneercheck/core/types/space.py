"""What was read at every point of the framework, and what part of it the point belongs to."""

from __future__ import annotations

import dataclasses
from enum import IntEnum

from veneercheck.core.types.geometry import Floats, Ints


class RayOutcome(IntEnum):
    """What became of the ray of one framework vertex."""

    HIT = 0
    OVER_CONTOUR = 1
    MISS = 2
    GRAZING = 3
    BEYOND_REACH = 4


class Region(IntEnum):
    """What part of the framework a vertex belongs to."""

    UNSORTED = 0
    """Bare metal or model: the two share one code where no mask or die tells them apart."""
    UNCUT = 1
    CUT = 2
    FINISH_LINE_BAND = 3
    ISLAND = 4
    FITTING_SURFACE = 5
    MODEL = 6
    ATTACHMENT = 7
    """A sprue, handle or pin: left out."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class SpaceMap:
    """The space at every framework vertex, in the wax-up's frame.

    A number is finite exactly where it was measured.

    Parameters
    ----------
    space_mm : ndarray, shape (n,)
        Along the outward normal to the contour; negative where the framework stands outside.
    layer_mm : ndarray, shape (n,)
        What opaquer and beads leave for composite, as it is judged: over the nearest contour
        (`judged_high_mm`), or, where that falls short of the least layer, under the largest ball
        (`judged_low_mm`).
    nearest_mm : ndarray, shape (n,)
        Signed distance to the nearest contour point on the vertex's own side; positive inside.
    contour_mm : ndarray, shape (n, 3)
        That nearest contour point.
    ball_mm : ndarray, shape (n,)
        Diameter of the largest ball that touches the vertex and fits under the contour.
    judged_low_mm : ndarray, shape (n,)
        The smaller of ray and ball, on crests and slopes the nearest contour: what is compared with
        the least layer.
    judged_high_mm : ndarray, shape (n,)
        The nearest contour, free of the bias that noise gives a nearest distance: what is
        compared with the greatest layer.
    u_mm : ndarray, shape (n,)
        Standard uncertainty of `space_mm`.
    u_judged_mm : ndarray, shape (n,)
        Standard uncertainty of the two judged readings, which a slanting ray does not inflate.
    u_noise_mm : ndarray, shape (n,)
        The part of `u_judged_mm` that averages out over an area: noise of both scans.
    metal_mm : ndarray, shape (n,)
        Thickness of the metal under the vertex, straight inward to where the framework ends, or
        down to the die where one was scanned; NaN where neither was seen.
    area_mm2 : ndarray, shape (n,)
        Area that each vertex stands for.
    outcome : ndarray of int64, shape (n,)
        `RayOutcome` of each vertex.
    """

    space_mm: Floats
    layer_mm: Floats
    nearest_mm: Floats
    contour_mm: Floats
    ball_mm: Floats
    judged_low_mm: Floats
    judged_high_mm: Floats
    u_mm: Floats
    u_judged_mm: Floats
    u_noise_mm: Floats
    metal_mm: Floats
    area_mm2: Floats
    outcome: Ints
