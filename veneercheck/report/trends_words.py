"""What a register teaches, in words, tables and charts: the same on the page and on paper."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Sequence

from veneercheck.report.trends import (
    LIMITS_AT,
    LIMITS_FROM,
    RUN,
    Chart,
    Group,
    Point,
    share_interval,
)
from veneercheck.report.trends_chart import MM_DIGITS
from veneercheck.report.trends_lab import Change, Passes, Trends
from veneercheck.report.words import Words

_SURFACES = ("occlusal", "incisal", "buccal", "lingual", "palatal", "mesial", "distal", "basal", "")
"""Surfaces in the order in which they are listed."""

_SHOWN = 120
"""Points on a chart: more lie too close together to be told apart."""

_FEWEST = 3
"""With fewer points there is nothing to see in a chart: they are listed."""

_SIGNALS_TOLD = 12
_KEY = 12
"""How much of a key is shown."""


@dataclasses.dataclass(frozen=True, slots=True)
class Share:
    """So many of so many."""

    part: int
    whole: int

    def __str__(self) -> str:
        return f"{self.part} / {self.whole}"


@dataclasses.dataclass(frozen=True, slots=True)
class Told:
    """A part of a section: what stands over it, what it says, then a table or a chart."""

    title: str
    says: tuple[str, ...] = ()
    heads: tuple[str, ...] = ()
    rows: tuple[tuple[str | Share, ...], ...] = ()
    chart: Chart | None = None
    shown: tuple[Point, ...] = ()
    caption: str = ""


@dataclasses.dataclass(frozen=True, slots=True)
class Section:
    """What stands under one heading."""

    title: str
    lead: str = ""
    note: str = ""
    parts: tuple[Told, ...] = ()


def cautions(words: Words) -> list[str]:
    """What must be known before any of it is read."""
    return [
        words("trends.about_first"),
        words("trends.about_places"),
        words("trends.about_limits", n=LIMITS_FROM, factor=words.number(LIMITS_AT), run=RUN),
        words("trends.legend"),
        words("trends.about_cause"),
    ]


def facts(trends: Trends, words: Words) -> list[str]:
    """Of which register, when, of how many checks and which time."""
    found = [words("trends.register", name=trends.register)] if trends.register else []
    found += [words("trends.mark", mark=trends.mark[:_KEY])] if trends.mark else []
    if trends.written is not None:
        written = words.minute(trends.written.isoformat())
        found.append(words("trends.written", moment=written))
    found += [words("trends.since", day=words.day(trends.since))] if trends.since else []
    found.append(words("trends.checks", count=words.count(sum(g.checks for g in trends.groups))))
    charts = [chart for group in trends.groups for chart in group.charts]
    charts += [chart for scanner in trends.scanners for chart in scanner.charts]
    days = [point.seen.moment for chart in charts for point in chart.points]
    days += [one.moment for group in trends.groups for one in group.first]
    return [*found, f"{words.day(min(days))} – {words.day(max(days))}"] if days else found


def sections(trends: Trends, words: Words) -> list[Section]:
    """First passes and charts of each profile and stage, then scanners, then limits."""
    found = [_of_group(group, words) for group in trends.groups]
    for one in trends.scanners:
        parts = tuple(part for chart in one.charts for part in _chart(chart, words))
        none = "" if parts else words("trends.no_figures")
        found.append(Section(words("trends.scanner", name=one.name), note=none, parts=parts))
    if trends.changes:
        parts = tuple(_change(one, words) for one in trends.changes)
        note = words("trends.about_changes")
        found.append(Section(words("trends.changes"), note=note, parts=parts))
    return found


def _of_group(group: Group, words: Words) -> Section:
    title = words("trends.group", profile=group.profile, stage=words.known("stage", group.stage))
    rest = group.checks - len(group.first)
    note = words("trends.rest", undecided=words.count(group.undecided()), rest=words.count(rest))
    charts = [part for chart in group.charts for part in _chart(chart, words)]
    return Section(
        title, _first(group, words), note, (*_by(group, words), _short(group, words), *charts)
    )


def _first(group: Group, words: Words) -> str:
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


def _interval(part: int, whole: int, words: Words) -> str:
    low, high = (words.percent(end) for end in share_interval(part, whole))
    return words("trends.interval", low=low, high=high)


def _by(group: Group, words: Words) -> Iterator[Told]:
    """First passes by technician, material, scanner and limits; a share needs its interval."""
    rows = [
        (words(f"trends.by_{name}"), value, Share(part, whole), _interval(part, whole, words))
        for name, value, part, whole in group.by_trait()
    ]
    if rows:
        heads = tuple(
            words(f"trends.{name}") for name in ("by", "by_value", "passed", "interval_head")
        )
        yield Told(words("trends.by_title"), heads=heads, rows=tuple(rows))


def _short(group: Group, words: Words) -> Told:
    """Tooth by surface, in how many first checks it was too thin."""
    counted, of = group.short(), group.of_tooth()
    title = words("trends.short")
    if not counted:
        return Told(title, (words("trends.nowhere"),))
    surfaces = [one for one in _SURFACES if any(place[1] == one for place in counted)]
    surfaces += sorted({place[1] for place in counted} - set(surfaces))
    heads = [words("report.tooth"), *(words.known("surface", one or None) for one in surfaces)]
    rows: list[tuple[str | Share, ...]] = [
        (tooth or words("format.none"), *(Share(counted[tooth, s], of[tooth]) for s in surfaces))
        for tooth in sorted({place[0] for place in counted})
    ]
    return Told(title, heads=tuple(heads), rows=tuple(rows))


def _chart(chart: Chart, words: Words) -> Iterator[Told]:
    title = words(f"trends.{chart.quantity}")
    if not chart.points:
        yield Told(title, (words("trends.no_points"),))
        return
    shown, bounds = chart.points[-_SHOWN:], chart.bounds
    if len(shown) < _FEWEST:
        yield Told(title, heads=_heads(words)[:3], rows=tuple(_told(p, words) for p in shown))
        return
    if bounds is None:
        said = words("trends.no_limits", count=len(chart.points), n=LIMITS_FROM)
    else:
        low = words.mm(bounds.low_mm, MM_DIGITS)
        centre, high = words.mm(bounds.centre_mm, MM_DIGITS), words.mm(bounds.high_mm, MM_DIGITS)
        said = words("trends.limits", low=low, centre=centre, high=high)
    if len(shown) < len(chart.points):
        said += " " + words("trends.last_shown", shown=len(shown), count=len(chart.points))
    yield Told(title, chart=chart, shown=shown, caption=said)
    if bounds is not None:
        yield _signals(chart, words)


def _signals(chart: Chart, words: Words) -> Told:
    found = chart.signals()
    if not found:
        return Told("", (words("trends.steady"),))
    rows = [(*_told(point, words), _sign(point, words)) for point in found[-_SIGNALS_TOLD:]]
    name = "trends.signals" if len(rows) == len(found) else "trends.signals_last"
    says = (words(name, count=len(found), shown=len(rows)),)
    return Told("", says, _heads(words), tuple(rows))


def _heads(words: Words) -> tuple[str, ...]:
    return tuple(words(f"trends.{one}") for one in ("when", "case", "value", "sign"))


def _told(point: Point, words: Words) -> tuple[str, str, str]:
    """When, of which case, how much."""
    one = point.seen
    when, case = words.minute(one.moment), one.case or one.key[:_KEY]
    return when, case, words.mm(point.value_mm, MM_DIGITS)


def _sign(point: Point, words: Words) -> str:
    if point.beyond:
        return words("trends.beyond")
    return words("trends.run", n=RUN) if point.run else words("trends.drift")


def _change(one: Change, words: Words) -> Told:
    """Which limits changed, why, and what share passed before and after."""
    title = words("trends.change", profile=one.profile, revision=one.revision)
    by = words("trends.approved", who=one.approved_by) if one.approved_by else ""
    told = words("trends.proposed", who=one.who, day=words.day(one.moment), why=one.reason)
    listed = "; ".join(
        f"{name}: {before or words('format.none')} → {after or words('format.none')}"
        for name, before, after in one.values
    )
    says = (f"{told} {by or words('trends.not_approved')}", listed)
    heads = [words("trends.stage")]
    for when, revision in (("before", one.revision - 1), ("after", one.revision)):
        heads += [words(f"trends.{when}", revision=revision), words("trends.interval_head")]
    rows = [_before_after(passes, words) for passes in one.passes]
    none = () if rows else (words("trends.no_checks_by"),)
    return Told(title, (*says, *none), tuple(heads) if rows else (), tuple(rows))


def _before_after(passes: Passes, words: Words) -> tuple[str | Share, ...]:
    cells: list[str | Share] = [words.known("stage", passes.stage)]
    for part, whole in (passes.before, passes.after):
        none = words("format.none")
        cells += [Share(part, whole), _interval(part, whole, words)] if whole else [none, none]
    return tuple(cells)


def alt_of(part: Told) -> str:
    """A chart in words."""
    return f"{part.title}. {part.caption}"


def plain_rows(rows: Sequence[Sequence[str | Share]]) -> list[list[str]]:
    """Rows as text."""
    return [[str(cell) for cell in row] for row in rows]
