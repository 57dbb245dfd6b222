"""What every command on cases on record asks for: the register, and which case."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from veneercheck.core.errors import RecordError, Told

if TYPE_CHECKING:
    from veneercheck.record import Register

RegisterOption = Annotated[
    str,
    typer.Option(
        "--register",
        envvar="VENEERCHECK_REGISTER",
        help="The register: a file (SQLite), or postgresql://user@host/name.",
    ),
]
CaseArgument = Annotated[str, typer.Argument(help="Case number, or the start of a record's key.")]
DEFAULT_REGISTER = "register.sqlite"


def open_register(place: str, *, create: bool = False) -> Register:
    """The register, with a word of what is missing."""
    kind = register_kind()
    if not create and "://" not in place and not Path(place).exists():
        raise RecordError(
            "there is no register.",
            where=place,
            next_step="Name it with --register; a check makes one: check --register FILE.",
        )
    return kind(place)


def register_kind() -> type[Register]:
    """What registers are made of, with a word of what is missing without its extra."""
    try:
        from veneercheck.record import Register
    except ModuleNotFoundError as error:
        raise not_installed(error) from None
    return Register


def not_installed(missing: ModuleNotFoundError) -> RecordError:
    """What to say where the extra of the register is not there."""
    return RecordError(
        Told("the register needs what is not installed ({name}).", name=missing.name),
        next_step="Install it: pip install 'veneercheck[record]'.",
    )
