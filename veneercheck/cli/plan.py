"""The command that plans a cut."""

from __future__ import annotations

import enum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from veneercheck.case.exits import Exit
from veneercheck.cli.options import (
    FiledIn,
    Lang,
    LangOption,
    Paper,
    PaperOption,
    Profile,
    Steps,
    UnitOption,
    Who,
    tell,
)
from veneercheck.cli.register import open_register

if TYPE_CHECKING:
    from veneercheck.case.planning import PlanWork


class Form(enum.StrEnum):
    """How the cut runs out at its finish line."""

    CHAMFER = "chamfer"
    SHOULDER = "shoulder"
    KNIFE = "knife"


def plan_command(
    waxup: Annotated[Path | None, typer.Argument(help="Scan of the full-contour wax-up.")] = None,
    die: Annotated[
        Path | None, typer.Option("--die", help="Scan of the dies, in the wax-up's frame.")
    ] = None,
    mask: Annotated[
        Path | None,
        typer.Option(
            "--mask", help="Copy of the wax-up (PLY), painted blue where it is to be veneered."
        ),
    ] = None,
    antagonist: Annotated[
        Path | None, typer.Option("--antagonist", help="Opposing jaw, in the wax-up's frame.")
    ] = None,
    wedge: Annotated[
        Path | None,
        typer.Option("--wedge", help="Step wedge on your opaquer (CSV: thickness_mm,L,a,b)."),
    ] = None,
    off_border: Annotated[
        float,
        typer.Option("--off-border", help="How far contacts are to lie off the metal border, mm."),
    ] = 1.0,
    case: Annotated[Path | None, typer.Option(help="Case file (TOML).")] = None,
    profile: Profile = None,
    unit: UnitOption = None,
    form: Annotated[
        Form, typer.Option("--form", help="Of the run-out at the finish line.")
    ] = Form.CHAMFER,
    width: Annotated[
        float, typer.Option("--width", help="Width of the run-out in mm; of a shoulder its radius.")
    ] = 0.8,
    collar: Annotated[
        float, typer.Option("--collar", help="Metal left above the gingiva, mm.")
    ] = 1.0,
    margin: Annotated[
        float | None,
        typer.Option("--margin", help="Deeper by so many mm; else from seating and scanner."),
    ] = None,
    out: Annotated[Path, typer.Option(help="Folder for the plan.")] = Path("plan"),
    lang: LangOption = Lang.EN,
    paper: PaperOption = Paper.A4,
    register: FiledIn = None,
    who: Who = None,
) -> None:
    """Plan a cut: how deep, where, and does everything fit?"""
    from veneercheck.case.planning import PlanOrder, carry_out, cutting_of, settle_plan
    from veneercheck.report.plan_words import plan_summary
    from veneercheck.report.words import Words

    cutting = cutting_of(
        form.value, width_mm=width, collar_mm=collar, margin_mm=margin, off_border_mm=off_border
    )
    order = PlanOrder(
        waxup, die, mask, antagonist, wedge, case, profile, None if unit is None else unit.value
    )
    work, steps = settle_plan(order, cutting), Steps(lang)
    if register is None:
        document = carry_out(work, out=out, lang=lang.value, paper=paper.value, say=steps)
    else:
        document, out = _on_record(register, work, out, who, lang=lang, paper=paper, say=steps)
    tell(plan_summary(document, lang.value))
    tell(f"{Words(lang.value)('plan.folder')}: {out}")
    raise typer.Exit(_exit(document["conflicts"], known=document["die_known"]))


def _on_record(
    place: str,
    work: PlanWork,
    store: Path,
    who: str | None,
    *,
    lang: Lang,
    paper: Paper,
    say: Steps,
) -> tuple[dict[str, Any], Path]:
    """Plan into a folder of the case's own and enter it; what it says, and where it lies."""
    from veneercheck.record.filing import initials
    from veneercheck.record.located import folder_of
    from veneercheck.record.planning import plan_on_record

    if who:
        initials(who)
    with open_register(place, create=True) as opened:
        entry = plan_on_record(
            opened, work, store, who=who, lang=lang.value, paper=paper.value, say=say
        )
        return entry.body["plan"], folder_of(opened, entry)


def _exit(conflicts: list[dict[str, object]], *, known: bool) -> Exit:
    """As a check ends: a firm conflict is a finding; what was not looked at is undecided."""
    if any(one["firm"] for one in conflicts):
        return Exit.FINDINGS
    return Exit.UNDECIDED if conflicts or not known else Exit.NO_FINDINGS
