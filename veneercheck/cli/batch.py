"""The commands for many cases: batch and watch."""

from __future__ import annotations

import dataclasses
import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from veneercheck.cli.options import (
    Lang,
    LangOption,
    NoReport,
    Paper,
    PaperOption,
    Profile,
    Stage,
    Unit,
    UnitOption,
    Who,
    say,
    tell,
)
from veneercheck.cli.register import register_kind
from veneercheck.core.errors import Told

if TYPE_CHECKING:
    from veneercheck.batch import Asked

Store = Annotated[Path, typer.Option("--out", help="Holds a folder for each case.")]
Aligned = Annotated[
    bool, typer.Option("--aligned", help="The two scans of every case share one frame.")
]
RegisterOption = Annotated[
    str | None,
    typer.Option(
        "--register",
        envvar="VENEERCHECK_REGISTER",
        help="Put every check on record here: a file (SQLite), or postgresql://user@host/name.",
    ),
]
ProcessesOption = Annotated[
    int | None,
    typer.Option(
        "--processes", min=1, help="Processes that check side by side; a batch takes one a core."
    ),
]


def batch_command(
    cases: Annotated[Path, typer.Argument(help="List of cases (TOML or CSV), or a folder.")],
    out: Store = Path("batch"),
    profile: Profile = None,
    unit: UnitOption = None,
    stage: Stage = None,
    aligned: Aligned = False,
    no_report: NoReport = False,
    lang: LangOption = Lang.EN,
    paper: PaperOption = Paper.A4,
    register: RegisterOption = None,
    who: Who = None,
    processes: ProcessesOption = None,
    again: Annotated[
        bool,
        typer.Option(
            "--again", help="The folder holds finished checks: repeat them, and tell what changed."
        ),
    ] = False,
    scheduler: Annotated[
        str | None,
        typer.Option(
            help="Address of a Dask scheduler, tcp://host:port: its workers check (extra [batch])."
        ),
    ] = None,
    cluster: Annotated[
        Path | None,
        typer.Option(
            help="File that says which cluster to start: here, over SSH, on Kubernetes "
            "(pydoc veneercheck.batch.start)."
        ),
    ] = None,
) -> None:
    """Check many cases; what is finished already is not done again."""
    from veneercheck.batch import check_many

    asked = _asked(out, profile, unit, stage, aligned, no_report, lang, paper, register, who)
    asked = dataclasses.replace(asked, again=again)
    summary = check_many(
        cases,
        asked,
        processes=processes or _cores(),
        scheduler=scheduler,
        cluster=cluster,
        say=say,
    )
    for line in summary.lines():
        tell(line)
    tell(Told("Summary: {path}", path=summary.path))
    raise typer.Exit(summary.code)


def watch_command(
    folder: Annotated[Path, typer.Argument(help="Folder that the scanner exports to.")],
    out: Store = Path("watched"),
    profile: Profile = None,
    unit: UnitOption = None,
    stage: Stage = None,
    aligned: Aligned = False,
    no_report: NoReport = False,
    lang: LangOption = Lang.EN,
    paper: PaperOption = Paper.A4,
    register: RegisterOption = None,
    who: Who = None,
    processes: ProcessesOption = 1,
    once: Annotated[
        bool, typer.Option("--once", help="Check what lies there now, then end.")
    ] = False,
    still: Annotated[
        float,
        typer.Option(
            min=0.05,
            help="Seconds that size and time of a file must stand still before it is read.",
        ),
    ] = 5.0,
) -> None:
    """Check what appears in a folder, until stopped with Ctrl-C (extra [batch])."""
    from veneercheck.batch import watch

    asked = _asked(out, profile, unit, stage, aligned, no_report, lang, paper, register, who)
    if not once:
        say(Told("watching {folder}; end with Ctrl-C", folder=folder))
    summary = watch(folder, asked, processes=processes or 1, once=once, still_s=still, say=say)
    for line in summary.lines():
        tell(line)
    raise typer.Exit(summary.code)


def _asked(
    out: Path,
    profile: str | None,
    unit: Unit | None,
    stage: str | None,
    aligned: bool,
    no_report: bool,
    lang: Lang,
    paper: Paper,
    register: str | None,
    who: str | None,
) -> Asked:
    from veneercheck.batch import Asked

    if register is not None:
        register_kind()  # made when the list has been read: a refused one leaves nothing
        register = register if "://" in register else str(Path(register).absolute())
    if profile is not None and profile.lower().endswith(".toml"):
        profile = str(Path(profile).absolute())
    return Asked(
        out.absolute(),
        profile,
        None if unit is None else unit.value,
        stage,
        aligned,
        not no_report,
        lang.value,
        paper.value,
        register,
        who,
    )


def _cores() -> int:
    """Cores that this process may use."""
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:
        return os.cpu_count() or 1
