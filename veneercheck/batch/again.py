"""An archive checked again: finished case folders, each repeated and held against what it said."""

from __future__ import annotations

import dataclasses
import json
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from veneercheck.case.folders import ORDER
from veneercheck.case.order import Settled
from veneercheck.core.errors import RecordError, Told
from veneercheck.record.confirm import differences, settled_again
from veneercheck.report.counted import STANDING, standing_beside

SAME = Told("the same")
_MOST_TOLD = 3


def finished_folders(archive: Path, leave_out: Path) -> list[Path]:
    """Case folders in an archive and below it, in order; those of the new results left out."""
    found = []
    out = leave_out.absolute()
    for place, folders, names in os.walk(archive):
        here = Path(place).absolute()
        kept = [name for name in folders if not name.startswith(".") and here / name != out]
        folders[:] = [] if ORDER in names else sorted(kept)
        if ORDER in names:
            found.append(here)
    return found


def settled_from(folder: Path, profile: str | None) -> Settled:
    """What a finished check rested on, with another profile where one is asked for.

    Raises
    ------
    RecordError
        If the folder cannot be read, or a scan is gone or is not the one that was checked.
    """
    from veneercheck.profile import load_profile
    from veneercheck.record import sha256_of_file

    order = _read(folder / ORDER)
    try:
        work, scans = settled_again(order, folder), order["scans"]
        hashes = {role: scan["sha256"] for role, scan in scans.items()}
    except (KeyError, TypeError, AttributeError) as error:
        raise _not_whole(folder / ORDER, f"it lacks {error}") from None
    for role, scan in work.scans.items():
        if scan is None:
            continue
        if not scan.is_file():
            raise RecordError(
                Told("the {role}'s scan is not where it was.", role=Told(role)),
                where=str(scan),
                next_step="Bring it back there; the result on record stays as it is.",
            )
        if sha256_of_file(scan) != hashes[role]:
            raise RecordError(
                Told(
                    "the {role}'s scan is not the one that was checked: its SHA-256 differs.",
                    role=Told(role),
                ),
                where=str(scan),
                next_step="Look for the scan on record; `veneercheck records confirm` tells more.",
            )
    work = dataclasses.replace(work, scanner=_scanner_of(folder))
    return dataclasses.replace(work, limits=load_profile(profile)) if profile else work


def _scanner_of(folder: Path) -> str:
    """The scanner that a finished check names: no part of its order, for no number rests on it."""
    try:
        named = (standing_beside(folder) or {}).get("scanner")
        return str(named["name"]) if named else ""
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise _not_whole(folder / STANDING, str(error)) from None


def change(folder: Path, now: Mapping[str, Any]) -> tuple[str, str]:
    """The verdict on record, and in words what differs now.

    Parameters
    ----------
    folder : Path
        Of the finished check.
    now : mapping
        The new result.
    """
    before = _read(folder / "result.json")
    try:
        return before["verdict"], _change(before, now)
    except (KeyError, TypeError, AttributeError) as error:
        raise _not_whole(folder / "result.json", f"it lacks {error}") from None


def _change(before: Mapping[str, Any], now: Mapping[str, Any]) -> str:
    unlike = list(differences(before, now))
    if not unlike:
        return SAME
    told: list[str] = []
    old, new = (Told(one["verdict"]) for one in (before, now))
    if old != new:
        told.append(Told("verdict was {old}, is {new}", old=old, new=new))
    counts = [len(one["zones"]) for one in (before, now)]
    if counts[0] != counts[1]:
        told.append(Told("zones were {old}, are {new}", old=counts[0], new=counts[1]))
    layers = [one["layer"]["median_mm"] for one in (before, now)]
    if None not in layers and layers[0] != layers[1]:
        told.append(Told("median layer {um:+.1f} µm", um=1000 * (layers[1] - layers[0])))
    told += [words for words in unlike if words.startswith("profile.")][:_MOST_TOLD]
    told = told or unlike[:_MOST_TOLD]
    versions = [one["program"]["version"] for one in (before, now)]
    if versions[0] != versions[1]:
        told.append(Told("version was {old}, is {new}", old=versions[0], new=versions[1]))
    whole, *more = told
    for one in more:
        whole = Told("{whole}; {one}", whole=whole, one=one)
    return whole


def _read(path: Path) -> dict[str, Any]:
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise _not_whole(path, str(error)) from None
    if not isinstance(found, dict):
        raise _not_whole(path, "it is no table")
    return found


def _not_whole(path: Path, why: str) -> RecordError:
    return RecordError(
        Told("the finished check cannot be read ({why}).", why=why),
        where=str(path),
        next_step="Check its scans anew; the folder stays as it is.",
    )
