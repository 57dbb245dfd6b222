"""What is never veneered, whatever lies round it: the inside of a retainer, what a unit stands on.

Notes
-----
A wax-up that is closed below an open retainer gives its roof a contour that faces the same way, as
far off as the roof is high. Choice: what lies deeper than any veneer, on the back of thin metal, is
inside where it hangs together with walls that face the contour's other way, or meet none.
Instead of: depth alone, by which a thin wing's veneer that is too thick would be no veneer. Cost:
a roof whose walls were not scanned counts as veneer, and so does one no deeper than veneer may be.

Where both scans show the inside, it touches as what was left uncut does. Of a bridge veneered all
round the second retainer's was asked about as a metal stop of 94 mm², since one cut area encloses
it, and on a crown's inside a step that the scans rendered 0.1 mm apart was firm over contour.
Choice: walls that face each other, on the back of thin metal whose other side was cut, are inside,
and what lies on such a back beside them. Instead of: the largest uncut part of a body alone is no
stop; or no stop is so large, by which what was forgotten is not asked about. Cost: an inside whose
walls do not show, or whose metal is thicker, is still what was left uncut.

Relieved or blasted by 0.1 mm in one of the scans, an inside was cut surface, joined to the veneer
over a broken rim: «too thin −0.10 mm over 44 mm²», firmly. Choice: what is as shallow as a run-out,
on the back of what was cut deep, is inside where its walls face each other, and so is what lies
nearer to that than to any deep cut. Cost: relieved by 0.3 mm it counts as cut.

Behind a connector or a wall that was broken through no thin metal lies, and a crease there was firm
over contour. Choice: what faces a wall, and borders on an inside for the most, is inside as well.
Instead of: all that faces one beside an inside, by which collars in an embrasure would be.
Cost: what stands out there is no longer told.

Of a bridge closed below and veneered all round every unit but one was asked about a metal stop of
55 to 100 mm², which was its foot, and the veneer ran out there as beside a stop. Choice: what faces
away from the bite and is larger than any stop is none. Instead of: any size alone, as above. Cost:
where occlusal is not known it is still asked; an underside that was forgotten is asked about where
the case says that it is veneered.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from veneercheck.core.measure.space import Reading
from veneercheck.core.mesh.pieces import grown, large_parts
from veneercheck.core.mesh.triangles import components, reach_along_edges, row_dot
from veneercheck.core.types import Bools, Floats, Ints, RayOutcome, Region

LEAST_FITTING_MM2 = 4.0
"""Less than this seen across a groove is the groove's own wall, not the inside of a retainer."""

_THIN_METAL_MM = 2.0
"""So thin metal is a retainer's; a pontic is solid."""

_RELIEVED_METAL_MM = 4.0
"""Towards a cusp a retainer is thicker; no pontic that was cut all round is so thin."""

_HOLLOW_MM = 12.0
"""No retainer is wider inside; common practice, no source."""

_MOSTLY = 0.6
"""Of its border a part of an inside meets so much of it; beside a collar it is less than half."""

_LARGEST_STOP_MM2 = 10.0
"""Stops are 1 to 3 mm across; common practice, no source."""

_AGAINST_COS = -0.5
"""Surface that faces the contour's other way, within 60°, is the inside of what carries veneer."""


def insides(reading: Reading, *, seen: Bools, veneer_mm: float) -> Bools:
    """Vertices inside retainers though rays from there may meet contour, shape (n,).

    Parameters
    ----------
    seen : ndarray of bool, shape (n,)
        Has contour of its own.
    veneer_mm : float
        No veneer is meant to be thicker.
    """
    space, edges = reading.space, reading.edges
    back = _behind(reading, seen)
    against = reading.agreement < _AGAINST_COS
    bare = against | (back & (space.outcome == RayOutcome.MISS))
    found = large_parts(bare, edges, space.area_mm2, LEAST_FITTING_MM2)
    # Past a retainer's short side its inside meets another wall's contour; or a closed wax-up's.
    deep = space.nearest_mm > veneer_mm
    found = grown(found, bare | (back & deep), edges)
    # Crumbs of it whose other side saw no contour; an outside round a sharp rim is larger.
    left = _behind(reading, np.ones(len(seen), dtype=bool)) & deep & ~found
    left &= ~large_parts(left, edges, space.area_mm2, LEAST_FITTING_MM2)
    return grown(found, left, edges)


