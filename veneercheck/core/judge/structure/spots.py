"""Where the framework serves its veneer badly: cusps without support, sharp edges.

Notes
-----
Unsupported is what lies farther than the greatest layer from any metal. On cusps and ridges
composite needs metal under it. Choice: contour facing within 60° of occlusal whose nearest metal,
less the opaquer, lies deeper than the greatest layer. Instead of: a ray straight down, which misses
the metal beside every sound buccal cusp and would condemn it. Cost: metal that carries from the
side counts as support, and contour that lies nearest to a sprue, which stands on metal, is not
asked about.

Wax is asked for only where it has room. Under a sharp cusp or ridge metal that keeps the least
layer to both sides ends deep below the tip: 2.4 mm where the sides meet at 60° and 1.2 mm are
asked. Choice: from the contour inward, away from whatever of it is nearest, to where the least
space is had; where that is farther off than the greatest layer it is a remark on the contour, no
finding. Instead of: a finding, whose wax would make the veneer beside it too thin. Cost: the way
goes uphill only, and room that lies behind a narrow place is not found.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable

import numpy as np

from veneercheck.core.divide.excess import GUARD
from veneercheck.core.divide.spots import RADIUS_MM
from veneercheck.core.divide.zones import FIRMLY_MM
from veneercheck.core.measure.space import Reading
from veneercheck.core.mesh.nearest import NearestSurface
from veneercheck.core.mesh.rays import RayScene
from veneercheck.core.mesh.triangles import (
    all_in,
    components,
    edge_pairs,
    row_dot,
    unit,
    vertex_areas,
    vertex_normals,
)
from veneercheck.core.types import (
    FINISHED,
    SHARP_EDGE,
    UNSUPPORTED,
    WAX,
    Bools,
    Floats,
    Ints,
    Limits,
    PlaceWords,
    Spot,
    TriangleMesh,
    Weight,
)

_FACING_COS = 0.5
"""Contour within 60° of occlusal is cusp, ridge or fossa: what is bitten on."""

_LEAST_TURN = np.cos(np.deg2rad(25.0))
"""An edge that turns less from one vertex to the next is rounded, or noise."""

_TELLABLE_MM = 0.1
"""A smaller radius is not told in figures: scans are hardly finer."""

_LEAST_LENGTH_MM = 1.0
"""A shorter edge is a grain of the scan."""

_ALIKE_MM = 0.02
"""Spots whose means differ by less are alike to the hand."""

_BETWEEN_MM = 0.3
"""Contour nearer to a point than this is the point's own."""

_BEGIN_MM, _SHORTEST_MM, _STEPS = 0.2, 0.02, 40
"""The way to where metal may stand begins so far towards the nearest metal, since the normal of a
sharp tip may point anywhere; each step goes half of what is missing, and no less than the
shortest."""


def unsupported(
    reading: Reading,
    *,
    occlusal: Floats,
    veneered: Bools,
    u_mm: Floats,
    limits: Limits,
    told: PlaceWords,
    own: Callable[[Floats], Bools],
    stage: str = WAX,
) -> tuple[Spot, ...]:
    """Find composite on cusps and ridges under which no metal stands near enough.

    Parameters
    ----------
    reading : Reading
        With the contour of k vertices, and the nearest metal under each of them.
    occlusal : ndarray, shape (3,)
    veneered : ndarray of bool, shape (n,)
        Framework vertices that carry veneer.
    u_mm : ndarray, shape (n,)
        Standard uncertainty of what is judged there.
    limits : Limits
        The greatest layer is also the greatest that may stand without support.
    told : callable
    own : callable
        Which places, shape (k, 3), are the bridge's own: the metal nearest to a neighbour's cusp is
        the bridge's, too.
    stage : str
        Of the work: what can be done depends on it.

    Returns
    -------
    tuple of Spot
        The largest first.
    """
    contour, outside, metal_mm = reading.contour.outer.mesh, reading.outside, reading.points_mm
    foot = outside.foot
    carried = np.zeros(len(foot), dtype=bool)
    carried[foot >= 0] = veneered[foot[foot >= 0]]
    facing = vertex_normals(contour) @ occlusal >= _FACING_COS
    layer = outside.depth_mm - limits.taken_mm
    high = carried & facing & (layer > limits.layer.greatest_mm)
    if not high.any():
        return ()
    high[high] = own(contour.points_mm[high])
    high[high] = _in_one_body(contour.points_mm[high], metal_mm[foot[high]], reading.contour.scene)
    at = np.flatnonzero(high)
    has_room = np.zeros(len(foot), dtype=bool)
    has_room[at] = _has_room(
        contour.points_mm[at],
        metal_mm[foot[at]],
        reading.contour.gap.tree,
        u_mm=u_mm[foot[at]],
        limits=limits,
    )
    area, edges = vertex_areas(contour), edge_pairs(contour.faces)
    seen = carried & np.isfinite(layer)
    weight, limit_mm = np.where(seen, area, 0.0), limits.layer.greatest_mm
    found = [
        _judged(
            told(np.unique(foot[patch])),
            worst,
            area_mm2=float(area[patch].sum()),
            u_mm=u_mm[foot],
            limit_mm=limit_mm,
            under=(_UNDER_WAX if stage == WAX else _UNDER_METAL) if room else _NO_ROOM,
            can_be_mended=room,
        )
        for room in (True, False)
        for patch in patches(high & (has_room == room), edges)
        if area[patch].sum() >= limits.smallest_zone_mm2
        # A narrow strip may have no spot that is beyond the limit.
        and (worst := _worst_spot(contour.points_mm, layer, weight, patch)).mean_mm > limit_mm
    ]
    return tuple(sorted(found, key=lambda spot: -spot.size))


