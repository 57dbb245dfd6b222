"""The laboratory's own seating, from one body scanned several times, into a profile."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from veneercheck.case.folders import write_text
from veneercheck.core.errors import ScanError, Told

if TYPE_CHECKING:  # a refusal must come at once: what is heavy is loaded where it is used
    from veneercheck.core.align import Repeatability
    from veneercheck.core.types import Limits

Say = Callable[[str], None]


def _silent(_: str) -> None:
    pass


def repeated(
    scans: list[Path],
    *,
    profile: str | None = None,
    unit: str | None = None,
    shared_frame: bool = False,
    out: Path | None = None,
    say: Say = _silent,
) -> tuple[Repeatability, Limits | None]:
    """Measure repeated scans of one body, and write the seating into a profile.

    Returns
    -------
    Repeatability
    Limits or None
        The profile with the laboratory's own seating; None where it cannot be told.
    """
    from veneercheck import scan
    from veneercheck.core.align import repeatability
    from veneercheck.profile import load_profile, profile_toml

    limits = load_profile(profile or "generic")
    meshes = []
    for path in scans:
        say(Told("reading {name}", name=path.name))
        meshes.append(scan.read_scan(path, unit=unit).mesh)
    say(Told("laying each scan on each other"))
    found = repeatability(meshes, shared_frame=shared_frame)
    own = _with_own_seating(limits, found)
    if out is not None:
        if own is None:
            raise ScanError(
                "the seating cannot be told from these scans, so no profile was written.",
                where=scans[0].name,
                next_step="Scan on one plate, export without fitting, and give --aligned.",
            )
        write_text(out, profile_toml(own))
    return found, own


def _with_own_seating(limits: Limits, found: Repeatability) -> Limits | None:
    if not math.isfinite(found.seating_u_mm):
        return None
    source = f"repeatability of {found.scans} scans, {found.pairs} pairs"
    return dataclasses.replace(
        limits,
        seating_u_mm=round(found.seating_u_mm, 4),
        certainty={**limits.certainty, "scan.seating_u_mm": source},
    )
