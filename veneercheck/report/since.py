"""What changed since an earlier result of the same wax-up, in sentences."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from veneercheck.core.types import Trend
from veneercheck.report.words import Words
from veneercheck.report.zone_words import place_words


def recheck_sentences(recheck: Mapping[str, Any], words: Words) -> list[str]:
    """What changed since an earlier result."""
    told = [
        words(
            "recheck.surface",
            off=_most(recheck["taken_off_mm"], words),
            on=_most(recheck["added_mm"], words),
        )
    ]
    told += [
        words(
            "recheck.corrected",
            finding=words.known("finding", gone["finding"]),
            place=place_words(gone, words) or words("picture.zone", id=gone["id"]),
        )
        for gone in recheck["corrected"]
    ]
    return told + [_zone(zone, words) for zone in recheck["zones"]]


def _zone(zone: Mapping[str, Any], words: Words) -> str:
    told = words("recheck.zone", id=zone["id"], trend=words.known("recheck", zone["trend"]))
    return told + (words("recheck.why_unmoved") if zone["trend"] == Trend.UNMOVED else "")


def _most(value: float | None, words: Words) -> str:
    """So much at most, or nothing that the two scans tell from their noise."""
    if value is None:
        return words.mm(value)
    return words("recheck.nothing") if value == 0 else words("recheck.most", amount=words.mm(value))
