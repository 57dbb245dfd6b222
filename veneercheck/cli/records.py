"""The commands for cases on record: list, show, find, export, confirm, decide, trends."""

from __future__ import annotations

import enum
import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from veneercheck.cli.finding import (
    ALTERED,
    AsJson,
    Since,
    list_command,
    table,
)
from veneercheck.cli.keeping import (
    backup_command,
    expire_command,
    hold_command,
    import_command,
    restore_command,
)
from veneercheck.cli.options import (
    Lang,
    Paper,
    PaperOption,
    Spoken,
    lang_option,
    say,
    tell,
    warn_of_names,
)
from veneercheck.cli.register import DEFAULT_REGISTER, CaseArgument, RegisterOption, open_register
from veneercheck.cli.showing import entries_command, show_command
from veneercheck.cli.signing import KeysOption, PhraseOption, signer_of
from veneercheck.core.errors import RecordError, Told
from veneercheck.machine.texts import writable

if TYPE_CHECKING:
    from veneercheck.record import Entry

app = typer.Typer(
    rich_markup_mode=None,
    no_args_is_help=True,
    help="Cases on record (extra [record]): list, show, find, export, confirm, decide, trends.",
)

app.command("list", epilog="Example: veneercheck records list --undecided --since 2026-01-01")(
    list_command
)
app.command("find", epilog="Example: veneercheck records find D-0001")(list_command)
app.command("show", epilog="Example: veneercheck records show D-0001")(show_command)
app.command("entries", epilog="Example: veneercheck records entries decision")(entries_command)
app.command("hold", epilog="Example: veneercheck records hold D-0001 --who AB --why enquiry")(
    hold_command
)
app.command("expire", epilog="Example: veneercheck records expire --years 10 --who AB")(
    expire_command
)
app.command("backup", epilog="Example: veneercheck records backup --out record.zip")(backup_command)
app.command("import", epilog="Example: veneercheck records import other.sqlite --who LP")(
    import_command
)
app.command("restore", epilog="Example: veneercheck records restore record.zip")(restore_command)


@app.command("decide", epilog="Example: veneercheck records decide D-0001 --what accepted --who AB")
def decide_command(
    case: CaseArgument,
    what: Annotated[
        str,
        typer.Option(
            "--what",
            help="cut again, accepted, remake, ask the dentist; or taken back: the latest decision "
            "that stands is taken back, and both stay on record.",
        ),
    ],
    who: Annotated[str, typer.Option("--who", help="Initials of who decides.")],
    why: Annotated[
        str, typer.Option("--why", help="The reason, in words.", callback=writable)
    ] = "",
    register: RegisterOption = DEFAULT_REGISTER,
    keys: KeysOption = None,
    phrase_file: PhraseOption = None,
) -> None:
    """Put a person's decision on record; the verdict stays as it was measured."""
    from veneercheck.profile.names import looks_like_a_name
    from veneercheck.record.deciding import decide
    from veneercheck.record.located import one_check
    from veneercheck.record.signing import enrolled
    from veneercheck.report.words import Words

    with open_register(register) as opened:
        check = one_check(opened, case)
        on = Told(
            "case {number}, check {key}, register {register}",
            number=_number(check), key=check.key[:12], register=opened.shown,
        )  # fmt: skip
        result = check.body["result"]
        when = Words(Spoken.lang.value).moment(result["checked_at_utc"])
        tell(
            Told(
                "Deciding on {on}; verdict {verdict}, checked {at}",
                on=on, verdict=Told(result["verdict"]), at=when,
            )
        )  # fmt: skip
        people = enrolled(opened)
        signer = None
        if people:
            public = people.may(who, "decide").public
            signer = signer_of(who, keys, phrase_file, public)
        entry = decide(opened, check.key, who=who, what=what, why=why, signer=signer)
    tell(
        Told(
            "On record: entry {seq}, {what}, {who}; on {on}",
            seq=entry.seq,
            what=what,
            who=who,
            on=on,
        )
    )
    if looks_like_a_name(why):
        tell(Words("en")("desk.looks_like_a_name"), err=True)


