"""Which sections are drawn: across the units, along the bridge, through each zone's worst place."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from veneercheck.core.judge.structure.planes import laid_out
from veneercheck.core.mesh.sections import crossing
from veneercheck.core.mesh.triangles import unit
from veneercheck.core.types import Floats, SectionPlane
from veneercheck.machine.aside import put
from veneercheck.report.colours import taken_mm
from veneercheck.report.scene import Scene
from veneercheck.report.section_sheet import Figure
from veneercheck.report.sections import section_svg

SECTIONS = "sections"
"""Folder of the drawings."""

_HALF_MM = np.array([5.0, 3.6])
"""Half of the drawing's width and height."""

_OWN_SIDE = 0.5
"""Only contour within 60° of the outward normal counts, not that behind the metal."""

_LEAST_ACROSS = 0.5
"""A surface that faces along the bridge by more than 60° is cut along the bridge."""


def write_sections(folder: Path, scene: Scene) -> dict[str, str]:
    """Draw every section of a result into its folder; earlier drawings are removed.

    Returns
    -------
    dict
        SVG by name: "unit-45" and so on, "along", "zone-1" and so on.
    """
    place = folder / SECTIONS
    for stale in place.glob("*.svg"):
        stale.unlink()
    document = scene.filed.document
    drawn = {
        "-".join(filter(None, (one["kind"], one["name"]))): section_svg(_plane_of(one), scene)
        for one in document["sections"]
    }
    drawn |= {f"zone-{zone['id']}": zone_cut(zone, scene) for zone in document["zones"]}
    found = {name: picture for name, picture in drawn.items() if picture is not None}
    for name, picture in found.items():
        place.mkdir(exist_ok=True)
        put(place / f"{name}.svg", [picture.encode("utf-8")])
    return found


def _plane_of(described: Mapping[str, Any]) -> SectionPlane:
    return SectionPlane(
        described["kind"],
        described["name"],
        tuple(described["across"]),
        tuple(described["above"]),
        tuple(tuple(place) for place in described["path_mm"]),
        tuple(described["sides"]),
    )


def zone_cut(zone: Mapping[str, Any], scene: Scene) -> str | None:
    """Draw the section through a zone's worst measured vertex.

    Returns
    -------
    str or None
        SVG, 10 × 7.2 mm of the bridge; None where the zone has no measured vertex here.
    """
    vertex = worst_vertex(zone, scene)
    if vertex is None or scene.filed.space_mm is None:
        return None
    at = scene.surface.mesh.points_mm[vertex]
    end = _far_end(zone, scene, vertex)
    section = _section(scene, vertex)
    _, (start, tip) = laid_out(section, np.stack([at, end]))
    middle = 0.5 * (start + tip)
    over = zone["finding"] == "over_contour"
    figure = Figure(
        (float(start[0]), float(start[1])),
        (float(tip[0]), float(tip[1])),
        scene.words.number(-zone["extreme_mm"] if over else zone["extreme_mm"]),
        "bad",
    )
    return section_svg(section, scene, figure, np.stack([middle - _HALF_MM, middle + _HALF_MM]))


def worst_vertex(zone: Mapping[str, Any], scene: Scene) -> int | None:
    """The zone's vertex beside its worst spot; None where none was measured."""
    own = np.flatnonzero((scene.surface.zone == zone["id"]) & np.isfinite(scene.surface.layer_mm))
    if not len(own):
        return None
    away = scene.surface.mesh.points_mm[own] - np.asarray(zone["centre_mm"], dtype=np.float64)
    return int(own[np.einsum("ij,ij->i", away, away).argmin()])


def _far_end(zone: Mapping[str, Any], scene: Scene, vertex: int) -> Floats:
    """Where the dimension ends: at the contour nearest within the section, or so far along the
    normal as the reading says: a ball of that diameter touches the contour."""
    surface, filed = scene.surface, scene.filed
    at, normal = surface.mesh.points_mm[vertex], surface.normals[vertex]
    if zone["finding"] == "too_thick" and filed.contour is not None:
        offset, _ = laid_out(_section(scene, vertex), filed.contour.points_mm)
        pieces = crossing(filed.contour, offset).at(filed.contour.points_mm).reshape(-1, 3)
        distance = np.linalg.norm(pieces - at, axis=1)
        outside = (pieces - at) @ normal >= _OWN_SIDE * distance
        if outside.any():
            return np.asarray(pieces[np.where(outside, distance, np.inf).argmin()])
    space = float(surface.layer_mm[vertex]) + taken_mm(filed.document)
    return np.asarray(at + space * normal)


def _section(scene: Scene, vertex: int) -> SectionPlane:
    """The plane across the bridge that holds the normal at a vertex, and what lies at its sides."""
    bridge = scene.bridge
    at, normal = scene.surface.mesh.points_mm[vertex], scene.surface.normals[vertex]
    way = bridge.mesial - (bridge.mesial @ normal) * normal
    if np.linalg.norm(way) < _LEAST_ACROSS:
        way = bridge.buccal - (bridge.buccal @ normal) * normal
    way = unit(way[None])[0]
    above = unit((bridge.occlusal - (bridge.occlusal @ way) * way)[None])[0]
    across = np.cross(above, way)
    ways = np.stack([bridge.buccal, bridge.mesial, bridge.occlusal])
    names = (("buccal", "lingual"), ("mesial", "distal"), ("occlusal", "basal"))

    def side(direction: Floats) -> str:
        share = ways @ direction
        nearest = int(np.abs(share).argmax())
        return bridge.names[names[nearest][0 if share[nearest] > 0 else 1]]

    return SectionPlane(
        "zone", "", _triple(across), _triple(above), (_triple(at),),
        (side(-across), side(across), side(above), side(-above)),
    )  # fmt: skip


def _triple(place: Floats) -> tuple[float, float, float]:
    x, y, z = (float(part) for part in place)
    return x, y, z
