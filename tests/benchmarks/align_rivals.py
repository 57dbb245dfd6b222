"""Registration as general libraries offer it, each called as its own documentation shows."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from veneercheck.core.mesh.motion import nearest_rotation
from veneercheck.core.mesh.triangles import vertex_normals
from veneercheck.core.types import RigidMotion, TriangleMesh

_REACH_MM = 2.0
_TUKEY_MM = 0.2
_TRIMESH_POINTS = 2000
"""As many as it takes in the time that the others need; more points give the same pose."""


def _cloud(mesh: TriangleMesh) -> Any:
    import open3d

    cloud = open3d.geometry.PointCloud(open3d.utility.Vector3dVector(mesh.points_mm.copy()))
    cloud.normals = open3d.utility.Vector3dVector(vertex_normals(mesh).copy())
    return cloud


def _as_motion(matrix: np.ndarray) -> RigidMotion:
    return RigidMotion(nearest_rotation(np.array(matrix[:3, :3])), np.array(matrix[:3, 3]))


def _open3d(framework: TriangleMesh, waxup: TriangleMesh, *, robust: bool) -> RigidMotion:
    import open3d

    ways = open3d.pipelines.registration
    plane = ways.TransformationEstimationPointToPlane(
        *((ways.TukeyLoss(k=_TUKEY_MM),) if robust else ())
    )
    rounds = ways.ICPConvergenceCriteria(max_iteration=100)
    found = ways.registration_icp(
        _cloud(framework), _cloud(waxup), _REACH_MM, np.eye(4), plane, rounds
    )
    return _as_motion(found.transformation)


def _small_gicp(framework: TriangleMesh, waxup: TriangleMesh, kind: str) -> RigidMotion:
    import small_gicp

    found = small_gicp.align(
        waxup.points_mm,
        framework.points_mm,
        registration_type=kind,
        downsampling_resolution=0.15,
        max_correspondence_distance=_REACH_MM,
        max_iterations=100,
    )
    return _as_motion(np.asarray(found.T_target_source))


def _trimesh(framework: TriangleMesh, waxup: TriangleMesh) -> RigidMotion:
    import trimesh

    every = max(1, len(framework.points_mm) // _TRIMESH_POINTS)
    matrix, _, _ = trimesh.registration.icp(
        framework.points_mm[::every],
        trimesh.Trimesh(waxup.points_mm, waxup.faces, process=False),
        max_iterations=30,
        scale=False,
        reflection=False,
    )
    return _as_motion(matrix)


METHODS: dict[str, Callable[[TriangleMesh, TriangleMesh], RigidMotion]] = {
    "open3d, point to plane": lambda f, w: _open3d(f, w, robust=False),
    "open3d, point to plane, Tukey 0.2 mm": lambda f, w: _open3d(f, w, robust=True),
    "small_gicp, point to plane": lambda f, w: _small_gicp(f, w, "PLANE_ICP"),
    "small_gicp, GICP": lambda f, w: _small_gicp(f, w, "GICP"),
    "trimesh, point to point": _trimesh,
}
