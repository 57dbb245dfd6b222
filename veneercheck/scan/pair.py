"""Framework and wax-up together: what only shows when both are known."""

from __future__ import annotations

import dataclasses

import numpy as np

from veneercheck.core.mesh.triangles import side_by_side
from veneercheck.core.mesh.triangles import unit as unit_vectors
from veneercheck.core.types import Fault, Floats, TriangleMesh
from veneercheck.scan.limits import ReadCaps
from veneercheck.scan.reading import Scan, ScanPath, read_scan

_PROBES = 192
"""Framework points compared with the wax-up: enough that a tenth of the surface shows in 19."""

_TARGETS = 20_000
"""Triangles of the wax-up that they are compared with: about 0.3 mm apart on a bridge."""

_NEAR_MM = 3.0
"""Farther from the other scan a point says nothing: no veneer is deeper."""

_UNCUT_MM = 0.15
"""Within this the two surfaces count as one: noise and the spacing of the points together."""

_CUT_MM = 0.3
"""From here on a point was cut back, or stands out."""

_SHARED_FRAME = 0.25
"""Share of points that lie on the other scan from which both are in one frame."""

_STANDS_OUT = 0.08
"""Share of points outside the wax-up from which a swap is likely."""

_OUT_OF_ALL_MOVED = 0.8
"""Of the points that do not lie on the wax-up, share outside it: spots over contour are few."""

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
    remarks = [
        *_units_differ(framework, waxup),
        *_sizes_differ(framework.mesh, waxup.mesh),
        *_same_twice(framework, waxup),
    ]
    if not any(remark.kind.startswith("same_") for remark in remarks):
        remarks += swapped(framework.mesh, waxup.mesh)
    return tuple(remarks)


def _units_differ(framework: Scan, waxup: Scan) -> list[Fault]:
    one, other = framework.source.unit, waxup.source.unit
    if one == other:
        return []
    words = f"the framework was read in {one}, the wax-up in {other}; both are now in mm."
    return [Fault("units_differ", 2, words, values={"framework": one, "waxup": other})]


def _sizes_differ(framework: TriangleMesh, waxup: TriangleMesh) -> list[Fault]:
    sizes = [float(np.ptp(mesh.points_mm, axis=0).max()) for mesh in (framework, waxup)]
    ratio = max(sizes) / max(min(sizes), np.finfo(float).tiny)
    if ratio < _SIZE_RATIO:
        return []
    words = (
        f"the framework is {sizes[0]:.1f} mm across, the wax-up {sizes[1]:.1f} mm: "
        "another unit, or not the same piece of work?"
    )
    values = {"framework": sizes[0], "waxup": sizes[1]}
    return [Fault("sizes_differ", 1, words, values=values)]


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


def swapped(framework: TriangleMesh, waxup: TriangleMesh) -> list[Fault]:
    """Whether the framework stands outside the wax-up, as if the two were exchanged.

    Says something only when both lie in one frame: read so, or after the alignment.

    Returns
    -------
    list of Fault
        One, or none.
    """
    offset = _offsets(framework, waxup)
    near = offset[np.isfinite(offset)]
    on_it = int((np.abs(near) <= _UNCUT_MM).sum())
    out, inside = int((near > _CUT_MM).sum()), int((near < -_CUT_MM).sum())
    if on_it < _SHARED_FRAME * _PROBES or out < _STANDS_OUT * _PROBES:
        return []
    if out < _OUT_OF_ALL_MOVED * (out + inside):
        return []
    words = (
        "where the two scans differ the framework stands outside the wax-up: "
        "were they given the wrong way round?"
    )
    return [Fault("swapped", 1, words)]


def _offsets(framework: TriangleMesh, waxup: TriangleMesh) -> Floats:
    """Signed distance of some framework points from the wax-up, positive outside.

    Taken to the plane of the triangle whose middle is nearest; NaN beyond reach.
    """
    count = len(framework.points_mm)
    probes = framework.points_mm[np.arange(_PROBES) * count // _PROBES]
    step = max(1, len(waxup.faces) // _TARGETS)
    corners = waxup.points_mm[waxup.faces[::step]]
    middles = corners.mean(axis=1)
    origin = middles.mean(axis=0)
    a, b = (probes - origin).astype(np.float32), (middles - origin).astype(np.float32)
    nearest = np.argmin(np.einsum("ij,ij->i", b, b)[None, :] - 2.0 * (a @ b.T), axis=1)
    span = probes - middles[nearest]
    normal = unit_vectors(
        np.cross(
            corners[nearest, 1] - corners[nearest, 0], corners[nearest, 2] - corners[nearest, 0]
        )
    )
    offset = np.einsum("ij,ij->i", span, normal)
    far = np.einsum("ij,ij->i", span, span) > _NEAR_MM**2
    return np.where(far, np.nan, offset)
