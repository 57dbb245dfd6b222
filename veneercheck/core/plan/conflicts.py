"""Where metal, layers and contour need more than there is: by how much, and what that asks.

Notes
-----
Over a die metal is kept, and the layer's lack is told. Where there is not room for both, something
must give. Choice: the target keeps the least metal, the conflict says what the layer lacks and what
may be asked: opaquer, metal surface, preparation, contour. Instead of: a thinner of both by some
share, which would decide silently.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from veneercheck.core.divide.excess import GUARD
from veneercheck.core.mesh.triangles import edge_pairs, parts_in, vertex_areas
from veneercheck.core.plan import planned
from veneercheck.core.plan.planned import Conflict
from veneercheck.core.types import Bools, Connector, Floats, Ints, Limits, TriangleMesh, Weight

TellPlace = Callable[[Ints], tuple[str | None, str | None, str]]

_OPAQUER_CAN_GIVE = 0.5
"""Opaquer of half its usual thickness is the least that anybody lays."""

_SCANS = 2
"""Contour and die: two scans, in one frame."""


def over_die(
    contour: TriangleMesh,
    short_mm: Floats,
    need_mm: Floats,
    *,
    limits: Limits,
    told: TellPlace,
) -> tuple[Conflict, ...]:
    """Places where the room over the die is too small.

    Parameters
    ----------
    contour : TriangleMesh
    short_mm : ndarray, shape (n,)
        What is missing; NaN where nothing is known.
    need_mm : ndarray, shape (n,)
        Metal and layers together.
    limits : Limits
    told : callable
        Says where some vertices lie.
    """
    u = math.sqrt(_SCANS * limits.trueness_u_mm**2 + limits.opaquer_u_mm**2)
    found = []
    for patch, area in _patches(contour, short_mm > 0, limits.smallest_zone_mm2):
        worst = patch[int(np.argmax(short_mm[patch]))]
        short = float(short_mm[worst])
        room = float(need_mm[worst]) - short
        kind, asks = _kind(room, short, limits)
        place = contour.points_mm[worst]
        found.append(_conflict(kind, short, u, area=area, place=place, told=told(patch), asks=asks))
    return _worst_first(found)


def too_deep(
    contour: TriangleMesh,
    layer_mm: Floats,
    greatest_mm: Floats,
    *,
    limits: Limits,
    told: TellPlace,
) -> tuple[Conflict, ...]:
    """Cusps and edges so slim that composite over the nearest metal exceeds the greatest layer.

    The target already has as much metal under them as the least layer beside leaves.
    """
    over = layer_mm - greatest_mm
    found = []
    for patch, area in _patches(contour, over > 0, limits.smallest_zone_mm2):
        worst = patch[int(np.argmax(over[patch]))]
        u = math.hypot(limits.trueness_u_mm, limits.opaquer_u_mm)
        asks = (planned.MORE_METAL, planned.CONTOUR)
        place = contour.points_mm[worst]
        most = float(over[worst])
        found.append(
            _conflict(
                planned.TOO_DEEP, most, u, area=area, place=place, told=told(patch), asks=asks
            )
        )
    return _worst_first(found)


def weak(connectors: tuple[Connector, ...], limits: Limits) -> tuple[Conflict, ...]:
    """Connectors whose section would fall below the least, mm²."""
    return tuple(
        Conflict(
            planned.CONNECTOR,
            limits.connector_least_mm2 - one.area_mm2,
            one.u_mm2,
            one.weight is Weight.FINDING,
            one.area_mm2,
            one.centre_mm,
            None,
            None,
            one.teeth,
            (planned.METAL_SURFACE, planned.CONTOUR),
        )
        for one in connectors
        if one.weight in (Weight.FINDING, Weight.UNDECIDED)
    )


def _kind(room: float, short: float, limits: Limits) -> tuple[str, tuple[str, ...]]:
    if room < limits.least_metal_mm:
        return planned.NO_METAL, (planned.PREPARATION, planned.CONTOUR)
    if room < limits.least_metal_mm + limits.taken_mm:
        return planned.NO_LAYER, (planned.METAL_SURFACE, planned.PREPARATION, planned.CONTOUR)
    asks: tuple[str, ...] = (planned.METAL_SURFACE, planned.PREPARATION, planned.CONTOUR)
    if short <= _OPAQUER_CAN_GIVE * limits.opaquer_mm:
        asks = (planned.OPAQUER, *asks)
    return planned.SHORT_LAYER, asks


def _conflict(
    kind: str,
    short: float,
    u: float,
    *,
    area: float,
    place: Floats,
    told: tuple[str | None, str | None, str],
    asks: tuple[str, ...],
) -> Conflict:
    x, y, z = (float(part) for part in place)
    return Conflict(kind, short, u, short > GUARD * u, area, (x, y, z), *told, asks)


def _patches(mesh: TriangleMesh, chosen: Bools, least_mm2: float) -> list[tuple[Ints, float]]:
    """Chosen vertices that hang together and are large enough, with their area."""
    edges, area = edge_pairs(mesh.faces), vertex_areas(mesh)
    label = parts_in(chosen, edges)
    found = []
    for part in np.unique(label[chosen]):
        patch = np.flatnonzero(chosen & (label == part))
        size = float(area[patch].sum())
        if size >= least_mm2:
            found.append((patch, size))
    return found


def _worst_first(found: list[Conflict]) -> tuple[Conflict, ...]:
    return tuple(sorted(found, key=lambda one: (-one.short_mm, one.centre_mm)))
