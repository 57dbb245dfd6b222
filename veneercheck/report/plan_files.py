"""A plan's folder: numbers, tables and surfaces, all from one plan."""

from __future__ import annotations

import csv
import io
import json
import math
import re
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import numpy as np

from veneercheck.core.errors import RecordError
from veneercheck.core.plan.planned import Cutting, Plan
from veneercheck.core.plan.shade import ACCEPTABLE, PERCEPTIBLE, Wedge
from veneercheck.core.plan.solid import enclosed_mm3
from veneercheck.core.types import Case, Floats, Limits, ScanSource, TriangleMesh
from veneercheck.report.space_ply import surface_ply_bytes
from veneercheck.report.threemf import threemf_bytes

PLAN, TARGET, TARGET_STL, TARGET_3MF = "plan.json", "target.ply", "target.stl", "target.3mf"
DEPTH, MARKS = "depth.ply", "marks.csv"

SCHEMA = 1
"""Of `plan.json`."""

_PLACE = [("x", "<f8"), ("y", "<f8"), ("z", "<f8")]
_RGB = ("red", "green", "blue")
_FACE = np.dtype([("corners", "u1"), ("vertex", "<i4", 3)])
_TYPES = {"<f8": "double", "<f4": "float", "|u1": "uchar"}

_ROUND = 6
"""Digits of lengths in `plan.json`: nanometres."""

_PLASTER, _SHALLOW, _DEEP, _SHORT = (
    np.array(colour, dtype=np.float64)
    for colour in ((226, 222, 214), (214, 229, 240), (24, 74, 120), (128, 20, 60))
)
"""Uncut, least and greatest depth, and where it cannot fit."""


def plan_document(
    plan: Plan,
    *,
    case: Case,
    limits: Limits,
    cutting: Cutting,
    sources: Mapping[str, ScanSource | None],
    wedge: Wedge | None,
    version: str,
    planned_at: str,
    crossings: int,
) -> dict[str, Any]:
    """The plan as it stands in `plan.json`; what is not known is null."""
    return {
        "schema": SCHEMA,
        "program": f"veneercheck {version}",
        "planned_at_utc": planned_at,
        "case": {"number": case.number, "units": list(case.units), "pontics": list(case.pontics)},
        "scans": {name: _source(one) for name, one in sources.items()},
        "limits": {
            "name": limits.name,
            "least_mm": limits.layer.least_mm,
            "greatest_mm": limits.layer.greatest_mm,
            "opaquer_mm": limits.opaquer_mm,
            "beads_mm": limits.beads_mm,
            "least_metal_mm": limits.at(case.stage).least_metal_mm,
            "connector_least_mm2": limits.connector_least_mm2,
            "edge_radius_mm": limits.edge_radius_mm,
        },
        "cutting": {
            "form": cutting.form,
            "width_mm": cutting.width_mm,
            "radius_mm": cutting.radius_mm,
            "collar_mm": cutting.collar_mm,
            "off_border_mm": cutting.off_border_mm,
            "margin_mm": _known(plan.margin_mm),
            "depth_mm": _known(plan.depth_mm),
        },
        "frame": {"occlusal": plan.frame.occlusal, "buccal": plan.frame.buccal},
        "veneered_area_mm2": _known(_veneered(plan)),
        "removed_mm3": _known(plan.removed_mm3),
        "target_mm3": _known(enclosed_mm3(plan.target)),
        "target_crossings": crossings,
        "die_known": sources.get("die") is not None and bool(np.isfinite(plan.short_mm).any()),
        "conflicts": [
            {
                "kind": one.kind, "short": _known(one.short_mm), "u": _known(one.u_mm),
                "firm": one.firm, "area_mm2": _known(one.area_mm2), "at_mm": _place(one.centre_mm),
                "tooth": one.tooth, "surface": one.surface, "place": one.place,
                "asks": list(one.asks),
            }
            for one in plan.conflicts
        ],
        "connectors": [
            {"between": one.teeth, "area_mm2": _known(one.area_mm2), "u_mm2": _known(one.u_mm2),
             "height_mm": _known(one.height_mm), "width_mm": _known(one.width_mm)}
            for one in plan.connectors
        ],
        "contacts": None if plan.contacts is None else [
            {"at_mm": _place(one.at_mm), "area_mm2": _known(one.area_mm2),
             "deepest_mm": _known(one.deepest_mm), "from_border_mm": _known(one.from_border_mm),
             "too_near": one.too_near}
            for one in plan.contacts
        ],
        "layers": [
            {"unit": one.unit, "opaquer_mm3": _known(one.opaquer_mm3),
             "dentine_mm3": _known(one.dentine_mm3), "incisal_mm3": _known(one.incisal_mm3),
             "u_share": _known(one.u_share), "deepest_mm": _known(one.deepest_mm),
             "increments": one.increments,
             "mass_g": None if one.mass_g is None else _known(one.mass_g)}
            for one in plan.layers
        ],
        "shade": None if wedge is None else _shade(plan, wedge),
        "marks": [
            {"number": one.number, "kind": one.kind, "tooth": one.tooth, "surface": one.surface,
             "third": one.third, "at_mm": _place(one.at_mm), "square_mm": _known(one.square_mm),
             "insertion_mm": _known(one.insertion_mm), "layer_mm": _known(one.layer_mm)}
            for one in plan.marks
        ],
        "guessed": list(plan.words),
    }  # fmt: skip


