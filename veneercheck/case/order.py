"""What is asked of one check, and what its case file and profile make of that."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import TYPE_CHECKING

from veneercheck.core.errors import ProfileError, Told

if TYPE_CHECKING:  # a refusal must come at once: what is heavy is loaded where it is used
    from veneercheck.core.types import Case, Limits
    from veneercheck.profile import CaseFile


@dataclasses.dataclass(frozen=True, slots=True)
class Order:
    """What is asked of one check.

    Parameters
    ----------
    framework, waxup : Path, optional
        The two scans; left out, the case file names them.
    unit : str, optional
        Unit of files whose format has none.
    aligned : bool
        The scans share a frame already.
    called : tuple of str, optional
        What framework and wax-up were called where they came from, if their files are stored
        under other names.
    stage : str, optional
        Stage of the work; over the case file's own.
    earlier : Path, optional
        Folder of an earlier result of the same wax-up, to tell what changed.
    reference : Path, optional
        A copy of the framework on which areas are painted (`scan.PAINT_COLOURS`); over the case
        file's own.
    scanner : str, optional
        Name of the scanner, as it is on record; over the case file's own.
    plan : Path, optional
        Folder of the plan that the cut is compared with; over the case file's own.
    """

    framework: Path | None = None
    waxup: Path | None = None
    case: Path | None = None
    profile: str | None = None
    unit: str | None = None
    aligned: bool = False
    called: tuple[str, str] | None = None
    stage: str | None = None
    earlier: Path | None = None
    reference: Path | None = None
    scanner: str | None = None
    plan: Path | None = None


@dataclasses.dataclass(frozen=True, slots=True)
class Settled:
    """An order whose files are read: what the check of these two scans rests on.

    Parameters
    ----------
    called : tuple of str, optional
        The scans' names where the files bear others.
    earlier : Path, optional
        Folder of an earlier result of the same wax-up.
    die : Path, optional
        Scan of the prepared teeth, in the wax-up's frame.
    reference : Path, optional
        A copy of the framework on which areas are painted.
    waxup_kind : {"scan", "key"}
        A silicone key stands in for the wax-up: its inside is the contour.
    scanner : str
        Name of the scanner, as it is on record; empty where none was named.
    plan : Path, optional
        Folder of the plan that the cut is compared with.
    """

    framework: Path
    waxup: Path
    case: Case
    limits: Limits
    unit: str | None = None
    aligned: bool = False
    called: tuple[str, str] | None = None
    earlier: Path | None = None
    die: Path | None = None
    reference: Path | None = None
    waxup_kind: str = "scan"
    scanner: str = ""
    plan: Path | None = None

    @property
    def scans(self) -> dict[str, Path | None]:
        """Every scan file by its role; None where there is none."""
        return {
            "framework": self.framework,
            "waxup": self.waxup,
            "die": self.die,
            "painted": self.reference,
        }


def settle(order: Order) -> Settled:
    """Read the case file and the profile of an order.

    Raises
    ------
    ProfileError
        If either is refused, or the two scans are named nowhere.
    """
    from veneercheck.core.types import Case
    from veneercheck.profile import CaseFile, load_case, load_profile

    case_file = load_case(order.case) if order.case else CaseFile(Case())
    case_file = _at_stage(case_file, order.stage)
    limits = load_profile(order.profile or case_file.profile or "generic")
    framework, waxup = _scan_paths(order, case_file)
    return Settled(
        framework,
        waxup,
        case_file.case,
        limits,
        order.unit,
        order.aligned,
        order.called,
        order.earlier,
        case_file.die,
        order.reference or case_file.painted,
        case_file.waxup_kind,
        order.scanner or case_file.scanner,
        order.plan or case_file.plan,
    )


def look_at_scans(order: Order | Settled) -> None:
    """Refuse a path that leads to no scan before anything heavy is loaded."""
    from veneercheck.scan.intake import look_at
    from veneercheck.scan.limits import ReadCaps

    for path in (order.framework, order.waxup, order.reference):
        if path is not None:
            look_at(path, ReadCaps())


def _at_stage(case_file: CaseFile, stage: str | None) -> CaseFile:
    """The case at the stage that the order names, where it names one."""
    from veneercheck.profile import STAGES

    if stage is None:
        return case_file
    if stage not in STAGES:
        raise ProfileError(
            Told("there is no stage «{stage}».", stage=stage),
            next_step=Told("Known: {known}.", known=", ".join(STAGES)),
        )
    return dataclasses.replace(case_file, case=dataclasses.replace(case_file.case, stage=stage))


def _scan_paths(order: Order, case_file: CaseFile) -> tuple[Path, Path]:
    framework = order.framework or case_file.framework
    waxup = order.waxup or case_file.waxup
    if framework is None or waxup is None:
        raise ProfileError(
            "two scans are needed: the framework and the wax-up.",
            next_step="Give both files, or a case file that names them under [scans].",
        )
    return framework, waxup
