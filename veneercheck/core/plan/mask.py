"""What is to be veneered, as a smooth extent on the contour whose zero is the finish line."""

from __future__ import annotations

import numpy as np

from veneercheck.core.divide.anatomy import Places, Surface, surface_words
from veneercheck.core.divide.anatomy.places import Third
from veneercheck.core.mesh.triangles import (
    components,
    edge_pairs,
    neighbour_sums,
    reach_along_edges,
    vertex_areas,
)
from veneercheck.core.types import Bools, Case, Floats, Ints, TriangleMesh

SMOOTH_MM = 0.5
"""A finish line is drawn by hand: bends narrower than this are evened out."""

LEAST_PATCH_MM2 = 4.0
"""Smaller patches of veneer, and of metal within it, are none that anybody planned."""

_WRAPS_FROM = 0.3
"""Share of the half depth from which a proximal wall belongs to the side next to it."""

_CONNECTOR_FROM = 0.7
"""Share of a pontic's half width from which its base belongs to the connector: that stays metal."""


def extent(mesh: TriangleMesh, wanted: Bools, kept_out: Bools | None = None) -> Floats:
    """A smooth extent from vertices that are to be veneered, positive inside, shape (n,).

    Parameters
    ----------
    mesh : TriangleMesh
    wanted : ndarray of bool, shape (n,)
    kept_out : ndarray of bool, shape (n,), optional
        Never veneered: collars, stops, the model.
    """
    edges = edge_pairs(mesh.faces)
    area = vertex_areas(mesh)
    chosen = _without_specks(wanted if kept_out is None else wanted & ~kept_out, edges, area)
    if not chosen.any():
        return np.full(len(chosen), -1.0)
    smooth = _spread(np.where(chosen, 1.0, -1.0), mesh, edges)
    inside = _without_specks(smooth > 0, edges, area)
    smooth = np.where(inside == (smooth > 0), smooth, np.where(inside, 1e-3, -1e-3))
    if kept_out is not None:
        smooth[kept_out] = np.minimum(smooth[kept_out], -1e-3)
    return smooth


def collar(mesh: TriangleMesh, model: Bools, height_mm: float) -> Bools:
    """Vertices within a height of the model, along the surface, shape (n,)."""
    if not model.any() or height_mm <= 0:
        return model
    reach = reach_along_edges(mesh.points_mm, edge_pairs(mesh.faces), model, height_mm)
    return np.asarray(np.isfinite(reach))


def _spread(values: Floats, mesh: TriangleMesh, edges: Ints) -> Floats:
    """Diffusion over about `SMOOTH_MM`: the number of rounds follows the mesh's own edges."""
    length = np.linalg.norm(mesh.points_mm[edges[:, 0]] - mesh.points_mm[edges[:, 1]], axis=1)
    # A round of half steps has a variance of half the squared edge in each direction, about.
    rounds = int(np.ceil(2.0 * (SMOOTH_MM / np.median(length)) ** 2))
    count = np.maximum(neighbour_sums(edges, np.ones((len(values), 1)))[:, 0], 1.0)
    for _ in range(rounds):
        mean = neighbour_sums(edges, values[:, None])[:, 0] / count
        values = 0.5 * (values + mean)
    return values


def _without_specks(chosen: Bools, edges: Ints, area_mm2: Floats) -> Bools:
    """Small patches dropped, small gaps closed."""
    found = chosen.copy()
    for side in (True, False):
        label = components(len(found), edges[found[edges[:, 0]] == found[edges[:, 1]]])
        size = np.bincount(label, area_mm2)
        found[(size[label] < LEAST_PATCH_MM2) & (found == side)] = not side
    return found


def meant(where: Places, case: Case) -> Bools:
    """Vertices of the surfaces that the case names, shape (n,).

    Towards the neighbours a veneer wraps round its edge: the part of a proximal wall next to a
    veneered side, and that next to a veneered biting surface, belong to it. The underside of a
    connector stays metal: it carries.
    """
    found = np.zeros(len(where.tooth), dtype=bool)
    for tooth in np.unique(where.tooth[where.tooth > 0]):
        named = {_PLAIN.get(word, word) for word in case.veneered_units.get(tooth, case.veneered)}
        own = where.tooth == tooth
        for (unit, surface), word in surface_words(where).items():
            if unit == tooth and _PLAIN.get(word, word) in named:
                found |= own & (where.surface == surface)
        wall = own & np.isin(where.surface, (Surface.MESIAL, Surface.DISTAL))
        if "buccal" in named:
            found |= wall & (where.buccal_share > _WRAPS_FROM)
        if "lingual" in named:
            found |= wall & (where.buccal_share < -_WRAPS_FROM)
        if "occlusal" in named:
            found |= wall & (where.third == Third.OCCLUSAL)
        below = own & (where.surface == Surface.BASAL)
        found &= ~(below & (np.abs(where.mesial_share) > _CONNECTOR_FROM))
    return found


_PLAIN = {"palatal": "lingual", "incisal": "occlusal"}


def levelled(mesh: TriangleMesh, depth_mm: Floats) -> Floats:
    """Depths of which neighbouring surfaces differ, led into each other from the deeper side.

    Nowhere less than asked for: the deeper one runs out over the shallower at half a millimetre
    a millimetre.
    """
    if np.ptp(depth_mm) == 0.0:
        return depth_mm
    edges = edge_pairs(mesh.faces)
    length = np.linalg.norm(mesh.points_mm[edges[:, 0]] - mesh.points_mm[edges[:, 1]], axis=1)
    level = depth_mm.copy()
    while True:
        before = level.copy()
        for a, b in (edges.T, edges.T[::-1]):
            np.maximum.at(level, a, before[b] - _RUN_OUT_SLOPE * length)
        if np.array_equal(before, level):
            return level


_RUN_OUT_SLOPE = 0.5
