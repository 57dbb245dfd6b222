"""The plan on paper: one PDF sheet with the map, the conflicts and the depth marks."""

from __future__ import annotations

import importlib.util
import json
import tempfile
from collections.abc import Mapping
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any

from veneercheck.report.plan_drawing import MAP
from veneercheck.report.plan_words import (
    conflict_sentences,
    layer_sentences,
    plan_summary,
    shade_sentences,
)
from veneercheck.report.signs import printable
from veneercheck.report.words import Language, Words

if TYPE_CHECKING:
    from veneercheck.report.render import Paper

SHEET = "plan.pdf"


def write_sheet(folder: Path, document: Mapping[str, Any], *, lang: Language, paper: Paper) -> None:
    """Write the sheet beside the map; without the typesetter none is written."""
    if importlib.util.find_spec("typst") is None:
        return
    from typst import compile as typeset

    data, fonts = printable(_data(document, lang, paper))
    with tempfile.TemporaryDirectory() as place:
        room = Path(place)
        (room / "data.json").write_text(json.dumps(data, ensure_ascii=False), encoding="utf-8")
        (room / MAP).write_bytes((folder / MAP).read_bytes())
        source = resources.files(__package__).joinpath("print", "plan.typ")
        (room / "plan.typ").write_bytes(source.read_bytes())
        made: bytes = typeset(
            str(room / "plan.typ"),
            root=str(room),
            font_paths=[str(font) for font in fonts],
            ignore_system_fonts=True,
            format="pdf",
            timestamp=0,
        )
    (folder / SHEET).write_bytes(made)


def _data(document: Mapping[str, Any], lang: Language, paper: Paper) -> dict[str, Any]:
    words = Words(lang)
    case = document["case"]
    year, month, day = (int(part) for part in document["planned_at_utc"][:10].split("-"))
    units = " ".join(str(unit) for unit in case["units"])
    summary = plan_summary(document, lang).splitlines()
    return {
        "title": words("plan.title"),
        "program": document["program"],
        "lang": lang,
        "paper": paper,
        "date": {"year": year, "month": month, "day": day},
        "facts": " · ".join(part for part in (case["number"], units) if part),
        "footing": f"{document['program']} · {document['planned_at_utc']}",
        "sentences": [
            summary[0],
            *(line.strip() for line in conflict_sentences(document, words)),
            *layer_sentences(document, words),
            *shade_sentences(document, words),
        ],
        "alt": words("plan.title"),
        "words": {"marks": words("plan.marks")},
        "head": [words(f"plan.{name}") for name in ("number", "where", "square", "insertion")],
        "marks": [
            [
                str(one["number"]),
                " ".join(
                    part
                    for part in (one["tooth"], one["surface"], words(f"plan.{one['kind']}"))
                    if part
                ),
                words.number(one["square_mm"], 1),
                words.number(one["insertion_mm"], 1),
            ]
            for one in document["marks"]
        ],
        "cautions": words("plan.cautions"),
    }
