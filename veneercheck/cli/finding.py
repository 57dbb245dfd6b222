"""The commands that find what is on record: tables for people, JSON and CSV for programs."""

from __future__ import annotations

import dataclasses
import enum
import json
import sys
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from veneercheck.cli.options import Lang, lang_option, say, tell
from veneercheck.cli.plans import PLAN_COLUMNS, plain_plan, plan_cells, plans_that_fit
from veneercheck.cli.register import DEFAULT_REGISTER, RegisterOption, open_register
from veneercheck.core.errors import Told

if TYPE_CHECKING:
    from collections.abc import Sequence

    from veneercheck.record import Register
    from veneercheck.record.confirm import Confirmation
    from veneercheck.record.finding import Found
    from veneercheck.record.plans_found import FoundPlan

ALTERED = 1
"""Exit code where something is not as it was put on record."""


class Verdict(enum.StrEnum):
    """Verdicts to narrow a list down to."""

    NO_FINDINGS = "no findings"
    FINDINGS = "findings"
    UNDECIDED = "undecided"


class LimitsState(enum.StrEnum):
    """What the limits of a check were when it was made."""

    APPROVED = "approved"
    NOT_APPROVED = "not approved"
    NOT_ON_RECORD = "not on record"


class Calibration(enum.StrEnum):
    """What a scanner's calibration was on the day of a check."""

    VALID = "valid"
    OUT_OF_DATE = "out of date"
    FAILED = "failed"
    ABSENT = "absent"


def day(text: str | None) -> str | None:
    """A day as times on record begin with it."""
    try:
        return None if text is None else date.fromisoformat(text).isoformat()
    except ValueError:
        raise typer.BadParameter(f"{text!r} is no day: write it as 2026-03-31") from None


Since = Annotated[
    str | None,
    typer.Option(help="Only checks since this day (UTC): 2026-03-31.", callback=day),
]
Until = Annotated[
    str | None,
    typer.Option(help="Only checks up to this day (UTC), itself included.", callback=day),
]
AsJson = Annotated[bool, typer.Option("--json", help="As JSON.")]
AsCsv = Annotated[bool, typer.Option("--csv", help="As CSV, for a spreadsheet.")]
AsParquet = Annotated[
    Path | None,
    typer.Option("--parquet", help="Write them to this file as Parquet (extra [parquet])."),
]
LangOption = Annotated[Lang, lang_option("Language of the table's heads.")]


