"""What a pair of scans becomes, from files or from memory: one way from both doors to a result."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from veneercheck import __version__
from veneercheck.core.errors import RecordError, ScanError, Told

if TYPE_CHECKING:  # a refusal must come at once: what is heavy is loaded where it is used
    from veneercheck.case.result import Result
    from veneercheck.check import Surfaces
    from veneercheck.core.types import (
        Case,
        Check,
        Fault,
        Ints,
        Limits,
        Outcome,
        Recheck,
        ScanSource,
    )
    from veneercheck.report import FiledResult
    from veneercheck.scan import Scan, ScanPair

Say = Callable[[str], None]

_LEAST_TRIANGLES = 4
"""No body is enclosed by fewer: those of a tetrahedron."""

MASK_WITHIN_MM = 0.2
"""A mask may have been saved with fewer digits or vertices than the scan."""


def found(
    pair: ScanPair,
    *,
    case: Case,
    limits: Limits,
    aligned: bool,
    paint: Ints | None,
    die: Scan | None,
    earlier: FiledResult | None,
    say: Say,
    waxup_kind: str = "scan",
    called: tuple[str, str] | None = None,
    now: datetime | None = None,
    vertex: Ints | None = None,
) -> Result:
    """Check two scans that are read.

    Parameters
    ----------
    paint : ndarray of int64, shape (n,), or None
        `Region` codes of the framework's vertices, −1 where nothing was painted.
    vertex : ndarray of int64, optional
        For each vertex that was given, which of the framework's it became; else each its own.
    """
    import numpy as np

    from veneercheck.case.result import Result
    from veneercheck.check import check

    surfaces = dataclasses.replace(
        _surfaces(pair, paint, waxup_kind), die=die.mesh if die else None
    )
    measured = check(surfaces, case=case, limits=limits, aligned=aligned, say=say)
    return Result(
        measured,
        *_sources(pair, called),
        __version__,
        now or datetime.now(UTC),
        (*pair.remarks, *_die_told(die)),
        None if earlier is None else _changes(measured, earlier),
        np.arange(len(pair.framework.mesh.points_mm)) if vertex is None else vertex,
    )


def refuse_scraps(scan: Scan) -> None:
    """Nothing could be measured on them, and «undecided» would hide that a file is broken."""
    count = len(scan.mesh.faces)
    if count < _LEAST_TRIANGLES:
        raise ScanError(
            Told(
                "it holds too little to be a scan of a body (triangles: {count}).",
                count=count,
            ),
            where=scan.source.file,
            next_step="Export the scan anew.",
        )


def earlier_result(earlier: Path | Outcome | FiledResult, waxup: Scan) -> FiledResult:
    """An earlier result; its frame is the wax-up's, so that must be the same."""
    from veneercheck import report
    from veneercheck.core.types import Outcome
    from veneercheck.report.filed import as_filed

    where = str(earlier) if isinstance(earlier, Path) else "earlier"
    if isinstance(earlier, Outcome):
        earlier = as_filed(earlier)
    elif isinstance(earlier, Path):
        earlier = report.read_result(earlier)
    if earlier.document["scans"]["waxup"]["sha256"] != waxup.source.sha256:
        raise RecordError(
            "the earlier result was measured with another wax-up: the two cannot be compared.",
            where=where,
            next_step="Give the folder of a result of the same wax-up file, or leave it out.",
        )
    return earlier


def refuse_unlike_paint(copy: Scan) -> None:
    """A painted copy is made on purpose: no shade that covers an area is left out silently."""
    for fault in copy.source.faults:
        if fault.kind == "unlike_paint":
            raise ScanError(
                Told(
                    "{count} vertices are coloured {colour}, which is not the pure {pure} of a "
                    "mask.",
                    count=fault.count,
                    colour=fault.values["colour"],
                    pure=fault.values["pure"],
                ),
                where=copy.source.file,
                next_step=Told(
                    "Paint them in the pure colour {pure}, without shading or blending, and save "
                    "the copy as PLY.",
                    pure=fault.values["pure"],
                ),
            )


def painted_copy(path: Path, unit: str | None, framework: Scan) -> Ints:
    """`Region` codes of the framework's vertices from a painted copy, over paint of its own."""
    import numpy as np
    from scipy.spatial import cKDTree

    from veneercheck import scan

    copy = scan.read_scan(path, unit=unit)
    if copy.paint is None:
        raise ScanError(
            "nothing is painted green or blue on it.",
            where=path.name,
            next_step="Paint what was left uncut in pure green (0, 255, 0) and save it as PLY.",
        )
    refuse_unlike_paint(copy)
    away, nearest = cKDTree(copy.mesh.points_mm).query(framework.mesh.points_mm)
    own = copy.paint[nearest]
    painted = np.asarray((own >= 0) & (away < MASK_WITHIN_MM))
    if not painted.any():
        raise ScanError(
            "the painted surface lies nowhere on the framework.",
            where=path.name,
            next_step="Paint a copy of the framework's own scan, without moving it.",
        )
    before = np.full(len(own), -1, dtype=np.int64) if framework.paint is None else framework.paint
    return np.where(painted, own, before)


def _sources(pair: ScanPair, called: tuple[str, str] | None) -> tuple[ScanSource, ScanSource]:
    """Where the scans came from, under the names that their owner gave them."""
    one, other = pair.framework.source, pair.waxup.source
    if called is None:
        return one, other
    return dataclasses.replace(one, file=called[0]), dataclasses.replace(other, file=called[1])


def _changes(measured: Check, earlier: FiledResult) -> Recheck | None:
    """What changed since an earlier result, where both measured something."""
    from veneercheck import report
    from veneercheck.core.judge import changes

    if measured.space is None or earlier.mesh is None:
        return None
    return changes.compare(
        measured,
        report.zones_of(earlier.document),
        earlier.mesh,
        earlier=earlier.document["scans"]["framework"]["sha256"],
        u_then_mm=earlier.document["alignment"]["u_max_mm"] or 0.0,
        zone_then=earlier.zone,
    )


def _surfaces(pair: ScanPair, paint: Ints | None, waxup_kind: str) -> Surfaces:
    """The scans as the check takes them; areas that a scanner filled in are not measured."""
    import numpy as np

    from veneercheck.check import Surfaces
    from veneercheck.core.mesh.triangles import all_in, select_faces
    from veneercheck.core.types import Region, TriangleMesh

    filled = pair.framework.filled
    if filled is not None:
        paint = np.full(len(filled), -1, dtype=np.int64) if paint is None else paint.copy()
        paint[filled] = Region.MODEL
    waxup, guessed = pair.waxup.mesh, pair.waxup.filled
    if guessed is not None:
        waxup, _ = select_faces(waxup, ~all_in(guessed, waxup.faces))
    if waxup_kind == "key":  # it faces the tooth; the contour that it shows faces outward
        waxup = TriangleMesh(waxup.points_mm, waxup.faces[:, ::-1])
    noise = _known(pair.framework.noise_mm), _known(pair.waxup.noise_mm)
    return Surfaces(pair.framework.mesh, waxup, *noise, paint)


def _known(noise_mm: float) -> float:
    """A noise that cannot be told is left to the trueness that the profile states."""
    return noise_mm if math.isfinite(noise_mm) else 0.0


def _die_told(die: Scan | None) -> list[Fault]:
    """The third scan, named with its fingerprint."""
    from veneercheck.core.types import Fault

    if die is None:
        return []
    words = "the metal was measured down to the die in {file}, SHA-256 {sha256}."
    return [Fault.of("die", 1, words, file=die.source.file, sha256=die.source.sha256)]
