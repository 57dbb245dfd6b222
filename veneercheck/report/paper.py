"""The report on paper: PDF/A with its data attached, a sheet for the bench, one of pictures."""

from __future__ import annotations

import itertools
import math
import tempfile
from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from veneercheck.machine.aside import put
from veneercheck.report.asked import questions_once
from veneercheck.report.captions import case_words, limits_words, zone_words
from veneercheck.report.carrying import (
    build_sentences,
    connector_note,
    connector_rows,
    increment_note,
    material_rows,
)
from veneercheck.report.cautions import cautions
from veneercheck.report.filed import RESULT, ZONES, FiledResult
from veneercheck.report.html import checked_words, section_title
from veneercheck.report.plates import plates
from veneercheck.report.scene import Scene, scene_of
from veneercheck.report.section_sheet import width_mm, with_letters
from veneercheck.report.sections import legend
from veneercheck.report.setting import Standard, lay, set_whatever_it_says, tell
from veneercheck.report.signs import has_substitutes, printable
from veneercheck.report.since import recheck_sentences
from veneercheck.report.standing import (
    CODE,
    can_code,
    code_svg,
    code_words,
    standing_rows,
)
from veneercheck.report.stills import STILLS, view_shown, without_words, zones_shown
from veneercheck.report.tables import (
    Rows,
    alignment_rows,
    limit_words,
    limits_rows,
    reading_rows,
    scans_rows,
)
from veneercheck.report.verdict import (
    beads_sentence,
    decision_sentences,
    fault_words,
    stage_words,
    state_first,
    verdict_sentences,
)
from veneercheck.report.views import VIEW_NAMES
from veneercheck.report.words import Words
from veneercheck.report.zone_words import (
    action_words,
    amounts_note,
    finding_words,
    metal_words,
    reading_words,
    runout_note,
    zone_place,
)

if TYPE_CHECKING:
    from veneercheck.report.render import Paper

REPORT, BENCH, CONTACT = PAPERS = ("report.pdf", "bench.pdf", "contact.pdf")
"""The report, the sheet for the bench, and all pictures on one page for whoever designs."""

_STANDARDS: dict[str, Standard] = {REPORT: "a-3a", BENCH: "a-2a", CONTACT: "a-2a"}
"""PDF/A-3 may carry the result's own files, the other sheets carry none. All are PDF/UA-1, too."""

_MOST_ON_BENCH = 6
"""More zones than these cannot be read at arm's length on one sheet."""

_BARE = "-bare.png"
"""End of the name of a picture without words, beside the still it is made of."""

_SOURCES = {REPORT: "report.typ", BENCH: "bench.typ", CONTACT: "contact.typ"}

_MOST_ON_CONTACT = 6
"""More zones than these would be too small to judge on a page with six views."""

_ATTACHED = ((RESULT, "application/json"), (ZONES, "text/csv"))


def write_papers(
    folder: Path,
    filed: FiledResult,
    words: Words,
    *,
    drawings: Mapping[str, str],
    paper: Paper = "a4",
    scene: Scene | None = None,
) -> list[Path]:
    """Write the papers; the same result gives the same bytes.

    Parameters
    ----------
    folder : Path
        Holds the result and its stills.
    drawings : mapping
        Sections as SVG by name.
    paper : {"a4", "us-letter"}
    scene : Scene, optional
        Of the same result, if it is prepared already.
    """
    if scene is None and filed.mesh is not None:
        scene = scene_of(filed, words)
    data, fonts = printable(paper_data(folder, filed, words, drawings) | {"paper": paper})
    if has_substitutes(data):
        data["cautions"].append(words("report.substitutes"))
    with tempfile.TemporaryDirectory(prefix="veneercheck-") as place:
        room = Path(place)
        _lay_out(room, folder, data, drawings, scene)
        return [
            put(folder / name, [set_whatever_it_says(room, source, _STANDARDS[name], data, fonts)])
            for name, source in _SOURCES.items()
        ]


