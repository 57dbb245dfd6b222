"""A zone in sentences: where it lies, what it reads, what to do about it."""

from __future__ import annotations

import functools
import re
from collections.abc import Mapping
from typing import Any

from veneercheck.core.types import DENTINE, WAX
from veneercheck.report.words import Words, sections

_WRITTEN_MM = 5e-3
"""Limits are written to a hundredth; less apart they read alike."""

_HEIGHT = re.compile(r"(\d+\.\d) mm (above|below|from) the finish line")
_REACHING = re.compile(r"reaching on to (\w\d)")
_FACING = re.compile(r"facing ([+-][xyz])")
_LAST_AMOUNT = re.compile(r"(.*)\b\d+\.\d+ mm")


def action_words(zone: Mapping[str, Any], words: Words) -> str:
    """What to do about a zone, in the reader's words.

    A bump is told by what comes off in all, as its number and the map of amounts show it.
    """
    filed, bump = str(zone["action"]), _bump(zone)
    if bump:
        filed = _LAST_AMOUNT.sub(rf"\g<1>{bump['all']} mm", bump["what"])
    told = filed if words.lang == "en" else _translated(filed, words)
    return words("report.for_room", what=told) if bump else told


def _bump(zone: Mapping[str, Any]) -> re.Match[str] | None:
    """What is filed of a bump: what to do first, and how much in all."""
    return _patterns()["in_all"].fullmatch(str(zone.get("action", "")))


def amount_of(zone: Mapping[str, Any]) -> float | None:
    """What is to be taken off at a zone's worst spot, in all; negative: to add, mm."""
    bump = _bump(zone)
    amount: float | None = float(bump["all"]) if bump else zone.get("amount_mm")
    return amount


def _translated(filed: str, words: Words) -> str:
    for key, pattern in _patterns().items():
        found = pattern.fullmatch(filed)
        if found:
            parts = found.groupdict()
            lengths = ("amount", "all", "metal", "least")
            values = {name: words.mm(float(parts[name])) for name in lengths if name in parts}
            if "share" in parts:
                values["share"] = f"{words.number(float(parts['share']), 0)} %"
            if "what" in parts:
                values["what"] = _translated(parts["what"], words)
            return words(f"actions.{key}", **values)
    return filed


@functools.cache
def _patterns() -> dict[str, re.Pattern[str]]:
    """What the program files in English, as patterns with their amounts."""
    return {
        key: re.compile(
            re.escape(sentence)
            .replace(r"\{amount\}", r"(?P<amount>\d+\.\d+) mm")
            .replace(r"\{all\}", r"(?P<all>\d+\.\d+) mm")
            .replace(r"\{metal\}", r"(?P<metal>-?\d+\.\d+) mm")
            .replace(r"\{least\}", r"(?P<least>\d+\.\d+) mm")
            .replace(r"\{share\}", r"(?P<share>\d+) %")
            .replace(r"\{what\}", r"(?P<what>.+)")
        )
        for key, sentence in sections("en")["actions"].items()
    }


def amount_words(zone: Mapping[str, Any], words: Words) -> str:
    """What is to be taken off or added at a zone's worst spot, in two words; empty if nothing."""
    amount = amount_of(zone)
    if not amount:
        return ""
    return words("amount.off" if amount > 0 else "amount.on", amount=words.mm(abs(amount)))


def place_words(told: Mapping[str, Any], words: Words) -> str:
    """Where a zone or question lies; English as filed, else part by part in the reader's words."""
    filed = str(told["place"])
    if words.lang == "en" or not filed:
        return filed
    return ", ".join(_part(part, words) for part in filed.split(", "))


def _part(part: str, words: Words) -> str:
    height = _HEIGHT.fullmatch(part)
    if height:
        return words(f"place.{height.group(2)}", amount=words.mm(float(height.group(1)), 1))
    reaching = _REACHING.fullmatch(part)
    if reaching:
        return words("place.reaching", tooth=reaching.group(1))
    facing = _FACING.fullmatch(part)
    if facing:
        return words("place.facing", way=facing.group(1))
    return words.known("place", words.known("surface", part) if part.isalpha() else part)


