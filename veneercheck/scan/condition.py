"""The condition of a scan: what is put right, what is only told."""

from __future__ import annotations

import dataclasses

import numpy as np

from veneercheck.core.errors import ScanError
from veneercheck.core.types import Bools, Fault, Floats, Ints, TriangleMesh
from veneercheck.scan.crossings import folded_crossings
from veneercheck.scan.flat import closing_base, filled_flat, without_noise
from veneercheck.scan.layers import doubled_patches, inner_sheets
from veneercheck.scan.noise import looked_at
from veneercheck.scan.orientation import Turning, set_right, turned
from veneercheck.scan.repair import (
    close_cracks,
    counted,
    drop_degenerate,
    drop_duplicates,
    drop_fragments,
    middle,
    told_cracks,
)
from veneercheck.scan.shape import Shape, shape_of
from veneercheck.scan.surface import look_over
from veneercheck.scan.topology import Rims, Sides, parts_of, rims_of, sides_of

_FLAT = 1e-9
"""Area over the square of the longest side that is nothing but rounding."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Condition:
    """A scan that can be measured, and everything that was found on the way.

    Parameters
    ----------
    origin : ndarray of int64, shape (n,)
        For each vertex its index before.
    filled : ndarray of bool, shape (n,), or None
    """

    mesh: TriangleMesh
    origin: Ints
    area_mm2: float
    noise_mm: float
    filled: Bools | None
    faults: tuple[Fault, ...]


@dataclasses.dataclass(slots=True, eq=False)
class _Bench:
    """The scan while it is worked on."""

    mesh: TriangleMesh
    sides: Sides
    faults: list[Fault]

    def keep(self, faces: Ints) -> None:
        self.mesh = TriangleMesh(self.mesh.points_mm, faces)
        self.sides = sides_of(self.mesh)


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
    bench = _start(points, faces, name)
    _close_cracks(bench)
    shape = shape_of(bench.mesh)
    if not shape.area_mm2.sum() > 0:
        raise _without_area(name)
    part, shape = _drop_fragments(bench, shape)
    rims = rims_of(bench.mesh, bench.sides)
    turning = set_right(bench.mesh, bench.sides, rims, part, shape, declared=declared)
    bench.faults += turning.faults
    if turning.turn is not None:
        bench.mesh = turned(bench.mesh, turning.turn)
        shape = shape_of(bench.mesh)
    part, shape, rims = _without_sheets(bench, part, shape, rims, turning)
    places = looked_at(bench.mesh, bench.sides)
    flat = without_noise(bench.mesh, bench.sides, shape, places)
    if flat is not None:
        base, told = closing_base(bench.mesh, shape, places, flat)
        if told:
            bench.faults += told
            bench.keep(bench.mesh.faces[~base])
            part, shape = _drop_fragments(bench, shape.of(~base))
            rims, places = rims_of(bench.mesh, bench.sides), looked_at(bench.mesh, bench.sides)
            flat = without_noise(bench.mesh, bench.sides, shape, places)
    bench.faults += doubled_patches(bench.mesh, bench.sides, part, shape)
    bench.faults += _told_borders(bench.mesh, bench.sides, rims)
    bench.faults += _told_needles(bench.mesh, shape)
    look = look_over(bench.mesh, bench.sides, shape)
    bench.faults += look.faults
    bench.faults += folded_crossings(bench.mesh, bench.sides, shape)
    silent = None
    if flat is not None:
        silent, told = filled_flat(bench.mesh, shape, places, flat)
        bench.faults += told
    mesh, origin = _renumbered(bench.mesh)
    filled = _either(look.filled, silent)
    filled = None if filled is None else filled[origin]
    area = float(shape.area_mm2.sum())
    return Condition(mesh, origin, area, places.usual_mm, filled, tuple(bench.faults))


def _either(one: Bools | None, other: Bools | None) -> Bools | None:
    return one if other is None else other if one is None else one | other


def _without_area(name: str) -> ScanError:
    return ScanError(
        "none of its triangles has an area.", where=name, next_step="Export the scan again."
    )


def _start(points: Floats, faces: Ints, name: str) -> _Bench:
    fix = drop_degenerate(points, faces)
    faces = faces if fix.keep is None else faces[fix.keep]
    if not len(faces):
        raise _without_area(name)
    mesh = TriangleMesh(points, faces)
    bench = _Bench(mesh, sides_of(mesh), list(fix.faults))
    _drop_crowded(bench)
    return bench


def _drop_crowded(bench: _Bench) -> None:
    """A doubled triangle crowds its edges: only then are all compared."""
    if (bench.sides.uses > 2).any():
        _drop_duplicates(bench)


def _drop_duplicates(bench: _Bench) -> None:
    fix = drop_duplicates(bench.mesh.points_mm, bench.mesh.faces)
    bench.faults += fix.faults
    if fix.keep is not None:
        bench.keep(bench.mesh.faces[fix.keep])


def _close_cracks(bench: _Bench) -> None:
    border = bench.sides.border
    if not len(border):
        return
    ends = np.unique(np.concatenate([bench.sides.start[border], bench.sides.end[border]]))
    points = bench.mesh.points_mm
    takes_place = close_cracks(points, ends)
    if takes_place is None:
        return
    bench.faults.append(told_cracks(points, takes_place))
    faces = takes_place[bench.mesh.faces]
    fix = drop_degenerate(points, faces)
    bench.faults += fix.faults
    bench.keep(faces if fix.keep is None else faces[fix.keep])
    _drop_crowded(bench)


def _drop_fragments(bench: _Bench, shape: Shape) -> tuple[Ints, Shape]:
    part = parts_of(bench.mesh, bench.sides)
    if (np.bincount(part) == 2).any():  # two on their own may be one, twice: no edge is crowded
        _drop_duplicates(bench)
        part, shape = parts_of(bench.mesh, bench.sides), shape_of(bench.mesh)
    fix = drop_fragments(bench.mesh, part, shape.area_mm2)
    bench.faults += fix.faults
    if fix.keep is None:
        return part, shape
    bench.keep(bench.mesh.faces[fix.keep])
    return _relabelled(part[fix.keep]), shape.of(fix.keep)


def _without_sheets(
    bench: _Bench, part: Ints, shape: Shape, rims: Rims, turning: Turning
) -> tuple[Ints, Shape, Rims]:
    fix = inner_sheets(bench.mesh, bench.sides, part, shape, turning.scene)
    bench.faults += fix.faults
    if fix.keep is None:
        return part, shape, rims
    bench.keep(bench.mesh.faces[fix.keep])
    left = _relabelled(part[fix.keep])
    return left, shape.of(fix.keep), rims_of(bench.mesh, bench.sides)


def _relabelled(part: Ints) -> Ints:
    return np.unique(part, return_inverse=True)[1].reshape(-1).astype(np.int64)


def _told_borders(mesh: TriangleMesh, sides: Sides, rims: Rims) -> tuple[Fault, ...]:
    faults: list[Fault] = []
    crowded = sides.first[sides.uses > 2]
    if len(crowded):
        words = counted(
            len(crowded),
            "edge is shared by more than two triangles; left as it is.",
            "edges are shared by more than two triangles; left as they are.",
        )
        place = middle(mesh.points_mm[sides.start[crowded]])
        faults.append(Fault.of("nonmanifold_edges", len(crowded), words, place))
    count = len(rims.length_mm)
    if count:
        longest = int(rims.length_mm.argmax())
        tail = ", the longest {longest:.1f} mm round; left open."
        words = counted(count, "open rim", "open rims") + tail
        place, length = _triple_of(rims.centre_mm[longest]), float(rims.length_mm[longest])
        faults.append(Fault.of("holes", count, words, place, longest=length))
    return tuple(faults)


def _told_needles(mesh: TriangleMesh, shape: Shape) -> list[Fault]:
    """Triangles whose corners stand in line: taking them out would tear the surface."""
    flat = shape.area_mm2 <= _FLAT * shape.longest_mm**2
    count = int(flat.sum())
    if not count:
        return []
    words = "{count:,} triangles have no area though their corners differ; left as they are."
    return [Fault.of("needle_triangles", count, words, middle(mesh.points_mm[mesh.faces[flat, 0]]))]


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
