"""The page: one offline file, complete in words and pictures before any script runs."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from veneercheck.machine.aside import put
from veneercheck.report.asked import questions_once
from veneercheck.report.captions import case_words, limits_words
from veneercheck.report.carrying import (
    build_sentences,
    connector_note,
    connector_rows,
    increment_note,
    material_rows,
)
from veneercheck.report.cautions import cautions
from veneercheck.report.filed import FiledResult
from veneercheck.report.interactive import script, view_section
from veneercheck.report.markup import (
    Markup,
    drawing,
    folded,
    joined,
    offline_page,
    picture,
    read_style,
    table,
    tag,
)
from veneercheck.report.plan_compare import compared_words
from veneercheck.report.plan_map import PICTURE
from veneercheck.report.scene import Scene
from veneercheck.report.sections import legend
from veneercheck.report.signs import has_substitutes
from veneercheck.report.since import recheck_sentences
from veneercheck.report.standing import standing_rows
from veneercheck.report.stills import view_shown, zones_shown
from veneercheck.report.tables import (
    alignment_rows,
    limits_rows,
    reading_rows,
    scans_rows,
    zones_table,
)
from veneercheck.report.verdict import (
    beads_sentence,
    decision_sentences,
    fault_words,
    stage_words,
    state_first,
    verdict_sentences,
)
from veneercheck.report.viewing import scripts
from veneercheck.report.views import VIEW_NAMES
from veneercheck.report.words import Words
from veneercheck.report.zone_words import (
    action_words,
    amounts_note,
    metal_words,
    runout_note,
    worst_words,
    zone_place,
)

PAGE, OFF_PLAN = "report.html", "off_plan"


def write_html(
    folder: Path,
    filed: FiledResult,
    stills: Mapping[str, Path],
    words: Words,
    *,
    scene: Scene | None = None,
    drawings: Mapping[str, str] | None = None,
) -> Path:
    """Write `report.html`.

    Parameters
    ----------
    stills : mapping
        Picture files by name, as `render_stills` returns them.
    scene : Scene, optional
        Gives the page its view that turns; without it words and pictures stand alone.
    drawings : mapping, optional
        Sections as SVG by name, as `write_sections` returns them.
    """
    shown = {**stills, OFF_PLAN: folder / PICTURE} if (folder / PICTURE).is_file() else stills
    return put(folder / PAGE, [page(filed, shown, words, scene, drawings).encode("utf-8")])


def page(
    filed: FiledResult,
    stills: Mapping[str, Path],
    words: Words,
    scene: Scene | None = None,
    drawings: Mapping[str, str] | None = None,
) -> str:
    """The whole page as text."""
    document = filed.document
    style = read_style("page.css")
    code = script() if scene else ""
    first = _first_screen(document, stills, words, scene)
    body = joined(
        [
            _head(document, words),
            tag("main", *_sections(document, stills, words, first, drawings or {})),
            _signatures(words),
        ]
    )
    title = f"{words('report.title')} · {case_words(document, words)}"
    return offline_page(
        title, body, style, lang=words.lang, code=code, first=scripts(("inside.js",))
    )


def _head(document: Mapping[str, Any], words: Words) -> Markup:
    first, *more = verdict_sentences(document, words)[:-1]  # what it is not leads the cautions
    case, program = document["case"], document["program"]
    units = " ".join(str(unit) for unit in case["units"])
    facts = [
        case_words(document, words),
        f"{words('report.units')} {units}" if units else "",
        stage_words(document, words),
        f"{words('report.checked')} {checked_words(document, words)}",
        f"{program['name']} {program['version']}",
    ]
    told, worst = cautions(document, words), worst_words(document, words)
    stated = state_first(document, words)
    return tag(
        "header",
        *(tag("p", sentence, class_="verdict") for sentence in stated[:1]),
        tag(
            "div",
            tag("h1", words("report.title")),
            *(tag("span", fact) for fact in facts if fact),
            class_="case",
        ),
        *(() if stated else (tag("p", first, class_="verdict"),)),
        *([tag("p", worst, class_="worst")] if worst else ()),
        *(tag("p", sentence, class_="verdict-more") for sentence in more),
        folded(
            words("cautions.folded", first=told[0], count=len(told) - 1),
            tag("p", told[0], class_="told"),
            *(tag("p", sentence) for sentence in told[1:]),
        ),
        *(
            [tag("p", words("report.substitutes"), class_="note")]
            if has_substitutes(document)
            else ()
        ),
    )


def checked_words(document: Mapping[str, Any], words: Words) -> str:
    """When the check was made, to the minute."""
    return words.moment(document["checked_at_utc"])


def _sections(
    document: Mapping[str, Any],
    stills: Mapping[str, Path],
    words: Words,
    first: Markup,
    drawings: Mapping[str, str],
) -> list[Markup]:
    found = [*_decisions(document, words), first, _limits_told(document, words)]
    if stills:
        found += [_views(stills, words), _close_ups(document, stills, words, drawings)]
    if OFF_PLAN in stills:
        found.append(_against_plan(stills[OFF_PLAN], words))
    if drawings:
        found.append(_drawn(drawings, words))
    if document["recheck"]:
        found.append(_changes(document["recheck"], words))
    if document["alignment"]["state"] != "failed":
        found.append(
            _section(
                "reading",
                words("report.reading"),
                table(*reading_rows(document, words)),
                tag("p", words("report.reading_note"), class_="note"),
                *_told(document, words),
            )
        )
    found += _carrying(document, words)
    found += [
        _section(
            "alignment", words("report.alignment"), table(None, alignment_rows(document, words))
        ),
        _section("limits", words("report.limits"), table(*limits_rows(document, words))),
        _section(
            "scans",
            words("report.scans"),
            table(*scans_rows(document, words, with_faults=False)),
            *_faults_folded(document, words),
        ),
    ]
    if document.get("standing"):
        rows = table(None, standing_rows(document, words))
        found.append(_section("standing", words("standing.title"), rows))
    if document["case"]["notes"]:
        notes = tag("p", str(document["case"]["notes"]))
        found.append(_section("notes", words("report.notes"), notes))
    return found


def _against_plan(file: Path, words: Words) -> Markup:
    """How far the cut is from its plan, beside the map of layers."""
    return _section(
        OFF_PLAN,
        words("off_plan.title"),
        tag("p", compared_words(file.parent, words.lang)),
        tag("figure", picture(file, words("off_plan.alt"))),
    )


def _decisions(document: Mapping[str, Any], words: Words) -> list[Markup]:
    told = [tag("li", sentence) for sentence in decision_sentences(document, words)]
    return [_section("decisions", words("report.decisions"), tag("ul", *told))] if told else []


def _section(name: str, title: str, *content: str) -> Markup:
    return tag("section", tag("h2", title, id=name), *content, aria_labelledby=name)


def _first_picture(stills: Mapping[str, Path], words: Words) -> Markup:
    if "occlusal" not in stills:
        return Markup("")
    shown = _view_figure("occlusal", stills, words)
    return tag("div", shown, tag("p", words("report.print_hint"), class_="note"), class_="first")


def _first_screen(
    document: Mapping[str, Any], stills: Mapping[str, Path], words: Words, scene: Scene | None
) -> Markup:
    """The list and, beside it, the model that turns; the still stands for it without script."""
    places, still = _what_to_do(document, words), _first_picture(stills, words)
    # What only the reader can answer belongs to what is to be done.
    also = _look_also(document, words)
    if not document["zones"]:  # then it is what there is to do
        places, also = joined([places, *also]), []
    beside = joined([*also, *_questions(document, words)])
    if scene is None:
        return joined([places, beside, still])
    return view_section(scene, places, beside, still)


def _what_to_do(document: Mapping[str, Any], words: Words) -> Markup:
    if not document["zones"]:
        content = tag("p", words("report.nothing_to_do"))
    else:
        runout = runout_note(document, words)
        told = [tag("p", runout, class_="note runout")] if runout else []
        content = joined([zones_table(document, words), *told])
    return _section(
        "what-to-do",
        words("report.what_to_do"),
        content,
    )


def _limits_told(document: Mapping[str, Any], words: Words) -> Markup:
    """What the list rests on."""
    return tag(
        "div",
        tag("p", limits_words(document, words)),
        tag("p", amounts_note(document, words), class_="note"),
        tag("p", words("report.plus_minus"), class_="note"),
        class_="rests-on",
    )


def _look_also(document: Mapping[str, Any], words: Words) -> list[Markup]:
    """Edges and composite without support: for the same hand, though no zone."""
    told = [tag("li", sentence) for sentence in build_sentences(document, words)]
    return [tag("p", words("report.look_also") + ":"), tag("ul", *told)] if told else []


def _carrying(document: Mapping[str, Any], words: Words) -> list[Markup]:
    """Connectors, support, edges and paste, where there is anything to say."""
    structure = document["structure"]
    content: list[Markup] = []
    if structure["connectors"]:
        content += [
            table(*connector_rows(document, words)),
            tag("p", connector_note(document, words), class_="note"),
        ]
    if structure["material"]:
        content += [
            table(*material_rows(document, words)),
            tag("p", increment_note(document, words), class_="note"),
        ]
    return [_section("carrying", words("carrying.title"), *content)] if content else []


def _drawn(drawings: Mapping[str, str], words: Words) -> Markup:
    """Sections across the units and along the bridge."""
    figures = [
        tag(
            "figure",
            drawing(svg, section_title(name, words)),
            tag("figcaption", section_title(name, words)),
            class_="wide" if name == "along" else "",
        )
        for name, svg in drawings.items()
        if not name.startswith("zone")
    ]
    if not figures:
        return Markup("")
    note = tag("p", legend(drawings, words), class_="note")
    return _section(
        "sections", words("carrying.sections"), tag("div", *figures, class_="pair"), note
    )


def section_title(name: str, words: Words) -> str:
    """What a section shows, by its name."""
    unit = name.partition("-")[2]
    if name == "along":
        return words("carrying.along")
    return words("carrying.across", unit=unit) if unit else words("carrying.across_one")


def _questions(document: Mapping[str, Any], words: Words) -> list[Markup]:
    asked = [tag("li", told) for told in questions_once(document, words)]
    title = words("report.questions")
    return [_section("questions", title, tag("ul", *asked))] if asked else []


def _told(document: Mapping[str, Any], words: Words) -> list[Markup]:
    """What was recognised on the framework, and what the two scans told side by side."""
    told = [beads_sentence(document, words), *(fault_words(r, words) for r in document["remarks"])]
    items = [tag("li", sentence) for sentence in told if sentence]
    return [tag("ul", *items)] if items else []


def _faults_folded(document: Mapping[str, Any], words: Words) -> list[Markup]:
    """What was found in the meshes: long, and of interest where something went wrong."""
    found = []
    for name, scan in document["scans"].items():
        told = [tag("li", fault_words(fault, words)) for fault in scan["faults"]]
        if told:
            title = f"{words(f'report.{name}')}: {words('report.faults')} ({len(told)})"
            found.append(folded(title, tag("ul", *told)))
    return found


def _changes(recheck: Mapping[str, Any], words: Words) -> Markup:
    """What changed since an earlier result."""
    items = tag("ul", *(tag("li", sentence) for sentence in recheck_sentences(recheck, words)))
    return _section("recheck", words("recheck.title"), items)


def _views(stills: Mapping[str, Path], words: Words) -> Markup:
    others = [name for name in VIEW_NAMES if name in stills and name != "occlusal"]
    figures = [_view_figure(name, stills, words) for name in others]
    return _section("pictures", words("report.pictures"), tag("div", *figures, class_="pair"))


def _view_figure(name: str, stills: Mapping[str, Path], words: Words) -> Markup:
    zones = ", ".join(zones_shown(stills[name])) or words("report.no_zones")
    alt = words("report.alt_view", view=view_shown(stills[name], words), zones=zones)
    return tag("figure", picture(stills[name], alt))


def _close_ups(
    document: Mapping[str, Any],
    stills: Mapping[str, Path],
    words: Words,
    drawings: Mapping[str, str],
) -> Markup:
    figures = []
    for zone in document["zones"]:
        name = f"zone-{zone['id']}"
        finding, decision = words.known("finding", zone["finding"]), zone["decision"]
        alt = words(
            "report.alt_zone",
            id=zone["id"],
            finding=finding,
            decision=words.known("decision", decision),
        )
        caption = f"{words('picture.zone', id=zone['id'])}: {action_words(zone, words)}"
        where = "; ".join(filter(None, (zone_place(zone, words), metal_words(zone, words))))
        caption += f" ({where})" if where else ""
        shown = [picture(stills[name], alt)]
        if name in drawings:
            shown.append(drawing(drawings[name], words("carrying.through", caption=caption)))
        figures.append(tag("figure", *shown, tag("figcaption", caption), id=name))
    if not figures:
        return Markup("")
    return _section("zones", words("report.zones"), tag("div", *figures, class_="pair"))


def _signatures(words: Words) -> Markup:
    lines = [tag("div", words(f"report.signature_{who}")) for who in ("made", "checked")]
    return tag("footer", tag("div", *lines, class_="signatures"))
