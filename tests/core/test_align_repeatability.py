"""Repeated scans of one body: the noise and the seating that were put in come out."""

import numpy as np
import pytest

from veneercheck.core.align import repeatability
from veneercheck.core.errors import MeshError
from veneercheck.core.mesh.triangles import vertex_normals
from veneercheck.core.types import TriangleMesh


def _ellipsoid(rng, shift_mm, noise_mm=0.0):
    import igl

    axis = np.linspace(-1.2, 1.2, 60)
    z, y, x = np.meshgrid(axis, axis, axis, indexing="ij")
    grid = np.stack([x, y, z], axis=-1).reshape(-1, 3) * [7.0, 5.0, 4.0]
    field = np.linalg.norm(grid / [7.0, 5.0, 4.0], axis=1) - 1
    field += 0.06 * np.sin(grid @ [0.9, 0.5, -0.7]) + 0.05 * np.cos(grid @ [-0.4, 1.1, 0.8])
    points, faces, _ = igl.marching_cubes(field, grid, 60, 60, 60, 0.0)
    mesh = TriangleMesh(points, faces)
    away = vertex_normals(mesh)
    if np.sum(away * points) < 0:
        mesh, away = TriangleMesh(points, faces[:, ::-1]), -away
    moved = points + away * rng.normal(0, noise_mm, len(points))[:, None] + shift_mm
    return TriangleMesh(moved, mesh.faces)


def test_seating_that_was_put_in_comes_out():
    # Source: shifts of 0 and (60, 0, 30) µm: of one seating, the difference over √2.
    rng = np.random.default_rng(3)
    scans = [_ellipsoid(rng, np.zeros(3)), _ellipsoid(rng, np.array([0.06, 0.0, 0.03]))]
    found = repeatability(scans, shared_frame=True)
    expected = np.array([0.06, 0.0, 0.03]) / np.sqrt(2)
    assert found.seating_mm == pytest.approx(expected, abs=0.002)
    assert np.isnan(repeatability(scans).seating_mm).all()


def test_one_scan_repeats_nothing():
    with pytest.raises(MeshError, match="two scans"):
        repeatability([_ellipsoid(np.random.default_rng(3), np.zeros(3))])
