"""The outcome in sentences: never a word that reads as a release."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from veneercheck.core.judge.meant import UNFINISHED
from veneercheck.core.judge.summed import LEAST_MEASURED_SHARE, ends_amid_veneer
from veneercheck.core.types import (
    BESIDE,
    COVERED,
    FINISHED,
    FORBIDDEN,
    ISLAND,
    LOOSE,
    RIVALS,
    SHRUNK,
    WAX,
)
from veneercheck.report.words import Words, sections

_SIZES = ("another_size_is_larger", "another_size_is_smaller", SHRUNK)
_MISTAKES = ("swapped", "same_file_twice", "same_surface_twice", "sizes_differ")
"""Remarks on the two scans that put the whole check in doubt."""


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
    found += [words("verdict.cut_off")] if cut_off(document) else []
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
    if forbidden and any(asked["kind"] == ISLAND for asked in document["questions"]):
        told.append("forbidden_stop")
    return told


def _without_findings(document: Mapping[str, Any]) -> str:
    """What a verdict rests on where nothing is listed."""
    if document["verdict"] == "no findings":
        return "none"
    if "undecided" in _weights(document):
        return "framework_open"
    if too_little_read(document):
        return "unread"
    if cut_off(document):
        return "as_far"
    return "spot_open" if _only_spots_are_open(document) else "undecided"


def _only_spots_are_open(document: Mapping[str, Any]) -> bool:
    """Whether nothing but spots left uncut amid the veneer keeps the verdict open."""
    kinds = {asked["kind"] for asked in document["questions"]}
    return ISLAND in kinds and kinds.isdisjoint(UNFINISHED)


def too_little_read(document: Mapping[str, Any]) -> bool:
    """Whether so much of the veneer was not read that nothing found means nothing."""
    share = document["layer"]["measured_share"]
    return share is not None and share < LEAST_MEASURED_SHARE


def cut_off(document: Mapping[str, Any]) -> bool:
    """Whether the framework's scan ends amid the veneer; results of before do not say it."""
    paste = document["structure"]["material"]
    return ends_amid_veneer([(one.get("beyond_mm3", 0.0), one["volume_mm3"]) for one in paste])


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
    mixed_up = [code for code in ("swapped", "mirrored") if code in codes]
    if mixed_up:
        kind = mixed_up[0]
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
