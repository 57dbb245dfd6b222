"""One case from files to folder: read, check, report; the only place where the steps meet files."""

from __future__ import annotations

import dataclasses
import gzip
import hashlib
import math
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from veneercheck import __version__
from veneercheck.case.folders import (
    folder_for,
    refuse_case_folder,
    unwritable,
    usable_folder,
    write_bytes,
    written_whole,
)
from veneercheck.case.order import Order, Settled, look_at_scans, settle
from veneercheck.core.errors import RecordError, ScanError
from veneercheck.machine.memory import check_needed

if TYPE_CHECKING:  # a refusal must come at once: what is heavy is loaded where it is used
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
        TriangleMesh,
    )
    from veneercheck.report import FiledResult, Language, Paper
    from veneercheck.scan import Scan, ScanPair

Say = Callable[[str], None]
Known = Callable[["Outcome"], None]
"""Is told an outcome as soon as it is known."""


_LEAST_TRIANGLES = 4
"""No body is enclosed by fewer: those of a tetrahedron."""

_MASK_WITHIN_MM = 0.2
"""A mask may have been saved with fewer digits or vertices than the scan."""


def _silent(_: str) -> None:
    pass


def _nobody(_: Outcome) -> None:
    pass


def check_files(
    framework: str | Path,
    waxup: str | Path,
    *,
    out: str | Path | None = None,
    case: str | Path | None = None,
    profile: str | None = None,
    unit: str | None = None,
    aligned: bool = False,
    stage: str | None = None,
    earlier: str | Path | None = None,
    reference: str | Path | None = None,
    with_report: bool = True,
    lang: Language = "en",
    paper: Paper = "a4",
    say: Say = _silent,
) -> Outcome:
    """Check two scan files, and write the result if a folder is given.

    Parameters
    ----------
    framework, waxup : str or Path
        STL, PLY, OBJ, OFF, 3MF or GLB.
    out : str or Path, optional
        Folder for `result.json`, `space.ply`, `zones.csv` and the report.
    case : str or Path, optional
        Case file (TOML).
    profile : str, optional
        Name or path of the profile; over the case's own.
    unit : str, optional
        `mm`, `cm`, `m`, `um` or `inch`, for files that do not say.
    aligned : bool
        Take the scans' common frame as given.
    stage : str, optional
        `wax`, `cast`, `opaqued`, `dentine` or `finished`; over the case's own.
    earlier : str or Path, optional
        Folder of an earlier result of the same wax-up: what changed is told.
    reference : str or Path, optional
        A copy of the framework (PLY) on which what was left uncut is painted green.
    with_report : bool
        Draw pictures and pages too.
    lang : {"en", "de"}
        Language of pictures and pages.
    paper : {"a4", "us-letter"}
    say : callable
        Told in a few words what is being done.

    Returns
    -------
    Outcome

    Raises
    ------
    VeneerCheckError
        If a file is refused: what, where and what to do next.
    """
    order = Order(
        Path(framework),
        Path(waxup),
        Path(case) if case else None,
        profile,
        unit,
        aligned,
        stage=stage,
        earlier=Path(earlier) if earlier else None,
        reference=Path(reference) if reference else None,
    )
    folder = Path(out) if out else None
    return carry_out(order, out=folder, with_report=with_report, lang=lang, paper=paper, say=say)


def check_meshes(
    framework: TriangleMesh,
    waxup: TriangleMesh,
    *,
    case: Case | None = None,
    limits: Limits | None = None,
    aligned: bool = False,
    now: datetime | None = None,
    say: Say = _silent,
) -> Outcome:
    """Check two surfaces already in memory, in mm, normals outward.

    Returns
    -------
    Outcome
        Its sources carry the hash of the arrays in place of a file's.
    """
    from veneercheck import scan
    from veneercheck.check import Surfaces, check
    from veneercheck.core.types import Case, Outcome
    from veneercheck.profile import built_in

    surfaces = Surfaces(
        framework,
        waxup,
        _known(scan.estimate_noise_mm(framework)),
        _known(scan.estimate_noise_mm(waxup)),
    )
    found = check(
        surfaces, case=case or Case(), limits=limits or built_in(), aligned=aligned, say=say
    )
    return Outcome(
        found,
        _source_of(framework, "framework in memory"),
        _source_of(waxup, "wax-up in memory"),
        __version__,
        now or datetime.now(UTC),
    )


def _known(noise_mm: float) -> float:
    """A noise that cannot be told is left to the trueness that the profile states."""
    return noise_mm if math.isfinite(noise_mm) else 0.0


