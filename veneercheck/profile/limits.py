"""Profiles of limits: the built-in one, those of a laboratory, and back to TOML."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from veneercheck.core.errors import ProfileError
from veneercheck.core.types import LayerLimits, Limits, StageLimits
from veneercheck.profile.keys import (
    STAGES,
    SURFACES,
    choice_of,
    known_keys,
    length_of,
    positive,
    table_of,
    text_of,
    toml_of,
)
from veneercheck.texts import writable

PRACTICE = "common practice, no source"
ESTIMATE = "our estimate, until the laboratory has measured its own"
OWN = "the laboratory's own"

CALIBRATION, TOLD, NEEDED = "calibration", "told", "needed"
"""Key under [scan], and what an absent calibration of the scanner does to a check on record."""

GENERIC = "generic"
"""Name of the built-in profile: laboratory composite over metal, no particular material."""

_TABLES: Mapping[str, Mapping[str, tuple[float, str]]] = {
    "layer": {
        "least_mm": (1.0, f"{PRACTICE}; read as net of opaquer and beads"),
        "greatest_mm": (2.0, f"{PRACTICE}; borrowed from metal-ceramics"),
    },
    "allowance": {
        "opaquer_mm": (0.2, f"{PRACTICE}: two coats together 0.1–0.3 mm"),
        "opaquer_u_mm": (0.03, ESTIMATE),
        "beads_mm": (0.0, f"{PRACTICE}: half the bead's diameter where beads are used"),
    },
    "finish_line": {"width_mm": (0.8, PRACTICE)},
    "scan": {"trueness_u_mm": (0.01, ESTIMATE), "seating_u_mm": (0.03, ESTIMATE)},
    "zone": {
        "smallest_mm2": (0.25, ESTIMATE),
        "narrowest_mm": (0.4, ESTIMATE),
    },
    "metal": {"least_mm": (0.5, f"{PRACTICE}: retainers of bridges; single crowns 0.3 mm")},
    "beads": {"least_cover_mm": (0.8, ESTIMATE)},
    "connector": {
        "least_mm2": (6.0, f"{PRACTICE}: posterior, three units; longer spans need more"),
        "advice_mm2": (9.0, f"{PRACTICE}: posterior, three units; longer spans need more"),
    },
    "edge": {"least_radius_mm": (0.2, ESTIMATE)},
    "curing": {"increment_mm": (2.0, "Oper Dent 2008;33:408: less in dark or opaque shades")},
}
"""Every limit of a profile with its built-in value and where that value comes from."""

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

    Returns
    -------
    Limits

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
            f"there is no profile «{name_or_path}».",
            next_step=f"Built in: {known}; or give the path of a TOML file.",
        )
    return parse_profile(toml_of(path), where=writable(path.name))


def parse_profile(document: Mapping[str, Any], *, where: str = "profile") -> Limits:
    """Turn a profile's document into limits; what it leaves out stays as built in."""
    known_keys(document, ("name", *_TABLES, "surface", "stage"), where)
    name = text_of(document, "name", Path(where).stem, where)
    return _limits(name, document, where)


def _limits(name: str, document: Mapping[str, Any], where: str) -> Limits:
    value: dict[str, float] = {}
    certainty: dict[str, str] = {}
    for table, fields in _TABLES.items():
        given = table_of(document, table, where)
        words = (CALIBRATION,) if table == "scan" else ()
        known_keys(given, (*fields, *words), f"{where} [{table}]")
        for field, (standard, source) in fields.items():
            key = f"{table}.{field}"
            value[key] = length_of(given, field, standard, f"{where} [{table}]")
            certainty[key] = OWN if field in given else source
    layer = _layer(value["layer.least_mm"], value["layer.greatest_mm"], f"{where} [layer]")
    return Limits(
        name=name,
        layer=layer,
        opaquer_mm=value["allowance.opaquer_mm"],
        opaquer_u_mm=value["allowance.opaquer_u_mm"],
        beads_mm=value["allowance.beads_mm"],
        finish_line_width_mm=positive(value, "finish_line.width_mm", where),
        trueness_u_mm=value["scan.trueness_u_mm"],
        seating_u_mm=value["scan.seating_u_mm"],
        smallest_zone_mm2=positive(value, "zone.smallest_mm2", where),
        narrowest_zone_mm=value["zone.narrowest_mm"],
        metal_least_mm=value["metal.least_mm"],
        bead_cover_mm=value["beads.least_cover_mm"],
        connector_least_mm2=value["connector.least_mm2"],
        connector_advice_mm2=value["connector.advice_mm2"],
        edge_radius_mm=value["edge.least_radius_mm"],
        increment_mm=positive(value, "curing.increment_mm", where),
        surfaces=_surfaces(document, layer, where),
        certainty=certainty,
        calibration_needed=_calibration_needed(document, where),
        stages=_stage_limits(document, layer, certainty, where),
    )


def _calibration_needed(document: Mapping[str, Any], where: str) -> bool:
    given = table_of(document, "scan", where)
    return choice_of(given, CALIBRATION, (TOLD, NEEDED), TOLD, f"{where} [scan]") == NEEDED


def _layer(least: float, greatest: float, where: str) -> LayerLimits:
    if not least < greatest:
        raise ProfileError(
            f"least_mm = {least:g} is not below greatest_mm = {greatest:g}.",
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
            certainty[f"stage.{stage}.{name}"] = OWN if name in own else standard[name][1]
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
    value = {
        "layer.least_mm": limits.layer.least_mm,
        "layer.greatest_mm": limits.layer.greatest_mm,
        "allowance.opaquer_mm": limits.opaquer_mm,
        "allowance.opaquer_u_mm": limits.opaquer_u_mm,
        "allowance.beads_mm": limits.beads_mm,
        "finish_line.width_mm": limits.finish_line_width_mm,
        "scan.trueness_u_mm": limits.trueness_u_mm,
        "scan.seating_u_mm": limits.seating_u_mm,
        "zone.smallest_mm2": limits.smallest_zone_mm2,
        "zone.narrowest_mm": limits.narrowest_zone_mm,
        "metal.least_mm": limits.metal_least_mm,
        "beads.least_cover_mm": limits.bead_cover_mm,
        "connector.least_mm2": limits.connector_least_mm2,
        "connector.advice_mm2": limits.connector_advice_mm2,
        "edge.least_radius_mm": limits.edge_radius_mm,
        "curing.increment_mm": limits.increment_mm,
    }
    # A JSON string is a TOML basic string, but for one character that TOML wants escaped.
    lines = [f"name = {json.dumps(limits.name, ensure_ascii=False)}".replace("\x7f", "\\u007F")]
    for table, fields in _TABLES.items():
        lines += ["", f"[{table}]"]
        for field in fields:
            key = f"{table}.{field}"
            lines.append(f"{field} = {value[key]}  # {limits.certainty.get(key, OWN)}")
        if table == "scan" and limits.calibration_needed:
            lines.append(f'{CALIBRATION} = "{NEEDED}"')
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
