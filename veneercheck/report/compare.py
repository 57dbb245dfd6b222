"""Two results of the same wax-up on one page: linked maps, what changed, better and worse."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from veneercheck.core.errors import RecordError
from veneercheck.core.judge import changes
from veneercheck.core.types import Floats, Trend
from veneercheck.machine.aside import put
from veneercheck.report.captions import case_words, limits_words
from veneercheck.report.carried import origin_of
from veneercheck.report.cautions import cautions
from veneercheck.report.filed import FiledResult
from veneercheck.report.html import checked_words
from veneercheck.report.interactive import script, view_section
from veneercheck.report.markup import (
    Markup,
    folded,
    joined,
    offline_page,
    picture,
    read_style,
    table,
    tag,
)
from veneercheck.report.result import zones_of
from veneercheck.report.scene import Scene, scene_of
from veneercheck.report.signs import harmless
from veneercheck.report.verdict import stage_words, state_first
from veneercheck.report.words import Language, Words
from veneercheck.report.zone_words import action_words, reading_words, zone_place

COMPARED = "compare.html"

_WHEN = ("earlier", "later")

Row = dict[str, str]
"""What became of a place: words by column, and the numbers of its zones."""


def write_compared(
    folder: Path,
    earlier: FiledResult,
    later: FiledResult,
    *,
    lang: Language = "en",
    stills: Sequence[Path] = (),
) -> tuple[Path, str]:
    """Write `compare.html`, and say in lines what became of every place.

    Parameters
    ----------
    folder : Path
    earlier, later : FiledResult
        Of the same wax-up, whose frame both lie in.
    lang : {"en", "de"}
    stills : sequence of Path, optional
        A picture of each, for paper and for whoever has no script; left out where it is missing.

    Returns
    -------
    (Path, str)

    Raises
    ------
    RecordError
        If the two cannot be compared.
    """
    words = Words(lang)
    one, other = (
        dataclasses.replace(each, document=harmless(each.document)) for each in (earlier, later)
    )
    _look_comparable(one, other)
    change = change_between(one, other)
    rows = compared_rows(one, other, change, words)
    made = _page([one, other], rows, change, words, stills)
    path = put(folder / COMPARED, [made.encode("utf-8")])
    return path, "\n".join([_counts(rows, words), *(_line(row) for row in rows)])


def _look_comparable(earlier: FiledResult, later: FiledResult) -> None:
    """Only what was measured against the same wax-up lies in one frame."""
    for one in (earlier, later):
        if one.mesh is None:
            raise RecordError(
                "nothing was measured in one of the two: there is no map to compare.",
                where=str(one.document["case"]["number"] or ""),
                next_step="Check that case anew first.",
            )
    first, second = (one.document["scans"]["waxup"]["sha256"] for one in (earlier, later))
    if first != second:
        raise RecordError(
            "the two results were measured with different wax-ups: they cannot be compared.",
            next_step="Name two results of the same wax-up file.",
        )


def change_between(earlier: FiledResult, later: FiledResult) -> changes.Change:
    """What was done to the surface between two results that are comparable."""
    assert earlier.mesh is not None and later.mesh is not None
    fits = [one.document["alignment"] for one in (earlier, later)]
    return changes.Change.between(
        later.mesh,
        earlier.mesh,
        noise_mm=fits[1]["noise_mm"] or 0.0,
        poses_u_mm=[fit["u_max_mm"] or 0.0 for fit in fits],
        trueness_u_mm=float(later.document["profile"]["scan"]["trueness_u_mm"]),
        zone_then=earlier.zone,
        region=later.region,
    )


def compared_rows(
    earlier: FiledResult, later: FiledResult, change: changes.Change, words: Words
) -> list[Row]:
    """What became of every place, the worst news first, what was corrected last."""
    then, now = zones_of(earlier.document), zones_of(later.document)
    told = {zone["id"]: zone for zone in later.document["zones"]}
    before = {zone["id"]: zone for zone in earlier.document["zones"]}
    rows, kept = [], set()
    for zone, olds in changes.matched(now, then):
        kept |= {old.id for old in olds}
        worst = before[max(olds, key=changes.beyond_mm).id] if olds else None
        rows.append(_row(changes.trend(zone, olds, change).value, worst, told[zone.id], words))
    order = [Trend.NEW, Trend.WORSE, Trend.UNMOVED, Trend.SAME, Trend.BETTER]
    rows.sort(key=lambda row: order.index(Trend(row["trend"])))
    return rows + [
        _row("corrected", zone, None, words) for zone in before.values() if zone["id"] not in kept
    ]


def _row(
    trend: str, then: Mapping[str, Any] | None, now: Mapping[str, Any] | None, words: Words
) -> Row:
    about = now or then
    assert about is not None
    row = {
        "trend": trend,
        "told": words("compare.corrected")
        if trend == "corrected"
        else words.known("recheck", trend),
        "place": zone_place(about, words) or words("format.none"),
        "finding": words.known("finding", about["finding"]),
    }
    for when, zone in zip(_WHEN, (then, now), strict=True):
        row[f"id_{when}"] = "" if zone is None else str(zone["id"])
        row[f"reading_{when}"] = "" if zone is None else reading_words(zone, words)
        row[f"action_{when}"] = "" if zone is None else action_words(zone, words)
    return row


def _counts(rows: list[Row], words: Words) -> str:
    if not rows:
        return words("compare.none")
    count = dict.fromkeys(("corrected", *Trend), 0)
    for row in rows:
        count[row["trend"]] += 1
    told = words("compare.counts", **count)
    unmoved = count[Trend.UNMOVED]
    return told + (words("compare.counts_unmoved", count=unmoved) if unmoved else "")


def _line(row: Row) -> str:
    read = " → ".join(filter(None, (row["reading_earlier"], row["reading_later"])))
    head = f"  {row['told']}: {row['finding']}, {row['place']}, {read}"
    return f"{head} → {row['action_later']}" if row["action_later"] else head


def _page(
    both: list[FiledResult],
    rows: list[Row],
    change: changes.Change,
    words: Words,
    stills: Sequence[Path],
) -> str:
    earlier, later = (scene_of(one, words) for one in both)
    changed = dataclasses.replace(later.filed, amount_mm=_change_mm(later, change))
    later = dataclasses.replace(later, filed=changed, amount_kind="change")
    origin = origin_of(later)
    document = later.filed.document
    told = cautions(document, words)
    views = [
        view_section(
            scene, _named(scene, when, words), still=_still(when, stills, words),
            name=when, origin=origin,
        )
        for scene, when in zip((earlier, later), _WHEN, strict=True)
    ]  # fmt: skip
    body = joined(
        [
            tag(
                "header",
                tag("div", tag("h1", words("compare.title")),
                    tag("span", case_words(document, words)),
                    tag("span", limits_words(document, words)), class_="case"),
                tag("p", _counts(rows, words), class_="verdict"),
                folded(words("cautions.folded", first=told[0], count=len(told) - 1),
                       tag("p", told[0], class_="told"), *(tag("p", one) for one in told[1:])),
            ),
            tag("main", _wipe(words), tag("div", *views, class_="two"), *_table(rows, words)),
        ]
    )  # fmt: skip
    title = f"{words('compare.title')} · {case_words(document, words)}"
    return offline_page(
        title, body, read_style("page.css"), lang=words.lang, code=script("compare.js")
    )


def _change_mm(later: Scene, change: changes.Change) -> Floats:
    """What was taken off (added: negative) at every vertex, shape (n,), mm.

    Nothing where it lies within the standard uncertainty: two scans of one surface differ, too.
    """
    off = change.off_mm
    sure = np.nan_to_num(later.filed.u_mm if later.filed.u_mm is not None else np.zeros(len(off)))
    return np.where(np.abs(off) < sure, 0.0, off)


def _named(scene: Scene, when: str, words: Words) -> Markup:
    """Which of the two a map is, its doubt first."""
    document = scene.filed.document
    facts = (checked_words(document, words), stage_words(document, words),
             document["scans"]["framework"]["file"])  # fmt: skip
    doubt = (tag("p", one, class_="measures") for one in state_first(document, words))
    return joined([tag("h2", f"{words(f'compare.{when}')}: {' · '.join(map(str, facts))}"), *doubt])


def _still(when: str, stills: Sequence[Path], words: Words) -> Markup:
    """The picture of one of the two, where it lies beside its result."""
    at = _WHEN.index(when)
    if at >= len(stills) or not stills[at].exists():
        return Markup("")
    return tag("figure", picture(stills[at], words(f"compare.{when}")))


def _wipe(words: Words) -> Markup:
    slider = tag("input", type="range", id="wipe", min="0", max="100", value="0")
    return tag(
        "p", words("compare.linked"), " ", tag("label", words("compare.wipe"), " ", slider),
        class_="wipe screen-only",
    )  # fmt: skip


def _table(rows: list[Row], words: Words) -> list[Markup]:
    if not rows:
        return []
    named = [words(f"compare.{when}") for when in _WHEN]
    head = [words("compare.what"), words("report.place"), words("report.finding")]
    for when in named:
        head += [words("compare.reading", when=when), words("compare.action", when=when)]
    cells = [
        [row["told"], row["place"], row["finding"],
         *(cell for when in _WHEN for cell in (_reading(row, when), row[f"action_{when}"]))]
        for row in rows
    ]  # fmt: skip
    return [table(head, cells)]


def _reading(row: Row, when: str) -> Markup:
    number, reading = row[f"id_{when}"], tag("span", row[f"reading_{when}"], class_="number")
    if not number:
        return reading
    sign = tag("a", number, class_="sign", href=f"#{when}", data_go=when, data_number=number)
    return joined([sign, " ", reading])
