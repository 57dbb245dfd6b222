"""The command line: words in, one use of the workflow, a summary and an exit code out."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
import typer.core

from veneercheck.case.exits import Exit, code_of
from veneercheck.cli.batch import batch_command, watch_command
from veneercheck.cli.options import (
    Lang,
    LangOption,
    NoReport,
    Paper,
    PaperOption,
    Profile,
    Stage,
    Steps,
    UnitOption,
    Verbose,
    Who,
    say,
    tell,
    warn_of_names,
)
from veneercheck.cli.people import app as people_app
from veneercheck.cli.plan import plan_command
from veneercheck.cli.records import app as records_app
from veneercheck.cli.register import open_register
from veneercheck.cli.signing import KeysOption, PhraseOption, file_figures
from veneercheck.cli.standing import limits_app, scanners_app
from veneercheck.core.errors import VeneerCheckError

if TYPE_CHECKING:
    from veneercheck.case.order import Order
    from veneercheck.core.types import Outcome


class Stopped(BaseException):
    """Somebody pressed Ctrl-C while a command ran; what is to be said of it may come along."""


class _Commands(typer.core.TyperGroup):
    """Commands that can be stopped: the library beneath would end them without a word."""

    def invoke(self, ctx: Any) -> Any:
        try:
            return super().invoke(ctx)
        except KeyboardInterrupt as stop:
            raise Stopped(*stop.args) from None


app = typer.Typer(
    cls=_Commands,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    no_args_is_help=True,
    help=(
        "Checks the room for veneering composite between a cut-back framework and its wax-up, "
        "before investing and casting. An aid: the instructions for use of the material and "
        "local rules come first, and the decision is the licensed person's."
    ),
    epilog=(
        "Exit codes: 0 no findings, 1 findings, 2 wrong use, 3 scan or profile refused, "
        "4 undecided or alignment not trusted, 5 fault of the program, 130 stopped with Ctrl-C."
    ),
)
profiles_app = typer.Typer(
    rich_markup_mode=None, no_args_is_help=True, help="List, show or check profiles of limits."
)
app.add_typer(profiles_app, name="profiles")
app.add_typer(records_app, name="records")
app.add_typer(people_app, name="people")
app.add_typer(scanners_app, name="scanners")
app.add_typer(limits_app, name="limits")

Out = Annotated[Path, typer.Option(help="Folder for the result and the report.")]
Folder = Annotated[Path, typer.Argument(help="Folder that holds a result.json.")]


def _tell_version(wanted: bool) -> None:
    if wanted:
        from veneercheck import __version__

        tell(f"veneercheck {__version__}")
        raise typer.Exit


@app.callback()
def program(
    version: Annotated[
        bool,
        typer.Option(
            "--version", callback=_tell_version, is_eager=True, help="Say the version, and end."
        ),
    ] = False,
) -> None:
    """What holds for every command."""


FiledIn = Annotated[
    str | None, typer.Option("--register", help="Put the figures on record here, too.")
]


@app.command("check", epilog="Example: veneercheck check framework.stl waxup.stl --out check")
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
    register: Annotated[
        str | None,
        typer.Option(
            envvar="VENEERCHECK_REGISTER",
            help="Put the check on record here: a file, or postgresql://user@host/name; --out then "
            "holds a folder for each case.",
        ),
    ] = None,
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


@app.command("demo", epilog="Example: veneercheck demo --lang de")
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


@app.command("report", epilog="Example: veneercheck report check --lang de --paper us-letter")
def report_command(
    folder: Folder,
    lang: LangOption = Lang.EN,
    paper: PaperOption = Paper.A4,
) -> None:
    """Draw the report of a result anew."""
    from veneercheck.case.run import report_again

    report_again(folder, lang=lang.value, paper=paper.value, say=say)
    tell(f"Report: {folder / 'report.html'}")


@app.command("compare", epilog="Example: veneercheck compare first second --out difference")
def compare_command(
    earlier: Folder,
    later: Annotated[Path, typer.Argument(help="Folder of the later result.", show_default=False)],
    out: Out = Path(),
    lang: LangOption = Lang.EN,
) -> None:
    """Lay two results of the same wax-up side by side: linked maps, what changed."""
    from veneercheck.case.run import compare_results

    path, told = compare_results(earlier, later, out=out, lang=lang.value)
    tell(told)
    tell(f"Page: {path}")


@app.command("view", epilog="Example: veneercheck view check")
def view_command(folder: Folder, lang: LangOption = Lang.EN) -> None:
    """Turn the map of a result in a window of its own (extra [view])."""
    from veneercheck.case.run import view

    view(folder, lang=lang.value)


@app.command("fields", epilog="Example: veneercheck fields --schema")
def fields_command(
    schema: Annotated[bool, typer.Option("--schema", help="As JSON Schema (2020-12).")] = False,
) -> None:
    """Print every field of result.json with its kind and meaning."""
    from veneercheck.report import fields_page, result_schema

    if schema:
        import json

        tell(json.dumps(result_schema(), indent=1, ensure_ascii=False))
    else:
        tell(fields_page())


@app.command("verify", epilog="Example: veneercheck verify --out verified.json")
def verify_command(
    out: Annotated[Path | None, typer.Option(help="File (JSON) to keep the figures in.")] = None,
    register: FiledIn = None,
    who: Who = None,
    keys: KeysOption = None,
    phrase_file: PhraseOption = None,
) -> None:
    """Measure bodies with known answers on this machine; repeat at intervals and file it."""
    from veneercheck.phantom.verify import verify, words

    result = verify(say=say)
    tell(words(result))
    if out is not None:
        import json

        from veneercheck.case.folders import write_text

        write_text(out, json.dumps(result.as_dict(), indent=1, ensure_ascii=False) + "\n")
        tell(f"Filed: {out}")
    if register is not None:
        figures = {"figures": result.as_dict()}
        entry = file_figures(register, "verification", figures, who, keys, phrase_file)
        tell(f"On record: entry {entry.seq}, {entry.hash}")
    raise typer.Exit(Exit.NO_FINDINGS if result.holds else Exit.FINDINGS)


app.command("plan", epilog="Example: veneercheck plan waxup.stl --case case.toml --out plan")(
    plan_command
)
app.command("batch", epilog="Example: veneercheck batch cases.csv --out cases")(batch_command)
app.command("watch", epilog="Example: veneercheck watch export --out cases")(watch_command)


@app.command("bench", epilog="Example: veneercheck bench --folder my-checks")
def bench_command(
    folder: Annotated[Path, typer.Option(help="Where checks and own limits are kept.")] = Path(
        "veneercheck-bench"
    ),
    port: Annotated[int, typer.Option(help="Port of the page; 0 for one that is free.")] = 0,
    host: Annotated[
        str,
        typer.Option(
            help="Another address than this computer's own; needs --password-file, --cert, --key."
        ),
    ] = "127.0.0.1",
    password_file: Annotated[
        Path | None,
        typer.Option(help="File that holds the password, for other computers and tablets."),
    ] = None,
    cert: Annotated[Path | None, typer.Option(help="TLS certificate (PEM).")] = None,
    key: Annotated[Path | None, typer.Option(help="Its private key (PEM).")] = None,
    register: Annotated[
        str | None,
        typer.Option(
            envvar="VENEERCHECK_REGISTER",
            help="Register in which the page finds, files and decides: a file or a database.",
        ),
    ] = None,
    keys: KeysOption = None,
    no_browser: Annotated[bool, typer.Option("--no-browser", help="Only say the address.")] = False,
) -> None:
    """Open the bench page: drop two scans, read the answer (extra [bench])."""
    from veneercheck.bench import Address, serve

    address = Address(host, port, password_file, cert, key)
    if register is not None:
        open_register(register).close()  # one that cannot be opened is refused at once
    serve(folder, address, say=tell, browser=not no_browser, register=register, keys=keys)


@app.command(
    "repeatability", epilog="Example: veneercheck repeatability a.stl b.stl c.stl --out own.toml"
)
def repeatability_command(
    scans: Annotated[
        list[Path],
        typer.Argument(help="Two scans or more of one body, taken off and seated in between."),
    ],
    aligned: Annotated[
        bool, typer.Option("--aligned", help="The scanner keeps one frame: the shift is seating.")
    ] = False,
    profile: Profile = None,
    unit: UnitOption = None,
    out: Annotated[
        Path | None, typer.Option(help="Profile (TOML) to write, with what was measured.")
    ] = None,
    scanner: Annotated[
        str | None, typer.Option(help="The scanner, as it is on record; for --register.")
    ] = None,
    register: FiledIn = None,
    who: Who = None,
    keys: KeysOption = None,
    phrase_file: PhraseOption = None,
) -> None:
    """Measure your own noise, seating and distortion from repeated scans."""
    from veneercheck.case.repeat import repeated

    found, limits = repeated(
        scans,
        profile=profile,
        unit=None if unit is None else unit.value,
        shared_frame=aligned,
        out=out,
        say=say,
    )
    tell("\n".join(found.words()))
    if out is not None and limits is not None:
        tell(f"Profile: {out} (seating_u_mm = {limits.seating_u_mm:g})")
    if register is not None:
        figures = {"scanner": scanner or "", "scans": found.scans, "words": found.words()}
        seating = None if limits is None else limits.seating_u_mm
        figures |= {"seating_u_mm": seating}
        entry = file_figures(register, "repeatability", figures, who, keys, phrase_file)
        tell(f"On record: entry {entry.seq}, {entry.hash}")


@profiles_app.command("list", epilog="Example: veneercheck profiles list")
def profiles_list() -> None:
    """Name the profiles that come with the program."""
    from veneercheck.profile import profile_names

    tell("\n".join(profile_names()))


@profiles_app.command("show", epilog="Example: veneercheck profiles show generic")
def profiles_show(
    profile: Annotated[str, typer.Argument(help="Name or path of a profile.")] = "generic",
) -> None:
    """Show a profile as TOML, each limit with where it comes from."""
    from veneercheck.profile import load_profile, profile_toml

    tell(profile_toml(load_profile(profile)), nl=False)


@profiles_app.command("check", epilog="Example: veneercheck profiles check own.toml")
def profiles_check(
    profile: Annotated[Path, typer.Argument(help="Path of a profile.")],
) -> None:
    """Say whether a profile can be used."""
    from veneercheck.profile import load_profile

    tell(f"{profile}: usable, named «{load_profile(profile).name}»")


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
    tell(f"{'On record' if made.fresh else 'Was made already'}: {made.folder}")
    raise typer.Exit(code_of(result))


def _tell_compared(folder: Path, lang: Lang) -> None:
    """How far the cut is from its plan, where it was compared with one."""
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


_THREADS = ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")
"""How the libraries beneath numpy are told how many threads to use, before they are loaded."""


def main() -> None:
    """Run the program; no traceback reaches a user."""
    # A long sum that is split over threads has other last digits on another number of cores, and
    # a record must be repeated to the last one; at our sizes a single thread is faster too.
    os.environ.update(dict.fromkeys(_THREADS, "1"))
    for stream in (sys.stdout, sys.stderr):
        reconfigure: Callable[..., Any] | None = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="replace")
    try:
        app()
    except VeneerCheckError as refusal:
        tell(f"veneercheck: {refusal}", err=True)
        sys.exit(Exit.REFUSED)
    except (Stopped, KeyboardInterrupt) as stop:
        _end_stopped(str(stop))
    except SystemExit as left:
        if left.code == Exit.STOPPED:  # while the words of the command were being read
            _end_stopped("")
        raise
    except Exception as fault:  # the last net: the user is told, the details are kept
        _tell_fault(fault)
        sys.exit(Exit.PROGRAM_FAULT)


def _end_stopped(told: str) -> None:
    """Say so in one line, and let nothing more that is pressed come between."""
    import signal

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    tell(f"veneercheck: stopped; {told or 'nothing half-written was left'}.", err=True)
    sys.exit(Exit.STOPPED)


def _tell_fault(fault: Exception) -> None:
    import tempfile
    import traceback

    with tempfile.NamedTemporaryFile(
        "w", prefix="veneercheck-fault-", suffix=".txt", delete=False, encoding="utf-8"
    ) as file:
        file.write("".join(traceback.format_exception(fault)))
    tell(
        f"veneercheck: a fault of the program itself ({type(fault).__name__}: {fault}). "
        f"Nothing was decided. Send {file.name} to whoever maintains your copy; it holds file "
        "names, but no scan.",
        err=True,
    )


if __name__ == "__main__":
    main()
