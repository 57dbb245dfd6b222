"""The map as a PLY file that any viewer opens, and back; contour and die beside it."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import numpy.typing as npt

from veneercheck.core.divide.anatomy import Surface
from veneercheck.core.errors import RecordError, Told
from veneercheck.core.types import (
    Check,
    FindingKind,
    Floats,
    Ints,
    Recheck,
    Region,
    TriangleMesh,
)
from veneercheck.report.colours import Bands, readable_layer, vertex_colours

_PLACE = [("x", "<f4"), ("y", "<f4"), ("z", "<f4")]
_READ = ("space_mm", "layer_mm", "u_mm", "nearest_mm")
_JUDGED = ("ball_mm", "judged_low_mm", "judged_high_mm", "u_judged_mm", "metal_mm")
_LIKELY = ("p_thin", "p_thick")
_ADVICE = ("amount_mm", "taken_off_mm")
_READINGS = [(name, "<f4") for name in _READ + _JUDGED + _LIKELY + _ADVICE]
_CODED = ("region", "finding", "tooth", "surface")
_CODES = [(name, "u1") for name in (*_CODED, "red", "green", "blue")]
_VERTEX = np.dtype([*_PLACE, *_READINGS, *_CODES, ("zone", "<i2")])
_OLDER = np.dtype(_PLACE + _READINGS + _CODES)
"""Maps from before the zone was a column."""

_FACE = np.dtype([("corners", "u1"), ("vertex", "<i4", (3,))])
_WORDS = {"f4": "float", "u1": "uchar", "i2": "short"}
_ZONE = "zone: its number in the list, 0 none"
_NEXT = Told("Check the case again: `veneercheck check` writes the folder anew.")
_LONGEST_HEADER = 4096
"""Bytes to look for the end of a header in; ours is below 2000."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class SpacePly:
    """The framework in the wax-up's frame with its readings; arrays of shape (n,).

    `u_mm` is that of the layer, `high_mm` what is held against the greatest, opaquer and beads not
    taken off; `zone` is None in a map from before it was a column.
    """

    mesh: TriangleMesh
    space_mm: Floats
    layer_mm: Floats
    u_mm: Floats
    nearest_mm: Floats
    metal_mm: Floats
    amount_mm: Floats
    region: Ints
    finding: Ints
    tooth: Ints
    surface: Ints
    zone: Ints | None = None
    high_mm: Floats | None = None


def space_ply_bytes(check: Check, recheck: Recheck | None = None) -> list[bytes]:
    """The file of a check that measured something, in parts to write one after another."""
    space = check.space
    if space is None:
        raise RecordError("nothing was measured, so there is no map to write.")
    bands = Bands(check.limits.layer.least_mm, check.limits.layer.greatest_mm)
    vertices = _placed(check.framework, _VERTEX)
    for name in _READ + _JUDGED:
        vertices[name] = getattr(space, name)
    for name in _CODED:
        codes = getattr(check, name)
        vertices[name] = 0 if codes is None else codes
    for name in _LIKELY:
        known = getattr(check, name)
        vertices[name] = np.nan if known is None else known
    vertices["amount_mm"] = np.nan if check.amount_mm is None else check.amount_mm
    vertices["taken_off_mm"] = np.nan if recheck is None else recheck.taken_off_mm
    vertices["zone"] = zone_numbers(check)
    layer = readable_layer(space.layer_mm, space.nearest_mm, check.limits.taken_mm)
    rgb = vertex_colours(layer, check.region, check.finding, bands)
    for column, name in enumerate(("red", "green", "blue")):
        vertices[name] = rgb[:, column]
    return _parts(vertices, check.framework.faces, [*_comments(), _ZONE])


def zone_numbers(check: Check) -> Ints:
    """The number in the list of the zone that each vertex belongs to, 0 for none, shape (n,)."""
    number = np.zeros(len(check.framework.points_mm), dtype=np.int64)
    for zone in reversed(check.zones):
        number[zone.vertices] = zone.id
    return number


def surface_ply_bytes(mesh: TriangleMesh, what: str) -> list[bytes]:
    """A surface alone, for outlines and sections, in parts to write."""
    return _parts(_placed(mesh, np.dtype(_PLACE)), mesh.faces, [what])


def read_space_ply(path: Path) -> SpacePly:
    """Read a map written here.

    Raises
    ------
    RecordError
        If the file is missing or is not a map of this program.
    """
    vertices, faces = _read(path, _VERTEX, _OLDER)
    space, layer, u, nearest, metal, amount = (
        vertices[name].astype(np.float64)
        for name in ("space_mm", "layer_mm", "u_judged_mm", "nearest_mm", "metal_mm", "amount_mm")
    )
    region, finding, tooth, surface = (vertices[name].astype(np.int64) for name in _CODED)
    zone = vertices["zone"].astype(np.int64) if "zone" in _names(vertices.dtype) else None
    return SpacePly(
        mesh=_mesh(vertices, faces),
        space_mm=space,
        layer_mm=layer,
        u_mm=u,
        nearest_mm=nearest,
        metal_mm=metal,
        amount_mm=amount,
        region=region,
        finding=finding,
        tooth=tooth,
        surface=surface,
        zone=zone,
        high_mm=vertices["judged_high_mm"].astype(np.float64),
    )


