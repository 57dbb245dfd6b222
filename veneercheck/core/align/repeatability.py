"""The laboratory's own noise and seating: one unchanged body, taken off, seated, scanned again."""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Sequence

import numpy as np

from veneercheck.core.align.alignment import align
from veneercheck.core.align.options import AlignOptions
from veneercheck.core.align.patches import parts
from veneercheck.core.errors import MeshError, Told
from veneercheck.core.mesh.nearest import NearestSurface
from veneercheck.core.mesh.triangles import vertex_areas, vertex_normals
from veneercheck.core.types import Alignment, AlignmentState, Floats, Ints, TriangleMesh

_PART_MM = 9.0
"""About a tooth's width."""

_PART_MM2 = 5.0
_SAME_MM = 0.3
"""What lies farther off was seen by one scan alone."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Repeatability:
    """Scatter of repeated scans of one body (ISO 5725: repeatability; no trueness).

    Parameters
    ----------
    pairs : int
        Pairs that could be aligned; each scan with every later one.
    noise_mm : float
        Standard deviation of one scan's surface about the other's, of one scan.
    seating_mm : ndarray, shape (3,)
        Standard deviation of one seating along the frame's axes, at the body's centre: only where
        the scans share a frame; NaN else.
    distortion_mm : float
        Standard deviation of one scan's form over lengths of a tooth's width and more, noise
        averaged out.
    place_mm : ndarray, shape (p, 3)
        Middle of each part of the first scan, about a tooth's width wide, in its own frame.
    distortion_there_mm : ndarray, shape (p,)
        The same at that place alone.
    refused : tuple of str
        Pairs that could not be aligned, in words.
    """

    scans: int
    pairs: int
    noise_mm: float
    seating_mm: Floats
    distortion_mm: float
    place_mm: Floats
    distortion_there_mm: Floats
    refused: tuple[str, ...]

    @property
    def seating_u_mm(self) -> float:
        """What a profile takes: the worst direction of the seating together with distortion."""
        return float(np.hypot(self.seating_mm.max(), self.distortion_mm))

    def words(self) -> tuple[str, ...]:
        """What was measured, a line each."""
        lines = [
            Told(
                "{scans} scans, {pairs} pairs compared; repeatability as standard deviations of "
                "one scan (ISO 5725), no trueness",
                scans=self.scans,
                pairs=self.pairs,
            ),
            Told("noise: {value:.1f} µm after smoothing", value=1000 * self.noise_mm),
        ]
        if np.isfinite(self.seating_mm).all():
            x, y, z = 1000 * self.seating_mm
            lines.append(
                Told(
                    "seating along x, y, z of the scans: {x:.1f}, {y:.1f}, {z:.1f} µm",
                    x=x,
                    y=y,
                    z=z,
                )
            )
        else:
            lines.append(Told("seating: not told, since the scans are not said to share a frame"))
        if np.isfinite(self.distortion_mm):
            worst = int(np.argmax(self.distortion_there_mm))
            x, y, z = self.place_mm[worst]
            lines.append(
                Told(
                    "distortion: {value:.1f} µm, most near ({x:.1f}, {y:.1f}, {z:.1f}): "
                    "{value_2:.1f} µm",
                    value=1000 * self.distortion_mm,
                    x=x,
                    y=y,
                    z=z,
                    value_2=1000 * self.distortion_there_mm[worst],
                )
            )
        return (*lines, *self.refused)


def repeatability(
    scans: Sequence[TriangleMesh],
    *,
    shared_frame: bool = False,
    options: AlignOptions = AlignOptions(),  # noqa: B008 - frozen
) -> Repeatability:
    """Measure how well one laboratory repeats a scan.

    Parameters
    ----------
    scans : sequence of TriangleMesh
        At least two, of the same unchanged body.
    shared_frame : bool, optional
        The scanner keeps one frame (the plate): the shift between the scans is then the seating.

    Raises
    ------
    MeshError
        If there are fewer than two scans.

    Notes
    -----
    The difference of two scans has twice the variance of one.
    """
    if len(scans) < 2:
        raise MeshError("repeatability needs at least two scans of the same body.")
    variance: list[float] = []
    forms: list[Floats] = []
    part = parts(scans[0].points_mm, _PART_MM)
    shifts: list[Floats] = []
    refused: list[str] = []
    for i, j in itertools.combinations(range(len(scans)), 2):
        found = align(scans[i], scans[j], options=options)
        if found.state is AlignmentState.FAILED:
            refused.append(
                Told(
                    "scans {i} and {j}: {reasons}",
                    i=i + 1,
                    j=j + 1,
                    reasons="; ".join(reason.words for reason in found.reasons),
                )
            )
            continue
        variance.append(found.rms_mm**2 / 2)
        forms.append(_form(scans[i], scans[j], found, _carried(part, scans[0], scans[i], options)))
        centre = found.centre_mm
        shifts.append(centre - found.waxup_from_framework.inverse().apply(centre[None])[0])
    seating = np.full(3, np.nan)
    if shared_frame and shifts:
        seating = np.sqrt(np.mean(np.square(shifts), axis=0) / 2)
    noise = float(np.sqrt(np.mean(variance))) if variance else float("nan")
    place = np.array([scans[0].points_mm[part == k].mean(axis=0) for k in range(part.max() + 1)])
    square = np.mean(np.square(forms), axis=0) if forms else np.full(len(place), np.nan)
    there, known = np.sqrt(square / 2), np.isfinite(square)
    return Repeatability(
        scans=len(scans),
        pairs=len(variance),
        noise_mm=noise,
        seating_mm=seating,
        distortion_mm=float(np.sqrt(np.mean(there[known] ** 2))) if known.any() else float("nan"),
        place_mm=place[known],
        distortion_there_mm=there[known],
        refused=tuple(refused),
    )


def _carried(part: Ints, first: TriangleMesh, other: TriangleMesh, options: AlignOptions) -> Ints:
    """Parts of the first scan, carried over to another one by the nearest vertex."""
    if other is first:
        return part
    from scipy.spatial import cKDTree

    back = align(other, first, options=options).waxup_from_framework
    return np.asarray(part[cKDTree(first.points_mm).query(back.apply(other.points_mm))[1]])


def _form(scan: TriangleMesh, other: TriangleMesh, found: Alignment, part: Ints) -> Floats:
    """Mean offset of two fitted scans in every part, NaN where too little of it is in both."""
    motion = found.waxup_from_framework
    points, normal = motion.apply(scan.points_mm), motion.turn(vertex_normals(scan))
    near = NearestSurface(other).query(points)
    offset = np.einsum("ij,ij->i", points - near.point_mm, normal)
    weight = vertex_areas(scan) * (near.distance_mm < _SAME_MM)
    area = np.bincount(part, weights=weight)
    total = np.bincount(part, weights=weight * offset)
    return np.where(area > _PART_MM2, total / np.maximum(area, 1e-12), np.nan)
