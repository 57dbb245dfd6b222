"""One plan from files to folder: read the wax-up and what belongs to it, plan, write."""

from __future__ import annotations

import dataclasses
import functools
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from veneercheck import __version__
from veneercheck.case.found import MASK_WITHIN_MM, refuse_unlike_paint
from veneercheck.core.errors import MeshError, ProfileError, RecordError, ScanError, Told
from veneercheck.machine.aside import room_in

if TYPE_CHECKING:  # a refusal must come at once: what is heavy is loaded where it is used
    from veneercheck.core.plan.planned import Cutting, Plan
    from veneercheck.core.plan.shade import Wedge
    from veneercheck.core.types import Case, Ints, Limits, TriangleMesh
    from veneercheck.plan import Surfaces
    from veneercheck.report.render import Paper
    from veneercheck.report.words import Language
    from veneercheck.scan import Scan

Say = Callable[[str], None]

_DIE_WITHIN_MM = 3.0
"""A die lies under its crown: no wall is thicker than a few millimetres."""


@dataclasses.dataclass(frozen=True, slots=True)
class PlanOrder:
    """What is asked of one plan.

    Parameters
    ----------
    waxup, die, mask : Path, optional
        The wax-up and the die: left out, the case file names them. The mask is a copy of the
        wax-up, painted blue where it is to be veneered.
    antagonist : Path, optional
        In the wax-up's frame.
    wedge : Path, optional
        Table of a step wedge: without one nothing is said of the shade.
    case, profile, unit : optional
        As for a check.
    """

    waxup: Path | None = None
    die: Path | None = None
    mask: Path | None = None
    antagonist: Path | None = None
    wedge: Path | None = None
    case: Path | None = None
    profile: str | None = None
    unit: str | None = None


@dataclasses.dataclass(frozen=True, slots=True)
class PlanWork:
    """An order whose case file and profile are read: what the plan rests on.

    Parameters
    ----------
    waxup, die, mask, antagonist, wedge : Path
    case : Case
    limits : Limits
    cutting : Cutting
    unit : str, optional
    called : mapping, optional
        What files were called where they came from, by their role, if they are stored under
        other names.
    """

    waxup: Path
    case: Case
    limits: Limits
    cutting: Cutting
    die: Path | None = None
    mask: Path | None = None
    antagonist: Path | None = None
    wedge: Path | None = None
    unit: str | None = None
    called: Mapping[str, str] = dataclasses.field(default_factory=dict)

    @property
    def files(self) -> dict[str, Path]:
        """Every file that there is, by its role."""
        named = {role: getattr(self, role) for role in ROLES}
        return {role: path for role, path in named.items() if path is not None}


ROLES = ("waxup", "die", "mask", "antagonist", "wedge")


def carry_out(
    work: PlanWork,
    *,
    out: Path,
    lang: Language = "en",
    paper: Paper = "a4",
    now: datetime | None = None,
    say: Say,
) -> dict[str, Any]:
    """Read, plan and write one case; the document that tells of it is given back.

    Parameters
    ----------
    out : Path
        The folder that is made.

    Raises
    ------
    VeneerCheckError
        If a file, the case or the wax-up is refused; nothing is left of the folder then.
    """
    _refuse_taken(out)
    from veneercheck.case.wedge import read_wedge

    wedge = read_wedge(work.wedge) if work.wedge else None
    say("reading the scans")
    waxup = _named(work, "waxup", work.waxup)
    die, opposing = (
        None if path is None else _named(work, role, path)
        for role, path in (("die", work.die), ("antagonist", work.antagonist))
    )
    if die is not None:
        _refuse_far_die(die, waxup)
    paint = _mask(work.mask, work.unit, waxup) if work.mask else waxup.paint
    surfaces = dataclasses.replace(_surfaces(waxup, die, opposing, paint), wedge=wedge)
    found = _plan(surfaces, waxup, work, say=say)
    say("writing the plan")
    scans = {"waxup": waxup, "die": die, "antagonist": opposing}
    document = functools.partial(_document, found, work, scans=scans, wedge=wedge, now=now)
    return _write(out, found, document, wedge, lang=lang, paper=paper)


def _named(work: PlanWork, role: str, path: Path) -> Scan:
    """A scan, under the name that it came with."""
    from veneercheck import scan

    read = scan.read_scan(path, unit=work.unit)
    named = dataclasses.replace(read.source, file=work.called.get(role, read.source.file))
    return dataclasses.replace(read, source=named)


