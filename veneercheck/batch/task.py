"""One case among many: what is asked of it, the doing of it in any process, what became of it."""

from __future__ import annotations

import dataclasses
import json
import sys
import time
import traceback
from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from veneercheck import __version__
from veneercheck.batch.again import change, settled_from
from veneercheck.case.exits import Exit, code_of
from veneercheck.case.order import Order, Settled, settle
from veneercheck.core.errors import RecordError, Told, VeneerCheckError
from veneercheck.record.filing import Made, check_on_record, make_case_folder
from veneercheck.report.counted import as_it_counts, standing_beside
from veneercheck.report.refused import refused
from veneercheck.report.words import Words

if TYPE_CHECKING:
    from veneercheck.record import Register
    from veneercheck.report import Language, Paper

PASSING = (MemoryError, ConnectionError, TimeoutError)
"""What may be over at the next attempt; a refused scan is refused again."""

CHECKED, THERE, FAILED = "checked", "was there", "failed"


@dataclasses.dataclass(frozen=True, slots=True)
class Asked:
    """What is asked of every case alike.

    Parameters
    ----------
    store : Path
        Holds the case folders; every process that checks must see it under this path.
    profile, unit, stage : str, optional
        Where a case does not say otherwise.
    lang : {"en", "de"}
    paper : {"a4", "us-letter"}
    register : str, optional
        Every check is put on record here.
    who : str, optional
        Initials, for the record.
    again : bool
        The folder holds finished checks, which are repeated.
    """

    store: Path
    profile: str | None = None
    unit: str | None = None
    stage: str | None = None
    aligned: bool = False
    with_report: bool = True
    lang: Language = "en"
    paper: Paper = "a4"
    register: str | None = None
    who: str | None = None
    again: bool = False


@dataclasses.dataclass(frozen=True, slots=True)
class Task:
    """One case to check: paths, and what differs from what is asked of all.

    Parameters
    ----------
    at : int
        Its place in the list, from 0.
    number : str, optional
        Case number, where the case file has none.
    case, framework, waxup : str, optional
        The scans may be left to the case file.
    plan : str, optional
        Folder of the plan of this cut.
    finished : str, optional
        Folder of a finished check that is to be repeated.
    attempt : int
        From 1.
    version : str
        Of the program that asks: another one would give another record.
    """

    at: int
    asked: Asked
    number: str | None = None
    case: str | None = None
    framework: str | None = None
    waxup: str | None = None
    profile: str | None = None
    unit: str | None = None
    stage: str | None = None
    aligned: bool | None = None
    plan: str | None = None
    finished: str | None = None
    attempt: int = 1
    version: str = __version__

    @property
    def name(self) -> str:
        """What to call it before its case file is read."""
        return self.number or self.case or self.framework or self.finished or f"case {self.at + 1}"


@dataclasses.dataclass(frozen=True, slots=True)
class Done:
    """What became of a case: a row of the summary.

    Parameters
    ----------
    case : str
        Case number, or what stands for it.
    state : str
        `checked`, `was there` (finished earlier) or `failed`.
    code : int
        The exit code that the case would have had alone.
    verdict, alignment : str
        Empty where it failed.
    firm, undecided : int or None
        Zones.
    seconds, cpu_s : float
        Wall clock and processor time.
    peak_mb : float
        The most memory that its process had held so far; 0 where the system does not tell.
    cause : str
        Why it failed.
    passing : bool
        Another attempt may succeed.
    before, change : str
        Of a check that was repeated: its verdict on record, and what differs.
    """

    at: int
    case: str
    state: str
    code: int
    verdict: str = ""
    alignment: str = ""
    firm: int | None = None
    undecided: int | None = None
    folder: str = ""
    key: str = ""
    attempts: int = 1
    seconds: float = 0.0
    cpu_s: float = 0.0
    peak_mb: float = 0.0
    cause: str = ""
    passing: bool = False
    before: str = ""
    change: str = ""


