"""Every face of the report, rendered anew from what was filed."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from pathlib import Path
from typing import Literal

from veneercheck.core.mesh.triangles import side_by_side
from veneercheck.report.filed import read_result
from veneercheck.report.words import Language

Paper = Literal["a4", "us-letter"]


def render(
    folder: Path,
    *,
    progress: Callable[[str], None] = lambda _: None,
    lang: Language = "en",
    paper: Paper = "a4",
) -> list[Path]:
    """Render stills and pages from the filed result of a folder.

    Parameters
    ----------
    folder : Path
        Holds what `write_result` wrote.
    progress : callable, optional
        Is told what is being rendered, in a word or two.
    lang : {"en", "de"}
    paper : {"a4", "us-letter"}

    Returns
    -------
    list of Path
        What was written, the page first.

    Raises
    ------
    RecordError
        If the folder holds no result of this program.
    """
    from veneercheck.report.amounts import write_amounts
    from veneercheck.report.cuts import SECTIONS, write_sections
    from veneercheck.report.html import write_html
    from veneercheck.report.paper import PAPERS, write_papers
    from veneercheck.report.plan_map import write_off_plan
    from veneercheck.report.scene import Scene, scene_of
    from veneercheck.report.setting import can_print
    from veneercheck.report.signs import harmless
    from veneercheck.report.stills import render_stills
    from veneercheck.report.summary import write_summary
    from veneercheck.report.words import Words

    found, words = read_result(folder), Words(lang)
    filed = dataclasses.replace(found, document=harmless(found.document))
    scene: Scene | None = None
    stills: dict[str, Path] = {}
    drawings: dict[str, str] = {}
    sent: list[Path | None] = []
    if filed.mesh is None:
        _remove_pictures(folder)
    else:
        scene = drawn = scene_of(filed, words)

        def beside() -> tuple[dict[str, str], list[Path | None]]:
            found = write_sections(folder, drawn)
            pictures = (write_summary, write_amounts, write_off_plan)
            return found, [write(folder, drawn) for write in pictures]

        stills, (drawings, sent) = side_by_side(
            lambda: render_stills(folder, drawn, progress), beside
        )
    printed = can_print()
    if scene:
        progress("summary.png, amount.png")
    progress("report.html")
    if printed:
        progress(", ".join(PAPERS))
    else:
        for stale in PAPERS:
            (folder / stale).unlink(missing_ok=True)
        progress("no PDF: the typesetter is not installed (pip install typst)")
    page, papers = side_by_side(
        lambda: write_html(folder, filed, stills, words, scene=scene, drawings=drawings),
        lambda: (
            write_papers(folder, filed, words, drawings=drawings, paper=paper, scene=scene)
            if printed
            else []
        ),
    )
    written = [page, *stills.values(), *(folder / SECTIONS / f"{name}.svg" for name in drawings)]
    return [*written, *(path for path in sent if path is not None), *papers]


def _remove_pictures(folder: Path) -> None:
    """Pictures of an earlier result would contradict one that measured nothing."""
    from veneercheck.report.amounts import AMOUNT
    from veneercheck.report.cuts import SECTIONS
    from veneercheck.report.plan_map import PICTURE as OFF_PLAN_PICTURE
    from veneercheck.report.stills import STILLS
    from veneercheck.report.summary import SUMMARY

    for stale in (folder / STILLS).glob("*.png"):
        stale.unlink()
    for stale in (folder / SECTIONS).glob("*.svg"):
        stale.unlink()
    for name in (AMOUNT, SUMMARY, OFF_PLAN_PICTURE):
        (folder / name).unlink(missing_ok=True)
