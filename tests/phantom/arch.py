"""Where the units of a bridge stand: half an ellipse, codes turned into places and directions."""

from __future__ import annotations

import dataclasses

import numpy as np
import numpy.typing as npt

from phantom.teeth import ToothForm, tooth_form
from veneercheck.core.types import Floats

_HALF_WIDTH_MM = 27.0
"""Half the width of the arch at its back end (rounded mean, from memory)."""

_ARCH_DEPTH_MM = 47.0
"""From the incisors to the line that joins the back ends (rounded mean, from memory)."""

_TABLE_STEPS = 4000
"""The arc length is tabulated finely enough for micrometres."""

_CONTACT_OVERLAP_MM = 0.25
"""Neighbours in a bridge are joined: their outlines overlap by this much."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Unit:
    """One tooth of the bridge and its own frame.

    Parameters
    ----------
    code : int
        Two-digit code.
    form : ToothForm
    centre_mm : ndarray, shape (3,)
        Middle of the cervix.
    axes : ndarray, shape (3, 3)
        Rows: mesial, buccal and occlusal unit vectors. Left-handed on one side of the mouth,
        because left teeth mirror right ones.
    """

    code: int
    form: ToothForm
    centre_mm: Floats
    axes: Floats

    def local(self, points_mm: Floats) -> Floats:
        """Points in the tooth's own frame (mesial, buccal, occlusal), shape (n, 3)."""
        turned: Floats = (points_mm - self.centre_mm) @ self.axes.T
        return turned

    def place(self, local_mm: npt.ArrayLike) -> Floats:
        """The way back from `local`."""
        points: Floats = np.asarray(local_mm, dtype=np.float64) @ self.axes + self.centre_mm
        return points


def side_of(code: int) -> int:
    """+1 where the tooth stands at positive x in an arch seen from its occlusal side.

    With +z occlusal and +y to the front, the patient's right is at +x in the lower jaw and at
    −x in the upper jaw, because the upper arch is seen from below.
    """
    return 1 if code // 10 in (2, 4) else -1


def lay_out(codes: tuple[int, ...]) -> tuple[Unit, ...]:
    """Set the units up in the bridge's frame.

    The origin is the middle of the units; +x runs from the first code to the last, +z is
    occlusal. For a single unit +x runs distally.

    Parameters
    ----------
    codes : tuple of int
        Two-digit codes, in order along the bridge, as neighbours.
    """
    stations = np.array([_station(code) for code in codes])
    order = np.sign(stations[-1] - stations[0]) or np.sign(stations[0])
    stations = stations - _pull_together(stations, order)
    places, along = _on_ellipse(stations)
    centre = places.mean(axis=0)
    chord = places[-1] - places[0] if len(codes) > 1 else along[0] * order
    turn = _turn_to_x(chord)
    units = []
    for code, place, tangent in zip(codes, places, along, strict=True):
        mesial = -side_of(code) * tangent
        outward = np.array([-tangent[1], tangent[0]])
        axes = np.eye(3)
        axes[0, :2], axes[1, :2] = turn @ mesial, turn @ outward
        units.append(Unit(code, tooth_form(code), np.append(turn @ (place - centre), 0.0), axes))
    return tuple(units)


def _station(code: int) -> float:
    """Arc length from the midline to the middle of a tooth, signed by its side."""
    tens, number = code - code % 10, code % 10
    before = sum(tooth_form(tens + k).width_mm for k in range(1, number))
    return side_of(code) * (before + 0.5 * tooth_form(code).width_mm)


def _pull_together(stations: Floats, order: float) -> Floats:
    count = len(stations)
    steps = order * _CONTACT_OVERLAP_MM * (np.arange(count) - 0.5 * (count - 1))
    return np.asarray(steps, dtype=np.float64)


def _on_ellipse(stations: Floats) -> tuple[Floats, Floats]:
    angle = np.linspace(-0.5 * np.pi, 0.5 * np.pi, _TABLE_STEPS)
    curve = np.stack([_HALF_WIDTH_MM * np.sin(angle), _ARCH_DEPTH_MM * np.cos(angle)], axis=1)
    length = np.append(0.0, np.cumsum(np.linalg.norm(np.diff(curve, axis=0), axis=1)))
    at = np.interp(stations + 0.5 * length[-1], length, angle)
    places = np.stack([_HALF_WIDTH_MM * np.sin(at), _ARCH_DEPTH_MM * np.cos(at)], axis=1)
    along = np.stack([_HALF_WIDTH_MM * np.cos(at), -_ARCH_DEPTH_MM * np.sin(at)], axis=1)
    tangents: Floats = along / np.linalg.norm(along, axis=1, keepdims=True)
    return places, tangents


def _turn_to_x(chord: Floats) -> Floats:
    cosine, sine = chord / np.linalg.norm(chord)
    return np.array([[cosine, sine], [-sine, cosine]])
