"""Bodies that several tests of the core lay on one another."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from phantom.surface import triangulate
from veneercheck.core.align import fit, polish
from veneercheck.core.align.sampling import Samples, Surface, sample
from veneercheck.core.types import Bools, Floats, TriangleMesh

FIT_POINTS = 4000
"""On which a last fit rests here, for 20,000 in a check: the bodies have few vertices."""


@pytest.fixture(scope="module", autouse=True)
def fitted_on_few(request: pytest.FixtureRequest) -> Iterator[None]:
    """What is said of a fit is the same by fewer points; how exact one is, is tried with all."""

    def few(surface: Surface, count: int, keep: Bools | None = None) -> Samples:
        return sample(surface, min(count, FIT_POINTS), keep)

    with pytest.MonkeyPatch.context() as patch:
        if not getattr(request.module, "FITTED_ON_ALL", False):
            patch.setattr(polish, "sample", few)
        yield


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
    monkeypatch.setattr(fit, "_from_anywhere", lambda *_: [])
    monkeypatch.setattr(fit, "_shoved", lambda *_: [])
