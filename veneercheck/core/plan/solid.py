"""Closed bodies: rims closed flat, bodies taken from one another, all checked."""

from __future__ import annotations

from typing import Any

import numpy as np

from veneercheck.core.errors import MeshError
from veneercheck.core.mesh import components, edge_pairs, renumber_by_first_use
from veneercheck.core.types import Floats, Ints, TriangleMesh

EVEN_MM = 0.002
"""A fifth of the scan noise of a good laboratory scanner."""

_CRUMB_MM3 = 0.5
"""A loose piece of metal so small is none."""


def rims(mesh: TriangleMesh) -> list[Ints]:
    """The vertices along every open rim, in order, longest first."""
    import igl

    loops = [np.asarray(loop, dtype=np.int64) for loop in igl.boundary_loop_all(mesh.faces)]
    return sorted(loops, key=lambda loop: (-len(loop), int(loop.min())))


def closed(mesh: TriangleMesh) -> TriangleMesh:
    """The mesh with every open rim closed by a fan to its middle; new vertices come last."""
    points, faces = [mesh.points_mm], [mesh.faces]
    count = len(mesh.points_mm)
    for loop in rims(mesh):
        points.append(mesh.points_mm[loop].mean(axis=0, keepdims=True))
        middle = np.full(len(loop), count)
        # The rim runs as its own triangles run; the fan's run the other way.
        faces.append(np.stack([np.roll(loop, -1), loop, middle], axis=1))
        count += 1
    return TriangleMesh(np.concatenate(points), np.concatenate(faces))


def solid_of(mesh: TriangleMesh, name: str) -> Any:
    """A closed mesh as a body of the boolean engine.

    Raises
    ------
    MeshError
        If the mesh is not the surface of a body.
    """
    import manifold3d

    corners = np.array(mesh.points_mm, order="C")  # the engine takes no read-only arrays
    triangles = np.array(mesh.faces, dtype=np.uint64, order="C")
    body = manifold3d.Manifold(manifold3d.Mesh64(corners, triangles))
    if body.status() != manifold3d.Error.NoError or body.is_empty():
        raise MeshError(
            f"{name} is not the surface of one body: triangles overlap or leave gaps.",
            next_step="Export the scan anew, with holes closed.",
        )
    return body


def mesh_of(body: Any) -> TriangleMesh:
    """The surface of a body of the boolean engine, without its shortest edges and its crumbs."""
    out = body.simplify(EVEN_MM).to_mesh64()
    points = np.array(out.vert_properties[:, :3])
    faces = np.array(out.tri_verts, dtype=np.int64)
    part = components(len(points), edge_pairs(faces))[faces[:, 0]]
    a, b, c = (points[faces[:, k]] for k in range(3))
    volume = np.bincount(part, np.einsum("ij,ij->i", a, np.cross(b, c)) / 6.0)
    kept = faces[np.abs(volume)[part] > _CRUMB_MM3]  # that of a hollow is negative
    return renumber_by_first_use(TriangleMesh(points, kept))


def enclosed_mm3(mesh: TriangleMesh) -> float:
    """Volume inside a closed mesh (divergence theorem)."""
    a, b, c = (mesh.points_mm[mesh.faces[:, k]] for k in range(3))
    return float(np.einsum("ij,ij->", a, np.cross(b, c)) / 6.0)


def edge_lengths_mm(mesh: TriangleMesh) -> Floats:
    """Length of every side of every triangle, shape (3 m,)."""
    corners = mesh.points_mm[mesh.faces]
    sides = corners - np.roll(corners, -1, axis=1)
    return np.asarray(np.linalg.norm(sides, axis=2).reshape(-1))
