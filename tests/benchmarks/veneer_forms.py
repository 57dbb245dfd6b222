"""Contours for the veneer trials: bridges of folded, bulbous teeth, and blocks of flat faces."""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Callable
from typing import Any

import numpy as np

from phantom.arch import Unit, lay_out
from phantom.body import Body
from phantom.shapes import smooth_max, smooth_min
from phantom.teeth import Groove, ToothForm, crown_field
from veneer_plans import Contour, Spec
from veneercheck.core.types import Floats

_MARGIN_MM = -0.6
"""Collars are counted from here where there is no gingiva; a scan from outside may end here."""

_FLOOR_MM = -2.4
"""Where a bridge that was scanned all round ends: well below the deepest cut."""

_OVERLAP_MM = 0.25
"""Units are laid out overlapping by so much; the embrasure starts from there."""

_UNION_BLEND_MM = 0.12
_FISSURE_BLEND_MM = 0.25
_FISSURE_LEAN = 0.25
"""Walls of a fissure lean by 14°: as steep as on worn-in natural molars (memory)."""

_LINE_CORNER_MM = 1.0
_NEIGHBOUR_APART_MM = 0.4


def contour_of(spec: Spec) -> Contour:
    """The contour that a spec asks for."""
    return _BLOCKS[spec.family](spec.form) if spec.family in _BLOCKS else teeth(spec.form)


def teeth(form: dict[str, Any]) -> Contour:
    """A bridge of invented teeth.

    Keys of the form, with their defaults: units, pontics; slope (of the cusps, times), fissure_mm
    (depth), groove_mm, bulge (proximal waist); embrasure_mm; connector (half sizes), clear_mm
    (uncut around a connector); collar_mm; border_mm (height of the lingual metal border; None:
    veneered all round); base (model and neighbours), floor (scanned
    from below too; else both scans end at the margin); lean (of the teeth, in radians: one side
    hangs over), rough_mm and rough_seed (waves of a carved surface).
    """
    units = tuple(_changed(unit, form) for unit in _spaced(form))
    body = Body(units, tuple(form.get("pontics", ())), bool(form.get("base")))
    neighbours = _neighbours(units) if body.base else ()

    waves = _waves(form)

    def crowns(points: Floats) -> Floats:
        points = _leaning(points, form.get("lean", 0.0))
        field = _crown(units[0], form, points)
        for unit in units[1:]:
            field = smooth_min(field, _crown(unit, form, points), _UNION_BLEND_MM)
        for first, second in itertools.pairwise(units):
            field = smooth_min(field, _connector(first, second, form, points), 0.3)
        return smooth_max(field + waves(points), _FLOOR_MM - points[:, 2], 0.6)

    def outer(points: Floats) -> Floats:
        field = crowns(points)
        if not body.base:
            return field
        for unit in neighbours:
            crown = crown_field(unit.form, unit.local(points))
            field = np.minimum(field, smooth_max(crown, -2.0 - points[:, 2], 0.2))
        return smooth_min(field, body.gingiva(points), 0.3)

    def extent(points: Floats) -> Floats:
        field = np.max([_unit_extent(unit, form, points) for unit in units], axis=0)
        for first, second in itertools.pairwise(units):
            beside = _connector(first, second, form, points) - form.get("clear_mm", 0.3)
            field = smooth_min(field, beside, 0.4)
        for unit in neighbours:
            field = smooth_min(field, crown_field(unit.form, unit.local(points)) - 0.3, 0.3)
        low = body.gingiva(points) if body.base else points[:, 2] - _MARGIN_MM
        return smooth_min(field, low - form.get("collar_mm", 0.5), 0.4)

    centres = np.stack([unit.centre_mm for unit in units])
    size = 0.5 * max(max(unit.form.width_mm, unit.form.depth_mm) for unit in units)
    top = max(unit.form.height_mm for unit in units)
    aside = size + (6.0 if body.base else 0.8)
    low = centres.min(axis=0) - [aside, aside if body.base else size + 0.8, 0.0]
    high = centres.max(axis=0) + [aside, aside if body.base else size + 0.8, top + 1.2]
    low[2] = -2.6 if body.base else (_FLOOR_MM - 1.0 if form.get("floor") else _MARGIN_MM)
    outward = sum(unit.axes[1, 1] for unit in units)
    case = {
        "units": tuple(form["units"]),
        "pontics": tuple(form.get("pontics", ())),
        "occlusal": "+z",
        "buccal": "+y" if outward > 0 else "-y",
    }
    return Contour(outer, extent, low, high, case)


