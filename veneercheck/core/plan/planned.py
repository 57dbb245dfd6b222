"""What a plan asks for, and what it is: target, conflicts, marks, layers."""

from __future__ import annotations

import dataclasses
import math

from veneercheck.core.plan.bite import Contact
from veneercheck.core.plan.runout import Form
from veneercheck.core.plan.shade import UnitShade
from veneercheck.core.types import (
    Connector,
    FinishLine,
    Floats,
    Frame,
    Ints,
    SectionPlane,
    TriangleMesh,
)

Point = tuple[float, float, float]

NO_METAL, NO_LAYER, SHORT_LAYER = "no room for metal", "no room for the layer", "layer too thin"
TOO_DEEP, CONNECTOR = "too thick to stand alone", "connector too thin"
"""Kinds of conflict."""

OPAQUER, METAL_SURFACE, PREPARATION, CONTOUR, MORE_METAL = (
    "thinner opaquer", "metal surface", "preparation", "contour", "more metal",
)  # fmt: skip
"""What a conflict asks: who may decide it is the licensed person's."""


@dataclasses.dataclass(frozen=True, slots=True)
class Cutting:
    """How a laboratory cuts back, beside its limits; lengths in mm.

    Parameters
    ----------
    form : {"chamfer", "shoulder", "knife edge"}
        Of the run-out at the finish line.
    width_mm : float
        From the finish line to the full depth.
    radius_mm : float
        Of a shoulder's foot.
    collar_mm : float
        Metal left above the gingiva.
    margin_mm : float, optional
        Cut deeper by so much, for what knife and seating vary; None: what the limits state.
    off_border_mm : float
        How far contacts are to lie off the metal border; common practice, no source.
    finish_lines : tuple of FinishLine
        Picked on the wax-up; over the surfaces that the case names, and over paint.
    incisal_shares : tuple of 3 floats
        Share of incisal material in the layer, in the cervical, middle and occlusal third.
    """

    form: Form = "chamfer"
    width_mm: float = 0.8
    radius_mm: float = 0.4
    collar_mm: float = 1.0
    margin_mm: float | None = None
    off_border_mm: float = 1.0
    incisal_shares: tuple[float, float, float] = (0.0, 0.2, 0.5)
    finish_lines: tuple[FinishLine, ...] = ()


@dataclasses.dataclass(frozen=True, slots=True)
class Conflict:
    """A place where metal, layers and contour need more than there is.

    Parameters
    ----------
    kind : str
    short_mm : float
        How much is missing at the worst place; mm² for a connector.
    u_mm : float
    firm : bool
        Beyond what the uncertainty leaves open.
    area_mm2 : float
    centre_mm : tuple of 3 floats
        The worst place, on the contour.
    tooth, surface : str or None
    place : str
    asks : tuple of str
        Which questions it raises.
    """

    kind: str
    short_mm: float
    u_mm: float
    firm: bool
    area_mm2: float
    centre_mm: Point
    tooth: str | None
    surface: str | None
    place: str
    asks: tuple[str, ...]


@dataclasses.dataclass(frozen=True, slots=True)
class Mark:
    """A numbered place on the wax-up, and how deep to cut there, mm."""

    number: int
    kind: str
    tooth: str
    surface: str
    third: str
    at_mm: Point
    square_mm: float
    insertion_mm: float
    layer_mm: float


@dataclasses.dataclass(frozen=True, slots=True)
class UnitLayers:
    """What one unit will take, mm³; `u_share` is the relative standard uncertainty."""

    unit: str
    opaquer_mm3: float
    dentine_mm3: float
    incisal_mm3: float
    u_share: float
    deepest_mm: float
    increments: int
    mass_g: float | None = None

    @property
    def total_mm3(self) -> float:
        """Opaquer, dentine and incisal together."""
        return math.fsum((self.opaquer_mm3, self.dentine_mm3, self.incisal_mm3))


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Plan:
    """A planned cut; arrays over the vertices of `contour`, NaN where nothing is to be cut.

    Parameters
    ----------
    target : TriangleMesh
        Closed: the framework aimed at.
    contour : TriangleMesh
        The wax-up.
    line_mm : ndarray, shape (k, 3)
        Points of the finish line.
    extent_mm : ndarray, shape (n,)
        Positive where it is to be veneered.
    square_mm, insertion_mm : ndarray, shape (n,)
        Depth of the cut square to the surface, and along the path of insertion.
    layer_mm : ndarray, shape (n,)
        Composite over the nearest metal.
    short_mm : ndarray, shape (n,)
        How much room is missing over the die; negative: to spare; NaN where no die is known.
    contacts : tuple of Contact, optional
        With the antagonist; None where none was given.
    clearance_mm : ndarray, shape (n,), optional
        To the antagonist.
    shade_off : ndarray, shape (n,), optional
        ΔE00 to full depth over the planned layer; None where no wedge was given.
    shades : tuple of UnitShade
    """

    target: TriangleMesh
    contour: TriangleMesh
    line_mm: Floats
    extent_mm: Floats
    depth_mm: float
    margin_mm: float
    square_mm: Floats
    insertion_mm: Floats
    layer_mm: Floats
    short_mm: Floats
    tooth: Ints
    surface: Ints
    conflicts: tuple[Conflict, ...]
    marks: tuple[Mark, ...]
    layers: tuple[UnitLayers, ...]
    connectors: tuple[Connector, ...]
    removed_mm3: float
    frame: Frame
    contacts: tuple[Contact, ...] | None = None
    clearance_mm: Floats | None = None
    shade_off: Floats | None = None
    shades: tuple[UnitShade, ...] = ()
    planes: tuple[SectionPlane, ...] = ()
    words: tuple[str, ...] = ()