def _in_one_body(points_mm: Floats, metal_mm: Floats, contour: RayScene) -> Bools:
    """Whether no contour lies between contour points and their metal, shape (k,): past a contact,
    a neighbour stands as near."""
    way = points_mm - metal_mm
    length = np.linalg.norm(way, axis=1)
    hits = contour.first_hit(metal_mm, unit(way))
    return np.asarray(~(hits.distance_mm < length - _BETWEEN_MM))


def _has_room(
    points_mm: Floats, metal_mm: Floats, nearest: NearestSurface, *, u_mm: Floats, limits: Limits
) -> Bools:
    """Where metal could stand surely near enough under contour points and surely deep enough under
    all of the contour, shape (k,)."""
    guard = GUARD * np.nan_to_num(u_mm) + FIRMLY_MM
    deep = limits.layer.least_mm + limits.taken_mm + guard
    reach = limits.layer.greatest_mm + limits.taken_mm - guard
    place = points_mm + _BEGIN_MM * unit(metal_mm - points_mm)
    found, going = np.zeros(len(points_mm), dtype=bool), np.arange(len(points_mm))
    for _ in range(_STEPS):
        if not len(going):
            break
        near = nearest.query(place[going])
        missing = deep[going] - near.distance_mm
        found[going] = missing <= 0
        # Within the distance to the contour no step leads out of it.
        step = np.minimum(np.maximum(0.5 * missing, _SHORTEST_MM), 0.9 * near.distance_mm)
        place[going] += step[:, None] * unit(place[going] - near.point_mm)
        within = np.linalg.norm(place[going] - points_mm[going], axis=1) <= reach[going]
        going = going[(missing > 0) & within]
    return found


def _judged(
    told: tuple[str | None, str | None, str],
    worst: _Worst,
    *,
    area_mm2: float,
    u_mm: Floats,
    limit_mm: float,
    under: str,
    can_be_mended: bool,
) -> Spot:
    tooth, surface, place = told
    mean_mm, u = worst.mean_mm, _greatest_known(u_mm[worst.vertices])
    words = (
        f"{place or 'composite'}: {mean_mm:.1f} mm of composite over the nearest metal, "
        f"at most {limit_mm:.1f} mm may stand without support. {under}"
    )
    weight = Weight.ADVICE
    if can_be_mended:
        firm = mean_mm - GUARD * u > limit_mm
        weight = Weight.FINDING if firm else Weight.UNDECIDED
    return Spot(
        UNSUPPORTED,
        tooth,
        surface,
        place,
        mean_mm,
        u,
        limit_mm,
        area_mm2,
        worst.centre_mm,
        weight,
        words,
    )


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class _Worst:
    """The greatest mean over a spot in a patch, and where it is had."""

    mean_mm: float
    vertices: Ints
    centre_mm: tuple[float, float, float]


def _worst_spot(points_mm: Floats, layer_mm: Floats, area_mm2: Floats, patch: Ints) -> _Worst:
    """Of the vertices of a patch; a spot holds what lies beside the patch as well. What counts for
    nothing has no area."""
    from scipy.spatial import cKDTree

    counts = np.flatnonzero(area_mm2 > 0)
    at = np.intersect1d(patch, counts)
    near = cKDTree(points_mm[at]).sparse_distance_matrix(
        cKDTree(points_mm[counts]), RADIUS_MM, output_type="coo_matrix"
    )
    row, weight = near.row, area_mm2[counts[near.col]]
    total = np.bincount(row, weight, len(at))
    means = np.bincount(row, weight * layer_mm[counts[near.col]], len(at)) / total
    worst = at[means >= means.max() - _ALIKE_MM]
    return _Worst(float(means.max()), worst, _centre(points_mm[worst], area_mm2[worst]))


