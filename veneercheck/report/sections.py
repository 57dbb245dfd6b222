"""Sections as vector drawings to scale: both scans, die, limits, layer and metal in figures."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping

import numpy as np

from veneercheck.core.divide.anatomy import Surface
from veneercheck.core.judge.structure.planes import laid_out
from veneercheck.core.mesh.nearest import NearestPoints
from veneercheck.core.mesh.sections import Crossing, crossing
from veneercheck.core.mesh.triangles import unit
from veneercheck.core.types import Bools, Floats, Region, SectionPlane, TriangleMesh
from veneercheck.report.colours import NOTHING_MM
from veneercheck.report.filed import FiledResult
from veneercheck.report.scene import Scene
from veneercheck.report.section_sheet import (
    BAR_MM,
    STYLE,
    Figure,
    Sheet,
    bar_svg,
    figure_svg,
    grid_svg,
    lines_svg,
    readable,
    sides_svg,
    whole_svg,
)
from veneercheck.report.words import Words

_BORDER = 3.6

_APART = 5.5
"""Of ticks, border and distance between figures, in letters' heights."""

_WORDS = 2.5
"""A figure within the drawing needs so much room, in letters' heights, to its edges."""

_LEAST_WIDTH_MM = 8.0

_BESIDE_MM = 2.5
"""Bare metal that stands out this far beside the veneer is shown whole."""

_MOST_FIGURES = 9

_IN_PLANE = 0.9
"""A figure is drawn only where the ray lies in the plane within 26°."""

_ALIKE = 0.1
"""Figures stand where the ray and the nearest contour agree within this share: elsewhere, as in
a chamfer, one line in a drawing would say more than is known."""

_CLEAR_MM = 0.03
"""A limit's line ends where other metal is nearer than its reach by this: a chord's own rise."""

_MOST_METAL = 4

_ENDS_THERE_MM = 0.1
"""A figure of the metal is drawn where its line ends at the fitting surface or the die as drawn."""

_LITTLE_MM = 1e-3
"""A step along a direction shows how it lies in a drawing that is laid out from a curve."""

_VENEERED, _HALF = 0.99, 0.5


def section_svg(
    section: SectionPlane, scene: Scene, own: Figure | None = None, box: Floats | None = None
) -> str | None:
    """Draw one section.

    Parameters
    ----------
    section : SectionPlane
    scene : Scene
    own : Figure, optional
        The one figure to draw; else the thinnest, the thickest and others between.
    box : ndarray, shape (2, 2), optional
        Corners of the drawing, mm; else around what is meant for veneer.

    Returns
    -------
    str or None
        SVG; None where nothing meant for veneer is passed.
    """
    metal, outline = _traced(section, scene), _outline(section, scene.filed.contour)
    meant = metal.passed.at(_share(scene, Region.CUT, Region.FINISH_LINE_BAND)) > _VENEERED
    if box is None:
        if not meant.any():
            return None
        places = np.concatenate([metal.line[meant], _tips(scene, metal)[meant]])
        box = _box(places, np.concatenate([metal.line, outline]).reshape(-1, 2))
    sheet = Sheet(box)
    drawn = _by_style(scene, metal)
    drawn["die"] = _outline(section, scene.filed.die)
    drawn["wanted"] = _wanted(scene, metal)
    parts = [grid_svg(box), lines_svg(outline, "contour", sheet)]
    parts += _limits(scene, metal, meant, sheet)
    parts += [lines_svg(pieces, style, sheet) for style, pieces in drawn.items() if len(pieces)]
    layers = [own] if own else _figures(scene, metal, sheet)
    inner = np.concatenate([drawn["fitting"], drawn["die"]])
    figures = readable([layers, _of_metal(scene, metal, inner, sheet)], sheet)
    parts += [figure_svg(one, sheet) for one in figures]
    parts += sides_svg(section.sides, sheet, scene, figures)
    parts.append(bar_svg(sheet, scene.words.number(BAR_MM, 0)))
    return whole_svg(parts, box)


def legend(drawings: Mapping[str, str], words: Words) -> str:
    """What the lines of some drawings mean, those told that are drawn."""
    drawn = "".join(drawings.values())
    more = [
        words(f"carrying.line_{name}")
        for name in ("fitting", "die", "model", "metal", "wanted")
        if STYLE[name] in drawn
    ]
    return " ".join([words("carrying.section_note"), *more])


def in_order(passed: Crossing) -> Crossing:
    """The pieces of a crossing so that each begins where the one before it ends, where it can."""
    low, high = passed.vertex.min(axis=2), passed.vertex.max(axis=2)
    node = (low * (int(high.max(initial=0)) + 1) + high).tolist()
    begins = {start: index for index, (start, _) in enumerate(node)}
    ended = {end for _, end in node}
    loose = [index for index, (start, _) in enumerate(node) if start not in ended]
    order: list[int] = []
    done = [False] * len(node)
    for first in (*loose, *range(len(node))):
        index: int | None = first
        while index is not None and not done[index]:
            done[index] = True
            order.append(index)
            index = begins.get(node[index][1])
    return Crossing(passed.face[order], passed.vertex[order], passed.share[order])