def _shade(plan: Plan, wedge: Wedge) -> dict[str, Any]:
    return {
        "steps": len(wedge.thickness_mm),
        "thinnest_mm": _known(wedge.thickness_mm[0]),
        "thickest_mm": _known(wedge.thickness_mm[-1]),
        "error": _known(wedge.error()),
        "perceptible": PERCEPTIBLE,
        "acceptable": ACCEPTABLE,
        "units": [
            {"unit": one.unit, "median": _known(one.median), "worst": _known(one.worst),
             "beyond_acceptable": _known(one.beyond_acceptable),
             "beyond_perceptible": _known(one.beyond_perceptible),
             "not_known": _known(one.not_known)}
            for one in plan.shades
        ],
    }  # fmt: skip


def write_surfaces(folder: Path, plan: Plan) -> None:
    """Write what of a plan is a surface, but the STL, into a folder."""
    target = surface_ply_bytes(plan.target, "target framework in the wax-up's frame, mm")
    (folder / TARGET).write_bytes(b"".join(target))
    (folder / TARGET_3MF).write_bytes(threemf_bytes({"target framework": plan.target}))
    (folder / DEPTH).write_bytes(depth_ply(plan))


def write_document(folder: Path, document: Mapping[str, Any]) -> None:
    """Write what of a plan is read into a folder; `plan.json` comes last."""
    (folder / MARKS).write_text(marks_csv(document["marks"]), encoding="utf-8", newline="")
    text = json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False)
    (folder / PLAN).write_text(text + "\n", encoding="utf-8", newline="\n")


