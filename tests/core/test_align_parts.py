"""A scan whose parts do not agree is stated as that much less certain."""

from __future__ import annotations

import numpy as np
import pytest

from core.test_align_trust import _changed
from phantom.surface import triangulate
from veneercheck.core.align import align, trust
from veneercheck.core.types import Floats, TriangleMesh


@pytest.fixture(scope="module")
def beam() -> TriangleMesh:
    """A long body, uneven enough to lie in one way only."""

    def uneven(points: Floats) -> Floats:
        x, y, z = points.T
        wave = 0.4 * np.sin(0.55 * x + 0.4 * y) + 0.3 * np.cos(0.8 * y - 0.21 * x + z)
        block = np.linalg.norm(np.maximum(np.abs(points) - [14, 3, 2.5], 0), axis=1) - 1.0
        return np.asarray(block + wave * np.clip((x + 20) / 20, 0.5, 1.5))

    return triangulate(uneven, np.array([-17.0, -6.0, -5.5]), np.array([17.0, 6.0, 5.5]), 0.33)


@pytest.mark.parametrize("apart_mm", [0.0, 0.05])
def test_a_scan_joined_askew_is_stated_as_less_certain(beam, monkeypatch, apart_mm) -> None:
    """Source: one half of the framework's scan lies so far aside; the pose is off by half of that
    and more, whichever half is taken for true."""

    def askew(points: Floats) -> Floats:
        return np.outer(np.clip(0.5 + points[:, 0], 0, 1), apart_mm * np.array([0.0, 0.8, 0.6]))

    framework, away = _changed(beam, askew)
    found = align(framework, beam)
    placed = found.waxup_from_framework.apply(away.apply(beam.points_mm))
    off_mm = np.linalg.norm(placed - beam.points_mm, axis=1).max()
    monkeypatch.setattr(trust, "_LEAST_PARTS", 99)
    alone_mm = align(framework, beam).u_max_mm
    if not apart_mm:
        assert off_mm < 0.01 and found.u_max_mm < 1.5 * alone_mm
        return
    assert off_mm > 3 * alone_mm
    assert found.u_max_mm > 1.5 * alone_mm
