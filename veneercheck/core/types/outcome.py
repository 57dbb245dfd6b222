"""All that a check found, and what is needed to repeat it."""

from __future__ import annotations

import dataclasses
from datetime import datetime
from enum import StrEnum
from typing import Any

from veneercheck.core.errors import Told
from veneercheck.core.types.alignment import Alignment, Values
from veneercheck.core.types.case import Case, Frame
from veneercheck.core.types.geometry import Floats, Ints, TriangleMesh
from veneercheck.core.types.limits import Limits
from veneercheck.core.types.space import SpaceMap
from veneercheck.core.types.structure import Structure
from veneercheck.core.types.zones import BeadField, FindingKind, Question, Statistics, Verdict, Zone


@dataclasses.dataclass(frozen=True, slots=True)
class Fault:
    """Something found in a scan, and what was done about it."""

    kind: str
    count: int
    words: str
    """A `Told` where it holds a value."""
    centre_mm: tuple[float, float, float] | None = None
    code: str = ""
    """Of the sentence, where one kind has several; else its kind."""

    @classmethod
    def of(
        cls,
        kind: str,
        count: int,
        pattern: str,
        centre_mm: tuple[float, float, float] | None = None,
        code: str = "",
        /,
        **values: Any,
    ) -> Fault:
        """With the sentence's pattern and what it holds beside the count."""
        return cls(kind, count, Told(pattern, count=count, **values), centre_mm, code)

    @property
    def values(self) -> Values:
        """The count and what else the sentence holds, for saying it in another language."""
        held = self.words.values if isinstance(self.words, Told) else {}
        return {"count": self.count, **held}


@dataclasses.dataclass(frozen=True, slots=True)
class ScanSource:
    """Where a surface came from."""

    file: str
    sha256: str
    unit: str
    triangles: int
    area_mm2: float
    faults: tuple[Fault, ...] = ()


class Trend(StrEnum):
    """What became of a zone since an earlier check."""

    NEW = "new"
    SAME = "same"
    BETTER = "better"
    WORSE = "worse"
    UNMOVED = "unmoved"
    """No zone then, though the two scans show nothing taken off or added there."""


@dataclasses.dataclass(frozen=True, slots=True)
class Gone:
    """A zone of an earlier check that is corrected."""

    id: int
    finding: FindingKind
    place: str
    area_mm2: float
    extreme_mm: float


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Recheck:
    """What changed since an earlier check of the same wax-up.

    Parameters
    ----------
    earlier : str
        Fingerprint of the earlier framework's file.
    corrected : tuple of Gone
    trends : tuple of (int, Trend)
        For each zone of now, by its number.
    taken_off_mm : ndarray, shape (n,)
        How far the surface lies under the earlier one; negative: above it; NaN: not comparable.
    most_off_mm, most_added_mm : float
        The most of either on the mean over 0.25 mm²; 0 where it may be noise, NaN: not comparable.
    """

    earlier: str
    corrected: tuple[Gone, ...]
    trends: tuple[tuple[int, Trend], ...]
    taken_off_mm: Floats
    most_off_mm: float
    most_added_mm: float


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Check:
    """Everything that the sentence of the check found, before it meets a file."""

    framework: TriangleMesh
    """In the wax-up's frame, refined where it was coarse."""
    waxup: TriangleMesh
    alignment: Alignment
    space: SpaceMap | None
    region: Ints
    finding: Ints
    measured_share: float
    veneered_area_mm2: float
    space_statistics: Statistics
    layer_statistics: Statistics
    zones: tuple[Zone, ...]
    questions: tuple[Question, ...]
    verdict: Verdict
    case: Case
    limits: Limits
    frame: Frame = dataclasses.field(default_factory=Frame)
    metal_left_mm: Floats | None = None
    """Metal left at every vertex if the least layer were made; NaN where it is not known."""
    amount_mm: Floats | None = None
    """What the knife takes off at every vertex, along its normal; negative: to be added."""
    p_thin: Floats | None = None
    """Probability that the layer of a vertex is below its least, NaN where it was not judged."""
    p_thick: Floats | None = None
    """… above its greatest."""
    tooth: Ints | None = None
    """Two-digit code of every vertex's tooth (ISO 3950); 0 where there is none."""
    surface: Ints | None = None
    """The surface of that tooth, as a code of `anatomy.Surface`."""
    beads: BeadField | None = None
    told: tuple[Fault, ...] = ()
    """What was recognised and left out."""
    structure: Structure = dataclasses.field(default_factory=Structure)
    die: TriangleMesh | None = None
    """The prepared teeth, in the wax-up's frame, where they were scanned."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Outcome:
    """A check together with what is needed to repeat it."""

    check: Check
    framework: ScanSource
    waxup: ScanSource
    version: str
    checked_at: datetime
    remarks: tuple[Fault, ...] = ()
    """What the two scans told when laid side by side."""
    recheck: Recheck | None = None
