"""The cut against its plan, as a picture of the framework: `off_plan.png`."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np

from veneercheck.machine.aside import put
from veneercheck.report.amounts import amount_sheet, amounts_of
from veneercheck.report.filed import OFF_PLAN
from veneercheck.report.palette import png
from veneercheck.report.plan_compare import read_off_plan
from veneercheck.report.scene import Scene, whole_tones

PICTURE = "off_plan.png"
SIDES = ("buccal", "lingual")


def write_off_plan(folder: Path, scene: Scene) -> Path | None:
    """Write the picture; an earlier one is removed where the check knows no plan."""
    told = amounts_of(_against_plan(folder, scene)) if (folder / OFF_PLAN).is_file() else None
    if told is None:
        (folder / PICTURE).unlink(missing_ok=True)
        return None
    told = dataclasses.replace(told, amounts=False)  # a zone's own amount is none of the plan's
    return put(folder / PICTURE, [png(amount_sheet(told, SIDES), tones=whole_tones(told))])


def _against_plan(folder: Path, scene: Scene) -> Scene:
    """The same scene, what lies off the plan in the place of what is to be taken off or added."""
    off = read_off_plan(folder)
    if len(off) != len(scene.surface.mesh.points_mm):
        off = np.full(len(scene.surface.mesh.points_mm), np.nan)
    filed = dataclasses.replace(scene.filed, amount_mm=off)
    return dataclasses.replace(scene, filed=filed, amount_kind="off_plan")