def _leaning(points: Floats, angle: float) -> Floats:
    """Sheared over the heights, so that every tooth of the bridge leans to the same side."""
    if not angle:
        return points
    return points - np.outer(np.tan(angle) * points[:, 2], [0.0, 1.0, 0.0])


def _waves(form: dict[str, Any]) -> Callable[[Floats], Floats]:
    """Uneven as a hand carves: waves of 0.7 to 3 mm in all directions, drawn by their seed."""
    height, count = form.get("rough_mm", 0.0), 24
    rng = np.random.default_rng(form.get("rough_seed", 0))
    way = rng.normal(size=(count, 3))
    way /= np.linalg.norm(way, axis=1, keepdims=True)
    length = np.exp(rng.uniform(np.log(0.7), np.log(3.0), size=count))
    start = rng.uniform(0.0, 2.0 * np.pi, size=count)
    share = length / np.sqrt(0.5 * (length**2).sum())

    def field(points: Floats) -> Floats:
        if not height:
            return np.zeros(len(points))
        found: Floats = height * np.sin(points @ (2 * np.pi * way.T / length) + start) @ share
        return found

    return field


def _spaced(form: dict[str, Any]) -> tuple[Unit, ...]:
    units = lay_out(tuple(form["units"]))
    step = form.get("embrasure_mm", 0.3) + _OVERLAP_MM
    middle = 0.5 * (len(units) - 1)
    return tuple(
        dataclasses.replace(unit, centre_mm=unit.centre_mm + [step * (k - middle), 0.0, 0.0])
        for k, unit in enumerate(units)
    )


def _neighbours(units: tuple[Unit, ...]) -> tuple[Unit, ...]:
    """A tooth like the end unit beyond each end, not touching."""
    first, last = units[0], units[-1]
    away = [0.95 * unit.form.width_mm + _NEIGHBOUR_APART_MM for unit in (first, last)]
    return (
        dataclasses.replace(first, centre_mm=first.centre_mm - [away[0], 0.0, 0.0]),
        dataclasses.replace(last, centre_mm=last.centre_mm + [away[1], 0.0, 0.0]),
    )


def _changed(unit: Unit, form: dict[str, Any]) -> Unit:
    """Steeper cusps, deeper grooves on the walls, and a waist at the neck."""
    steep, bulge = form.get("slope", 1.0), form.get("bulge", 0.0)
    own: ToothForm = unit.form
    ridges = tuple(
        dataclasses.replace(
            ridge, slope=min(ridge.slope * steep, 1.5), rounding_mm=ridge.rounding_mm / steep
        )
        for ridge in own.ridges
    )
    grooves = tuple(
        Groove(groove.mesial_mm, groove.side, form.get("groove_mm", groove.depth_mm))
        for groove in own.grooves
    )
    low, middle, high = own.proximal
    proximal = (low - bulge, middle, high - 0.5 * bulge)
    return dataclasses.replace(
        unit, form=dataclasses.replace(own, ridges=ridges, grooves=grooves, proximal=proximal)
    )


def _crown(unit: Unit, form: dict[str, Any], points: Floats) -> Floats:
    local = unit.local(points)
    field = crown_field(unit.form, local)
    depth = form.get("fissure_mm", 0.0)
    posterior = unit.code % 10 >= 4
    if depth > 0 and posterior:
        field = smooth_max(field, -_fissures(unit.form, local, depth), _FISSURE_BLEND_MM)
    return field


def _fissures(form: ToothForm, local: Floats, depth_mm: float) -> Floats:
    """A trench along the middle of the occlusal surface and one across it; negative inside."""
    mesial, buccal, occlusal = local.T
    inner = [ridge.end_height_mm for ridge in form.ridges if ridge.start != ridge.end]
    floor = min(inner) - depth_mm
    lean = (occlusal - floor) * _FISSURE_LEAN
    wavy = buccal - 0.35 * np.sin(1.3 * mesial)
    ends = np.abs(mesial) - 0.33 * form.width_mm
    along = np.maximum(np.abs(wavy) - 0.18 - lean, ends)
    across = np.maximum(np.abs(mesial - 0.5) - 0.18 - lean, np.abs(buccal) - 0.30 * form.depth_mm)
    trench: Floats = np.maximum(np.minimum(along, across), floor - occlusal)
    return trench


