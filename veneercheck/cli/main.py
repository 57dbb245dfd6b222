"""The command line: words in, one use of the workflow, a summary and an exit code out."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any

import typer
import typer.core

from veneercheck.case.exits import Exit
from veneercheck.cli.batch import batch_command, watch_command
from veneercheck.cli.check import check_command, demo_command
from veneercheck.cli.figures import repeatability_command, verify_command
from veneercheck.cli.options import Lang, Speaking, Spoken, tell
from veneercheck.cli.people import app as people_app
from veneercheck.cli.plan import plan_command
from veneercheck.cli.records import app as records_app
from veneercheck.cli.register import not_installed, open_register
from veneercheck.cli.results import (
    compare_command,
    fields_command,
    profiles_app,
    report_command,
    view_command,
)
from veneercheck.cli.signing import KeysOption
from veneercheck.cli.standing import limits_app, scanners_app
from veneercheck.core.errors import Told, VeneerCheckError


class Stopped(BaseException):
    """Somebody pressed Ctrl-C while a command ran; what is to be said of it may come along."""


class _Commands(Speaking):
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
app.add_typer(profiles_app, name="profiles", cls=Speaking)
app.add_typer(records_app, name="records", cls=Speaking)
app.add_typer(people_app, name="people", cls=Speaking)
app.add_typer(scanners_app, name="scanners", cls=Speaking)
app.add_typer(limits_app, name="limits", cls=Speaking)


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


_COMMANDS: tuple[tuple[str, Callable[..., None], str], ...] = (
    ("check", check_command, "check framework.stl waxup.stl --out check"),
    ("demo", demo_command, "demo --lang de"),
    ("report", report_command, "report check --lang de --paper us-letter"),
    ("compare", compare_command, "compare first second --out difference"),
    ("view", view_command, "view check"),
    ("fields", fields_command, "fields --schema"),
    ("verify", verify_command, "verify --out verified.json"),
    ("plan", plan_command, "plan waxup.stl --case case.toml --out plan"),
    ("batch", batch_command, "batch cases.csv --out cases"),
    ("watch", watch_command, "watch export --out cases"),
    ("bench", bench_command, "bench --folder my-checks"),
    ("repeatability", repeatability_command, "repeatability a.stl b.stl c.stl --out own.toml"),
)
"""Each command's name and an example of it, in the order in which help lists them."""

for _name, _command, _example in _COMMANDS:
    app.command(_name, epilog=f"Example: veneercheck {_example}")(_command)


_THREADS = ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")
"""How the libraries beneath numpy are told how many threads to use, before they are loaded."""


_OF_THE_RECORD = ("sqlalchemy", "alembic")
"""What the extra [record] brings and every part of it loads."""


def main() -> None:
    """Run the program; no traceback reaches a user."""
    # A long sum that is split over threads has other last digits on another number of cores, and
    # a record must be repeated to the last one; at our sizes a single thread is faster too.
    os.environ.update(dict.fromkeys(_THREADS, "1"))
    for stream in (sys.stdout, sys.stderr):
        reconfigure: Callable[..., Any] | None = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="replace")
    Spoken.lang = Lang.EN
    try:
        app()
    except VeneerCheckError as refusal:
        _tell_refusal(refusal)
        sys.exit(Exit.REFUSED)
    except (Stopped, KeyboardInterrupt) as stop:
        _end_stopped(stop.args[0] if stop.args else "")
    except SystemExit as left:
        if left.code == Exit.STOPPED:  # while the words of the command were being read
            _end_stopped("")
        raise
    except ModuleNotFoundError as missing:  # whichever part of the record was asked for first
        if missing.name not in _OF_THE_RECORD:
            _tell_fault(missing)
            sys.exit(Exit.PROGRAM_FAULT)
        _tell_refusal(not_installed(missing))
        sys.exit(Exit.REFUSED)
    except Exception as fault:  # the last net: the user is told, the details are kept
        _tell_fault(fault)
        sys.exit(Exit.PROGRAM_FAULT)


def _tell_refusal(refusal: VeneerCheckError) -> None:
    told = str(refusal)
    if Spoken.lang is not Lang.EN:  # English as it is: a refusal comes before numpy does
        from veneercheck.report.refused import refused
        from veneercheck.report.words import Words

        told = refused(refusal, Words("de"))
    tell(f"veneercheck: {told}", err=True)


def _end_stopped(told: str) -> None:
    """Say so in one line, and let nothing more that is pressed come between."""
    import signal

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    tell(
        Told("veneercheck: stopped; {why}.", why=told or Told("nothing half-written was left")),
        err=True,
    )
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
