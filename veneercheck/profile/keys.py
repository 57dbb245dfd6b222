"""Keys of a TOML file read one by one: every one known, every value of its kind."""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Any

from veneercheck.core.errors import ProfileError, Told
from veneercheck.machine.texts import small_text

SURFACES = (
    "occlusal", "buccal", "lingual", "palatal", "mesial", "distal", "basal", "incisal",
)  # fmt: skip
STAGES = ("wax", "cast", "opaqued", "dentine", "finished")
TOOTH_CODES = frozenset(
    [10 * quadrant + tooth for quadrant in (1, 2, 3, 4) for tooth in range(1, 9)]
    + [10 * quadrant + tooth for quadrant in (5, 6, 7, 8) for tooth in range(1, 6)]
)
"""The 52 two-digit codes of ISO 3950 (from memory)."""

_TOLD = 60
"""Characters of a value or key that a refusal repeats."""

_LARGEST_MM = 20.0
"""No limit of a veneer is larger: a larger number was meant in another unit."""


AS_PROFILE = Told("Compare it with the output of «veneercheck profiles show generic».")
AS_TEXT = Told(
    "Mend that line: text stands in quotes, a list in [ ], and each key on a line of its own."
)


def toml_of(path: Path, next_step: str = AS_PROFILE) -> dict[str, Any]:
    text = small_text(path, next_step="Check the path.")
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # a ValueError also for too many digits
        raise ProfileError(
            Told("is not valid TOML: {error}.", error=error),
            where=path.name,
            next_step=next_step,
        ) from None


def told(value: object) -> str:
    """A value as a refusal repeats it: short, and whatever it is."""
    try:
        return shortened(repr(value))
    except (ValueError, RecursionError):
        return Told("a number of thousands of digits")


def shortened(text: str) -> str:
    """A word of the file as a refusal repeats it."""
    return text if len(text) <= _TOLD else f"{text[:_TOLD]}…"


def known_keys(given: Mapping[str, Any], known: Any, where: str) -> None:
    for key in given:
        if key not in known:
            called = shortened(key)
            near = difflib.get_close_matches(called, list(known), n=1, cutoff=0.5)
            guess = (
                Told("Did you mean «{near}»?", near=near[0])
                if near
                else Told("Known: {known}.", known=", ".join(known))
            )
            raise ProfileError(
                Told("unknown key «{called}».", called=called), where=where, next_step=guess
            )


def table_of(given: Mapping[str, Any], key: str, where: str) -> Mapping[str, Any]:
    value = given.get(key, {})
    if not isinstance(value, Mapping):
        raise ProfileError(
            Told("«{key}» is not a table.", key=key),
            where=where,
            next_step=Told("Write [{key}].", key=key),
        )
    return value


def length_of(given: Mapping[str, Any], key: str, standard: float, where: str) -> float:
    value = given.get(key, standard)
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ProfileError(
            Told("{key} = {value} is not a number.", key=key, value=told(value)),
            where=where,
            next_step="Give a number in mm.",
        )
    if not 0 <= value <= _LARGEST_MM:  # compared before it is turned: 10**400 is no float
        raise ProfileError(
            Told(
                "{key} = {value} is not between 0 and {largest_mm:g}.",
                key=key,
                value=told(value),
                largest_mm=_LARGEST_MM,
            ),
            where=where,
            next_step="Give it in millimetres (mm² for an area).",
        )
    return float(value)


def positive(value: Mapping[str, float], key: str, where: str) -> None:
    if not value[key] > 0:
        raise ProfileError(
            Told("{key} must be above 0.", key=key), where=where, next_step="Give it in mm."
        )


def text_of(given: Mapping[str, Any], key: str, standard: str, where: str) -> str:
    value = given.get(key, standard)
    if not isinstance(value, str):
        raise ProfileError(
            Told("{key} = {value} is not text.", key=key, value=told(value)),
            where=where,
            next_step="Put it in quotes.",
        )
    return value


def day_of(given: Mapping[str, Any], key: str, where: str) -> str | None:
    """A date of TOML's own kind, or one in quotes."""
    value = given.get(key)
    try:
        if isinstance(value, str):
            value = date.fromisoformat(value)
        if value is None or type(value) is date:
            return None if value is None else value.isoformat()
    except ValueError:
        pass
    raise ProfileError(
        Told("{key} = {value} is not a date.", key=key, value=told(value)),
        where=where,
        next_step="Write it as 2026-03-31.",
    )


def choice_of(
    given: Mapping[str, Any], key: str, known: tuple[str, ...], standard: str | None, where: str
) -> str | None:
    value = given.get(key, standard)
    if value is not None and (not isinstance(value, str) or value not in known):
        raise ProfileError(
            Told("{key} = {value} is not known.", key=key, value=told(value)),
            where=where,
            next_step=Told("Known: {known}.", known=", ".join(known)),
        )
    return None if value is None else str(value)


def words_of(given: Mapping[str, Any], key: str, where: str) -> tuple[str, ...]:
    value = given.get(key, [])
    if not isinstance(value, list):
        raise ProfileError(
            Told("{key} is not a list.", key=key), where=where, next_step="Write it in [ ]."
        )
    for word in value:
        if not isinstance(word, str) or word not in SURFACES:
            raise ProfileError(
                Told("{word} is no surface of a tooth.", word=told(word)),
                where=where,
                next_step=Told("Known: {known}.", known=", ".join(SURFACES)),
            )
    return tuple(value)


def codes_of(given: Mapping[str, Any], key: str, where: str) -> tuple[int, ...]:
    value = given.get(key, [])
    if not isinstance(value, list):
        raise ProfileError(
            Told("{key} is not a list.", key=key), where=where, next_step="Write it in [ ]."
        )
    for code in value:
        if type(code) is not int or code not in TOOTH_CODES:
            raise ProfileError(
                Told("{key}: {code} is no tooth.", key=key, code=told(code)),
                where=where,
                next_step="Give two-digit codes such as 46 (ISO 3950).",
            )
    if len(set(value)) != len(value):
        raise ProfileError(
            Told("{key} names a tooth twice.", key=key),
            where=where,
            next_step="Name each tooth once.",
        )
    return tuple(value)
