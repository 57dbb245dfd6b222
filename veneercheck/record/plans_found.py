"""Plans on record, found by what is known of them.

Notes
-----
A plan is looked into where it is asked for. Its entry bears but the marks that any entry bears, and
other marks would make every register with plans on record another one. Choice: its kind, its case
number and who planned are found by marks, all else by reading the plans that are left. Instead of:
a further form of the register. Cost: a question of a lot reads every plan on record.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from veneercheck.record.marks import folded, words_in
from veneercheck.record.planning import PLAN
from veneercheck.record.tables import MARKS

if TYPE_CHECKING:
    from veneercheck.record import Entry, Register
    from veneercheck.record.finding import Wanted

_OF_CHECKS = ("verdict", "stage", "scanner", "calibration", "revision", "limits", "decision",
              "undecided", "not_decided")  # fmt: skip
"""What only a check has: who asks for it is not after plans."""


@dataclasses.dataclass(frozen=True, slots=True)
class FoundPlan:
    """One plan that was found.

    Parameters
    ----------
    seq : int
    key : str
    case : str or None
    units : tuple of str
    planned_at_utc, profile, version, folder : str
    who : str or None
    conflicts : int
        Places where the layers cannot fit.
    """

    seq: int
    key: str
    case: str | None
    units: tuple[str, ...]
    planned_at_utc: str
    profile: str
    version: str
    who: str | None
    conflicts: int
    folder: str


def find_plans(register: Register, wanted: Wanted, *, limit: int | None = None) -> list[FoundPlan]:
    """The plans that fit, the oldest first; with a limit, the latest so many.

    Parameters
    ----------
    register : Register
    wanted : Wanted
        A plan has no verdict, stage, scanner or decision: where one is asked for, none fits.
    limit : int, optional
    """
    if any(getattr(wanted, name) for name in _OF_CHECKS):
        return []
    found: list[FoundPlan] = []
    for entry in _bearing(register, wanted):
        if _fits(entry, wanted):
            found.append(found_plan(entry))
        if limit is not None and len(found) == limit:
            break
    return found[::-1]


def _bearing(register: Register, wanted: Wanted) -> Iterator[Entry]:
    """The plans with the marks that are asked for, the latest first, each read when it is due."""
    marks = {"kind": PLAN, "case_number": wanted.case, "who": wanted.who}
    places = sa.select(MARKS.c.seq).order_by(MARKS.c.seq.desc())
    for name, value in marks.items():
        if value:
            these = sa.select(MARKS.c.seq).where(
                MARKS.c.name == name, MARKS.c.value == folded(value)
            )
            places = places.where(MARKS.c.seq.in_(these))
    for row in register.rows(places.distinct()):
        entry = register.entry_at(row["seq"])
        if entry is not None:
            yield entry


def _fits(entry: Entry, wanted: Wanted) -> bool:
    case, scans = entry.body["order"]["case"], entry.body["order"]["scans"]
    day = str(entry.body["plan"]["planned_at_utc"])
    told = {
        "unit": {str(unit) for unit in case.get("units") or ()},
        "lot": {folded(lot) for lot in (case.get("lots") or {}).values()},
        "profile": {folded(entry.body["plan"]["limits"]["name"])},
        "alloy": {folded(case.get("alloy") or "")},
        "composite": {folded(case.get("composite") or "")},
        "key": {entry.key},
    }
    asked = ((folded(value), told[name]) for name in told if (value := getattr(wanted, name)))
    return (
        all(value in known for value, known in asked)
        and day >= (wanted.since or "")
        and (not wanted.until or day[: len(wanted.until)] <= wanted.until)
        and (not wanted.scan or _begins(scans, wanted.scan.casefold()))
        and _says(entry.body, wanted.words or "")
    )


def _begins(scans: Mapping[str, Mapping[str, Any]], start: str) -> bool:
    return any(one["sha256"].startswith(start) for one in scans.values())


def _says(body: Mapping[str, Any], words: str) -> bool:
    """Whether each word begins one of the plan's texts' words."""
    case, order = body["order"]["case"], body["order"]
    texts = [PLAN, body["case_number"], body["who"], case.get("notes"), case.get("shade")]
    texts += [case.get("alloy"), case.get("composite"), body["plan"]["limits"]["name"]]
    texts += [*(case.get("lots") or {}).values(), *(s["called"] for s in order["scans"].values())]
    there = {word for text in texts for word in words_in(text or "")}
    return all(any(one.startswith(word) for one in there) for word in words_in(words))


def found_plan(entry: Entry) -> FoundPlan:
    """What is told of a plan in a list."""
    body = entry.body
    return FoundPlan(
        entry.seq,
        entry.key,
        body["case_number"] or None,
        tuple(str(unit) for unit in body["order"]["case"].get("units") or ()),
        body["plan"]["planned_at_utc"],
        body["plan"]["limits"]["name"],
        body["order"]["version"],
        body["who"],
        len(body["plan"]["conflicts"]),
        body["folder"],
    )
