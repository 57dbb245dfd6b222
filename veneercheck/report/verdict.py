"""The outcome in sentences: never a word that reads as a release."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from veneercheck.report.words import Words

_WITHOUT_ZONES = {
    "no findings": "verdict.none",
    "undecided": "verdict.undecided",
    "findings": "verdict.forbidden_stop",
}
"""What a verdict without a single zone rests on."""

_AMOUNT = re.compile(r"(\d+(?:\.\d+)?) mm")


def verdict_sentences(document: Mapping[str, Any], words: Words) -> list[str]:
    """What the check says, the most important first, ending in what it is not."""
    alignment = document["alignment"]["state"]
    if alignment == "failed":
        return [words("verdict.failed"), words("verdict.not_release")]
    firm = sum(zone["decision"] == "firm" for zone in document["zones"])
    still_open = len(document["zones"]) - firm
    found = _counted("findings", firm, words) + _counted("open", still_open, words)
    if not found:
        found = [words(_WITHOUT_ZONES[document["verdict"]])]
    if alignment in ("doubtful", "given"):
        found.append(words(f"verdict.{alignment}"))
    return [*found, words("verdict.not_release")]


def _counted(key: str, count: int, words: Words) -> list[str]:
    if not count:
        return []
    return [
        words(f"verdict.{key}_one") if count == 1 else words(f"verdict.{key}_many", count=count)
    ]


def action_words(zone: Mapping[str, Any], words: Words) -> str:
    """What to do about a zone; English as filed, else the same amount in the reader's words."""
    filed = str(zone["action"])
    amount = _AMOUNT.search(filed)
    if words.lang == "en" or amount is None:
        return filed
    key = "undecided" if zone["decision"] == "undecided" else zone["finding"]
    return words(f"actions.{key}", amount=words.mm(float(amount.group(1))))


def cautions(document: Mapping[str, Any], words: Words) -> list[str]:
    """What must stand wherever the verdict stands."""
    found = [
        words("cautions.aid"),
        words("cautions.limits"),
        _unseen(document, words),
        words("cautions.unchecked"),
        words("cautions.dust"),
        words("cautions.light"),
        words("cautions.spray"),
    ]
    if document["case"]["frame"]["guessed"] and document["alignment"]["state"] != "failed":
        found.append(words("cautions.directions"))
    return found


def _unseen(document: Mapping[str, Any], words: Words) -> str:
    share = document["layer"]["measured_share"]
    if share is None or document["alignment"]["state"] == "failed":
        return words("cautions.nothing_seen")
    return words("cautions.unseen", unseen=words.percent(1.0 - share))
