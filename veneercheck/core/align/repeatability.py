"""The laboratory's own noise and seating: one unchanged body, taken off, seated, scanned again."""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Sequence

import numpy as np

from veneercheck.core.align.alignment import align
from veneercheck.core.align.options import AlignOptions
from veneercheck.core.errors import MeshError
from veneercheck.core.types import AlignmentState, Floats, TriangleMesh


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Repeatability:
    """Scatter of repeated scans of one body (ISO 5725: repeatability; no trueness).

    Parameters
    ----------
    scans : int
    pairs : int
        Pairs that could be aligned; each scan with every later one.
    noise_mm : float
        Standard deviation of one scan's surface about the other's, of one scan.
    seating_mm : ndarray, shape (3,)
        Standard deviation of one seating along the frame's axes, at the body's centre: only where
        the scans share a frame; NaN else.
    refused : tuple of str
        Pairs that could not be aligned, in words.
    """

    scans: int
    pairs: int
    noise_mm: float
    seating_mm: Floats
    refused: tuple[str, ...]


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
    options : AlignOptions, optional

    Returns
    -------
    Repeatability

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
    shifts: list[Floats] = []
    refused: list[str] = []
    for i, j in itertools.combinations(range(len(scans)), 2):
        found = align(scans[i], scans[j], options=options)
        if found.state is AlignmentState.FAILED:
            refused.append(f"scans {i + 1} and {j + 1}: " + "; ".join(found.reasons))
            continue
        variance.append(found.rms_mm**2 / 2)
        centre = found.centre_mm
        shifts.append(centre - found.waxup_from_framework.inverse().apply(centre[None])[0])
    seating = np.full(3, np.nan)
    if shared_frame and shifts:
        seating = np.sqrt(np.mean(np.square(shifts), axis=0) / 2)
    noise = float(np.sqrt(np.mean(variance))) if variance else float("nan")
    return Repeatability(len(scans), len(variance), noise, seating, tuple(refused))
