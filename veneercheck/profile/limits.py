"""Profiles of limits: the built-in one, those of a laboratory, and back to TOML."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from veneercheck.core.errors import ProfileError, Told
from veneercheck.core.types import (
    ESTIMATE,
    LIMITS,
    PRACTICE,
    LayerLimits,
    Limits,
    StageLimits,
    by_section,
)
from veneercheck.machine.texts import writable
from veneercheck.profile.keys import (
    STAGES,
    SURFACES,
    choice_of,
    known_keys,
    length_of,
    positive,
    table_of,
    text_of,
    told,
    toml_of,
)

OWN = "the laboratory's own"

CALIBRATION, TOLD, NEEDED = "calibration", "told", "needed"
"""Key under [scan], and what an absent calibration of the scanner does to a check on record."""

PASTE, DENSITY = "paste", "density_g_cm3"

_DENSITIES = (0.8, 4.0)
"""Resin without filler is about 1.1, a composite full of glass about 2.4: from memory."""

GENERIC = "generic"
"""Name of the built-in profile: laboratory composite over metal, no particular material."""

_SECTIONS = by_section(LIMITS)

_STAGES: Mapping[str, Mapping[str, tuple[float, str]]] = {
    "cast": {"finishing_mm": (0.1, f"{PRACTICE}: finishing and blasting")},
    "opaqued": {
        "opaquer_mm": (0.0, "it is on already"),
        "beads_mm": (0.0, "it is on already"),
    },
    "dentine": {
        "least_mm": (0.3, ESTIMATE),
        "greatest_mm": (1.0, ESTIMATE),
        "opaquer_mm": (0.0, "it is on already"),
        "beads_mm": (0.0, "it is on already"),
    },
}
"""What differs at a stage; a finished veneer is judged as the space for it was."""

_STAGE_FIELDS = tuple(field.name for field in dataclasses.fields(StageLimits))


def built_in() -> Limits:
    """The generic profile: laboratory composite over metal."""
    return _limits(GENERIC, {}, "built-in profile")


def profile_names() -> tuple[str, ...]:
    """Names of the profiles that come with the program."""
    return (GENERIC,)


def load_profile(name_or_path: str | Path) -> Limits:
    """Read a profile by name or by path.

    Parameters
    ----------
    name_or_path : str or Path
        `generic`, or a TOML file that gives the limits that differ from it.

    Raises
    ------
    ProfileError
        If the file cannot be read, a key is unknown or a value makes no sense.
    """
    if str(name_or_path) == GENERIC:
        return built_in()
    path = Path(name_or_path)
    if not path.suffix and not path.exists():
        known = ", ".join(profile_names())
        raise ProfileError(
            Told("there is no profile «{name_or_path}».", name_or_path=name_or_path),
            next_step=Told("Built in: {known}; or give the path of a TOML file.", known=known),
        )
    return parse_profile(toml_of(path), where=writable(path.name))


def parse_profile(document: Mapping[str, Any], *, where: str = "profile") -> Limits:
    """Turn a profile's document into limits; what it leaves out stays as built in."""
    known_keys(document, ("name", *_SECTIONS, PASTE, "surface", "stage"), where)
    name = text_of(document, "name", Path(where).stem, where)
    return _limits(name, document, where)


def _limits(name: str, document: Mapping[str, Any], where: str) -> Limits:
    value: dict[str, float] = {}
    certainty: dict[str, str] = {}
    for section, rows in _SECTIONS.items():
        place = f"{where} [{section}]"
        given = table_of(document, section, where)
        words = (CALIBRATION,) if section == "scan" else ()
        known_keys(given, (*rows, *words), place)
        for field, row in rows.items():
            value[row.key] = length_of(given, field, row.standard, place)
            if row.above_zero:
                positive(value, row.key, where)
            # A profile written out and changed in one line is the laboratory's own in that line.
            certainty[row.key] = (
                row.source if given.get(field, row.standard) == row.standard else OWN
            )
    layer = _layer(value["layer.least_mm"], value["layer.greatest_mm"], f"{where} [layer]")
    return Limits.of(
        name,
        value,
        surfaces=_surfaces(document, layer, where),
        calibration_needed=_calibration_needed(document, where),
        density_g_cm3=_density(document, where),
        stages=_stage_limits(document, layer, certainty, where),
        certainty=certainty,
    )


