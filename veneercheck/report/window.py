"""The map in a window of its own or in a notebook, for whoever has pyvista (extra `[view]`).

Notes
-----
`to_pyvista` is a function of the report, not a method of the outcome. Notebooks want the map as a
mesh of a plotting library. Choice: `veneercheck.to_pyvista(outcome)`, in `report/window.py`; the
core knows no library of that kind. Instead of: `outcome.to_pyvista()`, which would bring an edge
into the core. Cost: one name more at the top of the package.
"""

from __future__ import annotations

import ctypes.util
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from veneercheck.core.errors import RecordError
from veneercheck.core.types import Outcome, TriangleMesh
from veneercheck.report.captions import case_words, limits_words
from veneercheck.report.colours import Bands, readable_layer, taken_mm, vertex_colours
from veneercheck.report.filed import FiledResult, as_filed, read_result
from veneercheck.report.signs import harmless
from veneercheck.report.verdict import verdict_sentences
from veneercheck.report.words import Language, Words

if TYPE_CHECKING:
    import pyvista

_READINGS = ("space_mm", "layer_mm", "u_mm", "nearest_mm", "region", "finding")
_AMBIENT = 0.6
"""Shading stays shallow, so that no shadow reads as a thin layer."""


def to_pyvista(result: Outcome | FiledResult) -> pyvista.PolyData:
    """The framework in the wax-up's frame with every reading, for notebooks and other programs.

    Parameters
    ----------
    result : Outcome or FiledResult
        What `check_files` returns, or `read_result` reads.

    Returns
    -------
    pyvista.PolyData
        Point data `space_mm`, `layer_mm`, `u_mm`, `nearest_mm` (NaN where not measured), the
        codes `region` and `finding`, and `colour`, the map's own colours, shape (n, 3).

    Raises
    ------
    RecordError
        If nothing was measured, or pyvista is not installed.
    """
    filed = as_filed(result) if isinstance(result, Outcome) else result
    if filed.mesh is None:
        raise RecordError("nothing was measured, so there is no map to show.")
    body = _polydata(filed.mesh)
    for name in _READINGS:
        body.point_data[name] = np.array(getattr(filed, name))
    body.point_data["colour"] = _colours(filed)
    return body


def open_window(folder: Path, *, lang: Language = "en", shot: Path | None = None) -> None:
    """Show the map of a filed result in a window of pyvista until it is closed.

    Parameters
    ----------
    folder : Path
        Holds what `write_result` wrote.
    lang : {"en", "de"}
    shot : Path, optional
        Save one picture there instead of waiting for a person.

    Raises
    ------
    RecordError
        If there is no result, nothing to show, no screen or no pyvista.
    """
    filed, words = read_result(folder), Words(lang)
    body, told = to_pyvista(filed), harmless(filed.document)
    _refuse_without_screen(needed=shot is None)
    lines = [case_words(told, words), *verdict_sentences(told, words), limits_words(told, words)]
    body.plot(
        scalars="colour",
        rgb=True,
        ambient=_AMBIENT,
        diffuse=1.0 - _AMBIENT,
        background="white",
        text="\n".join(lines),
        parallel_projection=True,
        off_screen=shot is not None,
        screenshot=str(shot) if shot else False,
    )


def _colours(filed: FiledResult) -> Any:
    assert filed.layer_mm is not None and filed.nearest_mm is not None
    assert filed.region is not None and filed.finding is not None
    limits = filed.document["profile"]["layer"]
    layer = readable_layer(filed.layer_mm, filed.nearest_mm, taken_mm(filed.document))
    bands = Bands(limits["least_mm"], limits["greatest_mm"])
    return vertex_colours(layer, filed.region, filed.finding, bands)


def _polydata(mesh: TriangleMesh) -> pyvista.PolyData:
    made: pyvista.PolyData = _library().PolyData.from_regular_faces(
        np.array(mesh.points_mm), np.array(mesh.faces)
    )
    return made


def _library() -> Any:
    try:
        import pyvista
    except ImportError:
        raise RecordError(
            "the window needs pyvista, which is not installed.",
            next_step="Install it with pip install 'veneercheck[view]'; report.html needs nothing.",
        ) from None
    return pyvista


def _refuse_without_screen(*, needed: bool) -> None:
    """Without these the drawing library ends the whole process, and no code can catch that."""
    if sys.platform != "linux":
        return
    seen = os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY")
    if ctypes.util.find_library("GL") is None or (needed and not seen):
        raise RecordError(
            "no window can be opened here: there is no screen, or no OpenGL library.",
            next_step="Open report.html in a browser instead.",
        )
