"""How much composite the veneer takes: the room between framework and contour, by prisms."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from veneercheck.core.mesh.triangles import row_cross, row_dot
from veneercheck.core.types import Bools, Floats, Ints, Limits, Material, SpaceMap, TriangleMesh

_DEEPEST_SHARE = 0.99
"""The deepest layer is the 99 % point by area: the last hundredth is the noisiest."""

_LEAST_MM3 = 0.1
"""Less than this on a unit is the neighbour's veneer running over the border."""


def material(
    framework: TriangleMesh,
    space: SpaceMap,
    *,
    directions: Floats,
    tooth: Ints,
    veneered: Bools,
    limits: Limits,
    name: Callable[[int], str] = lambda code: str(code or ""),
) -> tuple[Material, ...]:
    """Volume of the veneer of every unit, and in how many layers it must be cured.

    Parameters
    ----------
    framework : TriangleMesh
    space : SpaceMap
    directions : ndarray, shape (n, 3)
        Along which the space was measured.
    tooth : ndarray of int64, shape (n,)
        Codes or numbers of the units; 0 where there is none.
    veneered : ndarray of bool, shape (n,)
    limits : Limits
    name : callable, optional
        What a unit is called.

    Returns
    -------
    tuple of Material
        Opaquer and beads taken off. An increment deeper than the profile's is cured in more.
    """
    volume = veneer_volumes(framework, space, directions, veneered, limits.taken_mm)
    owner = tooth[framework.faces[:, 0]]
    deep = space.judged_high_mm - limits.taken_mm
    found = []
    for code in np.unique(owner[volume > 0]):
        here = veneered & (tooth == code) & np.isfinite(deep)
        total = float(volume[owner == code].sum())
        if not here.any() or total < _LEAST_MM3:
            continue
        deepest = _quantile(deep[here], space.area_mm2[here])
        doubt = float(space.area_mm2[here] @ space.u_judged_mm[here])
        count = max(math.ceil(deepest / limits.increment_mm), 1)
        found.append(Material(name(int(code)), total, doubt, deepest, count))
    return tuple(found)


def veneer_volumes(
    framework: TriangleMesh, space: SpaceMap, directions: Floats, veneered: Bools, taken_mm: float
) -> Floats:
    """Volume of composite over every triangle, shape (m,), mm³; 0 where there is no veneer.

    Parameters
    ----------
    taken_mm : float
        What opaquer and beads take of the space.

    Notes
    -----
    Between a triangle and its image on the contour stands a prism; each of its four-cornered
    sides is taken halfway between its two diagonals, so that neighbours share it exactly
    (divergence theorem). The images of neighbours leave no gap, so curvature is accounted for.
    """
    reach = np.where(np.isfinite(space.space_mm), space.space_mm, np.nan)
    far = framework.points_mm + reach[:, None] * directions
    nearest = ~np.isfinite(reach) & veneered
    far[nearest] = space.contour_mm[nearest]
    away = far - framework.points_mm
    length = np.linalg.norm(away, axis=1)
    share = np.clip(taken_mm / np.maximum(length, _TINY_MM), 0.0, 1.0)
    near = framework.points_mm + share[:, None] * away
    faces = np.flatnonzero(veneered[framework.faces].all(axis=1))
    volume = np.zeros(len(framework.faces))
    corners = framework.faces[faces]
    volume[faces] = np.nan_to_num(_prisms(near[corners], far[corners]))
    return np.maximum(volume, 0.0)


_TINY_MM = 1e-9


def _prisms(low: Floats, high: Floats) -> Floats:
    """Volumes between triangles and their images, both of shape (k, 3, 3)."""
    origin = low[:, :1]
    low, high = low - origin, high - origin
    total = _triple(high[:, 0], high[:, 1], high[:, 2]) - _triple(low[:, 0], low[:, 1], low[:, 2])
    for one, other in ((0, 1), (1, 2), (2, 0)):
        a, b, c, d = low[:, one], low[:, other], high[:, other], high[:, one]
        total += 0.5 * (_triple(a, b, c) + _triple(a, c, d) + _triple(a, b, d) + _triple(b, c, d))
    return total / 6.0


def _triple(a: Floats, b: Floats, c: Floats) -> Floats:
    return row_dot(row_cross(a, b), c)


def _quantile(values: Floats, weights: Floats) -> float:
    order = np.argsort(values)
    cumulated = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(cumulated, _DEEPEST_SHARE * cumulated[-1])])
