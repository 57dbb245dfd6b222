"""The door for scans: one file or several become one sound mesh in millimetres."""

from __future__ import annotations

import dataclasses
import hashlib
import os
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt

from veneercheck.core.errors import ScanError
from veneercheck.core.types import Bools, Fault, Floats, Ints, ScanSource, TriangleMesh
from veneercheck.machine.memory import bounded
from veneercheck.scan.condition import put_right
from veneercheck.scan.formats import parse
from veneercheck.scan.intake import Intake, take_in, unpacked
from veneercheck.scan.limits import ReadCaps
from veneercheck.scan.merge import merge_equal
from veneercheck.scan.raw import NO_PAINT, RawSurface
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
    path: ScanPath | Sequence[ScanPath],
    *,
    unit: str | None = None,
    caps: ReadCaps | None = None,
    kind: str = "scan",
) -> Scan:
    """Read a scan.

    Parameters
    ----------
    path : path or sequence of paths
        One file, or the several that make up one scan in one frame.
    unit : str, optional
        Of the coordinates; by the format or by their size if not given.
    caps : ReadCaps, optional
    kind : {"scan", "key"}
        A silicone key is declared: it is never turned inside out.

    Raises
    ------
    ScanError
        If a file cannot be read as a surface in millimetres: what, where, and what to do.
    """
    paths = [path] if isinstance(path, str | os.PathLike) else list(path)
    caps = caps or ReadCaps()
    _check_request(paths, kind, caps)
    files = [_take(Path(one), caps) for one in paths]
    return _scan_of(files, unit, caps, declared=kind == "key")


def _check_request(paths: list[ScanPath], kind: str, caps: ReadCaps) -> None:
    if kind not in KINDS:
        raise ScanError(f"«{kind}» is no kind of scan.", next_step=f"Use one of {KINDS}.")
    if not paths:
        raise ScanError("no file was given.", next_step="Name the scan file.")
    if len(paths) > caps.files:
        raise ScanError(
            f"{len(paths)} files for one scan; the limit is {caps.files}.",
            next_step="Join them in the scanner's program.",
        )


@bounded
def _take(path: Path, caps: ReadCaps) -> _File:
    return _parsed(take_in(path, caps), caps)


def _parsed(intake: Intake, caps: ReadCaps) -> _File:
    return _File(intake.name, intake.sha256, parse(unpacked(intake, caps), caps))


def scan_from_bytes(
    intake: Intake, *, unit: str | None = None, caps: ReadCaps | None = None, kind: str = "scan"
) -> Scan:
    """Read a scan that is in memory already, such as one sent to the local page.

    Takes and refuses what `read_scan` does.
    """
    limits = caps or ReadCaps()
    return _scan_of([_parsed(intake, limits)], unit, limits, declared=kind == "key")


def _scan_of(files: list[_File], unit: str | None, caps: ReadCaps, *, declared: bool) -> Scan:
    name = " + ".join(file.name for file in files)
    merged = [_merge(file) for file in files]
    caps.check_triangles(sum(len(one.faces) for one in merged), name)
    units, told = _units(files, merged, unit, name)
    for file, one, own in zip(files, merged, units, strict=True):
        check_coordinates(one.points, MM_PER_UNIT[own], file.name)
    points, faces, paint, faults = _joined(merged, units)
    condition = put_right(points, faces, name, declared=declared)
    source = ScanSource(
        name,
        _hash_of(files),
        units[0],
        len(condition.mesh.faces),
        condition.area_mm2,
        (*told, *faults, *condition.faults),
    )
    return Scan(
        condition.mesh,
        source,
        None if paint is None else paint[condition.origin],
        condition.filled,
        condition.noise_mm,
    )


def _hash_of(files: list[_File]) -> str:
    """Of one file its own hash; of several the hash of their hashes, in order."""
    if len(files) == 1:
        return files[0].sha256
    return hashlib.sha256("".join(file.sha256 for file in files).encode("ascii")).hexdigest()


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
        words = f"{count:,} vertices stood where another one stands already; merged."
        faults = (*faults, Fault("unmerged_vertices", count, words))
    paint = None if raw.paint is None else raw.paint[first]
    return _Merged(points[first], faces, paint, faults)


def _units(
    files: list[_File], merged: list[_Merged], asked: str | None, name: str
) -> tuple[list[str], tuple[Fault, ...]]:
    """The unit of every file; those whose format states none are judged together."""
    stated = [file.raw.unit for file in files]
    silent = [one.points for one, unit in zip(merged, stated, strict=True) if unit is None]
    judged: dict[str | None, tuple[str, Fault]] = {}
    for unit in dict.fromkeys(stated):
        clouds = (
            silent
            if unit is None
            else [one.points for one, own in zip(merged, stated, strict=True) if own == unit]
        )
        size = extent(np.concatenate(clouds) if len(clouds) > 1 else clouds[0])
        judged[unit] = judge_unit(size, unit, asked, name)
    return [judged[unit][0] for unit in stated], tuple(fault for _, fault in judged.values())


def _joined(
    merged: list[_Merged], units: list[str]
) -> tuple[Floats, Ints, Ints | None, tuple[Fault, ...]]:
    faults = tuple(fault for one in merged for fault in one.faults)
    scaled = [
        one.points.astype(np.float64) * MM_PER_UNIT[unit]
        for one, unit in zip(merged, units, strict=True)
    ]
    if len(merged) == 1:
        return scaled[0], merged[0].faces, merged[0].paint, faults
    starts = np.cumsum([0, *(len(points) for points in scaled[:-1])])
    faces = np.concatenate([one.faces + at for one, at in zip(merged, starts, strict=True)])
    paint = None
    if any(one.paint is not None for one in merged):
        paint = np.concatenate(
            [
                np.full(len(one.points), NO_PAINT) if one.paint is None else one.paint
                for one in merged
            ]
        )
    points = np.concatenate(scaled)
    first, number = merge_equal(points)
    return points[first], number[faces], None if paint is None else paint[first], faults
