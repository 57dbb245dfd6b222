"""What is judged: zones, questions, figures, and the verdict."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from enum import IntEnum, StrEnum

import numpy as np

from veneercheck.core.types.geometry import Ints


class FindingKind(IntEnum):
    """What is wrong at a vertex or in a zone."""

    NONE = 0
    TOO_THIN = 1
    TOO_THICK = 2
    OVER_CONTOUR = 3

    @property
    def word(self) -> str:
        """The finding as it stands in files: `too_thin`, `too_thick`, `over_contour`."""
        return self.name.lower()


class Decision(StrEnum):
    """Whether a finding clears its limit by more than the uncertainty allows."""

    FIRM = "firm"
    UNDECIDED = "undecided"


class Verdict(StrEnum):
    """The outcome in a word; none of them is a release."""

    NO_FINDINGS = "no findings"
    FINDINGS = "findings"
    UNDECIDED = "undecided"


VENEER, BEADS = "veneer", "beads"
"""What a zone is about."""


@dataclasses.dataclass(frozen=True, slots=True)
class Zone:
    """Connected framework surface with one finding."""

    id: int
    finding: FindingKind
    decision: Decision
    area_mm2: float
    extreme_mm: float
    u_mm: float
    centre_mm: tuple[float, float, float]
    """The middle of its worst spot."""
    tooth: str | None
    surface: str | None
    action: str
    place: str = ""
    """Tooth, surface, third and part in words; empty where nothing is known."""
    about: str = VENEER
    """What is judged: the veneer over the surface, or its cover over the tops of beads."""
    limit_mm: float = math.nan
    """What the worst spot was judged against; 0 for the contour itself."""
    typical_mm: float = math.nan
    """Median reading over the zone."""
    amount_mm: float = math.nan
    """What the knife takes off at the worst spot, along its own path; negative: to be added."""
    volume_mm3: float = math.nan
    """Of all that, running out to nothing where the limit is kept surely."""
    functional: bool = False
    """On cusps that bite into the opposing fossae."""
    measured_share: float = 1.0
    """Of the zone and what could not be read within it or closely beside."""
    metal_mm: float = math.nan
    """Least metal under the zone; NaN where its other side is not known."""
    metal_left_mm: float = math.nan
    """What of it would be left if the least layer were made; negative: there is no room."""
    across_mm: float = math.nan
    """How far it reaches in its longest direction."""
    vertices: Ints = dataclasses.field(
        default_factory=lambda: np.zeros(0, dtype=np.int64), repr=False, compare=False
    )
    """Those of the refined framework that it holds; none where it was read from a file."""


@dataclasses.dataclass(frozen=True, slots=True)
class BeadField:
    """The retention beads of a framework, and how the veneer covers them.

    Parameters
    ----------
    count : int
    diameter_mm, height_mm : float
        Of the foot, and how far the tops stand out over the base: medians.
    proud : int
        Beads that stand out farther than the opaquer is thick.
    cover_least_mm, cover_median_mm : float
        From the tops to the contour, opaquer included.
    places_mm : tuple of (x, y, z)
        Their feet, in the wax-up's frame, to a thousandth.
    """

    count: int
    diameter_mm: float
    height_mm: float
    proud: int
    cover_least_mm: float
    cover_median_mm: float
    places_mm: tuple[tuple[float, ...], ...] = ()


PlaceWords = Callable[[Ints], tuple[str | None, str | None, str]]
"""Tooth, surface and place in words of some framework vertices."""


@dataclasses.dataclass(frozen=True, slots=True)
class Question:
    """Something only the technician can answer; not a finding."""

    kind: str
    area_mm2: float
    centre_mm: tuple[float, float, float] | None
    words: str
    place: str = ""
    """Tooth, surface, third and part in words; empty where nothing is known."""


UNITS, ISLAND, MEANT_STOP = "units", "island", "meant_stop"
"""Kinds of question: the units named are not those that show, and no tooth is told; a spot was left
uncut amid the veneer; so it was, and the case means metal stops."""


class Answer(StrEnum):
    """Whether the least layer can be had, where the metal's other side is known."""

    TAKE_OFF = "take off"
    METAL_TOO_THIN = "metal too thin"
    NO_ROOM = "no room"
    UNKNOWN = "unknown"


@dataclasses.dataclass(frozen=True, slots=True)
class Statistics:
    """Area-weighted figures of a reading, in mm; NaN where nothing was measured."""

    min_mm: float
    p05_mm: float
    median_mm: float
    mean_mm: float
    p95_mm: float
    max_mm: float
    mean_u_mm: float = math.nan
    """Standard uncertainty of the mean; NaN where it was not asked for."""
