"""Questions that only the technician can answer, each with its place and size."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from veneercheck.report.words import Words
from veneercheck.report.zone_words import place_words


def questions_once(document: Mapping[str, Any], words: Words) -> list[str]:
    """What only the reader can answer; the same question once, with all its places."""
    alike: dict[str, list[str]] = {}
    for asked in document["questions"]:
        places = alike.setdefault(words.known("question", asked["words"]), [])
        places += filter(None, [_where_asked(asked, words)])
    return [f"{told} ({'; '.join(where)})" if where else told for told, where in alike.items()]


def question_words(asked: Mapping[str, Any], words: Words) -> str:
    """A question with its place and size."""
    told = _where_asked(asked, words)
    return words.known("question", asked["words"]) + (f" ({told})" if told else "")


def _where_asked(asked: Mapping[str, Any], words: Words) -> str:
    where = place_words(asked, words)
    area = asked["area_mm2"]  # however small, it does not read as nothing
    size = "" if area is None else words.mm2(max(area, 0.01), 1 if area >= 0.1 else 2)
    return ", ".join(filter(None, (where, size)))
