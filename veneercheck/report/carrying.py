"""The framework as what carries the veneer, in rows and sentences for page and paper."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from veneercheck.core.types import FINISHED, SHARP_EDGE, THIN_METAL, UNSUPPORTED, WAX
from veneercheck.report.tables import Rows
from veneercheck.report.verdict import cut_off
from veneercheck.report.words import Words
from veneercheck.report.zone_words import place_words


def connector_rows(document: Mapping[str, Any], words: Words) -> Rows:
    """Every connector with its least section: head and rows."""
    rows = [
        [
            one["teeth"],
            words.mm2_sure(one["area_mm2"], one["u_mm2"]),
            words.mm(one["height_mm"], 1),
            words.mm(one["width_mm"], 1),
            _connector_remark(one, document, words),
        ]
        for one in document["structure"]["connectors"]
    ]
    columns = ("connector", "section_area", "height", "width", "remark")
    return [words(f"carrying.{column}") for column in columns], rows


def _connector_remark(one: Mapping[str, Any], document: Mapping[str, Any], words: Words) -> str:
    limits = document["profile"]["connector"]
    if one["area_mm2"] is None:
        return words("carrying.not_seen")
    return words(
        f"carrying.connector_{one['weight']}",
        least=words.mm2(limits["least_mm2"]),
        advice=words.mm2(limits["advice_mm2"]),
        more=words(f"carrying.more_{_matter(document)}"),
    )


def _matter(document: Mapping[str, Any]) -> str:
    """What the framework is made of at this stage."""
    return "wax" if document["case"]["stage"] == WAX else "metal"


def connector_note(document: Mapping[str, Any], words: Words) -> str:
    """How connectors were measured, and what height is worth."""
    before = document["case"]["stage"] != FINISHED
    finishing = [words("carrying.finishing")] if before else []
    return " ".join([*finishing, words("carrying.height_law")])


def material_rows(document: Mapping[str, Any], words: Words) -> Rows:
    """Composite by unit and in all: head and rows."""
    paste = document["structure"]["material"]
    rows = [
        [
            one["tooth"] or words("format.none"),
            words.mm3_sure(one["volume_mm3"], one["u_mm3"]),
            words.mm(one["deepest_mm"], 1),
            str(one["increments"]),
        ]
        for one in paste
    ]
    if len(paste) > 1:
        rows.append([words("carrying.in_all"), in_all(paste, words), "", ""])
    columns = ("unit", "composite", "deepest", "increments")
    return [words(f"carrying.{column}") for column in columns], rows


def in_all(paste: Sequence[Mapping[str, Any]], words: Words) -> str:
    """The composite of all units. Their doubts hang together: fit, seating and what was left out
    shift them all alike."""
    return words.mm3_sure(sum(o["volume_mm3"] for o in paste), sum(o["u_mm3"] for o in paste))


def increment_note(document: Mapping[str, Any], words: Words) -> str:
    """How deep one increment may be, what comes before that figure, and what is not counted."""
    depth = words.mm(document["profile"]["curing"]["increment_mm"], 1)
    note = words("carrying.increment_note", depth=depth)
    return " ".join(filter(None, (unscanned_words(document, words), note)))


def unscanned_words(document: Mapping[str, Any], words: Words) -> str:
    """That the composite is that of a part of the veneer; empty where all of it was scanned."""
    if not cut_off(document):
        return ""
    beyond = sum(one["beyond_mm3"] for one in document["structure"]["material"])
    return words("carrying.unscanned", volume=f"{words.number(beyond, 0)} mm³")


def build_sentences(document: Mapping[str, Any], words: Words) -> list[str]:
    """Connectors below what is asked or advised, thin metal, composite without support, edges."""
    return [sentence for _, sentence in build_told(document, words)]


def build_told(document: Mapping[str, Any], words: Words) -> list[tuple[str, str]]:
    """How much each weighs, and its sentence; spots of one kind in one."""
    connectors = zip(
        document["structure"]["connectors"], connector_rows(document, words)[1], strict=True
    )
    told = [
        (one["weight"], words("carrying.connector_thin", teeth=row[0], area=row[1], remark=row[-1]))
        for one, row in connectors
        if one["weight"] != "none"
    ]
    return [*told, *_spots_told(document, words)]


_SENTENCES = {
    (UNSUPPORTED, "finding"): "unsupported",
    (UNSUPPORTED, "undecided"): "unsupported_open",
    (UNSUPPORTED, "advice"): "unsupported_sharp",
    (THIN_METAL, "finding"): "thin",
    (THIN_METAL, "undecided"): "thin_open",
}
"""Sentence of a spot by its kind and what it weighs; of advice where wax has no room. Edges have
one of their own."""


_MARKS = {"finding": "", "undecided": "? "}
_NAMED = {UNSUPPORTED: "unsupported", THIN_METAL: "thin_metal"}


def _spots_told(document: Mapping[str, Any], words: Words) -> list[tuple[str, str]]:
    """How much each kind of spot weighs, and its sentence: what holds for all is said once."""
    alike: dict[tuple[str, str, float], list[Mapping[str, Any]]] = {}
    for one in document["structure"]["spots"]:
        limit_mm = _least_metal_mm(document) if one["kind"] == THIN_METAL else one["limit_mm"]
        alike.setdefault((one["kind"], one["weight"], limit_mm), []).append(one)
    return [
        (weight, (_spots if len(group) > 1 else _one_spot)(group, limit_mm, document, words))
        for (_, weight, limit_mm), group in alike.items()
    ]


def _least_metal_mm(document: Mapping[str, Any]) -> float:
    """Away from a margin, with what finishing is still to take off."""
    return sum(document["profile"]["metal"].values(), 0.0)


def spots_named(document: Mapping[str, Any], words: Words) -> list[tuple[str, Mapping[str, Any]]]:
    """What pictures call the spots that weigh in the verdict; in doubt with a question mark."""
    found = []
    for one in document["structure"]["spots"]:
        name, mark = _NAMED.get(one["kind"]), _MARKS.get(one["weight"])
        if name is not None and mark is not None:
            value = words.mm_sure(one["value_mm"], one["u_mm"])
            found.append((mark + words(f"picture.{name}", value=value), one))
    return found


def _one_spot(
    group: list[Mapping[str, Any]], limit_mm: float, document: Mapping[str, Any], words: Words
) -> str:
    (one,) = group
    sentence = _SENTENCES.get((one["kind"], one["weight"]))
    limit = words.mm(one["limit_mm"], 2 if sentence else 1)
    return words(
        f"carrying.{sentence or 'edge'}",
        **_told_of(one, words, edge=not sentence),
        limit=words("carrying.by_margin", limit=limit) if _by_margin(one, limit_mm) else limit,
        advice=_advice(one, document, words),
    )


def _spots(
    group: list[Mapping[str, Any]], limit_mm: float, document: Mapping[str, Any], words: Words
) -> str:
    """Several spots of one kind."""
    first = group[0]
    sentence = _SENTENCES.get((first["kind"], first["weight"]))
    places = [
        words("carrying.spot_at" if sentence else "carrying.edge_at", **told)
        if not _by_margin(one, limit_mm)
        else words("carrying.spot_by_margin", **told, limit=words.mm(one["limit_mm"]))
        for one in group
        for told in [_told_of(one, words, edge=not sentence)]
    ]
    return words(
        f"carrying.{sentence}_many" if sentence else "carrying.edges",
        count=len(group),
        limit=words.mm(limit_mm, 2 if sentence else 1),
        places="; ".join(places),
        advice=_advice(first, document, words),
    )


def _told_of(one: Mapping[str, Any], words: Words, *, edge: bool) -> dict[str, str]:
    return {
        "place": place_words(one, words) or words("carrying.somewhere"),
        "value": words.mm_sure(one["value_mm"], one["u_mm"]),
        "size": words.mm(one["size"], 1) if edge else words.mm2(one["size"]),
    }


def _by_margin(one: Mapping[str, Any], limit_mm: float) -> bool:
    """Whether less is asked of the spot than elsewhere, by what is written."""
    return bool(one["limit_mm"] < limit_mm - 0.005)


def _advice(one: Mapping[str, Any], document: Mapping[str, Any], words: Words) -> str:
    if one["kind"] == SHARP_EDGE:
        return _edge_advice(document, words)
    return words(f"carrying.{'thin' if one['kind'] == THIN_METAL else 'under'}_{_matter(document)}")


def _edge_advice(document: Mapping[str, Any], words: Words) -> str:
    state = "closed" if document["case"]["stage"] == FINISHED else "open"
    return words(f"carrying.edge_{state}")
