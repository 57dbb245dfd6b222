"""Files and folders that are written whole or not at all."""

from __future__ import annotations

import contextlib
import tempfile
from collections.abc import Iterator
from pathlib import Path

from veneercheck.core.errors import RecordError


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


def usable_folder(folder: Path) -> None:
    """Refuse a folder that cannot be written before any work is done."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            pass
    except OSError as error:
        raise RecordError(
            f"nothing can be written there ({error.strerror or error}).",
            where=str(folder),
            next_step="Choose another folder with --out.",
        ) from None


def write_text(path: Path, text: str) -> None:
    """Write a text file aside, then rename it into place."""
    aside = path.with_name(f".{path.name}.part")
    try:
        aside.write_text(text, encoding="utf-8", newline="\n")
        aside.replace(path)
    except OSError as error:
        aside.unlink(missing_ok=True)
        raise RecordError(
            f"cannot be written ({error.strerror or error}).",
            where=str(path),
            next_step="Check the free space and the permissions of the folder.",
        ) from None