_UNDER_WAX = "Add wax under it."
_UNDER_METAL = "Metal would have to be added under it, or the contour lowered."
_NO_ROOM = (
    "Nearer metal would leave the veneer beside it too thin: only a rounder contour needs less."
)


def _greatest_known(values: Floats) -> float:
    known = values[np.isfinite(values)]
    return float(known.max()) if len(known) else math.nan


def sharp_edges(
    framework: TriangleMesh,
    *,
    normals: Floats,
    edges: Ints,
    veneered: Bools,
    limits: Limits,
    told: PlaceWords,
    stage: str = WAX,
) -> tuple[Spot, ...]:
    """Find edges of the framework under the veneer that stand out with too small a radius.

    Parameters
    ----------
    framework : TriangleMesh
    normals : ndarray, shape (n, 3)
        Outward, the scan's noise reduced.
    edges : ndarray of int64, shape (e, 2)
        Of the framework.
    veneered : ndarray of bool, shape (n,)
    limits : Limits
    told : callable
    stage : str
        Of the work: under a finished veneer no edge is rounded any more.

    Returns
    -------
    tuple of Spot
        The longest first; advice only.

    Notes
    -----
    Radius = length of a mesh edge over the angle by which the normal turns along it: what is
    rounder than the mesh is fine cannot be told apart from sharp.
    """
    a, b = edges.T
    along = framework.points_mm[b] - framework.points_mm[a]
    length = np.linalg.norm(along, axis=1)
    cosine = np.clip(row_dot(normals[a], normals[b]), -1.0, 1.0)
    outwards = row_dot(along, normals[b] - normals[a]) > 0
    turned = veneered[a] & veneered[b] & outwards & (cosine < _LEAST_TURN)
    radius = np.full(len(edges), np.inf)
    radius[turned] = length[turned] / np.arccos(cosine[turned])
    sharp = radius < limits.edge_radius_mm
    marked = np.zeros(len(normals), dtype=bool)
    marked[edges[sharp].ravel()] = True
    least = np.full(len(normals), np.inf)
    np.minimum.at(least, edges[sharp].ravel(), np.repeat(radius[sharp], 2))
    found = []
    for patch in patches(marked, edges):
        size = _extent(framework.points_mm[patch])
        if size < _LEAST_LENGTH_MM:
            continue
        tooth, surface, place = told(patch)
        value = float(np.median(least[patch]))
        about = f"about {value:.1f}" if value >= _TELLABLE_MM else f"under {_TELLABLE_MM:.1f}"
        words = (
            f"{place or 'under the veneer'}: an edge {size:.1f} mm long, radius {about} mm, less "
            f"than {limits.edge_radius_mm:.1f} mm. {_WATCH if stage == FINISHED else _ROUND}"
        )
        centre = _centre(framework.points_mm[patch], np.ones(len(patch)))
        found.append(
            Spot(SHARP_EDGE, tooth, surface, place, value, math.nan, limits.edge_radius_mm, size,
                 centre, Weight.ADVICE, words)
        )  # fmt: skip
    return tuple(sorted(found, key=lambda spot: -spot.size))


_ROUND = "Round it: a sharp edge starts cracks."
_WATCH = "It lies under the veneer: watch for cracks there."


def patches(chosen: Bools, edges: Ints) -> list[Ints]:
    """Chosen vertices that hang together."""
    inside = np.flatnonzero(chosen)
    if not len(inside):
        return []
    number = np.cumsum(chosen) - 1
    label = components(len(inside), number[edges[all_in(chosen, edges)]])
    order = np.argsort(label, kind="stable")
    starts = np.flatnonzero(np.diff(label[order])) + 1
    return [inside[part] for part in np.split(order, starts)]


def _extent(points_mm: Floats) -> float:
    """Length of a group of points along its longest direction."""
    away = points_mm - points_mm.mean(axis=0)
    along = away @ np.linalg.svd(away, full_matrices=False)[2][0]
    return float(np.ptp(along))


def _centre(points_mm: Floats, weights: Floats) -> tuple[float, float, float]:
    x, y, z = (float(part) for part in np.average(points_mm, axis=0, weights=weights))
    return x, y, z
