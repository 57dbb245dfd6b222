"""Where the framework lies on the wax-up, and how far that may be believed."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from enum import StrEnum
from typing import Any

from veneercheck.core.errors import Told
from veneercheck.core.types.geometry import Bools, Floats, RigidMotion

Values = Mapping[str, float | str]
"""What a sentence holds, by name: numbers as they are, words as codes."""


@dataclasses.dataclass(frozen=True, slots=True)
class Reason:
    """Something told, as a code and as an English sentence."""

    code: str
    words: str
    """A `Told` where it holds a value."""
    at_mm: Floats | None = dataclasses.field(default=None, compare=False, repr=False)
    """Points of what it is told of, as laid on the wax-up, shape (k, 3), where it is a part."""
    tooth: str = ""
    """The unit of those, once it is known."""

    @classmethod
    def of(cls, code: str, pattern: str, /, **values: Any) -> Reason:
        """With the sentence's pattern and what it holds."""
        return cls(code, Told(pattern, **values))

    @property
    def values(self) -> Values:
        """What the sentence holds, for saying it in another language."""
        return self.words.values if isinstance(self.words, Told) else {}


LOOSE = ("too_loose", "too_loose_sliding", "painted")
"""Reasons that doubt no more than the covariance says, which every reading's uncertainty holds."""

SHRUNK = "another_size_of_metal"
"""A cast that shrank as casts do: what that moves, every reading's uncertainty holds as well."""

RIVALS = ("rival", "rival_near")
"""Codes of reasons that leave the choice between two poses open."""

BESIDE = "part_off_beside"
"""Something of which little was cut lies otherwise: the fit does not rest on it, and all but its
own place is as certain as is said."""


class AlignmentState(StrEnum):
    """How far the fit of the framework on the wax-up may be believed."""

    TRUSTED = "trusted"
    DOUBTFUL = "doubtful"
    FAILED = "failed"
    GIVEN = "given"


@dataclasses.dataclass(frozen=True, slots=True)
class FitEvidence:
    """What else speaks for a fit or against it; NaN where it was not looked at.

    Parameters
    ----------
    condition : float
        Strongest over weakest direction of the normal equations, turns at the farthest vertex.
    weakest_layer_mm : float
        Standard uncertainty that the weakest direction gives a layer at the worst vertex.
    halves_mm : float
        How far two fits, each on every other patch of the reference, part at the farthest vertex.
    rival_share : float
        Rank of the best other pose over that of the pose taken; NaN where none fits as closely.
    seating_mm : float
        How far the bridge's own fit and its model's part on the bridge.
    scale : float
        Size of the framework over that of the wax-up; measured, never applied.
    bow_mm : float
        Middle of the span against its ends.
    part_mm : float
        Largest shift of a part of about a tooth's width against the whole.
    frame_mm : float
        How far the fit of the uncut surface lies from a given frame, at the farthest vertex.
    even_mm : float
        How far the uncut surface stands out of the contour, everywhere alike; 0 where not surely.
    """

    condition: float = float("nan")
    weakest_layer_mm: float = float("nan")
    halves_mm: float = float("nan")
    rival_share: float = float("nan")
    seating_mm: float = float("nan")
    scale: float = float("nan")
    bow_mm: float = float("nan")
    part_mm: float = float("nan")
    frame_mm: float = float("nan")
    even_mm: float = float("nan")


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Alignment:
    """Where the framework lies on the wax-up, and how surely.

    Parameters
    ----------
    waxup_from_framework : RigidMotion
    state : AlignmentState
    rms_mm : float
        Root mean square distance on the reference area; NaN if there is none.
    reference : ndarray of bool, shape (n,)
        Framework vertices that were taken as uncut.
    reference_area_mm2, reference_share : float
        Area of those vertices, and its share of the framework's area.
    covariance : ndarray, shape (6, 6)
        Of a small motion (turn in rad about `centre_mm`, then shift in mm), wax-up frame;
        zeros for a given frame, NaN where the fit says nothing.
    centre_mm : ndarray, shape (3,)
    u_max_mm : float
        Largest standard uncertainty that the fit alone gives any framework vertex, and how far
        parts of the work scatter about it.
    weakest : str
        The least certain direction, in words.
    noise_mm : float
        Estimated noise of the two surfaces together, standard deviation.
    contact_mm : float
        Standard deviation of the distance from framework vertex to contour where the two, their
        noise reduced, still touch: what a reading scatters by. NaN where nothing shows it.
    stopped : str
        How the iteration ended.
    reasons : tuple of Reason
        Why the state is not better, and what else lies otherwise.
    evidence : FitEvidence
    """

    waxup_from_framework: RigidMotion
    state: AlignmentState
    rms_mm: float
    reference: Bools
    reference_area_mm2: float
    reference_share: float
    covariance: Floats
    centre_mm: Floats
    u_max_mm: float
    weakest: str = ""
    noise_mm: float = float("nan")
    contact_mm: float = float("nan")
    stopped: str = ""
    reasons: tuple[Reason, ...] = ()
    evidence: FitEvidence = FitEvidence()

    @property
    def beyond_budget(self) -> bool:
        """Whether the pose is in doubt by more than its covariance says: another one fits as well,
        a part lies otherwise, a size is another."""
        doubtful = self.state is AlignmentState.DOUBTFUL
        return doubtful and any(why.code not in (*LOOSE, SHRUNK, BESIDE) for why in self.reasons)