def _connector(first: Unit, second: Unit, form: dict[str, Any], points: Floats) -> Floats:
    middle = 0.5 * (first.centre_mm + second.centre_mm)
    across = first.axes[1] + second.axes[1]
    across = across / np.linalg.norm(across)
    along = np.cross(across, [0.0, 0.0, 1.0])
    offset = points - middle
    lower = min(first.form.height_mm, second.form.height_mm)
    a, b, c = (1.6, *form.get("connector", (2.0, 1.9)))
    parts = offset @ along / a, offset @ across / b, (offset[:, 2] - 0.5 * lower) / c
    field: Floats = (np.sqrt(sum(part**2 for part in parts)) - 1.0) * min(a, b, c)
    return field


def _unit_extent(unit: Unit, form: dict[str, Any], points: Floats) -> Floats:
    mesial, buccal, occlusal = unit.local(points).T
    field = 1.5 - np.maximum(np.abs(mesial) - 0.75 * unit.form.width_mm, 0.0)
    border = form.get("border_mm", 4.0)
    if border is None:
        return field
    side = buccal - form.get("buccal_from", 0.1) * unit.form.depth_mm
    return smooth_min(field, smooth_max(occlusal - border, side, _LINE_CORNER_MM), 0.5)


def rounded_box(points: Floats, half: tuple[float, float, float], radius_mm: float) -> Floats:
    """Exact distance from a box about the origin with rounded edges."""
    away = np.abs(points) - np.array(half) + radius_mm
    out = np.linalg.norm(np.maximum(away, 0.0), axis=1)
    field: Floats = out + np.minimum(away.max(axis=1), 0.0) - radius_mm
    return field


def _block(form: dict[str, Any], extent, outer=None) -> Contour:
    half = form.get("half_mm", (6.0, 4.0, 3.5))
    radius = form.get("radius_mm", 0.8)
    box = np.array(half)
    field = outer or (lambda points: rounded_box(points, half, radius))
    return Contour(field, extent, -box - 0.6, box + 0.6)


def _plate(form: dict[str, Any]) -> Contour:
    """A box cut on its top beyond a line straight across it, and down its far sides."""
    at, down = form.get("line_mm", -2.0), form.get("down_mm", -1.0)

    def extent(points: Floats) -> Floats:
        return smooth_min(points[:, 0] - at, points[:, 2] - down, 0.6)

    return _block(form, extent)


def _slot(form: dict[str, Any]) -> Contour:
    """A box cut in a channel across its top: two walls that face each other."""
    half = form.get("slot_mm", 2.5)

    def extent(points: Floats) -> Floats:
        return smooth_min(half - np.abs(points[:, 0]), points[:, 2] - 0.5, 0.6)

    return _block(form, extent)


def _pool(form: dict[str, Any]) -> Contour:
    """A box cut in a round pool in its top: a wall all round."""
    radius = form.get("pool_mm", 2.6)

    def extent(points: Floats) -> Floats:
        flat = np.hypot(points[:, 0], points[:, 1])
        return np.minimum(radius - flat, points[:, 2] - 0.5)

    return _block(form, extent)


def _gap(form: dict[str, Any]) -> Contour:
    """Two blocks that a narrow gap parts down to a bar: an embrasure with flat walls."""
    half = form.get("half_mm", (6.0, 4.0, 3.5))
    width = form.get("gap_mm", 0.3)
    deep = form.get("deep_mm", 4.0)

    def outer(points: Floats) -> Floats:
        box = rounded_box(points, half, form.get("radius_mm", 0.8))
        gap = np.maximum(np.abs(points[:, 0]) - 0.5 * width, half[2] - deep - points[:, 2])
        return smooth_max(box, -gap, 0.3)

    def extent(points: Floats) -> Floats:
        return smooth_min(
            points[:, 2] - (half[2] - deep) - form.get("clear_mm", 0.8),
            4.0 - np.abs(points[:, 0]),
            0.5,
        )

    return _block({**form, "half_mm": half}, extent, outer)


_BLOCKS = {"plate": _plate, "slot": _slot, "pool": _pool, "gap": _gap}
