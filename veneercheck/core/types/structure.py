"""The framework as what carries the veneer."""

from __future__ import annotations

import dataclasses
import math
from enum import StrEnum


class Weight(StrEnum):
    """What a remark on the framework as a structure weighs in the verdict."""

    FINDING = "finding"
    UNDECIDED = "undecided"
    ADVICE = "advice"
    NONE = "none"


@dataclasses.dataclass(frozen=True, slots=True)
class Connector:
    """What holds two units together.

    Parameters
    ----------
    teeth : str
        Both codes, such as "45–46".
    area_mm2, u_mm2 : float
        Least section about the valley between the units, however it leans; NaN where it was not
        seen all round.
    height_mm, width_mm : float
        Of that section.
    centre_mm : tuple of 3 floats
    weight : Weight
    words : str
    """

    teeth: str
    area_mm2: float
    u_mm2: float
    height_mm: float
    width_mm: float
    centre_mm: tuple[float, float, float]
    weight: Weight
    words: str


UNSUPPORTED, SHARP_EDGE, THIN_METAL = "unsupported composite", "sharp edge", "thin metal"


@dataclasses.dataclass(frozen=True, slots=True)
class Spot:
    """A place where the framework serves its veneer badly.

    Parameters
    ----------
    kind : str
        `UNSUPPORTED`, `SHARP_EDGE` or `THIN_METAL`.
    tooth, surface, place : str
        Where it lies, the last in words.
    value_mm, u_mm, limit_mm : float
        Composite over the nearest metal, radius of the edge, or metal at its thinnest.
    size : float
        Length in mm of an edge, else area in mm².
    """

    kind: str
    tooth: str | None
    surface: str | None
    place: str
    value_mm: float
    u_mm: float
    limit_mm: float
    size: float
    centre_mm: tuple[float, float, float]
    weight: Weight
    words: str


@dataclasses.dataclass(frozen=True, slots=True)
class Material:
    """How much composite the veneer of one unit takes, opaquer and beads taken off."""

    tooth: str
    volume_mm3: float
    u_mm3: float
    deepest_mm: float
    increments: int
    beyond_mm3: float = 0.0
    """What lies past the end of the framework's scan, and is not in `volume_mm3`: or more."""


@dataclasses.dataclass(frozen=True, slots=True)
class SectionPlane:
    """Where a section is drawn, in the wax-up's frame.

    Parameters
    ----------
    kind : str
        `unit` across a unit's middle, `along` the bridge's own axis.
    name : str
        Tooth code; empty along the axis.
    across, above : tuple of 3 floats
        Directions of the drawing. Along the axis `above` is occlusal, and `across` the direction
        at its first node.
    path_mm : tuple of points
        One point of the plane; along the axis, its nodes, evenly spaced.
    sides : tuple of 4 str
        What lies left, right, above and below in the drawing; empty where unknown.
    """

    kind: str
    name: str
    across: tuple[float, float, float]
    above: tuple[float, float, float]
    path_mm: tuple[tuple[float, float, float], ...]
    sides: tuple[str, str, str, str] = ("", "", "", "")


@dataclasses.dataclass(frozen=True, slots=True)
class Structure:
    """The framework as what carries the veneer."""

    connectors: tuple[Connector, ...] = ()
    spots: tuple[Spot, ...] = ()
    material: tuple[Material, ...] = ()
    sections: tuple[SectionPlane, ...] = ()
    metal_share: float = math.nan
    """Of the cut surface, by area: under so much of it the metal's thickness was judged."""

    def weights(self) -> frozenset[Weight]:
        """What its connectors and spots weigh in the verdict."""
        measured = [connector.weight for connector in self.connectors]
        return frozenset([*measured, *(spot.weight for spot in self.spots)])
