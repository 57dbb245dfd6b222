"""All that the pictures of one result share, and a picture before its signs."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from veneercheck.core.mesh.sections import crossing
from veneercheck.core.types import Floats, Ints, Region
from veneercheck.report.colours import Rgb
from veneercheck.report.drawing import facing, lay_lines
from veneercheck.report.filed import FiledResult
from veneercheck.report.levels import LINE_PX, Level, levels_of
from veneercheck.report.raster import Raster, draw
from veneercheck.report.surface import Surface, surface_of, unseen_patches
from veneercheck.report.views import Camera, Directions, directions
from veneercheck.report.words import Words

_ALL_BUT_MEASURED = 0.95
"""A triangle is coloured only where all its corners were measured; the border line runs there."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False, weakref_slot=True)
class Scene:
    """All that every picture of one result shares.

    Parameters
    ----------
    amounts : bool
        What is to be taken off or added stands beside the numbers.
    amount_kind : {"amount", "change", "off_plan"}
        Section of the catalogue that names them: to be done, or done since an earlier check.
    large : float
        How much larger than in a still the signs are, where a picture will be looked at small.
    """

    filed: FiledResult
    surface: Surface
    bridge: Directions
    lines: tuple[tuple[Floats, Ints, float], ...]
    levels: tuple[Level, ...]
    unseen: tuple[tuple[float, Floats], ...]
    words: Words
    amounts: bool = False
    amount_kind: str = "amount"
    large: float = 1.0

    @property
    def undecided(self) -> bool:
        """Whether any of its zones is."""
        return any(zone["decision"] == "undecided" for zone in self.filed.document["zones"])


def scene_of(filed: FiledResult, words: Words) -> Scene:
    """Prepare a measured result for its pictures."""
    surface = surface_of(filed)
    aside = np.asarray(filed.region) == Region.ATTACHMENT
    bridge = directions(filed.document, surface.mesh, surface.veneer >= 0.5, aside)
    unseen = tuple(unseen_patches(surface))
    return Scene(filed, surface, bridge, lines_of(surface), levels_of(surface), unseen, words)


def whole_tones(scene: Scene) -> list[Rgb]:
    """The colours of the steps as a picture holds them."""
    surface = scene.surface
    steps = np.rint(np.concatenate([surface.bands.tones, surface.scale.tones])).astype(int)
    return [(red, green, blue) for red, green, blue in dict.fromkeys(map(tuple, steps.tolist()))]


def what_matters(surface: Surface) -> Floats:
    """Points the views are framed on: what is veneered, or all where nothing is."""
    meant = surface.veneer >= 0.5
    return surface.mesh.points_mm[meant] if meant.any() else surface.mesh.points_mm


def on_metal(scene: Scene, place_mm: Sequence[float]) -> Floats:
    """The vertex of the framework nearest to a place, mm: some lie on the contour over it."""
    points = scene.surface.mesh.points_mm
    return np.asarray(points[np.linalg.norm(points - np.asarray(place_mm), axis=1).argmin()])


def bead_places(document: Mapping[str, Any]) -> Floats:
    """The feet of retention beads that were found, shape (k, 3), mm."""
    found = document.get("beads") or {}
    return np.asarray(found.get("places_mm", []), dtype=np.float64).reshape(-1, 3)


def lines_of(surface: Surface) -> tuple[tuple[Floats, Ints, float], ...]:
    """Strong lines with their triangles and widths: limits, what was measured, finish line."""
    meant = surface.veneer[surface.mesh.faces].mean(axis=1) >= 0.5
    measured = np.isfinite(surface.shown_mm).astype(np.float64)
    passed = [
        *(
            (crossing(surface.mesh, surface.shown_mm, bound, meant), 2.2)
            for bound in surface.scale.bounds_mm
        ),
        (crossing(surface.mesh, measured, _ALL_BUT_MEASURED, meant), 1.6),
        (crossing(surface.mesh, surface.veneer, 0.5), 3.4),
    ]
    return tuple((line.at(surface.mesh.points_mm), line.face, width) for line, width in passed)


def drawn(scene: Scene, camera: Camera) -> Raster:
    """The picture without words: bands, patterns, limit and finish lines."""
    raster = draw(scene.surface, camera)
    facing_eye = [
        (facing(scene.surface, camera, segments, face), width)
        for segments, face, width in (
            *scene.lines,
            *((level.pieces_mm, level.face, LINE_PX) for level in scene.levels),
        )
    ]
    lay_lines(raster.colours, camera, raster.depth_mm, facing_eye)
    return raster
