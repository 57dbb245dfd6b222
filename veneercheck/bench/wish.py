"""What the page asks for, checked field by field before anything is filed."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Mapping
from typing import Any

from veneercheck.core.errors import ProfileError, Told
from veneercheck.profile import STAGES, TOOTH_CODES, parse_case
from veneercheck.report.words import LANGUAGES, Language

UNITS = ("mm", "cm", "m", "um", "inch")
_FIELDS = (
    "framework", "waxup", "after", "number", "units", "pontics", "surfaces", "metal_stops",
    "stage", "profile", "beads_mm", "unit", "lang", "occlusal", "buccal", "teeth",
    "by_unit", "painted", "landmarks", "die", "alloy", "composite", "shade", "lots", "notes",
)  # fmt: skip
_LONGEST_TEXT, _LONGEST_NOTES = 80, 400
_LARGEST_BEAD_MM = 1.0
"""Retention beads are 0.2-0.6 mm across (common practice, no source)."""


@dataclasses.dataclass(frozen=True, slots=True)
class Wish:
    """One check as the page asks for it; the scans by number."""

    framework: str | None
    waxup: str | None
    after: str | None
    painted: str | None
    """A painted copy by its number, or `painted` for that of the check before."""
    die: str | None
    """A scan of the die by its number, or `die` for that of the check before."""
    case: dict[str, Any]
    """The case file's document; empty where nothing was said."""
    profile: str | None
    beads_mm: float | None
    unit: str | None
    lang: Language


def read_wish(data: object) -> Wish:
    """Turn a request's JSON into a wish.

    Raises
    ------
    ProfileError
        If a field is unknown or makes no sense.
    """
    given = _mapping(data)
    lang = _one_of(given, "lang", LANGUAGES) or "en"
    beads = given.get("beads_mm")
    if beads is not None and not (type(beads) in (int, float) and 0.0 <= beads <= _LARGEST_BEAD_MM):
        raise _wrong("beads_mm", beads)
    return Wish(
        framework=_text(given, "framework"),
        waxup=_text(given, "waxup"),
        after=_text(given, "after"),
        painted=_text(given, "painted"),
        die=_text(given, "die"),
        case=_case(given),
        profile=_text(given, "profile"),
        beads_mm=None if beads is None else float(beads),
        unit=_one_of(given, "unit", UNITS),
        lang=lang,  # type: ignore[arg-type]  # one of the languages, as checked above
    )


def _mapping(data: object) -> Mapping[str, Any]:
    if not isinstance(data, Mapping):
        raise _wrong("request", type(data).__name__)
    for name in data:
        if name not in _FIELDS:
            raise _wrong("field", name)
    return data


def _case(given: Mapping[str, Any]) -> dict[str, Any]:
    """The case file's document with what was said; unsaid is left out."""
    found: dict[str, Any] = {}
    number = _text(given, "number")
    if number:
        found["case"] = number
    units = in_order(_codes(given, "units"))
    if units:
        found["units"] = units
        found["pontics"] = [code for code in units if code in _codes(given, "pontics")]
    stage = _one_of(given, "stage", STAGES)
    if stage and stage != "wax":
        found["stage"] = stage
    found |= _of_lab(given)
    frame: dict[str, Any] = {
        axis: value for axis in ("occlusal", "buccal") if (value := _way(given, axis)) is not None
    }
    if given.get("teeth"):
        frame["teeth"] = _mapping_of(given, "teeth")
    if frame:
        found["frame"] = frame
    veneered: dict[str, Any] = {}
    surfaces = given.get("surfaces") or []
    if surfaces:
        veneered["surfaces"] = surfaces
    stops = _text(given, "metal_stops")
    if stops and stops != "ask":
        veneered["metal_stops"] = stops
    if given.get("by_unit"):
        veneered["units"] = _mapping_of(given, "by_unit")
    if veneered:
        found["veneered"] = veneered
    if given.get("landmarks"):
        found["landmarks"] = given["landmarks"]
    parse_case(found)
    return found


