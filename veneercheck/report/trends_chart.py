"""A control chart as a vector drawing, on the page and on paper."""

from __future__ import annotations

from collections.abc import Sequence

from veneercheck.report.markup import Markup, tag
from veneercheck.report.trends import LIMITS_FROM, Chart, Point
from veneercheck.report.words import Words

MM_DIGITS = 4
"""A tenth of a micrometre: what differs between two scans of one body."""

_WIDE, _HIGH = 720.0, 220.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 14.0, 92.0, 20.0, 30.0
"""Size of a chart and what is kept free round its points, in its own units."""

_DOT, _DIAMOND = 2.6, 6.5

_ON_PAPER = (
    ".series{fill:none;stroke:#8b867c;stroke-width:1.2}circle{fill:#1a1a1a}"
    ".off{fill:#8c2a44;stroke:#fff;stroke-width:1}.centre{stroke:#1a1a1a;stroke-width:1}"
    ".limit{stroke:#1a1a1a;stroke-width:1.2;stroke-dasharray:7 4}.base{fill:#f1eee8}"
    "text{font-family:'Source Sans Pro';font-size:13px;fill:#1a1a1a}"
)
"""On the page the same names have their looks from its style sheet, by day and in the dark."""


def drawn(
    chart: Chart, shown: Sequence[Point], words: Words, alt: str, *, on_paper: bool = False
) -> Markup:
    """The chart of some of its points, the latest ones, of which there is at least one."""
    bounds = chart.bounds
    lines = [] if bounds is None else [bounds.low_mm, bounds.centre_mm, bounds.high_mm]
    values = [point.value_mm for point in shown] + [one for one in lines if one is not None]
    scale = [] if bounds else sorted({min(values), max(values)})
    low, span = min(values), (max(values) - min(values)) or 1.0

    def up(value_mm: float) -> float:
        return _HIGH - _BOTTOM - (value_mm - low) / span * (_HIGH - _TOP - _BOTTOM)

    step = (_WIDE - _LEFT - _RIGHT) / max(1, len(shown) - 1)
    at = [(_LEFT + number * step, up(point.value_mm)) for number, point in enumerate(shown)]
    parts = [tag("style", Markup(_ON_PAPER))] if on_paper else []
    parts += [_base(chart, shown, step)] if bounds else []
    for value, kind in zip(lines, ("limit", "centre", "limit"), strict=False):
        if value is not None:
            parts += _line(up(value), kind, words.mm(value, MM_DIGITS))
    for value in scale:
        parts.append(_label(up(value), words.mm(value, MM_DIGITS)))
    way = " ".join(f"{x:.1f},{y:.1f}" for x, y in at)
    parts.append(tag("polyline", points=way, class_="series"))
    parts += [_mark(x, y, point) for (x, y), point in zip(at, shown, strict=True)]
    parts += _days(shown, words)
    size, space = f"0 0 {_WIDE:.0f} {_HIGH:.0f}", "http://www.w3.org/2000/svg"
    return tag("svg", *parts, class_="chart", viewBox=size, role="img", aria_label=alt,
               xmlns=space if on_paper else None)  # fmt: skip


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
    if not point.speaks:
        return tag("circle", cx=f"{x:.1f}", cy=f"{y:.1f}", r=str(_DOT))
    corners = ((0, -_DIAMOND), (_DIAMOND, 0), (0, _DIAMOND), (-_DIAMOND, 0))
    way = " ".join(f"{x + dx:.1f},{y + dy:.1f}" for dx, dy in corners)
    return tag("polygon", points=way, class_="off")


def _days(shown: Sequence[Point], words: Words) -> list[Markup]:
    first, last = (words.day(point.seen.moment) for point in (shown[0], shown[-1]))
    y = f"{_HIGH - 8:.0f}"
    begin = tag("text", first, x=f"{_LEFT:.0f}", y=y)
    if len(shown) == 1:
        return [begin]
    return [begin, tag("text", last, x=f"{_WIDE - _RIGHT:.0f}", y=y, text_anchor="end")]
