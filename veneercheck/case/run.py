"""One case from files to folder: read, check, report; the only place where the steps meet files."""

from __future__ import annotations

import gzip
import sys
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from veneercheck.case import found
from veneercheck.case.against import compare_with_plan, look_at_plan
from veneercheck.case.folders import (
    folder_for,
    refuse_case_folder,
    unwritable,
    usable_folder,
    write_bytes,
    written_whole,
)
from veneercheck.case.order import Order, Settled, look_at_scans, settle
from veneercheck.machine.memory import check_needed

if TYPE_CHECKING:  # a refusal must come at once: what is heavy is loaded where it is used
    from veneercheck.case.result import Result
    from veneercheck.core.types import Outcome
    from veneercheck.report import Language, Paper

Say = Callable[[str], None]
Known = Callable[["Outcome"], None]
"""Is told an outcome as soon as it is known."""


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
) -> Result:
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
    Result

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
) -> Result:
    """Read, check, write and draw one case; `known` is told the outcome before the drawing."""
    look_at_scans(order)
    work = settle(order) if isinstance(order, Order) else order
    if work.plan is not None:
        look_at_plan(work.plan, work.waxup)
    if out is not None:
        refuse_case_folder(out)
    with folder_for(out):
        outcome = _found(work, now, _lean(say))
        if out is None:
            known(outcome)
        else:
            from veneercheck import report

            with written_whole(out):
                _lean(say)("writing the result")
                report.write_result(out, outcome)
                if work.plan is not None:
                    compare_with_plan(work.plan, outcome, out)
                known(outcome)
                if with_report:
                    report.render(out, progress=_lean(say), lang=lang, paper=paper)
                    _beside_earlier(work.earlier, out, outcome, lang, _lean(say))
        return outcome


def _found(work: Settled, now: datetime | None, say: Say) -> Result:
    """Read and check one case; the scans are let go of before its report is drawn."""
    from veneercheck import scan

    say("reading the scans")
    pair = scan.read_pair(work.framework, work.waxup, unit=work.unit, waxup_kind=work.waxup_kind)
    for one in (pair.framework, pair.waxup):
        found.refuse_scraps(one)
    earlier = found.earlier_result(work.earlier, pair.waxup) if work.earlier else None
    die = scan.read_scan(work.die, unit=work.unit) if work.die else None
    read = [one.source for one in (pair.framework, pair.waxup, die) if one is not None]
    check_needed(sum(one.triangles for one in read), pair.framework.source.area_mm2)
    paint = pair.framework.paint
    if work.reference is not None:
        paint = found.painted_copy(work.reference, work.unit, pair.framework)
    return found.found(
        pair,
        case=work.case,
        limits=work.limits,
        aligned=work.aligned,
        paint=paint,
        die=die,
        earlier=earlier,
        waxup_kind=work.waxup_kind,
        called=work.called,
        now=now,
        say=say,
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
