"""The result in a few lines for the terminal, from the same document as every other face."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from veneercheck.core.types import COVERED, FINISHED, WAX
from veneercheck.report.asked import questions_once
from veneercheck.report.carrying import build_told, in_all, unscanned_words
from veneercheck.report.cautions import (
    NOTHING_MISSED,
    connectors_passed_over,
    hand_cautions,
    metal_told,
)
from veneercheck.report.since import recheck_sentences
from veneercheck.report.verdict import (
    beads_sentence,
    cut_off,
    fault_words,
    frame_sentences,
    nowhere_cut,
    reasons,
    stage_words,
    state_first,
    too_little_read,
)
from veneercheck.report.words import Language, Words, sections
from veneercheck.report.zone_words import (
    action_words,
    finding_words,
    metal_under,
    place_words,
    reading_words,
    runout_note,
    size_words,
)

_SHORT = "told_short"
"""Section of the catalogue that says a fault of a mesh in a few words."""

_SIGNS = {"finding": "!", "undecided": "?", "advice": "·"}


def terminal_summary(
    document: Mapping[str, Any], lang: Language = "en", *, verbose: bool = False
) -> str:
    """Say what was found and what to do.

    Parameters
    ----------
    document : mapping
        What `report.document` gives.
    lang : {"en", "de"}
    verbose : bool
        Tell every remark on the meshes, not only in a line for each scan.

    Returns
    -------
    str
        Lines of text, no colour.
    """
    words = Words(lang)
    lines = [
        "",
        *state_first(document, words),
        _heading(document, words),
        _verdict(document, words),
    ]
    # What the two scans say when laid side by side may put all that follows in doubt.
    lines += [_indented(fault_words(remark, words)) for remark in document["remarks"]]
    wide = max((len(finding_words(zone, words)) for zone in document["zones"]), default=0)
    lines += [_zone(zone, words, wide) for zone in document["zones"]]
    lines += [_indented(note) for note in (runout_note(document, words),) if note]
    lines += [f"   ?  {asked}" for asked in questions_once(document, words)]
    lines += _weighing(document, words)
    lines += _recheck(document, words)
    lines += ["", _layer(document, words), *_build(document, words), _alignment(document, words)]
    told_above = state_first(document, words)
    lines += [] if told_above else [_indented(r) for r in reasons(document["alignment"], words)]
    lines += [_indented(sentence) for sentence in frame_sentences(document, words)]
    lines += _faults(document, words) if verbose else _faults_in_short(document, words)
    lines += ["", *_cautions(document, words)]
    return "\n".join(lines)


def _heading(document: Mapping[str, Any], words: Words) -> str:
    case = document["case"]
    parts = [
        case["number"] or words("picture.no_case"),
        " ".join(str(unit) for unit in case["units"]),
        stage_words(document, words),
        f"{words('report.profile')}: {document['profile']['name']}",
    ]
    return " · ".join(part for part in parts if part)


def _verdict(document: Mapping[str, Any], words: Words) -> str:
    firm = sum(zone["decision"] == "firm" for zone in document["zones"])
    left = len(document["zones"]) - firm
    structure = document["structure"]
    built = [one["weight"] for one in (*structure["connectors"], *structure["spots"])]
    counts = {
        "change": firm,
        "framework": built.count("finding"),
        "near": left,
        "framework_open": built.count("undecided"),
        "question": len(document["questions"]),
    }
    told = [_count(name, number, words) for name, number in counts.items() if number]
    if too_little_read(document):
        share = words.percent(document["layer"]["measured_share"])
        told.append(words("terminal.unread", share=share))
    told += [words("terminal.cut_off")] if cut_off(document) else []
    said = words("terminal.verdict", verdict=words.known("terminal", document["verdict"]))
    return f"{said} – {', '.join(told)}" if told else said


def _count(name: str, number: int, words: Words) -> str:
    return words(f"terminal.{name}_{'one' if number == 1 else 'many'}", count=number)


def _zone(zone: Mapping[str, Any], words: Words, wide: int) -> str:
    place = place_words(zone, words) or words("terminal.at", place=_where(zone, words))
    area = size_words(zone, words)
    read = words("terminal.over", reading=_reading(zone, words), area=area)
    undecided = "" if zone["decision"] == "firm" else f" ({words('decision.undecided')})"
    return (
        f"  {zone['id']:>2}  {finding_words(zone, words).ljust(wide)}  {place:<22}  "
        f"{read}{_limit(zone, words)}{_metal(zone, words)}"
        f"\n      → {action_words(zone, words)}{undecided}"
    )


def _reading(zone: Mapping[str, Any], words: Words) -> str:
    """The worst reading of a zone, and what it is of."""
    value = reading_words(zone, words)
    if zone["finding"] == "over_contour":
        return value
    return words("terminal.cover" if zone["about"] == "beads" else "terminal.layer_of", value=value)


def _where(zone: Mapping[str, Any], words: Words) -> str:
    return " / ".join(words.number(value, 1) for value in zone["centre_mm"])


def _metal(zone: Mapping[str, Any], words: Words) -> str:
    """What metal the least layer would leave, else what lies under the zone, where known.

    The metal at its thinnest lies elsewhere than the worst reading: beside an amount to take off
    it would be held against it.
    """
    left = zone["metal_left_mm"]
    if zone["finding"] == "too_thin" and left is not None:
        return f", {words('terminal.metal_left', left=words.mm(left))}"
    told = metal_under(zone, words)
    return f", {told}" if told else ""


def _limit(zone: Mapping[str, Any], words: Words) -> str:
    if zone["finding"] not in ("too_thin", "too_thick") or zone["limit_mm"] is None:
        return ""
    return f" ({words('terminal.' + zone['finding'], limit=words.number(zone['limit_mm']))})"


def _layer(document: Mapping[str, Any], words: Words) -> str:
    layer = document["layer"]
    if layer["median_mm"] is None:
        return ". ".join([words("terminal.no_layer"), *nowhere_cut(document, words)])
    return words(
        "terminal.layer",
        median=words.mm(layer["median_mm"]),
        p05=words.number(layer["p05_mm"]),
        p95=words.mm(layer["p95_mm"]),
        share=words.percent(layer["measured_share"]),
        area=words.mm2(layer["veneered_area_mm2"], 0),
    )


def _recheck(document: Mapping[str, Any], words: Words) -> list[str]:
    found = document["recheck"]
    if found is None:
        return []
    told = [_indented(sentence) for sentence in recheck_sentences(found, words)]
    return ["", f"{words('recheck.title')}:", *told]


def _weighing(document: Mapping[str, Any], words: Words) -> list[str]:
    """What the framework's build asks for: findings and advice, not what is as it should be."""
    told = build_told(document, words)
    return [f"   {_SIGNS[weight]}  {sentence}" for weight, sentence in told if weight != "none"]


