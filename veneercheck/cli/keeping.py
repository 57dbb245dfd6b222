"""The commands that keep the record: hold, expire, back up and restore."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from veneercheck.cli.options import say, spoken, tell
from veneercheck.cli.register import DEFAULT_REGISTER, CaseArgument, RegisterOption, open_register
from veneercheck.cli.signing import (
    KeysOption,
    PhraseOption,
    SignerOption,
    enter,
    moment,
    signing_as,
)
from veneercheck.core.errors import Told

Why = Annotated[str, typer.Option("--why", help="The reason, in words.")]


def hold_command(
    case: CaseArgument,
    who: SignerOption,
    why: Why,
    release: Annotated[bool, typer.Option("--release", help="Let go of it again.")] = False,
    register: RegisterOption = DEFAULT_REGISTER,
    keys: KeysOption = None,
    phrase_file: PhraseOption = None,
) -> None:
    """Hold a check back from disposal, whatever its age, or let go of it."""
    from veneercheck.record.keeping import HELD, RELEASED, hold_body

    what = RELEASED if release else HELD
    with open_register(register) as opened:
        body = hold_body(opened, case, what=what, why=why, who=who, now=moment())
        entry = enter(opened, body, who, keys, phrase_file)
    tell(
        Told(
            "On record: entry {seq}, {what}, {who}; check {body}",
            seq=entry.seq,
            what=what,
            who=who,
            body=body["check_key"][:12],
        )
    )


def expire_command(
    years: Annotated[int, typer.Option(min=1, help="How many years checks are kept.")],
    dispose: Annotated[
        bool, typer.Option("--dispose", help="Remove their folders; entries and hashes stay.")
    ] = False,
    who: Annotated[str, typer.Option("--who", help="Initials of who disposes, and signs.")] = "",
    why: Why = "",
    register: RegisterOption = DEFAULT_REGISTER,
    keys: KeysOption = None,
    phrase_file: PhraseOption = None,
) -> None:
    """List checks and plans that are kept long enough, and dispose of those that are not held."""
    from veneercheck.record import keeping
    from veneercheck.record.located import made_at, number_of

    if dispose and not (who and why):
        raise typer.BadParameter("a disposal needs --who and --why")
    with open_register(register) as opened:
        for check, held in list(keeping.expired(opened, years, moment())):
            number = number_of(check) or spoken(Told("without a number"))
            kind = "" if check.body["kind"] == "check" else f"  {spoken(Told('plan'))}"
            told = f"{made_at(check)[:10]}  {number}  {check.key[:12]}{kind}"
            if held or not dispose:
                tell(
                    Told("held     {told}", told=told)
                    if held
                    else Told("expired  {told}", told=told)
                )
                continue
            if keeping.disposal_of(opened, check.key) is None:
                body = keeping.disposal_body(
                    opened, check, years=years, why=why, who=who, now=moment()
                )
                enter(opened, body, who, keys, phrase_file)
            keeping.remove_disposed(opened, check)
            tell(Told("disposed  {told}", told=told))


def backup_command(
    out: Annotated[Path, typer.Option(help="The file to write (ZIP).")],
    register: RegisterOption = DEFAULT_REGISTER,
) -> None:
    """Write the whole record into one file: every entry, and every file of every case."""
    from veneercheck.record.keeping import backup

    with open_register(register) as opened:
        kept = backup(opened, out, say=say)
    tell(
        Told(
            "Written: {out}: {entries} entries, {folders} cases, {files} files",
            out=out,
            entries=kept.entries,
            folders=kept.folders,
            files=kept.files,
        )
    )
    tell(Told("Last hash {head}", head=kept.head))


def restore_command(
    source: Annotated[Path, typer.Argument(help="A backup.")],
    anywhere: Annotated[
        bool,
        typer.Option("--anywhere", help="Also folders that did not lie below their register."),
    ] = False,
    register: RegisterOption = DEFAULT_REGISTER,
) -> None:
    """Bring a whole record back, to where there is none; nothing is overwritten."""
    from veneercheck.record.keeping import restore

    kept = restore(source, register, anywhere=anywhere, say=say)
    tell(
        Told(
            "Back: {entries} entries, {folders} cases, {files} files",
            entries=kept.entries,
            folders=kept.folders,
            files=kept.files,
        )
    )
    tell(Told("Last hash {head}", head=kept.head))


def import_command(
    source: Annotated[
        str, typer.Argument(help="Another register (file or database), a backup or a bundle.")
    ],
    who: SignerOption,
    out: Annotated[Path, typer.Option(help="Holds the case folders that come along.")] = Path(
        "imported"
    ),
    same_numbers: Annotated[
        bool,
        typer.Option(
            "--same-numbers", help="A case number stands for the same case there and here."
        ),
    ] = False,
    register: RegisterOption = DEFAULT_REGISTER,
    keys: KeysOption = None,
    phrase_file: PhraseOption = None,
) -> None:
    """Take checks and plans of another register, and what was decided on them, into this one."""
    from veneercheck.record.importing import source_of, take_in

    with source_of(source) as other, open_register(register, create=True) as opened:
        sign = signing_as(opened, who, "import records", keys, phrase_file)
        taken = take_in(
            opened,
            other,
            out.absolute(),
            who=who,
            sign=sign,
            now=moment(),
            same_numbers=same_numbers,
            say=say,
        )
    for conflict in taken.conflicts:
        tell(Told("CONFLICT {conflict}", conflict=conflict))
    tell(
        Told(
            "On record: {checks} checks, {more} entries on them; {there} were there",
            checks=taken.checks,
            more=taken.more,
            there=taken.there,
        )
    )
    if taken.plans:
        tell(Told("On record: {plans} plans", plans=taken.plans))
    for kind, count in taken.left.items():
        tell(
            Told(
                "Not imported: {count} of kind {kind}; what a check was made with is in its entry",
                count=count,
                kind=kind,
            )
        )
    if taken.conflicts:
        raise typer.Exit(1)
