"""The nouns of the check: surfaces, motions, readings, zones, limits and the outcome."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Mapping
from datetime import datetime
from enum import IntEnum, StrEnum
from typing import Any

import numpy as np
import numpy.typing as npt

from veneercheck.core.errors import MeshError

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

_ROTATION_TOLERANCE = 1e-6
"""Largest departure from orthogonality that is still rounding in a stored matrix."""


def _read_only(array: npt.NDArray[Any]) -> npt.NDArray[Any]:
    array.setflags(write=False)
    return array


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class TriangleMesh:
    """A surface made of triangles, in millimetres.

    Parameters
    ----------
    points_mm : ndarray of float64, shape (n, 3)
        Vertices.
    faces : ndarray of int64, shape (m, 3)
        Indices into `points_mm`, anticlockwise seen from outside.

    Raises
    ------
    MeshError
        If a shape is wrong, an index is out of range or a coordinate is not finite.

    Examples
    --------
    >>> mesh = TriangleMesh([[0, 0, 0], [1, 0, 0], [0, 1, 0]], [[0, 1, 2]])
    >>> mesh.faces.shape
    (1, 3)
    """

    points_mm: Floats
    faces: Ints

    def __post_init__(self) -> None:
        points = np.ascontiguousarray(self.points_mm, dtype=np.float64)
        faces = np.ascontiguousarray(self.faces, dtype=np.int64)
        if points.ndim != 2 or points.shape[1] != 3:
            raise MeshError(f"vertices have shape {points.shape}, not (n, 3).")
        if faces.ndim != 2 or faces.shape[1] != 3:
            raise MeshError(f"triangles have shape {faces.shape}, not (m, 3).")
        if not np.isfinite(points).all():
            bad = int(np.flatnonzero(~np.isfinite(points).all(axis=1))[0])
            raise MeshError("a coordinate is not a finite number.", where=f"vertex {bad}")
        if faces.size and (faces.min() < 0 or faces.max() >= len(points)):
            raise MeshError(f"a triangle names a vertex outside 0…{len(points) - 1}.")
        object.__setattr__(self, "points_mm", _read_only(points.view()))
        object.__setattr__(self, "faces", _read_only(faces.view()))


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class RigidMotion:
    """A rotation followed by a translation; name it `to_from_origin`, by both frames.

    Parameters
    ----------
    rotation : ndarray, shape (3, 3)
        Proper rotation: orthogonal, determinant +1. A mirror or a scale is refused.
    translation_mm : ndarray, shape (3,)

    Raises
    ------
    MeshError
        If `rotation` is not a proper rotation.

    Examples
    --------
    >>> b_from_a = RigidMotion(np.eye(3), [1.0, 0.0, 0.0])
    >>> b_from_a.apply([[0.0, 0.0, 0.0]])
    array([[1., 0., 0.]])
    """

    rotation: Floats
    translation_mm: Floats

    def __post_init__(self) -> None:
        rotation = np.array(self.rotation, dtype=np.float64)
        translation = np.array(self.translation_mm, dtype=np.float64)
        if rotation.shape != (3, 3) or translation.shape != (3,):
            raise MeshError("a rigid motion needs a 3×3 rotation and 3 translations.")
        if not (np.isfinite(rotation).all() and np.isfinite(translation).all()):
            raise MeshError("a rigid motion holds a number that is not finite.")
        if np.abs(rotation @ rotation.T - np.eye(3)).max() > _ROTATION_TOLERANCE:
            raise MeshError("the matrix stretches or shears: only rotation and shift are allowed.")
        if np.linalg.det(rotation) < 0:
            raise MeshError("the matrix mirrors: only rotation and shift are allowed.")
        object.__setattr__(self, "rotation", _read_only(rotation))
        object.__setattr__(self, "translation_mm", _read_only(translation))

    def apply(self, points_mm: npt.ArrayLike) -> Floats:
        """Move points, shape (n, 3), in mm."""
        return np.asarray(points_mm, dtype=np.float64) @ self.rotation.T + self.translation_mm

    def turn(self, directions: npt.ArrayLike) -> Floats:
        """Turn directions, shape (n, 3), without shifting them."""
        return np.asarray(directions, dtype=np.float64) @ self.rotation.T

    def inverse(self) -> RigidMotion:
        """The motion back."""
        return RigidMotion(self.rotation.T, -self.rotation.T @ self.translation_mm)

    def after(self, first: RigidMotion) -> RigidMotion:
        """`c_from_b.after(b_from_a)` is `c_from_a`."""
        return RigidMotion(
            self.rotation @ first.rotation,
            self.rotation @ first.translation_mm + self.translation_mm,
        )

    def matrix(self) -> Floats:
        """The homogeneous 4×4 matrix, row-major, lengths in mm."""
        matrix = np.eye(4)
        matrix[:3, :3] = self.rotation
        matrix[:3, 3] = self.translation_mm
        return matrix

    @staticmethod
    def identity() -> RigidMotion:
        """The motion that moves nothing."""
        return RigidMotion(np.eye(3), np.zeros(3))


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
        Rank of the best other pose over that of the pose taken.
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
        Largest standard uncertainty that the fit alone gives any framework vertex.
    weakest : str
        The least certain direction, in words.
    noise_mm : float
        Estimated noise of the two surfaces together, standard deviation.
    stopped : str
        How the iteration ended.
    reasons : tuple of str
        Why the state is not better, in words.
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
    stopped: str = ""
    reasons: tuple[str, ...] = ()
    evidence: FitEvidence = FitEvidence()


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


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class SpaceMap:
    """The space at every framework vertex, in the wax-up's frame.

    A number is finite exactly where it was measured.

    Parameters
    ----------
    space_mm : ndarray, shape (n,)
        Along the outward normal to the contour; negative where the framework stands outside.
    layer_mm : ndarray, shape (n,)
        What opaquer and beads leave of it for composite.
    nearest_mm : ndarray, shape (n,)
        Signed distance to the nearest contour point on the vertex's own side; positive inside.
    contour_mm : ndarray, shape (n, 3)
        That nearest contour point.
    ball_mm : ndarray, shape (n,)
        Diameter of the largest ball that touches the vertex and fits under the contour.
    judged_low_mm : ndarray, shape (n,)
        The smaller of ray and ball: what is compared with the least layer.
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
        Thickness of the framework itself under the vertex, straight inward to where it ends; NaN
        where the scan does not show its other side.
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
    """

    count: int
    diameter_mm: float
    height_mm: float
    proud: int
    cover_least_mm: float
    cover_median_mm: float


PlaceWords = Callable[[Ints], tuple[str | None, str | None, str]]
"""Tooth, surface and place in words of some framework vertices."""


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
        Least section within 1 mm of the valley between the units; NaN where it was not seen all
        round.
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


UNSUPPORTED, SHARP_EDGE = "unsupported composite", "sharp edge"


@dataclasses.dataclass(frozen=True, slots=True)
class Spot:
    """A place where the framework serves its veneer badly.

    Parameters
    ----------
    kind : str
        `UNSUPPORTED` or `SHARP_EDGE`.
    tooth, surface, place : str
        Where it lies, the last in words.
    value_mm, u_mm, limit_mm : float
        Composite over the nearest metal, or radius of the edge.
    size : float
        Area in mm² of the one, length in mm of the other.
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

    def weights(self) -> frozenset[Weight]:
        """What its connectors and spots weigh in the verdict."""
        measured = [connector.weight for connector in self.connectors]
        return frozenset([*measured, *(spot.weight for spot in self.spots)])