def read_surface_ply(path: Path) -> TriangleMesh:
    """Read a surface written here; `RecordError` as for the map."""
    return _mesh(*_read(path, np.dtype(_PLACE)))


def _placed(mesh: TriangleMesh, dtype: np.dtype[np.void]) -> npt.NDArray[np.void]:
    vertices = np.empty(len(mesh.points_mm), dtype=dtype)
    for column, name in enumerate("xyz"):
        vertices[name] = mesh.points_mm[:, column]
    return vertices


def _comments() -> list[str]:
    regions = ", ".join(f"{code.value} {code.name.lower()}" for code in Region)
    findings = ", ".join(f"{code.value} {code.name.lower()}" for code in FindingKind)
    surfaces = ", ".join(f"{code.value} {code.name.lower()}" for code in Surface)
    return [
        "framework in the wax-up's frame, mm; not measured is nan",
        "layer_mm what opaquer and beads leave, as judged; space_mm along the normal",
        "u_mm standard uncertainty of space_mm; nearest_mm signed distance to the nearest contour",
        "ball_mm diameter of the largest ball that touches here and fits under the contour",
        "judged_low_mm, judged_high_mm what is held against least and greatest; their u_judged_mm",
        "p_thin, p_thick probability that the layer is below least, above greatest",
        "metal_mm thickness of the metal straight inward, to its scanned other side or the die",
        "amount_mm: to take off along the outward normal, negative to add",
        "taken_off_mm: how far under an earlier framework, negative above it; nan without one",
        f"region: {regions} (unsorted is bare metal or model)",
        f"finding: {findings}",
        f"tooth: ISO 3950, 0 none; surface: {surfaces}",
    ]


def _parts(vertices: npt.NDArray[np.void], faces: Ints, comments: list[str]) -> list[bytes]:
    header = _header(vertices.dtype, len(vertices), len(faces), comments)
    triangles = np.empty(len(faces), dtype=_FACE)
    triangles["corners"] = 3
    triangles["vertex"] = faces
    return [header, vertices.tobytes(), triangles.tobytes()]


def _header(dtype: np.dtype[np.void], vertices: int, faces: int, comments: list[str]) -> bytes:
    properties = [f"property {_WORDS[dtype[name].str[1:]]} {name}" for name in _names(dtype)]
    lines = [
        "ply",
        "format binary_little_endian 1.0",
        *(f"comment {comment}" for comment in comments),
        f"element vertex {vertices}",
        *properties,
        f"element face {faces}",
        "property list uchar int vertex_indices",
        "end_header",
    ]
    return ("\n".join(lines) + "\n").encode("ascii")


def _names(dtype: np.dtype[np.void]) -> tuple[str, ...]:
    return dtype.names or ()


def _read(
    path: Path, *forms: np.dtype[np.void]
) -> tuple[npt.NDArray[np.void], npt.NDArray[np.void]]:
    try:
        data = path.read_bytes()
    except OSError as error:
        raise RecordError(
            Told("the file cannot be read ({strerror}).", strerror=error.strerror),
            where=str(path),
            next_step=_NEXT,
        ) from error
    start = data.find(b"end_header\n", 0, _LONGEST_HEADER) + len(b"end_header\n")
    for form in forms:
        counts = _counts(data[:start], form)
        if counts and len(data) == start + counts[0] * form.itemsize + counts[1] * _FACE.itemsize:
            vertices = np.frombuffer(data, form, counts[0], start)
            return vertices, np.frombuffer(data, _FACE, counts[1], start + vertices.nbytes)
    raise RecordError(
        "this is not a whole map as this program writes it.", where=str(path), next_step=_NEXT
    )


def _counts(header: bytes, dtype: np.dtype[np.void]) -> tuple[int, int] | None:
    lines = header.decode("ascii", errors="replace").splitlines()
    counts = [line.split()[-1] for line in lines if line.startswith("element ")]
    if len(counts) != 2 or not all(count.isdecimal() for count in counts):
        return None
    vertices, faces = int(counts[0]), int(counts[1])
    comments = [line.removeprefix("comment ") for line in lines if line.startswith("comment ")]
    return (vertices, faces) if header == _header(dtype, vertices, faces, comments) else None


def _mesh(vertices: npt.NDArray[np.void], faces: npt.NDArray[np.void]) -> TriangleMesh:
    points = np.stack([vertices[name] for name in "xyz"], axis=1).astype(np.float64)
    return TriangleMesh(points, faces["vertex"].astype(np.int64))
