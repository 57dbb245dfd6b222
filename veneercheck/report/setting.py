"""The typesetter: what a sheet says in, a tagged PDF/A and PDF/UA out, the same bytes each time."""

from __future__ import annotations

import importlib.util
import json
from collections.abc import Mapping
from importlib import resources
from pathlib import Path
from typing import Any, Literal

from veneercheck.report.signs import plain

Standard = Literal["a-3a", "a-2a"]
"""PDF/A-3 may carry files of its own, PDF/A-2 none."""

_SUSPECTS = b"/Suspects false"


def can_print() -> bool:
    """Whether the typesetter is installed."""
    return importlib.util.find_spec("typst") is not None


def lay(room: Path, source: str) -> None:
    """Put the layout of a sheet where it is set."""
    layout = resources.files(__package__).joinpath("print", source)
    (room / source).write_bytes(layout.read_bytes())


def tell(room: Path, data: Mapping[str, Any]) -> None:
    """Put what a sheet says where it is set."""
    (room / "data.json").write_text(json.dumps(data, ensure_ascii=False), encoding="utf-8")


def set_whatever_it_says(
    room: Path, source: str, standard: Standard, data: Mapping[str, Any], fonts: list[Path]
) -> bytes:
    """Typeset; where signs that each can be drawn cannot stand together, without them.

    Parameters
    ----------
    room : Path
        Holds the layout `source`, `data.json` and the pictures.
    source : str
    standard : {"a-3a", "a-2a"}
        Besides, each sheet is PDF/UA-1.
    data : mapping
        As in `data.json`; its `moment` (s since 1970) is the PDF's own.
    fonts : list of Path
    """
    from typst import TypstError

    try:
        return _typeset(room, source, standard, data, fonts)
    except TypstError:
        tell(room, plain(data))
        return _typeset(room, source, standard, data, fonts[:1])


def _typeset(
    room: Path, source: str, standard: Standard, data: Mapping[str, Any], fonts: list[Path]
) -> bytes:
    from typst import compile as typeset

    made: bytes = typeset(
        str(room / source),
        root=str(room),
        font_paths=[str(folder) for folder in fonts],
        ignore_system_fonts=True,
        format="pdf",
        pdf_standards=[standard, "ua-1"],
        timestamp=data["moment"],
    )
    return _without_suspects(made)


def _without_suspects(made: bytes) -> bytes:
    """The same PDF without `/Suspects false`, blanks in its place so that every offset holds.

    The typesetter writes that entry, and may (ISO 32000-1, table 321: a boolean, false where it
    is missing); some versions of poppler, whose `pdfinfo` the user may ask, call every value but
    `true` a wrong type.
    """
    head, found, rest = made.partition(_SUSPECTS)
    return head + b" " * len(found) + rest