def cutting_of(
    form: str,
    *,
    width_mm: float,
    collar_mm: float,
    margin_mm: float | None = None,
    off_border_mm: float = 1.0,
) -> Cutting:
    """How is cut, as command line and page ask for it.

    Parameters
    ----------
    form : {"chamfer", "shoulder", "knife"}
    width_mm : float
        Of the run-out; of a shoulder the radius of its foot, 0.4 mm at most.

    Raises
    ------
    ProfileError
        If the form is not known, or a length is none.
    """
    from veneercheck.core.plan.planned import Cutting

    if form not in _FORMS:
        raise ProfileError(
            Told("there is no form «{form}».", form=form),
            where="form",
            next_step=Told("Known: {known}.", known=", ".join(_FORMS)),
        )
    for name, value, most in (
        ("width", width_mm, 3.0),
        ("collar", collar_mm, 5.0),
        ("margin", margin_mm, 1.0),
        ("off-border", off_border_mm, 5.0),
    ):
        if value is not None and not 0.0 <= value <= most:
            raise ProfileError(
                Told("--{name} = {value:g} mm is no such length.", name=name, value=value),
                next_step=Told("Give a length between 0 and {most:g} mm.", most=most),
            )
    if width_mm < _LEAST_WIDTH_MM:
        raise ProfileError(
            Told("--width = {width_mm:g} mm is too narrow to be cut.", width_mm=width_mm),
            next_step=Told("Give at least {least_width_mm:g} mm.", least_width_mm=_LEAST_WIDTH_MM),
        )
    return Cutting(
        _FORMS[form],
        width_mm=width_mm,
        radius_mm=min(width_mm, _FOOT_MM),
        collar_mm=collar_mm,
        margin_mm=margin_mm,
        off_border_mm=off_border_mm,
    )


_LEAST_WIDTH_MM, _FOOT_MM = 0.2, 0.4

_FORMS: dict[str, Literal["chamfer", "shoulder", "knife edge"]] = {
    "chamfer": "chamfer",
    "shoulder": "shoulder",
    "knife": "knife edge",
}


def settle_plan(order: PlanOrder, cutting: Cutting) -> PlanWork:
    """Read the case file and the profile of an order, and see that its files are there.

    Raises
    ------
    VeneerCheckError
        If either is refused, a file leads to no scan, or the wax-up is named nowhere.
    """
    from veneercheck.core.types import Case
    from veneercheck.profile import CaseFile, load_case, load_profile
    from veneercheck.scan.intake import look_at
    from veneercheck.scan.limits import ReadCaps

    case_file = load_case(order.case) if order.case else CaseFile(Case())
    limits = load_profile(order.profile or case_file.profile or "generic")
    waxup, die = order.waxup or case_file.waxup, order.die or case_file.die
    if waxup is None:
        raise ProfileError(
            "a scan of the wax-up is needed.",
            next_step="Give its file, or a case file that names it under [scans].",
        )
    for path in (waxup, die, order.mask, order.antagonist):
        if path is not None:
            look_at(path, ReadCaps())
    if case_file.finish_lines:
        cutting = dataclasses.replace(cutting, finish_lines=case_file.finish_lines)
    return PlanWork(
        waxup,
        case_file.case,
        limits,
        cutting,
        die,
        order.mask,
        order.antagonist,
        order.wedge,
        order.unit,
    )


def _surfaces(waxup: Scan, die: Scan | None, opposing: Scan | None, paint: Ints | None) -> Surfaces:
    import math

    from veneercheck.plan import Surfaces

    noise = waxup.noise_mm if math.isfinite(waxup.noise_mm) else 0.0
    inner, outer = (None if one is None else one.mesh for one in (die, opposing))
    return Surfaces(waxup.mesh, noise, paint, inner, outer)


def _plan(surfaces: Surfaces, waxup: Scan, work: PlanWork, *, say: Say) -> Plan:
    from veneercheck.plan import plan

    try:
        return plan(surfaces, case=work.case, limits=work.limits, cutting=work.cutting, say=say)
    except MeshError as error:
        raise ScanError(error.what, where=waxup.source.file, next_step=error.next_step) from None


