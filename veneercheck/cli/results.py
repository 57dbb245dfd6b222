"""The commands on results that lie there: report, compare, view, fields; and profiles of limits."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from veneercheck.cli.options import Lang, LangOption, Out, Paper, PaperOption, Steps, tell
from veneercheck.core.errors import Told

Folder = Annotated[Path, typer.Argument(help="Folder that holds a result.json.")]


def report_command(
    folder: Folder,
    lang: LangOption = Lang.EN,
    paper: PaperOption = Paper.A4,
) -> None:
    """Draw the report of a result anew."""
    from veneercheck.case.run import report_again

    report_again(folder, lang=lang.value, paper=paper.value, say=Steps(lang))
    tell(Told("Report: {path}", path=folder / "report.html"))


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
    tell(Told("Page: {path}", path=path))


def view_command(folder: Folder, lang: LangOption = Lang.EN) -> None:
    """Turn the map of a result in a window of its own (extra [view])."""
    from veneercheck.case.run import view

    view(folder, lang=lang.value)


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


profiles_app = typer.Typer(
    rich_markup_mode=None, no_args_is_help=True, help="List, show or check profiles of limits."
)


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

    tell(
        Told("{profile}: usable, named «{name}»", profile=profile, name=load_profile(profile).name)
    )