def _of_lab(given: Mapping[str, Any]) -> dict[str, Any]:
    """Materials, their lots and notes."""
    said: dict[str, Any] = {name: _text(given, name) for name in ("alloy", "composite", "shade")}
    said |= {"notes": _text(given, "notes", _LONGEST_NOTES), "lots": _lots(given)}
    return {name: value for name, value in said.items() if value}


def _lots(given: Mapping[str, Any]) -> dict[str, str]:
    """Lots by their material; the case file knows which materials there are."""
    told = given.get("lots") or {}
    if not isinstance(told, Mapping):
        raise _wrong("lots", told)
    said = {str(name): _text(told, name) for name in told}
    return {name: lot for name, lot in said.items() if lot}


def _mapping_of(given: Mapping[str, Any], key: str) -> dict[str, Any]:
    """By tooth, what the case file takes as it is: points, or surfaces."""
    value = given[key]
    if not isinstance(value, Mapping) or not all(isinstance(one, list) for one in value.values()):
        raise _wrong(key, value)
    return dict(value)


def in_order(codes: list[int]) -> list[int]:
    """Teeth in their order along the arch.

    Raises
    ------
    ProfileError
        If they belong to both jaws.
    """
    upper = [code for code in codes if code // 10 in (1, 2, 5, 6)]
    if upper and len(upper) != len(codes):
        raise ProfileError(
            "teeth of both jaws were chosen.",
            where="units",
            next_step="A bridge stands in one jaw: take out those of the other.",
        )
    return sorted(codes, key=_place)


def _place(code: int) -> int:
    """Where along the arch a tooth stands, from one end to the other."""
    quadrant, tooth = divmod(code, 10)
    return -tooth if quadrant in (1, 4, 5, 8) else tooth


def _codes(given: Mapping[str, Any], key: str) -> list[int]:
    value = given.get(key) or []
    if not isinstance(value, list) or not all(
        type(code) is int and code in TOOTH_CODES for code in value
    ):
        raise _wrong(key, value)
    return list(dict.fromkeys(value))


def _way(given: Mapping[str, Any], key: str) -> str | list[Any] | None:
    """An axis, or a vector as the model was turned; the case file knows what makes sense."""
    value = given.get(key)
    return value if isinstance(value, list) else _text(given, key)


def _text(given: Mapping[str, Any], key: str, longest: int = _LONGEST_TEXT) -> str | None:
    value = given.get(key)
    if value is None or value == "":
        return None
    if not isinstance(value, str) or len(value) > longest or not value.isprintable():
        raise _wrong(key, value)
    return value.strip() or None


def _one_of(given: Mapping[str, Any], key: str, known: tuple[str, ...]) -> str | None:
    value = _text(given, key)
    if value is not None and value not in known:
        raise _wrong(key, value)
    return value


def _wrong(what: str, value: object) -> ProfileError:
    return ProfileError(
        Told("{value!r:.80} cannot be used.", value=value),
        where=what,
        next_step="Correct it and send it again.",
    )


def toml_text(document: Mapping[str, Any]) -> str:
    """A document of texts, numbers, lists and tables as TOML."""
    plain = {key: value for key, value in document.items() if not _holds_tables(value)}
    lines = [f"{key} = {_value(value)}" for key, value in plain.items()]
    for key, value in document.items():
        if _is_table(value):
            lines += _table_lines(key, value)
        elif _holds_tables(value):
            for one in value:
                lines += ["", f"[[{key}]]", *(f"{name} = {_value(it)}" for name, it in one.items())]
    return "\n".join(lines) + "\n"


def _table_lines(path: str, table: Mapping[str, Any]) -> list[str]:
    own = [f"{key} = {_value(value)}" for key, value in table.items() if not _is_table(value)]
    lines = ["", f"[{path}]", *own] if own else []
    for key, value in table.items():
        if _is_table(value):
            lines += _table_lines(f"{path}.{key}", value)
    return lines


def _is_table(value: object) -> bool:
    return isinstance(value, Mapping)


def _holds_tables(value: object) -> bool:
    """A table, or a list of them."""
    return _is_table(value) or (isinstance(value, list) and bool(value) and _is_table(value[0]))


def _value(value: object) -> str:
    """JSON's texts, numbers and lists are TOML's too, but for one character."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
