"""Areas that a scanner's program filled flat: what was measured bears noise, what was made none.

Notes
-----
A hole that was filled flat stands out of a hollow, and lies under a crest, by 0.2 mm; where its
triangles are as fine as those round about, «take off 0.10 mm» was told of it firmly. Choice:
triangles that lie in one plane with those beside them, to a fiftieth of the scan's noise, were
seen by no scanner, where the rest of the scan bears noise everywhere. Instead of: long triangles
alone, which not every program fills with; or a larger uncertainty everywhere. Cost: what is filled
after the curve of its rim is not seen; where noise is not even (a scan that was smoothed, thinned
or drawn), or much of it is flat, nothing is told.

Where a program closed a scan below, it did so at a height of its own. By such a base 0.5 mm higher
in one of two scans the fit was torn, and 390 mm² were over contour. Choice: what is flat so, and
larger than a hole in a veneer, with all of the scan on one side, is taken off with the walls round
it, of which every triangle lies in one plane with another. Instead of: to ask for open scans, which
not every program writes. Cost: a base that was rounded, or bears noise, is taken for scanned.
"""

from __future__ import annotations

import dataclasses

import numpy as np

from veneercheck.core.mesh.denoise import NEGLIGIBLE_MM
from veneercheck.core.mesh.pieces import grown
from veneercheck.core.mesh.triangles import any_in, components, row_dot, unit
from veneercheck.core.types import Bools, Fault, Floats, Ints, TriangleMesh
from veneercheck.scan.noise import Places
from veneercheck.scan.repair import counted, middle
from veneercheck.scan.shape import Shape
from veneercheck.scan.surface import FILLED_MOST_MM2
from veneercheck.scan.topology import Sides

_IN_PLANE = 0.02
"""Share of the noise: of noisy triangles one in a hundred lies so well in its neighbour's plane."""

_IN_WALL = 0.2
"""Of a wall drawn from a noisy rim to a base; of noisy triangles one in five lies so well in the
plane of one beside it, too few to hang together."""

_FEWEST = 6
"""As many as usually meet at a vertex: three or four lie in one plane by chance in some scans."""

_LEAST_MM2 = 0.1
"""Less moves no mean over a spot."""

_SILENT, _SILENT_SHARE = 0.2, 0.01
"""Noise is even where no more places than this share bear less than that share of the usual: of
noise that was measured it is under 0.1 %, of a drawn or smoothed surface's detail 4 to 39 %."""

_MOST_SHARE = 0.1
"""Of a scan; where more of it is flat its triangles were divided, or it was drawn."""

