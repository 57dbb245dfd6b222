"""Bodies whose spaces follow from a formula, and how far faceting may carry a reading off.

Faceting
--------
All vertices lie on the exact surfaces, so three things separate a reading on the meshes from
the formula. With ρ the greatest circumradius of a mesh's triangles (none is notably obtuse)
and κ the greatest normal curvature of its surface, to leading order in ρ:

1. A triangle's points lie at most ``κ ρ² / 2`` off the surface (error of linear interpolation;
   with ρ = ℓ/√3 the sagitta κ ℓ²/6). Both surfaces count, because a reading may start between
   the inner vertices.
2. Let a and b be a facet's sides at a vertex, in the tangent plane. The slope g of the facet
   there satisfies ``g·a = κ_a a²/2`` and ``g·b = κ_b b²/2``. On a sphere g is κ times the
   vector to the circumcentre, so ``|g| = κ ρ``. On a grid along the principal directions with
   steps a, b it is ``(κ₁ a, κ₂ b)/2``, for the diagonal's corners too, because
   ``κ_d d² = κ₁ a² + κ₂ b²``; again ``|g| ≤ κ ρ``. So a facet's normal, and any mean over
   facets, is tilted by at most ``φ = κ ρ``.
3. A ray of length t that meets the outer surface at β from its normal, tilted by φ, changes
   by ``t tan β φ`` in first order and in second by at most ``t φ² (1 + tan²β) + t² κ φ² / cos β``.

``faceting_mm`` is the sum, with the sagittas divided by cos β. Flat bodies get the rounding
of float64 at this size.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import numpy.typing as npt

from veneercheck.core.mesh.densify import refine
from veneercheck.core.mesh.triangles import border_vertices, face_areas, unique_edges
from veneercheck.core.types import Bools, Floats, TriangleMesh

_ROUNDING_MM = 1e-9
"""Coordinates of some tens of mm carry 1e-14; a ray's plane equation multiplies that up."""

_MARGIN_MM = 2.0
"""Open outer surfaces reach this far beyond the inner ones, so that every ray meets them."""

_GOLDEN = 0.5 * (1.0 + 5.0**0.5)

_ICOSAHEDRON_FACES = np.array(
    [
        *[(0, 11, 5), (0, 5, 1), (0, 1, 7), (0, 7, 10), (0, 10, 11)],
        *[(1, 5, 9), (5, 11, 4), (11, 10, 2), (10, 7, 6), (7, 1, 8)],
        *[(3, 9, 4), (3, 4, 2), (3, 2, 6), (3, 6, 8), (3, 8, 9)],
        *[(4, 9, 5), (2, 4, 11), (6, 2, 10), (8, 6, 7), (9, 8, 1)],
    ]
)


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class KnownBody:
    """An inner and an outer surface with exact spaces at the inner vertices.

    Parameters
    ----------
    name : str
    inner, outer : TriangleMesh
        Normals of both point away from the inner surface, as on a framework and its wax-up.
    space_mm : ndarray, shape (n,)
        Along the exact normal of the inner surface to the exact outer surface.
    nearest_mm : ndarray, shape (n,)
        Distance to the nearest point of the outer surface; NaN where no closed form is used.
    ball_mm : ndarray, shape (n,)
        Diameter of the ball that touches the inner surface here and the outer one anywhere;
        NaN where no closed form is used.
    interior : ndarray of bool, shape (n,)
        Vertices away from open borders.
    faceting_mm : float
        How far a reading along the meshes' normals may be off, derived at the head of this
        module.
    """

    name: str
    inner: TriangleMesh
    outer: TriangleMesh
    space_mm: Floats
    nearest_mm: Floats
    ball_mm: Floats
    interior: Bools
    faceting_mm: float


def parallel_plates(edge_mm: float, gap_mm: float = 1.0, side_mm: float = 6.0) -> KnownBody:
    """Two plates: the gap everywhere."""
    inner = _plate(0.0, side_mm, 0.0, side_mm, edge_mm)
    reach = side_mm + _MARGIN_MM
    outer = _plate(-_MARGIN_MM, reach, -_MARGIN_MM, reach, edge_mm)
    outer = TriangleMesh(outer.points_mm + np.array([0.0, 0.0, gap_mm]), outer.faces)
    gap = np.full(len(inner.points_mm), gap_mm)
    return _known("parallel plates", (inner, outer), (gap, gap, gap), _ROUNDING_MM)


