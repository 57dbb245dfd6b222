"""What makes a check the same: its order, the key that is the hash of it, the folder's name.

Everything but where the scans lie and what they are called: scans, case, limits and version.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from veneercheck import __version__
from veneercheck.case.against import look_at_plan
from veneercheck.case.order import Settled
from veneercheck.machine.texts import writable
from veneercheck.record.located import file_hashes

if TYPE_CHECKING:
    from veneercheck.core.types import Limits

EARLIER = "earlier"
EARLIER_FILES = ("result.json", "space.ply", "contour.ply")

PLANNED = "plan"
PLAN_FILES = ("plan.json", "target.ply")

ORDER_SCHEMA = "veneercheck order 1"

_KEY_IN_NAME = 12


def key_of(work: Settled) -> str:
    """What makes a check the same, before anything is copied."""
    from veneercheck.record import sha256_of_file

    there = {role: scan for role, scan in work.scans.items() if scan is not None}
    for scan in there.values():
        look_at_scan(scan)
    if work.plan is not None:
        look_at_plan(work.plan, work.waxup)
    hashes = {role: sha256_of_file(scan) for role, scan in there.items()}
    earlier = _hashes_of(work.earlier, EARLIER_FILES)
    beside = _with_plan(_hashes_of(work.plan, PLAN_FILES))
    return hash_of({**_settings(work), "scans": hashes, "earlier": earlier, **beside})


def _hashes_of(folder: Path | None, names: tuple[str, ...]) -> dict[str, str]:
    """SHA-256 of those files of a folder that are there."""
    from veneercheck.record import sha256_of_file

    if folder is None:
        return {}
    return {name: sha256_of_file(folder / name) for name in names if (folder / name).is_file()}


def _with_plan(hashes: Mapping[str, str]) -> dict[str, Any]:
    """What an order says of its plan: only where there is one, so that older keys stay."""
    return {"plan": dict(hashes)} if hashes else {}


def order_document(
    work: Settled,
    called: Mapping[str, str],
    used: Mapping[str, Path],
    hashes: Mapping[str, str],
    room: Path,
) -> dict[str, Any]:
    """What is asked for, and which scans it is asked of: by their hashes, places and names."""

    def place(scan: Path) -> str:
        inside = scan.is_relative_to(room)
        return scan.relative_to(room).as_posix() if inside else str(scan.absolute())

    return {
        **_settings(work),
        "scans": {
            role: {
                "sha256": hashes[role],
                "place": place(scan),
                "called": called.get(role, writable(scan.name)),
            }
            for role, scan in used.items()
        },
        "earlier": file_hashes(room / EARLIER) if (room / EARLIER).exists() else {},
        **_with_plan(_hashes_of(room / PLANNED, PLAN_FILES)),
    }


def key_of_order(order: Mapping[str, Any]) -> str:
    """What makes a check the same: everything but where its scans lie and what they are called."""
    scans = {role: scan["sha256"] for role, scan in order["scans"].items()}
    return hash_of({**order, "scans": scans})


def place_in(store: Path, work: Settled, key: str) -> Path:
    """The folder of a check, named after its case and its key."""
    return store / f"{slug(work.case.number)}-{key[:_KEY_IN_NAME]}"


def limits_kept(limits: Limits) -> dict[str, Any]:
    """Limits as they are written down; what is as ever is left out, so that keys stay."""
    from veneercheck.record.rebuild import kept

    found: dict[str, Any] = kept(limits)
    if not limits.calibration_needed:
        del found["calibration_needed"]
    if limits.density_g_cm3 is None:
        del found["density_g_cm3"]
    return found


def _settings(work: Settled) -> dict[str, Any]:
    """What an order says besides its files."""
    from veneercheck.record.rebuild import kept

    return {
        "schema": ORDER_SCHEMA,
        "version": __version__,
        "case": kept(work.case),
        "limits": limits_kept(work.limits),
        "unit": work.unit,
        "aligned": work.aligned,
        # Only where it is said, so that what is on record keeps its key.
        **({} if work.waxup_kind == "scan" else {"waxup_kind": work.waxup_kind}),
    }


def hash_of(document: Mapping[str, Any]) -> str:
    """SHA-256 of a document in its one canonical form."""
    from veneercheck.record import canonical, sha256_of

    return sha256_of(canonical(document))


def slug(number: str | None) -> str:
    """A case number as the start of a folder's name."""
    return re.sub(r"[^\w.-]+", "_", number or "").strip("._")[:60] or "case"


def look_at_scan(scan: Path) -> None:
    """Refuse a path that leads to no scan before it is hashed or copied."""
    from veneercheck.scan.intake import look_at
    from veneercheck.scan.limits import ReadCaps

    look_at(scan, ReadCaps())
