"""A surface prepared for measuring: its noise reduced, its normals, areas and facets known."""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from veneercheck.core.mesh.denoise import denoise
from veneercheck.core.mesh.triangles import corner_cross, row_dot, sum_at_vertices, unit
from veneercheck.core.types import Floats, Ints, TriangleMesh

_NOISE_TILT = 10.0 / 3.0
"""White noise σ on an even triangulation of edge L tilts facets by 4σ²/L² (mean square), and the
vertex normal, their mean over six, by ⅔σ²/L²: the facets lean from it by the difference."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Prepared:
    """A mesh, its noise reduced, with what every reading needs of it.

    Parameters
    ----------
    normals : ndarray, shape (n, 3)
        Outward unit normals of the vertices.
    area_mm2 : ndarray, shape (n,)
        Area that each vertex stands for, of the mesh as it was given.
    facet_tilt_rad : ndarray, shape (n,)
        How far the facets round each vertex lean from its normal.
    edge_mm : ndarray, shape (n,)
        Typical length of the edges round each vertex.
    scan_noise_mm, noise_mm : float
        Standard deviation of the scan's noise, and of what is left of it in `mesh`.
    """

    mesh: TriangleMesh
    normals: Floats
    area_mm2: Floats
    facet_tilt_rad: Floats
    edge_mm: Floats
    scan_noise_mm: float
    noise_mm: float

    @property
    def facet_height_mm(self) -> Floats:
        """How far a flat facet may lie under the curved surface: L²/(6R), shape (n,).

        R follows from the facets' tilt: their normals lean from the vertex normal by about
        L/(√3·R) on an even triangulation. What noise makes them lean is taken off first.
        """
        edge = np.where(self.edge_mm > 0, self.edge_mm, np.inf)
        by_noise = _NOISE_TILT * (self.scan_noise_mm / edge) ** 2
        tilt = np.sqrt(np.maximum(self.facet_tilt_rad**2 - by_noise, 0.0))
        return self.edge_mm * tilt * math.sqrt(3.0) / 6.0

    def normal_at(self, face: Ints, place_mm: Floats) -> Floats:
        """Unit normals at places on triangles, between those of their corners.

        Parameters
        ----------
        face : ndarray of int64, shape (k,)
        place_mm : ndarray, shape (k, 3)
        """
        corner = self.mesh.faces.take(face, axis=0)
        a, b, c = (self.mesh.points_mm.take(corner[:, k], axis=0) for k in range(3))
        ab, ac, ap = b - a, c - a, place_mm - a
        d00, d01, d11 = row_dot(ab, ab), row_dot(ab, ac), row_dot(ac, ac)
        d20, d21 = row_dot(ap, ab), row_dot(ap, ac)
        det = d00 * d11 - d01 * d01
        det = np.where(det > 0, det, np.inf)  # a needle takes its first corner's normal
        v = (d11 * d20 - d01 * d21) / det
        w = (d00 * d21 - d01 * d20) / det
        share = np.stack([1.0 - v - w, v, w], axis=1)
        between = np.zeros_like(place_mm)
        for k in range(3):
            between += share[:, k, None] * self.normals.take(corner[:, k], axis=0)
        return unit(between)


def prepare(mesh: TriangleMesh, edges: Ints, *, noise_mm: float) -> Prepared:
    """Reduce a surface's noise and gather what readings need.

    Parameters
    ----------
    edges : ndarray of int64, shape (e, 2)
    noise_mm : float
        Standard deviation of the scan's noise.
    """
    cross = corner_cross(mesh)
    double_area = np.sqrt(row_dot(cross, cross))
    total = sum_at_vertices(mesh, np.column_stack([cross, double_area]))
    normals, weight = unit(total[:, :3]), total[:, 3]
    length = np.sqrt(row_dot(total[:, :3], total[:, :3]))
    spread = 1.0 - length / np.where(weight > 0, weight, 1.0)
    area = weight / 6.0
    # A vertex of an even triangulation stands for an area of √3/2 of its edge length squared.
    edge_mm = np.sqrt(2.0 / math.sqrt(3.0) * area)
    tilt = np.sqrt(2.0 * np.maximum(spread, 0.0))
    smooth = denoise(mesh, edges, normals, noise_mm=noise_mm, edge_mm=float(np.median(edge_mm)))
    calm = TriangleMesh(smooth.points_mm, mesh.faces)
    left = noise_mm * smooth.left
    return Prepared(calm, smooth.normals, area, tilt, edge_mm, noise_mm, left)
