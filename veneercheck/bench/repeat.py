"""Repeatability as a guided task: the command in a process of its own, its words on the page."""

from __future__ import annotations

import asyncio
import sys
import tempfile
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from veneercheck.bench import limits
from veneercheck.bench.store import Dropped, Store
from veneercheck.core.errors import ProfileError, Told

_MOST_SCANS = 6
_LONGEST_S = 900.0
_TELLING = 600
"""Characters of a refusal that are shown."""


def asked(store: Store, data: object) -> tuple[list[Dropped], bool, str]:
    """The scans, whether they share a frame, and the limits that learn from them.

    Raises
    ------
    ProfileError
        If fewer than two scans are there, or a field makes no sense.
    """
    given = data if isinstance(data, Mapping) else {}
    numbers = given.get("scans")
    numbers = numbers[: _MOST_SCANS + 1] if isinstance(numbers, list) else []
    scans = [scan for number in numbers if (scan := store.dropped(number)) is not None]
    if not 2 <= len(scans) <= _MOST_SCANS or len(scans) != len(numbers):
        raise ProfileError(
            Told("two to {most_scans} scans are needed.", most_scans=_MOST_SCANS),
            where="scans",
            next_step="Drop them anew.",
        )
    return scans, given.get("shared_frame") is True, limits.usable_name(given.get("name"))


async def measured(store: Store, data: object, lang: str) -> dict[str, Any]:
    """Measure repeated scans; where the seating shows, keep it as a new version of the limits."""
    scans, shared, name = asked(store, data)
    with tempfile.TemporaryDirectory(dir=store.incoming) as room:
        own = Path(room) / "own.toml"
        words = [str(scan.path) for scan in scans]
        if shared:
            words += ["--aligned", "--out", str(own)]
        told = await _command(["repeatability", *words, "--lang", lang])
        kept = None
        if own.exists():
            seating = tomllib.loads(own.read_text("utf-8"))["scan"]["seating_u_mm"]
            kept = limits.with_value(store, name, "scan.seating_u_mm", seating)
    return {"words": told, "kept": kept}


async def _command(words: list[str]) -> list[str]:
    """What the command says, line by line."""
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "veneercheck", *words,
        stdin=asyncio.subprocess.DEVNULL,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
    )  # fmt: skip
    try:
        out, err = await asyncio.wait_for(process.communicate(), _LONGEST_S)
    finally:
        if process.returncode is None:
            process.kill()
            await process.wait()
    if process.returncode:
        raise ProfileError(
            err.decode("utf-8", "replace").strip()[-_TELLING:],
            where="repeatability",
            next_step="Scan the same unchanged body again, on one plate.",
        )
    lines = out.decode("utf-8", "replace").splitlines()
    return [line for line in lines if line and not line.startswith("Profile:")]
