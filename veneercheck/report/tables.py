"""The page's tables: every number with its unit, and with its ± where there is one."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from veneercheck.core.types import LIMITS
from veneercheck.report.markup import Markup, table, tag
from veneercheck.report.verdict import fault_words, reasons
from veneercheck.report.words import Words
from veneercheck.report.zone_words import (
    action_words,
    finding_words,
    reading_words,
    size_words,
    zone_place,
)

Rows = tuple[list[str], list[list[str]]]

_FIGURES = (
    ("min_mm", "minimum"),
    ("p05_mm", "p05"),
    ("median_mm", "median"),
    ("mean_mm", "mean"),
    ("p95_mm", "p95"),
    ("max_mm", "maximum"),
)


def zones_table(document: Mapping[str, Any], words: Words) -> Markup:
    """The ranked list: where, what, how surely, and what to do."""
    columns = ("zone", "action", "place", "finding", "extreme", "limit", "area")
    head = [words(f"report.{column}") for column in (*columns, "decision")]
    rows = [_zone_row(zone, words) for zone in document["zones"]]
    return table(head, rows, class_="zones")


def _zone_row(zone: Mapping[str, Any], words: Words) -> list[str]:
    number = str(zone["id"])
    firm = zone["decision"] == "firm"
    sign = tag(
        "a",
        number,
        class_="sign firm" if firm else "sign",
        href=f"#zone-{number}",
        data_zone=number,
        aria_label=words("picture.zone", id=number),
    )
    return [
        sign,
        tag("span", action_words(zone, words), class_="action"),
        zone_place(zone, words) or words("format.none"),
        finding_words(zone, words),
        tag("span", reading_words(zone, words), class_="number"),
        tag("span", limit_words(zone, words), class_="number"),
        tag("span", size_words(zone, words), class_="number"),
        words.known("decision", zone["decision"]),
    ]


def limit_words(zone: Mapping[str, Any], words: Words) -> str:
    """The limit that a zone was judged against."""
    if zone["about"] == "beads":
        return f"≥ {words.mm(zone['limit_mm'])} ({words('report.cover')})"
    if zone["finding"] == "too_thin":
        return f"≥ {words.mm(zone['limit_mm'])}"
    if zone["finding"] == "too_thick":
        return f"≤ {words.mm(zone['limit_mm'])}"
    return words("report.contour")


def reading_rows(document: Mapping[str, Any], words: Words) -> Rows:
    """Space and layer over the cut area, and how much of it was measured: head and rows."""
    space, layer = document["space"], document["layer"]
    rows = [
        [
            words(f"report.{name}"),
            *(words.mm_sure(of[key], of.get(key[:-2] + "u_mm")) for of in (space, layer)),
        ]
        for key, name in _FIGURES
    ]
    rows += [
        [words("report.veneered"), words.mm2(layer["veneered_area_mm2"]), ""],
        [words("report.measured"), words.percent(layer["measured_share"]), ""],
    ]
    return [words(f"report.{column}") for column in ("figure", "space", "layer")], rows


def alignment_rows(document: Mapping[str, Any], words: Words) -> list[list[str]]:
    """How far the fit may be believed, and why."""
    fit = document["alignment"]
    area = words(
        "report.reference_value",
        area=words.mm2(fit["reference_area_mm2"]),
        share=words.percent(fit["reference_share"]),
    )
    rows = [
        [words("report.state"), words.known("state", fit["state"])],
        [words("report.rms"), words.mm(fit["rms_mm"], 3)],
        [words("report.reference"), area],
        [words("report.u_max"), words.mm(fit["u_max_mm"], 3)],
    ]
    told = fit["evidence"]
    if fit["weakest"]:
        effect = words.mm(told["weakest_layer_mm"], 3)
        rows.append(
            [words("report.weakest"), f"{words.known('weakest', fit['weakest'])} (± {effect})"]
        )
    rows += [
        [words(f"report.{name}"), words.mm(told[name], 3)]
        for name in ("halves_mm", "seating_mm", "bow_mm", "part_mm", "frame_mm")
        if told[name] is not None
    ]
    if told["scale"] is not None:
        rows.append([words("report.scale"), words.number(100.0 * (told["scale"] - 1.0)) + " %"])
    if told["rival_share"] is not None:
        rows.append([words("report.rival_share"), words.percent(told["rival_share"])])
    if fit["reasons"]:
        rows.append([words("report.reasons"), "; ".join(reasons(fit, words))])
    return rows


def limits_rows(document: Mapping[str, Any], words: Words) -> Rows:
    """Every limit and allowance in force, and where it comes from: head and rows."""
    profile = document["profile"]
    rows = [
        [words(f"limit.{key}"), _limit(profile, key, words), certainty_words(profile, key, words)]
        for key in LIMITS
        if key != _WITH_OPAQUER
    ]
    for surface, layer in profile["surfaces"].items():
        span = f"{words.mm(layer['least_mm'])} – {words.mm(layer['greatest_mm'])}"
        own = f"{words('report.surfaces')}: {words.known('surface', surface)}"
        rows.append([own, span, words("format.none")])
    name = f"{words('report.profile')} «{profile['name']}»"
    return [name, words("report.value"), words("report.certainty")], rows


_OPAQUER, _WITH_OPAQUER = "allowance.opaquer_mm", "allowance.opaquer_u_mm"
"""The second is the ± of the first."""


def limit_called(key: str, words: Words) -> str:
    """What a limit is, with its unit where that is not mm."""
    return f"{words(f'limit.{key}')}{' (mm²)' * key.endswith('_mm2')}"


def _limit(profile: Mapping[str, Any], key: str, words: Words) -> str:
    section, field = key.split(".")
    value = profile[section][field]
    if key == _OPAQUER:
        return words.mm_sure(value, profile[section]["opaquer_u_mm"])
    return words.mm2(value, 2) if field.endswith("_mm2") else words.mm(value)


def certainty_words(profile: Mapping[str, Any], key: str, words: Words) -> str:
    """Where a limit comes from, as the profile says."""
    return words.known("certainty", profile["certainty"].get(key))


def scans_rows(document: Mapping[str, Any], words: Words, *, with_faults: bool = True) -> Rows:
    """What was read and, if asked, what was wrong with it: head and rows."""
    scans = [document["scans"][name] for name in ("framework", "waxup")]
    rows = [
        [words("report.file"), *(scan["file"] for scan in scans)],
        [words("report.unit"), *(scan["unit"] for scan in scans)],
        [words("report.triangles"), *(words.count(scan["triangles"]) for scan in scans)],
        [words("report.area"), *(words.mm2(scan["area_mm2"]) for scan in scans)],
        *([[words("report.faults"), *(_faults(scan, words) for scan in scans)]] * with_faults),
        [words("report.fingerprint"), *(_in_groups(scan["sha256"]) for scan in scans)],
    ]
    return [words("report.scan"), words("report.framework"), words("report.waxup")], rows


def _faults(scan: Mapping[str, Any], words: Words) -> str:
    """One sentence a fault, each from its capital letter to its full stop."""
    told = (fault_words(fault, words).rstrip(".") for fault in scan["faults"])
    return " ".join(f"{one[:1].upper()}{one[1:]}." for one in told) or words("report.no_faults")


def _in_groups(fingerprint: str) -> str:
    """Eight digits a group, so that it breaks across lines and can be compared by eye."""
    return " ".join(fingerprint[at : at + 8] for at in range(0, len(fingerprint), 8))