@app.command("confirm", epilog="Example: veneercheck records confirm D-0001")
def confirm_command(
    case: Annotated[
        str | None, typer.Argument(help="Only this case's files and check, or a bundle (ZIP).")
    ] = None,
    register: RegisterOption = DEFAULT_REGISTER,
    no_repeat: Annotated[
        bool, typer.Option("--no-repeat", help="Compare hashes only: check nothing again.")
    ] = False,
    noted: Annotated[
        str | None,
        typer.Option(help="A last hash noted earlier: it must still stand in the chain."),
    ] = None,
) -> None:
    """Recompute every hash of register, files and bundle, and repeat the checks."""
    if case and case.lower().endswith(".zip"):
        _confirm_bundle(Path(case), register)
        return
    from veneercheck.record.confirm import confirm, unreadable

    try:
        opened = open_register(register)
    except RecordError as refusal:
        tell(refusal)
        _tell([str(fault) for fault in unreadable(register)])
        raise
    with opened:
        done = confirm(opened, case, repeat=not no_repeat, say=say)
        where = opened.with_hash(noted.strip().lower()) if noted else None
    for remark in done.remarks:
        tell(remark)
    cut = [f"register: no entry has the hash noted, {noted}: entries were cut off or written anew"]
    _tell(
        [str(difference) for difference in done.differences] + (cut if noted and not where else [])
    )
    if where is not None:
        tell(
            Told(
                "The hash noted is that of entry {seq}: all up to it is as it was then",
                seq=where.seq,
            )
        )
    tell(
        Told(
            "As put on record: {entries} entries, {files} files, {repeated} checks repeated to "
            "the last digit. Last hash {head}",
            entries=done.entries,
            files=done.files,
            repeated=done.repeated,
            head=done.head,
        )
    )


def _confirm_bundle(bundle: Path, place: str) -> None:
    """Account for every byte of a bundle, and look for its entries in the register."""
    from veneercheck.record.bundle import bundle_faults, not_on_record

    if not bundle.is_file():
        raise RecordError(
            "there is no such bundle.",
            where=str(bundle),
            next_step="Name the file that «records export» wrote.",
        )
    _tell([str(fault) for fault in bundle_faults(bundle)])
    if place == DEFAULT_REGISTER and not Path(place).exists():
        told = Told("whether its record is yours, the register tells: name it with --register")
    else:
        with open_register(place) as register:
            _tell([str(fault) for fault in not_on_record(bundle, register)])
            told = Told("its record is the one in {register}", register=register.shown)
    tell(Told("{bundle}: every byte is as it was written; {told}", bundle=bundle, told=told))


class Form(enum.StrEnum):
    """Forms in which a case leaves the register."""

    BUNDLE = "bundle"
    DICOM = "dicom"
    FHIR = "fhir"


@app.command("export", epilog="Example: veneercheck records export D-0001 --out D-0001.zip")
def export_command(
    case: CaseArgument,
    form: Annotated[
        Form,
        typer.Option(
            help="One ZIP with everything; DICOM files of report and scans; a FHIR Bundle (JSON)."
        ),
    ] = Form.BUNDLE,
    out: Annotated[
        Path | None, typer.Option(help="The file to write; with dicom, the folder.")
    ] = None,
    patient_id: Annotated[
        str | None,
        typer.Option(help="Identifier for dicom and fhir, in place of the case number."),
    ] = None,
    without_names: Annotated[
        bool,
        typer.Option(
            "--without-names",
            help="For dicom and fhir: take case number, names of scans, notes and reasons out.",
        ),
    ] = False,
    register: RegisterOption = DEFAULT_REGISTER,
) -> None:
    """Write a case for the case record: a bundle, or a form that other systems read."""
    from veneercheck.record import export
    from veneercheck.record.planning import one_check_or_plan

    if (patient_id is not None or without_names) and form is Form.BUNDLE:
        raise typer.BadParameter("a bundle holds what is on record; give --form dicom or fhir")
    with open_register(register) as opened:
        taken: list[str] = []
        how: Any = {"without_names": without_names, "told": taken.append}
        if form is Form.BUNDLE:
            written = export.export_bundle(opened, case, out)
        elif form is Form.DICOM:
            written = export.export_dicom(opened, case, out, patient_id, **how)
        else:
            written = export.export_fhir(opened, case, out, patient_id, **how)
        if not without_names:
            body = one_check_or_plan(opened, case).body
            warn_of_names(body.get("result") or body["plan"], Lang.EN, patient_id)
    for path in written:
        tell(Told("Written: {path}", path=path))
    for words in taken:
        tell(Told("Taken out: {words}", words=words))


