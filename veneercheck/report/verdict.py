"""The outcome in sentences: never a word that reads as a release."""

from __future__ import annotations

import functools
import re
from collections.abc import Mapping
from typing import Any

from veneercheck.core.judge.summed import LEAST_MEASURED_SHARE
from veneercheck.core.types import (
    BESIDE,
    COVERED,
    DENTINE,
    FINISHED,
    FORBIDDEN,
    LOOSE,
    RIVALS,
    SHRUNK,
    WAX,
)
from veneercheck.report.words import Words, sections

_SIZES = ("another_size_is_larger", "another_size_is_smaller", SHRUNK)
_MISTAKES = ("swapped", "same_file_twice", "same_surface_twice", "sizes_differ")
"""Remarks on the two scans that put the whole check in doubt."""

_WRITTEN_MM = 5e-3
"""Limits are written to a hundredth; less apart they read alike."""

_HEIGHT = re.compile(r"(\d+\.\d) mm (above|below|from) the finish line")
_REACHING = re.compile(r"reaching on to (\w\d)")
_FACING = re.compile(r"facing ([+-][xyz])")


def verdict_sentences(document: Mapping[str, Any], words: Words) -> list[str]:
    """What the check says, the most important first, ending in what it is not."""
    alignment = document["alignment"]["state"]
    if alignment == "failed":
        told = [words(f"verdict.{kind}") for kind in _mistaken(document)]
        return [*state_first(document, words), *told, words("verdict.not_release")]
    firm = sum(zone["decision"] == "firm" for zone in document["zones"])
    still_open = len(document["zones"]) - firm
    before = words(f"verdict.before_{document['case']['stage']}")
    found = _counted("findings", firm, words, before=before)
    built = [words(f"verdict.{kind}", before=before) for kind in _of_the_framework(document)]
    # What is sure comes before what is not.
    found += [*built, *_counted("open", still_open, words)]
    if not found:
        share = words.percent(document["layer"]["measured_share"])
        found = [words(f"verdict.{_without_findings(document)}", share=share)]
        found += nowhere_cut(document, words)
    found = [words(f"verdict.{kind}") for kind in _mistaken(document)] + found
    if alignment == "given":
        found.append(words("verdict.given"))
    return [*state_first(document, words), *found, words("verdict.not_release")]


def _weights(document: Mapping[str, Any]) -> set[str]:
    """How much what the framework is built of weighs."""
    parts = document["structure"]
    return {one["weight"] for one in (*parts["connectors"], *parts["spots"])}


def _of_the_framework(document: Mapping[str, Any]) -> list[str]:
    """What is found on the framework itself."""
    told = ["framework"] if "finding" in _weights(document) else []
    forbidden = document["case"]["metal_stops"] == FORBIDDEN
    if forbidden and any(asked["kind"] == "island" for asked in document["questions"]):
        told.append("forbidden_stop")
    return told


def _without_findings(document: Mapping[str, Any]) -> str:
    """What a verdict rests on where nothing is listed."""
    if document["verdict"] == "no findings":
        return "none"
    if "undecided" in _weights(document):
        return "framework_open"
    return "unread" if too_little_read(document) else "undecided"


def too_little_read(document: Mapping[str, Any]) -> bool:
    """Whether so much of the veneer was not read that nothing found means nothing."""
    share = document["layer"]["measured_share"]
    return share is not None and share < LEAST_MEASURED_SHARE


def nowhere_cut(document: Mapping[str, Any], words: Words) -> list[str]:
    """What is said where the two surfaces lie on each other all over; else nothing."""
    if document["layer"]["veneered_area_mm2"] != 0:
        return []
    finished = document["case"]["stage"] == FINISHED
    return [words(f"verdict.{'not_veneered' if finished else 'nowhere_cut'}")]


def state_first(document: Mapping[str, Any], words: Words) -> list[str]:
    """What comes before all else where the scans may not lie on each other, then why; or nothing.

    A frame taken as given is `doubtful` or `failed` itself as soon as something contradicts it.
    """
    fit = document["alignment"]
    if fit["state"] not in ("doubtful", "failed"):
        return []
    kind, codes, why = str(fit["state"]), _codes(document), reasons(fit, words)
    if "swapped" in codes:
        kind = "swapped"
        why = [reason for reason, code in zip(why, codes, strict=True) if code != kind]
    elif kind == "doubtful" and {*codes} == {BESIDE}:
        kind = "beside"
    elif kind == "doubtful" and codes and {*codes} <= {*LOOSE, BESIDE, "parted"}:
        kind = "parted" if "parted" in codes else "loose"
    elif kind == "doubtful" and codes and {*codes} <= {*LOOSE, BESIDE, *_SIZES}:
        kind = "sized"
    elif kind == "doubtful" and codes and {*codes} <= {*LOOSE, BESIDE, *RIVALS}:
        kind = "two_ways"
    if "painted" in codes and kind in ("loose", "failed"):
        kind = f"painted_{kind}"
    elif kind == "failed" and codes and {*codes} <= {*LOOSE, "too_little", *RIVALS}:
        kind = "failed_loose"
    told = [words("verdict.why", reasons="; ".join(why))] if why else []
    return [words(f"verdict.{kind}"), *told]


