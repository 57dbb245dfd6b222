"""The checks on disk: one folder each, named by a number of ours; disk is the only memory.

What a user calls a file or a case is kept inside files, as text. No name from outside becomes a
path.

Notes
-----
The bench page keeps no state but the disk. A check must outlive a closed browser, a crash of its
own and a restart of the program. Choice: a folder a check with what was asked, its progress line by
line and its result; every check is a process of its own that only writes there. Instead of: a
database or threads. Cost: half a second to start each check.
"""

from __future__ import annotations

import dataclasses
import json
import os
import re
import secrets
import shutil
import time
from collections.abc import Iterator, Mapping
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import Any

from veneercheck.core.errors import RecordError, Told

SUFFIXES = (".stl", ".ply", ".obj", ".off", ".3mf", ".glb", ".gz")
"""Ends of file names that are kept, because a reader may ask for them; others get none."""

PAINTED_END = ".ply"
"""Of a framework that was painted on the page."""

_JOB = re.compile(r"\d{8}-\d{6}-[0-9a-f]{12}")
_SCAN = re.compile(r"[0-9a-f]{24}")
_LONGEST_NAME = 120
_KEPT_S = 2 * 3600.0
"""A scan that was dropped and not used for so long is removed."""

DOWNLOADS: Mapping[str, str] = {
    "report.html": "text/html; charset=utf-8",
    "compare.html": "text/html; charset=utf-8",
    "report.pdf": "application/pdf",
    "bench.pdf": "application/pdf",
    "contact.pdf": "application/pdf",
    "summary.png": "image/png",
    "amount.png": "image/png",
    "result.json": "application/json",
    "zones.csv": "text/csv; charset=utf-8",
    "space.ply": "application/octet-stream",
    "contour.ply": "application/octet-stream",
    "die.ply": "application/octet-stream",
}
"""What of a check may be fetched."""

ENDS = ("done", "refused", "fault", "cancelled", "interrupted")
"""How a check may end; the last line of its progress names one of them."""


@dataclasses.dataclass(frozen=True, slots=True)
class Dropped:
    """A scan that was handed in and waits to be checked."""

    path: Path
    name: str


@dataclasses.dataclass(frozen=True, slots=True)
class Job:
    """One check's folder."""

    folder: Path

    @property
    def number(self) -> str:
        """Its own number, also the folder's name."""
        return self.folder.name

    @property
    def out(self) -> Path:
        """Where result and report lie."""
        return self.folder / "check"

    def order(self) -> dict[str, Any]:
        """What was asked."""
        found: dict[str, Any] = json.loads((self.folder / "order.json").read_text("utf-8"))
        return found

    def scan(self, role: str) -> Dropped:
        """One of its two scans."""
        told = self.order()[role]
        return Dropped(self.folder / told["file"], told["name"])

    @property
    def painted(self) -> Dropped | None:
        """The framework as it was painted, if it was."""
        return self.beside("painted")

    def beside(self, role: str) -> Dropped | None:
        """A scan that was handed in beside the two, if it was."""
        return self.scan(role) if role in self.order() else None

    def tell(self, **line: Any) -> None:
        """Add a line to its progress."""
        text = json.dumps({"at": time.time(), **line}, ensure_ascii=False) + "\n"
        before = self._told()
        with (self.folder / "progress.ndjson").open("a", encoding="utf-8") as file:
            file.write(text if before[-1:] in ("", "\n") else f"\n{text}")

    def progress(self) -> list[dict[str, Any]]:
        """All lines so far; one that is being written, or was cut off, is left out."""
        text = self._told()
        return list(_lines(text[: text.rfind("\n") + 1]))

    def _told(self) -> str:
        try:
            return (self.folder / "progress.ndjson").read_text("utf-8", errors="replace")
        except FileNotFoundError:
            return ""

    def end(self) -> dict[str, Any] | None:
        """How it ended, if it did."""
        lines = self.progress()
        return lines[-1] if lines and lines[-1].get("end") in ENDS else None

    def result(self) -> dict[str, Any] | None:
        """The filed result, if there is one; it is complete as soon as it stands there."""
        return self.written("result.json")

    def written(self, name: str) -> dict[str, Any] | None:
        """A document that was written, if it was."""
        try:
            found: dict[str, Any] = json.loads((self.out / name).read_text("utf-8"))
        except FileNotFoundError:
            return None
        return found


def _lines(text: str) -> Iterator[dict[str, Any]]:
    for line in text.split("\n"):
        with suppress(ValueError):  # whoever wrote it was killed meanwhile
            yield json.loads(line)