def _share(scene: Scene, *regions: Region) -> Floats:
    """1 at the vertices of some regions, else 0."""
    region = scene.filed.region
    assert region is not None
    return np.isin(region, regions).astype(np.float64)


def _off(offset: Floats) -> Floats:
    """A vertex exactly in the plane would be passed by none or many of its triangles."""
    return np.where(offset == 0.0, 1e-12, offset)


def _taken(scene: Scene) -> float:
    allowance = scene.filed.document["profile"]["allowance"]
    return float(allowance["opaquer_mm"] + allowance["beads_mm"])


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """The framework where a section passes it.

    Parameters
    ----------
    passed : Crossing
        Of k pieces, in order.
    line, ways : ndarray, shape (k, 2, 2)
        Places of their ends in the drawing, mm, and the outward directions there.
    in_plane : ndarray of bool, shape (k, 2)
        Where that direction hardly leaves the plane.
    """

    passed: Crossing
    line: Floats
    ways: Floats
    in_plane: Bools


def _traced(section: SectionPlane, scene: Scene) -> Trace:
    mesh = scene.surface.mesh
    offset, flat = laid_out(section, mesh.points_mm)
    passed = in_order(crossing(mesh, _off(offset)))
    at, outward = passed.at(mesh.points_mm), passed.at(scene.surface.normals)
    _, here = laid_out(section, at.reshape(-1, 3))
    _, there = laid_out(section, (at + _LITTLE_MM * outward).reshape(-1, 3))
    way = (there - here) / _LITTLE_MM
    length = np.linalg.norm(way, axis=1).reshape(-1, 2)
    ways = np.asarray(unit(way).reshape(-1, 2, 2))
    return Trace(passed, passed.at(flat), ways, np.asarray(length > _IN_PLANE))


def _outline(section: SectionPlane, mesh: TriangleMesh | None) -> Floats:
    """A surface where a section passes it, laid flat; nothing where it was not filed."""
    if mesh is None:
        return np.zeros((0, 2, 2))
    offset, flat = laid_out(section, mesh.points_mm)
    return in_order(crossing(mesh, _off(offset))).at(flat)


def told_apart(filed: FiledResult) -> dict[str, Bools]:
    """Which vertices of the framework's scan are its fitting surface, and which the model with it.

    Where teeth are known, what belongs to none is the model, and what belongs to one but faces
    nowhere is the inside of its retainer: where the wax-up shows it too, it counts as uncut.

    Returns
    -------
    dict
        Arrays of shape (n,) by style: "fitting", "model"; no vertex is both.
    """
    region, tooth, surface = filed.region, filed.tooth, filed.surface
    assert region is not None
    fitting: Bools = region == Region.FITTING_SURFACE
    model: Bools = region == Region.MODEL
    if tooth is not None and surface is not None and (tooth > 0).any():
        aside = (surface == Surface.NONE) & ~np.isin(region, (Region.CUT, Region.FINISH_LINE_BAND))
        retainer = (tooth > 0) & ~np.isin(tooth, filed.document["case"].get("pontics", ()))
        fitting, model = fitting | (aside & retainer), model | (aside & (tooth == 0))
    return {"fitting": fitting & ~model, "model": model}


def _by_style(scene: Scene, metal: Trace) -> dict[str, Floats]:
    """The framework's scan by style: its own outside, its fitting surface, the model with it."""
    fitting, model = (
        metal.passed.at(part.astype(np.float64)).mean(axis=1) > _HALF
        for part in told_apart(scene.filed).values()
    )
    return {
        "model": metal.line[model],
        "fitting": metal.line[fitting],
        "framework": metal.line[~fitting & ~model],
    }


def _tips(scene: Scene, metal: Trace) -> Floats:
    """Where the contour lies over the metal, at most the greatest layer away."""
    space = scene.filed.space_mm
    assert space is not None
    most = scene.surface.bands.greatest_mm + _taken(scene)
    reach = np.clip(np.nan_to_num(metal.passed.at(space)), 0.0, most)
    return np.asarray(metal.line + reach[:, :, None] * metal.ways)


def _limits(scene: Scene, metal: Trace, meant: Bools, sheet: Sheet) -> list[str]:
    """Lines at the least and the greatest layer from the metal."""
    bands, taken = scene.surface.bands, _taken(scene)
    both = np.asarray((meant & metal.in_plane).all(axis=1))
    return [
        lines_svg(_offset(metal, both, reach + taken), "limit", sheet)
        for reach in (bands.least_mm, bands.greatest_mm)
    ]


def _wanted(scene: Scene, metal: Trace) -> Floats:
    """The surface as it is wanted, where something is to be taken off or added."""
    amount = scene.filed.amount_mm
    if scene.amount_kind != "amount" or amount is None:
        return np.zeros((0, 2, 2))
    reach = metal.passed.at(np.nan_to_num(amount))
    some = metal.in_plane.all(axis=1) & (np.abs(reach).max(axis=1) >= NOTHING_MM)
    return _clear(metal, metal.line - reach[:, :, None] * metal.ways, np.abs(reach), some)


