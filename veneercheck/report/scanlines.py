"""Which triangle each pixel shows: rows of pixels between the sides of triangles, nearest first."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from veneercheck.core.types import Bools, Floats, Ints

_FACES_AT_ONCE, _PIXELS_AT_ONCE = 1 << 15, 1 << 17
"""So many corners, places and depths stay near the processor."""


def faces_seen(place: Floats, faces: Ints, width: int, height: int) -> npt.NDArray[np.int32]:
    """The nearest of some triangles at the middle of every pixel.

    Parameters
    ----------
    place : ndarray, shape (n, 3)
        Vertices on the picture: x and y in pixels, depth.
    faces : ndarray of int64, shape (m, 3)
        The triangles that may be seen.
    width, height : int

    Returns
    -------
    ndarray of int32, shape (height · width,)
        Row of `faces`, −1 where there is none.

    Notes
    -----
    A pixel belongs to a triangle where its middle lies between two sides, the left one included.
    A side is reckoned from its upper end in whatever triangle it is met, so that a middle on it
    belongs to exactly one of the two.
    """
    seen = np.full(width * height, -1, dtype=np.int32)
    nearest = np.full(width * height, np.inf, dtype=np.float32)
    columns = np.ascontiguousarray(place.T)
    for first in range(0, len(faces), _FACES_AT_ONCE):
        laid = _Laid(columns, faces[first : first + _FACES_AT_ONCE], width, height)
        for part in laid.portions():
            pixel, depth, face = laid.covered(part)
            np.minimum.at(nearest, pixel, depth)
            front = np.flatnonzero(depth <= nearest.take(pixel))
            seen[pixel[front]] = first + face[front]
    return seen


class _Laid:
    """Triangles with their corners from the top down, and what a step along a row adds."""

    def __init__(self, columns: Floats, faces: Ints, width: int, height: int) -> None:
        self.width = width
        corners = np.ascontiguousarray(faces.T)
        x, y, z = (column.take(corners) for column in columns)
        self.face = np.flatnonzero(_in_picture(x, y, width, height))
        x, y, z = (np.ascontiguousarray(c[:, self.face]) for c in (x, y, z))
        order = np.argsort(y, axis=0, kind="stable")
        x, y, z = (np.take_along_axis(c, order, axis=0) for c in (x, y, z))
        self.x, self.y, self.z = x, y, z[0]
        self.first = np.clip(np.ceil(y[0] - 0.5), 0, height).astype(np.int64)
        self.rows = np.clip(np.ceil(y[2] - 0.5), 0, height).astype(np.int64) - self.first
        self.slope = [_share(x[b] - x[a], y[b] - y[a]) for a, b in ((0, 2), (0, 1), (1, 2))]
        u, v = (x[1] - x[0], y[1] - y[0], z[1] - z[0]), (x[2] - x[0], y[2] - y[0], z[2] - z[0])
        area = u[0] * v[1] - v[0] * u[1]
        self.across = _share(u[2] * v[1] - v[2] * u[1], area)
        self.down = _share(u[0] * v[2] - v[0] * u[2], area)
        wide = np.minimum(x.max(axis=0), width) - np.maximum(x.min(axis=0), 0)
        self.room = self.rows * (1.0 + 0.5 * wide)

    def portions(self) -> Iterator[slice]:
        """Triangles that cover about as many pixels as fit at once."""
        share = np.cumsum(self.room) // _PIXELS_AT_ONCE
        cuts = np.flatnonzero(np.diff(share)) + 1
        for start, end in zip([0, *cuts], [*cuts, len(share)], strict=True):
            yield slice(int(start), int(end))

    def covered(self, part: slice) -> tuple[Ints, Floats, Ints]:
        """Pixels of some triangles, their depths, and the triangles."""
        rows = self.rows[part]
        of = np.repeat(np.arange(part.start, part.stop), rows)
        row = _counted(rows) + self.first.take(of)
        y = row + 0.5
        (xa, xb, _), (ya, yb, _) = self.x, self.y
        below_top, below_middle = y - ya.take(of), y - yb.take(of)
        long, upper, lower = self.slope
        one = xa.take(of) + below_top * long.take(of)
        other = np.where(
            below_middle < 0,
            xa.take(of) + below_top * upper.take(of),
            xb.take(of) + below_middle * lower.take(of),
        )
        start = np.clip(np.ceil(np.minimum(one, other) - 0.5), 0, self.width).astype(np.int64)
        end = np.clip(np.ceil(np.maximum(one, other) - 0.5), 0, self.width).astype(np.int64)
        across = self.across.take(of)
        depth = self.z.take(of) + below_top * self.down.take(of)
        depth += (start + 0.5 - xa.take(of)) * across
        span = np.repeat(np.arange(len(of)), end - start)
        step = _counted(end - start)
        pixel = (row * self.width + start).take(span) + step
        found = (depth.take(span) + step * across.take(span)).astype(np.float32)
        return pixel, found, self.face.take(of).take(span)


def _in_picture(x: Floats, y: Floats, width: int, height: int) -> Bools:
    inside = (x.max(axis=0) > 0) & (x.min(axis=0) < width)
    inside &= (y.max(axis=0) > 0) & (y.min(axis=0) < height)
    return np.asarray(inside)


def _share(above: Floats, below: Floats) -> Floats:
    """A quotient; zero where a side lies flat or a triangle has no area: no row meets these."""
    return np.divide(above, below, out=np.zeros_like(above), where=below != 0.0)


def _counted(number: Ints) -> Ints:
    """0, 1, … for each of some numbers, one behind another."""
    total = np.cumsum(number)
    return np.arange(int(total[-1]) if len(total) else 0) - np.repeat(total - number, number)
