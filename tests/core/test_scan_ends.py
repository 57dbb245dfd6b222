"""What the wax-up's scan does not show: hidden veneer, or a side that was never looked at."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from core.test_regions_and_zones import plate
from phantom.surface import triangulate
from veneercheck import check_meshes
from veneercheck.core.divide.scan_ends import hidden
from veneercheck.core.mesh.triangles import edge_pairs, select_faces, vertex_areas, vertex_normals
from veneercheck.core.types import Floats, Region, TriangleMesh

GRID = plate(lambda x, y: 0.0 * x * y, over=((0.0, 16.0), (0.0, 12.0)), step_mm=0.5)
UP = SimpleNamespace(mesh=GRID, normals=np.tile([0.0, 0.0, 1.0], (len(GRID.points_mm), 1)))
X, Y, _ = GRID.points_mm.T


def found(deep, uncut, below):
    """What is hidden of a grid known to be cut or not, all else unread and under a hole; what is
    `below` faces down, which nothing of a wax-up scanned from above does."""
    code = np.select([deep, uncut], [Region.CUT, Region.UNCUT], Region.UNSORTED)
    nearest = np.select([deep, uncut], [1.4, 0.0], np.nan)
    space = SimpleNamespace(nearest_mm=nearest, space_mm=nearest, area_mm2=vertex_areas(GRID))
    reading = SimpleNamespace(
        space=space,
        points_mm=GRID.points_mm,
        normals=np.where(below[:, None], [0.0, 0.0, -1.0], [0.0, 0.0, 1.0]),
        edges=edge_pairs(GRID.faces),
        under_a_hole=np.ones(len(X), dtype=bool),
        contour=SimpleNamespace(outer=UP),
    )
    return hidden(code, reading, 0.3)


def test_clefts_that_reach_an_underside_make_no_veneer_of_it() -> None:
    """Source: drawn. Three clefts in deep cut lead down to the underside, between them a collar,
    but for one place where the cut goes down to it: of its border a third is cut or cleft."""
    below, cleft = X >= 8.0, (X < 8.0) & (Y % 4.0 < 1.5)
    uncut = ((X == 7.5) & ~cleft & (Y < 10.0)) | (X > 15.0)
    deep = (X < 8.0) & ~cleft & ~uncut
    assert (found(deep, uncut, below) == cleft).mean() > 0.98  # their ends lie beside the collar
    assert not found(deep, uncut, below)[below].any()
    assert found(deep, uncut, np.zeros_like(below))[below].any()


def test_a_side_that_is_not_shown_at_all_is_veneer_where_cut_goes_round_it() -> None:
    """Source: drawn. A patch that faces no way that the wax-up shows lies amid cut; or amid what a
    hole hides of cut, as beside an edge that is round."""
    from_middle = np.maximum(np.abs(X - 8.0), np.abs(Y - 6.0))
    patch = from_middle < 3.0
    for deep in (~patch, from_middle > 4.0):
        assert (found(deep, X < 0.0, patch) == ~deep).all()


def test_what_borders_unread_surface_that_is_no_veneer_is_none_by_a_strip_of_cut() -> None:
    """Source: drawn. Beside unread surface that uncut borders lies more of it that faces down; of
    the latter's border a quarter is cut."""
    below, deep = (X > 4.0) & (Y < 6.0), (X <= 4.0) & (Y < 6.0)
    assert not found(deep, ~deep & ~below & (Y > 9.0), below).any()


def test_what_is_hidden_is_cut_no_farther_than_cut_is_the_nearest_thing_known() -> None:
    """Source: drawn. Unread from x = 4 on, of which cut borders two thirds and uncut one; so it
    goes on, as far as anyone can tell: the one where y is less than 8, the other beyond."""
    hides = found((X < 4.0) & (Y < 8.0), (X < 4.0) & (Y >= 8.0), X < 0.0)
    assert (hides == ((X >= 4.0) & (Y < 8.0))).mean() > 0.97


@pytest.mark.long
def test_the_bare_underside_of_a_body_scanned_all_round_is_no_veneer() -> None:
    """Source: drawn. A block, longer than wide, with round edges, waxed and scanned from above;
    three clefts on either side are hidden. Cut goes down to the edge there and at one end,
    elsewhere a collar stays; nothing below is cut."""
    half_mm = np.array([6.0, 3.6, 2.8])

    def outside(points: Floats) -> Floats:
        over = np.abs(points) - (half_mm - 1.5)
        away = np.linalg.norm(np.maximum(over, 0.0), axis=1)
        return np.asarray(away + np.minimum(over.max(axis=1), 0.0) - 1.5)

    waxup = triangulate(outside, -half_mm - 1.0, half_mm + 1.0, 0.36)
    (x, y, z), way = waxup.points_mm.T, vertex_normals(waxup)
    cleft = (np.abs((x + 2.0) % 4.0 - 2.0) < 0.9) & (np.abs(y) > 2.6)
    deep = ((z > 0.0) | (x > 4.5) | cleft) & (way[:, 2] > -0.5)
    framework = TriangleMesh(waxup.points_mm - 1.2 * deep[:, None] * way, waxup.faces)
    gone = (way[:, 2] < -0.3) | cleft
    shown, _ = select_faces(waxup, ~gone[waxup.faces].any(axis=1))
    checked = check_meshes(framework, shown, aligned=True).check
    below = vertex_normals(checked.framework)[:, 2] < -0.95
    below &= checked.framework.points_mm[:, 2] < -2.6
    assert np.isnan(checked.space.nearest_mm[below]).mean() > 0.95
    assert not np.isin(checked.region[below], (Region.CUT, Region.FINISH_LINE_BAND)).any()
    x, y, z = checked.framework.points_mm.T
    cleft = (np.abs(x) < 0.4) & (y > 1.5) & (np.abs(z) < 0.8)
    cleft &= np.isnan(checked.space.nearest_mm)
    assert cleft.sum() > 10
    assert np.isin(checked.region[cleft], (Region.CUT, Region.FINISH_LINE_BAND)).all()
