"""A section through a zone's worst place as a vector drawing to scale."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from veneercheck.core.mesh import unit
from veneercheck.core.types import Floats
from veneercheck.report.lines import plane_section
from veneercheck.report.stills import Scene

_HALF_WIDTH_MM, _HALF_HEIGHT_MM = 5.0, 3.6
_STYLE = {
    "framework": 'stroke="#1a1a1a" stroke-width="0.11"',
    "contour": 'stroke="#1a1a1a" stroke-width="0.045"',
    "grid": 'stroke="#dcd7cd" stroke-width="0.025"',
    "measure": 'stroke="#8c2a44" stroke-width="0.07"',
}
_TICK_MM = 0.16
_LETTER_MM, _LABEL_AWAY_MM = 0.5, 0.7
_OWN_SIDE = 0.5
"""Only contour within 60° of the outward normal counts, not that behind the metal."""


def zone_cut(zone: Mapping[str, Any], scene: Scene) -> str | None:
    """Draw the section through a zone's worst measured vertex, its plane holding the normal.

    Returns
    -------
    str or None
        SVG, 10 × 7.2 mm of the bridge; None where the zone has no measured vertex here.
    """
    vertex = worst_vertex(zone, scene)
    if vertex is None or scene.filed.space_mm is None:
        return None
    surface = scene.surface
    at, normal = surface.mesh.points_mm[vertex], surface.normals[vertex]
    across, above, way = _plane(normal, scene)
    end = _far_end(zone, scene, vertex)
    middle = 0.5 * (at + end)
    parts = [_grid()]
    drawn = [("framework", surface.mesh)]
    if scene.filed.contour is not None:
        drawn.insert(0, ("contour", scene.filed.contour))
    for name, mesh in drawn:
        flat = _flat(plane_section(mesh, at, way).reshape(-1, 3), middle, across, above)
        parts.append(_path(flat.reshape(-1, 4), _STYLE[name]))
    start, tip = (_flat(p[None], middle, across, above)[0] for p in (at, end))
    parts += [_measure(start, tip), _label(start, tip, scene.words.number(zone["extreme_mm"]))]
    return _svg(parts)


def worst_vertex(zone: Mapping[str, Any], scene: Scene) -> int | None:
    """The zone's vertex farthest beyond its limit; None where none was measured.

    Too thick is judged by the nearest contour, the others along the ray.
    """
    thick = zone["finding"] == "too_thick"
    reading = scene.filed.nearest_mm if thick else scene.surface.layer_mm
    if reading is None:
        return None
    own = np.flatnonzero((scene.surface.zone == zone["id"]) & np.isfinite(reading))
    if not len(own):
        return None
    return int(own[reading[own].argmax() if thick else reading[own].argmin()])


def _far_end(zone: Mapping[str, Any], scene: Scene, vertex: int) -> Floats:
    """Where the dimension ends: on the ray, or at the contour nearest within the section."""
    surface, filed = scene.surface, scene.filed
    at, normal = surface.mesh.points_mm[vertex], surface.normals[vertex]
    if zone["finding"] == "too_thick" and filed.contour is not None:
        _, _, way = _plane(normal, scene)
        pieces = plane_section(filed.contour, at, way).reshape(-1, 3)
        distance = np.linalg.norm(pieces - at, axis=1)
        outside = (pieces - at) @ normal >= _OWN_SIDE * distance
        if outside.any():
            return np.asarray(pieces[np.where(outside, distance, np.inf).argmin()])
    space = float(filed.space_mm[vertex]) if filed.space_mm is not None else 0.0
    return np.asarray(at + space * normal)


def _plane(normal: Floats, scene: Scene) -> tuple[Floats, Floats, Floats]:
    """Directions of the drawing: across, above, and the plane's own normal."""
    bridge = scene.bridge
    way = bridge.mesial - (bridge.mesial @ normal) * normal
    if np.linalg.norm(way) < 0.5:  # the surface faces along the bridge: cut the other way
        way = bridge.buccal - (bridge.buccal @ normal) * normal
    way = unit(way[None])[0]
    above = unit((bridge.occlusal - (bridge.occlusal @ way) * way)[None])[0]
    return np.cross(way, above), above, way


def _flat(points: Floats, middle: Floats, across: Floats, above: Floats) -> Floats:
    offset = points - middle
    return np.stack([offset @ across, -(offset @ above)], axis=1)


def _path(segments: Floats, style: str) -> str:
    reach = np.abs(segments).reshape(-1, 2, 2).min(axis=1)
    near = segments[(reach[:, 0] <= _HALF_WIDTH_MM + 1) & (reach[:, 1] <= _HALF_HEIGHT_MM + 1)]
    moves = "".join(f"M{a:.3f} {b:.3f}L{c:.3f} {d:.3f}" for a, b, c, d in near.tolist())
    return f'<path d="{moves}" fill="none" stroke-linecap="round" {style}/>'


def _grid() -> str:
    w, h = _HALF_WIDTH_MM, _HALF_HEIGHT_MM
    upright = "".join(f"M{x} {-h}V{h}" for x in np.arange(-np.floor(w), w + 1e-9))
    level = "".join(f"M{-w} {y}H{w}" for y in np.arange(-np.floor(h), h + 1e-9))
    return f'<path d="{upright}{level}" fill="none" {_STYLE["grid"]}/>'


def _measure(start: Floats, end: Floats) -> str:
    along = end - start
    length = max(float(np.linalg.norm(along)), 1e-9)
    side = np.array([-along[1], along[0]]) / length * _TICK_MM
    lines = [(start, end), (start - side, start + side), (end - side, end + side)]
    moves = "".join(f"M{a[0]:.3f} {a[1]:.3f}L{b[0]:.3f} {b[1]:.3f}" for a, b in lines)
    return f'<path d="{moves}" fill="none" {_STYLE["measure"]}/>'


def _label(start: Floats, end: Floats, text: str) -> str:
    """The zone's worst reading beyond the end of its dimension."""
    along = (end - start) / max(float(np.linalg.norm(end - start)), 1e-9)
    x, y = end + _LABEL_AWAY_MM * along + (0.0, 0.35 * _LETTER_MM)
    return (
        f'<text x="{x:.3f}" y="{y:.3f}" font-family="Source Sans Pro" font-weight="600" '
        f'font-size="{_LETTER_MM}" text-anchor="middle" fill="#8c2a44" stroke="#ffffff" '
        f'stroke-width="0.14" paint-order="stroke">{text}</text>'
    )


def _svg(parts: list[str]) -> str:
    w, h = _HALF_WIDTH_MM, _HALF_HEIGHT_MM
    box = f"{-w} {-h} {2 * w} {2 * h}"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{box}" width="{20 * w}mm" '
        f'height="{20 * h}mm"><clipPath id="c"><rect x="{-w}" y="{-h}" width="{2 * w}" '
        f'height="{2 * h}"/></clipPath><g clip-path="url(#c)">{"".join(parts)}</g></svg>'
    )