def marks_csv(marks: Iterable[Mapping[str, Any]]) -> str:
    """The depth marks, one a line."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["number", "kind", "tooth", "surface", "third", "square_mm",
                     "insertion_mm", "layer_mm", "x_mm", "y_mm", "z_mm"])  # fmt: skip
    for one in marks:
        depth = [_tenths(one[name]) for name in ("square_mm", "insertion_mm", "layer_mm")]
        place = [f"{part:.2f}" for part in one["at_mm"]]
        words = [one[name] for name in ("number", "kind", "tooth", "surface", "third")]
        writer.writerow([*words, *depth, *place])
    return out.getvalue()


def _tenths(value: float | None) -> str:
    return "" if value is None else f"{value:.1f}"


def depth_ply(plan: Plan) -> bytes:
    """The wax-up with its depths, coloured: the deeper the bluer; wine where it cannot fit."""
    names = ("square_mm", "insertion_mm", "layer_mm", "short_mm")
    comments = [
        "wax-up, mm; nan: nothing is cut, or not known",
        "square_mm depth of the cut square to the surface; insertion_mm along the insertion",
        "layer_mm composite over the nearest metal; short_mm room that is missing over the die",
    ]
    values = {name: getattr(plan, name) for name in names}
    if plan.clearance_mm is not None:
        values["clearance_mm"] = plan.clearance_mm
        comments.append("clearance_mm to the antagonist, negative inside it")
    if plan.shade_off is not None:
        values["shade_off"] = plan.shade_off
        comments.append("shade_off CIEDE2000 to full depth, from the laboratory's own wedge")
    return map_ply(plan.contour, values, depth_colours(plan), comments)


def _form(values: Iterable[str]) -> np.dtype[np.void]:
    """What stands at every vertex of a map with these values."""
    named = [*((name, "<f4") for name in values), *((name, "u1") for name in _RGB)]
    return np.dtype([*_PLACE, *named])


def map_values(path: Path, name: str) -> Floats:
    """The value at every vertex of a map of one value, shape (n,), as `map_ply` writes it.

    Raises
    ------
    RecordError
        If it is no such map, or not whole.
    """
    form, data = _form((name,)), path.read_bytes()
    head, _, body = data.partition(b"end_header\n")
    count = re.search(rb"\nelement vertex (\d+)\n", head)
    long_enough = count is not None and int(count[1]) * form.itemsize <= len(body)
    if count is None or not long_enough or f" {name}\n".encode() not in head:
        raise RecordError(
            "this is not a whole map as this program writes it.",
            where=str(path),
            next_step="Check again, with --plan.",
        )
    return np.frombuffer(body, form, int(count[1]))[name].astype(np.float64)


def map_ply(
    mesh: TriangleMesh, values: Mapping[str, Floats], colours: Floats, comments: list[str]
) -> bytes:
    """A surface with values and a colour at every vertex, as binary PLY."""
    vertices = _placed(mesh, _form(values))
    for name, column in values.items():
        vertices[name] = column
    for number, name in enumerate(_RGB):
        vertices[name] = colours[:, number]
    return _ply(vertices, mesh, comments)


def depth_colours(plan: Plan) -> Floats:
    """A colour for every vertex of the wax-up, shape (n, 3), 0 … 255."""
    share = np.clip(np.nan_to_num(plan.square_mm) / max(plan.depth_mm, 1e-9), 0.0, 1.0)[:, None]
    colour = _SHALLOW + share * (_DEEP - _SHALLOW)
    colour = np.where(np.isfinite(plan.square_mm)[:, None], colour, _PLASTER)
    return np.where((plan.short_mm > 0)[:, None], _SHORT, colour)


def _placed(mesh: TriangleMesh, fields: np.dtype[np.void]) -> Any:
    vertices = np.zeros(len(mesh.points_mm), dtype=fields)
    for column, name in enumerate("xyz"):
        vertices[name] = mesh.points_mm[:, column]
    return vertices


def _ply(vertices: Any, mesh: TriangleMesh, comments: list[str]) -> bytes:
    kind = vertices.dtype
    lines = [
        "ply",
        "format binary_little_endian 1.0",
        *(f"comment {comment}" for comment in comments),
        f"element vertex {len(vertices)}",
        *(f"property {_TYPES[kind[name].str]} {name}" for name in kind.names),
        f"element face {len(mesh.faces)}",
        "property list uchar int vertex_indices",
        "end_header",
    ]
    triangles = np.empty(len(mesh.faces), dtype=_FACE)
    triangles["corners"], triangles["vertex"] = 3, mesh.faces
    head = ("\n".join(lines) + "\n").encode("ascii")
    return b"".join((head, vertices.tobytes(), triangles.tobytes()))


def _veneered(plan: Plan) -> float:
    from veneercheck.core.mesh.triangles import vertex_areas

    return float(vertex_areas(plan.contour)[plan.extent_mm > 0].sum())


def _source(source: ScanSource | None) -> dict[str, Any] | None:
    if source is None:
        return None
    return {"file": source.file, "sha256": source.sha256, "triangles": source.triangles}


def _known(value: float) -> float | None:
    # A zero is never negative, so that the same plan has the same text.
    return round(float(value), _ROUND) + 0.0 if math.isfinite(value) else None


def _place(point: tuple[float, float, float]) -> list[float]:
    return [round(part, _ROUND) for part in point]
