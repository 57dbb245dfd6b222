"""What several commands ask for, each in one place: languages, units, paper, limits, stage."""

from __future__ import annotations

import enum
from typing import Annotated

import typer


class Lang(enum.StrEnum):
    """Languages of pictures, pages and summary."""

    EN = "en"
    DE = "de"


class Unit(enum.StrEnum):
    """Units that a scan may be saved in."""

    MM = "mm"
    CM = "cm"
    M = "m"
    UM = "um"
    INCH = "inch"
    FOOT = "ft"


class Paper(enum.StrEnum):
    """Sizes of the printed report."""

    A4 = "a4"
    US_LETTER = "us-letter"


Profile = Annotated[
    str | None, typer.Option(help="Limits: a built-in name, or the path of a TOML file.")
]
UnitOption = Annotated[
    Unit | None, typer.Option("--unit", help="Unit of the files where they do not say.")
]
Stage = Annotated[
    str | None,
    typer.Option("--stage", help="Stage of the work: wax, cast, opaqued, dentine, finished."),
]
NoReport = Annotated[bool, typer.Option("--no-report", help="Numbers only: no pictures, no pages.")]
LangOption = Annotated[
    Lang, typer.Option("--lang", help="Language of pictures, pages and summary.", show_choices=True)
]
PaperOption = Annotated[Paper, typer.Option("--paper", help="Size of the printed report.")]
Who = Annotated[str | None, typer.Option("--who", help="Initials of who checks, for the record.")]


def say(words: str) -> None:
    """Tell what is being done, beside what is asked for."""
    typer.echo(f"· {words}", err=True)