def list_command(
    what: Annotated[
        str | None,
        typer.Argument(
            help="Case number, a scan file, the start of a scan's SHA-256, or words of the texts."
        ),
    ] = None,
    register: RegisterOption = DEFAULT_REGISTER,
    case: Annotated[str | None, typer.Option(help="Only of this case number.")] = None,
    unit: Annotated[int | None, typer.Option(help="Only with this tooth: 46.")] = None,
    verdict: Annotated[Verdict | None, typer.Option(help="Only checks with this verdict.")] = None,
    stage: Annotated[str | None, typer.Option(help="Only at this stage of the work.")] = None,
    since: Since = None,
    until: Until = None,
    lot: Annotated[str | None, typer.Option(help="Only with this lot of any material.")] = None,
    alloy: Annotated[str | None, typer.Option(help="Only in this alloy.")] = None,
    composite: Annotated[str | None, typer.Option(help="Only with this composite.")] = None,
    who: Annotated[
        str | None, typer.Option(help="Only checked or decided by these initials.")
    ] = None,
    scanner: Annotated[str | None, typer.Option(help="Only by this scanner.")] = None,
    limits: Annotated[
        str | None, typer.Option(help="Only by this profile, or this revision of it: «name 2».")
    ] = None,
    decision: Annotated[
        str | None, typer.Option(help="Only where this is the latest decision that stands.")
    ] = None,
    limits_state: Annotated[
        LimitsState | None,
        typer.Option(help="Only where the limits had this standing when it was checked."),
    ] = None,
    calibration: Annotated[
        Calibration | None,
        typer.Option(help="Only where the scanner's calibration was so when it was checked."),
    ] = None,
    undecided: Annotated[
        bool, typer.Option("--undecided", help="Only where a zone or the verdict is undecided.")
    ] = False,
    not_decided: Annotated[
        bool, typer.Option("--not-decided", help="Only where no decision of a person stands.")
    ] = False,
    words: Annotated[
        str | None, typer.Option(help="Only where these words stand in a text, or begin one there.")
    ] = None,
    limit: Annotated[int | None, typer.Option(min=1, help="Only the latest so many.")] = None,
    plans: Annotated[
        bool, typer.Option("--plans", help="Plans alone; the way to have them as JSON or CSV.")
    ] = False,
    with_confirm: Annotated[
        bool,
        typer.Option(
            "--confirm",
            help="Tell of each whether it is unaltered, and comes out the same when repeated now.",
        ),
    ] = False,
    as_json: AsJson = False,
    as_csv: AsCsv = False,
    parquet: AsParquet = None,
    lang: LangOption = Lang.EN,
) -> None:
    """List checks and plans on record, the oldest first; all of them, or those that fit."""
    from veneercheck.record.finding import Wanted, find

    wanted = Wanted(
        case=case,
        unit=None if unit is None else str(unit),
        verdict=verdict.value if verdict else None,
        stage=stage,
        since=since,
        until=until,
        lot=lot,
        alloy=alloy,
        composite=composite,
        who=who,
        scanner=scanner,
        calibration=calibration.value if calibration else None,
        limits=limits_state.value if limits_state else None,
        decision=decision,
        undecided=undecided,
        not_decided=not_decided,
        words=words,
        **by_limits(limits),
    )
    with open_register(register) as opened:
        ways = [dataclasses.replace(wanted, **way) for way in _ways(what)]
        if plans:
            planned = plans_that_fit(opened, ways, limit)
            show_plans(opened, planned, lang, as_json=as_json, as_csv=as_csv, parquet=parquet)
            return
        found = [one for way in ways for one in find(opened, way, limit=limit, newest=True)]
        rows = sorted({one.seq: one for one in found}.values(), key=lambda one: one.seq)
        rows = rows[-limit:] if limit else rows
        done = _confirmed(opened, rows) if with_confirm else None
        show(opened, rows, lang, as_json=as_json, as_csv=as_csv, parquet=parquet, confirmed=done)
        if not (as_json or as_csv or parquet) and (planned := plans_that_fit(opened, ways, limit)):
            tell("")
            show_plans(opened, planned, lang)
    if done is not None and done.differences:
        for difference in done.differences:
            tell(Told("ALTERED {difference}", difference=difference), err=True)
        raise typer.Exit(ALTERED)


def _confirmed(register: Register, rows: Sequence[Found]) -> Confirmation:
    """The chain, and of each check that was found its files and its result."""
    from veneercheck.record.confirm import confirm

    return confirm(register, only={one.key for one in rows}, say=say)


def by_limits(limits: str | None) -> dict[str, Any]:
    """A profile's name, or a revision of it: «name 2»."""
    if limits and limits.rpartition(" ")[2].isdigit():
        return {"revision": limits}
    return {"profile": limits}


_START_OF_SHA = 8


def _ways(what: str | None) -> list[dict[str, Any]]:
    """What a word may mean: a number, a scan, or a word of the texts."""
    from veneercheck.record import sha256_of_file

    if what is None:
        return [{}]
    if Path(what).is_file():
        return [{"scan": sha256_of_file(Path(what))}]
    ways: list[dict[str, Any]] = [{"case": what}]
    if len(what) >= _START_OF_SHA and all(sign in "0123456789abcdef" for sign in what.casefold()):
        ways.append({"scan": what})
    return [*ways, {"words": what}]


_COLUMNS = ("checked", "case", "units", "verdict", "stage", "limits", "who", "decision", "key",
            "folder")  # fmt: skip


def show(
    register: Register,
    found: Sequence[Found],
    lang: Lang,
    *,
    as_json: bool,
    as_csv: bool,
    parquet: Path | None = None,
    confirmed: Confirmation | None = None,
) -> None:
    """Checks as a table, as JSON, as CSV or as Parquet."""
    from veneercheck.report.words import Words

    if as_json or as_csv or parquet is not None:
        plain = [{**_plain(register, one), **_whole(one, confirmed)} for one in found]
        if parquet is not None:
            _parquet(plain, parquet, with_confirm=confirmed is not None)
        elif as_json:
            tell(json.dumps(plain, indent=1, ensure_ascii=False))
        else:
            _csv(plain)
        return
    words = Words(lang.value)
    rows = [_cells(register, one, words) for one in found]
    names = list(_COLUMNS)
    if confirmed is not None:
        names += ["unaltered", "repeated"]
        rows = [
            [*row, *_whole_cells(one, confirmed, words)]
            for row, one in zip(rows, found, strict=True)
        ]
    table([words(f"records.{name}") for name in names], rows)
    tell(words("records.count", count=len(found)))


