"""Two scans laid on each other by hand: both packed for the page, and a first look at a start."""

from __future__ import annotations

import functools
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from veneercheck.bench.store import Job
from veneercheck.core.align import Bodies, lay
from veneercheck.core.errors import ProfileError
from veneercheck.core.types import TriangleMesh
from veneercheck.profile import parse_case
from veneercheck.report.filed import read_result
from veneercheck.report.pack import Pack, add_mesh, page_order
from veneercheck.scan import read_scan

_ROLES = ("framework", "waxup")

_TOUCHING_MM = 0.05
"""Within this a place is shown as lying on the contour: noise of two scans, and facets."""

_UNDER, _ON, _OUTSIDE = 1, 2, 3
"""What the page shows a framework vertex as."""


def scans(job: Job) -> dict[str, Any]:
    """What the page needs to show both scans, each in its own frame.

    Raises
    ------
    RecordError
        If the check has no result.
    """
    pack, plan = Pack(), {}
    bodies = _bodies(job.folder)
    for role, mesh in zip(_ROLES, (bodies.framework, bodies.waxup), strict=True):
        points = mesh.points_mm
        middle = np.round(0.5 * (points.min(axis=0) + points.max(axis=0)), 3)
        plan[role] = {
            "mesh": add_mesh(pack, mesh, middle),
            "middle": middle.tolist(),
            "radius": float(np.linalg.norm(points - middle, axis=1).max()),
        }
    return {"plan": plan, "data": pack.text()}


def placed(job: Job, asked: object) -> dict[str, Any]:
    """A first look at where the pairs picked lead.

    Raises
    ------
    VeneerCheckError
        If the pairs are refused.
    """
    pairs = asked.get("landmarks") if isinstance(asked, Mapping) else None
    case = parse_case({"landmarks": pairs if isinstance(pairs, list) else None}, where="pairs").case
    if not case.landmarks_mm:
        raise ProfileError("no place was picked.", next_step="Pick three pairs.")
    laid = lay(_bodies(job.folder), case.landmarks_mm)
    shown = np.full(len(laid.outside_mm), _ON, dtype=np.uint8)
    shown[laid.outside_mm < -_TOUCHING_MM] = _UNDER
    shown[laid.outside_mm > _TOUCHING_MM] = _OUTSIDE
    pack = Pack()
    pack.add(shown.tobytes())
    return {
        "apart_mm": np.round(laid.apart_mm, 2).tolist(),
        "touching_mm2": round(laid.touching_mm2),
        "outside_mm2": round(laid.outside_mm2),
        "shown": pack.text(),
    }


@functools.lru_cache(maxsize=1)
def _bodies(folder: Path) -> Bodies:
    """Both scans of a check as the page numbers them; kept for the next pair."""
    job = Job(folder)
    told = read_result(job.out).document["scans"]
    return Bodies.of(*(_mesh(job, role, str(told[role]["unit"])) for role in _ROLES))


def _mesh(job: Job, role: str, unit: str) -> TriangleMesh:
    return page_order(read_scan(job.scan(role).path, unit=unit).mesh)[0]
