"""The commands for people: who is enrolled, in which role, with which key."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from veneercheck.cli.finding import LangOption, day, table
from veneercheck.cli.options import Lang, tell
from veneercheck.cli.register import DEFAULT_REGISTER, RegisterOption, open_register
from veneercheck.cli.signing import (
    KeysOption,
    PhraseOption,
    folder_of_keys,
    moment,
    phrase_of,
    signer_of,
)
from veneercheck.core.errors import Told

app = typer.Typer(
    rich_markup_mode=None,
    no_args_is_help=True,
    help="People who decide, approve and keep records, and their keys (extra [sign]).",
)

Initials = Annotated[str, typer.Argument(help="Initials: one to eight letters or digits.")]
By = Annotated[
    str | None, typer.Option("--who", help="Initials of who enrols, and signs; else the person.")
]


@app.command(
    "enrol", epilog="Example: veneercheck people enrol AB --name A. --role technician --who LP"
)
def enrol_command(
    initials: Initials,
    name: Annotated[str, typer.Option(help="The person's name, as the laboratory writes it.")] = "",
    role: Annotated[str, typer.Option(help="licensed, checker, technician, or left.")] = "",
    who: By = None,
    why: Annotated[str, typer.Option(help="Why it changes.")] = "",
    recovery: Annotated[
        str | None, typer.Option(help="The recovery key, where every other key is lost.")
    ] = None,
    register: RegisterOption = DEFAULT_REGISTER,
    keys: KeysOption = None,
    phrase_file: PhraseOption = None,
    new_phrase_file: Annotated[
        Path | None, typer.Option(help="File with the pass phrase of the new key.")
    ] = None,
) -> None:
    """Enrol a person with a new key, give one a new key or another role; the first is licensed."""
    from veneercheck.record import keys as library
    from veneercheck.record.people import LEFT
    from veneercheck.record.signing import enrol, enrolled

    folder = folder_of_keys(keys)
    with open_register(register, create=True) as opened:
        people = enrolled(opened)
        known = people.known.get(initials)
        told = {
            "initials": initials,
            "name": name or (known.name if known else ""),
            "role": role or (known.role if known else ""),
            "reason": why,
        }
        signer, paper = None, ""
        if recovery is not None:
            signer = library.from_paper(recovery)
        elif people:
            by = people.known.get(who or initials)
            signer = signer_of(who or initials, keys, phrase_file, by.public if by else "")
            people.may(who or initials, "decide")
        if told["role"] == LEFT and known is not None:
            told["public"] = known.public
        else:
            typed = phrase_of(new_phrase_file or phrase_file, new=True)
            fresh = library.new_key(folder, initials, typed)
            told["public"] = fresh.public
            signer = signer or fresh
        if not people:
            paper, told["recovery"] = library.recovery_key()
        assert signer is not None, "the first one signs themselves, everybody else is enrolled"
        entry = enrol(opened, signer, told, moment())
    tell(
        Told(
            "On record: entry {seq}, {initials}, {role}, key {key}",
            seq=entry.seq,
            initials=initials,
            role=Told(told["role"]),
            key=told["public"][:12],
        )
    )
    if paper:
        tell(
            Told(
                "Recovery key, for a sealed envelope; it is shown only once:\n{paper}", paper=paper
            )
        )


@app.command("list", epilog="Example: veneercheck people list")
def list_command(
    on: Annotated[
        str | None, typer.Option(help="As it was at the end of this day (UTC).", callback=day)
    ] = None,
    register: RegisterOption = DEFAULT_REGISTER,
    lang: LangOption = Lang.EN,
) -> None:
    """List who is enrolled, or was on a day, and what each may do."""
    from veneercheck.record.people import MAY
    from veneercheck.record.signing import enrolled
    from veneercheck.report.words import Words

    words = Words(lang.value)
    with open_register(register) as opened:
        people = enrolled(opened, on=on)
    rows = [
        [
            one.initials,
            one.name,
            words.known("role", one.role),
            ", ".join(words.known("act", act) for act, roles in MAY.items() if one.role in roles),
            one.public[:12],
        ]
        for one in people.known.values()
    ]
    table([words(f"people.{name}") for name in ("initials", "name", "role", "may", "key")], rows)
