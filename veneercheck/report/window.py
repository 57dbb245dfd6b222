"""The map in a window of its own or in a notebook, for whoever has pyvista (extra `[view]`)."""

from __future__ import annotations

import ctypes.util
import dataclasses
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from veneercheck.core.errors import RecordError
from veneercheck.core.types import Outcome, TriangleMesh
from veneercheck.report.colours import Bands, readable_layer, taken_mm, vertex_colours
from veneercheck.report.filed import FiledResult, as_filed, read_result
from veneercheck.report.signs import harmless
from veneercheck.report.stills import case_words, limits_words, zone_words
from veneercheck.report.verdict import verdict_sentences
from veneercheck.report.words import Language, Words

if TYPE_CHECKING:
    import pyvista

_READINGS = ("space_mm", "layer_mm", "u_mm", "nearest_mm", "region", "finding")
_INK, _PAPER = "#1a1a1a", "#ffffff"
_LETTERS_PT = 9
_SIGNS_PT = 18
_SIGN_OFF_MM = 0.8
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
    """Show the map of a filed result in a window, the wax-up as its outline, until it is closed.

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
    found, words = read_result(folder), Words(lang)
    filed = dataclasses.replace(found, document=harmless(found.document))
    body = to_pyvista(filed)
    _refuse_without_screen(needed=shot is None)
    plot = _library().Plotter(off_screen=shot is not None, title=words("report.title"))
    plot.set_background(_PAPER)
    plot.add_mesh(body, scalars="colour", rgb=True, ambient=_AMBIENT, diffuse=1.0 - _AMBIENT)
    if filed.contour is not None:
        plot.add_silhouette(_polydata(filed.contour), color=_INK, line_width=1.5)
    for sign, place in _signs(filed, body):
        plot.add_point_labels(
            place, [sign], font_size=_SIGNS_PT, text_color=_INK, shape_color=_PAPER,
            show_points=False,
        )  # fmt: skip
    plot.add_text("\n".join(_told(filed, words)), font_size=_LETTERS_PT, color=_INK)
    plot.show_bounds(grid=False, all_edges=False, color=_INK, font_size=_LETTERS_PT,
                     xtitle="mm", ytitle="mm", ztitle="mm")  # fmt: skip
    plot.enable_parallel_projection()
    plot.show(screenshot=str(shot) if shot else False)
    plot.close()


def _signs(filed: FiledResult, body: pyvista.PolyData) -> list[tuple[str, Any]]:
    """Number and place of every sign, a little off the surface so that it hides with its zone."""
    zones = [(str(zone["id"]), zone["centre_mm"]) for zone in filed.document["zones"]]
    asked = [("?", asked["centre_mm"]) for asked in filed.document["questions"]]
    outward = body.compute_normals(auto_orient_normals=False, flip_normals=False).point_normals
    return [
        (sign, np.array([np.add(centre, _SIGN_OFF_MM * outward[body.find_closest_point(centre)])]))
        for sign, centre in (*zones, *asked)
        if centre
    ]


def _told(filed: FiledResult, words: Words) -> list[str]:
    """What must be read beside the map: case, verdict, list, what the colours mean, limits."""
    document = filed.document
    bands = (("thin", "wine"), ("enough", "porcelain"), ("thick", "blue"))
    legend = ", ".join(
        f"{words(f'window.{hue}')} = {words(f'legend.{name}')}" for name, hue in bands
    )
    return [
        case_words(document, words),
        *verdict_sentences(document, words),
        *(zone_words(zone, words) for zone in document["zones"]),
        legend,
        limits_words(document, words),
    ]


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
