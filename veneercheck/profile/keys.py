"""Keys of a TOML file read one by one: every one known, every value of its kind."""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Any

from veneercheck.core.errors import ProfileError

SURFACES = (
    "occlusal", "buccal", "lingual", "palatal", "mesial", "distal", "basal", "incisal",
)  # fmt: skip
STAGES = ("wax", "cast", "opaqued", "dentine", "finished")
TOOTH_CODES = frozenset(
    [10 * quadrant + tooth for quadrant in (1, 2, 3, 4) for tooth in range(1, 9)]
    + [10 * quadrant + tooth for quadrant in (5, 6, 7, 8) for tooth in range(1, 6)]
)
"""The 52 two-digit codes of ISO 3950 (from memory)."""

_LARGEST_MM = 20.0
"""No limit of a veneer is larger: a larger number was meant in another unit."""


def toml_of(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except FileNotFoundError:
        raise ProfileError("no such file.", where=str(path), next_step="Check the path.") from None
    except OSError as error:
        raise ProfileError(
            f"cannot be read ({error.strerror or error}).",
            where=str(path),
            next_step="Check the path and its permissions.",
        ) from None
    except UnicodeDecodeError:
        raise ProfileError(
            "is not text in UTF-8.", where=path.name, next_step="Save it as UTF-8 text."
        ) from None
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise ProfileError(
            f"is not valid TOML: {error}.",
            where=path.name,
            next_step="Compare it with the output of «veneercheck profiles show generic».",
        ) from None


def known_keys(given: Mapping[str, Any], known: Any, where: str) -> None:
    for key in given:
        if key not in known:
            near = difflib.get_close_matches(key, list(known), n=1, cutoff=0.4)
            guess = f"Did you mean «{near[0]}»?" if near else f"Known: {', '.join(known)}."
            raise ProfileError(f"unknown key «{key}».", where=where, next_step=guess)


def table_of(given: Mapping[str, Any], key: str, where: str) -> Mapping[str, Any]:
    value = given.get(key, {})
    if not isinstance(value, Mapping):
        raise ProfileError(f"«{key}» is not a table.", where=where, next_step=f"Write [{key}].")
    return value


def length_of(given: Mapping[str, Any], key: str, standard: float, where: str) -> float:
    value = given.get(key, standard)
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ProfileError(
            f"{key} = {value!r} is not a number.", where=where, next_step="Give a number in mm."
        )
    if not 0.0 <= float(value) <= _LARGEST_MM:
        raise ProfileError(
            f"{key} = {value:g} is not between 0 and {_LARGEST_MM:g}.",
            where=where,
            next_step="Give it in millimetres (mm² for an area).",
        )
    return float(value)


def positive(value: Mapping[str, float], key: str, where: str) -> float:
    if not value[key] > 0:
        raise ProfileError(f"{key} must be above 0.", where=where, next_step="Give it in mm.")
    return value[key]


def text_of(given: Mapping[str, Any], key: str, standard: str, where: str) -> str:
    value = given.get(key, standard)
    if not isinstance(value, str):
        raise ProfileError(
            f"{key} = {value!r} is not text.", where=where, next_step="Put it in quotes."
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
        f"{key} = {value!r} is not a date.", where=where, next_step="Write it as 2026-03-31."
    )


def choice_of(
    given: Mapping[str, Any], key: str, known: tuple[str, ...], standard: str | None, where: str
) -> str | None:
    value = given.get(key, standard)
    if value is not None and value not in known:
        raise ProfileError(
            f"{key} = {value!r} is not known.", where=where, next_step=f"Known: {', '.join(known)}."
        )
    return None if value is None else str(value)


def words_of(given: Mapping[str, Any], key: str, where: str) -> tuple[str, ...]:
    value = given.get(key, [])
    if not isinstance(value, list):
        raise ProfileError(f"{key} is not a list.", where=where, next_step="Write it in [ ].")
    for word in value:
        if word not in SURFACES:
            raise ProfileError(
                f"«{word}» is no surface of a tooth.",
                where=where,
                next_step=f"Known: {', '.join(SURFACES)}.",
            )
    return tuple(value)


def codes_of(given: Mapping[str, Any], key: str, where: str) -> tuple[int, ...]:
    value = given.get(key, [])
    if not isinstance(value, list):
        raise ProfileError(f"{key} is not a list.", where=where, next_step="Write it in [ ].")
    for code in value:
        if type(code) is not int or code not in TOOTH_CODES:
            raise ProfileError(
                f"{key}: {code!r} is no tooth.",
                where=where,
                next_step="Give two-digit codes such as 46 (ISO 3950).",
            )
    if len(set(value)) != len(value):
        raise ProfileError(
            f"{key} names a tooth twice.", where=where, next_step="Name each tooth once."
        )
    return tuple(value)
