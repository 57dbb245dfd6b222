"""A hole that a scanner's program filled flat is not measured: no zone is told of it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from veneercheck import check_meshes
from veneercheck.core.types import Region, TriangleMesh
from veneercheck.phantom.bodies import parallel_plates
from veneercheck.scan import write_stl

pytestmark = pytest.mark.usefixtures("fitted_on_few")

DEEP_MM, WIDE_MM, CUT_MM = 0.3, 1.0, 1.5


def test_what_was_filled_flat_over_a_hollow_is_no_finding(tmp_path: Path) -> None:
    """By construction: half of a plate is cut by 1.5 mm, which is sound; in the other half lies a
    hollow 0.3 mm deep that the framework's scan did not see, and closed by a plane. So filled it
    stands out of the contour, by what no one waxed."""
    flat = parallel_plates(0.2, gap_mm=CUT_MM, side_mm=9.0).outer
    x, y = (flat.points_mm[:, axis] - flat.points_mm[:, axis].min() for axis in (0, 1))
    square = (x - 2.5) ** 2 + (y - 4.5) ** 2
    hollow = DEEP_MM * np.maximum(1.0 - square / WIDE_MM**2, 0.0)
    cut = CUT_MM * np.clip((x - 4.5) / 1.0, 0.0, 1.0)
    rng = np.random.default_rng(4)

    def scan(lowered: np.ndarray, name: str, filled: np.ndarray | None = None) -> Path:
        noise = rng.normal(0.0, 0.008, len(x))
        if filled is not None:
            noise[filled] = 0.0
        points = flat.points_mm + np.column_stack([0 * x, 0 * x, noise - lowered])
        write_stl(tmp_path / name, TriangleMesh(points, flat.faces))
        return tmp_path / name

    unseen = square < WIDE_MM**2
    waxup = scan(hollow, "waxup.stl")
    framework = scan(np.where(unseen, 0.0, cut), "framework.stl", unseen)
    found = check_meshes(framework, waxup, unit="mm", aligned=True).check
    assert found.zones == ()
    left_out = found.region == Region.MODEL
    area = float(found.space.area_mm2[left_out].sum())
    assert 0.6 * np.pi * WIDE_MM**2 < area < 1.2 * np.pi * WIDE_MM**2
