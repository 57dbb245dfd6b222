"""The page of what is on record: the same filters as in the terminal, kept in its address."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

from veneercheck.report.markup import Markup, joined, tag
from veneercheck.report.words import Words

if TYPE_CHECKING:
    from veneercheck.record import Register
    from veneercheck.record.finding import Wanted

ROWS = 200
"""The latest so many; more are counted, and found by narrowing down."""

FILTERS = ("words", "case", "unit", "verdict", "stage", "since", "until", "lot", "alloy",
           "composite", "who", "scanner", "calibration", "revision", "limits_state",
           "decision")  # fmt: skip
_TICKS = ("undecided", "not_decided")
_CHOICES: Mapping[str, tuple[str, tuple[str, ...]]] = {
    "verdict": ("verdict_short", ("no findings", "findings", "undecided")),
    "stage": ("stage", ("wax", "cast", "opaqued", "dentine", "finished")),
    "calibration": ("calibration", ("valid", "out of date", "failed", "absent")),
    "limits_state": ("limits_state", ("approved", "not approved", "not on record")),
    "decision": ("decided", ("accepted", "cut again", "remake", "ask the dentist")),
}
_COLUMNS = ("checked", "case", "units", "verdict", "stage", "limits", "who", "decision", "key",
            "folder")  # fmt: skip
_PLAN_COLUMNS = ("planned", "case", "units", "limits", "who", "conflicts", "key", "folder")
_LONGEST = 200


def records_page(place: str | None, query: Mapping[str, str], words: Words) -> str:
    """The page as HTML.

    Parameters
    ----------
    place : str or None
        The register; None where the page was opened without one.
    query : mapping
        What the address says.
    words : Words
    """
    asked = {name: query[name].strip()[:_LONGEST] for name in FILTERS if query.get(name)}
    ticked = [name for name in _TICKS if query.get(name)]
    found = tag("p", words("records.no_register")) if place is None else Markup()
    if place is not None:
        found = _found(place, {**asked, **dict.fromkeys(ticked, True)}, words)
    body = tag(
        "main",
        tag("h1", words("records.title")),
        tag("p", tag("a", words("records.back"), href="/")),
        _form(asked, ticked, words),
        Markup() if place is None else _photo(words),
        Markup() if place is None else _trends(asked, words),
        found,
    )
    head = tag(
        "head",
        tag("meta", charset="utf-8"),
        tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
        tag("title", f"veneercheck · {words('records.title')}"),
        tag("link", rel="stylesheet", href="/page.css"),
        tag("script", type="module", src="/photo.js") if place is not None else Markup(),
    )
    return "<!doctype html>" + tag("html", head, tag("body", body), lang=words.lang)


def _photo(words: Words) -> Markup:
    """A photograph of a printed report, in place of its code typed by a hand scanner."""
    field = tag("input", id="photo", type="file", accept="image/jpeg,image/png,image/webp",
                capture="environment", data_unreachable=words("bench.unreachable"))  # fmt: skip
    told = tag("span", id="photo-told", role="status")
    return tag("p", tag("label", words("records.photo"), " ", field), " ", told)


def _trends(asked: Mapping[str, str], words: Words) -> Markup:
    """The way to what all of them teach, from the day on that is asked for here."""
    since = {"since": asked["since"]} if "since" in asked else {}
    there = f"/records/trends?{urlencode({'lang': words.lang} | since)}"
    return tag("p", tag("a", words("trends.open"), href=there))


def _form(asked: Mapping[str, str], ticked: list[str], words: Words) -> Markup:
    fields = [_field(name, asked.get(name, ""), words) for name in FILTERS]
    for name in _TICKS:
        box = tag("input", type="checkbox", name=name, value="1",
                  checked="checked" if name in ticked else None)  # fmt: skip
        fields.append(tag("label", box, words(f"records.only_{name}")))
    fields.append(tag("input", type="hidden", name="lang", value=words.lang))
    fields.append(tag("button", words("records.search"), type="submit"))
    return tag("form", *fields, method="get", action="/records")


def _field(name: str, value: str, words: Words) -> Markup:
    label = words(f"records.{name}")
    if name not in _CHOICES:
        kind = "date" if name in ("since", "until") else "search"
        return tag("label", label, tag("input", name=name, value=value, type=kind))
    section, choices = _CHOICES[name]
    options = [tag("option", words("format.none"), value="")]
    for choice in choices:
        chosen = "selected" if choice == value else None
        options.append(tag("option", words.known(section, choice), value=choice, selected=chosen))
    return tag("label", label, tag("select", *options, name=name))


def _found(place: str, asked: dict[str, Any], words: Words) -> Markup:
    from veneercheck.record import Register
    from veneercheck.record.finding import Wanted, count, find
    from veneercheck.record.located import one_check, place_of
    from veneercheck.report.standing import read_code

    with Register(place) as register:
        if read_code(asked.get("words", "")) is not None:  # typed by a hand scanner
            key = one_check(register, asked["words"]).key
            wanted = Wanted(key=key)
        else:
            state = asked.pop("limits_state", None)
            wanted = Wanted(**asked, limits=state)
        rows = find(register, wanted, limit=ROWS, newest=True)
        many = len(rows) if len(rows) < ROWS else count(register, wanted)
        heads = [tag("th", words(f"records.{name}"), scope="col") for name in _COLUMNS]
        lines = []
        for one in rows:
            told = {**dataclasses.asdict(one), "folder": str(place_of(register, one.folder))}
            cells: list[str] = _cells(told, words)
            here = f"/records/{one.key}?lang={words.lang}"
            cells[-2] = tag("a", cells[-2], href=here)
            lines.append(tag("tr", *(tag("td", cell) for cell in cells)))
        plans = _plans(register, wanted, words)
    counted = words("records.count", count=many)
    shown = tag("table", tag("thead", tag("tr", *heads)), tag("tbody", *lines))
    return joined([tag("p", counted, role="status"), shown, *plans])


def _plans(register: Register, wanted: Wanted, words: Words) -> list[Markup]:
    """The latest plans that fit, beneath the checks."""
    from veneercheck.record.located import place_of
    from veneercheck.record.plans_found import find_plans

    found = find_plans(register, wanted, limit=ROWS)
    if not found:
        return []
    heads = [tag("th", words(f"records.{name}"), scope="col") for name in _PLAN_COLUMNS]
    rows, none = [], words("format.none")
    for one in reversed(found):
        here = f"/records/{one.key}?lang={words.lang}"
        cells = (words.minute(one.planned_at_utc), one.case or none,
                 " ".join(one.units) or none, one.profile, one.who or none,
                 words.count(one.conflicts), tag("a", one.key[:12], href=here),
                 str(place_of(register, one.folder)))  # fmt: skip
        rows.append(tag("tr", *(tag("td", cell) for cell in cells)))
    table = tag("table", tag("thead", tag("tr", *heads)), tag("tbody", *rows))
    return [tag("h2", words("records.plans_title")), table]


def _cells(one: Mapping[str, Any], words: Words) -> list[str]:
    none = words("format.none")
    decided = f"{words.known('decided', one['decision'])}, {one['decided_by']}"
    return [
        words.minute(one["checked_at_utc"]),
        one["case"] or none,
        " ".join(one["units"]) or none,
        words.known("verdict_short", one["verdict"]),
        words.known("stage", one["stage"]),
        one["revision"] or one["profile"],
        one["who"] or none,
        decided if one["decision"] else none,
        one["key"][:12],
        one["folder"],
    ]
