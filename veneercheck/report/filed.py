"""A result on disk: written whole or not at all, and read back for every rendering."""

from __future__ import annotations

import contextlib
import csv
import dataclasses
import hashlib
import io
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from veneercheck.core.errors import MeshError, RecordError, Told
from veneercheck.core.types import Floats, Ints, Outcome, TriangleMesh
from veneercheck.machine.aside import HALF, put
from veneercheck.report.counted import STANDING, as_it_counts
from veneercheck.report.result import SCHEMA_ID, document
from veneercheck.report.space_ply import (
    read_space_ply,
    read_surface_ply,
    space_ply_bytes,
    surface_ply_bytes,
    zone_numbers,
)
from veneercheck.report.words import Language

RESULT, SPACE, ZONES = "result.json", "space.ply", "zones.csv"
CONTOUR, DIE = "contour.ply", "die.ply"
COMPARED, OFF_PLAN = "plan_compared.json", "off_plan.ply"
DECISIONS = "decisions.json"
"""What persons decided on the result; laid beside it, since the result stays as measured."""

_FACES = (
    "report.html", "report.pdf", "bench.pdf", "contact.pdf",
    "overview.png", "amount.png", "off_plan.png", "summary.png", "compare.html",
)  # fmt: skip
_PICTURES = ("stills/*.png", "sections/*.svg")
"""What is drawn from a result, and lies beside it."""

_HEAD_SIGNS = 400
"""A page says its language before that."""

_ZONE_COLUMNS = (
    "id",
    "finding",
    "decision",
    "area_mm2",
    "extreme_mm",
    "u_mm",
    "x_mm",
    "y_mm",
    "z_mm",
    "tooth",
    "surface",
    "place",
    "about",
    "limit_mm",
    "typical_mm",
    "amount_mm",
    "volume_mm3",
    "functional",
    "measured_share",
    "metal_mm",
    "metal_left_mm",
    "action",
)

