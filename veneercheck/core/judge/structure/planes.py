"""Where sections are drawn: across each unit, and along the bridge's own curved axis."""

from __future__ import annotations

import dataclasses

import numpy as np

from veneercheck.core.divide.anatomy import Places
from veneercheck.core.divide.anatomy.arch import NODE_MM, Axis, axis_through
from veneercheck.core.divide.anatomy.codes import is_upper, side_of
from veneercheck.core.mesh.sections import Plane
from veneercheck.core.mesh.triangles import unit
from veneercheck.core.types import Floats, SectionPlane

_BEYOND_MM = 1.5
"""The curtain along the bridge shows this much of what stands before and behind it."""


def upright(axis: Axis, along_mm: float, height_mm: float, turned: float = 0.0) -> Plane:
    """The upright plane across a bridge's axis, its left side on the left of the drawing.

    Parameters
    ----------
    axis : Axis
    along_mm, height_mm : float
        Arc length at which it stands, and height of its origin.
    turned : float
        By how much it is turned about the upright, in radians.
    """
    place = np.append(axis.node_at(along_mm), height_mm) @ axis.plane
    along, up = axis.tangent_at(along_mm), axis.plane[2]
    across = np.cross(along, up)
    return Plane(place, np.cos(turned) * across + np.sin(turned) * along, up)


def section_planes(where: Places, height_mm: float) -> tuple[SectionPlane, ...]:
    """The sections across every unit's middle, and the one along the axis.

    Parameters
    ----------
    where : Places
    height_mm : float
        About the middle of the crowns, along the occlusal direction.

    Returns
    -------
    tuple of SectionPlane
        Empty where no teeth are known.
    """
    if where.teeth is None:
        return ()
    axis = where.teeth.axis
    begins, ends = where.teeth.ends_mm()
    across = [
        _described("unit", name, upright(axis, 0.5 * (a + b), height_mm), where)
        for name, a, b in zip(where.teeth.names, begins, ends, strict=True)
    ]
    return (*across, _along(axis, height_mm, where))


def laid_out(section: SectionPlane, points_mm: Floats) -> tuple[Floats, Floats]:
    """Distance of points from a section's plane or curtain, and their place in its drawing.

    Parameters
    ----------
    section : SectionPlane
    points_mm : ndarray, shape (n, 3)

    Returns
    -------
    offset : ndarray, shape (n,), mm
    flat : ndarray, shape (n, 2), mm
        Along the axis, its arc length takes the place of the straight distance.
    """
    path, above = np.array(section.path_mm), np.array(section.above)
    if len(path) == 1:
        plane = Plane(path[0], np.array(section.across), above)
        return plane.offset(points_mm), plane.flat(points_mm)
    axis = axis_through(path, above)
    located = axis.locate(points_mm)
    return -located[:, 1], located[:, [0, 2]] - [0.0, path[0] @ above]


def _along(axis: Axis, height_mm: float, where: Places) -> SectionPlane:
    """The curtain along the axis, over its crowns and a little beyond."""
    low, high = axis.ends_mm
    steps = np.arange(low - _BEYOND_MM, high + _BEYOND_MM, NODE_MM)
    nodes = np.stack([axis.node_at(step) for step in steps])
    path = np.column_stack([nodes, np.full(len(nodes), height_mm)]) @ axis.plane
    first = unit((path[1] - path[0])[None])[0]
    middle = Plane(path[len(path) // 2], first, axis.plane[2])
    drawn = _described("along", "", middle, where)
    return dataclasses.replace(drawn, path_mm=tuple(_point(node) for node in path))


def _described(kind: str, name: str, plane: Plane, where: Places) -> SectionPlane:
    return SectionPlane(
        kind, name, _point(plane.across), _point(plane.above), (_point(plane.origin_mm),),
        _sides(plane, where),
    )  # fmt: skip


def _sides(plane: Plane, where: Places) -> tuple[str, str, str, str]:
    """What lies left, right, above and below, by the nearest of the bridge's own directions."""
    assert where.teeth is not None
    axis, occlusal = where.teeth.axis, where.occlusal
    place = axis.locate(plane.origin_mm[None])[:, 0]
    along, code = (
        axis.tangent_at(float(place[0])),
        where.teeth.codes[where.teeth.index_at(place)[0]],
    )
    left = np.cross(occlusal, along)
    ends = ("", "")
    if code:  # buccal on its left, the axis runs from the patient's −x side over the front
        ends = ("mesial", "distal") if side_of(code) < 0 else ("distal", "mesial")
    sides = ("buccal", "palatal" if code and is_upper(code) else "lingual")
    if where.teeth.lettered:
        sides, ends = ("side A", "side B"), ("end A", "end B")
    ways = np.stack([left, -left, along, -along, occlusal, -occlusal])
    names = (*sides, *ends, "occlusal", "basal")
    drawn = np.stack([-plane.across, plane.across, plane.above, -plane.above])
    west, east, north, south = (names[index] for index in (drawn @ ways.T).argmax(axis=1))
    return west, east, north, south


def _point(place: Floats) -> tuple[float, float, float]:
    x, y, z = (float(part) for part in place)
    return x, y, z
