"""The result in a few lines for the terminal, from the same document as every other face."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from veneercheck.report.verdict import hand_cautions
from veneercheck.report.words import Words

COVERAGE = 2.0
"""Expanded uncertainty, k = 2: about 95 %."""

_FINDING = {"too_thin": "too thin", "too_thick": "too thick", "over_contour": "over contour"}

CAUTION = (
    "An aid, not a release: limits are your own, the material's instructions for use and local "
    "rules come first, the licensed person decides. The antagonist was not checked."
)


def terminal_summary(document: Mapping[str, Any]) -> str:
    """Say what was found and what to do.

    Parameters
    ----------
    document : mapping
        What `report.document` gives.

    Returns
    -------
    str
        Lines of text, no colour.
    """
    lines = ["", _heading(document), _verdict(document)]
    # What the two scans say when laid side by side may put all that follows in doubt.
    lines += [_indented(remark["words"]) for remark in document["remarks"]]
    lines += [_zone(zone) for zone in document["zones"]]
    lines += [_question(question) for question in document["questions"]]
    lines += [_carrying(one) for one in _weighing(document)]
    lines += _recheck(document)
    lines += ["", _layer(document), *_beads(document), *_build(document), _alignment(document)]
    lines += [reason for reason in map(_indented, document["alignment"]["reasons"]) if reason]
    lines += [_indented(words) for words in document["case"]["frame"]["words"]]
    lines += _faults(document)
    lines += ["", CAUTION, *_bench_cautions(document)]
    return "\n".join(lines)


def _heading(document: Mapping[str, Any]) -> str:
    case = document["case"]
    units = " ".join(str(unit) for unit in case["units"])
    parts = [
        case["number"] or "case without number",
        units,
        f"stage {case['stage']}",
        f"profile {document['profile']['name']}",
    ]
    return " · ".join(part for part in parts if part)


def _verdict(document: Mapping[str, Any]) -> str:
    firm = sum(zone["decision"] == "firm" for zone in document["zones"])
    left = len(document["zones"]) - firm
    asked = len(document["questions"])
    counts = [
        _count(firm, "place to change", "places to change"),
        _count(left, "place too near a limit to decide", "places too near a limit to decide"),
        _count(asked, "question", "questions"),
    ]
    told = ", ".join(count for count in counts if count)
    return f"Verdict: {document['verdict'].upper()}{' – ' + told if told else ''}"


def _count(number: int, one: str, many: str) -> str:
    return "" if not number else f"{number} {one if number == 1 else many}"


def _zone(zone: Mapping[str, Any]) -> str:
    what = _FINDING[zone["finding"]]
    reading = "outside by" if zone["finding"] == "over_contour" else "layer"
    reading = "cover over beads" if zone["about"] == "beads" else reading
    value = -zone["extreme_mm"] if zone["finding"] == "over_contour" else zone["extreme_mm"]
    place = _place(zone)
    return (
        f"  {zone['id']:>2}  {what:<12}  {place:<22}  {reading} {value:.2f} "
        f"± {COVERAGE * zone['u_mm']:.2f} mm over {zone['area_mm2']:.1f} mm²{_limit(zone)}"
        f"{_metal(zone)}"
        f"\n      → {zone['action']}{'' if zone['decision'] == 'firm' else ' (undecided)'}"
    )


def _metal(zone: Mapping[str, Any]) -> str:
    """The metal under a zone, where its other side is known."""
    thick = zone["metal_mm"]
    return "" if thick is None else f", metal under it {thick:.1f} mm"


def _limit(zone: Mapping[str, Any]) -> str:
    side = {"too_thin": "least", "too_thick": "greatest"}.get(zone["finding"])
    limit = zone["limit_mm"]
    return f" ({side} {limit:.2f})" if side and limit is not None else ""


def _place(told: Mapping[str, Any]) -> str:
    if told["place"]:
        return str(told["place"])
    return "at " + " / ".join(f"{value:.1f}" for value in told["centre_mm"])


def _question(question: Mapping[str, Any]) -> str:
    return f"   ?  {question['words']}  {_place(question)}, {question['area_mm2']:.1f} mm²"


def _layer(document: Mapping[str, Any]) -> str:
    layer = document["layer"]
    if layer["median_mm"] is None:
        return "Layer: not measured"
    return (
        f"Layer over the cut area: median {layer['median_mm']:.2f} mm, 5–95 % "
        f"{layer['p05_mm']:.2f}–{layer['p95_mm']:.2f} mm; measured on "
        f"{100 * layer['measured_share']:.0f} % of {layer['veneered_area_mm2']:.0f} mm²"
    )


def _recheck(document: Mapping[str, Any]) -> list[str]:
    found = document["recheck"]
    if found is None:
        return []
    gone = [
        f"  · corrected: {_FINDING[zone['finding']]}, {zone['place'] or 'zone ' + str(zone['id'])}"
        for zone in found["corrected"]
    ]
    left = [f"  · zone {zone['id']}: {zone['trend']}" for zone in found["zones"]]
    off, on = found["taken_off_mm"] or 0.0, found["added_mm"] or 0.0
    return ["", f"Since the earlier check: up to {off:.2f} mm off, {on:.2f} mm on.", *gone, *left]


def _beads(document: Mapping[str, Any]) -> list[str]:
    found = document["beads"]
    if found is None:
        return []
    return [
        f"Retention beads: {found['count']}, {found['diameter_mm']:.1f} mm across, standing out "
        f"{found['height_mm']:.2f} mm; {found['proud']} of them farther than the opaquer is thick. "
        f"Cover over their tops: least {found['cover_least_mm']:.2f} mm, median "
        f"{found['cover_median_mm']:.2f} mm. Space and layer are measured from the base."
    ]


def _weighing(document: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """What the framework's build asks for: findings and advice, not what is as it should be."""
    structure = document["structure"]
    found = [*structure["connectors"], *structure["spots"]]
    return [one for one in found if one["weight"] != "none"]