def wedge(
    edge_mm: float, angle_deg: float = 30.0, from_mm: float = 1.0, to_mm: float = 5.0
) -> KnownBody:
    """Two planes that meet along the y axis: s·tan α, s·sin α and 2 s·tan(α/2) at distance s."""
    angle = np.deg2rad(angle_deg)
    inner = _plate(from_mm, to_mm, 0.0, 4.0, edge_mm)
    outer = _plate(0.0, to_mm / np.cos(angle) + _MARGIN_MM, -_MARGIN_MM, 4.0 + _MARGIN_MM, edge_mm)
    along, across, _ = outer.points_mm.T
    tilted = np.stack([along * np.cos(angle), across, along * np.sin(angle)], axis=1)
    reach = inner.points_mm[:, 0]
    readings = (reach * np.tan(angle), reach * np.sin(angle), 2.0 * reach * np.tan(0.5 * angle))
    pair = (inner, TriangleMesh(tilted, outer.faces))
    return _known(f"wedge of {angle_deg:g}°", pair, readings, _ROUNDING_MM)


def concentric_spheres(edge_mm: float, inner_mm: float = 4.0, outer_mm: float = 5.0) -> KnownBody:
    """One centre: the difference of the radii everywhere."""
    return dataclasses.replace(
        eccentric_spheres(edge_mm, inner_mm, outer_mm, 0.0), name="concentric spheres"
    )


def eccentric_spheres(
    edge_mm: float, inner_mm: float = 4.0, outer_mm: float = 5.0, offset_mm: float = 0.3
) -> KnownBody:
    """The outer centre shifted along +x.

    With θ at the inner centre from +x: ray ``e cos θ + √(R2² − e² sin²θ) − R1``, nearest
    ``R2 − √(R1² + e² − 2 R1 e cos θ)``. The ball of radius r with its centre at p + r n touches
    the outer sphere where ``|p + r n − c| = R2 − r``, so ``2 r = (R2² − |q|²) / (R2 + q·n)``
    with ``q = p − c``.
    """
    inner = _sphere(edge_mm, inner_mm)
    outer = _sphere(edge_mm, outer_mm)
    outer = TriangleMesh(outer.points_mm + np.array([offset_mm, 0.0, 0.0]), outer.faces)
    normal = inner.points_mm / inner_mm
    cosine = normal[:, 0]
    root = np.sqrt(outer_mm**2 - offset_mm**2 * (1.0 - cosine**2))
    space = offset_mm * cosine + root - inner_mm
    from_outer = inner.points_mm - [offset_mm, 0.0, 0.0]
    square = np.einsum("ij,ij->i", from_outer, from_outer)
    ball = (outer_mm**2 - square) / (outer_mm + np.einsum("ij,ij->i", from_outer, normal))
    sine = np.sqrt(1.0 - (root / outer_mm) ** 2)
    pair = (inner, outer)
    faceting = _faceting(pair, space, sine, (1.0 / inner_mm, 1.0 / outer_mm))
    readings = (space, outer_mm - np.sqrt(square), ball)
    return _known("eccentric spheres", pair, readings, faceting)


def coaxial_cylinders(
    edge_mm: float, inner_mm: float = 4.0, outer_mm: float = 5.0, length_mm: float = 6.0
) -> KnownBody:
    """One axis, open ends: the difference of the radii everywhere."""
    inner = _tube(edge_mm, inner_mm, 0.0, length_mm)
    outer = _tube(edge_mm, outer_mm, -_MARGIN_MM, length_mm + _MARGIN_MM)
    gap = np.full(len(inner.points_mm), outer_mm - inner_mm)
    faceting = _faceting((inner, outer), gap, 0.0 * gap, (1.0 / inner_mm, 1.0 / outer_mm))
    return _known("coaxial cylinders", (inner, outer), (gap, gap, gap), faceting)


