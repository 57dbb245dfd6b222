"""A cut that was checked, against its plan."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:  # a refusal must come at once: what is heavy is loaded where it is used
    from veneercheck.core.types import Outcome


def compare_with_plan(folder: Path, outcome: Outcome, out: Path) -> None:
    """Write a map and figures beside the result; nothing where the alignment failed.

    Raises
    ------
    RecordError
        If no plan of the same wax-up lies in the folder.
    """
    from veneercheck.plan import off_plan_mm
    from veneercheck.report.plan_compare import read_plan, refuse_other_waxup, write_compared

    filed = read_plan(folder)
    refuse_other_waxup(filed, outcome.waxup.sha256, folder)
    if outcome.check.space is None:
        return
    off = off_plan_mm(outcome.check.framework.points_mm, filed.target)
    write_compared(out, outcome.check, off)


def look_at_plan(folder: Path, waxup: Path) -> None:
    """Refuse a folder without a plan, or of another wax-up, before any work is done."""
    from veneercheck.report.plan_compare import read_plan, refuse_other_waxup

    refuse_other_waxup(read_plan(folder), hashlib.sha256(waxup.read_bytes()).hexdigest(), folder)
