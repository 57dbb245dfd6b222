"""What the surface itself gives away: coarse areas, spikes, areas filled in by the scanner."""

from __future__ import annotations

import dataclasses

import numpy as np

from veneercheck.core.mesh.triangles import components
from veneercheck.core.types import Bools, Fault, Floats, Ints, TriangleMesh
from veneercheck.scan.repair import counted, middle
from veneercheck.scan.shape import Shape
from veneercheck.scan.topology import Sides

COARSE_MM = 0.6
"""Side from which a triangle cuts off more than scanners err: its middle lies about
0.6²/(6·5) mm = 12 µm below a surface of 5 mm radius."""

_COARSE_MM2 = 1.0
"""A single long triangle at a rim is not worth a word."""

_SPIKE_MM = 0.15
"""Height from which a spike matters: a tenth of the space that is judged."""

_SPIKE_SIDES = 3.0
"""A spike's sides are this many times longer than the usual longest side of a triangle."""

_SPIKE_STEEPNESS = 0.7
"""Height over mean side: the half-angle at the tip is below 45°."""

_SPIKE_FOOT = 0.7
"""A spike stands on a small foot: all sides round it are shorter than its own. Round the corner of
a coarse plinth some are as long."""

_FILLED_SIDES = 3.0
"""Triangles of a filling are this many times longer than the usual side…"""

_FINE_SIDES = 2.0
"""…and border on triangles that are not even this."""

_FILLED_RIM = 0.5
"""Share of its rim that borders on fine triangles: elsewhere a mesh is graded, or ends."""

_FILLED_MM2 = 0.5
"""Smaller fillings lie within the smoothing of any scanner."""

FILLED_MOST_MM2 = 25.0
"""Larger ones are a plinth, or what closes a scan below: no hole within a veneer is so large."""

_UNEVEN_SHARE, _ROUND_MM = 0.03, 3.0
"""Where so much of a mesh so far round about is graded, or coarse beside what looks filled, it was
thinned: its smooth areas look as fillings do."""

_MOST_FILLED = 100
"""No scanner fills more holes; the largest are looked at."""

_FILLED_BEND = 0.8
"""Mean cosine between neighbours within a filling: spanned smooth, not a body's own edges."""

FAR_MM = 1000.0
"""From here on float32 coordinates, as STL stores them, step by more than 0.06 µm."""


