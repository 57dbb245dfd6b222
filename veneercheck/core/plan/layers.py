"""How much paste each unit will take, and in how many increments."""

from __future__ import annotations

import math

import numpy as np

from veneercheck.core.divide.anatomy import Places
from veneercheck.core.divide.anatomy.places import Third
from veneercheck.core.mesh.triangles import face_areas
from veneercheck.core.plan.contour import Contour
from veneercheck.core.plan.planned import Cutting, UnitLayers
from veneercheck.core.types import Bools, Floats, Ints, Limits, TriangleMesh

_ON_CONTOUR_MM = 0.1
"""The outer side of what is cut away lies nearer to the contour than this."""


def unit_layers(
    contour: Contour,
    where: Places,
    removed: TriangleMesh,
    layer_mm: Floats,
    *,
    removed_mm3: float,
    limits: Limits,
    cutting: Cutting,
) -> tuple[UnitLayers, ...]:
    """Opaquer, dentine and incisal of every unit.

    Parameters
    ----------
    contour : Contour
    where : Places
    removed : TriangleMesh
        What is cut away: closed, its outer side on the contour.
    layer_mm : ndarray, shape (n,)
    removed_mm3 : float
        Its volume.
    limits : Limits
    cutting : Cutting

    Notes
    -----
    The whole volume is exact (divergence theorem); it is shared among units and thirds by the
    pyramids that the contour's triangles stand on, area times depth.
    """
    if not removed_mm3 > 0:
        return ()
    inside = contour.extent_mm > 0
    owner = where.owner
    floor = _floor_areas(contour, removed, owner)
    weight = _shares(contour, layer_mm, limits)
    total = weight.sum()
    metal = sum(floor.values())
    u_depth = math.hypot(limits.trueness_u_mm, limits.opaquer_u_mm)
    found = []
    for unit in np.unique(owner[inside]):
        mine = inside & (owner == unit)
        share = float(weight[mine].sum() / total)
        opaquer = floor.get(int(unit), 0.0) * limits.taken_mm
        paste = max(removed_mm3 * share - opaquer, 0.0)
        incisal = paste * _incisal(where.third[mine], weight[mine], cutting)
        deepest = float(np.nanmax(layer_mm[mine], initial=0.0))
        u_share = u_depth * metal / removed_mm3
        found.append(
            UnitLayers(
                where.owner_name(int(unit)),
                opaquer,
                paste - incisal,
                incisal,
                u_share,
                deepest,
                max(1, math.ceil(deepest / limits.increment_mm - 1e-9)),
                None if limits.density_g_cm3 is None else paste * limits.density_g_cm3 / 1000.0,
            )
        )
    return tuple(found)


def _shares(contour: Contour, layer_mm: Floats, limits: Limits) -> Floats:
    from veneercheck.core.mesh.triangles import vertex_areas

    inside: Bools = contour.extent_mm > 0
    deep = np.nan_to_num(layer_mm, nan=0.0) + limits.taken_mm
    return np.asarray(np.where(inside, vertex_areas(contour.mesh) * np.maximum(deep, 0.0), 0.0))


def _incisal(thirds: Ints, weight: Floats, cutting: Cutting) -> float:
    shares = np.zeros(len(Third))
    shares[[Third.CERVICAL, Third.MIDDLE, Third.OCCLUSAL]] = cutting.incisal_shares
    total = float(weight.sum())
    return float(weight @ shares[thirds]) / total if total > 0 else 0.0


def _floor_areas(contour: Contour, removed: TriangleMesh, owner: Ints) -> dict[int, float]:
    """Area of metal under the veneer, by unit: of what is cut away, the side in the contour."""
    if not len(removed.faces):
        return {}
    middle = removed.points_mm[removed.faces].mean(axis=1)
    under = contour.under(middle)
    floor = under.depth_mm > _ON_CONTOUR_MM
    corner = contour.mesh.faces[under.face, under.shares.argmax(axis=1)]
    area = face_areas(removed)
    return {
        int(unit): float(area[floor & (owner[corner] == unit)].sum())
        for unit in np.unique(owner[corner[floor]])
    }