def _source_of(mesh: TriangleMesh, name: str) -> ScanSource:
    from veneercheck.core.mesh.triangles import face_areas
    from veneercheck.core.types import ScanSource

    digest = hashlib.sha256(mesh.points_mm.tobytes() + mesh.faces.tobytes()).hexdigest()
    return ScanSource(name, digest, "mm", len(mesh.faces), float(face_areas(mesh).sum()))


def carry_out(
    order: Order | Settled,
    *,
    out: Path | None = None,
    with_report: bool = True,
    lang: Language = "en",
    paper: Paper = "a4",
    now: datetime | None = None,
    say: Say = _silent,
    known: Known = _nobody,
) -> Outcome:
    """Read, check, write and draw one case; `known` is told the outcome before the drawing."""
    look_at_scans(order)
    if out is not None:
        refuse_case_folder(out)
    with folder_for(out):
        outcome = _found(order, now, _lean(say))
        if out is None:
            known(outcome)
        else:
            from veneercheck import report

            with written_whole(out):
                _lean(say)("writing the result")
                report.write_result(out, outcome)
                known(outcome)
                if with_report:
                    report.render(out, progress=_lean(say), lang=lang, paper=paper)
                    _beside_earlier(order.earlier, out, outcome, lang, _lean(say))
        return outcome


def _found(order: Order | Settled, now: datetime | None, say: Say) -> Outcome:
    """Read and check one case; the scans are let go of before its report is drawn."""
    from veneercheck import scan

    work = settle(order) if isinstance(order, Order) else order
    say("reading the scans")
    pair = scan.read_pair(work.framework, work.waxup, unit=work.unit, waxup_kind=work.waxup_kind)
    for one in (pair.framework, pair.waxup):
        _refuse_scraps(one)
    from veneercheck.check import check
    from veneercheck.core.types import Outcome

    earlier = _earlier(work.earlier, pair.waxup.source.sha256) if work.earlier else None
    die = scan.read_scan(work.die, unit=work.unit) if work.die else None
    read = [one.source for one in (pair.framework, pair.waxup, die) if one is not None]
    check_needed(sum(one.triangles for one in read), pair.framework.source.area_mm2)
    surfaces = dataclasses.replace(_surfaces(pair, work), die=die.mesh if die else None)
    found = check(surfaces, case=work.case, limits=work.limits, aligned=work.aligned, say=say)
    return Outcome(
        found,
        *_sources(pair, order.called),
        __version__,
        now or datetime.now(UTC),
        (*pair.remarks, *_exchanged(pair, found), *_die_told(die)),
        None if earlier is None else _changes(found, earlier),
    )


def _refuse_scraps(scan: Scan) -> None:
    """Nothing could be measured on them, and «undecided» would hide that a file is broken."""
    count = len(scan.mesh.faces)
    if count < _LEAST_TRIANGLES:
        raise ScanError(
            f"it holds {count} triangle{'s' * (count != 1)}: that is no scan of a body.",
            where=scan.source.file,
            next_step="Export the scan anew.",
        )


def _lean(say: Say) -> Say:
    """The same, and between two steps what is free goes back to the system.

    The allocator of Linux keeps freed arrays for its next use: half of what a large case takes.
    """
    import ctypes

    trim = getattr(ctypes.CDLL(None), "malloc_trim", None) if sys.platform == "linux" else None

    def told(words: str) -> None:
        if trim is not None:
            trim(0)
        say(words)

    return told


def _sources(pair: ScanPair, called: tuple[str, str] | None) -> tuple[ScanSource, ScanSource]:
    """Where the scans came from, under the names that their owner gave them."""
    one, other = pair.framework.source, pair.waxup.source
    if called is None:
        return one, other
    return dataclasses.replace(one, file=called[0]), dataclasses.replace(other, file=called[1])


def _earlier(folder: Path, waxup: str) -> FiledResult:
    """An earlier result; its frame is the wax-up's, so that must be the same."""
    from veneercheck import report

    earlier = report.read_result(folder)
    if earlier.document["scans"]["waxup"]["sha256"] != waxup:
        raise RecordError(
            "the earlier result was measured with another wax-up: the two cannot be compared.",
            where=str(folder),
            next_step="Give the folder of a result of the same wax-up file, or leave it out.",
        )
    return earlier


def _changes(found: Check, earlier: FiledResult) -> Recheck | None:
    """What changed since an earlier result, where both measured something."""
    from veneercheck import report
    from veneercheck.core.judge import changes

    if found.space is None or earlier.mesh is None:
        return None
    return changes.compare(
        found,
        report.zones_of(earlier.document),
        earlier.mesh,
        earlier=earlier.document["scans"]["framework"]["sha256"],
    )