_BEYOND_MM = 0.05
"""So far may a scan's noise reach beyond the plane that closes it below."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Flat:
    """What of a scan lies in one plane without its noise.

    Parameters
    ----------
    pairs : ndarray of int64, shape (k, 2)
        The two triangles on each side that is shared.
    patch : ndarray of int64, shape (m,)
        Of every triangle: which hang together so.
    silent : ndarray of bool, shape (m,)
        Lies nearly so with one beside it, as in a wall that a program drew down from a rim.
    large : ndarray of bool
        Of every patch: no scan bears one so large by chance.
    """

    pairs: Ints
    patch: Ints
    silent: Bools
    large: Bools


def without_noise(mesh: TriangleMesh, sides: Sides, shape: Shape, places: Places) -> Flat | None:
    """What lies in one plane without the noise of the scan; None where that bears none."""
    if not places.usual_mm > NEGLIGIBLE_MM:
        return None
    off = _off_plane_mm(mesh, sides, shape) / places.usual_mm
    alike = off < _IN_PLANE
    pairs = np.stack([sides.triangle[sides.shared], sides.triangle[sides.shared + 1]], axis=1)
    silent = np.zeros(len(mesh.faces), dtype=bool)
    silent[pairs[off < _IN_WALL]] = True
    patch = components(len(mesh.faces), pairs[alike])
    around = any_in(_all_round(mesh, sides, alike), mesh.faces)
    large = np.bincount(patch, weights=shape.area_mm2) >= _LEAST_MM2
    large &= (np.bincount(patch) >= _FEWEST) & (np.bincount(patch, weights=around) > 0)
    return Flat(pairs, patch, silent, large)


def closing_base(
    mesh: TriangleMesh, shape: Shape, places: Places, flat: Flat
) -> tuple[Bools, list[Fault]]:
    """Triangles, shape (m,), with which a program closed a scan below; and their fault."""
    area = np.bincount(flat.patch, weights=shape.area_mm2)
    base = np.zeros(len(flat.patch), dtype=bool)
    for number in np.flatnonzero(area > FILLED_MOST_MM2):
        own = flat.patch == number
        outward = unit(shape.cross[own].sum(axis=0)[None])[0]
        height_mm = mesh.points_mm @ outward
        beyond_mm = height_mm[mesh.faces].max() - height_mm[mesh.faces[own]].mean()
        if outward.any() and beyond_mm <= _BEYOND_MM:
            base |= own
    if not base.any():
        return base, []
    base = grown(base, flat.silent, flat.pairs)
    if not _is_even(places, _corners(mesh, base | flat.large[flat.patch])):
        return np.zeros_like(base), []
    words = (
        "closed below by a program, over {area:.0f} mm² without the noise of the scan; that is "
        "left out."
    )
    place, area_mm2 = middle(mesh.points_mm[mesh.faces[base, 0]]), float(shape.area_mm2[base].sum())
    return base, [Fault.of("closed_below", 1, words, place, area=area_mm2)]


def _corners(mesh: TriangleMesh, faces: Bools) -> Bools:
    """The vertices of some triangles, shape (n,)."""
    found = np.zeros(len(mesh.points_mm), dtype=bool)
    found[mesh.faces[faces]] = True
    return found


def filled_flat(
    mesh: TriangleMesh, shape: Shape, places: Places, flat: Flat
) -> tuple[Bools | None, list[Fault]]:
    """Vertices of flat areas without noise, shape (n,), None if there are none; and their fault."""
    patch, large = flat.patch, flat.large
    area = np.bincount(patch, weights=shape.area_mm2)
    even = _is_even(places, _corners(mesh, large[patch]))
    if area[large].sum() > _MOST_SHARE * area.sum() or not even:
        return None, []
    large = large & (area <= FILLED_MOST_MM2)
    faces, count = large[patch], int(large.sum())
    if not count:
        return None, []
    found = _corners(mesh, faces)
    words = counted(
        count,
        "flat area without the noise of the scan, {area:.1f} mm² in all, looks filled in by the "
        "scanner; it is not measured.",
        "flat areas without the noise of the scan, {area:.1f} mm² in all, look filled in by the "
        "scanner; they are not measured.",
    )
    place, filled_mm2 = middle(mesh.points_mm[found]), float(shape.area_mm2[faces].sum())
    return found, [Fault.of("filled_flat", count, words, place, area=filled_mm2)]


def _all_round(mesh: TriangleMesh, sides: Sides, flat: Bools) -> Bools:
    """Vertices all round which triangles lie in one plane, shape (n,)."""
    rough = np.ones(len(sides.first), dtype=bool)
    rough[sides.uses == 2] = ~flat
    found = np.ones(len(mesh.points_mm), dtype=bool)
    found[sides.edges[rough]] = False
    return found


def _off_plane_mm(mesh: TriangleMesh, sides: Sides, shape: Shape) -> Floats:
    """How far either of two triangles on one side reaches out of the other's plane, mm."""
    at = sides.shared
    on = mesh.points_mm.take(sides.start[at], axis=0)
    ends = sides.start[at] + sides.end[at]
    corners = mesh.faces[:, 0] + mesh.faces[:, 1] + mesh.faces[:, 2]
    size = np.sqrt(row_dot(shape.cross, shape.cross))
    size[~(size > 0)] = np.inf
    off = np.zeros(len(at))
    for own, other in ((at, at + 1), (at + 1, at)):
        face = sides.triangle[own]
        tip = corners.take(sides.triangle[other]) - ends
        rise = mesh.points_mm.take(tip, axis=0) - on
        height = np.abs(row_dot(shape.cross.take(face, axis=0), rise))
        off = np.maximum(off, height / size.take(face))
    return off


def _is_even(places: Places, silent: Bools) -> bool:
    """Whether the scan bears noise everywhere but on what is flat."""
    noise_mm = places.noise_mm[~silent[places.vertices]]
    quiet = noise_mm < _SILENT * places.usual_mm
    return bool(len(quiet)) and float(quiet.mean()) <= _SILENT_SHARE
