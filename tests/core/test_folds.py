"""Surface that was pushed inward by more than its radius: sheets of its folds bound no metal."""

from __future__ import annotations

import numpy as np
import pytest

from core.test_measure_bodies import LIMITS, reading_of
from phantom.surface import triangulate
from veneercheck.core.divide import regions
from veneercheck.core.divide.anatomy import arch
from veneercheck.core.divide.anatomy.occlusal import drawn_side
from veneercheck.core.measure import gap
from veneercheck.core.measure.space import Reading
from veneercheck.core.mesh.triangles import vertex_normals
from veneercheck.core.types import Floats, Region, TriangleMesh

HALF = np.array([9.0, 4.0, 3.5])
ROUND_MM, CUT_MM = 0.6, 1.4


def block(points: Floats) -> Floats:
    """Distance to a block with rounded edges."""
    out = np.linalg.norm(np.maximum(np.abs(points) - (HALF - ROUND_MM), 0.0), axis=1)
    return np.asarray(out - ROUND_MM)


@pytest.fixture(scope="module")
def pushed() -> tuple[TriangleMesh, TriangleMesh, Reading]:
    """The block, its upper half pushed inward along its normals, and what is read of the two."""
    waxup = triangulate(block, -HALF - 0.5, HALF + 0.5, 0.22)
    ramp = np.clip((waxup.points_mm[:, 2] + 0.5) / 0.8, 0.0, 1.0)
    moved = waxup.points_mm - CUT_MM * ramp[:, None] * vertex_normals(waxup)
    framework = TriangleMesh(moved, waxup.faces)
    return framework, waxup, reading_of(framework, waxup)


def test_sheets_of_a_fold_are_enclosed_and_nothing_else_is(pushed) -> None:
    """Source: the offset of the block by more than its edges' radius is a block with sharp edges;
    whatever of the pushed surface lies beyond that is a sheet."""
    framework, _, reading = pushed
    beyond = np.abs(framework.points_mm) - (HALF - CUT_MM)
    upper = framework.points_mm[:, 2] > 0.8
    sheet = upper & (beyond > 0.05).any(axis=1)
    assert sheet.sum() > 500
    assert reading.enclosed[sheet].mean() > 0.7
    proper = upper & ((beyond < -0.1).sum(axis=1) == 2)
    assert proper.sum() > 1000 and not reading.enclosed[proper].any()


def test_no_metal_is_measured_to_the_sheets_of_a_fold(pushed) -> None:
    """Source: the block is 7 mm thick under its floor, less the cut."""
    framework, _, reading = pushed
    floor = (framework.points_mm[:, 2] > 2.0) & (np.abs(framework.points_mm[:, 0]) < 7.0)
    floor &= ~reading.enclosed & (reading.normals[:, 2] > 0.9)
    metal = reading.space.metal_mm[floor]
    thick = 2 * HALF[2] - CUT_MM
    assert np.isfinite(metal).mean() > 0.5
    assert np.nanpercentile(np.abs(metal - thick), 99) < 0.05
    assert np.isnan(reading.space.metal_mm[reading.enclosed]).all()


def test_sheets_of_a_fold_are_neither_cut_nor_the_inside_of_a_retainer(pushed) -> None:
    """Source: a block is solid, and has no inside."""
    framework, _, reading = pushed
    code = regions.divide(framework, reading, LIMITS).code
    assert not (code == Region.FITTING_SURFACE).any()
    assert not np.isin(code[reading.enclosed], (Region.CUT, Region.UNCUT)).any()


