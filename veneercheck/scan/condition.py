"""The condition of a scan: what is put right, what is only told."""

from __future__ import annotations

import dataclasses

import numpy as np

from veneercheck.core.errors import ScanError
from veneercheck.core.mesh import face_areas
from veneercheck.core.types import Fault, Floats, Ints, TriangleMesh
from veneercheck.scan import repair
from veneercheck.scan.orientation import set_right, turned
from veneercheck.scan.repair import Fix, middle
from veneercheck.scan.topology import Rims, Sides, parts_of, rims_of, sides_of


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Condition:
    """A scan that can be measured, and everything that was found on the way.

    Parameters
    ----------
    mesh : TriangleMesh
    origin : ndarray of int64, shape (n,)
        For each vertex its index before.
    area_mm2 : float
    faults : tuple of Fault
    """

    mesh: TriangleMesh
    origin: Ints
    area_mm2: float
    faults: tuple[Fault, ...]


def put_right(points: Floats, faces: Ints, name: str, *, declared: bool) -> Condition:
    """Put a merged surface right and tell what was wrong with it.

    Parameters
    ----------
    points : ndarray, shape (n, 3), mm
        No two alike.
    faces : ndarray of int64, shape (m, 3)
    name : str
        The scan, for refusals.
    declared : bool
        Its orientation is declared and nothing is turned by guess.

    Raises
    ------
    ScanError
        If no surface is left.
    """
    faces, faults = _sound_triangles(points, faces)
    if not len(faces):
        raise ScanError(
            "none of its triangles has an area.", where=name, next_step="Export the scan again."
        )
    mesh = TriangleMesh(points, faces)
    sides = sides_of(mesh)
    mesh, sides, faults = _without_cracks(mesh, sides, faults)
    area = face_areas(mesh)
    if not area.sum() > 0:
        raise ScanError(
            "none of its triangles has an area.", where=name, next_step="Export the scan again."
        )
    part = parts_of(mesh, sides)
    fix = repair.drop_fragments(mesh, part, area)
    faults += fix.faults
    if fix.keep is not None:
        mesh = TriangleMesh(mesh.points_mm, mesh.faces[fix.keep])
        area, part = area[fix.keep], _relabelled(part[fix.keep])
        sides = sides_of(mesh)
    rims = rims_of(mesh, sides)
    turning = set_right(mesh, sides, rims, part, area, declared=declared)
    faults += turning.faults
    if turning.turn is not None:
        mesh = turned(mesh, turning.turn)
    faults += _told_borders(mesh, sides, rims)
    mesh, origin = _renumbered(mesh)
    return Condition(mesh, origin, float(area.sum()), faults)


def _sound_triangles(points: Floats, faces: Ints) -> tuple[Ints, tuple[Fault, ...]]:
    faults: tuple[Fault, ...] = ()
    for find in (repair.drop_degenerate, repair.drop_duplicates):
        fix: Fix = find(points, faces)
        faces = faces if fix.keep is None else faces[fix.keep]
        faults += fix.faults
    return faces, faults


def _without_cracks(
    mesh: TriangleMesh, sides: Sides, faults: tuple[Fault, ...]
) -> tuple[TriangleMesh, Sides, tuple[Fault, ...]]:
    border = sides.border
    if not len(border):
        return mesh, sides, faults
    ends = np.unique(np.concatenate([sides.start[border], sides.end[border]]))
    takes_place = repair.close_cracks(mesh.points_mm, ends)
    if takes_place is None:
        return mesh, sides, faults
    told = repair.told_cracks(mesh.points_mm, takes_place)
    faces, more = _sound_triangles(mesh.points_mm, takes_place[mesh.faces])
    joined = TriangleMesh(mesh.points_mm, faces)
    return joined, sides_of(joined), (*faults, told, *more)


def _relabelled(part: Ints) -> Ints:
    return np.unique(part, return_inverse=True)[1].reshape(-1).astype(np.int64)


def _told_borders(mesh: TriangleMesh, sides: Sides, rims: Rims) -> tuple[Fault, ...]:
    faults: list[Fault] = []
    crowded = sides.first[sides.uses > 2]
    if len(crowded):
        words = f"{len(crowded):,} edges are shared by more than two triangles; left as they are."
        place = middle(mesh.points_mm[sides.start[crowded]])
        faults.append(Fault("nonmanifold_edges", len(crowded), words, place))
    count = len(rims.length_mm)
    if count:
        longest = int(rims.length_mm.argmax())
        words = (
            f"{count:,} open {'rim' if count == 1 else 'rims'}, the longest "
            f"{rims.length_mm[longest]:.1f} mm round; left open."
        )
        faults.append(Fault("holes", count, words, _triple_of(rims.centre_mm[longest])))
    return tuple(faults)


def _triple_of(place: Floats) -> tuple[float, float, float]:
    x, y, z = place.tolist()
    return (x, y, z)


def _renumbered(mesh: TriangleMesh) -> tuple[TriangleMesh, Ints]:
    """Vertices in the order of their first use, unused ones dropped."""
    flat = mesh.faces.reshape(-1)
    first = np.full(len(mesh.points_mm), len(flat), dtype=np.int64)
    first[flat[::-1]] = np.arange(len(flat) - 1, -1, -1)
    origin = np.argsort(first, kind="stable")[: int((first < len(flat)).sum())]
    number = np.empty(len(first), dtype=np.int64)
    number[origin] = np.arange(len(origin))
    return TriangleMesh(mesh.points_mm[origin], number[mesh.faces]), origin
