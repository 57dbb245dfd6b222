"""What stands beside the work in the same scan: told in one remark, and no zone."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from veneercheck.core.divide.beside import set_aside
from veneercheck.core.divide.regions import Regions
from veneercheck.core.mesh.triangles import edge_pairs, vertex_areas
from veneercheck.core.types import Region, TriangleMesh


def _strip(
    bump_mm: tuple[float, float], *, named: bool = True, long_mm: float = 14.0
) -> tuple[Regions, Any, Any]:
    """A strip of 40 by 6 mm, cut up to x = 8, of a unit that reaches to x = 14; 0.2 mm stand out
    between two places."""
    x, y = np.meshgrid(np.arange(0.0, 40.1, 0.5), np.arange(0.0, 6.1, 0.5), indexing="ij")
    points = np.stack([x.ravel(), y.ravel(), 0.0 * x.ravel()], axis=1)
    across = x.shape[1]
    first = np.flatnonzero((x.ravel() < 40.0) & (y.ravel() < 6.0))
    faces = np.concatenate([
        np.stack([first, first + across, first + 1], axis=1),
        np.stack([first + 1, first + across, first + across + 1], axis=1),
    ])  # fmt: skip
    mesh = TriangleMesh(points, faces)
    out = (points[:, 0] >= bump_mm[0]) & (points[:, 0] <= bump_mm[1])
    space = np.where(out, -0.2, 0.0)
    reading = SimpleNamespace(
        points_mm=points,
        edges=edge_pairs(faces),
        agreement=np.ones(len(points)),
        space=SimpleNamespace(space_mm=space, nearest_mm=space, area_mm2=vertex_areas(mesh)),
    )
    code = np.where(points[:, 0] < 8.0, Region.CUT, np.where(out, Region.UNSORTED, Region.UNCUT))
    where = SimpleNamespace(
        teeth=SimpleNamespace(
            names=("46",) if named else ("",), axis=SimpleNamespace(ends_mm=(0.0, long_mm))
        ),
        owner=np.where((points[:, 0] <= 14.0) & named, 46, 0),
    )
    nan = np.full(len(points), np.nan)
    parts = Regions(
        code,
        nan,
        (),
        nan,
        out & False,
        0.05,
        points[:0],
        points[:0],
        out & False,
        out & False,
        out & False,
        (),
    )
    return parts, where, reading


@pytest.mark.parametrize(
    ("bump_mm", "more", "aside"),
    [
        ((18.0, 19.0), {}, True),
        ((15.0, 16.0), {}, False),
        ((30.0, 31.0), {"named": False}, False),
        ((30.0, 31.0), {"long_mm": 7.0}, False),
    ],
)
def test_what_stands_out_beside_the_work_is_a_remark(
    bump_mm: tuple[float, float], more: dict[str, Any], aside: bool
) -> None:
    """Source: construction. Within 3 mm of a unit that is named it may be the work's; so may all
    where none is named, or less shows than a unit is wide."""
    parts, where, reading = _strip(bump_mm, **more)
    found, told = set_aside(parts, where, reading, (46,))
    out = (reading.points_mm[:, 0] >= bump_mm[0]) & (reading.points_mm[:, 0] <= bump_mm[1])
    assert (found.code[out] == Region.MODEL).all() == aside
    assert (found.code[reading.points_mm[:, 0] < 8.0] == Region.CUT).all()
    assert len(told) == aside
    if aside:
        assert told[0].values["most"] == pytest.approx(0.2)
        assert told[0].values["area"] == pytest.approx(9.0, abs=1.0)


def test_a_unit_with_few_vertices_among_many_is_the_works() -> None:
    """Source: construction. The cut is scanned a thousand times as densely as metal beyond it."""
    parts, where, reading = _strip((13.0, 14.0))
    where.owner[where.owner == 0] = 45 * (reading.points_mm[where.owner == 0, 0] > 30.0)
    found, _ = set_aside(parts, where, reading, (46,))
    assert (found.code[where.owner == 45] != Region.MODEL).all()


def test_a_ragged_rim_beside_the_work_is_not_told_of() -> None:
    parts, where, reading = _strip((30.0, 31.0))
    reading.space.area_mm2 = 0.1 * reading.space.area_mm2
    found, told = set_aside(parts, where, reading, (46,))
    assert not told and (found.code == Region.MODEL).any()