def test_what_is_smaller_than_a_speck_is_no_island(monkeypatch) -> None:
    """Source: a ball cut by 1.4 mm, but for one vertex that lies at its contour, a spike of some
    0.2 mm²: an island as it is, and none where as much is a speck."""
    waxup = triangulate(lambda p: np.linalg.norm(p, axis=1) - 3.0, np.full(3, -3.5),
                        np.full(3, 3.5), 0.12)  # fmt: skip
    ramp = np.clip((waxup.points_mm[:, 2] + 0.3) / 0.6, 0.0, 1.0)
    top = int(np.argmax(waxup.points_mm @ [0.3, 0.2, 0.93]))
    ramp[top] = 0.0
    framework = TriangleMesh(waxup.points_mm * (1.0 - 1.4 / 3.0 * ramp)[:, None], waxup.faces)
    reading = reading_of(framework, waxup)
    assert [island.tolist() for island in regions.divide(framework, reading, LIMITS).islands] == [
        [top]
    ]
    monkeypatch.setattr(regions, "_SPECK_MM2", 0.5)
    found = regions.divide(framework, reading, LIMITS)
    assert not found.islands
    assert found.code[top] in (Region.CUT, Region.UNSORTED)


def test_the_closed_gap_of_a_crown_on_its_die_is_no_fold() -> None:
    """Source: a wall 0.4 mm thick, 0.3 mm off a die in one mesh, closed below; by its make."""

    def crown_on_die(points: Floats) -> Floats:
        off = np.linalg.norm(points, axis=1)
        shell, die = np.abs(off - 4.5) - 0.2, off - 4.0
        base = np.maximum(np.maximum(off - 4.7, points[:, 2] + 1.0), -3.0 - points[:, 2])
        return np.asarray(np.minimum(np.minimum(shell, die), base))

    crown = triangulate(crown_on_die, np.full(3, -5.5), np.full(3, 5.5), 0.2)
    reading = reading_of(crown, crown)
    off = np.linalg.norm(crown.points_mm, axis=1)
    assert (reading.across_mm[np.abs(off - 4.3) < 0.05] < 1.0).mean() > 0.5
    assert not reading.enclosed.any()
    wall = (off > 4.65) & (crown.points_mm[:, 2] > 0.5)
    assert np.nanmedian(reading.space.metal_mm[wall]) == pytest.approx(0.4, abs=0.01)
    assert np.isfinite(reading.space.metal_mm[wall]).mean() > 0.9


def cloud_of(normals: Floats) -> arch.Cloud:
    count = len(normals)
    every, none = np.ones(count, dtype=bool), np.zeros(count, dtype=bool)
    return arch.Cloud(np.zeros((count, 3)), normals, np.ones(count), every, none, every)


def test_walls_that_face_away_from_the_mouth_are_no_retainer() -> None:
    """Source: area vectors of a half ball's inside sum up to its mouth's, reversed (Gauss)."""
    rng = np.random.default_rng(3)
    inside = rng.normal(size=(4000, 3))
    inside /= np.linalg.norm(inside, axis=1)[:, None]
    inside[:, 2] = -np.abs(inside[:, 2])  # looks down, out of the mouth
    found = drawn_side(cloud_of(inside))
    assert found is not None and found == pytest.approx([0.0, 0.0, 1.0], abs=0.05)
    walls = np.tile([0.3, 0.0, 0.954], (400, 1))
    assert drawn_side(cloud_of(np.concatenate([inside, walls]))) is None


def test_contour_far_off_is_asked_only_where_some_of_it_is_seen(pushed, monkeypatch) -> None:
    """Source: the search that asks all of it, everywhere."""
    framework, waxup, reading = pushed
    asked: list[int] = []
    plain = gap.Gap._sees

    def counting(self, points_mm, *others):
        asked.append(len(points_mm))
        return plain(self, points_mm, *others)

    monkeypatch.setattr(gap.Gap, "_sees", counting)
    monkeypatch.setattr(gap, "_MANY", 100)
    reading_of(framework, waxup)
    few, asked[:] = sum(asked), []
    monkeypatch.setattr(gap, "_MANY", 1e9)
    every = reading_of(framework, waxup)
    assert 3 * few < sum(asked)
    apart = np.abs(every.space.nearest_mm - reading.space.nearest_mm)
    assert np.nanpercentile(apart, 99.9) < 1e-9
