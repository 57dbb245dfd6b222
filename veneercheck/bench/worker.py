"""One check in a process of its own: a crash or a cancel ends it and nothing else."""

from __future__ import annotations

import dataclasses
import os
import sys
import traceback
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from veneercheck.bench.store import Job
from veneercheck.case.planning import ROLES
from veneercheck.core.errors import RecordError, VeneerCheckError
from veneercheck.report.refused import said
from veneercheck.report.words import Words

if TYPE_CHECKING:
    from veneercheck.case.order import Order
    from veneercheck.case.planning import PlanWork
    from veneercheck.report.words import Language

_NICE = 5
"""The page must stay at hand while a check computes."""


def order_of(job: Job, scanner: str = "") -> Order:
    """What a check of the page rests on, as the command line would order it."""
    from veneercheck.case.order import Order

    framework, waxup = job.scan("framework"), job.scan("waxup")
    case, profile = job.folder / "case.toml", job.folder / "profile.toml"
    return Order(
        framework.path,
        waxup.path,
        case=case if case.exists() else None,
        profile=str(profile) if profile.exists() else None,
        unit=job.order()["unit"],
        called=(framework.name, waxup.name),
        scanner=scanner or None,
    )


def run(job: Job) -> None:
    """Carry the order out, and write down how it ended."""
    order = job.order()
    try:
        (_plan if "cutting" in order else _check)(job)
    except VeneerCheckError as refusal:
        scans = [job.scan(role) for role in ("framework", *ROLES) if role in order]
        names = {scan.path.name: scan.name for scan in scans}
        where = names.get(refusal.where, refusal.where)
        what, next_step = (
            said(part, Words(order["lang"])) for part in (refusal.what, refusal.next_step)
        )
        job.tell(end="refused", what=what, where=where, next_step=next_step)
    except Exception as fault:  # told on the page; the details are kept beside the order
        (job.folder / "fault.txt").write_text(traceback.format_exc(), encoding="utf-8")
        job.tell(end="fault", what=f"{type(fault).__name__}: {fault}"[:300])
    else:
        if "after" in order:
            _side_by_side(job, order["after"], order["lang"])
        job.tell(end="done")


def _check(job: Job) -> None:
    from veneercheck.case.run import carry_out

    carry_out(
        order_of(job),
        out=job.out,
        lang=job.order()["lang"],
        say=lambda words: job.tell(step=words),
    )


def plan_work(job: Job) -> PlanWork:
    """What a plan of the page rests on, as the command line would order it."""
    from veneercheck.case.planning import PlanOrder, cutting_of, settle_plan

    order, case, profile = job.order(), job.folder / "case.toml", job.folder / "profile.toml"
    scans = {role: scan for role in ROLES if (scan := job.beside(role)) is not None}
    asked = PlanOrder(
        **{role: scan.path for role, scan in scans.items()},
        case=case if case.exists() else None,
        profile=str(profile) if profile.exists() else None,
        unit=order["unit"],
    )
    work = settle_plan(asked, cutting_of(**order["cutting"]))
    called = {role: scan.name for role, scan in scans.items()}
    return dataclasses.replace(work, called=called)


def _plan(job: Job) -> None:
    from veneercheck.case.planning import carry_out

    carry_out(
        plan_work(job),
        out=job.out,
        lang=job.order()["lang"],
        say=lambda words: job.tell(step=words),
    )


def _side_by_side(job: Job, after: str | None, lang: Language) -> None:
    """Lay the check before beside this one, where both measured the same wax-up."""
    from veneercheck.case.run import compare_results

    before = None if after is None else Job(job.folder.parent / after)
    if before is None or before.result() is None:
        return
    job.tell(step="compare.html")
    with suppress(RecordError):  # the answer stands without: one of them failed, or changed sides
        compare_results(before.out, job.out, out=job.out, lang=lang)


if __name__ == "__main__":
    if hasattr(os, "nice"):
        os.nice(_NICE)
    run(Job(Path(sys.argv[1])))
