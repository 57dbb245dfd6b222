"""Where a sign stands beside its place: over no other sign, over no other's place, not aside.

Room is sought round about, near first. What a sign would cover of the picture costs a little,
crossing another's leader more, and standing over another sign most.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from veneercheck.core.types import Bools, Floats

Box = tuple[float, float, float, float]
"""Left, top, right, bottom."""

Place = tuple[float, float]

_TURNS = 24
"""Directions round a place, a quarter above on the right first."""

_STEPS = np.linspace(0.0, 1.0, 9)[1:-1]
"""Points of a leader at which it is held against signs."""

_OVER_SIGN, _OVER_PLACE, _CROSSED, _COVERING, _TURNED = 40.0, 12.0, 3.0, 0.7, 0.25
"""Costs, as multiples of the nearest distance."""

_SQUARE = 1.5
"""Up to which slant a sign stands with its corner, not with its side, to the place."""

_FIRST = -0.25 * math.pi
_ROUNDS = 3


class Room:
    """The room of a drawing, in its own unit.

    Parameters
    ----------
    width, height : float
    apart : float
        Between signs, and to the edges.
    covered : ndarray of bool, optional
        Where the drawing shows something, as a raster over all of it.
    """

    def __init__(
        self, width: float, height: float, apart: float, covered: Bools | None = None
    ) -> None:
        self.width, self.height, self.apart = width, height, apart
        self.boxes: list[Box] = []
        self.places: list[Place] = []
        self.leaders: list[tuple[Place, Place]] = []
        self.covered = np.zeros((1, 1), dtype=bool) if covered is None else covered

    def beside(self, marks: Sequence[tuple[Place, Place]], gaps: Sequence[float]) -> list[Place]:
        """Take the best room for signs; where their middles are.

        Each mark is a place with half the width and height of its sign. `gaps` are the distances
        between place and sign that are tried. Each sign is placed anew when all the others stand.
        """
        self.places += [at for at, _ in marks]
        found: list[Place | None] = [None] * len(marks)
        for _ in range(_ROUNDS):
            for index, (at, half) in enumerate(marks):
                others = [
                    (begin, to, wide)
                    for k, ((begin, wide), to) in enumerate(zip(marks, found, strict=True))
                    if to is not None and k != index
                ]
                found[index] = self._best(at, half, gaps, others)
        placed = [to for to in found if to is not None]
        self.boxes += [_box(to, half) for to, (_, half) in zip(placed, marks, strict=True)]
        self.leaders += [(at, to) for to, (at, _) in zip(placed, marks, strict=True)]
        return placed

    def _best(
        self,
        at: Place,
        half: Place,
        gaps: Sequence[float],
        others: Sequence[tuple[Place, Place, Place]],
    ) -> Place:
        to, cost = self._tried(at, half, gaps)
        boxes = [*self.boxes, *(_box(middle, wide) for _, middle, wide in others)]
        leaders = [*self.leaders, *((begin, middle) for begin, middle, _ in others)]
        signs = _near(np.array(boxes, dtype=np.float64).reshape(-1, 4), to, half)
        dots = np.array(self.places, dtype=np.float64)
        places = _near(np.concatenate([dots, dots], axis=1), to, half)
        lines = np.array(leaders, dtype=np.float64).reshape(-1, 2, 2)
        counted = (
            (_OVER_SIGN, _meets(to, half, signs, self.apart)),
            (_OVER_PLACE, _meets(to, half, places, self.apart)),
            (_CROSSED, _through(at, to, signs)),
            (_CROSSED, _cross(at, to, lines)),
        )
        for weight, found in counted:
            cost = cost + weight * gaps[0] * found.sum(axis=1)
        best = int(cost.argmin())
        return float(to[best, 0]), float(to[best, 1])

    def _tried(self, at: Place, half: Place, gaps: Sequence[float]) -> tuple[Floats, Floats]:
        """Middles of a sign round its place, shape (k, 2), and what each costs by itself."""
        turn = np.arange(_TURNS)
        angle = _FIRST + 2.0 * math.pi * turn / _TURNS
        way = np.stack([np.cos(angle), np.sin(angle)], axis=1)
        # So far that the sign's nearest edge, not its middle, has the gap to the place.
        edge = np.clip(_SQUARE * way, -1.0, 1.0) * half
        to = np.concatenate([np.array(at) + way * gap + edge for gap in gaps])
        low, high = np.array(half) + self.apart, np.array([self.width, self.height]) - half
        # A place at the edge has its sign within.
        inside = np.minimum(np.maximum(to, low), np.maximum(high - self.apart, low))
        moved = np.linalg.norm(inside - to, axis=1)
        aside = np.minimum(turn, _TURNS - turn) / _TURNS
        cost = np.repeat(gaps, _TURNS) + np.tile(aside, len(gaps)) * _TURNED * gaps[0]
        return inside, cost + moved + _COVERING * gaps[0] * self._share(inside, half)

    def _share(self, to: Floats, half: Place) -> Floats:
        """How much of what the drawing shows a sign would cover, 0…1."""
        rows, columns = self.covered.shape
        grid = np.stack(np.meshgrid([-1, -0.5, 0, 0.5, 1], [-1, 0, 1]), axis=-1).reshape(-1, 2)
        at = (to[:, None] + grid * np.array(half)) / [self.width, self.height]
        index = np.clip((at * [columns, rows]).astype(int), 0, [columns - 1, rows - 1])
        return np.asarray(self.covered[index[..., 1], index[..., 0]].mean(axis=1))


def _box(to: Place, half: Place) -> Box:
    return to[0] - half[0], to[1] - half[1], to[0] + half[0], to[1] + half[1]


def _near(boxes: Floats, to: Floats, half: Place) -> Floats:
    """Those of some boxes, shape (b, 4), that a sign at some of the middles could touch."""
    low, high = to.min(axis=0) - _REACH * np.array(half), to.max(axis=0) + _REACH * np.array(half)
    return np.asarray(boxes[((boxes[:, 2:] > low) & (boxes[:, :2] < high)).all(axis=1)])


_REACH = 1.5
"""A sign's own half, and what signs keep from each other."""


def _meets(to: Floats, half: Place, boxes: Floats, apart: float) -> Bools:
    """Which boxes a sign in each of some middles touches, shape (k, b)."""
    wide = np.array(half) + apart
    low, high = (to - wide)[:, None], (to + wide)[:, None]
    return np.asarray(((high > boxes[:, :2]) & (low < boxes[:, 2:])).all(axis=2))


def _through(at: Place, to: Floats, boxes: Floats) -> Bools:
    """Which boxes a leader from a place to each of some middles runs through, shape (k, b)."""
    points = np.array(at) + _STEPS[:, None, None, None] * (to - np.array(at))[:, None]
    within = (points > boxes[:, :2]) & (points < boxes[:, 2:])
    return np.asarray(within.all(axis=3).any(axis=0))


def _cross(at: Place, to: Floats, lines: Floats) -> Bools:
    """Which of some lines, shape (l, 2, 2), a leader from a place to each middle crosses."""
    begin, end = lines[:, 0], lines[:, 1]
    own = _side(begin, end, np.array(at)) * _side(begin, end, to[:, None]) < 0
    theirs = _side(np.array(at), to[:, None], begin) * _side(np.array(at), to[:, None], end) < 0
    return np.asarray(own & theirs)


def _side(a: Floats, b: Floats, c: Floats) -> Floats:
    """On which side of the line from a to b a place c lies, as a sign."""
    u, v = b - a, c - a
    return np.asarray(u[..., 0] * v[..., 1] - u[..., 1] * v[..., 0])
