"""A plan in words: what was planned, where it cannot fit, and what that asks."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from veneercheck.report.verdict import frame_sentence
from veneercheck.report.words import Language, Words
from veneercheck.report.zone_words import place_words


def plan_summary(document: Mapping[str, Any], lang: Language) -> str:
    """The plan as the terminal tells it."""
    words = Words(lang)
    cutting, limits = document["cutting"], document["limits"]
    lines = [
        words(
            "plan.depth",
            depth=words.mm(cutting["depth_mm"]),
            least=words.mm(limits["least_mm"]),
            opaquer=words.mm(limits["opaquer_mm"] + limits["beads_mm"]),
            margin=words.mm(cutting["margin_mm"]),
            form=words.known("plan_form", cutting["form"]),
        ),
        *conflict_sentences(document, words),
        *contact_sentences(document, words),
        *layer_sentences(document, words),
        *shade_sentences(document, words),
        *(f"  {frame_sentence(guess, words)}" for guess in document["guessed"]),
        "",
        words("plan.cautions"),
    ]
    return "\n".join(lines)


def conflict_sentences(document: Mapping[str, Any], words: Words) -> list[str]:
    """One sentence a conflict, the worst first; or that none was found, or that none could be.
    Before them, that the target itself is torn."""
    found = [*_torn(document, words), *(_conflict(one, words) for one in document["conflicts"])]
    if not document["die_known"]:
        given = document["scans"].get("die") is not None
        found.append(words("plan.die_beside" if given else "plan.no_die"))
    elif not found:
        found.append(words("plan.fits"))
    return found


def _torn(document: Mapping[str, Any], words: Words) -> list[str]:
    """That much of the target runs through itself, as where the wax-up's mesh was folded."""
    crossings = document["target_crossings"]
    if crossings <= _TORN:
        return []
    return [words("plan.torn", count=words.written(crossings))]


_TORN = 1000
"""Targets of sound scans had 16 to 140, that of one folded by noise 4,513."""


def contact_sentences(document: Mapping[str, Any], words: Words) -> list[str]:
    """How many contacts there are, and those too near the metal border."""
    met = document["contacts"]
    if met is None:
        return [words("plan.no_antagonist")]
    asked = words.mm(document["cutting"]["off_border_mm"], 1)
    near = [one for one in met if one["too_near"]]
    return [
        words("plan.contacts", count=len(met), near=len(near), asked=asked),
        *(
            words(
                "plan.contact",
                x=words.number(one["at_mm"][0], 1),
                y=words.number(one["at_mm"][1], 1),
                z=words.number(one["at_mm"][2], 1),
                off=words.mm(one["from_border_mm"], 1),
            )
            for one in near
        ),
    ]


def layer_sentences(document: Mapping[str, Any], words: Words) -> list[str]:
    """What every unit takes."""
    return [
        words(
            "plan.layers",
            unit=one["unit"] or words("format.none"),
            opaquer=words.number(one["opaquer_mm3"], 0),
            dentine=words.number(one["dentine_mm3"], 0),
            incisal=words.number(one["incisal_mm3"], 0),
            doubt=words.percent(2.0 * one["u_share"]),
            increments=one["increments"],
        )
        + _mass(one, words)
        for one in document["layers"]
    ]


def _mass(one: Mapping[str, Any], words: Words) -> str:
    """What dentine and incisal weigh, where the profile says how dense they are."""
    grams = one["mass_g"]
    if grams is None:
        return ""
    doubt = 2.0 * one["u_share"] * grams
    return words("plan.mass", grams=words.number(grams, 2), doubt=words.number(doubt, 2))


def shade_sentences(document: Mapping[str, Any], words: Words) -> list[str]:
    """How far the shade over the planned layers is off full depth; nothing without a wedge."""
    shade = document["shade"]
    if shade is None:
        return []

    def off(value: float | None) -> str:
        return words("format.none") if value is None else words.number(value, 1)

    return [
        words("plan.shade", steps=shade["steps"], error=off(shade["error"])),
        *(
            words(
                "plan.shade_unit",
                unit=one["unit"] or words("format.none"),
                median=off(one["median"]),
                worst=off(one["worst"]),
                limit=words.number(shade["acceptable"], 1),
                beyond=words.percent(one["beyond_acceptable"]),
                unknown=words.percent(one["not_known"]),
                thinnest=words.mm(shade["thinnest_mm"], 1),
            )
            for one in shade["units"]
        ),
    ]


def _conflict(one: Mapping[str, Any], words: Words) -> str:
    section = one["kind"] == "connector too thin"
    amount = (words.mm2_sure if section else words.mm_sure)(one["short"], one["u"])
    return words(
        "plan.conflict",
        sign="!" if one["firm"] else "?",
        kind=words.known("plan_kind", one["kind"]),
        place=place_words(one, words) or words("format.none"),
        amount=amount,
        asks=", ".join(words.known("plan_ask", ask) for ask in one["asks"]),
    )
