"""Checks on record: which one is meant, where its folder lies, what its files must be."""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import TYPE_CHECKING

from veneercheck.core.errors import RecordError, Told

if TYPE_CHECKING:
    from veneercheck.record import Entry, Register

_START_OF_KEY = re.compile(r"[0-9a-f]{8,64}")
"""What may stand for a check in place of its case number; less might be the start of a number."""


def one_check(register: Register, case: str) -> Entry:
    """The latest check of a case number, or the one check of the start of a key or of a code.

    Raises
    ------
    RecordError
        If nothing bears that number, and it is no start of one key alone.
    """
    from veneercheck.report.standing import read_code

    if (code := read_code(case)) is not None:
        return _of_code(register, *code)
    of_number = register.checks_of(case)
    if of_number:
        return of_number[-1]
    of_key = register.checks_with_key(case) if _START_OF_KEY.fullmatch(case) else []
    if len(of_key) == 1:
        return of_key[0]
    if of_key:
        raise RecordError(
            Told(
                "{count} checks have a key that begins with «{case}».", count=len(of_key), case=case
            ),
            where=register.shown,
            next_step="Give more signs of the key, or the case number.",
        )
    raise RecordError(
        Told("no check of «{case}» is on record.", case=case),
        where=register.shown,
        next_step="List them with «veneercheck records list»; give a case number as it stands "
        "there, or at least 8 signs of the key.",
    )


def _of_code(register: Register, key: str, result_sha: str) -> Entry:
    """The check that the code on a printed report says, if the paper tells of this very result."""
    entry = register.with_key(key)
    if entry is None or entry.body["kind"] != "check":
        raise RecordError(
            "the check of this paper is not on record here.",
            where=register.shown,
            next_step="Name the register that it was filed in.",
        )
    if entry.body["files"].get("result.json") != result_sha:
        raise RecordError(
            "this paper tells of another result than the one on record.",
            where=register.shown,
            next_step="Go by the record; «veneercheck records confirm» says whether it is whole.",
        )
    return entry


def number_of(entry: Entry) -> str:
    """The case number of a check or a plan; empty where it has none."""
    body = entry.body
    told = body["result"]["case"]["number"] if body["kind"] == "check" else body["case_number"]
    return str(told or "")


def made_at(entry: Entry) -> str:
    """When a check or a plan was made, ISO 8601 in UTC."""
    body = entry.body
    of_check = body["kind"] == "check"
    return str(body["result"]["checked_at_utc"] if of_check else body["plan"]["planned_at_utc"])


def files_on_record(register: Register, check: Entry) -> dict[str, str]:
    """What every file of a case folder must be, after the decisions on it."""
    files = dict(check.body["files"])
    for decision in register.decisions_on(check.key):
        files |= decision.body["files"]
    return files


def file_hashes(folder: Path) -> dict[str, str]:
    """SHA-256 of every file of a folder, by its path within."""
    from veneercheck.record import sha256_of_file

    files = sorted(path for path in folder.rglob("*") if path.is_file())
    return {path.relative_to(folder).as_posix(): sha256_of_file(path) for path in files}


def folder_of(register: Register, entry: Entry) -> Path:
    """Where the case folder of an entry lies."""
    return place_of(register, entry.body["folder"])


def place_of(register: Register, on_record: str) -> Path:
    """Where a case folder lies, by the path that is on record."""
    folder = Path(on_record)
    if folder.is_absolute() or register.file is None:
        return folder
    return register.file.parent / folder


def place_on_record(register: Register, folder: Path) -> str:
    """A folder as it goes on record: from the register's own where that is a file, so that both
    can be moved together."""
    if register.file is None:
        return str(folder.absolute())
    return Path(os.path.relpath(folder.absolute(), register.file.parent)).as_posix()
