"""The antagonist: how much clearance the contour leaves, and contacts too near the metal border."""

from __future__ import annotations

import dataclasses

import numpy as np

from veneercheck.core.mesh.nearest import NearestSurface
from veneercheck.core.mesh.triangles import (
    edge_pairs,
    face_normals,
    parts_in,
    row_dot,
    vertex_areas,
)
from veneercheck.core.types import Floats, TriangleMesh

CONTACT_MM = 0.05
"""Nearer than this the jaws touch: articulating foil is 8 to 40 µm thick, from memory."""

REACH_MM = 3.0
"""Farther away nothing bites."""


@dataclasses.dataclass(frozen=True, slots=True)
class Contact:
    """A place where the antagonist touches the contour.

    Parameters
    ----------
    at_mm : tuple of 3 floats
    area_mm2 : float
    deepest_mm : float
        Least clearance: negative where the two run through each other.
    from_border_mm : float
        Distance from the finish line; infinite without one.
    too_near : bool
        Nearer to it than was asked for: a contact belongs on one material.
    """

    at_mm: tuple[float, float, float]
    area_mm2: float
    deepest_mm: float
    from_border_mm: float
    too_near: bool


def clearance_mm(contour: TriangleMesh, antagonist: TriangleMesh) -> Floats:
    """Distance from every vertex of the contour to the antagonist, shape (n,).

    Returns
    -------
    ndarray, shape (n,)
        Negative where the contour reaches into it; NaN beyond `REACH_MM`.

    Examples
    --------
    >>> plate = TriangleMesh([[0, 0, 0], [9, 0, 0], [0, 9, 0]], [[0, 1, 2]])
    >>> above = TriangleMesh([[-9, -9, 1], [0, 30, 1], [30, 0, 1]], [[0, 1, 2]])
    >>> clearance_mm(plate, above).tolist()
    [1.0, 1.0, 1.0]
    """
    near = NearestSurface(antagonist).query(contour.points_mm)
    inside = row_dot(contour.points_mm - near.point_mm, face_normals(antagonist)[near.face]) < 0
    found = np.where(inside, -near.distance_mm, near.distance_mm)
    return np.asarray(np.where(near.distance_mm <= REACH_MM, found, np.nan))


def contacts(
    contour: TriangleMesh, clearance: Floats, line_mm: Floats, *, off_border_mm: float
) -> tuple[Contact, ...]:
    """Contacts, those nearest to the finish line first.

    Parameters
    ----------
    contour : TriangleMesh
    clearance : ndarray, shape (n,)
    line_mm : ndarray, shape (k, 3)
        Points of the finish line.
    off_border_mm : float
        How far off the border between metal and veneer a contact is to be.
    """
    touching = np.isfinite(clearance) & (clearance < CONTACT_MM)
    if not touching.any():
        return ()
    edges, area = edge_pairs(contour.faces), vertex_areas(contour)
    label = parts_in(touching, edges)
    away = np.full(len(touching), np.inf)
    if len(line_mm):
        from scipy.spatial import cKDTree

        away[touching] = cKDTree(line_mm).query(contour.points_mm[touching])[0]
    found = []
    for part in np.unique(label[touching]):
        patch = np.flatnonzero(touching & (label == part))
        nearest = patch[int(away[patch].argmin())]
        x, y, z = (float(value) for value in contour.points_mm[nearest])
        off = float(away[nearest])
        deepest = float(clearance[patch].min())
        size = float(area[patch].sum())
        found.append(Contact((x, y, z), size, deepest, off, off < off_border_mm))
    return tuple(sorted(found, key=lambda one: (one.from_border_mm, one.at_mm)))