def torus_in_torus(
    edge_mm: float, circle_mm: float = 6.0, inner_mm: float = 2.0, outer_mm: float = 3.0
) -> KnownBody:
    """One axis circle: the difference of the tubes' radii everywhere, saddles included."""
    inner = _torus(edge_mm, circle_mm, inner_mm)
    outer = _torus(edge_mm, circle_mm, outer_mm)
    gap = np.full(len(inner.points_mm), outer_mm - inner_mm)
    bends = [max(1.0 / r, 1.0 / (circle_mm - r)) for r in (inner_mm, outer_mm)]
    faceting = _faceting((inner, outer), gap, 0.0 * gap, (bends[0], bends[1]))
    return _known("torus in torus", (inner, outer), (gap, gap, gap), faceting)


def sphere_in_ellipsoid(
    edge_mm: float,
    inner_mm: float = 4.0,
    half_axes_mm: tuple[float, float, float] = (5.0, 5.5, 6.0),
) -> KnownBody:
    """One centre: ``1/√Σ(d²/a²) − R`` along direction d; no closed form for nearest and ball."""
    inner = _sphere(edge_mm, inner_mm)
    axes = np.array(half_axes_mm)
    round_body = _sphere(edge_mm / axes.max(), 1.0)
    outer = TriangleMesh(round_body.points_mm * axes, round_body.faces)
    direction = inner.points_mm / inner_mm
    radius = 1.0 / np.sqrt(((direction / axes) ** 2).sum(axis=1))
    slope = direction / axes**2
    cosine = np.einsum("ij,ij->i", slope, direction) / np.linalg.norm(slope, axis=1)
    space = radius - inner_mm
    sine = np.sqrt(np.maximum(1.0 - cosine**2, 0.0))
    bends = (1.0 / inner_mm, axes.max() / axes.min() ** 2)
    faceting = _faceting((inner, outer), space, sine, bends)
    unknown = np.full(len(space), np.nan)
    return _known("sphere in ellipsoid", (inner, outer), (space, unknown, unknown), faceting)


def known_bodies(edge_mm: float) -> tuple[KnownBody, ...]:
    """Every body with its usual sizes.

    Parameters
    ----------
    edge_mm : float
        Longest edge of the triangles (for grids: of their legs).
    """
    return (
        parallel_plates(edge_mm),
        wedge(edge_mm),
        concentric_spheres(edge_mm),
        eccentric_spheres(edge_mm),
        coaxial_cylinders(edge_mm),
        torus_in_torus(edge_mm),
        sphere_in_ellipsoid(edge_mm),
    )


def longest_edge(mesh: TriangleMesh) -> float:
    """Length of a mesh's longest edge, mm."""
    return float(_edge_lengths(mesh).max())


def _known(
    name: str,
    pair: tuple[TriangleMesh, TriangleMesh],
    readings: tuple[Floats, Floats, Floats],
    faceting_mm: float,
) -> KnownBody:
    return KnownBody(name, *pair, *readings, ~border_vertices(pair[0]), faceting_mm)


def _faceting(
    pair: tuple[TriangleMesh, TriangleMesh],
    space_mm: Floats,
    sine: Floats,
    bends: tuple[float, float],
) -> float:
    """The bound derived at the head of the module; bends are greatest curvatures in 1/mm."""
    inner_bend, outer_bend = bends
    inner_reach, outer_reach = (_greatest_circumradius(mesh) for mesh in pair)
    sagittas = 0.5 * (inner_bend * inner_reach**2 + outer_bend * outer_reach**2)
    tilt = inner_bend * inner_reach
    cosine = np.sqrt(1.0 - sine**2)
    tangent = sine / cosine
    first = space_mm * tangent * tilt
    second = space_mm * tilt**2 * (1.0 + tangent**2) + space_mm**2 * outer_bend * tilt**2 / cosine
    return float(np.max(sagittas / cosine + first + second))


def _edge_lengths(mesh: TriangleMesh) -> Floats:
    edges, _, _ = unique_edges(mesh.faces)
    lengths: Floats = np.linalg.norm(
        mesh.points_mm[edges[:, 0]] - mesh.points_mm[edges[:, 1]], axis=1
    )
    return lengths


