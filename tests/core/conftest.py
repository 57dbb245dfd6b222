"""Bodies that several tests of the core lay on one another."""

from __future__ import annotations

import numpy as np
import pytest

from phantom.surface import triangulate
from veneercheck.core.align import coarse, fit
from veneercheck.core.types import Floats, TriangleMesh


@pytest.fixture(scope="module", autouse=True)
def _fitted_on_few(fitted_on_few: None) -> None:
    """Nearly all that is said of a fit here is the same by fewer points."""


@pytest.fixture(scope="module")
def beam() -> TriangleMesh:
    """A long body, uneven enough to lie in one way only."""

    def uneven(points: Floats) -> Floats:
        x, y, z = points.T
        wave = 0.4 * np.sin(0.55 * x + 0.4 * y) + 0.3 * np.cos(0.8 * y - 0.21 * x + z)
        block = np.linalg.norm(np.maximum(np.abs(points) - [14, 3, 2.5], 0), axis=1) - 1.0
        return np.asarray(block + wave * np.clip((x + 20) / 20, 0.5, 1.5))

    return triangulate(uneven, np.array([-17.0, -6.0, -5.5]), np.array([17.0, 6.0, 5.5]), 0.33)


@pytest.fixture
def from_here(monkeypatch: pytest.MonkeyPatch) -> None:
    """Fitted from where the scans lie, and looked for nowhere else.

    For what is said of a fit once it is there: to search from anywhere takes most of its time, and
    `test_align_pose` and the whole checks are about that.
    """
    for search in ("_from_anywhere", "_shoved", "_climbed"):
        monkeypatch.setattr(fit, search, lambda *_: [])
    none = coarse.Poses(np.zeros((0, 3, 3)), np.zeros((0, 3)), np.zeros(0))
    monkeypatch.setattr(coarse, "turned", lambda *_: none)
