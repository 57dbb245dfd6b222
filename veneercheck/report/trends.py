"""What many checks teach: first passes, where cut-backs fall short, drift of noise and fit.

Notes
-----
A chart's limits come from its first 20 points and stay. Limits that follow all points follow the
drift too. Choice: mean ± 2.66 × mean moving range of the first 20, runs of nine; `--since` begins a
new chart. Instead of: limits from all points, or from the user. Cost: a bad beginning gives bad
limits; a few of a thousand sound points lie beyond them.

A frame that was given has no residual in the charts. With `--aligned` the residual says how true
the frame was, not how well the fit went. Choice: left out; its noise counts. Cost: a laboratory
that always gives the frame sees no chart of residuals.
"""

from __future__ import annotations

import dataclasses
import itertools
import math
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from statistics import fmean
from typing import Any, Literal, get_args

from veneercheck.core.types import AlignmentState, Decision, FindingKind, Verdict

LIMITS_FROM = 20
"""Points that set a chart's limits; with fewer it has none (common practice, no source)."""

LIMITS_AT = 2.66
"""Mean moving range of two to three standard deviations: 3/1.128 (Shewhart's chart for individuals,
as in ISO 7870-2; from memory)."""

RUN = 9
"""Points in a row on one side of the centre that speak of a shift (Nelson 1984; from memory)."""

DRIFT_WEIGHT, DRIFT_AT = 0.2, 3.0
"""Weight of the latest value in a moving mean, and at how many of its standard deviations it speaks
of a drift (EWMA chart, Roberts 1959; weight and limit as in ISO 7870-6, from memory)."""

TRAITS = ("who", "alloy", "composite", "scanner", "revision")
"""By what first passes are told apart; the technician by initials alone."""

_PER_RANGE = 1.128
"""Mean moving range of two in standard deviations (as above)."""

_NORMAL_95 = 1.96

Quantity = Literal["noise_mm", "rms_mm"]
QUANTITIES: tuple[Quantity, ...] = get_args(Quantity)

Figure = Quantity | Literal["scanner_mm", "repeat_mm", "seating_mm", "trueness_mm", "precision_mm"]
"""What a chart may be of: besides what a check tells, what is known of one scanner."""

Place = tuple[str, str]
"""Tooth and surface; empty where it is not known."""


@dataclasses.dataclass(frozen=True, slots=True)
class Seen:
    """What is looked at of one check.

    Parameters
    ----------
    key : str
    work : str
        The same for every check of one piece of work: its case number, else its wax-up.
    case : str
    moment : str
        ISO 8601, UTC.
    profile, stage, verdict : str
    teeth : tuple of str
    short : frozenset of Place
        Where a zone is surely too thin.
    noise_mm, rms_mm : float or None
        Noise of both scans together; residual of the fit, where it was fitted.
    traits : tuple of (str, str)
        By what first passes are told apart: technician, alloy, composite, scanner, revision of the
        limits, each with its value; what is not known is left out.
    """

    key: str
    work: str
    case: str
    moment: str
    profile: str
    stage: str
    verdict: str
    teeth: tuple[str, ...]
    short: frozenset[Place]
    noise_mm: float | None
    rms_mm: float | None
    traits: tuple[tuple[str, str], ...] = ()


@dataclasses.dataclass(frozen=True, slots=True)
class Measured:
    """What is on record of a scanner: the key of its entry, a word for it, when (ISO 8601)."""

    key: str
    case: str
    moment: str


@dataclasses.dataclass(frozen=True, slots=True)
class Point:
    """One figure on a chart: beyond the limits, at the end of a run, or with the mean drifted."""

    seen: Seen | Measured
    value_mm: float
    beyond: bool
    run: bool
    drift: bool = False

    @property
    def speaks(self) -> bool:
        """Whether it speaks of a change."""
        return self.beyond or self.run or self.drift


@dataclasses.dataclass(frozen=True, slots=True)
class Bounds:
    """Centre and limits of a chart, mm; no lower limit where it would lie below nothing."""

    low_mm: float | None
    centre_mm: float
    high_mm: float


@dataclasses.dataclass(frozen=True, slots=True)
class Chart:
    """Chart for individuals: its points in time, its limits from the first `LIMITS_FROM`."""

    quantity: Figure
    points: tuple[Point, ...]
    bounds: Bounds | None

    def signals(self) -> list[Point]:
        """Points that speak of a change."""
        return [point for point in self.points if point.speaks]