_FORMULA_STARTS = ("=", "+", "-", "@", "\t")
"""A spreadsheet would compute a text cell that begins with one of these."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class FiledResult:
    """A filed outcome; the arrays (shape (n,)) are None where nothing was measured.

    Parameters
    ----------
    document : mapping
        `result.json`.
    mesh : TriangleMesh or None
        The framework in the wax-up's frame.
    contour : TriangleMesh or None
        The wax-up, for its outline and for sections.
    die : TriangleMesh or None
        The prepared teeth, where they were scanned.
    zone : ndarray or None
        Number in the list of the zone that a vertex belongs to; None in an older folder.
    """

    document: Mapping[str, Any]
    mesh: TriangleMesh | None = None
    contour: TriangleMesh | None = None
    space_mm: Floats | None = None
    layer_mm: Floats | None = None
    u_mm: Floats | None = None
    nearest_mm: Floats | None = None
    region: Ints | None = None
    finding: Ints | None = None
    tooth: Ints | None = None
    surface: Ints | None = None
    metal_mm: Floats | None = None
    amount_mm: Floats | None = None
    die: TriangleMesh | None = None
    zone: Ints | None = None


def write_result(folder: Path, outcome: Outcome) -> list[Path]:
    """Write the outcome's data; the pictures and pages are rendered from it later.

    `result.json` comes last, so that where it stands the rest is complete.

    Parameters
    ----------
    folder : Path
        Created if missing.
    outcome : Outcome

    Returns
    -------
    list of Path
        `space.ply` and `contour.ply` (not where the alignment failed), `die.ply` (where one was
        scanned), `zones.csv`, `result.json`.
    """
    folder.mkdir(parents=True, exist_ok=True)
    described = document(outcome)
    written = [put(folder / name, parts) for name, parts in _surfaces(outcome)]
    for stale in {folder / name for name in (SPACE, CONTOUR, DIE)} - set(written):
        stale.unlink(missing_ok=True)
    written.append(put(folder / ZONES, [_zones_csv(described["zones"]).encode("utf-8")]))
    text = json.dumps(described, indent=2, ensure_ascii=False, allow_nan=False)
    written.append(put(folder / RESULT, [text.encode("utf-8"), b"\n"]))
    return written


def clear(folder: Path) -> None:
    """Take away a result, all that was drawn from it, and what was left half-written.

    The numbers go first: pages without a `result.json` are nobody's result.
    """
    names = [RESULT, SPACE, CONTOUR, DIE, ZONES, DECISIONS, COMPARED, OFF_PLAN, *_FACES]
    for stale in [folder / name for name in names] + [
        path for pattern in _PICTURES for path in folder.glob(pattern)
    ]:
        stale.unlink(missing_ok=True)
    for pattern in (name.rpartition("/")[0] for name in ("", *_PICTURES)):
        for half in (folder / pattern).glob(HALF.format(name="*")):
            half.unlink(missing_ok=True)
        if pattern:
            with contextlib.suppress(OSError):  # not there, or something else lies in it
                (folder / pattern).rmdir()


def language_of(folder: Path) -> Language:
    """The language in which the report of a folder was drawn; English where there is none."""
    try:
        with (folder / _FACES[0]).open(encoding="utf-8", errors="replace") as page:
            head = page.read(_HEAD_SIGNS)
    except OSError:
        return "en"
    return "de" if 'lang="de"' in head else "en"


def _surfaces(outcome: Outcome) -> Iterator[tuple[str, list[bytes]]]:
    """The map and what is drawn with it, by file name; nothing where nothing was measured."""
    check = outcome.check
    if check.space is None:
        return
    yield SPACE, space_ply_bytes(check, outcome.recheck)
    yield CONTOUR, surface_ply_bytes(check.waxup, "wax-up, its own frame, mm")
    if check.die is not None:
        yield DIE, surface_ply_bytes(check.die, "die, in the wax-up's frame, mm")


def read_result(folder: str | Path) -> FiledResult:
    """Read what `write_result` wrote.

    Parameters
    ----------
    folder : str or Path

    Returns
    -------
    FiledResult

    Raises
    ------
    RecordError
        If a file is missing, damaged or of another program or version.
    """
    folder = Path(folder)
    described = _read_document(folder / RESULT)
    described = as_it_counts(described, _standing(folder / STANDING))
    decisions = _decisions(folder / DECISIONS)
    if decisions:
        described["decisions"] = decisions
    if described["alignment"]["state"] == "failed":
        return FiledResult(described)
    try:
        found = read_space_ply(folder / SPACE)
        contour, die = (
            read_surface_ply(folder / name) if (folder / name).exists() else None
            for name in (CONTOUR, DIE)
        )
    except MeshError as error:
        raise RecordError(
            Told("the map is damaged: {error}", error=error), where=str(folder)
        ) from error
    return FiledResult(
        described,
        found.mesh,
        contour,
        found.space_mm,
        found.layer_mm,
        found.u_mm,
        found.nearest_mm,
        found.region,
        found.finding,
        found.tooth,
        found.surface,
        found.metal_mm,
        found.amount_mm,
        die,
        found.zone,
    )


def as_filed(outcome: Outcome) -> FiledResult:
    """An outcome in memory as it would be read back."""
    check, described = outcome.check, document(outcome)
    if check.space is None:
        return FiledResult(described)
    return FiledResult(
        described,
        check.framework,
        check.waxup,
        check.space.space_mm,
        check.space.layer_mm,
        check.space.u_judged_mm,
        check.space.nearest_mm,
        check.region,
        check.finding,
        check.tooth,
        check.surface,
        check.space.metal_mm,
        check.amount_mm,
        check.die,
        zone_numbers(check),
    )


def _decisions(path: Path) -> list[dict[str, str]]:
    """Who decided what, when and why; nothing where nobody did."""
    if not path.exists():
        return []
    try:
        found = json.loads(path.read_text(encoding="utf-8"))["decisions"]
        names = ("who", "what", "why", "decided_at_utc")
        return [{name: str(one[name]) for name in names} for one in found]
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise RecordError(
            "the decisions cannot be read.",
            where=str(path),
            next_step="Compare the case with the register: «veneercheck records confirm».",
        ) from error


def _standing(path: Path) -> dict[str, Any] | None:
    """With what the check was made; nothing where it is not on record."""
    if not path.exists():
        return None
    try:
        found: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        sha = hashlib.sha256(path.with_name(RESULT).read_bytes()).hexdigest()
        return {**found, "undecided": list(found["undecided"]), "result_sha256": sha}
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise RecordError(
            "what the check was made with cannot be read.",
            where=str(path),
            next_step="Compare the case with the register: «veneercheck records confirm».",
        ) from error


def _read_document(path: Path) -> dict[str, Any]:
    next_step = Told("Name the folder that `veneercheck check --out` wrote.")
    try:
        described = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise RecordError(
            Told("there is no result to read ({strerror}).", strerror=error.strerror),
            where=str(path),
            next_step=next_step,
        ) from error
    except ValueError as error:
        raise RecordError(
            "this is not JSON as this program writes it.", where=str(path), next_step=next_step
        ) from error
    schema = described.get("schema") if isinstance(described, dict) else None
    if schema != SCHEMA_ID:
        raise RecordError(
            Told("this is a «{schema}», not a «{schema_id}».", schema=schema, schema_id=SCHEMA_ID),
            where=str(path),
            next_step=next_step,
        )
    return dict(described)


def _zones_csv(zones: list[dict[str, Any]]) -> str:
    rows = []
    for zone in zones:
        x, y, z = zone["centre_mm"]
        rows.append({**zone, "x_mm": x, "y_mm": y, "z_mm": z})
    return csv_text(_ZONE_COLUMNS, rows)


def csv_text(columns: Sequence[str], rows: Iterable[Mapping[str, Any]]) -> str:
    """A table for spreadsheets: what is unknown stays empty, and no text becomes a formula."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(columns)
    for row in rows:
        writer.writerow([_cell(row[column]) for column in columns])
    return text.getvalue()


def _cell(value: object) -> object:
    if value is None:
        return ""
    if isinstance(value, float):
        return np.format_float_positional(value, precision=6, trim="0")
    if isinstance(value, str) and value.startswith(_FORMULA_STARTS):
        return f"'{value}"
    return value
