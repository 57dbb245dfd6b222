"""Every face of the report, rendered anew from what was filed."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from veneercheck.report.filed import read_result
from veneercheck.report.words import Language


def render(
    folder: Path, *, progress: Callable[[str], None] = lambda _: None, lang: Language = "en"
) -> list[Path]:
    """Render stills and pages from the filed result of a folder.

    Parameters
    ----------
    folder : Path
        Holds what `write_result` wrote.
    progress : callable, optional
        Is told what is being rendered, in a word or two.
    lang : {"en", "de"}

    Returns
    -------
    list of Path
        What was written, the page first.

    Raises
    ------
    RecordError
        If the folder holds no result of this program.
    """
    from veneercheck.report.html import write_html
    from veneercheck.report.stills import STILLS, render_stills, scene_of
    from veneercheck.report.words import Words

    filed, words = read_result(folder), Words(lang)
    if filed.mesh is None:
        for stale in (folder / STILLS).glob("*.png"):
            stale.unlink()
        scene, stills = None, {}
    else:
        scene = scene_of(filed, words)
        stills = render_stills(folder, scene, progress)
    progress("report.html")
    return [write_html(folder, filed, stills, words, scene), *stills.values()]