def do(task: Task) -> Done:
    """Check one case into its folder, and on record if asked; nothing it meets is raised."""
    began, cpu = time.perf_counter(), time.process_time()
    try:
        done = _done(task)
    except VeneerCheckError as refusal:
        told = refused(refusal, Words(task.asked.lang))
        done = failed(task, told, Exit.REFUSED, passing=isinstance(refusal, PASSING))
    except Exception as fault:
        last = traceback.extract_tb(fault.__traceback__)[-1]
        words = f"{type(fault).__name__}: {fault} ({Path(last.filename).name}, {last.lineno})"
        done = failed(
            task, words, Exit.PROGRAM_FAULT, passing=isinstance(fault, (*PASSING, OSError))
        )
    return dataclasses.replace(
        done,
        seconds=round(time.perf_counter() - began, 3),
        cpu_s=round(time.process_time() - cpu, 3),
        peak_mb=_peak_mb(),
    )


def failed(task: Task, cause: str, code: Exit, *, passing: bool = False) -> Done:
    """A case that was not checked, with the cause in one line."""
    line = " ".join(cause.split())
    return Done(
        task.at, task.name, FAILED, code, attempts=task.attempt, cause=line, passing=passing
    )


def _done(task: Task) -> Done:
    if task.version != __version__:
        raise RecordError(
            Told(
                "this process has version {version}, and {version_2} was asked for.",
                version=__version__,
                version_2=task.version,
            ),
            where="the cluster",
            next_step="Install the same version on every worker.",
        )
    if not task.asked.store.is_dir():
        raise RecordError(
            "this process does not see the folder for the results.",
            where=str(task.asked.store),
            next_step="Give --out a folder that every worker sees under the same path.",
        )
    made = _made(task.asked, _settled(task))
    result = json.loads((made.folder / "result.json").read_text(encoding="utf-8"))
    return _told(task, made, result)


def _made(asked: Asked, work: Settled) -> Made:
    if asked.register is None:
        return make_case_folder(
            work, asked.store, with_report=asked.with_report, lang=asked.lang, paper=asked.paper
        )
    made, _ = check_on_record(
        _register(asked.register),
        work,
        asked.store,
        who=asked.who,
        with_report=asked.with_report,
        lang=asked.lang,
        paper=asked.paper,
    )
    return made


def _told(task: Task, made: Made, result: Mapping[str, Any]) -> Done:
    decisions = [zone["decision"] for zone in result["zones"]]
    before, changed = change(Path(task.finished), result) if task.finished else ("", "")
    counts = as_it_counts(result, standing_beside(made.folder))
    return Done(
        task.at,
        result["case"]["number"] or task.name,
        CHECKED if made.fresh else THERE,
        code_of(counts),
        counts["verdict"],
        result["alignment"]["state"],
        decisions.count("firm"),
        decisions.count("undecided"),
        str(made.folder),
        made.key,
        task.attempt,
        before=before,
        change=changed,
    )


def _settled(task: Task) -> Settled:
    """The case with its case file and profile read."""
    asked = task.asked
    if task.finished is not None:
        return settled_from(Path(task.finished), task.profile or asked.profile)
    case, framework, waxup = (
        None if place is None else Path(place) for place in (task.case, task.framework, task.waxup)
    )
    order = Order(
        framework,
        waxup,
        case,
        task.profile or asked.profile,
        task.unit or asked.unit,
        asked.aligned if task.aligned is None else task.aligned,
        stage=task.stage or asked.stage,
        plan=None if task.plan is None else Path(task.plan),
    )
    work = settle(order)
    if work.case.number is None and task.number is not None:
        numbered = dataclasses.replace(work.case, number=task.number)
        work = dataclasses.replace(work, case=numbered)
    return work


@lru_cache(maxsize=1)
def _register(place: str) -> Register:
    """One for the life of the process."""
    from veneercheck.record import Register

    return Register(place)


def _peak_mb() -> float:
    try:
        import resource
    except ImportError:
        return 0.0
    unit = 1e6 if sys.platform == "darwin" else 1e3
    return round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / unit, 1)
