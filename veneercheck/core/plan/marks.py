"""Numbered depth marks: at every cusp and groove, and on a regular grid between them."""

from __future__ import annotations

import numpy as np

from veneercheck.core.divide.anatomy import Places, Surface, surface_word
from veneercheck.core.divide.anatomy.places import Third
from veneercheck.core.plan.contour import Contour
from veneercheck.core.plan.depths import Depths
from veneercheck.core.plan.planned import Mark
from veneercheck.core.types import Bools, Floats, Ints

CUSP, GROOVE, GRID = "cusp", "groove", "grid"

SPACING_MM = 2.5
"""Of the grid: a depth cutter's bur is 1 to 2 mm wide."""

_AROUND_MM = 1.2
"""A cusp or a groove is the highest or lowest place within so much."""

_LEAST_RISE_MM = 0.08
"""Less than this from the mean round it is a bump of the scan."""

_FROM_LINE_MM = 0.6
"""Nearer to the finish line the depth changes too fast to be marked."""


def depth_marks(
    contour: Contour, where: Places, found: Depths, layer_mm: Floats
) -> tuple[Mark, ...]:
    """Choose the marks and number them along the bridge, unit by unit.

    Parameters
    ----------
    contour : Contour
    where : Places
        Of the contour's vertices.
    found : Depths
    layer_mm : ndarray, shape (n,)
    """
    points = contour.mesh.points_mm
    may = np.isfinite(found.square_mm) & (contour.extent_mm > 0)
    asked = np.flatnonzero(may)
    if not len(asked):
        return ()
    deep = contour.way_mm(points[asked], contour.extent_mm[asked], SPACING_MM) > _FROM_LINE_MM
    asked = asked[deep]
    kinds = _tips(points, asked, where)
    chosen = list(kinds)
    for vertex in _grid(points[asked], asked):
        if not chosen or _apart(points[vertex], points[chosen]) >= 0.5 * SPACING_MM:
            chosen.append(vertex)
    order = sorted(chosen, key=lambda v: _order(v, where, points))
    return tuple(
        Mark(
            number,
            kinds.get(vertex, GRID),
            where.owner_name(int(where.owner[vertex])),
            surface_word(int(where.surface[vertex]), int(where.tooth[vertex])),
            "" if where.third[vertex] == Third.NONE else Third(where.third[vertex]).name.lower(),
            _point(points[vertex]),
            float(found.square_mm[vertex]),
            float(found.insertion_mm[vertex]),
            float(layer_mm[vertex]),
        )
        for number, vertex in enumerate(order, 1)
    )


def _tips(points: Floats, asked: Ints, where: Places) -> dict[int, str]:
    """Highest and lowest places of the biting surface, by vertex."""
    from scipy.spatial import cKDTree

    top: Bools = where.surface[asked] == Surface.OCCLUSAL
    biting = asked[top]
    if not len(biting) or not np.isfinite(where.occlusal).all():
        return {}
    height = points[biting] @ where.occlusal
    around = cKDTree(points[biting]).query_ball_point(points[biting], _AROUND_MM)
    found: dict[int, str] = {}
    for sign, kind in ((1.0, CUSP), (-1.0, GROOVE)):
        level = sign * height
        for place in np.argsort(-level, kind="stable"):
            ring = np.asarray(around[place])
            if level[place] >= level[ring].max() and (
                level[place] - level[ring].mean() > _LEAST_RISE_MM
            ):
                found.setdefault(int(biting[place]), kind)
    return found


def _grid(points: Floats, asked: Ints) -> list[int]:
    """The vertex nearest to the middle of every cell of a regular grid that holds some."""
    low = points.min(axis=0)
    cell = np.floor((points - low) / SPACING_MM)
    middle = low + (cell + 0.5) * SPACING_MM
    away = np.linalg.norm(points - middle, axis=1)
    order = np.lexsort((asked, away, *cell.T))
    rows = cell[order]
    first = np.ones(len(order), dtype=bool)
    first[1:] = (rows[1:] != rows[:-1]).any(axis=1)
    return [int(vertex) for vertex in asked[order[first]]]


def _order(vertex: int, where: Places, points: Floats) -> tuple[float, ...]:
    owner, surface = int(where.owner[vertex]), int(where.surface[vertex])
    teeth = where.teeth
    along = points[vertex, 0]
    if teeth is not None:
        along = float(teeth.axis.locate(points[vertex][None])[0, 0])
        owner = int(teeth.index_at(np.array([along]))[0])
    return owner, surface, round(along, 1), float(-points[vertex] @ np.nan_to_num(where.occlusal))


def _apart(point: Floats, others: Floats) -> float:
    return float(np.linalg.norm(others - point, axis=1).min())


def _point(place: Floats) -> tuple[float, float, float]:
    x, y, z = (float(part) for part in place)
    return x, y, z
