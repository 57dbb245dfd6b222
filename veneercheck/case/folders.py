"""Files and folders that are written whole or not at all."""

from __future__ import annotations

import contextlib
import json
import tempfile
from collections.abc import Iterator
from pathlib import Path

from veneercheck.core.errors import RecordError, Told
from veneercheck.machine.aside import put

ORDER, PLAN_ORDER = "order.json", "plan_order.json"
"""What a check, or a plan, rests on; where the first lies, the folder is a finished case."""


@contextlib.contextmanager
def folder_for(out: Path | None) -> Iterator[None]:
    """A folder that can be written; one made for a check that is refused goes away again."""
    if out is None:
        yield
        return
    made = [place for place in (out, *out.parents) if not place.exists()]
    try:
        usable_folder(out)
        yield
    except BaseException:
        with contextlib.suppress(OSError):  # what holds something stays
            for place in made:
                place.rmdir()
        raise


@contextlib.contextmanager
def written_whole(out: Path) -> Iterator[None]:
    """A result is written into a folder: all of it, or nothing, nor anything of an earlier one.

    An earlier result goes first, so that no old page ever stands beside new numbers.
    """
    from veneercheck import report

    try:
        report.clear(out)
        yield
    except OSError as error:
        report.clear(out)
        raise unwritable(out, error) from None
    except KeyboardInterrupt:
        report.clear(out)
        raise


def unwritable(place: Path, error: OSError) -> RecordError:
    """What hindered the writing, and what to do about it."""
    return RecordError(
        Told("cannot be written ({why}).", why=error.strerror or error),
        where=str(place),
        next_step="Check the free space and the permissions; nothing half-written was left.",
    )


def refuse_case_folder(out: Path) -> None:
    """A finished case keeps its files: another check must not be written over them."""
    if (out / ORDER).exists():
        raise RecordError(
            "a finished case lies there, and its files must stay as they are.",
            where=str(out),
            next_step="Choose another folder with --out.",
        )


def is_finished(folder: Path) -> bool:
    """Whether a finished check lies in a case folder; one that is not whole is refused.

    An empty folder holds nothing that could be lost: the check is made into its place.
    """
    if not folder.is_dir() or not any(folder.iterdir()):
        return False
    look_whole(folder)
    return True


def look_whole(folder: Path) -> None:
    """Refuse a case folder in which something of the check is missing or cannot be read."""
    from veneercheck import report

    try:
        order = json.loads((folder / ORDER).read_text(encoding="utf-8"))
        names = [Path(scan["place"]) for scan in order["scans"].values()]
        names = [name for name in names if not name.is_absolute()] + [Path(report.ZONES)]
        missing = [name for name in names if not (folder / name).is_file()]
        report.read_result(folder)
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise _not_whole(folder, str(error)) from None
    except RecordError as error:
        raise _not_whole(folder, f"{Path(error.where).name}: {error.what}") from None
    if missing:
        raise _not_whole(folder, f"{missing[0]} is missing")


def _not_whole(folder: Path, why: str) -> RecordError:
    return RecordError(
        Told("the finished check in it is not whole ({why}).", why=why.rstrip(".")),
        where=str(folder),
        next_step="Bring the folder back as it was, or move it elsewhere and check anew.",
    )


def usable_folder(folder: Path) -> None:
    """Refuse a folder that cannot be written before any work is done."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            pass
    except OSError as error:
        raise RecordError(
            Told("nothing can be written there ({why}).", why=error.strerror or error),
            where=str(folder),
            next_step="Choose another folder with --out.",
        ) from None


def write_text(path: Path, text: str) -> None:
    """Write a text file aside, then rename it into place."""
    write_bytes(path, text.encode())


def write_bytes(path: Path, content: bytes) -> Path:
    """Write a file aside, then rename it into place."""
    try:
        return put(path, [content])
    except OSError as error:
        raise unwritable(path, error) from None
