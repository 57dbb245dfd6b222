"""A cut against its plan: where deeper, where not yet as deep, as map and figures."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path
from typing import Any

import numpy as np

from veneercheck.core.errors import RecordError, Told
from veneercheck.core.mesh.triangles import vertex_areas
from veneercheck.core.types import Check, Floats, Region, TriangleMesh
from veneercheck.report.filed import COMPARED, OFF_PLAN
from veneercheck.report.plan_files import PLAN, TARGET, map_ply, map_values
from veneercheck.report.space_ply import read_surface_ply
from veneercheck.report.words import Language, Words

TELLABLE_MM = 0.1
"""Less beside the plan is hand and scan."""

_NEXT = Told("Plan anew, or give the folder of a whole plan.")
_GREY, _OVER, _UNDER = np.array([[226, 222, 214], [128, 20, 60], [24, 74, 120]], dtype=np.float64)


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class FiledPlan:
    """A plan as it lies in its folder."""

    document: dict[str, Any]
    target: TriangleMesh


def read_plan(folder: Path) -> FiledPlan:
    """Read a plan's numbers and its target.

    Raises
    ------
    RecordError
        If either is missing or not whole.
    """
    try:
        document = json.loads((folder / PLAN).read_text(encoding="utf-8"))
        document["scans"]["waxup"]["sha256"]
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise RecordError(
            Told("no plan can be read there ({name}).", name=type(error).__name__),
            where=str(folder),
            next_step=_NEXT,
        ) from None
    return FiledPlan(document, read_surface_ply(folder / TARGET))


def refuse_other_waxup(filed: FiledPlan, sha256: str, folder: Path) -> None:
    """The plan's frame is its wax-up's: the check must rest on the same file."""
    if filed.document["scans"]["waxup"]["sha256"] != sha256:
        raise RecordError(
            "the plan was made from another wax-up: the two cannot be compared.",
            where=str(folder),
            next_step="Give the plan of the same wax-up file, or leave it out.",
        )


def write_compared(out: Path, check: Check, off_mm: Floats) -> None:
    """Write map and figures.

    Parameters
    ----------
    out : Path
    check : Check
    off_mm : ndarray, shape (n,)
        How far each point of the framework stands outside the target; NaN where it is not known.
    """
    area = vertex_areas(check.framework)
    veneered = np.isin(check.region, (Region.CUT, Region.FINISH_LINE_BAND))
    known = np.isfinite(off_mm) & (veneered | (off_mm > 0))
    over, under = known & (off_mm < -TELLABLE_MM), known & (off_mm > TELLABLE_MM)
    figures = {
        "limit_mm": TELLABLE_MM,
        "over_cut_mm2": round(float(area[over].sum()), 3),
        "under_cut_mm2": round(float(area[under].sum()), 3),
        "deepest_mm": round(float(-off_mm[known].min(initial=0.0)), 4),
        "highest_mm": round(float(off_mm[known].max(initial=0.0)), 4),
    }
    colours = np.full((len(off_mm), 3), _GREY)
    colours[over], colours[under] = _OVER, _UNDER
    comments = [
        "framework in the wax-up's frame, mm",
        "off_plan_mm to take off to reach the plan; negative: cut deeper than planned; nan unknown",
    ]
    made = map_ply(check.framework, {"off_plan_mm": off_mm}, colours, comments)
    (out / OFF_PLAN).write_bytes(made)
    text = json.dumps(figures, indent=1)
    (out / COMPARED).write_text(text + "\n", encoding="utf-8", newline="\n")


def read_off_plan(folder: Path) -> Floats:
    """How far each point of the framework stands off its plan, shape (n,), mm, as written here."""
    return map_values(folder / OFF_PLAN, "off_plan_mm")


def compared_words(folder: Path, lang: Language) -> str:
    """The comparison that lies in a result's folder, in one sentence; empty where none does."""
    try:
        figures = json.loads((folder / COMPARED).read_text(encoding="utf-8"))
    except FileNotFoundError:
        return ""
    words = Words(lang)
    return words(
        "plan.compared",
        over=words.number(figures["over_cut_mm2"], 1),
        under=words.number(figures["under_cut_mm2"], 1),
        limit=words.mm(TELLABLE_MM, 1),
        deepest=words.mm(figures["deepest_mm"]),
        highest=words.mm(figures["highest_mm"]),
    )
