"""Checks on record, found by whatever is known of them; the same on the page and in a terminal.

Notes
-----
Counts list marks, pages ask each check. Of many checks that bear a mark, the latest fifty are found
fastest by asking one check after the other, and their count fastest by listing all that bear it.
Choice: both, by what is asked; of 100,000 checks each takes an eighth of a second at most. Instead
of: counts kept beside, which every entry would have to keep right. Cost: two forms of one question.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping
from typing import Any

import sqlalchemy as sa

from veneercheck.record.marks import folded, words_in
from veneercheck.record.register import Register
from veneercheck.record.standing import entries_with
from veneercheck.record.tables import CHECKS, DECISIONS, ENTRIES, MARKS, SCANS

TAKEN_BACK = "taken back"

_AT_ONCE = 400
"""Values named in one question: databases bound them."""

_MANY = 2000
"""From so many marks on it is faster to ask each check than to list them."""

_LAST_SIGN = "\U0010ffff"


@dataclasses.dataclass(frozen=True, slots=True)
class Wanted:
    """What is known of the checks that are looked for; what is left out does not matter.

    Parameters
    ----------
    case, unit, verdict, stage, profile, lot, alloy, composite, scanner, revision : str, optional
    calibration, limits : str, optional
        What the scanner's calibration and the approval of the limits were when it was checked.
    who : str, optional
        Initials of who checked or decided.
    decision : str, optional
        The latest decision that stands.
    since, until : str, optional
        Days or moments, ISO 8601 in UTC; the day `until` is the last one that counts.
    scan : str, optional
        The start of the SHA-256 of a scan.
    key : str, optional
        The key of the check.
    words : str, optional
        Words that stand in the texts of a check or of a decision on it, each as its beginning.
    undecided : bool
        Only where the verdict or a zone is undecided.
    not_decided : bool
        Only where no decision of a person stands.
    """

    case: str | None = None
    unit: str | None = None
    verdict: str | None = None
    stage: str | None = None
    profile: str | None = None
    lot: str | None = None
    alloy: str | None = None
    composite: str | None = None
    scanner: str | None = None
    revision: str | None = None
    calibration: str | None = None
    limits: str | None = None
    who: str | None = None
    decision: str | None = None
    since: str | None = None
    until: str | None = None
    scan: str | None = None
    words: str | None = None
    key: str | None = None
    undecided: bool = False
    not_decided: bool = False


@dataclasses.dataclass(frozen=True, slots=True)
class Found:
    """One check that was found.

    Parameters
    ----------
    seq : int
    key : str
    case : str or None
    units : tuple of str
    checked_at_utc, verdict, stage, profile, version, folder : str
    who : str or None
    scanner, calibration, revision, limits : str or None
        As they are searched for: in small letters.
    approved_by : str or None
        Who approved that revision before the check was made.
    decision, decided_by, decided_at_utc : str or None
        The latest decision that stands.
    """

    seq: int
    key: str
    case: str | None
    units: tuple[str, ...]
    checked_at_utc: str
    verdict: str
    stage: str
    profile: str
    version: str
    who: str | None
    scanner: str | None
    calibration: str | None
    revision: str | None
    limits: str | None
    approved_by: str | None
    decision: str | None
    decided_by: str | None
    decided_at_utc: str | None
    folder: str


_MARKED = (
    "case", "unit", "verdict", "stage", "profile", "lot", "alloy", "composite", "scanner",
    "revision", "calibration", "limits",
)  # fmt: skip


def find(
    register: Register, wanted: Wanted, *, limit: int | None = None, newest: bool = False
) -> list[Found]:
    """The checks that fit, the oldest first.

    Parameters
    ----------
    register : Register
    wanted : Wanted
    limit : int, optional
        So many at most.
    newest : bool
        The newest first, which is also what a limit then keeps.

    Returns
    -------
    list of Found
    """
    order = CHECKS.c.seq.desc() if newest else CHECKS.c.seq
    question = sa.select(CHECKS).where(*_conditions(register, wanted)).order_by(order)
    rows = register.rows(question.limit(limit) if limit is not None else question)
    keys = _keys_of(register, [row["seq"] for row in rows])
    marks = _marks_of(register, list(keys))
    decided, approved = _decided(register, list(keys.values())), _approved(register, marks)
    told = ({**row, "key": keys[row["seq"]], **approved.get(row["seq"], {})} for row in rows)
    return [_found(row, marks.get(row["seq"], {}), decided.get(row["key"])) for row in told]


def count(register: Register, wanted: Wanted) -> int:
    """How many checks fit."""
    question = sa.select(sa.func.count().label("n")).select_from(CHECKS)
    conditions = _conditions(register, wanted, counted=True)
    return int(register.rows(question.where(*conditions))[0]["n"])


def _conditions(
    register: Register, wanted: Wanted, *, counted: bool = False
) -> list[sa.ColumnElement[bool]]:
    """Each asks for the place of a check alone: its entry, which is long, is read only if shown."""
    most = None if counted else _MANY
    found: list[sa.ColumnElement[bool]] = [
        _marked(register, name, folded(value), most)
        for name in _MARKED
        if (value := getattr(wanted, name))
    ]
    if wanted.who:
        by_who = _decided_by(register, wanted.who, most)
        found.append(sa.or_(CHECKS.c.who == wanted.who, by_who))
    if wanted.since:
        found.append(CHECKS.c.checked_at_utc >= wanted.since)
    if wanted.until:
        found.append(CHECKS.c.checked_at_utc < wanted.until + _LAST_SIGN)
    if wanted.scan:
        these = sa.select(SCANS.c.seq).where(_begins(SCANS.c.sha256, wanted.scan.casefold()))
        found.append(CHECKS.c.seq.in_(these))
    if wanted.key:
        found.append(CHECKS.c.seq.in_(sa.select(ENTRIES.c.seq).where(ENTRIES.c.key == wanted.key)))
    if wanted.undecided:
        open_zone = _bears(register, "open", MARKS.c.value == "zone", most)
        found.append(sa.or_(CHECKS.c.verdict == "undecided", open_zone))
    found += [_says(register, word, most) for word in sorted(words_in(wanted.words or ""))]
    if wanted.not_decided:
        found.append(sa.or_(CHECKS.c.seq.not_in(_ON_CHECKS), CHECKS.c.seq.in_(_all_back())))
    if wanted.decision:
        later = _STANDING.alias("later")
        these = sa.select(_STANDING.c.check_key).where(
            _STANDING.c.what == wanted.decision,
            ~sa.exists().where(
                later.c.check_key == _STANDING.c.check_key, later.c.seq > _STANDING.c.seq
            ),
        )
        found.append(CHECKS.c.seq.in_(_checks_of(these)))
    return found


def _standing() -> sa.Subquery:
    """The decisions that hold: neither taken back nor taking one back."""
    back = (
        sa.select(ENTRIES.c.seq)
        .join(MARKS, MARKS.c.value == ENTRIES.c.key)
        .where(MARKS.c.name == "takes_back")
    )
    return (
        sa.select(DECISIONS.c.seq, DECISIONS.c.check_key, DECISIONS.c.what)
        .where(DECISIONS.c.what != TAKEN_BACK, DECISIONS.c.seq.not_in(back))
        .subquery("standing")
    )


_STANDING = _standing()

_ON_CHECKS = sa.select(ENTRIES.c.seq).join(DECISIONS, DECISIONS.c.check_key == ENTRIES.c.key)
"""The places of checks with any decision: two indexes in the same order give them."""


def _all_back() -> sa.Select[Any]:
    """The places of checks whose decisions were all taken back: of few checks any was."""
    still = sa.exists().where(_STANDING.c.check_key == DECISIONS.c.check_key)
    return _ON_CHECKS.where(DECISIONS.c.what == TAKEN_BACK, ~still)


def _checks_of(keys: sa.Select[Any]) -> sa.Select[Any]:
    """The places of checks by their keys, from the index of keys alone."""
    return sa.select(ENTRIES.c.seq).where(ENTRIES.c.key.in_(keys))


def _decided_by(register: Register, who: str, most: int | None) -> sa.ColumnElement[bool]:
    """That somebody decided on a check; by the same two ways as a mark."""
    theirs = DECISIONS.c.who == who
    some = sa.select(DECISIONS.c.seq).where(theirs)
    if most is None or len(register.rows(some.limit(most))) < most:
        return CHECKS.c.seq.in_(_checks_of(sa.select(DECISIONS.c.check_key).where(theirs)))
    on_it = (ENTRIES.c.seq == CHECKS.c.seq, DECISIONS.c.check_key == ENTRIES.c.key)
    return sa.exists(sa.select(1).where(*on_it, theirs).correlate(CHECKS).offset(0))


_LACKING = {"calibration": ("scanner", "absent"), "limits": ("limits", "not on record")}
"""Where nothing is said, that is what it comes to: by the mark that says something at all."""


def _marked(register: Register, name: str, value: str, most: int | None) -> sa.ColumnElement[bool]:
    told = _bears(register, name, MARKS.c.value == value, most)
    if _LACKING.get(name, ("", ""))[1] != value:
        return told
    says = sa.select(MARKS.c.seq).where(MARKS.c.name == _LACKING[name][0])
    return sa.or_(told, CHECKS.c.seq.not_in(says))


def _bears(
    register: Register, name: str, fits: sa.ColumnElement[bool], most: int | None
) -> sa.ColumnElement[bool]:
    """That a check bears a mark: listed first; more than `most` are asked of each check instead.

    Listing is best where all are counted, asking where the latest few are shown.
    """
    there = (MARKS.c.name == name, fits)
    some = sa.select(MARKS.c.seq).where(*there)
    if most is None or len(register.rows(some.limit(most))) < most:
        return CHECKS.c.seq.in_(some)
    on_it = sa.select(1).where(MARKS.c.seq == CHECKS.c.seq, *there).correlate(CHECKS)
    return sa.exists(on_it.offset(0))  # which PostgreSQL cannot turn into a list of all


def _begins(column: sa.ColumnElement[str], start: str) -> sa.ColumnElement[bool]:
    """As a range, which an index answers in both databases."""
    return sa.and_(column >= start, column < start + _LAST_SIGN)


def _says(register: Register, word: str, most: int | None) -> sa.ColumnElement[bool]:
    of_checks = _bears(register, "word", _begins(MARKS.c.value, word), most)
    decided = (
        sa.select(DECISIONS.c.check_key)
        .join(MARKS, MARKS.c.seq == DECISIONS.c.seq)
        .where(MARKS.c.name == "word", _begins(MARKS.c.value, word))
    )
    return sa.or_(of_checks, CHECKS.c.seq.in_(_checks_of(decided)))


_SINGLE = ("scanner", "calibration", "revision", "limits")


def _approved(
    register: Register, marks: Mapping[int, Mapping[str, list[str]]]
) -> dict[int, dict[str, str]]:
    """Who approved the limits of each check that was made by approved ones, here."""
    wanted = {
        seq: one["revision"][0]
        for seq, one in marks.items()
        if one.get("limits") == ["approved"] and "revision" in one
    }
    if not wanted:
        return {}
    bodies = [entry.body for entry in entries_with(register, kind="approval")]
    by = {folded(f"{body['profile']} {body['revision']}"): body["who"] for body in bodies}
    return {seq: {"approved_by": by[one]} for seq, one in wanted.items() if one in by}


def _keys_of(register: Register, seqs: list[int]) -> dict[int, str]:
    found: dict[int, str] = {}
    for some in _parts(seqs):
        question = sa.select(ENTRIES.c.seq, ENTRIES.c.key).where(ENTRIES.c.seq.in_(some))
        found |= {row["seq"]: row["key"] for row in register.rows(question)}
    return found


def _marks_of(register: Register, seqs: list[int]) -> dict[int, dict[str, list[str]]]:
    shown = ("unit", *_SINGLE)
    found: dict[int, dict[str, list[str]]] = {}
    for some in _parts(seqs):
        question = sa.select(MARKS).where(MARKS.c.seq.in_(some), MARKS.c.name.in_(shown))
        for row in register.rows(question.order_by(MARKS.c.seq, MARKS.c.name, MARKS.c.value)):
            found.setdefault(row["seq"], {}).setdefault(row["name"], []).append(row["value"])
    return found


def _decided(register: Register, keys: list[str]) -> dict[str, Mapping[str, Any]]:
    found: dict[str, Mapping[str, Any]] = {}
    for some in _parts(keys):
        question = (
            sa.select(DECISIONS)
            .join(_STANDING, _STANDING.c.seq == DECISIONS.c.seq)
            .where(DECISIONS.c.check_key.in_(some))
            .order_by(DECISIONS.c.seq)
        )
        found |= {row["check_key"]: row for row in register.rows(question)}
    return found


def _parts(values: list[Any]) -> Iterable[list[Any]]:
    return (values[at : at + _AT_ONCE] for at in range(0, len(values), _AT_ONCE))


def _found(
    row: Mapping[str, Any], marks: Mapping[str, list[str]], decided: Mapping[str, Any] | None
) -> Found:
    told = decided or {}
    taken = ("seq", "key", "checked_at_utc", "verdict", "stage", "profile", "version", "who")
    plain: dict[str, Any] = {name: row[name] for name in (*taken, "folder")}
    plain |= {name: next(iter(marks.get(name, ())), None) for name in _SINGLE}
    return Found(
        **plain,
        case=row["case_number"],
        units=tuple(marks.get("unit", ())),
        approved_by=row.get("approved_by"),
        decision=told.get("what"),
        decided_by=told.get("who"),
        decided_at_utc=told.get("decided_at_utc"),
    )
