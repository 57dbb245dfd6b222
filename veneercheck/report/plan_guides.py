"""What is held against the wax, as files: key plates laid out to be printed, and pins."""

from __future__ import annotations

from pathlib import Path

from veneercheck.core.mesh.triangles import all_in, select_faces, vertex_normals
from veneercheck.core.plan.guide import key_plates, pins
from veneercheck.core.plan.planned import Plan
from veneercheck.core.types import TriangleMesh
from veneercheck.report.plan_drawing import KEYS
from veneercheck.report.threemf import threemf_bytes

PLATES, PINS = f"{KEYS}/plates.3mf", "pins.3mf"

_APART_MM = 4.0
_CLEAR, _DEEP = "#D8D4CAFF", "#184A78FF"


def write_guides(folder: Path, plan: Plan) -> None:
    """Write the plates side by side, flat on the bed of a printer, and the pins in the wax-up.

    A file is left out where there is nothing to hold.
    """
    inside = plan.extent_mm > 0
    veneered, _ = select_faces(plan.contour, all_in(inside, plan.contour.faces))
    plates = key_plates(plan.contour, plan.planes, veneered)
    laid, right = {}, 0.0
    for one in plates:
        low, high = one.body.points_mm.min(axis=0), one.body.points_mm.max(axis=0)
        points = one.body.points_mm - [low[0] - right, low[1], low[2]]
        laid[f"key {one.name}"] = TriangleMesh(points, one.body.faces)
        right += float(high[0] - low[0]) + _APART_MM
    if laid:
        (folder / PLATES).parent.mkdir(exist_ok=True)
        (folder / PLATES).write_bytes(threemf_bytes(laid, _CLEAR))
    deep = pins(plan.contour, vertex_normals(plan.contour), plan.marks)
    if len(deep.faces):
        (folder / PINS).write_bytes(threemf_bytes({"depth pins": deep}, _DEEP))
