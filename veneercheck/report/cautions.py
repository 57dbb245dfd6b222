"""What must stand wherever the verdict stands."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from veneercheck.core.types import COVERED, FINISHED, UNITS, WAX
from veneercheck.report.standing import standing_cautions
from veneercheck.report.verdict import cut_off
from veneercheck.report.words import Words

NOTHING_MISSED = 5e-4
"""A smaller share would be told as 0.0 %."""

_MORE_THAN_EDGES = 0.1
"""Over fewer of the cut surface the metal shows at ridges and rims alone."""


def cautions(document: Mapping[str, Any], words: Words) -> list[str]:
    """What must stand wherever the verdict stands."""
    found = [
        words("cautions.aid"),
        words("cautions.limits"),
        _unseen(document, words),
        words("cautions.partly" if metal_told(document) else "cautions.unchecked"),
        *(words(f"cautions.connectors_{why}") for why in connectors_passed_over(document)),
        *hand_cautions(document, words),
    ]
    frame = document["case"]["frame"]
    if frame["guessed"] and document["alignment"]["state"] != "failed":
        sure = frame["occlusal"] and frame.get("sides_known", True)
        found.append(words("cautions.directions" if sure else "cautions.sides"))
    return [*standing_cautions(document, words), *found]


def hand_cautions(document: Mapping[str, Any], words: Words) -> list[str]:
    """What the work at this stage asks for: wax makes no harmful dust, and is not light-cured."""
    stage = document["case"]["stage"]
    if stage == WAX:
        return [words("cautions.spray_wax")]
    hidden = ["covered"] if stage in COVERED else []
    spray = "spray_finished" if stage == FINISHED else "spray_between"
    return [words(f"cautions.{name}") for name in (*hidden, "dust", "light", spray)]


def metal_told(document: Mapping[str, Any]) -> bool:
    """Whether the thickness of the metal is told anywhere, or was judged over more than edges."""
    judged = document["structure"].get("metal_share") or 0.0
    told = any(zone["metal_mm"] is not None for zone in document["zones"])
    return told or judged > _MORE_THAN_EDGES


def connectors_passed_over(document: Mapping[str, Any]) -> tuple[str, ...]:
    """Why the connectors of what may be a bridge were not looked at: empty where they were, where
    it is the one unit that the case names, and where something else that is told hides them."""
    case = document["case"]
    hidden = case["stage"] in COVERED or document["alignment"]["state"] == "failed"
    if hidden or document["structure"]["connectors"]:
        return ()
    if any(asked.get("kind") == UNITS for asked in document["questions"]):
        return ("others",)
    if len(case["units"]) == 1:
        return ()
    if not case["frame"]["occlusal"]:
        return ("occlusal",)
    return () if case["units"] else ("units",)


def _unseen(document: Mapping[str, Any], words: Words) -> str:
    share = document["layer"]["measured_share"]
    if share is None or document["alignment"]["state"] == "failed":
        return words("cautions.nothing_seen")
    if cut_off(document):
        return words("cautions.cut_off")
    if 1.0 - share < NOTHING_MISSED:
        return words("cautions.all_seen")
    return words("cautions.unseen", unseen=words.percent(1.0 - share))