def _surfaces(pair: ScanPair, work: Settled) -> Surfaces:
    """The scans as the check takes them; areas that a scanner filled in are not measured."""
    import numpy as np

    from veneercheck.check import Surfaces
    from veneercheck.core.mesh.triangles import select_faces
    from veneercheck.core.types import Region, TriangleMesh

    paint, filled = pair.framework.paint, pair.framework.filled
    if work.reference is not None:
        paint = _painted_copy(work.reference, work.unit, pair.framework)
    if filled is not None:
        paint = np.full(len(filled), -1, dtype=np.int64) if paint is None else paint.copy()
        paint[filled] = Region.MODEL
    waxup, guessed = pair.waxup.mesh, pair.waxup.filled
    if guessed is not None:
        waxup, _ = select_faces(waxup, np.logical_not(guessed[waxup.faces].all(axis=1)))
    if work.waxup_kind == "key":  # it faces the tooth; the contour that it shows faces outward
        waxup = TriangleMesh(waxup.points_mm, waxup.faces[:, ::-1])
    noise = _known(pair.framework.noise_mm), _known(pair.waxup.noise_mm)
    return Surfaces(pair.framework.mesh, waxup, *noise, paint)


def _painted_copy(path: Path, unit: str | None, framework: Scan) -> Ints:
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
    away, nearest = cKDTree(copy.mesh.points_mm).query(framework.mesh.points_mm)
    own = copy.paint[nearest]
    painted = np.asarray((own >= 0) & (away < _MASK_WITHIN_MM))
    if not painted.any():
        raise ScanError(
            "the painted surface lies nowhere on the framework.",
            where=path.name,
            next_step="Paint a copy of the framework's own scan, without moving it.",
        )
    before = np.full(len(own), -1, dtype=np.int64) if framework.paint is None else framework.paint
    return np.where(painted, own, before)


def _die_told(die: Scan | None) -> list[Fault]:
    """The third scan, named with its fingerprint."""
    from veneercheck.core.types import Fault

    if die is None:
        return []
    words = f"the metal was measured down to the die in {die.source.file}, SHA-256 "
    values = {"file": die.source.file, "sha256": die.source.sha256}
    return [Fault("die", 1, f"{words}{die.source.sha256}.", values=values)]


def _exchanged(pair: ScanPair, found: Check) -> list[Fault]:
    """Whether the two scans were given the wrong way round, where the pose can tell."""
    if found.space is None or any(remark.kind == "swapped" for remark in pair.remarks):
        return []
    from veneercheck import scan
    from veneercheck.core.types import TriangleMesh

    placed = found.alignment.waxup_from_framework.apply(pair.framework.mesh.points_mm)
    return scan.swapped(TriangleMesh(placed, pair.framework.mesh.faces), pair.waxup.mesh)


def write_sample(folder: Path) -> Order:
    """Write the sample bridge as it lies in the package: two scans, a case file, the known answer.

    Returns
    -------
    Order
        What to check.
    """
    from importlib.resources import files

    usable_folder(folder)
    for one in files("veneercheck.phantom").joinpath("demo").iterdir():
        name, data = Path(one.name), one.read_bytes()
        if name.suffix == ".gz":
            name, data = name.with_suffix(""), gzip.decompress(data)
        write_bytes(folder / name, data)
    return Order(case=folder / "case.toml")


def report_again(
    folder: Path, *, lang: Language = "en", paper: Paper = "a4", say: Say = _silent
) -> list[Path]:
    """Draw the report of a result anew."""
    from veneercheck import report

    try:
        return report.render(folder, progress=say, lang=lang, paper=paper)
    except OSError as error:
        raise unwritable(folder, error) from None


def _beside_earlier(
    earlier: Path | None, out: Path, outcome: Outcome, lang: Language, say: Say
) -> None:
    """A check against an earlier one lays both side by side, unless it took the other's place."""
    if earlier is None or outcome.recheck is None or earlier.resolve() == out.resolve():
        return
    say("compare.html")
    compare_results(earlier, out, out=out, lang=lang)


def compare_results(
    earlier: Path, later: Path, *, out: Path, lang: Language = "en"
) -> tuple[Path, str]:
    """Lay two filed results of the same wax-up side by side on a page; what changed, in lines."""
    from veneercheck import report
    from veneercheck.report.compare import write_compared

    both = [report.read_result(folder) for folder in (earlier, later)]
    stills = [folder / "stills" / "occlusal.png" for folder in (earlier, later)]
    usable_folder(out)
    try:
        return write_compared(out, *both, lang=lang, stills=stills)
    except OSError as error:
        raise unwritable(out, error) from None


def view(folder: Path, *, lang: Language = "en") -> None:
    """Turn the map of a filed result in a window of its own."""
    from veneercheck.report.window import open_window

    open_window(folder, lang=lang)
