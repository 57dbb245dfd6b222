"""Which sample of a surface lies nearest, by one look-up a point instead of a search."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from veneercheck.core.align.sampling import Surface, sample
from veneercheck.core.mesh.nearest import NearestPoints
from veneercheck.core.types import Floats, Ints

Singles = npt.NDArray[np.float32]

_MOST_CELLS = 160_000
_LEAST_CELL_MM = 0.4
_CELL_MARGIN_MM = 4.0
"""Grid of nearest samples: fine enough to place a pose within half a millimetre."""

_NEAR_MM = 2.0
"""Farther away a search takes ten times as long, and no pose is placed by it."""

_TARGET_SAMPLES = 6000
"""About one sample every 0.4 mm on a three-unit bridge."""


def _middles(low: Floats, cell_mm: float, shape: Ints) -> Floats:
    """Middles of cells, shape (k, 3), the last coordinate running fastest."""
    axes = [low[k] + cell_mm * (np.arange(shape[k]) + 0.5) for k in range(3)]
    return np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)


class NearestGrid:
    """Cells that each know the target sample nearest to their middle, far from the target eight of
    them the one nearest to the middle of all.

    Parameters
    ----------
    surface : Surface
        The target.
    """

    def __init__(self, surface: Surface) -> None:
        found = sample(surface, _TARGET_SAMPLES)
        points = found.point_mm
        low, high = points.min(axis=0) - _CELL_MARGIN_MM, points.max(axis=0) + _CELL_MARGIN_MM
        self.cell_mm = max(_LEAST_CELL_MM, float(np.prod(high - low) / _MOST_CELLS) ** (1 / 3))
        self.shape = 2 * np.ceil(0.5 * (high - low) / self.cell_mm).astype(np.int64)
        samples = NearestPoints(points)
        distance, nearest = samples.query(_middles(low, 2.0 * self.cell_mm, self.shape // 2))
        distance, nearest = (
            of_eight.reshape(self.shape // 2).repeat(2, 0).repeat(2, 1).repeat(2, 2).reshape(-1)
            for of_eight in (distance, nearest)
        )
        near = distance < _NEAR_MM
        nearest[near] = samples.query(_middles(low, self.cell_mm, self.shape)[near])[1]
        self._nearest = nearest
        self._low, self._last = (
            np.asarray(of_axes, dtype=np.float32)[:, None, None]
            for of_axes in (low, self.shape - 1)
        )
        self._stride = np.array([self.shape[1] * self.shape[2], self.shape[2], 1], np.float32)
        self._samples = np.concatenate([points, found.normal], axis=1).T.astype(np.float32)

    def __call__(self, points: Singles) -> tuple[Singles, Singles]:
        """Nearest samples and their normals, each of the shape (3, k, n) of the points."""
        cell = points - self._low
        cell *= np.float32(1 / self.cell_mm)
        np.fmin(np.fmax(cell, 0, out=cell), self._last, out=cell)
        np.floor(cell, out=cell)
        # Whole numbers below 2²⁴ are exact in float32.
        number = np.tensordot(self._stride, cell, 1).astype(np.int64)
        found = self._samples.take(self._nearest.take(number), axis=1)
        return found[:3], found[3:]
