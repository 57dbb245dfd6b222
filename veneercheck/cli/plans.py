"""Plans on record as the commands list and show them."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Sequence

    from veneercheck.record import Register
    from veneercheck.record.finding import Wanted
    from veneercheck.record.plans_found import FoundPlan
    from veneercheck.report.words import Words

PLAN_COLUMNS = ("planned", "case", "units", "limits", "who", "conflicts", "key", "folder")


def plans_that_fit(
    register: Register, ways: Sequence[Wanted], limit: int | None
) -> list[FoundPlan]:
    """The plans that fit any of these, each once, the oldest first."""
    from veneercheck.record.plans_found import find_plans

    found = {one.seq: one for way in ways for one in find_plans(register, way, limit=limit)}
    rows = [found[seq] for seq in sorted(found)]
    return rows[-limit:] if limit else rows


def plain_plan(register: Register, one: FoundPlan) -> dict[str, Any]:
    """A plan as JSON, CSV and Parquet have it."""
    from veneercheck.record.located import place_of

    told = dataclasses.asdict(one)
    return {**told, "units": list(one.units), "folder": str(place_of(register, one.folder))}


def plan_cells(register: Register, one: FoundPlan, words: Words) -> list[str]:
    """A plan as a row of a table, by `PLAN_COLUMNS`."""
    from veneercheck.record.located import place_of

    none = words("format.none")
    return [
        words.minute(one.planned_at_utc),
        one.case or none,
        " ".join(one.units) or none,
        one.profile,
        one.who or none,
        words.count(one.conflicts),
        one.key[:12],
        str(place_of(register, one.folder)),
    ]
