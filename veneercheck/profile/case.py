"""Case files: what the work is, where its scans lie, what was told of them by hand."""

from __future__ import annotations

import dataclasses
import itertools
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from veneercheck.core.errors import ProfileError, Told
from veneercheck.core.types import (
    ASK,
    AXES,
    FORBIDDEN,
    MEANT,
    Case,
    FinishLine,
    Point,
    Way,
    unit_way,
)
from veneercheck.profile.keys import (
    AS_TEXT,
    STAGES,
    choice_of,
    codes_of,
    day_of,
    known_keys,
    table_of,
    text_of,
    told,
    toml_of,
    words_of,
)
from veneercheck.profile.limits import profile_names

MATERIALS = ("alloy", "opaquer", "composite")
"""Materials of which a lot may be on record."""

_SCANS = ("framework", "waxup", "die")
_BESIDE = ("painted", "plan")
_WAXUP_KINDS = ("scan", "key")
_METAL_STOPS = (ASK, MEANT, FORBIDDEN)
_LEAST_LANDMARKS, _MOST_LANDMARKS = 3, 20
_LEAST_OF_LINE, _MOST_OF_LINE = 3, 500
_PICKED_WITHIN_MM = 2.0
"""A place is picked by hand to about half a millimetre."""

_LEAST_SPREAD_MM = 2.0
"""How far off the line through two of the places a third must lie: at less, half a millimetre
turns the start by more than the fit makes good (0.25 rad)."""


_LEAST_WAY = 1e-6
"""A shorter vector is no direction."""

_MOST_ALIKE = 0.8
"""Buccal so near to occlusal or its opposite, as a cosine: within 37°; they stand at right angles,
and a hand that turns a model is 20° off at most."""

_FARTHEST_MM = 1e6
"""A kilometre, as for a scan's own coordinates: beyond it, it is no place."""


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
    scanner: str = ""
    """Name of the scanner, as it is on record."""
    plan: Path | None = None
    """Folder of the plan of this cut."""
    finish_lines: tuple[FinishLine, ...] = ()
    """Picked on the wax-up, for a plan."""


_CASE_KEYS = (
    "case", "units", "pontics", "stage", "profile", "scans", "frame", "veneered", "notes",
    "alloy", "composite", "shade", "lots", "scanner", "scanner_checked",
    "landmarks", "finish_line",
)  # fmt: skip


def load_case(path: str | Path) -> CaseFile:
    """Read a case file; paths in it count from its own folder.

    Raises
    ------
    ProfileError
        If the file cannot be read, a key is unknown or a value makes no sense.
    """
    path = Path(path)
    return parse_case(toml_of(path, AS_TEXT), where=path.name, folder=path.parent)


def parse_case(
    document: Mapping[str, Any], *, where: str = "case", folder: Path | None = None
) -> CaseFile:
    """Turn a case file's document into a case."""
    known_keys(document, _CASE_KEYS, where)
    frame = table_of(document, "frame", where)
    known_keys(frame, ("occlusal", "buccal", "teeth"), f"{where} [frame]")
    veneered = table_of(document, "veneered", where)
    known_keys(veneered, ("surfaces", "metal_stops", "units"), f"{where} [veneered]")
    scans = table_of(document, "scans", where)
    known_keys(scans, (*_SCANS, *_BESIDE, "waxup_kind"), f"{where} [scans]")
    kind = choice_of(scans, "waxup_kind", _WAXUP_KINDS, "scan", f"{where} [scans]") or "scan"
    lots = table_of(document, "lots", where)
    known_keys(lots, MATERIALS, f"{where} [lots]")
    units = codes_of(document, "units", where)
    pontics = codes_of(document, "pontics", where)
    _pontics_among_units(units, pontics, where)
    case = Case(
        number=text_of(document, "case", "", where) or None,
        units=units,
        pontics=pontics,
        stage=choice_of(document, "stage", STAGES, "wax", where) or "wax",
        occlusal=_way(frame, "occlusal", f"{where} [frame]"),
        buccal=_way(frame, "buccal", f"{where} [frame]"),
        veneered=words_of(veneered, "surfaces", f"{where} [veneered]"),
        metal_stops=choice_of(veneered, "metal_stops", _METAL_STOPS, ASK, f"{where} [veneered]")
        or ASK,
        notes=text_of(document, "notes", "", where),
        veneered_units=_veneered_units(veneered, units, f"{where} [veneered.units]"),
        tooth_points_mm=_tooth_points(frame, units, f"{where} [frame.teeth]"),
        alloy=text_of(document, "alloy", "", where),
        composite=text_of(document, "composite", "", where),
        shade=text_of(document, "shade", "", where),
        lots={name: text_of(lots, name, "", f"{where} [lots]") for name in lots},
        scanner_checked=day_of(document, "scanner_checked", where),
        landmarks_mm=_landmarks(document, f"{where} [[landmarks]]"),
    )
    _frame_axes_differ(case, where)
    base = folder or Path()
    named = [name for name in (*_SCANS, *_BESIDE) if name in scans]
    paths = {name: base / text_of(scans, name, "", where) for name in named}
    profile = text_of(document, "profile", "", where) or None
    if profile and profile not in profile_names():
        profile = str(base / profile)
    framework, waxup, die = (paths.get(name) for name in _SCANS)
    scanner = text_of(document, "scanner", "", where)
    beside = [paths.get(name) for name in _BESIDE]
    lines = _finish_lines(document, f"{where} [[finish_line]]")
    return CaseFile(
        case, profile, framework, waxup, die, kind, beside[0], scanner, beside[1], lines
    )