def _document(
    found: Plan,
    work: PlanWork,
    *,
    scans: Mapping[str, Scan | None],
    wedge: Wedge | None,
    now: datetime | None,
    crossings: int,
) -> dict[str, Any]:
    from veneercheck.report.plan_files import plan_document

    sources = {name: None if one is None else one.source for name, one in scans.items()}
    return plan_document(
        found,
        case=work.case,
        limits=work.limits,
        cutting=work.cutting,
        sources=sources,
        wedge=wedge,
        version=__version__,
        crossings=crossings,
        planned_at=(now or datetime.now(UTC)).strftime("%Y-%m-%dT%H:%M:%SZ"),
    )


def _write(
    out: Path,
    found: Plan,
    document: Callable[..., dict[str, Any]],
    wedge: Wedge | None,
    *,
    lang: Language,
    paper: Paper,
) -> dict[str, Any]:
    """The whole folder is made aside, then renamed; crossings are counted while it is drawn."""
    from veneercheck import scan
    from veneercheck.core.mesh.triangles import side_by_side
    from veneercheck.report.plan_drawing import write_drawings
    from veneercheck.report.plan_files import TARGET_STL, write_document, write_surfaces
    from veneercheck.report.plan_guides import write_guides
    from veneercheck.report.plan_paper import write_sheet

    with room_in(out.parent) as room:
        place = room / "plan"
        place.mkdir()

        def draw() -> None:
            write_surfaces(place, found)
            scan.write_stl(place / TARGET_STL, found.target)
            write_drawings(place, found, wedge, lang)
            write_guides(place, found)

        def count() -> int:
            return int(scan.self_crossings(found.target)[0].sum())

        crossings, _ = side_by_side(count, draw)
        told = document(crossings=crossings)
        write_sheet(place, told, lang=lang, paper=paper)
        write_document(place, told)
        _clear(out)
        place.replace(out)
    return told


def _refuse_taken(out: Path) -> None:
    """A folder that holds anything but an earlier plan is left alone."""
    from veneercheck.report.plan_files import PLAN

    if out.exists() and not out.is_dir():
        raise RecordError("is a file.", where=str(out), next_step="Choose another --out.")
    if out.is_dir() and any(out.iterdir()) and not (out / PLAN).is_file():
        raise RecordError(
            "something else lies in that folder.",
            where=str(out),
            next_step="Choose another folder with --out.",
        )


def _clear(out: Path) -> None:
    """Take an earlier plan away: its folder held nothing else."""
    import shutil

    if out.is_dir():
        shutil.rmtree(out)


def _mask(path: Path, unit: str | None, waxup: Scan) -> Ints:
    """`Region` codes of the wax-up's vertices from a painted copy."""
    import numpy as np
    from scipy.spatial import cKDTree

    from veneercheck import scan
    from veneercheck.core.types import Region

    copy = scan.read_scan(path, unit=unit)
    if copy.paint is None or not (copy.paint == Region.CUT).any():
        raise ScanError(
            "nothing is painted blue on it.",
            where=path.name,
            next_step="Paint what is to be veneered in pure blue (0, 0, 255) and save it as PLY.",
        )
    refuse_unlike_paint(copy)
    away, nearest = cKDTree(copy.mesh.points_mm).query(waxup.mesh.points_mm)
    own = np.where(away < MASK_WITHIN_MM, copy.paint[nearest], -1)
    if not (own == Region.CUT).any():
        raise ScanError(
            "the painted surface lies nowhere on the wax-up.",
            where=path.name,
            next_step="Paint a copy of the wax-up's own scan, without moving it.",
        )
    return np.asarray(own, dtype=np.int64)


def _refuse_far_die(die: Scan, waxup: Scan) -> None:
    """A die that lies beside the wax-up is in another frame."""
    if _farthest_mm(die.mesh, waxup.mesh) > _DIE_WITHIN_MM:
        raise ScanError(
            "the die lies outside the wax-up: the two are not in one frame.",
            where=die.source.file,
            next_step="Export the die in the frame of the wax-up's scan.",
        )


def _farthest_mm(die: TriangleMesh, waxup: TriangleMesh) -> float:
    """How far the die's middle lies outside the wax-up's box."""
    import numpy as np

    low, high = waxup.points_mm.min(axis=0), waxup.points_mm.max(axis=0)
    middle = 0.5 * (die.points_mm.min(axis=0) + die.points_mm.max(axis=0))
    return float(np.max(np.maximum(low - middle, middle - high), initial=0.0))