def _density(document: Mapping[str, Any], where: str) -> float | None:
    """Of the composite, as its maker states it: `[paste]` with `density_g_cm3`."""
    given = table_of(document, PASTE, where)
    known_keys(given, (DENSITY,), f"{where} [{PASTE}]")
    value = given.get(DENSITY)
    if value is None:
        return None
    low, high = _DENSITIES
    if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
        raise ProfileError(
            Told("{key} = {value} is no density of a composite.", key=DENSITY, value=told(value)),
            where=f"{where} [{PASTE}]",
            next_step=Told(
                "Give it in g/cm³, between {low:g} and {high:g}, as its maker states it.",
                low=low,
                high=high,
            ),
        )
    return float(value)


def _calibration_needed(document: Mapping[str, Any], where: str) -> bool:
    given = table_of(document, "scan", where)
    return choice_of(given, CALIBRATION, (TOLD, NEEDED), TOLD, f"{where} [scan]") == NEEDED


def _layer(least: float, greatest: float, where: str) -> LayerLimits:
    if not least < greatest:
        raise ProfileError(
            Told(
                "least_mm = {least:g} is not below greatest_mm = {greatest:g}.",
                least=least,
                greatest=greatest,
            ),
            where=where,
            next_step="Give a least layer smaller than the greatest one.",
        )
    return LayerLimits(least, greatest)


def _surfaces(
    document: Mapping[str, Any], layer: LayerLimits, where: str
) -> dict[str, LayerLimits]:
    given = table_of(document, "surface", where)
    known_keys(given, SURFACES, f"{where} [surface]")
    found = {}
    for surface in given:
        place = f"{where} [surface.{surface}]"
        fields = table_of(given, surface, place)
        known_keys(fields, ("least_mm", "greatest_mm"), place)
        least = length_of(fields, "least_mm", layer.least_mm, place)
        found[surface] = _layer(
            least, length_of(fields, "greatest_mm", layer.greatest_mm, place), place
        )
    return found


def _stage_limits(
    document: Mapping[str, Any], layer: LayerLimits, certainty: dict[str, str], where: str
) -> dict[str, StageLimits]:
    """What differs at each stage; `certainty` learns where it comes from."""
    given = table_of(document, "stage", where)
    known_keys(given, STAGES, f"{where} [stage]")
    found = {}
    for stage in STAGES:
        place = f"{where} [stage.{stage}]"
        own = table_of(given, stage, place)
        known_keys(own, _STAGE_FIELDS, place)
        standard = _STAGES.get(stage, {})
        names = [name for name in _STAGE_FIELDS if name in own or name in standard]
        value = {
            name: length_of(own, name, standard.get(name, (0.0, ""))[0], place) for name in names
        }
        for name in names:
            usual, source = standard.get(name, (None, OWN))
            certainty[f"stage.{stage}.{name}"] = source if value[name] == usual else OWN
        _layer(
            value.get("least_mm", layer.least_mm),
            value.get("greatest_mm", layer.greatest_mm),
            place,
        )
        if value:
            found[stage] = StageLimits(**value)
    return found


def profile_toml(limits: Limits) -> str:
    """A profile as a TOML file, every limit with its certainty beside it."""
    # A JSON string is a TOML basic string, but for one character that TOML wants escaped.
    lines = [f"name = {json.dumps(limits.name, ensure_ascii=False)}".replace("\x7f", "\\u007F")]
    for section, values in by_section(limits.values()).items():
        lines += ["", f"[{section}]"]
        for field, value in values.items():
            lines.append(f"{field} = {value}  # {limits.certainty.get(f'{section}.{field}', OWN)}")
        if section == "scan" and limits.calibration_needed:
            lines.append(f'{CALIBRATION} = "{NEEDED}"')
    if limits.density_g_cm3 is not None:
        lines += ["", f"[{PASTE}]", f"{DENSITY} = {limits.density_g_cm3}"]
    for surface, layer in limits.surfaces.items():
        lines += ["", f"[surface.{surface}]"]
        lines += [f"least_mm = {layer.least_mm}", f"greatest_mm = {layer.greatest_mm}"]
    for stage, own in limits.stages.items():
        lines += ["", f"[stage.{stage}]"]
        for field in _STAGE_FIELDS:
            key = f"stage.{stage}.{field}"
            if key in limits.certainty:
                lines.append(f"{field} = {getattr(own, field)}  # {limits.certainty[key]}")
    return "\n".join(lines) + "\n"