def _veneered_units(
    veneered: Mapping[str, Any], units: tuple[int, ...], where: str
) -> dict[int, tuple[str, ...]]:
    """Surfaces meant for veneer on single units: `46 = ["occlusal", "buccal"]`."""
    given = table_of(veneered, "units", where)
    known_keys(given, [str(unit) for unit in units], where)
    return {int(code): words_of(given, code, where) for code in given}


def _landmarks(document: Mapping[str, Any], where: str) -> tuple[tuple[Point, Point], ...]:
    """Places picked on both scans: `[[landmarks]]` with `framework` and `waxup`, each [x, y, z]."""
    given = document.get("landmarks", [])
    if not isinstance(given, list) or not all(isinstance(one, Mapping) for one in given):
        raise ProfileError(
            "is not a list of tables.", where=where, next_step="Write [[landmarks]]."
        )
    if given and len(given) < _LEAST_LANDMARKS:
        raise ProfileError(
            Told("{count} landmarks are too few to place one scan on the other.", count=len(given)),
            where=where,
            next_step="Pick at least three pairs, far apart and not on one line.",
        )
    if len(given) > _MOST_LANDMARKS:
        raise ProfileError(
            Told(
                "{count} landmarks are more than {most_landmarks}.",
                count=len(given),
                most_landmarks=_MOST_LANDMARKS,
            ),
            where=where,
            next_step="Keep those that lie far apart: three are enough.",
        )
    pairs = []
    for one in given:
        known_keys(one, ("framework", "waxup"), where)
        pairs.append((_picked(one, "framework", where), _picked(one, "waxup", where)))
    _belong_together(tuple(pairs), where)
    _spread_out(tuple(pairs), where)
    return tuple(pairs)


def _finish_lines(document: Mapping[str, Any], where: str) -> tuple[FinishLine, ...]:
    """Finish lines picked on the wax-up: `points` in order, and one point `inside`."""
    given = document.get("finish_line", [])
    if not isinstance(given, list) or not all(isinstance(one, Mapping) for one in given):
        raise ProfileError(
            "is not a list of tables.", where=where, next_step="Write [[finish_line]]."
        )
    found = []
    for one in given:
        known_keys(one, ("points", "inside"), where)
        listed = one.get("points")
        points = [_point(value) for value in listed] if isinstance(listed, list) else []
        fits = _LEAST_OF_LINE <= len(points) <= _MOST_OF_LINE
        if not fits or any(point is None for point in points):
            raise ProfileError(
                Told("points = {value} is no finish line.", value=told(listed)),
                where=where,
                next_step=Told(
                    "Give {least} to {most} points [x, y, z] in mm, in the wax-up's own frame, "
                    "in order round what is to be veneered.",
                    least=_LEAST_OF_LINE,
                    most=_MOST_OF_LINE,
                ),
            )
        chosen = tuple(point for point in points if point is not None)
        found.append(FinishLine(chosen, _picked(one, "inside", where)))
    return tuple(found)


def _picked(one: Mapping[str, Any], scan: str, where: str) -> Point:
    value = one.get(scan)
    point = _point(value)
    if point is None:
        raise ProfileError(
            Told("{scan} = {value} is no point.", scan=scan, value=told(value)),
            where=where,
            next_step=Told("Give {scan} = [x, y, z] in mm, in that scan's own frame.", scan=scan),
        )
    return point


