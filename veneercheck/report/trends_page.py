"""The page of what a register teaches, the same on paper, and as tables for a spreadsheet."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from veneercheck.machine.aside import put
from veneercheck.report.filed import csv_text
from veneercheck.report.markup import Markup, joined, offline_page, read_style, table, tag
from veneercheck.report.setting import can_print
from veneercheck.report.trends import Chart, share_interval
from veneercheck.report.trends_chart import drawn
from veneercheck.report.trends_lab import Trends
from veneercheck.report.trends_words import (
    Section,
    Share,
    Told,
    alt_of,
    cautions,
    facts,
    sections,
)
from veneercheck.report.words import Words

if TYPE_CHECKING:
    from veneercheck.report.render import Paper

PAGE, PAPER = "trends.html", "trends.pdf"
FIRST, PLACES, CHARTS = "first-checks.csv", "places.csv", "charts.csv"
BY, CHANGES = "first-passes-by.csv", "limits-changed.csv"


def write_trends(folder: Path, trends: Trends, words: Words, *, paper: Paper = "a4") -> list[Path]:
    """Write the page, the same on paper where the typesetter is installed, and the tables.

    Parameters
    ----------
    folder : Path
        Created if missing.
    trends : Trends
    words : Words
    paper : {"a4", "us-letter"}

    Returns
    -------
    list of Path
        `trends.html`, `trends.pdf`, `first-checks.csv`, `places.csv`, `charts.csv`,
        `first-passes-by.csv`, `limits-changed.csv`.
    """
    folder.mkdir(parents=True, exist_ok=True)
    printed = can_print()
    told = {PAGE: trends_page(trends, words, paper=PAPER if printed else "").encode("utf-8")}
    if printed:
        from veneercheck.report.trends_paper import trends_pdf

        told[PAPER] = trends_pdf(trends, words, paper=paper)
    else:
        (folder / PAPER).unlink(missing_ok=True)  # of another day
    rows = {
        FIRST: _first_rows,
        PLACES: _place_rows,
        CHARTS: _chart_rows,
        BY: _by_rows,
        CHANGES: _change_rows,
    }
    told |= {name: _csv(made(trends)).encode("utf-8") for name, made in rows.items()}
    return [put(folder / name, [content]) for name, content in told.items()]


def trends_page(trends: Trends, words: Words, *, paper: str = "") -> str:
    """The whole page as text; with a link to where it lies on paper, if there is such a place."""
    link = tag("p", tag("a", words("trends.paper"), href=paper, download="trends.pdf"))
    head = tag(
        "header",
        tag("h1", words("trends.title")),
        tag("div", *(tag("span", fact) for fact in facts(trends, words)), class_="case"),
        link if paper else Markup(),
        tag("div", *(tag("p", sentence) for sentence in cautions(words)), class_="box"),
    )
    made = [_section(number, one, words) for number, one in enumerate(sections(trends, words))]
    body = joined([head, tag("main", *(made or [tag("p", words("trends.nothing"))]))])
    style = read_style("page.css", "trends.css")
    return offline_page(words("trends.title"), body, style, lang=words.lang)


def _section(number: int, one: Section, words: Words) -> Markup:
    name = f"group-{number}"
    return tag(
        "section",
        tag("h2", one.title, id=name),
        tag("p", one.lead, class_="verdict-more") if one.lead else Markup(),
        tag("p", one.note, class_="note") if one.note else Markup(),
        *(markup for part in one.parts for markup in _part(part, words)),
        aria_labelledby=name,
    )


def _part(part: Told, words: Words) -> Iterator[Markup]:
    if part.title:
        yield tag("h3", part.title)
    for sentence in filter(None, part.says):
        yield tag("p", sentence, class_="action" if part.rows and not part.title else None)
    if part.chart is not None:
        svg = drawn(part.chart, part.shown, words, alt_of(part))
        picture = tag("div", svg, class_="wide", tabindex="0")
        yield tag("figure", picture, tag("figcaption", part.caption))
    if part.rows:
        yield table(part.heads, [[_cell(cell) for cell in row] for row in part.rows])


def _cell(cell: str | Share) -> str:
    """A share with a bar as long as it."""
    if not isinstance(cell, Share):
        return cell
    bar = tag(
        "svg",
        tag("rect", width=f"{100 * cell.part / cell.whole:.1f}", height="8"),
        class_="bar",
        viewBox="0 0 100 8",
        preserveAspectRatio="none",
        aria_hidden="true",
    )
    return joined([tag("span", str(cell), class_="number"), bar])


Row = dict[str, Any]


def _csv(rows: Iterator[Row]) -> str:
    """The first row names the columns."""
    columns, *content = rows
    return csv_text(list(columns), content)


def _first_rows(trends: Trends) -> Iterator[Row]:
    names = ("checked_at_utc", "case_number", "key", "profile", "stage", "verdict")
    yield dict.fromkeys(names)
    for group in trends.groups:
        for one in group.first:
            told = (one.moment, one.case, one.key, one.profile, one.stage, one.verdict)
            yield dict(zip(names, told, strict=True))


def _by_rows(trends: Trends) -> Iterator[Row]:
    names = ("profile", "stage", "by", "value", "without_findings", "first_checks", "low", "high")
    yield dict.fromkeys(names)
    for group in trends.groups:
        for name, value, part, whole in group.by_trait():
            told = (group.profile, group.stage, name, value, part, whole)
            yield dict(zip(names, (*told, *share_interval(part, whole)), strict=True))


def _place_rows(trends: Trends) -> Iterator[Row]:
    names = ("profile", "stage", "tooth", "surface", "too_thin", "first_checks")
    yield dict.fromkeys(names)
    for group in trends.groups:
        of = group.of_tooth()
        for (tooth, surface), count in sorted(group.short().items()):
            told = (group.profile, group.stage, tooth, surface, count, of[tooth])
            yield dict(zip(names, told, strict=True))


def _chart_rows(trends: Trends) -> Iterator[Row]:
    """Every point of every chart; of one scanner's, its name in place of profile and stage."""
    names = ("profile", "stage", "scanner", "quantity", "checked_at_utc", "case_number", "key",
             "value_mm", "low_mm", "centre_mm", "high_mm", "beyond", "run", "drift")  # fmt: skip
    yield dict.fromkeys(names)
    of = [((one.profile, one.stage, ""), chart) for one in trends.groups for chart in one.charts]
    of += [(("", "", one.name), chart) for one in trends.scanners for chart in one.charts]
    for where, chart in of:
        yield from (dict(zip(names, (*where, *told), strict=True)) for told in _points(chart))


def _points(chart: Chart) -> Iterator[tuple[Any, ...]]:
    b = chart.bounds
    limits = (b.low_mm, b.centre_mm, b.high_mm) if b else (None, None, None)
    for point in chart.points:
        one = point.seen
        yield (chart.quantity, one.moment, one.case, one.key, point.value_mm, *limits,
               point.beyond, point.run, point.drift)  # fmt: skip


def _change_rows(trends: Trends) -> Iterator[Row]:
    names = ("profile", "revision", "entered_at_utc", "who", "approved_by", "reason", "limit",
             "before", "after")  # fmt: skip
    yield dict.fromkeys(names)
    for one in trends.changes:
        about = (one.profile, one.revision, one.moment, one.who, one.approved_by, one.reason)
        for value in one.values:
            yield dict(zip(names, (*about, *value), strict=True))
