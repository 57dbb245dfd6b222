"""The door for scans: a file becomes a sound mesh in millimetres."""

from __future__ import annotations

import dataclasses
import os
from pathlib import Path

import numpy as np
import numpy.typing as npt

from veneercheck.core.errors import ScanError, Told
from veneercheck.core.types import Bools, Fault, Ints, ScanSource, TriangleMesh
from veneercheck.machine.memory import bounded
from veneercheck.scan.condition import put_right
from veneercheck.scan.formats import parse
from veneercheck.scan.intake import Intake, take_in, unpacked
from veneercheck.scan.limits import ReadCaps
from veneercheck.scan.merge import merge_equal
from veneercheck.scan.raw import RawSurface
from veneercheck.scan.units import MM_PER_UNIT, check_coordinates, extent, judge_unit

ScanPath = str | os.PathLike[str]
KINDS = ("scan", "key")
"""A scan faces outward; a silicone key faces inward and is taken as it is."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Scan:
    """A scan in millimetres, put right, with what was found.

    Parameters
    ----------
    mesh : TriangleMesh
        Merged, oriented, numbered by first use.
    source : ScanSource
        File, hash of the bytes that were read, unit, and every fault.
    paint : ndarray of int64, shape (n,), or None
        Region code that a painted mask gives each vertex (see `paint.PAINT_COLOURS`), −1 where
        it leaves it to the program; None without a mask.
    filled : ndarray of bool, shape (n,), or None
        Vertices of areas that look filled in by the scanner and must not be measured.
    noise_mm : float
        Estimated noise of the surface, standard deviation; NaN where it cannot be told.
    """

    mesh: TriangleMesh
    source: ScanSource
    paint: Ints | None = None
    filled: Bools | None = None
    noise_mm: float = float("nan")


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class _File:
    name: str
    sha256: str
    raw: RawSurface


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class _Merged:
    """Points of a file in its own unit, each once."""

    points: npt.NDArray[np.floating]
    faces: Ints
    paint: Ints | None
    faults: tuple[Fault, ...]


def read_scan(
    path: ScanPath,
    *,
    unit: str | None = None,
    caps: ReadCaps | None = None,
    kind: str = "scan",
) -> Scan:
    """Read a scan.

    Parameters
    ----------
    unit : str, optional
        Of the coordinates; by the format or by their size if not given.
    kind : {"scan", "key"}
        A silicone key is declared: it is never turned inside out.

    Raises
    ------
    ScanError
        If a file cannot be read as a surface in millimetres: what, where, and what to do.
    """
    caps = caps or ReadCaps()
    if kind not in KINDS:
        raise ScanError(
            Told("«{kind}» is no kind of scan.", kind=kind),
            next_step=Told("Use one of {kinds}.", kinds=KINDS),
        )
    return _scan_of(_take(Path(path), caps), unit, caps, declared=kind == "key")


@bounded
def _take(path: Path, caps: ReadCaps) -> _File:
    return _parsed(take_in(path, caps), caps)


def _parsed(intake: Intake, caps: ReadCaps) -> _File:
    return _File(intake.name, intake.sha256, parse(unpacked(intake, caps), caps))


def scan_from_bytes(
    intake: Intake, *, unit: str | None = None, caps: ReadCaps | None = None, kind: str = "scan"
) -> Scan:
    """Read a scan that is in memory already; takes and refuses what `read_scan` does."""
    limits = caps or ReadCaps()
    return _scan_of(_parsed(intake, limits), unit, limits, declared=kind == "key")


def _scan_of(file: _File, asked: str | None, caps: ReadCaps, *, declared: bool) -> Scan:
    merged = _merge(file)
    caps.check_triangles(len(merged.faces), file.name)
    unit, told = judge_unit(extent(merged.points), file.raw.unit, asked, file.name)
    check_coordinates(merged.points, MM_PER_UNIT[unit], file.name)
    points = merged.points.astype(np.float64) * MM_PER_UNIT[unit]
    condition = put_right(points, merged.faces, file.name, declared=declared)
    source = ScanSource(
        file.name,
        file.sha256,
        unit,
        len(condition.mesh.faces),
        condition.area_mm2,
        (told, *merged.faults, *condition.faults),
    )
    return Scan(
        condition.mesh,
        source,
        None if merged.paint is None else merged.paint[condition.origin],
        condition.filled,
        condition.noise_mm,
    )


def _merge(file: _File) -> _Merged:
    raw = file.raw
    # Before the unit is known the smallest one gives the benefit of the doubt.
    check_coordinates(raw.points, min(MM_PER_UNIT.values()), file.name)
    points = raw.points + raw.points.dtype.type(0)  # −0 becomes 0, so that equal means alike
    first, number = merge_equal(points)
    faces = number.reshape(-1, 3) if raw.faces is None else number[raw.faces]
    faults = raw.faults
    if raw.faces is not None and len(first) < len(points):
        count = len(points) - len(first)
        words = "{count:,} vertices stood where another one stands already; merged."
        faults = (*faults, Fault.of("unmerged_vertices", count, words))
    paint = None if raw.paint is None else raw.paint[first]
    return _Merged(points[first], faces, paint, faults)