def paper_data(
    folder: Path, filed: FiledResult, words: Words, drawings: Mapping[str, str]
) -> dict[str, Any]:
    """Everything the sheets say, as text ready to set."""
    document = filed.document
    own = {name: words(f"report.{name}") for name in _WORDS}
    own["amounts_note"] = amounts_note(document, words)
    when = datetime.fromisoformat(document["checked_at_utc"])
    return {
        "lang": words.lang,
        "words": own,
        "date": {"year": when.year, "month": when.month, "day": when.day},
        "moment": int(when.timestamp()),
        "name": words("report.title"),
        "case": case_words(document, words),
        "title": f"{words('report.title')} · {case_words(document, words)}",
        "program": " ".join(document["program"].values()),
        "facts": " · ".join(
            [
                case_words(document, words),
                stage_words(document, words),
                checked_words(document, words),
            ]
        ),
        "footing": f"{limits_words(document, words)} · {words('picture.aid')}",
        "verdict": verdict_sentences(document, words),
        "runout": runout_note(document, words),
        "stated": state_first(document, words),
        "cautions": cautions(document, words),
        "occlusal": _picture(folder, "occlusal", words("report.pictures")),
        "work": words("amount.sheet" if _known(filed) else "report.pictures"),
        "views": _side_views(folder, words),
        "contact": _contact(folder, len(document["zones"]), words),
        "sheets": [
            [_zone(zone, folder, words, drawings) for zone in sheet]
            for sheet in bench_sheets(document["zones"])
        ],
        "open": open_lines(document, words),
        "zones": [_zone(zone, folder, words, drawings) for zone in document["zones"]],
        "drawings": [
            {"wide": name == "along"} | _drawing(name, section_title(name, words))
            for name in drawings
            if not name.startswith("zone")
        ],
        "zone_head": [words(f"report.{column}") for column in _COLUMNS],
        "questions": questions_once(document, words),
        "told": [fault_words(remark, words) for remark in document["remarks"]],
        "alignment": alignment_rows(document, words),
        "reading": _listed(reading_rows(document, words)),
        "beads": beads_sentence(document, words),
        "connectors": _listed(connector_rows(document, words)),
        "spots": build_sentences(document, words),
        "material": _listed(material_rows(document, words)),
        "carrying": {name: words(f"carrying.{name}") for name in ("title", "sections")}
        | {
            "connector_note": connector_note(document, words),
            "section_note": legend(drawings, words),
            "increment_note": increment_note(document, words),
        },
        "limits": _listed(limits_rows(document, words)),
        "scans": _listed(scans_rows(document, words)),
        "standing": _standing(document, words),
        "notes": str(document["case"]["notes"]),
        "decisions": decision_sentences(document, words),
        "recheck": recheck_sentences(document["recheck"], words) if document["recheck"] else [],
        "recheck_title": words("recheck.title"),
        "signatures": [words(f"report.signature_{who}") for who in ("made", "checked")],
        "attachments": [
            {"name": name, "mime": kind, "words": name}
            for name, kind in _ATTACHED
            if (folder / name).exists()
        ],
    }


def _standing(document: Mapping[str, Any], words: Words) -> dict[str, Any]:
    """What must be on paper years later, and a code of the check's key and its result's hash."""
    code = code_words(document) if can_code() else None
    return {
        "title": words("standing.title"),
        "rows": standing_rows(document, words),
        "code": None if code is None else {"file": CODE, "says": code},
        "code_words": words("standing.code"),
    }


def _listed(rows: Rows) -> dict[str, Any]:
    return dict(zip(("head", "rows"), rows, strict=True))


_COLUMNS = ("zone", "action", "place", "finding", "extreme", "limit", "decision")
_WORDS = (
    "what_to_do",
    "look_also",
    "reading_note",
    "nothing_to_do",
    "pictures",
    "questions",
    "zones",
    "alignment",
    "reading",
    "plus_minus",
    "limits",
    "scans",
    "notes",
    "decisions",
)


def _zone(
    zone: Mapping[str, Any],
    folder: Path,
    words: Words,
    drawings: Mapping[str, str],
) -> dict[str, Any]:
    title, name = zone_words(zone, words), f"zone-{zone['id']}"
    finding = finding_words(zone, words)
    reading = reading_words(zone, words)
    return {
        "number": str(zone["id"]),
        "firm": zone["decision"] == "firm",
        "title": title,
        "action": action_words(zone, words),
        "place": " · ".join(filter(None, [zone_place(zone, words), finding, reading])),
        "metal": metal_words(zone, words),
        "do": f"do-{zone['id']}.png",
        "see": f"see-{zone['id']}.png",
        "alt": title,
        "still": _picture(folder, name, title),
        "cut": _drawing(name, title) if name in drawings else None,
        "cells": [
            str(zone["id"]),
            action_words(zone, words),
            zone_place(zone, words) or words("format.none"),
            finding,
            reading,
            limit_words(zone, words),
            words.known("decision", zone["decision"]),
        ],
    }


