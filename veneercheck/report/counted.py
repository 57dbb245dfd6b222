"""A verdict as it counts: as measured, unless what it was measured with does not carry it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

STANDING = "standing.json"
"""With what and by which limits a check on record was made; laid beside its result."""


def verdict_of(result: Mapping[str, Any], standing: Mapping[str, Any] | None) -> str:
    """The verdict of a result, at most undecided where its standing says so.

    Examples
    --------
    >>> verdict_of({"verdict": "no findings"}, {"undecided": ["calibration"]})
    'undecided'
    """
    return "undecided" if standing and standing["undecided"] else str(result["verdict"])


def as_it_counts(result: Mapping[str, Any], standing: Mapping[str, Any] | None) -> dict[str, Any]:
    """A result with its standing, and the verdict that counts."""
    if not standing:
        return dict(result)
    return {**result, "verdict": verdict_of(result, standing), "standing": dict(standing)}
