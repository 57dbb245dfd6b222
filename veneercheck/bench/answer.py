"""A check as the page shows it: step and time left, the answer, and what a re-check changed.

Notes
-----
The page asks again twice a second; no stream is left open. Streams left open are what a hostile or
sleeping browser holds a server with. Choice: small JSON answers. Instead of: server-sent events or
a WebSocket. Cost: up to half a second until a step shows.
"""

from __future__ import annotations

import time
from collections.abc import Iterator, Mapping
from typing import Any

from veneercheck.bench.queue import Queue
from veneercheck.bench.store import DOWNLOADS, Job, Store
from veneercheck.profile.names import looks_like_a_name
from veneercheck.report.asked import questions_once
from veneercheck.report.verdict import look_swapped, verdict_sentences
from veneercheck.report.words import Words
from veneercheck.report.zone_words import action_words, place_words, reading_words, worst_words

STEPS = ("read", "align", "measure", "divide", "write", "draw")
_STEP_OF = {
    "reading the scans": "read",
    "aligning the framework on what was not cut": "align",
    "measuring the space": "measure",
    "taking the retention beads off": "measure",
    "dividing it into zones": "divide",
    "writing the result": "write",
}
"""What the check says, and which step of the page that is; after writing comes only drawing."""

Shown = dict[str, Any]


def brief(job: Job, queue: Queue, words: Words) -> Shown:
    """One line of the day."""
    order = job.order()
    result = job.result()
    number = order["case"].get("case")
    return {
        "number": job.number,
        "made": order["made"],
        "case": number or "",
        "files": [order["framework"]["name"], order["waxup"]["name"]],
        "state": queue.state(job),
        "verdict": verdict_sentences(result, words)[0] if result else "",
    }


def whole(job: Job, store: Store, queue: Queue, words: Words) -> Shown:
    """Everything the page shows of one check."""
    order, result = job.order(), job.result()
    state = queue.state(job)
    found = brief(job, queue, words) | {
        "ahead": queue.ahead(job),
        "end": job.end() or {},
        "after": order.get("after"),
        "asked": order["case"],
        "profile": order["profile"],
        "beads_mm": order["beads_mm"],
        "unit": order["unit"],
        "painted": "painted" in order,
        "step": _step(job),
        "left_s": _left_s(job, store) if state == "running" else None,
        "files_ready": [] if result is None else _files_ready(job),
    }
    if result is not None:
        found |= _answer(result, words)
        found["compared"] = _compared(result, store, order.get("after"), words)
    return found


def _files_ready(job: Job) -> list[str]:
    """Each is written aside and renamed, so that it is whole where it stands."""
    return [name for name in DOWNLOADS if (job.out / name).exists()]


def _answer(result: Mapping[str, Any], words: Words) -> Shown:
    first, *more = verdict_sentences(result, words)
    return {
        "sentences": [first, *more],
        "worst": worst_words(result, words),
        "zones": [_zone(zone, words) for zone in result["zones"]],
        "questions": questions_once(result, words),
        "swapped": look_swapped(result),
        "limits": result["profile"]["name"],
        "alignment": result["alignment"]["state"],
    }


def _zone(zone: Mapping[str, Any], words: Words) -> Shown:
    place = place_words(zone, words) or words.known("surface", zone["surface"])
    return {
        "id": zone["id"],
        "finding": zone["finding"],
        "words": words.known("finding", zone["finding"]),
        "firm": zone["decision"] == "firm",
        "action": action_words(zone, words),
        "where": ", ".join(_once([zone["tooth"], *place.split(", ")])),
        "worst": reading_words(zone, words),
    }


def _once(parts: list[str | None]) -> list[str]:
    """A place in words may name its tooth, too: told once."""
    return list(dict.fromkeys(part for part in parts if part))


def _step(job: Job) -> str:
    """The step a check is in, by the last thing it said."""
    step = "start"
    for line in job.progress():
        if "step" in line:
            step = _STEP_OF.get(line["step"], "draw" if step in ("write", "draw") else step)
    return step


def _left_s(job: Job, store: Store) -> float | None:
    """Seconds left, by how long the last whole check took for each byte of its scans."""
    pace = next(_paces(job, store), None)
    lines = job.progress()
    if pace is None or not lines:
        return None
    spent = time.time() - float(lines[0]["at"])
    return max(0.0, pace * _bytes(job) - spent)


def _paces(job: Job, store: Store) -> Iterator[float]:
    """Seconds a byte of the latest checks that went through."""
    for other in store.jobs():
        ended = other.end()
        if ended and ended["end"] == "done" and other.number != job.number:
            lines = other.progress()
            yield (lines[-1]["at"] - lines[0]["at"]) / max(_bytes(other), 1)


def _bytes(job: Job) -> int:
    return sum(job.scan(role).path.stat().st_size for role in ("framework", "waxup"))


def _compared(result: Mapping[str, Any], store: Store, after: object, words: Words) -> Shown | None:
    """What became of the zones of the check before, matched as the report matches them."""
    from veneercheck.core.judge import changes
    from veneercheck.report.result import zones_of

    before = store.job(after)
    earlier = before.result() if before else None
    if earlier is None:
        return None
    pairs = changes.matched(zones_of(result), zones_of(earlier))
    kept = {old.id for _, olds in pairs for old in olds}
    return {
        "gone": [_zone(old, words) for old in earlier["zones"] if old["id"] not in kept],
        "still": [zone.id for zone, olds in pairs if olds],
        "new": [zone.id for zone, olds in pairs if not olds],
    }


def warnings(names: list[str], words: Words) -> list[str]:
    """Names that seem to be a person's."""
    return [words("terminal.patient", name=name) for name in names if looks_like_a_name(name)]
