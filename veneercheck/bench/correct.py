"""The model on which a guess is corrected: packed for the page, and what was painted as a file."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from veneercheck.bench.store import Job
from veneercheck.core.errors import RecordError
from veneercheck.core.mesh.densify import refine
from veneercheck.core.mesh.triangles import vertex_areas
from veneercheck.core.types import Floats, Ints, Region, TriangleMesh
from veneercheck.report.filed import FiledResult, read_result
from veneercheck.report.pack import Pack, add_mesh, page_order
from veneercheck.scan import painted_ply_bytes, read_scan
from veneercheck.scan.units import MM_PER_UNIT

BRUSHES = (Region.UNSORTED, Region.CUT, Region.UNCUT, Region.MODEL)
"""What the page's numbers stand for: 0 nothing painted, then the colours of a mask."""

_FINE_MM = 0.4
"""A brush is a millimetre or more across; a coarser mesh would fray its edge."""

_DIGITS = 3
"""Points on teeth to a micrometre."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class _Model:
    """The framework as it stands in the result, numbered as the page numbers it."""

    mesh: TriangleMesh
    old: Ints
    waxup_from_framework: Floats
    filed: FiledResult


def _model(job: Job) -> _Model:
    """In the wax-up's frame; where the alignment failed, the scan in its own."""
    filed = read_result(job.out)
    mesh, motion = filed.mesh, np.array(filed.document["alignment"]["waxup_from_framework"])
    if mesh is None:
        scan = read_scan(job.scan("framework").path, unit=_unit(filed.document))
        mesh, motion = refine(scan.mesh, _FINE_MM)[0], np.eye(4)
    numbered, old = page_order(mesh)
    return _Model(numbered, old, motion, filed)


def _unit(document: Mapping[str, Any]) -> str:
    return str(document["scans"]["framework"]["unit"])


def model(job: Job) -> dict[str, Any]:
    """What the page needs to show the framework and what was found on it.

    Raises
    ------
    RecordError
        If the check has no result.
    """
    shown = _model(job)
    points = shown.mesh.points_mm
    middle = np.round(0.5 * (points.min(axis=0) + points.max(axis=0)), _DIGITS)
    pack = Pack()
    plan = {
        "framework": add_mesh(pack, shown.mesh, middle),
        "middle": middle.tolist(),
        "radius": float(np.linalg.norm(points - middle, axis=1).max()),
        "aligned": shown.filed.mesh is not None,
        "codes": pack.add(_column(shown, shown.filed.region) + _column(shown, shown.filed.tooth)),
        "teeth": _middles(shown),
        "guess": _guess(shown),
    }
    return {"plan": plan, "data": pack.text()}


def _column(shown: _Model, codes: Ints | None) -> bytes:
    count = len(shown.mesh.points_mm)
    return bytes(count) if codes is None else codes[shown.old].astype(np.uint8).tobytes()


def _guess(shown: _Model) -> dict[str, Any]:
    """The directions as the check took them; nothing where it never came to them."""
    if shown.filed.mesh is None:
        return {}
    frame = shown.filed.document["case"]["frame"]
    return {name: frame[name] for name in ("occlusal", "buccal", "guessed", "sides_known")}


def _middles(shown: _Model) -> dict[str, list[float]]:
    """For every tooth that was found its middle, in the wax-up's frame."""
    if shown.filed.tooth is None:
        return {}
    tooth = shown.filed.tooth[shown.old]
    area = vertex_areas(shown.mesh)
    return {
        str(code): np.round(
            np.average(shown.mesh.points_mm[tooth == code], axis=0, weights=area[tooth == code]),
            _DIGITS,
        ).tolist()
        for code in np.unique(tooth[tooth > 0]).tolist()
    }


def painted(job: Job, brushes: bytes) -> bytes:
    """What was painted, a byte a vertex, as a painted copy of the framework in its own frame.

    Raises
    ------
    RecordError
        If it does not belong to this model, or nothing is painted.
    """
    shown = _model(job)
    codes: npt.NDArray[np.uint8] = np.frombuffer(brushes, dtype=np.uint8)
    if len(codes) != len(shown.mesh.points_mm) or codes.max(initial=0) >= len(BRUSHES):
        raise RecordError(
            "this was painted on another model.", next_step="Load the page again and paint anew."
        )
    if not np.isin(codes, (1, 2)).any():
        raise RecordError(
            "nothing is painted to be veneered or as left uncut.", next_step="Paint one of them."
        )
    rotation, shift = shown.waxup_from_framework[:3, :3], shown.waxup_from_framework[:3, 3]
    own = (shown.mesh.points_mm - shift) @ rotation
    paint = np.array([int(region) for region in BRUSHES])[codes]
    own /= MM_PER_UNIT[_unit(shown.filed.document)]
    return painted_ply_bytes(own, shown.mesh.faces, paint)