def _mistaken(document: Mapping[str, Any]) -> list[str]:
    """What the two files themselves say against the check as it was ordered."""
    told = {remark["kind"] for remark in document["remarks"]}
    return [kind for kind in _MISTAKES if kind in told]


def look_swapped(document: Mapping[str, Any]) -> bool:
    """Whether the two scans look as if they had been given the wrong way round."""
    return "swapped" in {*(told["kind"] for told in document["remarks"]), *_codes(document)}


def _codes(document: Mapping[str, Any]) -> list[str]:
    """Why the alignment is not better, as codes; none in a result of before there were any."""
    return [one["code"] for one in document["alignment"].get("coded", ())]


def _counted(key: str, count: int, words: Words, **values: str) -> list[str]:
    if not count:
        return []
    return [words(f"verdict.{key}_{'one' if count == 1 else 'many'}", count=count, **values)]


def stage_words(document: Mapping[str, Any], words: Words) -> str:
    """The stage of the work, named as such."""
    return f"{words('report.stage')}: {words.known('stage', document['case']['stage'])}"


def action_words(zone: Mapping[str, Any], words: Words) -> str:
    """What to do about a zone, in the reader's words.

    A bump is told by what comes off in all, as its number and the map of amounts show it.
    """
    filed, bump = str(zone["action"]), _bump(zone)
    if bump:
        filed = _LAST_AMOUNT.sub(rf"\g<1>{bump['all']} mm", bump["what"])
    told = filed if words.lang == "en" else _translated(filed, words)
    return words("report.for_room", what=told) if bump else told


_LAST_AMOUNT = re.compile(r"(.*)\b\d+\.\d+ mm")


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
    return words("amount.off" if amount > 0 else "amount.on", amount=words.number(abs(amount)))


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


def fault_words(fault: Mapping[str, Any], words: Words) -> str:
    """What was found in a scan; English as filed, else the same in the reader's words."""
    filed = str(fault["words"])
    return words.told(fault["code"], fault["values"], filed) if "code" in fault else filed


def reasons(alignment: Mapping[str, Any], words: Words) -> list[str]:
    """Why the alignment is not better; English as filed, else in the reader's words."""
    filed = [str(reason) for reason in alignment["reasons"]]
    if "coded" not in alignment:
        return filed
    told = [
        words.told(one["code"], one["values"], english)
        for one, english in zip(alignment["coded"], filed, strict=True)
    ]
    # Results of before name no unit.
    at = [one.get("tooth", "") for one in alignment["coded"]]
    return [f"{tooth}: {one}" if tooth else one for tooth, one in zip(at, told, strict=True)]


def frame_sentences(document: Mapping[str, Any], words: Words) -> list[str]:
    """How the bridge's directions were judged; English as filed, else in the reader's words."""
    return [frame_sentence(str(filed), words) for filed in document["case"]["frame"]["words"]]


def frame_sentence(filed: str, words: Words) -> str:
    """One such sentence, filed in English."""
    if words.lang == "en":
        return filed
    for key, sentence in sections("en")["frame"].items():
        pattern = re.escape(sentence).replace(r"\{vector\}", "(?P<vector>.+)")
        found = re.fullmatch(pattern, filed)
        if found:
            return words(f"frame.{key}", **found.groupdict())
    return filed


def beads_sentence(document: Mapping[str, Any], words: Words) -> str:
    """What is told of retention beads; empty where there are none and their part was given."""
    found = document["beads"]
    if found is None:
        return _no_beads(document, words)
    return words(
        "report.beads_found",
        count=words.count(found["count"]),
        diameter=words.mm(found["diameter_mm"], 1),
        height=words.mm(found["height_mm"]),
        proud=words.count(found["proud"]),
        least=words.mm(found["cover_least_mm"]),
        median=words.mm(found["cover_median_mm"]),
    )


def _no_beads(document: Mapping[str, Any], words: Words) -> str:
    """That none were found, as far as it tells anything: only wax takes beads, opaquer hides."""
    stage = document["case"]["stage"]
    if stage in COVERED or document["profile"]["allowance"]["beads_mm"]:
        return ""
    return words("report.no_beads_allowed" if stage == WAX else "report.no_beads")


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


def decision_sentences(document: Mapping[str, Any], words: Words) -> list[str]:
    """What persons decided, the oldest first; the verdict stays as it was measured."""
    return [
        words(
            "report.decided",
            what=words.known("decided", one["what"]),
            who=one["who"],
            when=words.moment(one["decided_at_utc"]),
        )
        + (f": {one['why']}" if one["why"] else "")
        for one in document.get("decisions", [])
    ]
