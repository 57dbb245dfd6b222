"""Profiles of limits and case files: TOML to typed values, with every key checked."""

from __future__ import annotations

import dataclasses
import difflib
import itertools
import json
import math
import tomllib
from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Any

from veneercheck.core.errors import ProfileError
from veneercheck.core.types import ASK, FORBIDDEN, Case, LayerLimits, Limits, Point, StageLimits

PRACTICE = "common practice, no source"
ESTIMATE = "our estimate, until the laboratory has measured its own"
OWN = "the laboratory's own"

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

SURFACES = (
    "occlusal", "buccal", "lingual", "palatal", "mesial", "distal", "basal", "incisal",
)  # fmt: skip
MATERIALS = ("alloy", "opaquer", "composite")
"""Materials of which a lot may be on record."""

STAGES = ("wax", "cast", "opaqued", "dentine", "finished")
_SCANS = ("framework", "waxup", "die")
_WAXUP_KINDS = ("scan", "key")
_METAL_STOPS = (ASK, FORBIDDEN)
_AXES = tuple(sign + axis for axis in "xyz" for sign in "+-")
TOOTH_CODES = frozenset(
    [10 * quadrant + tooth for quadrant in (1, 2, 3, 4) for tooth in range(1, 9)]
    + [10 * quadrant + tooth for quadrant in (5, 6, 7, 8) for tooth in range(1, 6)]
)
"""The 52 two-digit codes of ISO 3950 (from memory)."""

_LEAST_LANDMARKS = 3
_PICKED_WITHIN_MM = 2.0
"""A place is picked by hand to about half a millimetre."""

_LARGEST_MM = 20.0
"""No limit of a veneer is larger: a larger number was meant in another unit."""


@dataclasses.dataclass(frozen=True, slots=True)
class CaseFile:
    """A case file: the case itself, the profile it asks for and where its scans lie."""

    case: Case
    profile: str | None = None
    framework: Path | None = None
    waxup: Path | None = None
    die: Path | None = None
    waxup_kind: str = "scan"
    painted: Path | None = None
    """A copy of the framework on which areas are painted."""


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
    return parse_profile(_toml(path), where=path.name)


def parse_profile(document: Mapping[str, Any], *, where: str = "profile") -> Limits:
    """Turn a profile's document into limits; what it leaves out stays as built in."""
    _known_keys(document, ("name", *_TABLES, "surface", "stage"), where)
    name = _text(document, "name", Path(where).stem, where)
    return _limits(name, document, where)


def _limits(name: str, document: Mapping[str, Any], where: str) -> Limits:
    value: dict[str, float] = {}
    certainty: dict[str, str] = {}
    for table, fields in _TABLES.items():
        given = _table(document, table, where)
        _known_keys(given, fields, f"{where} [{table}]")
        for field, (standard, source) in fields.items():
            key = f"{table}.{field}"
            value[key] = _length(given, field, standard, f"{where} [{table}]")
            certainty[key] = OWN if field in given else source
    layer = _layer(value["layer.least_mm"], value["layer.greatest_mm"], f"{where} [layer]")
    return Limits(
        name=name,
        layer=layer,
        opaquer_mm=value["allowance.opaquer_mm"],
        opaquer_u_mm=value["allowance.opaquer_u_mm"],
        beads_mm=value["allowance.beads_mm"],
        finish_line_width_mm=_positive(value, "finish_line.width_mm", where),
        trueness_u_mm=value["scan.trueness_u_mm"],
        seating_u_mm=value["scan.seating_u_mm"],
        smallest_zone_mm2=_positive(value, "zone.smallest_mm2", where),
        narrowest_zone_mm=value["zone.narrowest_mm"],
        metal_least_mm=value["metal.least_mm"],
        bead_cover_mm=value["beads.least_cover_mm"],
        connector_least_mm2=value["connector.least_mm2"],
        connector_advice_mm2=value["connector.advice_mm2"],
        edge_radius_mm=value["edge.least_radius_mm"],
        increment_mm=_positive(value, "curing.increment_mm", where),
        surfaces=_surfaces(document, layer, where),
        certainty=certainty,
        stages=_stage_limits(document, layer, certainty, where),
    )


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
    given = _table(document, "surface", where)
    _known_keys(given, SURFACES, f"{where} [surface]")
    found = {}
    for surface in given:
        place = f"{where} [surface.{surface}]"
        fields = _table(given, surface, place)
        _known_keys(fields, ("least_mm", "greatest_mm"), place)
        least = _length(fields, "least_mm", layer.least_mm, place)
        found[surface] = _layer(
            least, _length(fields, "greatest_mm", layer.greatest_mm, place), place
        )
    return found


