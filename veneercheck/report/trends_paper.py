"""What a register teaches, on paper: the same words, tables and charts as on the page."""

from __future__ import annotations

import tempfile
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from veneercheck.report.setting import lay, set_whatever_it_says, tell
from veneercheck.report.signs import has_substitutes, printable
from veneercheck.report.trends_chart import drawn
from veneercheck.report.trends_lab import Trends
from veneercheck.report.trends_words import Told, alt_of, cautions, facts, plain_rows, sections
from veneercheck.report.words import Words

if TYPE_CHECKING:
    from veneercheck.report.render import Paper

_SOURCE = "trends.typ"


def trends_pdf(trends: Trends, words: Words, *, paper: Paper = "a4") -> bytes:
    """The sheets as PDF/A-2a and PDF/UA-1; the same trends give the same bytes.

    Parameters
    ----------
    trends : Trends
    words : Words
    paper : {"a4", "us-letter"}
    """
    pictures: dict[str, str] = {}
    data, fonts = printable(_data(trends, words, pictures) | {"paper": paper})
    if has_substitutes(data):
        data["cautions"].append(words("report.substitutes"))
    with tempfile.TemporaryDirectory(prefix="veneercheck-") as place:
        room = Path(place)
        for name, svg in pictures.items():
            (room / name).write_text(svg, encoding="utf-8")
        tell(room, data)
        lay(room, _SOURCE)
        return set_whatever_it_says(room, _SOURCE, "a-2a", data, fonts)


def _data(trends: Trends, words: Words, pictures: dict[str, str]) -> dict[str, Any]:
    when = trends.written or datetime(1970, 1, 1, tzinfo=UTC)
    found = [
        {
            "title": one.title,
            "lead": one.lead,
            "note": one.note,
            "parts": [_part(part, words, pictures) for part in one.parts],
        }
        for one in sections(trends, words)
    ]
    return {
        "lang": words.lang,
        "title": words("trends.title"),
        "program": trends.program,
        "date": {"year": when.year, "month": when.month, "day": when.day},
        "moment": int(when.timestamp()),
        "facts": " · ".join(facts(trends, words)),
        "footing": f"{trends.program} · {words('picture.aid')}",
        "cautions": cautions(words),
        "sections": found,
        "nothing": "" if found else words("trends.nothing"),
    }


def _part(part: Told, words: Words, pictures: dict[str, str]) -> dict[str, Any]:
    picture = None
    if part.chart is not None:
        picture = {"file": f"chart-{len(pictures)}.svg", "alt": alt_of(part)}
        svg = drawn(part.chart, part.shown, words, alt_of(part), on_paper=True)
        pictures[picture["file"]] = svg
    return {
        "title": part.title,
        "says": list(part.says),
        "heads": list(part.heads),
        "rows": plain_rows(part.rows),
        "picture": picture,
        "caption": part.caption,
    }
