"""Who signs a command: initials, the folder of keys, and a pass phrase that is never shown."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from veneercheck.cli.register import open_register
from veneercheck.core.errors import RecordError, Told

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from veneercheck.record import Entry, Register
    from veneercheck.record.keys import Signer

KeysOption = Annotated[
    Path | None,
    typer.Option(
        "--keys", envvar="VENEERCHECK_KEYS", help="Folder of sealed keys (the user's own)."
    ),
]
PhraseOption = Annotated[
    Path | None,
    typer.Option(help="File with the pass phrase of the key; without it, it is asked for."),
]
SignerOption = Annotated[str, typer.Option("--who", help="Initials of who does it, and signs.")]


def folder_of_keys(keys: Path | None) -> Path:
    """Where keys lie."""
    from veneercheck.record.keys import default_folder

    return keys or default_folder()


def phrase_of(file: Path | None, *, new: bool = False) -> str:
    """The pass phrase, from a file or typed unseen."""
    if file is None:
        typed: str = typer.prompt("Pass phrase", hide_input=True, confirmation_prompt=new, err=True)
        return typed
    from veneercheck.machine.texts import small_text

    return small_text(file).rstrip("\r\n")


def signer_of(who: str, keys: Path | None, phrase: Path | None, public: str = "") -> Signer:
    """Who has opened their key: the one on record, where that is named."""
    from veneercheck.record.keys import open_key

    return open_key(folder_of_keys(keys), who, phrase_of(phrase), public=public)


def enter(
    register: Register,
    body: Mapping[str, Any],
    who: str,
    keys: Path | None,
    phrase: Path | None,
) -> Entry:
    """Put an entry on record, signed where people are enrolled, by somebody who may do that."""
    from veneercheck.record import canonical, sha256_of
    from veneercheck.record.people import act_of

    body = signing_as(register, who, act_of(body, None), keys, phrase)(body)
    return register.append(sha256_of(canonical(body)), body)


def signing_as(
    register: Register, who: str, act: str | None, keys: Path | None, phrase: Path | None
) -> Callable[[Mapping[str, Any]], Mapping[str, Any]]:
    """What gives a body its signature, by somebody who may do that; nothing where nobody must."""
    from veneercheck.record.filing import initials
    from veneercheck.record.signing import enrolled

    initials(who)
    people = enrolled(register)
    if not people or act is None:
        return lambda body: body
    person = people.may(who, act)
    signer = signer_of(who, keys, phrase, person.public)
    if signer.public != person.public:
        raise RecordError(
            Told("the key in the folder is not the one of {who} on record.", who=who),
            where=str(folder_of_keys(keys)),
            next_step="Use the latest key, or enrol a new one.",
        )
    return signer.signed


def file_figures(
    place: str,
    kind: str,
    figures: Mapping[str, Any],
    who: str | None,
    keys: Path | None,
    phrase: Path | None,
) -> Entry:
    """Put figures that were just measured on record, dated, with the program's version."""
    from veneercheck import __version__

    if not who:
        raise typer.BadParameter("what goes on record needs --who")
    body = {
        "kind": kind,
        **figures,
        "version": __version__,
        "who": who,
        "entered_at_utc": moment().isoformat(timespec="seconds"),
    }
    with open_register(place, create=True) as register:
        return enter(register, body, who, keys, phrase)


def moment() -> datetime:
    """Now, as entries bear it."""
    return datetime.now(UTC)