def _greatest_circumradius(mesh: TriangleMesh) -> float:
    corners = mesh.points_mm[mesh.faces]
    sides = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2)
    return float((sides.prod(axis=1) / (4.0 * face_areas(mesh))).max())


def _sphere(edge_mm: float, radius_mm: float) -> TriangleMesh:
    g = _GOLDEN
    corners: list[tuple[float, float, float]]
    corners = [(-1, g, 0), (1, g, 0), (-1, -g, 0), (1, -g, 0), (0, -1, g), (0, 1, g)]
    corners += [(0, -1, -g), (0, 1, -g), (g, 0, -1), (g, 0, 1), (-g, 0, -1), (-g, 0, 1)]
    mesh = _onto_sphere(TriangleMesh(np.array(corners, dtype=np.float64), _ICOSAHEDRON_FACES))
    while longest_edge(mesh) * radius_mm > edge_mm:
        mesh = _onto_sphere(refine(mesh, 0.99 * float(_edge_lengths(mesh).min()))[0])
    return TriangleMesh(mesh.points_mm * radius_mm, mesh.faces)


def _onto_sphere(mesh: TriangleMesh) -> TriangleMesh:
    length = np.linalg.norm(mesh.points_mm, axis=1, keepdims=True)
    return TriangleMesh(mesh.points_mm / length, mesh.faces)


def _plate(x0: float, x1: float, y0: float, y1: float, edge_mm: float) -> TriangleMesh:
    columns = np.linspace(x0, x1, _steps(x1 - x0, edge_mm) + 1)
    rows = np.linspace(y0, y1, _steps(y1 - y0, edge_mm) + 1)
    x, y = np.meshgrid(columns, rows, indexing="ij")
    points = np.stack([x, y, np.zeros_like(x)], axis=-1).reshape(-1, 3)
    return TriangleMesh(points, _grid_faces(len(columns), len(rows)))


def _tube(edge_mm: float, radius_mm: float, z0: float, z1: float) -> TriangleMesh:
    around = _steps(2.0 * np.pi * radius_mm, edge_mm)
    angle = 2.0 * np.pi * np.arange(around) / around
    level = np.linspace(z0, z1, _steps(z1 - z0, edge_mm) + 1)
    a, z = np.meshgrid(angle, level, indexing="ij")
    points = np.stack([radius_mm * np.cos(a), radius_mm * np.sin(a), z], axis=-1)
    return TriangleMesh(points.reshape(-1, 3), _grid_faces(around, len(level), wrap_first=True))


def _torus(edge_mm: float, circle_mm: float, tube_mm: float) -> TriangleMesh:
    around = _steps(2.0 * np.pi * (circle_mm + tube_mm), edge_mm)
    about = _steps(2.0 * np.pi * tube_mm, edge_mm)
    a = (2.0 * np.pi * np.arange(around) / around)[:, None]
    b = (2.0 * np.pi * np.arange(about) / about)[None, :]
    reach = circle_mm + tube_mm * np.cos(b)
    parts = np.broadcast_arrays(reach * np.cos(a), reach * np.sin(a), tube_mm * np.sin(b))
    points = np.stack(parts, axis=-1).reshape(-1, 3)
    return TriangleMesh(points, _grid_faces(around, about, wrap_first=True, wrap_second=True))


def _steps(length_mm: float, edge_mm: float) -> int:
    """Steps whose diagonal is no longer than the edge asked for."""
    return max(3, int(np.ceil(length_mm * np.sqrt(2.0) / edge_mm)))


def _grid_faces(
    first: int, second: int, *, wrap_first: bool = False, wrap_second: bool = False
) -> npt.NDArray[np.int64]:
    i = np.arange(first if wrap_first else first - 1)[:, None]
    j = np.arange(second if wrap_second else second - 1)[None, :]
    next_i, next_j = (i + 1) % first, (j + 1) % second
    a, b = i * second + j, next_i * second + j
    c, d = next_i * second + next_j, i * second + next_j
    triangles = np.stack([np.stack([a, b, c], axis=-1), np.stack([a, c, d], axis=-1)])
    return triangles.reshape(-1, 3).astype(np.int64)
