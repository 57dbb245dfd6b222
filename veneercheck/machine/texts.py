"""Small texts from outside: one reader for case files, profiles and lists; words of any bytes."""

from __future__ import annotations

import os
import stat
from pathlib import Path

from veneercheck.core.errors import ProfileError, Told

LONGEST_BYTES = 1_000_000
"""A list of ten thousand cases is shorter; beyond it, it is some other file."""


def writable(text: str) -> str:
    """Words from the command line or a file's name, with bytes that are no text spelt out.

    Examples
    --------
    >>> writable("M" + chr(0xDCFF) + "ller")
    'M\\\\xffller'
    """
    return os.fsencode(text).decode("utf-8", "backslashreplace")


_CHECK_PATH = Told("Check the path and its permissions.")


def small_text(path: Path, *, next_step: str = _CHECK_PATH) -> str:
    """Read a text in UTF-8 whole, from a regular file of a megabyte at most.

    Parameters
    ----------
    path : Path
    next_step : str
        What to do where nothing can be read.

    Raises
    ------
    ProfileError
        If there is no such file, or it is a device, a pipe, too long, or no text.

    Examples
    --------
    >>> small_text(Path("/dev/null"))
    Traceback (most recent call last):
        ...
    veneercheck.core.errors.ProfileError: /dev/null: is no regular file. Give a text file.
    """
    try:
        data = _at_most(path)
    except FileNotFoundError:
        raise ProfileError("no such file.", where=str(path), next_step=next_step) from None
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else Told("no possible file name")
        raise ProfileError(
            Told("cannot be read ({why}).", why=reason or error),
            where=str(path),
            next_step=next_step,
        ) from None
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise ProfileError(
            "is not text in UTF-8.", where=path.name, next_step="Save it as UTF-8 text."
        ) from None


def _at_most(path: Path) -> bytes:
    # Not blocking: opening a pipe that nobody writes to would wait for ever.
    flags = os.O_RDONLY | getattr(os, "O_BINARY", 0) | getattr(os, "O_NONBLOCK", 0)
    handle = os.open(path, flags)
    with os.fdopen(handle, "rb") as file:
        kind = os.fstat(handle).st_mode
        if not stat.S_ISREG(kind) and not stat.S_ISDIR(kind):
            raise ProfileError(
                "is no regular file.", where=str(path), next_step="Give a text file."
            )
        data = file.read(LONGEST_BYTES + 1)
    if len(data) > LONGEST_BYTES:
        raise ProfileError(
            Told("is longer than {longest_bytes:,} kB.", longest_bytes=LONGEST_BYTES // 1000),
            where=str(path),
            next_step="Give a text file; a long list may be cut into several.",
        )
    return data


_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
"""A spreadsheet would compute a text cell that begins with one of these."""


def no_formula(value: object) -> object:
    """A cell of a table for a spreadsheet; None is an empty one.

    Examples
    --------
    >>> no_formula("=1+1"), no_formula(-1.5)
    ("'=1+1", -1.5)
    """
    if isinstance(value, str) and value.startswith(_FORMULA_STARTS):
        return f"'{value}"
    return "" if value is None else value