@dataclasses.dataclass(frozen=True, slots=True)
class Group:
    """All checks with one profile at one stage.

    Parameters
    ----------
    profile, stage : str
    checks : int
    first : tuple of Seen
        The first check of every piece of work.
    charts : tuple of Chart
    """

    profile: str
    stage: str
    checks: int
    first: tuple[Seen, ...]
    charts: tuple[Chart, ...]

    def passed(self) -> int:
        """First checks without findings."""
        return sum(one.verdict == Verdict.NO_FINDINGS for one in self.first)

    def undecided(self) -> int:
        """First checks that stayed undecided."""
        return sum(one.verdict == Verdict.UNDECIDED for one in self.first)

    def short(self) -> Counter[Place]:
        """In how many first checks each place was too thin."""
        return Counter(itertools.chain.from_iterable(one.short for one in self.first))

    def by_trait(self) -> list[tuple[str, str, int, int]]:
        """Trait, value, first checks without findings, first checks; the largest groups first."""
        whole = Counter(trait for one in self.first for trait in one.traits)
        sound = [one for one in self.first if one.verdict == Verdict.NO_FINDINGS]
        part = Counter(trait for one in sound for trait in one.traits)
        order = sorted(whole, key=lambda trait: (TRAITS.index(trait[0]), -whole[trait], trait[1]))
        return [(*trait, part[trait], whole[trait]) for trait in order]

    def of_tooth(self) -> Counter[str]:
        """In how many first checks each tooth took part; all of them for the unknown one."""
        named = Counter(itertools.chain.from_iterable(one.teeth for one in self.first))
        named[""] = len(self.first)
        return named


def _known_surface(zone: Mapping[str, Any]) -> str:
    """The surface of a zone; empty where it has but a letter: another side each time."""
    surface = zone["surface"] or ""
    return "" if surface.startswith(("side ", "end ")) else surface


def seen(
    key: str,
    document: Mapping[str, Any],
    who: str | None = None,
    standing: Mapping[str, Any] | None = None,
) -> Seen:
    """What is looked at of a `result.json`, of who checked it and with what."""
    case, fit = document["case"], document["alignment"]
    number = case["number"] or ""
    fitted = fit["state"] in (AlignmentState.TRUSTED, AlignmentState.DOUBTFUL)
    zones = [
        (zone["tooth"] or "", _known_surface(zone))
        for zone in document["zones"]
        if zone["finding"] == FindingKind.TOO_THIN.word and zone["decision"] == Decision.FIRM
    ]
    return Seen(
        key,
        number or document["scans"]["waxup"]["sha256"],
        number,
        document["checked_at_utc"],
        document["profile"]["name"],
        case["stage"],
        document["verdict"],
        tuple({str(unit) for unit in case["units"]} | {tooth for tooth, _ in zones if tooth}),
        frozenset(zones),
        fit["noise_mm"],
        fit["rms_mm"] if fitted else None,
        tuple(_traits(case, who, standing or {})),
    )


def _traits(
    case: Mapping[str, Any], who: str | None, standing: Mapping[str, Any]
) -> Iterator[tuple[str, str]]:
    scanner, limits = standing.get("scanner"), standing.get("limits")
    known = {
        "who": who,
        "alloy": case.get("alloy"),
        "composite": case.get("composite"),
        "scanner": scanner["name"] if scanner else None,
        "revision": f"{limits['profile']} {limits['revision']}"
        if limits and limits["revision"]
        else None,
    }
    yield from ((name, str(value)) for name, value in known.items() if value)


def learn(checks: Iterable[Seen]) -> list[Group]:
    """Checks grouped by profile and stage, with what each group teaches.

    Parameters
    ----------
    checks : iterable of Seen
        In any order.

    Returns
    -------
    list of Group
        By profile and stage.
    """
    in_time = sorted(checks, key=lambda one: (one.profile, one.stage, one.moment, one.key))
    return [
        _group(profile, stage, list(some))
        for (profile, stage), some in itertools.groupby(
            in_time, key=lambda one: (one.profile, one.stage)
        )
    ]


