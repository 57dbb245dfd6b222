"""Exit codes: what the program leaves behind for a shell, of one case or of many."""

from __future__ import annotations

import enum
from collections.abc import Iterable, Mapping
from typing import Any


class Exit(enum.IntEnum):
    """What the exit code says."""

    NO_FINDINGS = 0
    FINDINGS = 1
    WRONG_USE = 2
    REFUSED = 3
    UNDECIDED = 4
    PROGRAM_FAULT = 5
    STOPPED = 130


_GRAVEST_FIRST = (Exit.PROGRAM_FAULT, Exit.REFUSED, Exit.FINDINGS, Exit.UNDECIDED)


def code_of(result: Mapping[str, Any]) -> Exit:
    """The exit code that a `result.json` stands for."""
    standing = result.get("standing")
    if result["alignment"]["state"] in ("doubtful", "failed") or (
        standing and standing["undecided"]
    ):
        return Exit.UNDECIDED
    if any(zone["decision"] == "firm" for zone in result["zones"]):
        return Exit.FINDINGS
    return {
        "no findings": Exit.NO_FINDINGS,
        "findings": Exit.FINDINGS,
        "undecided": Exit.UNDECIDED,
    }[result["verdict"]]


def gravest(codes: Iterable[int]) -> Exit:
    """The one code of many cases: what was not checked weighs more than what was found."""
    there = set(codes)
    return next((code for code in _GRAVEST_FIRST if code in there), Exit.NO_FINDINGS)