def _carrying(one: Mapping[str, Any]) -> str:
    sign = {"finding": "!", "undecided": "?", "advice": "·"}[one["weight"]]
    return f"   {sign}  {one['words']}"


def _build(document: Mapping[str, Any]) -> list[str]:
    """Connectors and composite, in a line each."""
    structure = document["structure"]
    each = [_connector(one) for one in structure["connectors"]]
    paste = [f"{one['tooth'] or '–'} {one['volume_mm3']:.0f} mm³" for one in structure["material"]]
    lines = [f"Connectors: {'; '.join(each)}"] if each else []
    return lines + ([f"Composite needed: {', '.join(paste)}"] if paste else [])


def _connector(one: Mapping[str, Any]) -> str:
    if one["area_mm2"] is None:
        return f"{one['teeth']} underside not seen, no area"
    area = f"{one['area_mm2']:.1f} ± {COVERAGE * one['u_mm2']:.1f} mm²"
    return f"{one['teeth']} {area}, {one['height_mm']:.1f} mm high"


def _alignment(document: Mapping[str, Any]) -> str:
    fit = document["alignment"]
    told = f"Alignment: {fit['state']}"
    if fit["rms_mm"] is not None:
        told += f", {fit['rms_mm']:.3f} mm rms over {fit['reference_area_mm2']:.0f} mm² left uncut"
    off_mm = fit["evidence"]["frame_mm"]
    if off_mm is not None:
        told += f"; it fits best {1000 * off_mm:.0f} µm from the shared frame"
    return told


def _bench_cautions(document: Mapping[str, Any]) -> list[str]:
    """What the scans did not show, and what the advised work asks for."""
    share = document["layer"]["measured_share"]
    if share is None or document["alignment"]["state"] == "failed":
        return []
    # Rounded up: a surface that was all but seen is not told as seen.
    unseen = math.ceil(1000.0 * (1.0 - share)) / 10.0
    told = " ".join(hand_cautions(document, Words()))
    return [f"Not seen: {unseen:.1f} % of the surface meant for veneer. {told}"]


def _indented(words: str) -> str:
    return f"  · {words}"


def _faults(document: Mapping[str, Any]) -> list[str]:
    return [
        f"  · {name}: {fault['words']}"
        for name, scan in document["scans"].items()
        for fault in scan["faults"]
    ]
