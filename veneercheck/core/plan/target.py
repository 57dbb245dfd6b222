"""The target framework: the contour lowered by a depth, run out, rounded, kept over the die.

Notes
-----
A target is what is cut away, meshed alone and taken from the scan. The lowered surface must be
exact, closed and free of self-crossings, and uncut wax should stay as it was scanned, since the
check aligns by it. Choice: the distance from the contour's outer side, and the way from the finish
line, are fields; libigl's marching cubes meshes the body to be cut away on cells near it (0.1 mm:
planes exact, a radius of 1 mm within 1 µm, snapping 5 µm at most); `manifold3d` (Apache-2.0, 1 MB)
takes it from the closed wax-up. Instead of: libigl's `offset_surface`, one depth for all over a
whole grid (its signed distance took 19 s for 200 000 points of a bridge's box on a loaded machine);
scikit-image's marching cubes, a whole grid too, and no sharp finish line from either. Cost: one
more dependency in the base install; where the field jumps, behind a ridge next to a finish line, a
few slivers in a hundred thousand triangles may run through each other: `plan.json` says how many.
"""

from __future__ import annotations

import dataclasses

import numpy as np

from veneercheck.core.mesh.triangles import unit, vertex_normals
from veneercheck.core.plan.contour import Contour, Under
from veneercheck.core.plan.runout import Runout
from veneercheck.core.plan.solid import mesh_of, solid_of
from veneercheck.core.plan.volume import enclosed
from veneercheck.core.types import Floats, TriangleMesh

GRID_MM = 0.1
"""Edge of the grid: planes cross it exactly, a radius of 1 mm is missed by 1 µm."""

_CAP_MM = 0.25
"""What is cut away reaches this far above the contour, so that the two never run together."""

_ROUNDED_SHARE = 0.02
"""A ball that lacks less of its radius than this share fits."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Die:
    """The prepared teeth, asked for how far off they are."""

    surface: Contour
    least_metal_mm: float


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Target:
    """The framework that is aimed at.

    Parameters
    ----------
    framework : TriangleMesh
        Closed.
    removed : TriangleMesh
        What is cut away of the contour, a closed body each.
    """

    framework: TriangleMesh
    removed: TriangleMesh


def make_target(
    whole: TriangleMesh,
    contour: Contour,
    runout: Runout,
    depth_mm: Floats,
    *,
    edge_radius_mm: float = 0.0,
    die: Die | None = None,
    grid_mm: float = GRID_MM,
) -> Target:
    """Lower a contour to the framework under its veneer.

    Parameters
    ----------
    whole : TriangleMesh
        The full contour as one closed body, insides of retainers included where they were seen.
    contour : Contour
        Its outer side, which the depth is taken from.
    runout : Runout
        How the cut runs out; its depth is the usual one.
    depth_mm : ndarray, shape (n,)
        Full depth under every vertex of the contour.
    edge_radius_mm : float
        To which convex edges of the framework are rounded.
    die : Die, optional
        Over it metal is kept, whatever is left for the veneer.
    grid_mm : float

    Returns
    -------
    Target

    Notes
    -----
    The depth is taken square to the nearest contour (a signed distance), so that the lowered
    surface cannot cross itself; what is cut away is meshed alone and taken from the closed contour
    by a boolean operation, so that uncut surface stays as it was scanned.
    """
    mesh = contour.mesh
    inside = contour.extent_mm > 0
    if not inside.any():
        return Target(whole, TriangleMesh(np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int64)))
    margin = float(depth_mm[inside].max()) + edge_radius_mm + 4.0 * grid_mm
    low = mesh.points_mm[inside].min(axis=0) - margin
    high = mesh.points_mm[inside].max(axis=0) + margin

    def field(points_mm: Floats) -> Floats:
        return cut_field(contour, runout, depth_mm, points_mm, die)

    cut = enclosed(field, low, high, grid_mm)
    if edge_radius_mm > 0 and len(cut.faces):
        cut = rounded(cut, edge_radius_mm, contour)
    body = solid_of(whole, "the wax-up")
    taken = solid_of(cut, "what is to be cut away")
    return Target(mesh_of(body - taken), mesh_of(body ^ taken))


def cut_field(
    contour: Contour, runout: Runout, depth_mm: Floats, points_mm: Floats, die: Die | None = None
) -> Floats:
    """Where the contour is cut away: negative there, about mm, shape (n,)."""
    under = contour.under(points_mm)
    full = contour.at(under, depth_mm)
    value = _profile(contour, under, runout, full)
    value = np.maximum(value, -under.depth_mm - _CAP_MM)
    if die is not None:
        beside = np.flatnonzero(value < die.least_metal_mm)
        beside = beside[
            die.surface.may_be_within(points_mm[beside], die.least_metal_mm - value[beside])
        ]
        off_mm = die.surface.off_mm(points_mm[beside])
        value[beside] = np.maximum(value[beside], die.least_metal_mm - off_mm)
    return value


def _profile(contour: Contour, under: Under, runout: Runout, full_mm: Floats) -> Floats:
    """Distance from the floor and, near the finish line, from the profile, shape (n,)."""
    reach = runout.width_mm + runout.depth_mm
    way = contour.way_mm(under.foot_mm, contour.at(under, contour.extent_mm), reach)
    value = under.depth_mm - full_mm
    beside = np.flatnonzero(way < reach)  # farther in the floor is nearest
    deep, full = under.depth_mm[beside], full_mm[beside]
    scale = np.where(deep > 0, runout.depth_mm / full, 1.0)
    found = runout.distance(way[beside], deep * scale) / scale
    floored = way[beside] >= runout.width_mm
    value[beside] = np.where(floored, np.maximum(found, value[beside]), found)
    return value


def rounded(cut: TriangleMesh, radius_mm: float, contour: Contour) -> TriangleMesh:
    """What is cut away, its surface drawn back where a ball of metal would not fit behind it.

    An opening of the metal (Matheron 1975, from memory): its convex edges become as round as the
    ball, everything else stays. Surface above the contour is left alone.
    """
    from scipy.spatial import cKDTree

    surface = Contour(cut, np.ones(len(cut.points_mm)))
    inward = vertex_normals(cut)  # out of what is cut away: into the metal
    centre = cut.points_mm + radius_mm * inward
    room = -surface.under(centre).depth_mm
    fits = room > (1.0 - _ROUNDED_SHARE) * radius_mm
    below = contour.under(cut.points_mm).depth_mm > -_CAP_MM * 0.5
    wanting = np.flatnonzero(~fits & below)
    if not len(wanting) or not fits.any():
        return cut
    balls = cKDTree(centre[fits])
    away, which = balls.query(cut.points_mm[wanting], workers=-1)
    far = away > radius_mm
    wanting, middle = wanting[far], centre[fits][which[far]]
    points = cut.points_mm.copy()
    points[wanting] = middle + radius_mm * unit(points[wanting] - middle)
    return TriangleMesh(points, cut.faces)