def _group(profile: str, stage: str, checks: list[Seen]) -> Group:
    first: dict[str, Seen] = {}
    for one in checks:
        first.setdefault(one.work, one)
    charts = tuple(
        chart_of(quantity, [(one, getattr(one, quantity)) for one in checks])
        for quantity in QUANTITIES
    )
    return Group(profile, stage, len(checks), tuple(first.values()), charts)


def chart_of(quantity: Figure, figures: Iterable[tuple[Seen | Measured, float | None]]) -> Chart:
    """A chart of figures in time, mm; those that are not known are left out."""
    measured = [(one, float(value)) for one, value in figures if value is not None]
    values = [value for _, value in measured]
    bounds = control_limits(values)
    if bounds is None:
        return Chart(quantity, tuple(Point(one, v, False, False) for one, v in measured), None)
    low = -math.inf if bounds.low_mm is None else bounds.low_mm
    ends = _ends_of_runs(values, bounds.centre_mm)
    drifts = drifted(values, bounds)
    points = tuple(
        Point(one, value, not low <= value <= bounds.high_mm, run, drift)
        for (one, value), run, drift in zip(measured, ends, drifts, strict=True)
    )
    return Chart(quantity, points, bounds)


def control_limits(values_mm: Sequence[float]) -> Bounds | None:
    """Mean ± 2.66 times the mean moving range of the first `LIMITS_FROM` values.

    Parameters
    ----------
    values_mm : sequence of float
        In time.

    Returns
    -------
    Bounds or None
        None where there are fewer values.

    Examples
    --------
    >>> control_limits([1.0, 1.25] * 10)
    Bounds(low_mm=0.45999999999999996, centre_mm=1.125, high_mm=1.79)
    """
    if len(values_mm) < LIMITS_FROM:
        return None
    base = values_mm[:LIMITS_FROM]
    centre = fmean(base)
    reach = LIMITS_AT * fmean(abs(b - a) for a, b in itertools.pairwise(base))
    low = centre - reach
    return Bounds(low if low > 0.0 else None, centre, centre + reach)


def drifted(values_mm: Sequence[float], bounds: Bounds) -> list[bool]:
    """Where the moving mean of the values lies beyond its own limits.

    Parameters
    ----------
    values_mm : sequence of float
        In time.
    bounds : Bounds
        Of the chart for individuals: three standard deviations at its upper limit.

    Returns
    -------
    list of bool

    Examples
    --------
    >>> steady = Bounds(None, 1.0, 1.3)
    >>> drifted([1.0, 1.15, 1.15, 1.15, 1.15], steady), sum(drifted([1.15] * 20, steady))
    ([False, False, False, False, False], 16)
    """
    deviation = (bounds.high_mm - bounds.centre_mm) / (LIMITS_AT * _PER_RANGE)
    mean, share, found = bounds.centre_mm, 1.0, []
    for value in values_mm:
        mean += DRIFT_WEIGHT * (value - mean)
        share *= (1.0 - DRIFT_WEIGHT) ** 2
        spread = math.sqrt(DRIFT_WEIGHT / (2.0 - DRIFT_WEIGHT) * (1.0 - share))
        found.append(abs(mean - bounds.centre_mm) > DRIFT_AT * deviation * spread)
    return found


def _ends_of_runs(values: Sequence[float], centre: float) -> list[bool]:
    """Where a value is the ninth or later in a row on its side of the centre."""
    found, length, side = [], 0, 0.0
    for value in values:
        now = math.copysign(1.0, value - centre) if value != centre else 0.0
        length = length + 1 if now == side and now else 1
        side = now
        found.append(length >= RUN)
    return found


def share_interval(part: int, whole: int) -> tuple[float, float]:
    """Where the true share lies with 95 % confidence (Wilson 1927).

    Parameters
    ----------
    part, whole : int
        `whole` is at least 1.

    Examples
    --------
    >>> [round(end, 4) for end in share_interval(0, 10)]
    [0.0, 0.2775]
    """
    z2 = _NORMAL_95**2
    share = part / whole
    middle = (share + z2 / (2 * whole)) / (1 + z2 / whole)
    spread = math.sqrt(share * (1 - share) / whole + z2 / (4 * whole**2))
    reach = _NORMAL_95 * spread / (1 + z2 / whole)
    return max(0.0, middle - reach), min(1.0, middle + reach)
