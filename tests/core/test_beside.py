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


def _strip(named: bool, bump_mm: tuple[float, float]) -> tuple[Regions, Any, Any]:
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
        teeth=SimpleNamespace(names=("46",) if named else ("",)),
        owner=np.where((points[:, 0] <= 14.0) & named, 46, 0),
    )
    nan = np.full(len(points), np.nan)
    parts = Regions(
        code, nan, (), nan, out & False, 0.05, points[:0], points[:0], out & False, out & False, ()
    )
    return parts, where, reading


@pytest.mark.parametrize(
    ("named", "bump_mm", "aside"),
    [
        (True, (18.0, 19.0), True),
        (True, (15.0, 16.0), False),
        (False, (30.0, 31.0), True),
        (False, (15.0, 19.0), False),
    ],
)
def test_what_stands_out_beside_the_work_is_a_remark(
    named: bool, bump_mm: tuple[float, float], aside: bool
) -> None:
    """Source: construction. Within 3 mm of a unit that is named, or 12 mm of the cut, it may be
    the work's."""
    parts, where, reading = _strip(named, bump_mm)
    found, told = set_aside(parts, where, reading)
    out = (reading.points_mm[:, 0] >= bump_mm[0]) & (reading.points_mm[:, 0] <= bump_mm[1])
    assert (found.code[out] == Region.MODEL).all() == aside
    assert (found.code[reading.points_mm[:, 0] < 8.0] == Region.CUT).all()
    assert len(told) == aside
    if aside:
        assert told[0].values["most"] == pytest.approx(0.2)
        assert told[0].values["area"] == pytest.approx(9.0, abs=1.0)


def test_a_ragged_rim_beside_the_work_is_not_told_of() -> None:
    parts, where, reading = _strip(named=True, bump_mm=(30.0, 31.0))
    reading.space.area_mm2 = 0.1 * reading.space.area_mm2
    found, told = set_aside(parts, where, reading)
    assert not told and (found.code == Region.MODEL).any()
