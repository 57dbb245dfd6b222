"""What leaves under an identifier: looked at before it is written, and rid of names where asked.

Notes
-----
Names are taken out field by field. A bare search for a name finds only those one knows. Choice:
`--without-names` empties the fields in which a laboratory writes freely about a person (number,
names of scans, notes, reasons), draws the PDF anew from what is left and blanks the 80 bytes at the
head of an STL; materials, lots and the profile's name stay, and what looks like a name there is
told. Instead of: editing the PDF. Cost: an export with a report takes as long as drawing one.
"""

from __future__ import annotations

import copy
import dataclasses
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from veneercheck.core.errors import RecordError, Told
from veneercheck.record.register import Entry

_OF_KEY = 12
"""So much of a check's key stands for a case number that is taken out."""

_HEADER_BYTES = 80
"""Free words at the beginning of a binary STL: many scanners write the order's name there."""


def identifier(value: str, most: int | None = None, without: str = "") -> str:
    """A patient's identifier as another system can hold it.

    Parameters
    ----------
    value : str
    most : int, optional
        The most signs that the form allows.
    without : str
        Signs that mean something else in the form.

    Raises
    ------
    RecordError
        If it is blank, too long, or holds control signs or those.
    """
    fits = value.strip() and value.isprintable() and (most is None or len(value) <= most)
    if not fits or any(sign in value for sign in without):
        length = "" if most is None else Told(" of at most {most} signs", most=most)
        signs = Told(", nor {without}", without=without) if without else ""
        raise RecordError(
            Told("«{value}» cannot be an identifier.", value=value),
            where="--patient-id, or the case number",
            next_step=Told(
                "Give one{length}, not blank and without control signs{signs}: --patient-id.",
                length=length,
                signs=signs,
            ),
        )
    return value.strip()


@dataclasses.dataclass(frozen=True, slots=True)
class Nameless:
    """A check and its decisions without names, and what was taken out of them.

    Parameters
    ----------
    check : Entry
    decisions : list of Entry
    taken : list of str
        What was taken out, in words that do not repeat it.
    """

    check: Entry
    decisions: list[Entry]
    taken: list[str]


def without_names(check: Entry, decisions: list[Entry], patient_id: str | None) -> Nameless:
    """Take case number, names of scans, notes and reasons out of what is on record.

    Parameters
    ----------
    check : Entry
    decisions : list of Entry
    patient_id : str, optional
        Stands in place of the case number; else the start of the check's key does.
    """
    body = copy.deepcopy(dict(check.body))
    result, order = body["result"], body["order"]
    instead = patient_id or check.key[:_OF_KEY]
    taken = list(_case(result["case"], instead)) + list(_scans(result, order))
    told = [one for one in decisions if one.body["why"]]
    if told:
        taken.append(f"the reasons of {len(told)} decisions")
    bare = [dataclasses.replace(one, body={**one.body, "why": ""}) for one in decisions]
    return Nameless(dataclasses.replace(check, body=body), bare, taken)


def blank_header(stl: bytes) -> bytes:
    """A binary STL without the words at its beginning; not one number is another."""
    return b" " * _HEADER_BYTES + stl[_HEADER_BYTES:]


def _case(case: dict[str, Any], instead: str) -> Iterator[str]:
    if case["number"]:
        yield f"the case number, in whose place stands «{instead}»"
    if case["notes"]:
        yield "the notes"
    case["number"], case["notes"] = instead, ""


def _scans(result: dict[str, Any], order: dict[str, Any]) -> Iterator[str]:
    """Names of files, also where what was found in the scans repeats them."""
    called = {scan["called"]: role for role, scan in order["scans"].items()}
    called |= {scan["file"]: role for role, scan in result["scans"].items()}
    plain = {name: f"{role}{Path(name).suffix.lower()}" for name, role in called.items()}
    for part in ("scans", "remarks"):
        result[part] = _renamed(result[part], plain)
    for scan in order["scans"].values():
        scan["called"] = plain[scan["called"]]
    yield "the names of the scans"


def _renamed(value: Any, plain: Mapping[str, str]) -> Any:
    """The same with other names of files, the longest first: one may hold another."""
    if isinstance(value, dict):
        return {name: _renamed(one, plain) for name, one in value.items()}
    if isinstance(value, list):
        return [_renamed(one, plain) for one in value]
    if isinstance(value, str):
        for name in sorted(plain, key=len, reverse=True):
            value = value.replace(name, plain[name])
    return value
