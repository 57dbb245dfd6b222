"""What stands over and under a picture, in lines: case, limits, date, and each zone's own."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from veneercheck.report.words import Words
from veneercheck.report.zone_words import action_words, finding_words, reading_words


def zone_words(zone: Mapping[str, Any], words: Words) -> str:
    """A zone in one line: number, finding, worst reading, decision, what to do."""
    return " · ".join(
        [
            words("picture.zone", id=zone["id"]),
            finding_words(zone, words),
            reading_words(zone, words),
            words.known("decision", zone["decision"]),
            action_words(zone, words),
        ]
    )


def case_words(document: Mapping[str, Any], words: Words) -> str:
    """The case's number, or that none was named."""
    number = document["case"]["number"]
    return words("picture.case", number=number) if number else words("picture.no_case")


def stated(document: Mapping[str, Any], words: Words) -> str:
    """When the check was made, and how the scans lie: what every picture carries."""
    when = words.moment(document["checked_at_utc"])
    state = words.known("state", document["alignment"]["state"])
    return f"{when} · {words('picture.state', state=state)}"


def limits_words(document: Mapping[str, Any], words: Words) -> str:
    """The limits in force and what was taken off the space, in one line."""
    layer, allowance = document["profile"]["layer"], document["profile"]["allowance"]
    limits = words(
        "picture.limits",
        least=words.mm(layer["least_mm"]),
        greatest=words.mm(layer["greatest_mm"]),
        profile=document["profile"]["name"],
    )
    taken = words(
        "picture.taken",
        opaquer=words.mm(allowance["opaquer_mm"]),
        beads=words.mm(allowance["beads_mm"]),
    )
    return f"{limits} · {taken}"
