"""Closed bodies: rims closed flat, bodies taken from one another, all checked."""

from __future__ import annotations

from typing import Any

import numpy as np

from veneercheck.core.errors import MeshError, Told
from veneercheck.core.mesh.triangles import (
    all_in,
    components,
    edge_pairs,
    face_areas,
    face_normals,
    renumber_by_first_use,
    row_dot,
    select_faces,
)
from veneercheck.core.types import Bools, Floats, Ints, TriangleMesh

EVEN_MM = 0.002
"""A fifth of the scan noise of a good laboratory scanner."""

_BASE_MM = 0.5
"""The base lies so far below the rim: rims of hollows that end there stay clear of it."""

_HOLLOW, _LEAST_INSIDE_MM2 = 0.02, 4.0
"""An inside of a retainer is hollow by more than this share of its area to the power of 3/2."""

_CRUMB_MM3 = 0.5
"""A loose piece of metal so small is none."""


def rims(mesh: TriangleMesh) -> list[Ints]:
    """The vertices along every open rim, in order, longest first."""
    import igl

    loops = [np.asarray(loop, dtype=np.int64) for loop in igl.boundary_loop_all(mesh.faces)]
    return sorted(loops, key=lambda loop: (-len(loop), int(loop.min())))


def closed(mesh: TriangleMesh) -> TriangleMesh:
    """The mesh with every open rim closed; new vertices come last.

    The longest rim, where a scan ends on the model, gets a flat base; any other a fan.
    """
    points, faces = [mesh.points_mm], [mesh.faces]
    count = len(mesh.points_mm)
    for number, loop in enumerate(rims(mesh)):
        close = _with_base if number == 0 else _with_fan
        more, lids = close(mesh.points_mm[loop], loop, count)
        points.append(more)
        faces.append(lids)
        count += len(more)
    return TriangleMesh(np.concatenate(points), np.concatenate(faces))


def _with_fan(rim_mm: Floats, loop: Ints, count: int) -> tuple[Floats, Ints]:
    middle = np.full(len(loop), count)
    # The rim runs as its own triangles run; the lid's run the other way.
    return rim_mm.mean(axis=0, keepdims=True), np.stack([np.roll(loop, -1), loop, middle], axis=1)


def _with_base(rim_mm: Floats, loop: Ints, count: int) -> tuple[Floats, Ints]:
    """Walls straight down from a rim to a plane, and a floor in it."""
    import manifold3d

    down = -0.5 * np.cross(rim_mm, np.roll(rim_mm, -1, axis=0)).sum(axis=0)
    down /= np.linalg.norm(down)
    level = float((rim_mm @ down).max()) + _BASE_MM
    floor = rim_mm + (level - rim_mm @ down)[:, None] * down
    first = np.cross(down, np.eye(3)[int(np.abs(down).argmin())])
    first /= np.linalg.norm(first)
    # Seen along the way down, so that the reversed rim runs anticlockwise as a floor's does.
    flat = np.stack([floor @ first, floor @ np.cross(down, first)], axis=1)
    below = count + np.arange(len(loop))
    lid = below[::-1][manifold3d.triangulate([flat[::-1]])]
    after, after_below = np.roll(loop, -1), np.roll(below, -1)
    walls = [np.stack([after, loop, below], axis=1), np.stack([after, below, after_below], axis=1)]
    return floor, np.concatenate([*walls, lid])


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
            Told(
                "{name} is not the surface of one body: triangles overlap or leave gaps.", name=name
            ),
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


def insides(fine: TriangleMesh, hollow: Bools) -> TriangleMesh:
    """The insides of retainers as a die would have them: seen from the metal.

    What bulges outward, or lies flat, is the underside of a closed wax-up, not an inside
    (divergence theorem about the middle of each part: positive on a ball, 0 on a flat base, −0.3
    times the area to the power of 3/2 in half a hollow ball); a crumb is none either. A wing that
    is hollow by less than a twentieth of its width is lost with them.
    """
    own, _ = select_faces(fine, all_in(hollow, fine.faces))
    part = components(len(own.points_mm), edge_pairs(own.faces))[own.faces[:, 0]]
    size, middles = face_areas(own), own.points_mm[own.faces].mean(axis=1)
    whole = np.maximum(np.bincount(part, size), np.finfo(float).tiny)
    centre = np.stack([np.bincount(part, size * axis) for axis in middles.T], axis=1)
    off = middles - (centre / whole[:, None])[part]
    bulge = np.bincount(part, size * row_dot(off, face_normals(own)))
    deep = (bulge < -_HOLLOW * whole**1.5) & (whole >= _LEAST_INSIDE_MM2)
    own, _ = select_faces(own, deep[part])
    return TriangleMesh(own.points_mm, own.faces[:, ::-1])
