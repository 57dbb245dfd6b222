"""A verdict as it counts: as measured, unless what it was measured with does not carry it.

Notes
-----
What a check was made with lies beside its result. Scanner, calibration and approval are the
register's knowledge of that day; `result.json` is what the scans say, and is repeated to the last
digit. Choice: `standing.json`, hashed with the case; a missing calibration that the limits ask for
makes the verdict that counts undecided, not the measured one. Cost: FHIR and DICOM still tell the
measured verdict.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
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


def standing_beside(folder: Path) -> dict[str, Any] | None:
    """What lies beside a result of what its check was made with; None where nothing does."""
    file = folder / STANDING
    if not file.is_file():
        return None
    found: dict[str, Any] = json.loads(file.read_text(encoding="utf-8"))
    return found