def shown_by_both(reading: Reading, code: Ints, shallow: Bools) -> Bools:
    """Vertices inside retainers that lie on the wax-up's own inside, or nearly so, shape (n,).

    Parameters
    ----------
    code : ndarray of int64, shape (n,)
        `Region` of every vertex so far.
    shallow : ndarray of bool, shape (n,)
        Lies no deeper than a run-out, or an inside that was relieved.
    """
    # From one side of a margin to the other, be it a knife's edge, nothing goes on.
    a, b = reading.normals[reading.edges.T]
    edges = reading.edges[row_dot(a, b) > 0.0]
    opposed = reading.across_mm < _HOLLOW_MM
    relieved = _relieved(reading, code, shallow, opposed, edges)
    bare = np.isin(code, (Region.UNCUT, Region.UNSORTED))
    back, cut = _behind(reading, np.ones(len(code), dtype=bool)), code == Region.CUT
    of_the_cut = bare & back & (cut & ~relieved)[reading.other_side]
    facing = bare & back & opposed
    walls = of_the_cut & facing
    found = large_parts(walls, edges, reading.space.area_mm2, LEAST_FITTING_MM2)
    found = grown(found | relieved, of_the_cut | facing, edges)
    inside = found | (code == Region.FITTING_SURFACE)
    return found | _bordered(bare & ~inside & opposed, inside, edges, reading.edges)


def _relieved(reading: Reading, code: Ints, shallow: Bools, opposed: Bools, edges: Ints) -> Bools:
    """Cut vertices inside retainers, no deeper than a run-out is, shape (n,)."""
    cut, area_mm2 = code == Region.CUT, reading.space.area_mm2
    back = cut & shallow & _behind(reading, cut & ~shallow, _RELIEVED_METAL_MM)
    found = large_parts(back & opposed, edges, area_mm2, LEAST_FITTING_MM2)
    if not found.any():
        return found
    found = grown(found, back, edges) | (code == Region.FITTING_SURFACE)
    deep = large_parts(cut & ~shallow, edges, area_mm2, LEAST_FITTING_MM2)
    to_it, to_the_veneer = (
        reach_along_edges(reading.points_mm, reading.edges, part, _HOLLOW_MM)
        for part in (found, deep)
    )
    return np.asarray(cut & (to_it < to_the_veneer))


def undersides(islands: Sequence[Ints], reading: Reading, occlusal: Floats) -> Bools:
    """Vertices of islands on which a unit stands, or that lie on the gum, shape (n,); none where
    `occlusal`, shape (3,), is not known."""
    found = np.zeros(len(reading.points_mm), dtype=bool)
    for island in islands:
        area_mm2 = reading.space.area_mm2[island]
        way = area_mm2 @ reading.normals[island]
        down = way @ occlusal < _AGAINST_COS * np.linalg.norm(way)
        found[island] = down and area_mm2.sum() > _LARGEST_STOP_MM2
    return found


def _bordered(mask: Bools, inside: Bools, edges: Ints, all_edges: Ints) -> Bools:
    """Parts of a mask, by `edges`, whose border is an inside for the most, shape (n,)."""
    label = components(len(mask), edges[mask[edges].all(axis=1)])
    both = np.concatenate([all_edges, all_edges[:, ::-1]])
    leaving = both[mask[both[:, 0]] & ~mask[both[:, 1]]]
    border, on_inside = (
        np.bincount(label[leaving[some, 0]], minlength=len(mask))
        for some in (slice(None), inside[leaving[:, 1]])
    )
    return np.asarray(mask & (on_inside > _MOSTLY * border)[label])


def _behind(reading: Reading, seen: Bools, most_mm: float = _THIN_METAL_MM) -> Bools:
    """Vertices on the back of metal no thicker whose other side is `seen`, shape (n,)."""
    other = reading.other_side
    against = np.einsum("ij,ij->i", reading.normals, reading.normals[other]) < _AGAINST_COS
    thin = (other >= 0) & (reading.space.metal_mm <= most_mm)
    return np.asarray(thin & against & seen[other])