_LOOKED_AT = 20_000
"""The median over so many is sure to one percent."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Look:
    """What was seen on the surface.

    Parameters
    ----------
    filled : ndarray of bool, shape (n,), or None
        Vertices of areas that look filled in; None if there are none.
    """

    filled: Bools | None
    faults: tuple[Fault, ...]


def look_over(mesh: TriangleMesh, sides: Sides, shape: Shape) -> Look:
    """Look for coarse areas, spikes, fillings and a far origin; nothing is changed."""
    usual = _usual_side(shape)
    filled, told = _filled(mesh, sides, shape, usual)
    faults = [*_far(mesh), *_coarse(mesh, shape), *_spikes(mesh, sides, shape, usual), *told]
    return Look(filled, tuple(faults))


def _usual_side(shape: Shape) -> float:
    """Median of the triangles' longest sides, of a large mesh over some of them, in mm."""
    step = max(1, len(shape.longest_mm) // _LOOKED_AT)
    return float(np.median(shape.longest_mm[::step]))


def _far(mesh: TriangleMesh) -> list[Fault]:
    reach = float(np.abs(mesh.points_mm).max())
    if reach < FAR_MM:
        return []
    step = float(np.spacing(np.float32(reach))) * 1000.0
    words = (
        "coordinates reach {reach:,.0f} mm from the origin, where single-precision files step "
        "by {step:.2g} µm; kept as they are."
    )
    place = middle(mesh.points_mm)
    return [Fault.of("far_from_origin", 1, words, place, reach=reach, step=step)]


def _coarse(mesh: TriangleMesh, shape: Shape) -> list[Fault]:
    coarse = shape.longest_mm > COARSE_MM
    if not coarse.any():
        return []
    area = float(shape.area_mm2[coarse].sum())
    if area < _COARSE_MM2:
        return []
    count = int(coarse.sum())
    words = (
        "{count:,} triangles have sides longer than {side:.1f} mm ({share:.0%} of the surface): "
        "detail between is not known."
    )
    place, share = middle(mesh.points_mm[mesh.faces[coarse, 0]]), area / float(shape.area_mm2.sum())
    return [Fault.of("coarse_areas", count, words, place, side=COARSE_MM, share=share)]


def _spikes(mesh: TriangleMesh, sides: Sides, shape: Shape, usual: float) -> list[Fault]:
    """Vertices whose every side is long and which stand far off their neighbours' mean."""
    least = max(_SPIKE_SIDES * usual, _SPIKE_MM)
    if not float(shape.longest_mm.max()) > least:
        return []
    edges = sides.edges
    span = mesh.points_mm[edges[:, 0]] - mesh.points_mm[edges[:, 1]]
    length = np.sqrt(np.einsum("ij,ij->i", span, span))
    long = length > least
    count = len(mesh.points_mm)
    all_long = np.zeros(count, dtype=bool)
    all_long[edges[long].reshape(-1)] = True
    all_long[edges[~long].reshape(-1)] = False
    tips = np.flatnonzero(all_long)
    if not len(tips):
        return []
    height, side = _stand_off(mesh, edges[long], length[long], tips)
    steep = (height > _SPIKE_MM) & (height > _SPIKE_STEEPNESS * side)
    steep &= _round_the_foot(mesh, tips) < _SPIKE_FOOT * side
    spikes, height = tips[steep], height[steep]
    if not len(spikes):
        return []
    words = counted(
        len(spikes),
        "spike {high:.2f} mm high; left as it is.",
        "spikes up to {high:.2f} mm high; left as they are.",
    )
    place = middle(mesh.points_mm[spikes])
    return [Fault.of("spikes", len(spikes), words, place, high=float(height.max()))]


def _round_the_foot(mesh: TriangleMesh, tips: Ints) -> Floats:
    """Longest side round each tip that does not touch it, in mm."""
    corner = mesh.faces.reshape(-1)
    one, other = mesh.faces[:, [1, 2, 0]].reshape(-1), mesh.faces[:, [2, 0, 1]].reshape(-1)
    at = np.flatnonzero(np.isin(corner, tips))
    gap = mesh.points_mm[one[at]] - mesh.points_mm[other[at]]
    length = np.sqrt(np.einsum("ij,ij->i", gap, gap))
    longest = np.zeros(len(mesh.points_mm))
    np.maximum.at(longest, corner[at], length)
    return longest[tips]


def _stand_off(
    mesh: TriangleMesh, edges: Ints, length: Floats, tips: Ints
) -> tuple[Floats, Floats]:
    """Distance of each tip from the mean of its neighbours, and its mean side, in mm."""
    one = np.concatenate([edges[:, 0], edges[:, 1]])
    other = np.concatenate([edges[:, 1], edges[:, 0]])
    count = len(mesh.points_mm)
    number = np.bincount(one, minlength=count)[tips]
    mean = np.stack(
        [
            np.bincount(one, weights=mesh.points_mm[other, axis], minlength=count)[tips] / number
            for axis in range(3)
        ],
        axis=1,
    )
    side = np.bincount(one, weights=np.tile(length, 2), minlength=count)[tips] / number
    return np.sqrt(((mesh.points_mm[tips] - mean) ** 2).sum(axis=1)), side


def _filled(
    mesh: TriangleMesh, sides: Sides, shape: Shape, usual: float
) -> tuple[Bools | None, list[Fault]]:
    """Patches of triangles far longer than those they border on, and smooth."""
    coarse = shape.longest_mm > _FILLED_SIDES * usual
    if not coarse.any() or float(shape.area_mm2[coarse].sum()) < _FILLED_MM2:
        return None, []
    one, other = sides.triangle[sides.shared], sides.triangle[sides.shared + 1]
    within = coarse[one] & coarse[other]
    patch = components(len(coarse), np.stack([one[within], other[within]], axis=1))
    count = int(patch.max()) + 1
    area = np.bincount(patch, weights=shape.area_mm2, minlength=count)
    chosen = (area >= _FILLED_MM2) & np.bincount(patch, weights=coarse, minlength=count).astype(
        bool
    )
    fine = shape.longest_mm < _FINE_SIDES * usual
    chosen &= _sharp_rim(mesh, sides, coarse, fine, patch) >= _FILLED_RIM
    chosen &= _bend(shape, patch, one[within], other[within], count) >= _FILLED_BEND
    faces = chosen[patch]
    chosen &= area <= FILLED_MOST_MM2
    asked = np.flatnonzero(chosen)
    asked = asked[np.argsort(-area[asked], kind="stable")]
    chosen[asked[_MOST_FILLED:]] = False
    corner, uneven = mesh.points_mm[mesh.faces[:, 0]], ~(fine | faces)
    for number in asked[:_MOST_FILLED].tolist():
        chosen[number] = not _in_uneven_mesh(corner, shape, patch == number, uneven)
    faces = chosen[patch]
    if not faces.any():
        return None, []
    filled = np.zeros(len(mesh.points_mm), dtype=bool)
    filled[mesh.faces[faces].reshape(-1)] = True
    patches = int(chosen.sum())
    words = (
        "{count:,} smooth, coarse areas in finer surroundings, {area:.1f} mm² in all, look filled "
        "in by the scanner; they are not measured."
    )
    place, filled_mm2 = middle(mesh.points_mm[filled]), float(shape.area_mm2[faces].sum())
    return filled, [Fault.of("filled_areas", patches, words, place, area=filled_mm2)]


def _in_uneven_mesh(corner: Floats, shape: Shape, one: Bools, uneven: Bools) -> bool:
    """Whether much of what lies round a patch is graded, or coarse too."""
    low, high = corner[one].min(axis=0) - _ROUND_MM, corner[one].max(axis=0) + _ROUND_MM
    near = ((corner > low) & (corner < high)).all(axis=1)
    area = float(shape.area_mm2[near].sum())
    return float(shape.area_mm2[near & uneven].sum()) > _UNEVEN_SHARE * area


def _sharp_rim(mesh: TriangleMesh, sides: Sides, coarse: Bools, fine: Bools, patch: Ints) -> Floats:
    """Share of each patch's rim, by length, beyond which the triangles are fine at once."""
    count = int(patch.max()) + 1
    one, other = sides.triangle[sides.shared], sides.triangle[sides.shared + 1]
    rim = coarse[one] != coarse[other]
    inner = np.where(coarse[one], one, other)[rim]
    outer = np.where(coarse[one], other, one)[rim]
    at = sides.shared[rim]
    length = _lengths(mesh, sides, at)
    border = sides.border[coarse[sides.triangle[sides.border]]]
    open_length = _lengths(mesh, sides, border)
    total = np.bincount(patch[inner], weights=length, minlength=count).astype(np.float64)
    total += np.bincount(patch[sides.triangle[border]], weights=open_length, minlength=count)
    sharp = np.bincount(patch[inner], weights=length * fine[outer], minlength=count)
    return np.asarray(sharp / np.where(total > 0, total, 1.0))


def _lengths(mesh: TriangleMesh, sides: Sides, at: Ints) -> Floats:
    span = mesh.points_mm[sides.start[at]] - mesh.points_mm[sides.end[at]]
    return np.asarray(np.sqrt(np.einsum("ij,ij->i", span, span)))


def _bend(shape: Shape, patch: Ints, one: Ints, other: Ints, count: int) -> Floats:
    """Mean cosine between neighbouring triangles of each patch; 1 for a single triangle."""
    scale = 4.0 * shape.area_mm2[one] * shape.area_mm2[other]
    dot = np.einsum("ij,ij->i", shape.cross[one], shape.cross[other])
    cosine = np.where(scale > 0, dot / np.where(scale > 0, scale, 1.0), 1.0)
    number = np.bincount(patch[one], minlength=count)
    total = np.bincount(patch[one], weights=cosine, minlength=count)
    return np.where(number > 0, total / np.maximum(number, 1), 1.0)