def bench_sheets(zones: Sequence[Mapping[str, Any]]) -> list[list[Mapping[str, Any]]]:
    """The zones of each bench sheet: the firm ones, all if none is, as evenly as they go.

    So no sheet is all but empty; without zones there is one sheet.
    """
    shown = [zone for zone in zones if zone["decision"] == "firm"] or list(zones)
    count = max(math.ceil(len(shown) / _MOST_ON_BENCH), 1)
    least, more = divmod(len(shown), count)
    ends = list(itertools.accumulate(least + (index < more) for index in range(count)))
    return [shown[first:last] for first, last in zip([0, *ends], ends, strict=False)]


def open_lines(document: Mapping[str, Any], words: Words) -> list[str]:
    """Zones without a place on a bench sheet, in a line each."""
    told = {zone["id"] for sheet in bench_sheets(document["zones"]) for zone in sheet}
    return [
        " · ".join(
            filter(None, (str(zone["id"]), zone_place(zone, words), action_words(zone, words)))
        )
        for zone in document["zones"]
        if zone["id"] not in told
    ]


def _known(filed: FiledResult) -> bool:
    """Whether it is known what is to be taken off and added."""
    return filed.amount_mm is not None and bool(np.isfinite(filed.amount_mm).any())


def _side_views(folder: Path, words: Words) -> list[dict[str, str]]:
    """The views beside the one from the top, those that show a zone."""
    found = []
    for name in VIEW_NAMES:
        still = folder / STILLS / f"{name}.png"
        shown = zones_shown(still) if name != "occlusal" and still.exists() else []
        if shown:
            view, zones = view_shown(still, words), ", ".join(shown)
            found.append(
                {
                    "file": f"{name}{_BARE}",
                    "alt": words("report.alt_view", view=view, zones=zones),
                    "title": words("report.view_zones", view=view, zones=zones),
                }
            )
    return found


def _contact(folder: Path, zones: int, words: Words) -> dict[str, Any]:
    """The six views for the page of pictures, and how many zones stand with them."""
    stills = [folder / STILLS / f"{name}.png" for name in VIEW_NAMES]
    views = [
        {
            "file": f"see-{still.name}",
            "title": words("picture.view", view=view_shown(still, words)),
        }
        for still in stills
        if still.exists()
    ]
    return {
        "views": views,
        "most": _MOST_ON_CONTACT,
        "more": [
            words("report.more", count=zones - shown) for shown in range(_MOST_ON_CONTACT + 1)
        ],
    }


def _drawing(name: str, alt: str) -> dict[str, Any]:
    return {"file": f"{name}.svg", "alt": alt}


def _picture(folder: Path, name: str, alt: str) -> dict[str, str] | None:
    if not (folder / STILLS / f"{name}.png").exists():
        return None
    return {"file": f"{name}.png", "alt": alt}


def _lay_out(
    room: Path,
    folder: Path,
    data: Mapping[str, Any],
    drawings: Mapping[str, str],
    scene: Scene | None,
) -> None:
    for name, svg in drawings.items():
        (room / f"{name}.svg").write_text(svg, encoding="utf-8")
        (room / f"{name}{_NEAR}.svg").write_text(_near(name, svg), encoding="utf-8")
    for still in (folder / STILLS).glob("*.png"):
        (room / still.name).write_bytes(still.read_bytes())
    for view in data["views"]:
        still = folder / STILLS / f"{view['file'].removesuffix(_BARE)}.png"
        (room / view["file"]).write_bytes(without_words(still))
    if scene is not None:
        for name, content in plates(scene, _MOST_ON_CONTACT):
            (room / name).write_bytes(content)
    for file in data["attachments"]:
        (room / file["name"]).write_bytes((folder / file["name"]).read_bytes())
    if (code := data["standing"]["code"]) is not None:
        (room / CODE).write_text(code_svg(code["says"]), encoding="utf-8")
    tell(room, data)
    for name in _SOURCES.values():
        lay(room, name)


def _near(name: str, svg: str) -> str:
    """A section with letters that are read where the page of pictures shows it."""
    shown_mm = _ON_CONTACT_MM["zone" if name.startswith("zone") else name.partition("-")[0]]
    return with_letters(svg, _LETTERS_MM * width_mm(svg) / shown_mm)


_NEAR = "-near"
_ON_CONTACT_MM = {"zone": 41.0, "unit": 60.0, "along": 131.0}
"""How wide a drawing stands on the page of pictures, before the page is made to fit."""

_LETTERS_MM = 3.2
"""9 points: at least 7 where the page is made to fit by the least share that is allowed."""