class Store:
    """The folder of all checks.

    Parameters
    ----------
    root : Path
        Created if missing, for its owner alone.

    Raises
    ------
    RecordError
        If nothing can be written there.
    """

    def __init__(self, root: Path) -> None:
        self.root = root
        self.incoming = root / ".incoming"
        try:
            self.incoming.mkdir(mode=0o700, parents=True, exist_ok=True)
            self.sweep(older_than_s=0.0)
        except OSError as error:
            raise RecordError(
                Told("nothing can be kept there ({why}).", why=error.strerror or error),
                where=str(root),
                next_step="Choose another folder with --folder.",
            ) from None

    def room_for(self, count: int) -> bool:
        """Whether so many bytes fit, with as much again for what a check writes."""
        return shutil.disk_usage(self.root).free > 2 * count

    def new_scan(self, name: str) -> tuple[str, Path]:
        """Number and path for a scan that is about to be written."""
        number = secrets.token_hex(12)
        text = json.dumps({"name": shown(name)}, ensure_ascii=False)
        (self.incoming / f"{number}.json").write_text(text, encoding="utf-8")
        return number, self.incoming / f"{number}.part"

    def keep_scan(self, number: str) -> None:
        """The scan is whole: from now on it can be checked."""
        (self.incoming / f"{number}.part").replace(self.incoming / f"{number}.scan")

    def drop_scan(self, number: str) -> None:
        """Remove what there is of a scan."""
        for end in ("part", "scan", "json"):
            (self.incoming / f"{number}.{end}").unlink(missing_ok=True)

    def dropped(self, number: object) -> Dropped | None:
        """A whole scan by its number."""
        if not (isinstance(number, str) and _SCAN.fullmatch(number)):
            return None
        path = self.incoming / f"{number}.scan"
        try:
            told = json.loads((self.incoming / f"{number}.json").read_text("utf-8"))
        except FileNotFoundError:  # removed meanwhile, as one that nobody checked
            return None
        return Dropped(path, told["name"]) if path.is_file() else None

    def sweep(self, older_than_s: float = _KEPT_S) -> None:
        """Remove scans that were handed in and never checked, and orders that were never filed."""
        line = time.time() - older_than_s
        for path in self.incoming.iterdir():
            with suppress(FileNotFoundError):  # somebody else was done with it meanwhile
                if path.stat().st_mtime >= line:
                    continue
                if path.is_dir():  # an order that was being filed when the program was killed
                    shutil.rmtree(path, ignore_errors=True)
                else:
                    path.unlink()

    def new_job(
        self, order: Mapping[str, Any], scans: Mapping[str, Dropped], texts: Mapping[str, str]
    ) -> Job:
        """File an order with its scans and text files; the scans stay where they were, too."""
        stamp = datetime.now().astimezone().strftime("%Y%m%d-%H%M%S")
        job = Job(self.root / f"{stamp}-{secrets.token_hex(6)}")
        aside = self.incoming / f"{job.number}.new"
        (aside / "scans").mkdir(parents=True)
        told = dict(order)
        for role, scan in scans.items():
            file = f"scans/{role}{suffix_of(scan.name)}"
            _same_file(scan.path, aside / file)
            told[role] = {"file": file, "name": scan.name}
        for name, text in texts.items():
            (aside / name).write_text(text, encoding="utf-8", newline="\n")
        text = json.dumps(told, ensure_ascii=False, indent=1)
        (aside / "order.json").write_text(text + "\n", encoding="utf-8")
        aside.replace(job.folder)
        return job

    def job(self, number: object) -> Job | None:
        """A check by its number."""
        if not (isinstance(number, str) and _JOB.fullmatch(number)):
            return None
        job = Job(self.root / number)
        return job if (job.folder / "order.json").is_file() else None

    def jobs(self) -> Iterator[Job]:
        """All checks, the newest first."""
        names = sorted((path.name for path in self.root.iterdir()), reverse=True)
        return (job for name in names if (job := self.job(name)) is not None)


def suffix_of(name: str) -> str:
    """The end of a file name, if it is one of those known."""
    found = Path(name).suffix.lower()
    return found if found in SUFFIXES else ""


def shown(name: str) -> str:
    """A name as it may be shown and filed: one line, no folder, not endless."""
    last = re.split(r"[\\/]", name)[-1]
    clean = "".join(c if c.isprintable() else " " for c in last).strip()
    if len(clean) > _LONGEST_NAME:
        end = suffix_of(clean)
        clean = clean[: _LONGEST_NAME - len(end) - 1] + "…" + end
    return clean or "scan"


def _same_file(source: Path, target: Path) -> None:
    """The same bytes under another name; a copy only where the disk knows no second name."""
    try:
        os.link(source, target)
    except OSError:
        shutil.copyfile(source, target)