def zone_place(zone: Mapping[str, Any], words: Words) -> str:
    """Where a zone lies, and whether that is a cusp that bears the bite."""
    bearing = words("report.functional") if zone["functional"] else ""
    return ", ".join(filter(None, (place_words(zone, words), bearing)))


def metal_under(zone: Mapping[str, Any], words: Words) -> str:
    """The metal under a zone; empty if unknown."""
    if zone["metal_mm"] is None:
        return ""
    return words("report.metal_under", metal=words.mm(zone["metal_mm"], 1))


def metal_words(zone: Mapping[str, Any], words: Words) -> str:
    """The metal under a zone, and what the least layer would leave of it; empty if unknown."""
    told = metal_under(zone, words)
    if not told or zone["finding"] != "too_thin" or zone["metal_left_mm"] is None:
        return told
    return f"{told}, {words('report.metal_left', left=words.mm(zone['metal_left_mm'], 1))}"


def finding_words(zone: Mapping[str, Any], words: Words) -> str:
    """The finding; «perhaps» where it is not decided, since its reading may lie within."""
    told = words.known("finding", zone["finding"])
    return told if zone["decision"] == "firm" else words("terminal.open", finding=told)


def reading_words(zone: Mapping[str, Any], words: Words) -> str:
    """The worst reading of a zone: how far outside where it is over contour, else the layer."""
    if zone["finding"] != "over_contour" or zone["extreme_mm"] is None:
        return words.mm_sure(zone["extreme_mm"], zone["u_mm"])
    return words("report.outside", amount=words.mm_sure(-zone["extreme_mm"], zone["u_mm"]))


def measures_words(zone: Mapping[str, Any], words: Words) -> str:
    """How far beyond its limit a zone is, how wide, and how much is to be done."""
    extreme, limit, across = zone["extreme_mm"], zone.get("limit_mm"), zone.get("across_mm")
    amount, told = amount_of(zone), []
    if extreme is not None and zone["finding"] == "over_contour":
        told.append(words("view_page.depth", depth=words.mm(-extreme)))
    elif extreme is not None and limit is not None:
        told.append(words("view_page.depth", depth=words.mm(abs(extreme - limit))))
    if across is not None:
        told.append(words("view_page.width", width=words.mm(across, 1)))
    if amount:
        way = words("amount.take_off" if amount > 0 else "amount.add")
        told.append(words("view_page.how_much", way=way, amount=words.mm(abs(amount))))
    return " · ".join(told)


def size_words(zone: Mapping[str, Any], words: Words) -> str:
    """How large a zone is: its area, and how far it reaches where that is known."""
    area = words.mm2(zone["area_mm2"])
    if zone.get("across_mm") is None:
        return area
    return f"{area}, {words('report.across', length=words.mm(zone['across_mm'], 1))}"


def worst_words(document: Mapping[str, Any], words: Words) -> str:
    """The worst place with what to do there, in a line; empty without one."""
    if not document["zones"]:
        return ""
    worst = document["zones"][0]
    where = ", ".join(
        filter(None, (words("picture.zone", id=worst["id"]), zone_place(worst, words)))
    )
    return f"{where}: {action_words(worst, words)}"


def runout_note(document: Mapping[str, Any], words: Words) -> str:
    """Why less than the least layer is asked of some zone; empty where the limit holds for all."""
    profile = document["profile"]

    def less(zone: Mapping[str, Any]) -> bool:
        own = profile["surfaces"].get(zone["surface"], profile["layer"])["least_mm"]
        return zone["limit_mm"] is not None and zone["limit_mm"] < own - _WRITTEN_MM

    thin = [zone for zone in document["zones"] if zone["finding"] == "too_thin"]
    if not any(zone["about"] != "beads" and less(zone) for zone in thin):
        return ""
    band, least = profile["finish_line"]["width_mm"], profile["layer"]["least_mm"]
    return words("report.runout_note", band=words.mm(band, 1), least=words.mm(least))


def amounts_note(document: Mapping[str, Any], words: Words) -> str:
    """What the amounts hold for, and where something can be added, how that is best done."""
    fills = document["case"]["stage"] in (WAX, DENTINE)
    note = words("report.amounts_note")
    return f"{note} {words('report.hollow_note')}" if fills else note
