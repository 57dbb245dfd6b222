"""What is held against the wax: a key plate for every unit, and a pin for every depth mark.

Notes
-----
A plate must go on from above and then touch the uncut wax. Choice: the plate of a section less all
that lies under its contour, so that it passes the widest place; below that it stands off, and says
nothing. Instead of: a closed ring, which goes on nowhere. Both are bodies of the boolean engine.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable
from typing import Any

import numpy as np

from veneercheck.core.errors import MeshError
from veneercheck.core.mesh.triangles import renumber_by_first_use
from veneercheck.core.plan.planned import Mark
from veneercheck.core.plan.solid import closed, solid_of
from veneercheck.core.types import Floats, SectionPlane, TriangleMesh

PLATE_MM = 2.0
"""Thickness of a plate: stiff in any printing resin."""

FRAME_MM = 4.0
"""A plate reaches this far beyond the contour."""

PLAY_MM = 0.05
"""Between plate and uncut wax: printers swell edges by about so much, our estimate."""

PIN_MM = 1.0
"""Diameter of a pin: a depth cutter's bur is 1 to 2 mm wide."""

_ABOVE_MM = 1.0
"""A pin stands so far out of the wax, so that it can be seen and held."""

_SWEEP_MM = 0.01
"""Steps of what is swept downward; its ridges are lower still, and the play is wider."""

_EVEN_MM = 0.002
_NOTCH_MM, _EVERY_MM = 0.8, 1.6
_PIN_SIDES = 24


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class KeyPlate:
    """A plate for one unit, laid flat: x across the bridge, y occlusal, z its thickness.

    Parameters
    ----------
    name : str
        Tooth code.
    body : TriangleMesh
        Closed. Notches in its upper edge count the units along the bridge.
    """

    name: str
    body: TriangleMesh


def key_plates(
    contour: TriangleMesh, planes: Iterable[SectionPlane], veneered: TriangleMesh
) -> tuple[KeyPlate, ...]:
    """One plate for every unit that is to be veneered.

    Parameters
    ----------
    contour : TriangleMesh
        The wax-up's outer side.
    planes : iterable of SectionPlane
        Those across units are taken.
    veneered : TriangleMesh
        What of it is to be veneered: a plate ends a little below that.

    Returns
    -------
    tuple of KeyPlate
        Empty where the contour is not the surface of a body once its rims are closed.
    """
    try:
        body = solid_of(closed(contour), "the wax-up")
    except MeshError:
        return ()
    found = []
    for number, plane in enumerate(one for one in planes if one.kind == "unit"):
        turn = _turn(plane)
        section = body.transform(turn).slice(0.0)
        near = _laid(turn, veneered.points_mm)
        near = near[np.abs(near[:, 2]) < PLATE_MM]
        if section.is_empty() or not len(near):
            continue
        plate = _plate(section, float(near[:, 1].min()), number + 1)
        found.append(KeyPlate(plane.name, _mesh(plate.extrude(PLATE_MM))))
    return tuple(found)


def pins(contour: TriangleMesh, normals: Floats, marks: Iterable[Mark]) -> TriangleMesh:
    """A pin at every mark, square to the surface and as deep as the cut; a closed body each.

    Parameters
    ----------
    contour : TriangleMesh
    normals : ndarray, shape (n, 3)
        Of its vertices, outward.
    marks : iterable of Mark
        Each on a vertex.
    """
    import manifold3d
    from scipy.spatial import cKDTree

    tree = cKDTree(contour.points_mm)
    found = []
    for mark in marks:
        if not np.isfinite(mark.square_mm):
            continue
        at = np.array(mark.at_mm)
        out = normals[int(tree.query(at)[1])]
        length = mark.square_mm + _ABOVE_MM
        pin = manifold3d.Manifold.cylinder(length, 0.5 * PIN_MM, circular_segments=_PIN_SIDES)
        found.append(pin.transform(_upright(at - mark.square_mm * out, out)))
    if not found:
        return TriangleMesh(np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int64))
    return _mesh(manifold3d.Manifold.batch_boolean(found, manifold3d.OpType.Add))


def _turn(plane: SectionPlane) -> Floats:
    """Into the drawing of a section, shape (3, 4): right, up, towards who looks."""
    right, up = np.array(plane.across), np.array(plane.above)
    axes = np.stack([right, up, np.cross(right, up)])
    return np.column_stack([axes, -axes @ np.array(plane.path_mm[0])])


def _laid(turn: Floats, points_mm: Floats) -> Floats:
    return np.asarray(points_mm @ turn[:, :3].T + turn[:, 3])


def _upright(foot: Floats, out: Floats) -> Floats:
    """From the z axis to a direction at a foot, shape (3, 4)."""
    first = np.cross(out, np.eye(3)[int(np.abs(out).argmin())])
    first /= np.linalg.norm(first)
    return np.column_stack([first, np.cross(out, first), out, foot])


def _plate(section: Any, lowest_mm: float, notches: int) -> Any:
    """The plate of a section, with its notches."""
    import manifold3d

    box = manifold3d.CrossSection.square
    left, bottom, right, top = section.bounds()
    low = max(lowest_mm - FRAME_MM, bottom + PLAY_MM)
    size = (right - left + 2 * FRAME_MM, top - low + FRAME_MM)
    plate = box(size).translate((left - FRAME_MM, low))
    plate = plate - _swept_down(section.offset(PLAY_MM), top - bottom)
    for place in range(notches):
        at = left - 0.5 * FRAME_MM + place * _EVERY_MM
        plate = plate - box((_NOTCH_MM, 2 * _NOTCH_MM)).translate((at, top + FRAME_MM - _NOTCH_MM))
    # What the sweep leaves between two roots hangs on nothing: the frame is the largest part.
    return max(plate.decompose(), key=lambda part: part.area())


def _swept_down(section: Any, way_mm: float) -> Any:
    """A section and all that lies under it within a way: each step doubles what is swept."""
    step = _SWEEP_MM
    while step < 2.0 * way_mm:
        section = (section + section.translate((0.0, -step))).simplify(_EVEN_MM)
        step *= 2.0
    return section


def _mesh(body: Any) -> TriangleMesh:
    out = body.to_mesh64()
    points, faces = np.array(out.vert_properties[:, :3]), np.array(out.tri_verts, dtype=np.int64)
    return renumber_by_first_use(TriangleMesh(points, faces))
