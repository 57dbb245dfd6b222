"""The commands for what a check is made with: scanners and their calibration, limits approved."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from veneercheck.cli.finding import LangOption, day, table
from veneercheck.cli.options import Lang, tell
from veneercheck.cli.register import DEFAULT_REGISTER, RegisterOption, open_register
from veneercheck.cli.signing import KeysOption, PhraseOption, SignerOption, enter, moment
from veneercheck.core.errors import Told

scanners_app = typer.Typer(
    rich_markup_mode=None, no_args_is_help=True, help="Scanners on record and their calibration."
)
limits_app = typer.Typer(
    rich_markup_mode=None,
    no_args_is_help=True,
    help="Limits on record: revisions of a profile, and who approved them.",
)

ScannerName = Annotated[str, typer.Argument(help="The scanner's name in the laboratory.")]
Day = Annotated[str, typer.Option(callback=day, help="A day: 2026-03-31.")]


@scanners_app.command(
    "add", epilog="Example: veneercheck scanners add lab-1 --serial 0471 --who AB"
)
def add_command(
    name: ScannerName,
    who: SignerOption,
    serial: Annotated[str, typer.Option(help="Its serial number.")],
    register: RegisterOption = DEFAULT_REGISTER,
    keys: KeysOption = None,
    phrase_file: PhraseOption = None,
) -> None:
    """Put a scanner on record."""
    from veneercheck.record.standing import scanner_body

    with open_register(register, create=True) as opened:
        entry = enter(opened, scanner_body(name, serial, who, moment()), who, keys, phrase_file)
    tell(
        Told(
            "On record: entry {seq}, scanner {name}, serial {serial}",
            seq=entry.seq,
            name=name,
            serial=serial,
        )
    )


@scanners_app.command(
    "calibrate",
    epilog="Example: veneercheck scanners calibrate lab-1 --who AB --artefact ball-3"
    " --measured-on 2026-03-31 --valid-until 2027-03-31",
)
def calibrate_command(
    name: ScannerName,
    who: SignerOption,
    artefact: Annotated[str, typer.Option(help="What was measured: the body and its number.")],
    measured_on: Day,
    valid_until: Day,
    trueness_um: Annotated[float | None, typer.Option(help="Trueness found, µm.")] = None,
    precision_um: Annotated[float | None, typer.Option(help="Precision found, µm.")] = None,
    failed: Annotated[bool, typer.Option("--failed", help="The scanner did not pass.")] = False,
    certificate: Annotated[
        Path | None, typer.Option(help="The certificate: its name and SHA-256 go on record.")
    ] = None,
    register: RegisterOption = DEFAULT_REGISTER,
    keys: KeysOption = None,
    phrase_file: PhraseOption = None,
) -> None:
    """Put a scanner's calibration on record (ISO 12836 names how it is measured)."""
    from veneercheck.record.standing import calibration_body

    with open_register(register) as opened:
        body = calibration_body(
            opened,
            name,
            artefact=artefact,
            measured_on=measured_on,
            valid_until=valid_until,
            trueness_um=trueness_um,
            precision_um=precision_um,
            passed=not failed,
            certificate=certificate,
            who=who,
            now=moment(),
        )
        entry = enter(opened, body, who, keys, phrase_file)
    tell(
        Told(
            "On record: entry {seq}, {name} valid until {valid_until}",
            seq=entry.seq,
            name=name,
            valid_until=valid_until,
        )
    )


@scanners_app.command("list", epilog="Example: veneercheck scanners list")
def scanners_command(
    register: RegisterOption = DEFAULT_REGISTER, lang: LangOption = Lang.EN
) -> None:
    """List the scanners, each with its latest calibration and whether it holds today."""
    from veneercheck.record.standing import calibration_of, entries_with
    from veneercheck.report.words import Words

    words, rows = Words(lang.value), []
    none = words("format.none")
    with open_register(register) as opened:
        known = {one.body["scanner"]: one.body for one in entries_with(opened, kind="scanner")}
        for name, body in known.items():
            found = calibration_of(opened, name, moment())
            told = (found.get(key) or none for key in ("measured_on", "artefact", "valid_until"))
            rows.append([name, body["serial"], *told, words.known("calibration", found["state"])])
    heads = ("name", "serial", "measured", "artefact", "valid_until", "state")
    table([words(f"scanners.{head}") for head in heads], rows)


