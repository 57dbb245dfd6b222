"""Where the pictures are taken from: six views of the bridge and a close-up of each zone."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from veneercheck.core.mesh.triangles import select_faces, unit, vertex_areas, vertex_normals
from veneercheck.core.types import Bools, Floats, TriangleMesh
from veneercheck.report.words import Words

VIEW_NAMES = ("occlusal", "buccal", "lingual", "mesial", "distal", "basal")

_MESIAL_IS_OCCLUSAL_CROSS_BUCCAL = frozenset("2468")
"""Quadrants (first digit of the tooth code) in which mesial = occlusal × buccal; else minus it.

Lower right: up × right = forward, which is mesial; each mirror flips it (milk teeth 5…8 alike).
"""

_AROUND_MM = 1.6
"""Shown around the veneered surface: collar, margins, a little of the model."""

_IN_FRONT_MM = 60.0
"""Rays start this far before the bridge, so that nothing of a scan stands behind them."""

_CLOSE_UP_FIELD_MM = 9.0
"""What a close-up shows across, a little less than a molar, unless the zone is larger."""

_CLOSE_UP_ROOM = 2.2
"""A close-up shows at least this many diameters of its zone, …"""

_CLOSE_UP_WHOLE = 1.1
"""… but no more than all of the work and so much round it."""

_NEAR_MM = 1.0
"""Surface around a zone's centre whose mean normal a close-up looks along."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Directions:
    """The bridge's own directions, unit vectors of shape (3,) in the wax-up's frame.

    Parameters
    ----------
    guessed : bool
        Taken from the shape, because the case does not tell them.
    names : mapping
        What each of `VIEW_NAMES` is called, as a key of the catalogue's `view`: by letters where
        it is not known which side is buccal or which end is mesial, by the scan's axes where not
        even occlusal is.
    """

    occlusal: Floats
    buccal: Floats
    mesial: Floats
    guessed: bool
    names: Mapping[str, str]


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Camera:
    """A parallel projection onto `width` × `height` pixels.

    Parameters
    ----------
    centre_mm : ndarray, shape (3,)
        Lies in the middle of the picture.
    right, up, toward : ndarray, shape (3,)
        Unit vectors of the picture's plane and from the scene to the eye.
    mm_per_px : float
    back_mm : float
        How far in front of the centre the rays start.
    """

    centre_mm: Floats
    right: Floats
    up: Floats
    toward: Floats
    mm_per_px: float
    width: int
    height: int
    back_mm: float

    def origins(self, x_px: Floats, y_px: Floats) -> Floats:
        """Where the rays of some pixel places start, shape (n, 3), mm."""
        across = (x_px - 0.5 * self.width) * self.mm_per_px
        above = (0.5 * self.height - y_px) * self.mm_per_px
        start = self.centre_mm + self.back_mm * self.toward
        places: Floats = start + across[:, None] * self.right + above[:, None] * self.up
        return places

    def project(self, points_mm: Floats) -> Floats:
        """Pixel x, y and depth in mm (from the rays' start) of points, shape (n, 3)."""
        axes = [self.right / self.mm_per_px, -self.up / self.mm_per_px, -self.toward]
        turn = np.stack(axes, axis=1)
        middle = np.array([0.5 * self.width, 0.5 * self.height, self.back_mm])
        laid: Floats = points_mm @ turn
        laid += middle - self.centre_mm @ turn
        return laid


def directions(
    document: Mapping[str, Any], mesh: TriangleMesh, veneer: Bools, aside: Bools | None = None
) -> Directions:
    """The bridge's directions from the case, or guessed from its shape.

    Parameters
    ----------
    document : mapping
        `result.json`.
    mesh : TriangleMesh
    veneer : ndarray of bool, shape (n,)
        Vertices meant for veneer: their mean normal stands for occlusal where none is told.
    aside : ndarray of bool, shape (n,), optional
        A sprue, handle or pin, which must not tilt the views.
    """
    frame = document["case"]["frame"]
    told_up, told_side = frame["occlusal"], frame["buccal"]
    kept = mesh.points_mm if aside is None else mesh.points_mm[~aside]
    length = _longest_axis(kept)
    up = _unit(told_up) if told_up else _guess_up(mesh, veneer, length)
    side = np.asarray(told_side, dtype=np.float64) if told_side else np.cross(length, up)
    if not told_up:  # The scan's own axes are at least no guess.
        up = _nearest_axis(up, np.zeros(3))
        side = _nearest_axis(side, up)
    side = _unit(side - (side @ up) * up)
    units = document["case"]["units"]
    letters = not frame.get("sides_known", True)
    named = not letters and bool(units)
    same = named and str(units[0])[0] in _MESIAL_IS_OCCLUSAL_CROSS_BUCCAL
    mesial = np.cross(up, side) * (1.0 if same else -1.0)
    return Directions(
        up, side, mesial, not (told_up and told_side), _names(document, (up, side, mesial))
    )


def _names(document: Mapping[str, Any], ways: tuple[Floats, Floats, Floats]) -> Mapping[str, str]:
    """What each view is called: no name says more than is known."""
    frame = document["case"]["frame"]
    if not frame["occlusal"]:
        both = [(_axis_name(way), _axis_name(-way)) for way in ways]
        (occlusal, basal), (buccal, lingual), (mesial, distal) = both
        return dict(
            zip(VIEW_NAMES, (occlusal, buccal, lingual, mesial, distal, basal), strict=True)
        )
    named = {name: name for name in VIEW_NAMES}
    if not frame.get("sides_known", True):
        return named | LETTERED
    known = frame["buccal"] and document["case"]["units"]
    return named if known else named | {"mesial": "end A", "distal": "end B"}