@dataclasses.dataclass(frozen=True, slots=True)
class Question:
    """Something only the technician can answer; not a finding."""

    kind: str
    area_mm2: float
    centre_mm: tuple[float, float, float]
    words: str
    place: str = ""
    """Tooth, surface, third and part in words; empty where nothing is known."""


class Answer(StrEnum):
    """Whether the least layer can be had, where the metal's other side is known."""

    TAKE_OFF = "take off"
    METAL_TOO_THIN = "metal too thin"
    NO_ROOM = "no room"
    UNKNOWN = "unknown"


class Trend(StrEnum):
    """What became of a zone since an earlier check."""

    NEW = "new"
    SAME = "same"
    BETTER = "better"
    WORSE = "worse"


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
    """

    earlier: str
    corrected: tuple[Gone, ...]
    trends: tuple[tuple[int, Trend], ...]
    taken_off_mm: Floats


@dataclasses.dataclass(frozen=True, slots=True)
class Statistics:
    """Area-weighted figures of a reading, in mm; NaN where nothing was measured."""

    min_mm: float
    p05_mm: float
    median_mm: float
    mean_mm: float
    p95_mm: float
    max_mm: float


@dataclasses.dataclass(frozen=True, slots=True)
class Fault:
    """Something found in a scan, and what was done about it."""

    kind: str
    count: int
    words: str
    centre_mm: tuple[float, float, float] | None = None


@dataclasses.dataclass(frozen=True, slots=True)
class ScanSource:
    """Where a surface came from."""

    file: str
    sha256: str
    unit: str
    triangles: int
    area_mm2: float
    faults: tuple[Fault, ...] = ()


@dataclasses.dataclass(frozen=True, slots=True)
class LayerLimits:
    """Least and greatest composite over the opaquer, in mm."""

    least_mm: float
    greatest_mm: float


WAX, CAST = "wax", "cast"
"""The first two stages of the work: the cut-back pattern, and its casting."""


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
    frame: Frame = Frame()
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
    structure: Structure = Structure()


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
