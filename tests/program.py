"""The command line in this process: to start an interpreter anew costs as much as a small check.

What only a process of its own can show (how it is started, stopped or killed) is tried with one.
"""

from __future__ import annotations

import contextlib
import dataclasses
import io
import sys
from pathlib import Path
from unittest import mock

from veneercheck.cli import main as cli


@dataclasses.dataclass(frozen=True)
class Run:
    """How one run of the program ended, what it said, and what it told beside that."""

    code: int
    said: str
    told: str


def run(*words: str | Path, folder: Path) -> Run:
    """Its very `main`, with the words that a shell would hand over, in the folder of that shell."""
    said, told = (io.TextIOWrapper(io.BytesIO(), "utf-8", write_through=True) for _ in range(2))
    code: object = 0
    with (
        contextlib.chdir(folder),
        mock.patch.object(sys, "argv", ["veneercheck", *map(str, words)]),
        contextlib.redirect_stdout(said),
        contextlib.redirect_stderr(told),
    ):
        try:
            cli.main()
        except SystemExit as left:
            code = left.code or 0
    assert isinstance(code, int)
    texts = [stream.buffer.getvalue().decode("utf-8") for stream in (said, told)]
    return Run(code, *texts)