LETTERED = {
    "buccal": "side A",
    "lingual": "side B",
    "mesial": "end A",
    "distal": "end B",
}


def view_word(name: str, bridge: Directions, words: Words) -> str:
    """What a view, or the direction it is taken from, is called."""
    return words.known("view", bridge.names[name])


def _nearest_axis(way: Floats, other: Floats) -> Floats:
    """The scan's axis nearest to a direction and square to another one."""
    free = np.where(np.abs(other) > 0.5, 0.0, way)
    axis = np.zeros(3)
    nearest = int(np.abs(free).argmax())
    axis[nearest] = 1.0 if free[nearest] >= 0 else -1.0
    return axis


def _axis_name(way: Floats) -> str:
    nearest = int(np.abs(way).argmax())
    return f"{'+' if way[nearest] > 0 else '-'}{'xyz'[nearest]}"


def six_views(bridge: Directions, points_mm: Floats, width: int, height: int) -> dict[str, Camera]:
    """Cameras of the six views onto some points, all at one scale, so that pictures compare."""
    toward = {
        "occlusal": (bridge.occlusal, bridge.buccal),
        "buccal": (bridge.buccal, bridge.occlusal),
        "lingual": (-bridge.buccal, bridge.occlusal),
        "mesial": (bridge.mesial, bridge.occlusal),
        "distal": (-bridge.mesial, bridge.occlusal),
        "basal": (-bridge.occlusal, bridge.buccal),
    }
    axes = np.stack([bridge.occlusal, bridge.buccal, bridge.mesial])
    along = points_mm @ axes.T
    low, high = along.min(axis=0) - _AROUND_MM, along.max(axis=0) + _AROUND_MM
    centre = 0.5 * (low + high) @ axes
    tall, deep, long = high - low
    scale = max(long / width, max(tall, deep) / height)
    back = float(np.linalg.norm(high - low)) + _IN_FRONT_MM
    return {
        name: _camera(centre, eye, up, mm_per_px=scale, size=(width, height), back=back)
        for name, (eye, up) in toward.items()
    }


def close_up(
    zone: Mapping[str, Any],
    bridge: Directions,
    mesh: TriangleMesh,
    width: int,
    height: int,
) -> Camera:
    """The camera that looks straight at a zone."""
    centre = np.asarray(zone["centre_mm"], dtype=np.float64)
    offset = mesh.points_mm - centre
    distance = np.sqrt(np.einsum("ij,ij->i", offset, offset))
    near = distance <= max(_NEAR_MM, 1.5 * float(distance.min()))
    about, old = select_faces(mesh, np.logical_or.reduce([near.take(c) for c in mesh.faces.T]))
    own = near[old]
    mean = (vertex_normals(about)[own] * vertex_areas(about)[own, None]).sum(axis=0)
    toward = _unit(mean) if np.linalg.norm(mean) > 0 else bridge.occlusal
    level = abs(float(toward @ bridge.occlusal)) > math.cos(math.radians(25.0))
    up = bridge.buccal if level else bridge.occlusal
    across = 2.0 * math.sqrt(float(zone["area_mm2"] or 0.0) / math.pi)
    back, least = float(np.linalg.norm(np.ptp(mesh.points_mm, axis=0))), min(width, height)
    camera = _camera(centre, toward, up, mm_per_px=1.0, size=(width, height), back=back)
    # A zone that goes round the work is seen from its end: no wider than that shows.
    sides = (np.abs(offset @ camera.right).max(), np.abs(offset @ camera.up).max())
    whole = _CLOSE_UP_WHOLE * 2.0 * max(sides[0] / width, sides[1] / height)
    scale = max(_CLOSE_UP_FIELD_MM / least, min(_CLOSE_UP_ROOM * across / least, whole))
    return dataclasses.replace(camera, mm_per_px=scale)


def _camera(
    centre: Floats,
    toward: Floats,
    up: Floats,
    *,
    mm_per_px: float,
    size: tuple[int, int],
    back: float,
) -> Camera:
    straight = _unit(up - (up @ toward) * toward)
    right = np.cross(straight, toward)
    return Camera(centre, right, straight, toward, float(mm_per_px), *size, back)


def _longest_axis(points_mm: Floats) -> Floats:
    offset = points_mm - points_mm.mean(axis=0)
    _, vectors = np.linalg.eigh(offset.T @ offset)
    return np.asarray(vectors[:, -1], dtype=np.float64)


def _guess_up(mesh: TriangleMesh, veneer: Bools, length: Floats) -> Floats:
    weight = vertex_areas(mesh) * veneer
    mean = (vertex_normals(mesh) * weight[:, None]).sum(axis=0)
    across = mean - (mean @ length) * length
    if np.linalg.norm(across) <= 1e-9 * max(float(weight.sum()), 1e-9):
        across = np.cross(length, np.roll(length, 1))
    return _unit(across)


def _unit(vector: Any) -> Floats:
    direction: Floats = unit(np.asarray(vector, dtype=np.float64)[None])[0]
    return direction
