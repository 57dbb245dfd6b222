"""The page of what a register teaches, and the same as tables for a spreadsheet."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from veneercheck.machine.aside import put
from veneercheck.report.filed import csv_text
from veneercheck.report.markup import Markup, joined, offline_page, read_style, table, tag
from veneercheck.report.trends import (
    LIMITS_AT,
    LIMITS_FROM,
    RUN,
    Chart,
    Group,
    Point,
    share_interval,
)
from veneercheck.report.words import Words

PAGE, FIRST, PLACES, CHARTS = "trends.html", "first-checks.csv", "places.csv", "charts.csv"
BY = "first-passes-by.csv"

_SURFACES = ("occlusal", "incisal", "buccal", "lingual", "palatal", "mesial", "distal", "basal", "")
"""Surfaces in the order in which they are listed."""

_SHOWN = 120
"""Points on a chart: more lie too close together to be told apart."""

_SIGNALS_TOLD = 12
_DAY = 10
_MINUTE = 16
_KEY = 12
"""How much of a moment is its day, how much its minute; how much of a key is shown."""

_WIDE, _HIGH = 720.0, 220.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 14.0, 92.0, 20.0, 30.0
"""Size of a chart and what is kept free round its points, in its own units."""

_DOT, _DIAMOND = 2.6, 6.5
_MM_DIGITS = 4


def write_trends(folder: Path, groups: Sequence[Group], words: Words) -> list[Path]:
    """Write the page and its tables.

    Parameters
    ----------
    folder : Path
        Created if missing.
    groups : sequence of Group
    words : Words

    Returns
    -------
    list of Path
        `trends.html`, `first-checks.csv`, `places.csv`, `charts.csv`, `first-passes-by.csv`.
    """
    folder.mkdir(parents=True, exist_ok=True)
    told = {
        PAGE: trends_page(groups, words),
        FIRST: _csv(_first_rows(groups)),
        PLACES: _csv(_place_rows(groups)),
        CHARTS: _csv(_chart_rows(groups)),
        BY: _csv(_by_rows(groups)),
    }
    return [put(folder / name, [text.encode("utf-8")]) for name, text in told.items()]


def trends_page(groups: Sequence[Group], words: Words) -> str:
    """The whole page as text."""
    cautions = [
        words("trends.about_first"),
        words("trends.about_places"),
        words("trends.about_limits", n=LIMITS_FROM, factor=words.number(LIMITS_AT), run=RUN),
        words("trends.about_cause"),
    ]
    head = tag(
        "header",
        tag("h1", words("trends.title")),
        tag("div", *(tag("span", fact) for fact in _facts(groups, words)), class_="case"),
        tag("div", *(tag("p", sentence) for sentence in cautions), class_="box"),
    )
    sections = [_section(number, group, words) for number, group in enumerate(groups)]
    body = joined([head, tag("main", *(sections or [tag("p", words("trends.nothing"))]))])
    style = read_style("page.css", "trends.css")
    return offline_page(words("trends.title"), body, style, lang=words.lang)


def _facts(groups: Sequence[Group], words: Words) -> list[str]:
    days = [p.seen.moment[:_DAY] for g in groups for c in g.charts for p in c.points]
    days += [one.moment[:_DAY] for group in groups for one in group.first]
    checks = words.count(sum(group.checks for group in groups))
    facts = [words("trends.checks", count=checks)]
    return [*facts, f"{min(days)} – {max(days)}"] if days else facts


def _section(number: int, group: Group, words: Words) -> Markup:
    title = words("trends.group", profile=group.profile, stage=words.known("stage", group.stage))
    name = f"group-{number}"
    return tag(
        "section",
        tag("h2", title, id=name),
        tag("p", _first_words(group, words), class_="verdict-more"),
        tag("p", _rest_words(group, words), class_="note"),
        *_by(group, words),
        *_short(group, words),
        *(part for chart in group.charts for part in _chart(chart, words)),
        aria_labelledby=name,
    )


def _first_words(group: Group, words: Words) -> str:
    whole, part = len(group.first), group.passed()
    low, high = share_interval(part, whole)
    return words(
        "trends.first_pass",
        share=words.percent(part / whole),
        part=words.count(part),
        whole=words.count(whole),
        low=words.percent(low),
        high=words.percent(high),
    )


def _rest_words(group: Group, words: Words) -> str:
    rest = group.checks - len(group.first)
    return words("trends.rest", undecided=words.count(group.undecided()), rest=words.count(rest))


def _by(group: Group, words: Words) -> list[Markup]:
    """First passes by technician, material, scanner and limits; a share needs its interval."""
    rows = []
    for name, value, part, whole in group.by_trait():
        low, high = (words.percent(end) for end in share_interval(part, whole))
        told = words("trends.interval", low=low, high=high)
        rows.append([words(f"trends.by_{name}"), value, _cell(part, whole), told])
    if not rows:
        return []
    heads = [words(f"trends.{name}") for name in ("by", "by_value", "passed", "interval_head")]
    return [tag("h3", words("trends.by_title")), table(heads, rows)]


def _short(group: Group, words: Words) -> list[Markup]:
    """Tooth by surface, in how many first checks it was too thin."""
    counted, of = group.short(), group.of_tooth()
    title = tag("h3", words("trends.short"))
    if not counted:
        return [title, tag("p", words("trends.nowhere"))]
    surfaces = [one for one in _SURFACES if any(place[1] == one for place in counted)]
    surfaces += sorted({place[1] for place in counted} - set(surfaces))
    head = [words("report.tooth"), *(words.known("surface", one or None) for one in surfaces)]
    rows = [
        [tooth or words("format.none"), *(_cell(counted[tooth, s], of[tooth]) for s in surfaces)]
        for tooth in sorted({place[0] for place in counted})
    ]
    return [title, table(head, rows)]


def _cell(part: int, whole: int) -> Markup:
    bar = tag(
        "svg",
        tag("rect", width=f"{100 * part / whole:.1f}", height="8"),
        class_="bar",
        viewBox="0 0 100 8",
        preserveAspectRatio="none",
        aria_hidden="true",
    )
    return joined([tag("span", f"{part} / {whole}", class_="number"), bar])


def _chart(chart: Chart, words: Words) -> list[Markup]:
    title = words(f"trends.{chart.quantity}")
    parts = [tag("h3", title)]
    if not chart.points:
        return [*parts, tag("p", words("trends.no_points"))]
    shown = chart.points[-_SHOWN:]
    bounds = chart.bounds
    if bounds is None:
        said = words("trends.no_limits", count=len(chart.points), n=LIMITS_FROM)
    else:
        low = words.mm(bounds.low_mm, _MM_DIGITS)
        centre, high = words.mm(bounds.centre_mm, _MM_DIGITS), words.mm(bounds.high_mm, _MM_DIGITS)
        said = words("trends.limits", low=low, centre=centre, high=high)
    if len(shown) < len(chart.points):
        said += " " + words("trends.last_shown", shown=len(shown), count=len(chart.points))
    alt = f"{title}. {said}"
    picture = tag("div", _drawn(chart, shown, words, alt), class_="wide", tabindex="0")
    return [*parts, tag("figure", picture, tag("figcaption", said)), *_signals(chart, words)]


def _signals(chart: Chart, words: Words) -> list[Markup]:
    if chart.bounds is None:
        return []
    found = chart.signals()
    if not found:
        return [tag("p", words("trends.steady"))]
    head = [words("trends.when"), words("trends.case"), words("trends.value"), words("trends.sign")]
    rows = [
        [
            tag("span", point.seen.moment[:_MINUTE].replace("T", " "), class_="number"),
            point.seen.case or point.seen.key[:_KEY],
            tag("span", words.mm(point.value_mm, _MM_DIGITS), class_="number"),
            _sign(point, words),
        ]
        for point in found[-_SIGNALS_TOLD:]
    ]
    name = "trends.signals" if len(rows) == len(found) else "trends.signals_last"
    told = words(name, count=len(found), shown=len(rows))
    return [tag("p", told, class_="action"), table(head, rows)]


def _sign(point: Point, words: Words) -> str:
    if point.beyond:
        return words("trends.beyond")
    return words("trends.run", n=RUN) if point.run else words("trends.drift")


def _drawn(chart: Chart, shown: Sequence[Point], words: Words, alt: str) -> Markup:
    """The chart as a vector drawing within the page."""
    bounds = chart.bounds
    lines = [] if bounds is None else [bounds.low_mm, bounds.centre_mm, bounds.high_mm]
    values = [point.value_mm for point in shown] + [one for one in lines if one is not None]
    scale = [] if bounds else sorted({min(values), max(values)})
    low, span = min(values), (max(values) - min(values)) or 1.0

    def up(value_mm: float) -> float:
        return _HIGH - _BOTTOM - (value_mm - low) / span * (_HIGH - _TOP - _BOTTOM)

    step = (_WIDE - _LEFT - _RIGHT) / max(1, len(shown) - 1)
    at = [(_LEFT + number * step, up(point.value_mm)) for number, point in enumerate(shown)]
    parts = [_base(chart, shown, step)] if bounds else []
    for value, kind in zip(lines, ("limit", "centre", "limit"), strict=False):
        if value is not None:
            parts += _line(up(value), kind, words.mm(value, _MM_DIGITS))
    for value in scale:
        parts.append(_label(up(value), words.mm(value, _MM_DIGITS)))
    way = " ".join(f"{x:.1f},{y:.1f}" for x, y in at)
    parts.append(tag("polyline", points=way, class_="series"))
    parts += [_mark(x, y, point) for (x, y), point in zip(at, shown, strict=True)]
    parts += _days(shown)
    size = f"0 0 {_WIDE:.0f} {_HIGH:.0f}"
    return tag("svg", *parts, class_="chart", viewBox=size, role="img", aria_label=alt)


def _base(chart: Chart, shown: Sequence[Point], step: float) -> Markup:
    """Shade under those points shown that set the limits."""
    setting = LIMITS_FROM - (len(chart.points) - len(shown))
    if setting <= 0:
        return Markup("")
    wide = (setting - 0.5) * step + _LEFT
    return tag("rect", width=f"{min(wide, _WIDE):.1f}", height=f"{_HIGH:.0f}", class_="base")


def _line(y: float, kind: str, label: str) -> list[Markup]:
    end, height = f"{_WIDE - _RIGHT + 8:.0f}", f"{y:.1f}"
    return [tag("line", x1="0", x2=end, y1=height, y2=height, class_=kind), _label(y, label)]


def _label(y: float, label: str) -> Markup:
    """A value at the right end of its height."""
    return tag("text", label, x=f"{_WIDE - _RIGHT + 14:.0f}", y=f"{y + 4.5:.1f}")


def _mark(x: float, y: float, point: Point) -> Markup:
    """A dot; a diamond where it speaks of a change, so that colour is not all."""
    if not (point.beyond or point.run):
        return tag("circle", cx=f"{x:.1f}", cy=f"{y:.1f}", r=str(_DOT))
    corners = ((0, -_DIAMOND), (_DIAMOND, 0), (0, _DIAMOND), (-_DIAMOND, 0))
    way = " ".join(f"{x + dx:.1f},{y + dy:.1f}" for dx, dy in corners)
    return tag("polygon", points=way, class_="off")


def _days(shown: Sequence[Point]) -> list[Markup]:
    first, last = shown[0].seen.moment[:_DAY], shown[-1].seen.moment[:_DAY]
    y = f"{_HIGH - 8:.0f}"
    begin = tag("text", first, x=f"{_LEFT:.0f}", y=y)
    if len(shown) == 1:
        return [begin]
    return [begin, tag("text", last, x=f"{_WIDE - _RIGHT:.0f}", y=y, text_anchor="end")]


Row = dict[str, Any]


def _csv(rows: Iterator[Row]) -> str:
    """The first row names the columns."""
    columns, *content = rows
    return csv_text(list(columns), content)


def _first_rows(groups: Sequence[Group]) -> Iterator[Row]:
    names = ("checked_at_utc", "case_number", "key", "profile", "stage", "verdict")
    yield dict.fromkeys(names)
    for group in groups:
        for one in group.first:
            told = (one.moment, one.case, one.key, one.profile, one.stage, one.verdict)
            yield dict(zip(names, told, strict=True))


def _by_rows(groups: Sequence[Group]) -> Iterator[Row]:
    names = ("profile", "stage", "by", "value", "without_findings", "first_checks", "low", "high")
    yield dict.fromkeys(names)
    for group in groups:
        for name, value, part, whole in group.by_trait():
            told = (group.profile, group.stage, name, value, part, whole)
            yield dict(zip(names, (*told, *share_interval(part, whole)), strict=True))


def _place_rows(groups: Sequence[Group]) -> Iterator[Row]:
    names = ("profile", "stage", "tooth", "surface", "too_thin", "first_checks")
    yield dict.fromkeys(names)
    for group in groups:
        of = group.of_tooth()
        for (tooth, surface), count in sorted(group.short().items()):
            told = (group.profile, group.stage, tooth, surface, count, of[tooth])
            yield dict(zip(names, told, strict=True))


def _chart_rows(groups: Sequence[Group]) -> Iterator[Row]:
    names = ("profile", "stage", "quantity", "checked_at_utc", "case_number", "key", "value_mm",
             "low_mm", "centre_mm", "high_mm", "beyond", "run", "drift")  # fmt: skip
    yield dict.fromkeys(names)
    for group in groups:
        for chart in group.charts:
            b = chart.bounds
            limits = (b.low_mm, b.centre_mm, b.high_mm) if b else (None, None, None)
            for point in chart.points:
                one = point.seen
                told = (group.profile, group.stage, chart.quantity, one.moment, one.case, one.key,
                        point.value_mm, *limits, point.beyond, point.run, point.drift)  # fmt: skip
                yield dict(zip(names, told, strict=True))
