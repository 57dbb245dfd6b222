"""What the laboratory says about the piece of work."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping

Point = tuple[float, float, float]

Way = str | Point
"""A direction in the wax-up's frame: an axis such as `+z`, or a vector of any length."""

AXES: Mapping[str, Point] = {
    "+x": (1.0, 0.0, 0.0), "-x": (-1.0, 0.0, 0.0),
    "+y": (0.0, 1.0, 0.0), "-y": (0.0, -1.0, 0.0),
    "+z": (0.0, 0.0, 1.0), "-z": (0.0, 0.0, -1.0),
}  # fmt: skip
_NOWHERE = (0.0, 0.0, 0.0)
ASK, MEANT, FORBIDDEN = "ask", "meant", "forbidden"
"""What a case may say of uncut spots within a cut area: ask about them, they are metal stops, or
there are none."""


def unit_way(said: Way) -> Point:
    """The unit vector of a direction that a case names.

    Raises
    ------
    ValueError
        If it is no axis with its sign, or a vector without length.

    Examples
    --------
    >>> unit_way("-x"), unit_way((0.0, 3.0, 4.0))
    ((-1.0, 0.0, 0.0), (0.0, 0.6, 0.8))
    """
    x, y, z = AXES.get(said, _NOWHERE) if isinstance(said, str) else said
    length = math.hypot(x, y, z)
    if not 0.0 < length < math.inf:
        raise ValueError(f"{said!r} is no direction: give an axis such as +z, or a vector")
    return x / length, y / length, z / length


@dataclasses.dataclass(frozen=True, slots=True)
class FinishLine:
    """A finish line picked on the wax-up, in its frame.

    Parameters
    ----------
    points_mm : tuple of points
        In order, once round what is to be veneered.
    inside_mm : point
        On what is to be veneered.
    """

    points_mm: tuple[Point, ...]
    inside_mm: Point


@dataclasses.dataclass(frozen=True, slots=True)
class Case:
    """What the laboratory says about the piece of work."""

    number: str | None = None
    units: tuple[int, ...] = ()
    pontics: tuple[int, ...] = ()
    stage: str = "wax"
    occlusal: Way | None = None
    buccal: Way | None = None
    veneered: tuple[str, ...] = ()
    metal_stops: str = ASK
    notes: str = ""
    tooth_points_mm: Mapping[int, tuple[float, float, float]] = dataclasses.field(
        default_factory=dict
    )
    """A point on a tooth's crown, in the wax-up's frame, by its code: overrules the valleys."""
    veneered_units: Mapping[int, tuple[str, ...]] = dataclasses.field(default_factory=dict)
    """Surfaces meant for veneer on single units, where they differ from `veneered`."""
    alloy: str = ""
    composite: str = ""
    shade: str = ""
    lots: Mapping[str, str] = dataclasses.field(default_factory=dict)
    """Lot numbers by material."""
    scanner_checked: str | None = None
    """Date of the scanner's last check, ISO 8601."""
    landmarks_mm: tuple[tuple[Point, Point], ...] = ()
    """Places picked on both scans, framework first, each in its own scan's frame."""


@dataclasses.dataclass(frozen=True, slots=True)
class Frame:
    """The bridge's directions in the wax-up's frame, as unit vectors; None where unknown."""

    occlusal: tuple[float, float, float] | None = None
    buccal: tuple[float, float, float] | None = None
    guessed: bool = True
    words: tuple[str, ...] = ()
    """What was guessed, or could not be told, for the technician."""
    sides_known: bool = True
    """Whether buccal is told as a fact; else `buccal` points to side A, whichever that is."""
    certainty: float = 1.0
    """Probability that the likelier side is buccal; 1 where the case says it."""
