"""The commands that check two scans: check, and demo with a bridge that is made for it."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from veneercheck.case.exits import Exit, code_of
from veneercheck.cli.options import (
    FiledIn,
    Lang,
    LangOption,
    NoReport,
    Out,
    Paper,
    PaperOption,
    Profile,
    Stage,
    Steps,
    UnitOption,
    Verbose,
    Who,
    tell,
    warn_of_names,
)
from veneercheck.cli.register import open_register
from veneercheck.core.errors import Told

if TYPE_CHECKING:
    from veneercheck.case.order import Order
    from veneercheck.core.types import Outcome


def check_command(
    framework: Annotated[
        Path | None, typer.Argument(help="Scan of the cut-back framework.")
    ] = None,
    waxup: Annotated[Path | None, typer.Argument(help="Scan of the full-contour wax-up.")] = None,
    out: Out = Path("check"),
    profile: Profile = None,
    case: Annotated[
        Path | None, typer.Option(help="Case file (TOML); it may also name the two scans.")
    ] = None,
    unit: UnitOption = None,
    aligned: Annotated[
        bool,
        typer.Option(
            "--aligned",
            help="The two scans share one frame: the uncut surface says if it is true.",
        ),
    ] = False,
    reference: Annotated[
        Path | None,
        typer.Option(
            help="Copy of the framework (PLY), painted green where it was left uncut: the fit "
            "rests on nothing else. Blue: to be veneered; black: left out; over the case's own."
        ),
    ] = None,
    stage: Stage = None,
    earlier: Annotated[
        Path | None,
        typer.Option(
            help="Folder of an earlier result of the same wax-up file: tells what was corrected, "
            "is new, better or worse, and how far the surface moved."
        ),
    ] = None,
    no_report: NoReport = False,
    lang: LangOption = Lang.EN,
    paper: PaperOption = Paper.A4,
    register: FiledIn = None,
    who: Who = None,
    verbose: Verbose = False,
    scanner: Annotated[
        str | None, typer.Option(help="The scanner, as it is on record; needs --register.")
    ] = None,
    plan: Annotated[
        Path | None,
        typer.Option("--plan", help="Folder of the plan: how far the cut is from it."),
    ] = None,
) -> None:
    """Check two scans: where is the veneer too thin, too thick or over contour?"""
    from veneercheck.case.order import Order
    from veneercheck.case.run import carry_out

    order = Order(
        framework,
        waxup,
        case,
        profile,
        None if unit is None else unit.value,
        aligned,
        stage=stage,
        earlier=earlier,
        reference=reference,
        scanner=scanner,
        plan=plan,
    )
    if scanner is not None and register is None:
        raise typer.BadParameter("a scanner is looked up in the register: give --register")
    if register is not None:
        _check_on_record(
            order, out, register, who,
            with_report=not no_report, lang=lang, paper=paper, verbose=verbose,
        )  # fmt: skip
    with Steps(lang) as steps:
        outcome = carry_out(
            order,
            out=out,
            with_report=not no_report,
            lang=lang.value,
            paper=paper.value,
            say=steps,
            known=lambda found: _tell(found, lang, steps, verbose=verbose),
        )
    _tell_compared(out, lang)
    _finish(outcome, out, with_report=not no_report, lang=lang)


def demo_command(
    out: Out = Path("demo"),
    lang: LangOption = Lang.EN,
    paper: PaperOption = Paper.A4,
    verbose: Verbose = False,
) -> None:
    """Write the sample bridge, check it, and say where the report lies."""
    from veneercheck.case.run import carry_out, write_sample

    with Steps(lang) as steps:
        steps("making the sample bridge")
        order = write_sample(out)
        outcome = carry_out(
            order,
            out=out / "check",
            lang=lang.value,
            paper=paper.value,
            say=steps,
            known=lambda found: _tell(found, lang, steps, verbose=verbose),
        )
    planted = _exit_code(outcome) is Exit.FINDINGS
    code = Exit.NO_FINDINGS if planted else None
    _finish(outcome, out / "check", with_report=True, lang=lang, code=code)


def _check_on_record(
    order: Order,
    store: Path,
    place: str,
    who: str | None,
    *,
    with_report: bool,
    lang: Lang,
    paper: Paper,
    verbose: bool,
) -> None:
    """Check into a folder of the case's own, enter it, tell it, and leave."""
    from veneercheck.case.order import look_at_scans, settle
    from veneercheck.record.filing import check_on_record, initials
    from veneercheck.report.counted import as_it_counts
    from veneercheck.report.terminal import terminal_summary

    if who:
        initials(who)
    work = settle(order)
    look_at_scans(work)  # before a register is made for what is not there
    with open_register(place, create=True) as register:
        made, entry = check_on_record(
            register,
            work,
            store,
            who=who,
            with_report=with_report,
            lang=lang.value,
            paper=paper.value,
            say=Steps(lang),
        )
    result = as_it_counts(entry.body["result"], entry.body.get("standing"))
    tell(terminal_summary(result, lang.value, verbose=verbose))
    warn_of_names(entry.body["result"], lang)
    _tell_compared(made.folder, lang)
    tell(
        Told("On record: {folder}", folder=made.folder)
        if made.fresh
        else Told("Was made already: {folder}", folder=made.folder)
    )
    raise typer.Exit(code_of(result))


def _tell_compared(folder: Path, lang: Lang) -> None:
    """How far the cut is from its plan, where it was compared with one."""
    from veneercheck.report.filed import COMPARED

    if not (folder / COMPARED).exists():
        return
    from veneercheck.report.plan_compare import compared_words

    if told := compared_words(folder, lang.value):
        tell(told)


def _finish(
    outcome: Outcome, out: Path, *, with_report: bool, lang: Lang, code: Exit | None = None
) -> None:
    """Say where the outcome lies, and leave with its exit code."""
    from veneercheck.report import document
    from veneercheck.report.words import Words

    warn_of_names(document(outcome), lang)
    name = Words(lang.value)("terminal.report" if with_report else "terminal.result")
    tell(f"{name}: {out / ('report.html' if with_report else 'result.json')}")
    raise typer.Exit(_exit_code(outcome) if code is None else code)


_PICTURES = 9
"""Six views, the amounts, the page and the papers; each zone adds one."""


def _tell(outcome: Outcome, lang: Lang, steps: Steps, *, verbose: bool) -> None:
    """Tell the outcome as soon as it is known: its pictures take as long again."""
    from veneercheck.report import document
    from veneercheck.report.terminal import terminal_summary

    tell(terminal_summary(document(outcome), lang.value, verbose=verbose))
    sys.stdout.flush()
    steps.begin(_PICTURES + len(outcome.check.zones))


def _exit_code(outcome: Outcome) -> Exit:
    from veneercheck.report import document

    return code_of(document(outcome))