@app.command("again", epilog="Example: veneercheck records again --profile own.toml")
def again_command(
    profile: Annotated[str, typer.Option(help="The other limits: a name, or a TOML file.")],
    limits: Annotated[
        str | None, typer.Option(help="Only checks by this profile, or this revision of it.")
    ] = None,
    since: Since = None,
    as_json: AsJson = False,
    lang: Annotated[Lang, lang_option("Language of the table.")] = Lang.EN,
    register: RegisterOption = DEFAULT_REGISTER,
) -> None:
    """Tell which checks would read otherwise under other limits; the record stays as it is."""
    from veneercheck.cli.finding import by_limits
    from veneercheck.profile import load_profile
    from veneercheck.record.finding import Wanted, find
    from veneercheck.record.rejudging import rejudged
    from veneercheck.report.words import Words

    words, other = Words(lang.value), load_profile(profile)
    with open_register(register) as opened:
        wanted = find(opened, Wanted(since=since, **by_limits(limits)))
        checks = (entry for one in wanted if (entry := opened.with_key(one.key)) is not None)
        found = list(rejudged(opened, checks, other, say))
    rows = [
        {
            "case": one.check.body["result"]["case"]["number"],
            "key": one.check.key,
            "before": one.before,
            "after": one.after,
            "firm_before": one.firm_before,
            "firm_after": one.firm_after,
            "why_not": one.why_not,
        }
        for one in found
        if one.differs or one.why_not
    ]
    if as_json:
        tell(json.dumps(rows, indent=1, ensure_ascii=False))
        return
    heads = ("case", "key", "before", "after", "why_not")
    table(
        [words(f"again.{name}") for name in heads],
        [
            [
                row["case"] or words("format.none"),
                row["key"][:12],
                f"{words.known('verdict_short', row['before'])} ({row['firm_before']})",
                f"{words.known('verdict_short', row['after'])} ({row['firm_after']})",
                row["why_not"],
            ]
            for row in rows
        ],
    )
    differ = sum(one.differs for one in found)
    tell(words("again.count", differ=differ, count=len(found)))


@app.command("trends", epilog="Example: veneercheck records trends --out trends")
def trends_command(
    out: Annotated[Path, typer.Option(help="The folder to write into.")] = Path("trends"),
    since: Since = None,
    lang: Annotated[Lang, lang_option("Language of the page.")] = Lang.EN,
    paper: PaperOption = Paper.A4,
    register: RegisterOption = DEFAULT_REGISTER,
) -> None:
    """Write what the checks teach, as a page and on paper (PDF): first passes, drift of scans."""
    from veneercheck.record.export import export_trends

    with open_register(register) as opened:
        for path in export_trends(opened, out, since=since, lang=lang.value, paper=paper.value):
            tell(Told("Written: {path}", path=path))


def _tell(differences: list[str]) -> None:
    """Name every difference, and leave with their exit code."""
    for words in differences:
        tell(Told("ALTERED {words}", words=words))
    if differences:
        raise typer.Exit(ALTERED)


def _number(check: Entry) -> str:
    return check.body["result"]["case"]["number"] or "without a number"
