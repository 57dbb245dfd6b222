"""A list of cases, in TOML or CSV: one row or table a case."""

from __future__ import annotations

import csv
import difflib
import io
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from veneercheck.batch.task import Asked, Task
from veneercheck.core.errors import ProfileError, Told
from veneercheck.machine.texts import small_text
from veneercheck.profile.keys import shortened, told

COLUMNS = ("number", "case", "framework", "waxup", "profile", "unit", "stage", "aligned", "plan")
_FILES = ("case", "framework", "waxup")
_PLACES = (*_FILES, "plan")
_YES_NO = {"yes": True, "true": True, "1": True, "no": False, "false": False, "0": False}


def tasks_of(listing: Path, asked: Asked) -> list[Task]:
    """The cases that a list names; paths are those from the list's own folder.

    Raises
    ------
    ProfileError
        If the list cannot be read, is empty, or says what is not known.
    """
    text = _text(listing)
    rows = (
        _from_csv(text, listing) if listing.suffix.lower() == ".csv" else _from_toml(text, listing)
    )
    tasks = [_task(at, row, listing, asked) for at, row in enumerate(rows)]
    if not tasks:
        raise ProfileError(
            "names no case.", where=str(listing), next_step="Write one [[case]] or row for each."
        )
    return tasks


def _text(listing: Path) -> str:
    return small_text(listing, next_step="Give a list of cases (TOML or CSV), or a folder.")


def _from_csv(text: str, listing: Path) -> Iterator[dict[str, Any]]:
    """Rows under a header; commas or, as some spreadsheets write them, semicolons."""
    head = text.partition("\n")[0]
    lines = csv.reader(io.StringIO(text), delimiter=";" if ";" in head else ",")
    try:
        yield from _rows(lines, listing)
    except csv.Error as error:
        raise ProfileError(
            Told("line {line_num} cannot be read ({error}).", line_num=lines.line_num, error=error),
            where=listing.name,
            next_step="Look for a quotation mark that is not closed, or a field without end.",
        ) from None


def _rows(lines: Any, listing: Path) -> Iterator[dict[str, Any]]:
    """What each line says under the header; blank lines and fields say nothing."""
    names = [name.strip() for name in next(lines, [])]
    _known(names, listing)
    for line in lines:
        fields = [field.strip() for field in line]
        if not any(fields):
            continue
        if any(fields[len(names) :]):
            raise ProfileError(
                Told("line {line_num} has more fields than the header.", line_num=lines.line_num),
                where=listing.name,
                next_step="Put a field that holds a comma in quotes.",
            )
        yield {name: value for name, value in zip(names, fields, strict=False) if value}


def _from_toml(text: str, listing: Path) -> Iterator[dict[str, Any]]:
    try:
        document = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise ProfileError(
            Told("is not valid TOML: {error}.", error=error),
            where=listing.name,
            next_step="Write one [[case]] for each case, or give a .csv file.",
        ) from None
    rows = document.get("case", [])
    tables = isinstance(rows, list) and all(isinstance(row, Mapping) for row in rows)
    if not tables or document.keys() - {"case"}:
        raise ProfileError(
            "holds something else than cases.",
            where=listing.name,
            next_step="Write nothing but one [[case]] for each case.",
        )
    for row in rows:
        _known(row, listing)
        yield row


def _known(names: Any, listing: Path) -> None:
    for name in names:
        if name not in COLUMNS:
            called = shortened(str(name))
            near = difflib.get_close_matches(called, COLUMNS, n=1, cutoff=0.5)
            guess = (
                Told("Did you mean «{near}»?", near=near[0])
                if near
                else Told("Known: {known}.", known=", ".join(COLUMNS))
            )
            raise ProfileError(
                Told("unknown column «{called}».", called=called),
                where=listing.name,
                next_step=guess,
            )


def _task(at: int, row: Mapping[str, Any], listing: Path, asked: Asked) -> Task:
    where = f"{listing.name}, case {at + 1}"
    given = dict(row)
    aligned = given.pop("aligned", None)
    if isinstance(aligned, str):
        aligned = _YES_NO.get(aligned.lower(), aligned)
    for name, value in given.items():
        if not isinstance(value, str):
            raise ProfileError(
                Told("{name} = {value} is not text.", name=name, value=told(value)),
                where=where,
                next_step="Put it in quotes.",
            )
    if aligned is not None and not isinstance(aligned, bool):
        raise ProfileError(
            Told("aligned = {aligned} is neither yes nor no.", aligned=told(aligned)),
            where=where,
            next_step="Write yes or no.",
        )
    if not given.keys() & set(_FILES):
        raise ProfileError(
            "names neither scans nor a case file.",
            where=where,
            next_step="Give framework and waxup, or case.",
        )
    for name in _PLACES:
        if name in given:
            given[name] = str((listing.parent / given[name]).absolute())
    profile = given.get("profile")
    if profile and profile.endswith(".toml"):
        given["profile"] = str((listing.parent / profile).absolute())
    return Task(at, asked, aligned=aligned, **given)
