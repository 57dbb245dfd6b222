"""By what an entry is found: names with values, and every word that stands in its texts.

Notes
-----
Marks in place of full-text search. What is on record is found by a dozen fields and by words, alike
in SQLite and PostgreSQL, and every byte of a register in SQLite must be what writing its entries
leaves. Choice: one table `marks` (entry, name, value) with one index, drawn from each entry; a word
is a mark as a lot is. Instead of: FTS5, whose bytes differ from one version of SQLite to the next,
so that `confirm` would call a sound register altered; `tsvector`, which folds words by a language
and answers otherwise. Cost: no stemming, no ranking; about 1 kB a check.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from veneercheck.report.counted import verdict_of

_WORD = re.compile(r"[^\W_]+(?:[-.][^\W_]+)*")
_PART = re.compile(r"[^\W_]+")

_LONGEST = 120
"""Signs of a value that serve for finding it; the whole of it stands in the entry."""

_OF_CASE = ("alloy", "composite", "shade")


def words_in(text: str) -> set[str]:
    """The words of a text as they are compared: small letters, whole and by their parts.

    Examples
    --------
    >>> sorted(words_in("Lot AB-12, Größe"))
    ['12', 'ab', 'ab-12', 'grösse', 'lot']
    """
    found = {*_WORD.findall(text), *_PART.findall(text)}
    return {word.casefold()[:_LONGEST] for word in found}


def folded(value: str) -> str:
    """A value as it is compared: no matter how large its letters are."""
    kept = "".join(sign for sign in value.casefold() if sign.isprintable())
    return kept.strip()[:_LONGEST]


def marks_of(body: Mapping[str, Any]) -> list[tuple[str, str]]:
    """The marks of an entry, each once, in order.

    Parameters
    ----------
    body : mapping
        Any kind of entry. Only a check and a decision are looked into; of all others, the texts
        of their first level are what they are found by.
    """
    kind = str(body["kind"])
    named = {"check": _of_check, "decision": _of_decision}.get(kind, _of_other)(body)
    found = {("kind", kind), *((name, folded(value)) for name, value in named)}
    if "imported" in body:  # another laboratory's revisions may have the same names
        found = {mark for mark in found if mark[0] != "revision"}
        found.add(("origin", folded(body["imported"]["register"])))
    return sorted((name, value) for name, value in found if value)


def _of_check(body: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    result = body["result"]
    case = result["case"]
    standing = body.get("standing")
    yield "verdict", verdict_of(result, standing)
    yield "stage", case["stage"]
    yield "profile", result["profile"]["name"]
    yield "who", body["who"] or ""
    yield "case", case["number"] or ""
    yield from (("unit", str(unit)) for unit in case.get("units") or ())
    yield from ((name, case.get(name) or "") for name in _OF_CASE)
    lots = case.get("lots") or {}
    yield from (("lot", lot) for lot in lots.values())
    yield from _of_standing(standing or {})
    if any(zone["decision"] == "undecided" for zone in result["zones"]):
        yield "open", "zone"
    texts = [case["number"], case.get("notes"), body["who"], result["profile"]["name"]]
    texts += [case.get(name) for name in _OF_CASE]
    texts += [*lots.values(), *(scan["file"] for scan in result["scans"].values())]
    texts += {zone["finding"].replace("_", " ") for zone in result["zones"]}
    yield from _words(texts)


def _of_standing(standing: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    limits, scanner = standing.get("limits"), standing.get("scanner")
    if scanner:
        yield "scanner", scanner["name"]
        yield "calibration", standing["calibration"]["state"]
    if limits:
        yield "limits", limits["state"]
    if limits and limits["revision"]:
        yield "revision", f"{limits['profile']} {limits['revision']}"


def _of_decision(body: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    yield "who", body["who"]
    yield "case", body["case_number"] or ""
    yield "takes_back", body.get("takes_back", "")
    yield from _words([body["why"], body["what"], body["who"]])


def _of_other(body: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    texts = {name: value for name, value in body.items() if isinstance(value, str)}
    yield from ((name, value) for name, value in texts.items() if len(name) <= 20)
    yield from _words(texts.values())


def _words(texts: Iterable[str | None]) -> Iterator[tuple[str, str]]:
    for text in texts:
        yield from (("word", word) for word in words_in(text or ""))
