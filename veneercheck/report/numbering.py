"""Signs over a picture: numbers at their zones, names, figures of lines, rings at beads."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from veneercheck.core.types import Floats
from veneercheck.report.carrying import spots_named
from veneercheck.report.colours import INK
from veneercheck.report.drawing import leader, name_sign, name_width, number_sign, sign_reach
from veneercheck.report.legend import EDGE
from veneercheck.report.levels import figures
from veneercheck.report.placing import Place, Room
from veneercheck.report.raster import Raster
from veneercheck.report.scene import Scene, bead_places, on_metal
from veneercheck.report.surface import Surface
from veneercheck.report.views import Camera
from veneercheck.report.zone_words import amount_words

if TYPE_CHECKING:
    from PIL import ImageDraw

_HIDDEN_CENTRE_MM = 0.8
"""A zone's centre may lie this far under the surface (it is a mean) and still be marked."""

_AT_SURFACE_MM, _LEAST_SEEN = 0.05, 6
"""What lies so little under what is drawn is seen; of fewer vertices a pattern hardly shows."""

_GAPS_PX = (26.0, 50.0, 80.0, 120.0, 170.0, 230.0, 300.0, 380.0)
"""Between a place and the edge of its sign, near ones first."""

_APART_PX = 9.0
_NUMBER_PX = 22.0
_NAME_PX = 20.0
"""Half the height of a number and of a name."""

_COARSE = 8
"""What a picture shows is looked at in so many pixels at once."""


def put_signs(
    pen: ImageDraw.ImageDraw,
    scene: Scene,
    camera: Camera,
    raster: Raster,
    own: int | None,
    *,
    measured: bool,
) -> list[str]:
    """Numbers and question marks at their zones, and the names of what was not measured.

    Returns
    -------
    list of str
        Numbers of the zones that are seen.
    """
    found = [
        (at, mark)
        for mark in _marks(scene, own)
        if (at := _at(scene, camera, raster, mark, own)) is not None
    ]
    room = _room(scene, camera, raster, measured=measured)
    tall = _NUMBER_PX * scene.large
    halves = [(max(sign_reach(pen, mark.beside, scene.large), tall), tall) for _, mark in found]
    placed = room.beside(
        [(at, half) for (at, _), half in zip(found, halves, strict=True)], _gaps(scene)
    )
    _names(pen, scene, camera, raster, room)
    dots = [(x - _APART_PX, y - _APART_PX, x + _APART_PX, y + _APART_PX) for x, y in room.places]
    figures(
        pen, scene.surface, camera, raster.depth_mm, scene.levels,
        taken=[*room.boxes, *dots], words=scene.words, large=scene.large,
    )  # fmt: skip
    for (at, _), to in zip(found, placed, strict=True):
        leader(pen, at, to)
    for (_, mark), to in zip(found, placed, strict=True):
        number_sign(pen, to, mark.text, firm=mark.firm, beside=mark.beside, large=scene.large)
    return [mark.text for _, mark in found if mark.text.isdigit()]


@dataclasses.dataclass(frozen=True, slots=True)
class _Mark:
    """A number or question mark, with what stands beside it, and the place that it is of."""

    text: str
    firm: bool
    centre_mm: Sequence[float]
    beside: str = ""


def _marks(scene: Scene, own: int | None) -> list[_Mark]:
    """All that a picture may show; with a zone of its own, that one alone."""
    document, words = scene.filed.document, scene.words
    marks = [
        _Mark(str(zone["id"]), zone["decision"] == "firm", zone["centre_mm"],
              amount_words(zone, words) if scene.amounts else "")
        for zone in document["zones"]
    ]  # fmt: skip
    if own is not None:
        return [mark for mark in marks if mark.text == str(own)]
    asked = [one["centre_mm"] for one in document["questions"] if one["centre_mm"]]
    return marks + [_Mark("?", False, centre) for centre in asked]