def _stage_limits(
    document: Mapping[str, Any], layer: LayerLimits, certainty: dict[str, str], where: str
) -> dict[str, StageLimits]:
    """What differs at each stage; `certainty` learns where it comes from."""
    given = _table(document, "stage", where)
    _known_keys(given, STAGES, f"{where} [stage]")
    found = {}
    for stage in STAGES:
        place = f"{where} [stage.{stage}]"
        own = _table(given, stage, place)
        _known_keys(own, _STAGE_FIELDS, place)
        standard = _STAGES.get(stage, {})
        names = [name for name in _STAGE_FIELDS if name in own or name in standard]
        value = {
            name: _length(own, name, standard.get(name, (0.0, ""))[0], place) for name in names
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


_CASE_KEYS = (
    "case", "units", "pontics", "stage", "profile", "scans", "frame", "veneered", "notes",
    "alloy", "composite", "shade", "lots", "scanner_checked", "landmarks",
)  # fmt: skip


def load_case(path: str | Path) -> CaseFile:
    """Read a case file; paths in it count from its own folder.

    Raises
    ------
    ProfileError
        If the file cannot be read, a key is unknown or a value makes no sense.
    """
    path = Path(path)
    return parse_case(_toml(path), where=path.name, folder=path.parent)


def parse_case(
    document: Mapping[str, Any], *, where: str = "case", folder: Path | None = None
) -> CaseFile:
    """Turn a case file's document into a case."""
    _known_keys(document, _CASE_KEYS, where)
    frame = _table(document, "frame", where)
    _known_keys(frame, ("occlusal", "buccal", "teeth"), f"{where} [frame]")
    veneered = _table(document, "veneered", where)
    _known_keys(veneered, ("surfaces", "metal_stops", "units"), f"{where} [veneered]")
    scans = _table(document, "scans", where)
    _known_keys(scans, (*_SCANS, "painted", "waxup_kind"), f"{where} [scans]")
    kind = _choice(scans, "waxup_kind", _WAXUP_KINDS, "scan", f"{where} [scans]") or "scan"
    lots = _table(document, "lots", where)
    _known_keys(lots, MATERIALS, f"{where} [lots]")
    units = _codes(document, "units", where)
    pontics = _codes(document, "pontics", where)
    _pontics_among_units(units, pontics, where)
    case = Case(
        number=_text(document, "case", "", where) or None,
        units=units,
        pontics=pontics,
        stage=_choice(document, "stage", STAGES, "wax", where) or "wax",
        occlusal=_choice(frame, "occlusal", _AXES, None, f"{where} [frame]"),
        buccal=_choice(frame, "buccal", _AXES, None, f"{where} [frame]"),
        veneered=_words(veneered, "surfaces", f"{where} [veneered]"),
        metal_stops=_choice(veneered, "metal_stops", _METAL_STOPS, ASK, f"{where} [veneered]")
        or ASK,
        notes=_text(document, "notes", "", where),
        veneered_units=_veneered_units(veneered, units, f"{where} [veneered.units]"),
        tooth_points_mm=_tooth_points(frame, units, f"{where} [frame.teeth]"),
        alloy=_text(document, "alloy", "", where),
        composite=_text(document, "composite", "", where),
        shade=_text(document, "shade", "", where),
        lots={name: _text(lots, name, "", f"{where} [lots]") for name in lots},
        scanner_checked=_day(document, "scanner_checked", where),
        landmarks_mm=_landmarks(document, f"{where} [[landmarks]]"),
    )
    _frame_axes_differ(case, where)
    base = folder or Path()
    named = [name for name in (*_SCANS, "painted") if name in scans]
    paths = {name: base / _text(scans, name, "", where) for name in named}
    profile = _text(document, "profile", "", where) or None
    if profile and profile not in profile_names():
        profile = str(base / profile)
    framework, waxup, die = (paths.get(name) for name in _SCANS)
    return CaseFile(case, profile, framework, waxup, die, kind, paths.get("painted"))


def _veneered_units(
    veneered: Mapping[str, Any], units: tuple[int, ...], where: str
) -> dict[int, tuple[str, ...]]:
    """Surfaces meant for veneer on single units: `46 = ["occlusal", "buccal"]`."""
    given = _table(veneered, "units", where)
    _known_keys(given, [str(unit) for unit in units], where)
    return {int(code): _words(given, code, where) for code in given}


def _landmarks(document: Mapping[str, Any], where: str) -> tuple[tuple[Point, Point], ...]:
    """Places picked on both scans: `[[landmarks]]` with `framework` and `waxup`, each [x, y, z]."""
    given = document.get("landmarks", [])
    if not isinstance(given, list) or not all(isinstance(one, Mapping) for one in given):
        raise ProfileError(
            "is not a list of tables.", where=where, next_step="Write [[landmarks]]."
        )
    if given and len(given) < _LEAST_LANDMARKS:
        raise ProfileError(
            f"{len(given)} landmarks are too few to place one scan on the other.",
            where=where,
            next_step="Pick at least three pairs, far apart and not on one line.",
        )
    pairs = []
    for one in given:
        _known_keys(one, ("framework", "waxup"), where)
        pairs.append((_picked(one, "framework", where), _picked(one, "waxup", where)))
    _belong_together(tuple(pairs), where)
    return tuple(pairs)


def _picked(one: Mapping[str, Any], scan: str, where: str) -> Point:
    value = one.get(scan)
    numbers = value if isinstance(value, list) else []
    if len(numbers) != 3 or not all(
        type(number) in (int, float) and math.isfinite(number) for number in numbers
    ):
        raise ProfileError(
            f"{scan} = {value!r} is no point.",
            where=where,
            next_step=f"Give {scan} = [x, y, z] in mm, in that scan's own frame.",
        )
    return float(numbers[0]), float(numbers[1]), float(numbers[2])


def _belong_together(pairs: tuple[tuple[Point, Point], ...], where: str) -> None:
    """Refuse pairs whose distances differ: swapped, mirrored, or in two units."""
    for first, second in itertools.combinations(pairs, 2):
        apart = [math.dist(first[scan], second[scan]) for scan in (0, 1)]
        if abs(apart[0] - apart[1]) > _PICKED_WITHIN_MM:
            raise ProfileError(
                f"two landmarks are {apart[0]:.1f} mm apart on the framework and {apart[1]:.1f} mm "
                "on the wax-up.",
                where=where,
                next_step="Pick the same places on both scans, in the same order, in mm.",
            )


def _tooth_points(
    frame: Mapping[str, Any], units: tuple[int, ...], where: str
) -> dict[int, tuple[float, float, float]]:
    """Points on teeth: `46 = [x, y, z]` in the wax-up's frame, in mm."""
    given = _table(frame, "teeth", where)
    _known_keys(given, [str(unit) for unit in units], where)
    points = {}
    for code, value in given.items():
        numbers = value if isinstance(value, list) else []
        if len(numbers) != 3 or not all(type(number) in (int, float) for number in numbers):
            raise ProfileError(
                f"{code} = {value!r} is not a point.",
                where=where,
                next_step=f"Give three numbers in mm, such as {code} = [1.5, 0.0, 6.2].",
            )
        x, y, z = (float(number) for number in numbers)
        points[int(code)] = (x, y, z)
    return points


def _pontics_among_units(units: tuple[int, ...], pontics: tuple[int, ...], where: str) -> None:
    stray = [code for code in pontics if code not in units]
    if stray:
        raise ProfileError(
            f"pontic {stray[0]} is not among the units.",
            where=where,
            next_step="List every tooth of the bridge under units, in order along it.",
        )


def _frame_axes_differ(case: Case, where: str) -> None:
    if case.occlusal and case.buccal and case.occlusal[1] == case.buccal[1]:
        raise ProfileError(
            f"occlusal {case.occlusal} and buccal {case.buccal} lie along one axis.",
            where=f"{where} [frame]",
            next_step="They stand at right angles: correct one of them.",
        )


def _toml(path: Path) -> dict[str, Any]:
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


def _known_keys(given: Mapping[str, Any], known: Any, where: str) -> None:
    for key in given:
        if key not in known:
            near = difflib.get_close_matches(key, list(known), n=1, cutoff=0.4)
            guess = f"Did you mean «{near[0]}»?" if near else f"Known: {', '.join(known)}."
            raise ProfileError(f"unknown key «{key}».", where=where, next_step=guess)


def _table(given: Mapping[str, Any], key: str, where: str) -> Mapping[str, Any]:
    value = given.get(key, {})
    if not isinstance(value, Mapping):
        raise ProfileError(f"«{key}» is not a table.", where=where, next_step=f"Write [{key}].")
    return value


def _length(given: Mapping[str, Any], key: str, standard: float, where: str) -> float:
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


def _positive(value: Mapping[str, float], key: str, where: str) -> float:
    if not value[key] > 0:
        raise ProfileError(f"{key} must be above 0.", where=where, next_step="Give it in mm.")
    return value[key]


def _text(given: Mapping[str, Any], key: str, standard: str, where: str) -> str:
    value = given.get(key, standard)
    if not isinstance(value, str):
        raise ProfileError(
            f"{key} = {value!r} is not text.", where=where, next_step="Put it in quotes."
        )
    return value


def _day(given: Mapping[str, Any], key: str, where: str) -> str | None:
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


def _choice(
    given: Mapping[str, Any], key: str, known: tuple[str, ...], standard: str | None, where: str
) -> str | None:
    value = given.get(key, standard)
    if value is not None and value not in known:
        raise ProfileError(
            f"{key} = {value!r} is not known.", where=where, next_step=f"Known: {', '.join(known)}."
        )
    return None if value is None else str(value)


def _words(given: Mapping[str, Any], key: str, where: str) -> tuple[str, ...]:
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


def _codes(given: Mapping[str, Any], key: str, where: str) -> tuple[int, ...]:
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