@limits_app.command(
    "propose", epilog="Example: veneercheck limits propose own.toml --who AB --why measured"
)
def propose_command(
    profile: Annotated[str, typer.Argument(help="Path of a profile (TOML), or a built-in name.")],
    who: SignerOption,
    why: Annotated[str, typer.Option(help="The reason; needed from the second revision on.")] = "",
    source: Annotated[
        Path | None,
        typer.Option(help="Where the limits come from: its name and SHA-256 go on record."),
    ] = None,
    register: RegisterOption = DEFAULT_REGISTER,
    keys: KeysOption = None,
    phrase_file: PhraseOption = None,
) -> None:
    """Put limits on record as the next revision of their profile; it never changes again."""
    from veneercheck.profile import load_profile
    from veneercheck.record.sameness import limits_kept
    from veneercheck.record.standing import limits_body

    limits = limits_kept(load_profile(profile))
    with open_register(register, create=True) as opened:
        body = limits_body(opened, limits, reason=why, source=source, who=who, now=moment())
        entry = enter(opened, body, who, keys, phrase_file)
    tell(
        Told(
            "On record: entry {seq}, «{profile}» revision {revision}, not approved yet",
            seq=entry.seq, profile=body["profile"], revision=body["revision"],
        )
    )  # fmt: skip


@limits_app.command("approve", epilog="Example: veneercheck limits approve own --who LP")
def approve_command(
    profile: Annotated[str, typer.Argument(help="The profile's name.")],
    who: SignerOption,
    revision: Annotated[int | None, typer.Option(help="Which one; else the latest.")] = None,
    register: RegisterOption = DEFAULT_REGISTER,
    keys: KeysOption = None,
    phrase_file: PhraseOption = None,
) -> None:
    """Approve a revision of limits."""
    from veneercheck.record.standing import approval_body

    with open_register(register) as opened:
        body = approval_body(opened, profile, revision, who, moment())
        entry = enter(opened, body, who, keys, phrase_file)
    tell(
        Told(
            "On record: entry {seq}, «{profile}» revision {body} approved by {who}",
            seq=entry.seq,
            profile=profile,
            body=body["revision"],
            who=who,
        )
    )
    if body["same_person"]:
        tell(Told("Note: proposed and approved by the same person."))


@limits_app.command("list", epilog="Example: veneercheck limits list")
def limits_command(register: RegisterOption = DEFAULT_REGISTER, lang: LangOption = Lang.EN) -> None:
    """List the revisions of limits, who proposed and who approved each, and how many checks."""
    from veneercheck.record.finding import Wanted, count
    from veneercheck.record.standing import approval_of, entries_with
    from veneercheck.report.words import Words

    words, rows = Words(lang.value), []
    none = words("format.none")
    with open_register(register) as opened:
        for one in entries_with(opened, kind="limits"):
            body, approval = one.body, approval_of(opened, one.key)
            approved = none
            if approval is not None:
                approved = f"{approval.body['who']}, {words.day(approval.body['entered_at_utc'])}"
            name = f"{body['profile']} {body['revision']}"
            source = body["source"]["file"] if body["source"] else none
            proposed = f"{body['who']}, {words.day(body['entered_at_utc'])}"
            used = str(count(opened, Wanted(revision=name)))
            rows.append([name, proposed, approved, source, body["reason"] or none, used])
    heads = ("revision", "proposed", "approved", "source", "why", "checks")
    table([words(f"limits_list.{head}") for head in heads], rows)
