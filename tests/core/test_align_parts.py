"""A scan whose parts do not agree is stated as that much less certain."""

from __future__ import annotations

import numpy as np
import pytest

from core.test_align_trust import _changed
from veneercheck.core.align import align, pattern, trust
from veneercheck.core.types import Floats


@pytest.mark.parametrize("apart_mm", [0.0, 0.05])
def test_a_scan_joined_askew_is_stated_as_less_certain(beam, monkeypatch, apart_mm) -> None:
    """Source: one half of the framework's scan lies so far aside; the pose is off by half of that
    and more, whichever half is taken for true. How far parts scatter about one pose is left out."""
    monkeypatch.setattr(pattern, "scattered_mm", lambda *_: 0.0)

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
