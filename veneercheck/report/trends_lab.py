"""What a register teaches besides first passes: drift of scanners, what new limits changed."""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from typing import Any

from veneercheck.core.types import Verdict
from veneercheck.report.trends import Chart, Figure, Group, Measured, Seen, chart_of, learn, seen

_UM = 1000.0

_OF_SCANNER: Mapping[Figure, tuple[str, str, float]] = {
    "repeat_mm": ("repeatability", "noise_mm", 1.0),
    "seating_mm": ("repeatability", "seating_u_mm", 1.0),
    "trueness_mm": ("calibration", "trueness_um", _UM),
    "precision_mm": ("calibration", "precision_um", _UM),
}
"""Kind of entry and its field that a chart is of, and how many of its units are a millimetre."""

_NO_LIMIT = ("certainty",)
"""What limits say of themselves: a change of it changes no verdict."""


@dataclasses.dataclass(frozen=True, slots=True)
class Scanner:
    """Charts of one scanner; those of which nothing is on record are left out."""

    name: str
    charts: tuple[Chart, ...]


@dataclasses.dataclass(frozen=True, slots=True)
class Passes:
    """First checks at a stage, and those without findings, by one revision and by the next."""

    stage: str
    before: tuple[int, int]
    after: tuple[int, int]


@dataclasses.dataclass(frozen=True, slots=True)
class Change:
    """A new revision of limits.

    Parameters
    ----------
    profile : str
    revision : int
    moment, who, reason : str
    approved_by : str or None
    values : tuple of (str, str, str)
        Names of the limits that changed, with the earlier and the new value.
    passes : tuple of Passes
    """

    profile: str
    revision: int
    moment: str
    who: str
    reason: str
    approved_by: str | None
    values: tuple[tuple[str, str, str], ...]
    passes: tuple[Passes, ...]


@dataclasses.dataclass(frozen=True, slots=True)
class Trends:
    """All that a register teaches, and of which register, when.

    Parameters
    ----------
    groups : sequence of Group
    scanners : sequence of Scanner
    changes : sequence of Change
    register : str
        Its name, without a password.
    mark : str
        What tells it from any other: the hash of its first entry.
    written : datetime or None
    since : str or None
        Only what is on record from this day on was looked at.
    program : str
        Its name and version.
    """

    groups: Sequence[Group]
    scanners: Sequence[Scanner] = ()
    changes: Sequence[Change] = ()
    register: str = ""
    mark: str = ""
    written: datetime | None = None
    since: str | None = None
    program: str = "veneercheck"


Entry = tuple[str, Mapping[str, Any]]
"""Key and body."""


def taught(entries: Iterable[Entry], *, since: str | None = None) -> Trends:
    """What the entries of a register teach, the oldest first."""
    checks, others = list[Seen](), list[Entry]()
    for key, body in entries:
        if body.get("kind") == "check":
            checks.append(seen(key, body["result"], body["who"], body.get("standing")))
        elif body.get("kind") in ("calibration", "repeatability", "limits", "approval"):
            others.append((key, body))
    looked_at = [one for one in checks if since is None or one.moment >= since]
    groups = learn(looked_at)
    return Trends(
        groups,
        tuple(_scanners(looked_at, others, since or "")),
        tuple(_changes(others, groups, since or "")),
        since=since,
    )


def _scanners(checks: Sequence[Seen], others: list[Entry], since: str) -> Iterator[Scanner]:
    by_name: dict[str, list[Seen]] = {}
    for one in checks:
        name = dict(one.traits).get("scanner")
        if name:
            by_name.setdefault(name, []).append(one)
    told = {body["scanner"] for _, body in others if body.get("scanner")}
    for name in sorted(by_name.keys() | told):
        own = sorted(by_name.get(name, []), key=lambda one: (one.moment, one.key))
        charts = [chart_of("scanner_mm", [(one, one.noise_mm) for one in own])]
        charts += [_of_entries(figure, name, others, since) for figure in _OF_SCANNER]
        yield Scanner(name, tuple(chart for chart in charts if chart.points))


def _of_entries(figure: Figure, name: str, others: list[Entry], since: str) -> Chart:
    """What calibrations or repeated scans of one scanner gave, in time."""
    kind, field, per_mm = _OF_SCANNER[figure]
    found = []
    for key, body in others:
        if (body["kind"], body.get("scanner")) == (kind, name):
            moment = str(body.get("measured_on") or body["entered_at_utc"])
            value = body.get(field)
            told = Measured(key, str(body.get("artefact", "")), moment)
            found.append((told, None if value is None else value / per_mm))
    some = [pair for pair in found if pair[0].moment >= since]
    return chart_of(figure, sorted(some, key=lambda pair: (pair[0].moment, pair[0].key)))


def _changes(others: list[Entry], groups: Sequence[Group], since: str) -> Iterator[Change]:
    approved = {
        body["limits_key"]: str(body["who"]) for _, body in others if body["kind"] == "approval"
    }
    revisions: dict[str, list[Entry]] = {}
    for key, body in others:
        if body["kind"] == "limits":
            revisions.setdefault(str(body["profile"]), []).append((key, body))
    for profile, some in sorted(revisions.items()):
        for (_, one), (key, other) in itertools.pairwise(some):
            if other["entered_at_utc"] < since:
                continue
            yield Change(
                profile,
                other["revision"],
                other["entered_at_utc"],
                other["who"],
                other["reason"],
                approved.get(key),
                tuple(_unlike(one["limits"], other["limits"])),
                tuple(_passes(groups, profile, one["revision"], other["revision"])),
            )


def _unlike(one: Mapping[str, Any], other: Mapping[str, Any]) -> Iterator[tuple[str, str, str]]:
    before, after = dict(_flat("", one)), dict(_flat("", other))
    for name in sorted(before.keys() | after.keys()):
        if before.get(name) != after.get(name):
            yield name, before.get(name, ""), after.get(name, "")


def _flat(name: str, value: Any) -> Iterator[tuple[str, str]]:
    """Every limit by its whole name."""
    if isinstance(value, Mapping):
        for inner, held in value.items():
            if inner not in _NO_LIMIT:
                yield from _flat(f"{name}.{inner}" if name else str(inner), held)
    else:
        yield name, "" if value is None else str(value)


def _passes(groups: Sequence[Group], profile: str, *revisions: int) -> Iterator[Passes]:
    for group in groups:
        if group.profile == profile:
            before, after = (_passed(group, f"{profile} {one}") for one in revisions)
            if before[1] or after[1]:
                yield Passes(group.stage, before, after)


def _passed(group: Group, revision: str) -> tuple[int, int]:
    first = [one for one in group.first if dict(one.traits).get("revision") == revision]
    return sum(one.verdict == Verdict.NO_FINDINGS for one in first), len(first)
