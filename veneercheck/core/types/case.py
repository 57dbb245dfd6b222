"""What the laboratory says: the piece of work, and the limits it is judged by."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping


@dataclasses.dataclass(frozen=True, slots=True)
class LayerLimits:
    """Least and greatest composite over the opaquer, in mm."""

    least_mm: float
    greatest_mm: float


WAX, CAST = "wax", "cast"
"""The first two stages of the work: the cut-back pattern, and its casting."""

OPAQUED, DENTINE, FINISHED = "opaqued", "dentine", "finished"
COVERED = (OPAQUED, DENTINE)
"""Stages at which a scan of the framework shows what was built on the metal, not the metal."""


@dataclasses.dataclass(frozen=True, slots=True)
class StageLimits:
    """What differs at one stage of the work, lengths in mm; None: as at the others.

    Parameters
    ----------
    least_mm, greatest_mm : float, optional
        Limits of what is still to be layered.
    opaquer_mm, beads_mm : float, optional
        What is still to be taken off the space.
    finishing_mm : float
        What finishing and blasting took off everywhere, so that nothing is quite uncut.
    """

    least_mm: float | None = None
    greatest_mm: float | None = None
    opaquer_mm: float | None = None
    beads_mm: float | None = None
    finishing_mm: float = 0.0


@dataclasses.dataclass(frozen=True, slots=True)
class Limits:
    """The profile: every limit and allowance the judgement uses, lengths in mm."""

    name: str
    layer: LayerLimits
    opaquer_mm: float
    opaquer_u_mm: float
    beads_mm: float
    finish_line_width_mm: float
    trueness_u_mm: float
    seating_u_mm: float
    smallest_zone_mm2: float
    narrowest_zone_mm: float = 0.4
    bead_cover_mm: float = 0.8
    finishing_mm: float = 0.0
    metal_least_mm: float = 0.5
    metal_to_come_mm: float = 0.0
    stages: Mapping[str, StageLimits] = dataclasses.field(default_factory=dict)
    connector_least_mm2: float = 6.0
    connector_advice_mm2: float = 9.0
    edge_radius_mm: float = 0.2
    increment_mm: float = 2.0
    surfaces: Mapping[str, LayerLimits] = dataclasses.field(default_factory=dict)
    certainty: Mapping[str, str] = dataclasses.field(default_factory=dict)
    calibration_needed: bool = False
    """On record, a check without a valid calibration of its scanner is at most undecided."""

    @property
    def taken_mm(self) -> float:
        """What opaquer and beads take of the space."""
        return self.opaquer_mm + self.beads_mm

    @property
    def least_metal_mm(self) -> float:
        """Least metal at this stage, with what finishing is still to take."""
        return self.metal_least_mm + self.metal_to_come_mm

    def at(self, stage: str) -> Limits:
        """The limits in force at a stage of the work.

        A stage with limits of its own is about another layer: the surfaces' own are left out.
        In wax, what finishing will take off the cast is still to be there.
        """
        own = self.stages.get(stage)
        if stage == WAX and CAST in self.stages:
            to_come = self.stages[CAST].finishing_mm
            self = dataclasses.replace(self, metal_to_come_mm=to_come)  # noqa: PLW0642
        if own is None:
            return self
        least = self.layer.least_mm if own.least_mm is None else own.least_mm
        greatest = self.layer.greatest_mm if own.greatest_mm is None else own.greatest_mm
        opaquer = self.opaquer_mm if own.opaquer_mm is None else own.opaquer_mm
        another = own.least_mm is not None or own.greatest_mm is not None
        return dataclasses.replace(
            self,
            layer=LayerLimits(least, greatest),
            opaquer_mm=opaquer,
            opaquer_u_mm=self.opaquer_u_mm if opaquer > 0 else 0.0,
            beads_mm=self.beads_mm if own.beads_mm is None else own.beads_mm,
            finishing_mm=own.finishing_mm,
            surfaces={} if another else self.surfaces,
        )


Point = tuple[float, float, float]
ASK = "ask"

FORBIDDEN = "forbidden"
"""What a case may say of uncut spots within a cut area: ask about them, or forbid them."""


@dataclasses.dataclass(frozen=True, slots=True)
class Case:
    """What the laboratory says about the piece of work."""

    number: str | None = None
    units: tuple[int, ...] = ()
    pontics: tuple[int, ...] = ()
    stage: str = "wax"
    occlusal: str | None = None
    buccal: str | None = None
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
