"""Framework and wax-up together: what only shows when both are known."""

from __future__ import annotations

import dataclasses

import numpy as np

from veneercheck.core.mesh.triangles import side_by_side
from veneercheck.core.types import Fault, TriangleMesh
from veneercheck.scan.limits import ReadCaps
from veneercheck.scan.reading import Scan, ScanPath, read_scan

_SIZE_RATIO = 2.5
"""A bridge beside a whole arch is met; more than that is another unit or another case."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class ScanPair:
    """The two scans of a case.

    Parameters
    ----------
    remarks : tuple of Fault
        What is odd about the two together.
    """

    framework: Scan
    waxup: Scan
    remarks: tuple[Fault, ...]


def read_pair(
    framework: ScanPath,
    waxup: ScanPath,
    *,
    unit: str | None = None,
    caps: ReadCaps | None = None,
    waxup_kind: str = "scan",
) -> ScanPair:
    """Read both scans of a case and compare them.

    Parameters
    ----------
    unit : str, optional
        Of both.
    waxup_kind : {"scan", "key"}
        A silicone key may stand in for the wax-up when it is declared as such.

    Raises
    ------
    ScanError
        If either cannot be read; the framework's refusal comes first.
    """
    one, other = side_by_side(  # numpy sorts and hashes without the interpreter's lock
        lambda: read_scan(framework, unit=unit, caps=caps),
        lambda: read_scan(waxup, unit=unit, caps=caps, kind=waxup_kind),
    )
    return pair_of(one, other)


def pair_of(framework: Scan, waxup: Scan) -> ScanPair:
    """Two scans that are read, with what is odd about them together."""
    return ScanPair(framework, waxup, _remarks(framework, waxup))


def _remarks(framework: Scan, waxup: Scan) -> tuple[Fault, ...]:
    return (
        *_units_differ(framework, waxup),
        *_sizes_differ(framework.mesh, waxup.mesh),
        *_same_twice(framework, waxup),
    )


def _units_differ(framework: Scan, waxup: Scan) -> list[Fault]:
    one, other = framework.source.unit, waxup.source.unit
    if one == other:
        return []
    words = "the framework was read in {framework}, the wax-up in {waxup}; both are now in mm."
    return [Fault.of("units_differ", 2, words, framework=one, waxup=other)]


def _sizes_differ(framework: TriangleMesh, waxup: TriangleMesh) -> list[Fault]:
    sizes = [float(np.ptp(mesh.points_mm, axis=0).max()) for mesh in (framework, waxup)]
    ratio = max(sizes) / max(min(sizes), np.finfo(float).tiny)
    if ratio < _SIZE_RATIO:
        return []
    words = (
        "the framework is {framework:.1f} mm across, the wax-up {waxup:.1f} mm: "
        "another unit, or not the same piece of work?"
    )
    return [Fault.of("sizes_differ", 1, words, framework=sizes[0], waxup=sizes[1])]


def _same_twice(framework: Scan, waxup: Scan) -> list[Fault]:
    if framework.source.sha256 == waxup.source.sha256:
        words = "the same file was given as framework and as wax-up: there is no space between."
        return [Fault("same_file_twice", 1, words)]
    one, other = framework.mesh, waxup.mesh
    if one.points_mm.shape != other.points_mm.shape or one.faces.shape != other.faces.shape:
        return []
    if not (np.abs(one.points_mm - other.points_mm).max() < 1e-6):
        return []
    words = "framework and wax-up are two files of one and the same surface."
    return [Fault("same_surface_twice", 1, words)]
