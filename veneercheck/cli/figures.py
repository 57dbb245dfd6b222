"""The commands that measure this machine and the own scanner: verify and repeatability."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Annotated

import typer

from veneercheck.case.exits import Exit
from veneercheck.cli.options import Profile, UnitOption, Who, say, tell
from veneercheck.cli.signing import KeysOption, PhraseOption, file_figures
from veneercheck.core.errors import Told

FiledIn = Annotated[
    str | None, typer.Option("--register", help="Put the figures on record here, too.")
]


def verify_command(
    out: Annotated[Path | None, typer.Option(help="File (JSON) to keep the figures in.")] = None,
    register: FiledIn = None,
    who: Who = None,
    keys: KeysOption = None,
    phrase_file: PhraseOption = None,
) -> None:
    """Measure bodies with known answers on this machine; repeat at intervals and file it."""
    from veneercheck.phantom.verify import verify, words

    result = verify(say=say)
    for line in words(result):
        tell(line)
    if out is not None:
        import json

        from veneercheck.case.folders import write_text

        write_text(out, json.dumps(result.as_dict(), indent=1, ensure_ascii=False) + "\n")
        tell(Told("Filed: {out}", out=out))
    if register is not None:
        figures = {"figures": result.as_dict()}
        entry = file_figures(register, "verification", figures, who, keys, phrase_file)
        tell(Told("On record: entry {seq}, {hash}", seq=entry.seq, hash=entry.hash))
    raise typer.Exit(Exit.NO_FINDINGS if result.holds else Exit.FINDINGS)


def repeatability_command(
    scans: Annotated[
        list[Path],
        typer.Argument(help="Two scans or more of one body, taken off and seated in between."),
    ],
    aligned: Annotated[
        bool, typer.Option("--aligned", help="The scanner keeps one frame: the shift is seating.")
    ] = False,
    profile: Profile = None,
    unit: UnitOption = None,
    out: Annotated[
        Path | None, typer.Option(help="Profile (TOML) to write, with what was measured.")
    ] = None,
    scanner: Annotated[
        str | None, typer.Option(help="The scanner, as it is on record; for --register.")
    ] = None,
    register: FiledIn = None,
    who: Who = None,
    keys: KeysOption = None,
    phrase_file: PhraseOption = None,
) -> None:
    """Measure your own noise, seating and distortion from repeated scans."""
    from veneercheck.case.repeat import repeated

    found, limits = repeated(
        scans,
        profile=profile,
        unit=None if unit is None else unit.value,
        shared_frame=aligned,
        out=out,
        say=say,
    )
    for line in found.words():
        tell(line)
    if out is not None and limits is not None:
        tell(
            Told(
                "Profile: {out} (seating_u_mm = {seating_u_mm:g})",
                out=out,
                seating_u_mm=limits.seating_u_mm,
            )
        )
    if register is not None:
        figures = {"scanner": scanner or "", "scans": found.scans, "words": found.words()}
        seating = None if limits is None else limits.seating_u_mm
        figures |= {"seating_u_mm": seating, "noise_mm": _known(found.noise_mm)}
        figures |= {"distortion_mm": _known(found.distortion_mm)}
        entry = file_figures(register, "repeatability", figures, who, keys, phrase_file)
        tell(Told("On record: entry {seq}, {hash}", seq=entry.seq, hash=entry.hash))


def _known(value_mm: float) -> float | None:
    """A figure as it goes on record, to the hundredth of a micrometre; none where it is unknown."""
    return round(float(value_mm), 5) if math.isfinite(value_mm) else None