def _build(document: Mapping[str, Any], words: Words) -> list[str]:
    """Beads, connectors and composite, in a line each."""
    structure, stage = document["structure"], document["case"]["stage"]
    each = [_connector(one, words) for one in structure["connectors"]]
    lines = [beads_sentence(document, words)] if document["beads"] else []
    if each:
        lines.append(words("terminal.connectors", each="; ".join(each)))
    lines += [words(f"terminal.connectors_{why}") for why in connectors_passed_over(document)]
    if structure["material"]:
        name = "composite_made" if stage == FINISHED else "composite"
        told = words(f"terminal.{name}", total=_composite(structure["material"], words))
        lines.append(". ".join(filter(None, (told, unscanned_words(document, words)))))
    return lines


def _composite(paste: Sequence[Mapping[str, Any]], words: Words) -> str:
    """The composite in all, and of each unit where there are several."""
    total = in_all(paste, words)
    if len(paste) < 2:
        return total
    each = (
        f"{one['tooth'] or words('format.none')}: {words.number(one['volume_mm3'], 0)}"
        for one in paste
    )
    return words("terminal.composite_each", total=total, each=", ".join(each))


def _connector(one: Mapping[str, Any], words: Words) -> str:
    if one["area_mm2"] is None:
        return words("terminal.connector_unseen", teeth=one["teeth"])
    return words(
        "terminal.connector",
        teeth=one["teeth"],
        area=words.mm2_sure(one["area_mm2"], one["u_mm2"]),
        height=words.mm(one["height_mm"], 1),
    )


def _alignment(document: Mapping[str, Any], words: Words) -> str:
    fit = document["alignment"]
    told = words("terminal.alignment", state=words.known("state", fit["state"]))
    if fit["rms_mm"] is not None:
        area = words.mm2(fit["reference_area_mm2"], 0)
        told += words("terminal.rms", rms=words.mm(fit["rms_mm"], 3), area=area)
    off_mm = fit["evidence"]["frame_mm"]
    if off_mm is not None:
        told += words("terminal.frame", off=words.number(1000.0 * off_mm, 0))
    return told


def _indented(sentence: str) -> str:
    return f"  · {sentence}"


def _faults(document: Mapping[str, Any], words: Words) -> list[str]:
    return [
        f"  · {words(f'report.{name}')}: {fault_words(fault, words)}"
        for name, scan in document["scans"].items()
        for fault in scan["faults"]
    ]


def _faults_in_short(document: Mapping[str, Any], words: Words) -> list[str]:
    """What was found in the meshes, in a line for each scan."""
    lines = []
    for name, scan in document["scans"].items():
        known = [one for one in scan["faults"] if one.get("code") in sections(words.lang)[_SHORT]]
        told = [words.told(one["code"], one["values"], "", _SHORT) for one in known]
        more = len(scan["faults"]) - len(known)
        told += [words(f"{_SHORT}.more", count=more)] if more else []
        if told:
            lines.append(f"{words(f'report.{name}')}: {'; '.join(told)}")
    if lines:
        lines[-1] += f". {words('terminal.verbose')}"
    return [_indented(line) for line in lines]


def _cautions(document: Mapping[str, Any], words: Words) -> list[str]:
    """What must stand wherever the verdict stands, in three short lines."""
    return [
        words("terminal.aid"),
        _unchecked(document, words),
        _at_hand(document, words),
    ]


def _unchecked(document: Mapping[str, Any], words: Words) -> str:
    """What was not looked at."""
    failed = document["alignment"]["state"] == "failed"
    share = document["layer"]["measured_share"]
    told = [words("terminal.partly" if metal_told(document) else "terminal.unchecked")]
    if failed or share is None:
        told = [words("terminal.nothing_seen"), *told]
    elif 1.0 - share >= NOTHING_MISSED:
        told = [words("terminal.unseen", unseen=words.percent(1.0 - share)), *told]
    if document["case"]["frame"]["guessed"] and not failed:
        told.append(words("terminal.directions"))
    return " ".join(told)


def _at_hand(document: Mapping[str, Any], words: Words) -> str:
    """What the work at this stage asks for."""
    stage = document["case"]["stage"]
    spray = hand_cautions(document, words)[-1]
    if stage == WAX:
        return spray
    hidden = ["covered"] if stage in COVERED else []
    return " ".join([*(words(f"terminal.{name}") for name in (*hidden, "dust", "light")), spray])
