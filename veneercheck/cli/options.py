"""What several commands ask for, each in one place: languages, units, paper, limits, stage."""

from __future__ import annotations

import enum
import re
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
import typer.core

from veneercheck.core.errors import Told

if TYPE_CHECKING:
    from rich.progress import Progress


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


Out = Annotated[Path, typer.Option(help="Folder for the result and the report.")]
Profile = Annotated[
    str | None, typer.Option(help="Limits: a built-in name, or the path of a TOML file.")
]
UnitOption = Annotated[
    Unit | None, typer.Option("--unit", help="Unit of the files where they do not say.")
]
Stage = Annotated[
    str | None,
    typer.Option(
        "--stage",
        help="Stage of the work: wax, cast, opaqued, dentine, finished (the metal's scan, then the "
        "finished veneer's); over the case file's.",
    ),
]
NoReport = Annotated[bool, typer.Option("--no-report", help="Numbers only: no pictures, no pages.")]


class Spoken:
    """The language that the running command was asked to speak: a refusal leaves it behind."""

    lang = Lang.EN


def _speak(lang: Lang) -> Lang:
    Spoken.lang = lang
    return lang


def lang_option(help_: str) -> Any:
    """What asks for a language; refusals follow it."""
    return typer.Option("--lang", help=help_, show_choices=True, is_eager=True, callback=_speak)


class Speaking(typer.core.TyperGroup):
    """Commands of which each can be asked for a language, also those that draw nothing in it."""

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        command = super().get_command(ctx, cmd_name)
        if command is None or isinstance(command, typer.core.TyperGroup):
            return command
        if all("--lang" not in one.opts for one in command.params):
            command.params.append(
                typer.core.TyperOption(
                    param_decls=["--lang"],
                    type=str,
                    default=Lang.EN.value,
                    expose_value=False,
                    callback=_asked_to_speak,
                    is_eager=True,
                    help="Language of what is told: en or de.",
                )
            )
        return command


def _asked_to_speak(_: Any, __: Any, lang: str) -> None:
    if lang not in set(Lang):
        raise typer.BadParameter("known are: " + ", ".join(Lang), param_hint="--lang")
    Spoken.lang = Lang(lang)


LangOption = Annotated[Lang, lang_option("Language of pictures, pages and summary.")]
PaperOption = Annotated[Paper, typer.Option("--paper", help="Size of the printed report.")]
Verbose = Annotated[
    bool,
    typer.Option(
        "--verbose", help="Tell every remark on the meshes, not only one line for each scan."
    ),
]
FiledIn = Annotated[
    str | None,
    typer.Option(
        "--register",
        envvar="VENEERCHECK_REGISTER",
        help="Put it on record here: a file, or postgresql://user@host/name; --out then holds a "
        "folder for each case.",
    ),
]
Who = Annotated[str | None, typer.Option("--who", help="Initials of who checks, for the record.")]


_COMMANDS_A_TERMINAL = re.compile(r"[^\n\t -~\xa0-\U0010ffff]|[\u202a-\u202e\u2066-\u2069]")
"""Control signs but for line and tab, and those that turn the direction of writing: a name that
holds them would colour, erase or reverse what stands around it."""

_IN_THEIR_PLACE = "\N{REPLACEMENT CHARACTER}"


def spoken(sentence: str) -> str:
    """A sentence in the language that was asked for."""
    if Spoken.lang is Lang.EN:
        return sentence
    from veneercheck.report.refused import said
    from veneercheck.report.words import Words

    return said(sentence, Words("de"))


def tell(words: object = "", *, err: bool = False, nl: bool = True) -> None:
    """Write words to the terminal in the language asked for; whatever they hold, it stays words."""
    if isinstance(words, Told):
        words = spoken(words)
    typer.echo(_COMMANDS_A_TERMINAL.sub(_IN_THEIR_PLACE, str(words)), err=err, nl=nl)


def say(words: str) -> None:
    """Tell what is being done, beside what is asked for."""
    tell(f"· {spoken(words)}", err=True)


def warn_of_names(document: Mapping[str, Any], lang: str, *more: str | None) -> None:
    """Say where a case number, a scan's name or another word seems to be a person's."""
    from veneercheck.profile.names import looks_like_a_name
    from veneercheck.report.words import Words

    names = [
        document["case"]["number"],
        *(scan["file"] for scan in document["scans"].values() if scan),
    ]
    for name in dict.fromkeys([*names, *more]):
        if name and looks_like_a_name(name):
            tell(Words("de" if lang == "de" else "en")("terminal.patient", name=name), err=True)


class Steps:
    """Tells each step in a line; while pictures are drawn and somebody watches, as a bar."""

    def __init__(self, lang: str = "en") -> None:
        self._bar: Progress | None = None
        self._lang = lang

    def __call__(self, words: str) -> None:
        """Tell a step, in the language of the report."""
        if self._lang == "de":
            from veneercheck.report.words import Words

            words = Words("de").known("steps", words)
        if self._bar is None:
            say(words)
        else:
            told = _COMMANDS_A_TERMINAL.sub(_IN_THEIR_PLACE, words)
            self._bar.update(self._bar.task_ids[0], advance=1, description=told)

    def begin(self, count: int) -> None:
        """From here on so many steps follow."""
        if sys.stderr.isatty():
            from rich.console import Console
            from rich.progress import Progress

            self._bar = Progress(console=Console(stderr=True), transient=True)
            self._bar.add_task("", total=count)
            self._bar.start()

    def __enter__(self) -> Steps:
        return self

    def __exit__(self, *_: object) -> None:
        """Take the bar away, whatever ended the steps."""
        if self._bar is not None:
            self._bar.stop()
            self._bar = None
