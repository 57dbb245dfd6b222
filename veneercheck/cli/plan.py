"""The command that plans a cut."""

from __future__ import annotations

import enum
from pathlib import Path
from typing import Annotated, Literal

import typer

from veneercheck.case.exits import Exit
from veneercheck.cli.options import (
    Lang,
    LangOption,
    Paper,
    PaperOption,
    Profile,
    Steps,
    UnitOption,
    tell,
)


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
) -> None:
    """Plan a cut: how deep, where, and does everything fit?"""
    from veneercheck.case.planning import PlanOrder, carry_out
    from veneercheck.core.errors import ProfileError, Told
    from veneercheck.core.plan.planned import Cutting
    from veneercheck.report.plan_words import plan_summary
    from veneercheck.report.words import Words

    for name, value, most in (
        ("width", width, 3.0),
        ("collar", collar, 5.0),
        ("margin", margin, 1.0),
        ("off-border", off_border, 5.0),
    ):
        if value is not None and not 0.0 <= value <= most:
            raise ProfileError(
                Told("--{name} = {value:g} mm is no such length.", name=name, value=value),
                next_step=Told("Give a length between 0 and {most:g} mm.", most=most),
            )
    if width < _LEAST_WIDTH_MM:
        raise ProfileError(
            Told("--width = {width:g} mm is too narrow to be cut.", width=width),
            next_step=Told("Give at least {least_width_mm:g} mm.", least_width_mm=_LEAST_WIDTH_MM),
        )
    cutting = Cutting(
        _FORMS[form],
        width_mm=width,
        radius_mm=min(width, _FOOT_MM),
        collar_mm=collar,
        margin_mm=margin,
        off_border_mm=off_border,
    )
    order = PlanOrder(
        waxup, die, mask, antagonist, wedge, case, profile, None if unit is None else unit.value
    )
    made = carry_out(order, cutting, out=out, lang=lang.value, paper=paper.value, say=Steps(lang))
    tell(plan_summary(made.document, lang.value))
    tell(f"{Words(lang.value)('plan.folder')}: {out}")
    raise typer.Exit(_exit(made.document["conflicts"], known=made.document["die_known"]))


_LEAST_WIDTH_MM, _FOOT_MM = 0.2, 0.4

_FORMS: dict[Form, Literal["chamfer", "shoulder", "knife edge"]] = {
    Form.CHAMFER: "chamfer",
    Form.SHOULDER: "shoulder",
    Form.KNIFE: "knife edge",
}


def _exit(conflicts: list[dict[str, object]], *, known: bool) -> Exit:
    """As a check ends: a firm conflict is a finding; what was not looked at is undecided."""
    if any(one["firm"] for one in conflicts):
        return Exit.FINDINGS
    return Exit.UNDECIDED if conflicts or not known else Exit.NO_FINDINGS
