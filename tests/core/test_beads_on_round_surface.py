"""The base under beads on a round surface goes on with its curvature."""

from __future__ import annotations

import numpy as np

from phantom.attached import put_beads, spread
from phantom.sheets import height_field
from veneercheck.core.measure import beads
from veneercheck.core.mesh.triangles import edge_pairs, vertex_normals
from veneercheck.core.types import TriangleMesh

RADIUS_MM = 3.0


def cap() -> TriangleMesh:
    """The upper part of a sphere, a tooth's cusp in size."""
    return height_field(
        lambda x, y: np.sqrt(np.maximum(RADIUS_MM**2 - (x * x + y * y), 0.0)),
        np.linspace(-2.0, 2.0, 61),
    )


def test_the_base_under_beads_is_the_sphere() -> None:
    """Source: |p| = 3 mm; a flat membrane over a foot of 0.4 mm would cut 0.02 to 0.03 mm off."""
    plain = cap()
    rng = np.random.default_rng(3)
    inner = np.abs(plain.points_mm[:, :2]).max(axis=1) < 1.5
    seats = spread(plain.points_mm, inner, 0.6, rng)
    put = put_beads(plain, seats, diameter_mm=0.4)
    noise = 0.005 * rng.standard_normal((len(put.mesh.points_mm), 1)) * vertex_normals(put.mesh)
    scan = TriangleMesh(put.mesh.points_mm + noise, put.mesh.faces)
    found = beads.find(scan, edge_pairs(scan.faces), np.full(len(scan.points_mm), 1.5))
    assert found is not None and len(found.top) == len(seats) >= beads.FEWEST
    off_mm = np.linalg.norm(found.base.points_mm, axis=1) - RADIUS_MM
    under = put.under >= 0
    assert np.linalg.norm(scan.points_mm[under], axis=1).max() > RADIUS_MM + 0.15
    assert abs(off_mm[found.bead >= 0].mean()) < 0.005
    assert np.abs(off_mm[under]).max() < 0.05