def _offset(metal: Trace, both: Bools, reach: float) -> Floats:
    """The line at a distance from the metal."""
    return _clear(metal, metal.line + reach * metal.ways, np.full(both.shape + (2,), reach), both)


def _clear(metal: Trace, moved: Floats, reach: Floats, some: Bools) -> Floats:
    """Some of the moved pieces, without the loops a corner would make."""
    moved, reach = moved[some], reach[some]
    if not len(moved):
        return moved
    places = np.concatenate([metal.line.reshape(-1, 2), metal.line.mean(axis=1)])
    nearest, _ = NearestPoints(_upright(places)).query(_upright(moved.reshape(-1, 2)))
    clear = nearest.reshape(-1, 2) > reach - _CLEAR_MM
    return np.asarray(moved[clear.all(axis=1)])


def _upright(places: Floats) -> Floats:
    """Places of the drawing in space, shape (k, 3)."""
    return np.pad(places, ((0, 0), (0, 1)))


def _figures(scene: Scene, metal: Trace, sheet: Sheet) -> list[Figure]:
    """The thinnest and the thickest place, and others well apart from them."""
    filed, surface, at = scene.filed, scene.surface, metal.passed.at
    assert filed.space_mm is not None and filed.nearest_mm is not None
    spaces, nearest = at(filed.space_mm), at(filed.nearest_mm)
    layers, shown = at(surface.layer_mm), at(surface.shown_mm)
    known = metal.in_plane & (at(_share(scene, Region.CUT)) > _VENEERED)
    known &= np.isfinite(layers) & np.isfinite(shown)
    known &= np.abs(spaces - nearest) < _ALIKE * np.abs(spaces)
    start, shown, layers = metal.line[known], shown[known], layers[known]
    tip = start + spaces[known][:, None] * metal.ways[known]
    bands = surface.bands
    return [
        Figure(
            _pair(start[index]),
            _pair(tip[index]),
            scene.words.number(float(layers[index])),
            "measure" if bands.least_mm <= shown[index] <= bands.greatest_mm else "bad",
        )
        for index in _spread(shown, start, tip, _APART * sheet.letters_mm)
    ]


def _of_metal(scene: Scene, metal: Trace, inner: Floats, sheet: Sheet) -> list[Figure]:
    """The thinnest metal under the veneer, and others apart from it, down to what is drawn."""
    from scipy.spatial import cKDTree

    if scene.filed.metal_mm is None or not len(inner):
        return []
    deep = metal.passed.at(scene.filed.metal_mm)
    veneer = metal.passed.at(_share(scene, Region.CUT, Region.FINISH_LINE_BAND)) > _VENEERED
    known = metal.in_plane & veneer & np.isfinite(deep)
    start, deep = metal.line[known], deep[known]
    tip = start - deep[:, None] * metal.ways[known]
    room = _WORDS * sheet.letters_mm
    inside = (tip > sheet.box[0] + room) & (tip < sheet.box[1] - room)
    (off, _), (near, _) = (cKDTree(inner.reshape(-1, 2)).query(ends) for ends in (tip, start))
    ends = inside.all(axis=1) & (off < _ENDS_THERE_MM) & (deep - near < _ALIKE * deep)
    start, tip, deep = start[ends], tip[ends], deep[ends]
    chosen = _spread(deep, start, tip, _APART * sheet.letters_mm)[:_MOST_METAL]
    return [
        Figure(_pair(start[at]), _pair(tip[at]), scene.words.number(float(deep[at])), "metal")
        for at in chosen
    ]


def _spread(shown: Floats, start: Floats, tip: Floats, apart_mm: float) -> list[int]:
    """Both extremes and others in the order of the line, neither feet nor tips too close."""
    order = np.argsort(shown, kind="stable")
    chosen: list[int] = []
    for index in (*order[:1], *order[-1:], *range(len(order))):
        if len(chosen) == _MOST_FIGURES:
            break
        feet = np.linalg.norm(start[chosen] - start[index], axis=1)
        tips = np.linalg.norm(tip[chosen] - tip[index], axis=1)
        if (np.minimum(feet, tips) > apart_mm).all():
            chosen.append(int(index))
    return chosen


def _pair(place: Floats) -> tuple[float, float]:
    return float(place[0]), float(place[1])


def _box(places: Floats, lines: Floats) -> Floats:
    """Round what is meant for veneer and what stands out beside it, with room for figures."""
    low, high = places.min(axis=0), places.max(axis=0)
    beside = (lines > low - [_BESIDE_MM, 0.0]) & (lines < high + [_BESIDE_MM, 0.0])
    shown = np.concatenate([places, lines[beside.all(axis=1)]])
    low, high = shown.min(axis=0), shown.max(axis=0)
    border = _BORDER * Sheet(np.stack([low, high])).letters_mm
    short = max(0.5 * (_LEAST_WIDTH_MM - float(high[0] - low[0])), 0.0)
    wide = np.array([short + border, border])
    return np.stack([low - wide, high + wide])
