"""What is put right before anything is measured: doubled triangles, cracks, floating crumbs."""

from __future__ import annotations

import dataclasses

import numpy as np

from veneercheck.core.mesh.triangles import components
from veneercheck.core.types import Bools, Fault, Floats, Ints, TriangleMesh

CRACK_MM = 1e-3
"""Border points nearer than this are one point, torn apart by rounding: a tenth of what the
finest laboratory scanner resolves, ten times what float32 rounds at 100 mm."""

FRAGMENT_MM2 = 4.0
"""A part smaller than this floats by mistake: the surface of a ball 1.1 mm across. The smallest
real part of a scan, a single stump, has more than ten times as much."""

_FRAGMENTS_SHARE = 0.02
"""Crumbs that make up more of the surface are no crumbs but a shattered scan: kept, and told."""

_MIXERS = (np.uint64(0x9E3779B97F4A7C15), np.uint64(0xC2B2AE3D27D4EB4F))


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Fix:
    """Triangles that stay, and what was found.

    Parameters
    ----------
    keep : ndarray of bool, shape (m,), or None
        None: all of them.
    """

    keep: Bools | None
    faults: tuple[Fault, ...]


NOTHING = Fix(None, ())


def middle(points: Floats) -> tuple[float, float, float]:
    """Where something lies: the mean of its points, in mm."""
    x, y, z = points.mean(axis=0).tolist()
    return (x, y, z)


def counted(count: int, one: str, many: str) -> str:
    """A pattern that begins with a number, as people count: «1 edge is», «2 edges are»."""
    return "{count:,} " + (one if count == 1 else many)


def drop_degenerate(points: Floats, faces: Ints) -> Fix:
    """Triangles that name a point twice cover nothing and hold nothing together."""
    a, b, c = faces.T
    bad = (a == b) | (b == c) | (a == c)
    count = int(bad.sum())
    if not count:
        return NOTHING
    bare = "without area (two corners at one place)"
    words = counted(count, f"triangle {bare} was taken out.", f"triangles {bare} were taken out.")
    fault = Fault.of("degenerate_triangles", count, words, middle(points[faces[bad, 0]]))
    return Fix(~bad, (fault,))


def drop_duplicates(points: Floats, faces: Ints) -> Fix:
    """Of triangles with the same three corners the first stays, whichever way it runs."""
    if not _may_repeat(faces):
        return NOTHING
    corners = np.sort(faces, axis=1)
    order = np.lexsort(corners.T)
    ordered = corners[order]
    again = np.zeros(len(faces), dtype=bool)
    again[order[1:]] = (ordered[1:] == ordered[:-1]).all(axis=1)
    count = int(again.sum())
    if not count:
        return NOTHING
    twice = "that lay twice at one place"
    words = counted(count, f"triangle {twice} was taken out.", f"triangles {twice} were taken out.")
    fault = Fault.of("duplicate_triangles", count, words, middle(points[faces[again, 0]]))
    return Fix(~again, (fault,))


def _may_repeat(faces: Ints) -> bool:
    """The cheap sign: a hash of the corners, blind to their order, comes twice."""
    word = faces.astype(np.uint64) * _MIXERS[0]
    word ^= word >> np.uint64(32)
    word *= _MIXERS[1]
    total = word[:, 0] + word[:, 1] + word[:, 2]
    total.sort()
    return bool((total[1:] == total[:-1]).any())


def close_cracks(points: Floats, border: Ints) -> Ints | None:
    """Find border points that rounding tore apart.

    Parameters
    ----------
    points : ndarray, shape (n, 3), mm
    border : ndarray of int64
        Points on open borders: only there can a crack be.

    Returns
    -------
    ndarray of int64, shape (n,), or None
        For every point the one that takes its place; None if there is no crack.

    Notes
    -----
    Points share a cell of one of eight grids, each shifted by half a cell of twice the distance,
    whenever they are nearer than the distance in every coordinate.
    """
    pairs: list[Ints] = []
    cell = 2 * CRACK_MM
    for shift in np.ndindex(2, 2, 2):
        place = np.floor(points[border] / cell + 0.5 * np.array(shift))
        order = np.lexsort(place.T)
        same = (place[order[1:]] == place[order[:-1]]).all(axis=1)
        pairs.append(np.stack([order[:-1][same], order[1:][same]], axis=1))
    linked = np.concatenate(pairs)
    span = points[border[linked[:, 0]]] - points[border[linked[:, 1]]]
    linked = linked[np.einsum("ij,ij->i", span, span) <= CRACK_MM**2]
    if not len(linked):
        return None
    label = components(len(border), linked)
    head = np.full(int(label.max()) + 1, len(border), dtype=np.int64)
    np.minimum.at(head, label, np.arange(len(border)))
    takes_place = np.arange(len(points), dtype=np.int64)
    takes_place[border] = border[head[label]]
    return takes_place


def told_cracks(points: Floats, takes_place: Ints) -> Fault:
    """How many points were joined, and where."""
    moved = takes_place != np.arange(len(takes_place))
    count = int(moved.sum())
    words = counted(
        count,
        "border point less than {apart:.0f} µm from another was joined.",
        "border points less than {apart:.0f} µm apart were joined.",
    )
    place = middle(points[moved])
    return Fault.of("unmerged_vertices", count, words, place, "cracks", apart=CRACK_MM * 1000)


def drop_fragments(mesh: TriangleMesh, part: Ints, area_mm2: Floats) -> Fix:
    """Small floating parts go, unless they are all there is or too much of it."""
    count = int(part.max()) + 1
    if count == 1:
        return NOTHING
    areas = np.bincount(part, weights=area_mm2, minlength=count)
    small = areas < FRAGMENT_MM2
    small[areas.argmax()] = False
    lost = float(areas[small].sum())
    if lost > _FRAGMENTS_SHARE * float(areas.sum()):
        return Fix(None, (_told_shattered(count, lost / float(areas.sum())),))
    faults: list[Fault] = []
    if small.any():
        faults.append(_told_dropped(mesh, small[part], int(small.sum()), lost))
    if int((~small).sum()) > 1:
        kept = int((~small).sum())
        words = "the scan consists of {count} parts that do not touch; all were kept."
        faults.append(Fault.of("loose_parts", kept, words))
    return Fix(~small[part] if small.any() else None, tuple(faults))


def _told_dropped(mesh: TriangleMesh, gone: Bools, count: int, lost: float) -> Fault:
    tail = ", {lost:.2f} mm² in all, each smaller than {smaller:.0f} mm², left out."
    words = counted(count, "floating fragment", "floating fragments") + tail
    place = middle(mesh.points_mm[mesh.faces[gone, 0]])
    return Fault.of("floating_fragments", count, words, place, lost=lost, smaller=FRAGMENT_MM2)


def _told_shattered(count: int, share: float) -> Fault:
    words = (
        "the surface falls into {count:,} parts; {share:.0%} of it in pieces smaller than "
        "{smaller:.0f} mm². All were kept: the mesh may be torn."
    )
    return Fault.of("shattered", count, words, share=share, smaller=FRAGMENT_MM2)