def _point(value: object) -> Point | None:
    """Three numbers within a kilometre of the origin; None for anything else."""
    if not isinstance(value, list) or len(value) != 3:
        return None
    if not all(
        type(number) in (int, float) and -_FARTHEST_MM <= number <= _FARTHEST_MM for number in value
    ):
        return None
    return float(value[0]), float(value[1]), float(value[2])


def _way(frame: Mapping[str, Any], key: str, where: str) -> Way | None:
    """An axis of the wax-up's scan, or a vector in its frame."""
    value = frame.get(key)
    if value is None or (isinstance(value, str) and value in AXES):
        return value
    point = _point(value)
    if point is None or math.hypot(*point) < _LEAST_WAY:
        raise ProfileError(
            Told("{key} = {value} is no direction.", key=key, value=told(value)),
            where=where,
            next_step=Told(
                "Give one of {known}, or [x, y, z] in the wax-up's own frame.",
                known=", ".join(AXES),
            ),
        )
    return point


def _belong_together(pairs: tuple[tuple[Point, Point], ...], where: str) -> None:
    """Refuse pairs whose distances differ: swapped, mirrored, or in two units."""
    for first, second in itertools.combinations(pairs, 2):
        apart = [math.dist(first[scan], second[scan]) for scan in (0, 1)]
        if abs(apart[0] - apart[1]) > _PICKED_WITHIN_MM:
            raise ProfileError(
                Told(
                    "two landmarks are {apart:.1f} mm apart on the framework and {apart_2:.1f} mm "
                    "on the wax-up.",
                    apart=apart[0],
                    apart_2=apart[1],
                ),
                where=where,
                next_step="Pick the same places on both scans, in the same order, in mm.",
            )


def _spread_out(pairs: tuple[tuple[Point, Point], ...], where: str) -> None:
    """Refuse places on one line: about it, one scan would turn freely on the other."""
    for scan, name in enumerate(("framework", "wax-up")):
        places = [pair[scan] for pair in pairs]
        widest = max((_width_mm(*three) for three in itertools.combinations(places, 3)), default=9)
        if widest < _LEAST_SPREAD_MM:
            raise ProfileError(
                Told(
                    "the landmarks on the {name} lie on one line, within {widest:.1f} mm.",
                    name=name,
                    widest=widest,
                ),
                where=where,
                next_step="Pick one that lies well beside the line through the others.",
            )


def _width_mm(one: Point, two: Point, three: Point) -> float:
    """Height of a triangle over its longest side, by Heron's formula."""
    short, middle, long = sorted(
        (math.dist(one, two), math.dist(two, three), math.dist(three, one))
    )
    half = 0.5 * (short + middle + long)
    square = half * (half - short) * (half - middle) * (half - long)
    return 2.0 * math.sqrt(max(square, 0.0)) / long if long > 0 else 0.0


def _tooth_points(
    frame: Mapping[str, Any], units: tuple[int, ...], where: str
) -> dict[int, tuple[float, float, float]]:
    """Points on teeth: `46 = [x, y, z]` in the wax-up's frame, in mm."""
    given = table_of(frame, "teeth", where)
    known_keys(given, [str(unit) for unit in units], where)
    points = {}
    for code, value in given.items():
        point = _point(value)
        if point is None:
            raise ProfileError(
                Told("{code} = {value} is not a point.", code=code, value=told(value)),
                where=where,
                next_step=Told(
                    "Give three numbers in mm, such as {code} = [1.5, 0.0, 6.2].", code=code
                ),
            )
        points[int(code)] = point
    return points


def _pontics_among_units(units: tuple[int, ...], pontics: tuple[int, ...], where: str) -> None:
    stray = [code for code in pontics if code not in units]
    if stray:
        raise ProfileError(
            Told("pontic {stray} is not among the units.", stray=stray[0]),
            where=where,
            next_step="List every tooth of the bridge under units, in order along it.",
        )


def _frame_axes_differ(case: Case, where: str) -> None:
    if not (case.occlusal and case.buccal):
        return
    ways = unit_way(case.occlusal), unit_way(case.buccal)
    if abs(sum(one * two for one, two in zip(*ways, strict=True))) > _MOST_ALIKE:
        raise ProfileError(
            Told(
                "occlusal {occlusal} and buccal {buccal} lie along one axis.",
                occlusal=_written(case.occlusal),
                buccal=_written(case.buccal),
            ),
            where=f"{where} [frame]",
            next_step="They stand at right angles: correct one of them.",
        )


def _written(way: Way) -> str:
    return way if isinstance(way, str) else told(list(way))