def _at(scene: Scene, camera: Camera, raster: Raster, mark: _Mark, own: int | None) -> Place | None:
    """Where a mark's place is seen; a zone of the picture's own has it whatever hides it."""
    place = np.asarray(mark.centre_mm, dtype=np.float64)
    at = _seen(place, camera, raster) if own is None else _projected(place, camera)
    if at is None and mark.text.isdigit():
        return _seen_of(scene.surface, int(mark.text), place, camera, raster)
    return at


def _room(scene: Scene, camera: Camera, raster: Raster, *, measured: bool) -> Room:
    """The picture's room without the corners where scale and directions stand."""
    width, height, large = camera.width, camera.height, scene.large
    covered = np.isfinite(raster.depth_mm[::_COARSE, ::_COARSE])
    room = Room(width, height, _APART_PX * large, covered)
    room.boxes.append((width - 360, height - 96 * large, width, height))
    if measured:
        room.boxes.append((0, height - 160 * large, 2 * EDGE + 260 * large, height))
    return room


def _gaps(scene: Scene) -> list[float]:
    return [gap * scene.large for gap in _GAPS_PX]


def ring_beads(pen: ImageDraw.ImageDraw, scene: Scene, camera: Camera, raster: Raster) -> None:
    """A ring for each retention bead that is seen: the map shows the surface between them."""
    document = scene.filed.document
    for place in bead_places(document):
        at = _seen(place, camera, raster)
        if at is not None:
            radius = 0.5 * document["beads"]["diameter_mm"] / camera.mm_per_px
            box = (at[0] - radius, at[1] - radius, at[0] + radius, at[1] + radius)
            pen.ellipse(box, outline=INK, width=2)


def _names(
    pen: ImageDraw.ImageDraw, scene: Scene, camera: Camera, raster: Raster, room: Room
) -> None:
    words = scene.words
    named = [
        (words("picture.unseen", area=words.mm2(area_mm2)), place)
        for area_mm2, place in scene.unseen
    ]
    for text, spot in spots_named(scene.filed.document, words):
        named.append((text, on_metal(scene, spot["centre_mm"])))
    seen = [(at, text) for text, place in named if (at := _seen(place, camera, raster))]
    marks = [(at, (0.5 * name_width(pen, text) + 10.0, _NAME_PX)) for at, text in seen]
    for (at, text), to in zip(seen, room.beside(marks, _gaps(scene)[2:]), strict=True):
        name_sign(pen, at, to, text)


def _projected(place: Floats, camera: Camera) -> tuple[float, float]:
    """Where a place lies in a picture, hidden or not."""
    x, y, _ = camera.project(place[None])[0]
    return float(x), float(y)


def _seen(place: Floats, camera: Camera, raster: Raster) -> tuple[float, float] | None:
    """Where a place of the surface lies in a picture; None where it is out of it or hidden."""
    x, y, depth = camera.project(place[None])[0]
    column, row = math.floor(x), math.floor(y)
    if not (0 <= column < camera.width and 0 <= row < camera.height):
        return None
    if not depth <= raster.depth_mm[row, column] + _HIDDEN_CENTRE_MM:
        return None
    return float(x), float(y)


def _seen_of(
    surface: Surface, zone: int, centre: Floats, camera: Camera, raster: Raster
) -> tuple[float, float] | None:
    """Of a zone whose centre is hidden, as on a steep wall, the seen place nearest to it."""
    laid = camera.project(surface.mesh.points_mm[surface.zone == zone])
    pixel = np.floor(laid[:, :2]).astype(np.int64)
    laid = laid[((pixel >= 0) & (pixel < [camera.width, camera.height])).all(axis=1)]
    column, row = np.floor(laid[:, :2]).astype(np.int64).T
    seen = laid[laid[:, 2] <= raster.depth_mm[row, column] + _AT_SURFACE_MM, :2]
    if len(seen) < _LEAST_SEEN:
        return None
    x, y = seen[np.argmin(np.linalg.norm(seen - _projected(centre, camera), axis=1))]
    return float(x), float(y)