def show_plans(
    register: Register,
    found: Sequence[FoundPlan],
    lang: Lang,
    *,
    as_json: bool = False,
    as_csv: bool = False,
    parquet: Path | None = None,
) -> None:
    """Plans as a table, as JSON, as CSV or as Parquet."""
    from veneercheck.report.words import Words

    plain = [plain_plan(register, one) for one in found]
    if parquet is not None:
        from veneercheck.record.parquet import write_parquet
        from veneercheck.record.plans_found import FoundPlan

        columns = [field.name for field in dataclasses.fields(FoundPlan)]
        tell(f"{len(plain)} plans: {write_parquet(plain, columns, parquet)}")
    elif as_json:
        tell(json.dumps(plain, indent=1, ensure_ascii=False))
    elif as_csv:
        _csv(plain)
    else:
        words = Words(lang.value)
        heads = [words(f"records.{name}") for name in PLAN_COLUMNS]
        table(heads, [plan_cells(register, one, words) for one in found])
        tell(words("records.plans", count=len(found)))


_CONFIRMED = ("unaltered", "repeated_the_same", "not_repeated")


def _plain(register: Register, one: Found) -> dict[str, Any]:
    from veneercheck.record.located import place_of

    told = dataclasses.asdict(one)
    return {**told, "units": list(one.units), "folder": str(place_of(register, one.folder))}


def _whole(one: Found, confirmed: Confirmation | None) -> dict[str, Any]:
    """Whether a check is as it was put on record, and comes out the same today."""
    if confirmed is None:
        return {}
    told = (one.key in confirmed.unaltered, one.key in confirmed.same,
            confirmed.hindered.get(one.key))  # fmt: skip
    return dict(zip(_CONFIRMED, told, strict=True))


def _whole_cells(one: Found, confirmed: Confirmation, words: Any) -> list[str]:
    told = _whole(one, confirmed)
    again = "same" if told["repeated_the_same"] else "other"
    files = "gone" if told["not_repeated"] and not told["unaltered"] else "altered"
    return [
        words("records.as_filed" if told["unaltered"] else f"records.{files}"),
        told["not_repeated"] or words(f"records.{again}"),
    ]


def _cells(register: Register, one: Found, words: Any) -> list[str]:
    from veneercheck.record.located import place_of

    none = words("format.none")
    decided = f"{words.known('decided', one.decision)}, {one.decided_by}" if one.decision else none
    return [
        words.minute(one.checked_at_utc),
        one.case or none,
        " ".join(one.units) or none,
        words.known("verdict_short", one.verdict),
        words.known("stage", one.stage),
        one.revision or one.profile,
        one.who or none,
        decided,
        one.key[:12],
        str(place_of(register, one.folder)),
    ]


def _parquet(rows: list[dict[str, Any]], file: Path, *, with_confirm: bool) -> None:
    from veneercheck.record.finding import Found
    from veneercheck.record.parquet import write_parquet

    columns = [field.name for field in dataclasses.fields(Found)] + with_confirm * list(_CONFIRMED)
    tell(f"{len(rows)} checks: {write_parquet(rows, columns, file)}")


def _csv(rows: list[dict[str, Any]]) -> None:
    import csv
    import io

    from veneercheck.machine.texts import no_formula

    text = io.StringIO()
    if rows:
        writer = csv.writer(text, lineterminator="\n")
        writer.writerow(rows[0])
        for row in rows:
            cells = (" ".join(one) if isinstance(one, list) else one for one in row.values())
            writer.writerow([no_formula(one) for one in cells])
    tell(text.getvalue(), nl=False)


def table(heads: list[str], rows: list[list[str]]) -> None:
    """A table with its heads; as wide as what it holds where no terminal bounds it."""
    import shutil

    from rich import box
    from rich.cells import cell_len
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    drawn = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False)
    for head in heads:
        drawn.add_column(head, overflow="fold")
    for row in rows:
        drawn.add_row(*(Text(cell) for cell in row))
    wide = shutil.get_terminal_size().columns
    if not sys.stdout.isatty():
        wide = sum(3 + max(map(cell_len, column)) for column in zip(heads, *rows, strict=True))
    console = Console(width=wide, color_system=None, highlight=False, markup=False, emoji=False)
    with console.capture() as caught:
        console.print(drawn)
    tell("\n".join(line.rstrip() for line in caught.get().splitlines()))
