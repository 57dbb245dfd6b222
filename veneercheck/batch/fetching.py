"""Scans that lie at a URL: fetched to the disk for as long as they are checked."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import unquote, urlsplit

from veneercheck.core.errors import RecordError, ScanError


class UnreachableError(ScanError):
    """A scan could not be fetched just now; another attempt may succeed."""


def is_url(place: str) -> bool:
    """Whether a place is a URL, of a web server or an object store, and no path."""
    return "://" in place


@contextmanager
def on_disk(place: str) -> Iterator[Path]:
    """The file of a path, or a copy of what lies at a URL, under its own name.

    Raises
    ------
    UnreachableError
        If it cannot be fetched just now.
    ScanError
        If nothing lies there.
    RecordError
        If what reads such places is not installed.
    """
    if not is_url(place):
        yield Path(place)
        return
    with tempfile.TemporaryDirectory(prefix="veneercheck-") as folder:
        copy = Path(folder) / _name_of(place)
        _fetch(place, copy)
        yield copy


def _name_of(place: str) -> str:
    """The last part of a URL as a file's name, whatever else it says."""
    name = Path(unquote(urlsplit(place).path)).name
    return name if name not in ("", ".", "..") else "scan"


def _shown(place: str) -> str:
    """A URL without password, key or signature."""
    parts = urlsplit(place)
    return f"{parts.scheme}://{parts.netloc.rsplit('@', 1)[-1]}{parts.path}"


def _fetch(place: str, copy: Path) -> None:
    try:
        import fsspec

        with fsspec.open(place, "rb") as source, copy.open("wb") as target:
            shutil.copyfileobj(source, target)
    except ImportError as error:
        raise RecordError(
            f"such a place needs what is not installed ({error.name or error}).",
            where=_shown(place),
            next_step="Install 'veneercheck[batch]', and the file system's own package for fsspec.",
        ) from None
    except FileNotFoundError:
        raise ScanError(
            "nothing lies there.", where=_shown(place), next_step="Check the URL."
        ) from None
    except Exception as error:  # each file system raises errors of its own
        raise UnreachableError(
            f"cannot be fetched ({_kind(error)}).",
            where=_shown(place),
            next_step="Check the URL, the network and the rights to read it.",
        ) from None


def _kind(error: Exception) -> Any:
    """What went wrong; not its text, which may hold a signed URL."""
    return getattr(error, "strerror", None) or type(error).__name__
