"""A surface made ready for alignment: smoothed, with normals and areas, and sampled evenly."""

from __future__ import annotations

import dataclasses

import numpy as np

from veneercheck.core.mesh.ring import Ring
from veneercheck.core.mesh.triangles import (
    bounding_box,
    components,
    corner_cross,
    edge_uses,
    on_border,
    row_dot,
    sum_at_vertices,
    unit,
    vertex_normals,
)
from veneercheck.core.types import Bools, Floats, Ints, TriangleMesh

_GOLDEN_2D = np.array([0.7548776662466927, 0.5698402909980532])
"""Steps of the plastic-number sequence: fills the unit square evenly (Roberts 2018)."""

_MORTON_BITS = 10
"""Cells along each side of the box in which triangles are put in order: 2¹⁰."""

_SPREADING = ((16, 0x030000FF), (8, 0x0300F00F), (4, 0x030C30C3), (2, 0x09249249))
"""How far the bits of such a cell's number are moved apart, and which of them stay."""

_SMOOTH_SHARE = 0.5
_SMOOTH_BACK = -0.53
"""Forward and backward step of Taubin's filter (1995): smooths without shrinking."""

_MOST_PASSES = 12
"""A denser mesh than this reaches is smoothed over less than the length asked for."""

_CRUMB_SHARE = 0.01
"""A loose piece below this share of the area is dust or a string of wax, not the work."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Surface:
    """A mesh ready for alignment.

    Parameters
    ----------
    mesh : TriangleMesh
        Smoothed.
    normal : ndarray, shape (n, 3)
        Outward, at the vertices.
    area_mm2 : ndarray, shape (n,)
    border : ndarray of bool, shape (n,)
        On an open border, where a nearest point means nothing.
    edges : ndarray, shape (e, 2)
    edge_mm : float
        Mean length of an edge.
    noise_mm : float
        White noise of the scan along its normals, standard deviation.
    order : ndarray, shape (m,)
        Triangles in an order in which neighbours in space mostly follow each other.
    ordered_area_mm2 : ndarray, shape (m,)
        Their areas, in that order.
    removed_mm : ndarray, shape (n,)
        How far smoothing moved each vertex outwards.
    whole : ndarray of bool, shape (n,)
        On no loose fragment.
    """

    mesh: TriangleMesh
    normal: Floats
    area_mm2: Floats
    border: Bools
    edges: Ints
    edge_mm: float
    noise_mm: float
    order: Ints
    ordered_area_mm2: Floats
    removed_mm: Floats
    whole: Bools


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Samples:
    """Points of a surface that each stand for the same area.

    Parameters
    ----------
    point_mm, normal : ndarray, shape (k, 3)
    face : ndarray of int64, shape (k,)
    """

    point_mm: Floats
    normal: Floats
    face: Ints

    def take(self, which: Ints) -> Samples:
        """Some of them."""
        return Samples(self.point_mm[which], self.normal[which], self.face[which])


def prepare(mesh: TriangleMesh, denoise_mm: float) -> Surface:
    """Smooth a mesh over a length, and derive what the fit needs.

    Parameters
    ----------
    denoise_mm : float
        Zero leaves the surface as it is.
    """
    n = len(mesh.points_mm)
    edges, uses = edge_uses(mesh.faces)
    border = on_border(n, edges, uses)
    span = mesh.points_mm.take(edges[:, 0], axis=0) - mesh.points_mm.take(edges[:, 1], axis=0)
    edge_mm = float(np.mean(np.sqrt(row_dot(span, span)))) if len(edges) else 1.0
    ring, normal = _Means(edges, n), vertex_normals(mesh)
    noise = _white_noise(mesh, normal, ring, border)
    passes = min(_MOST_PASSES, round((denoise_mm / max(edge_mm, 1e-9)) ** 2))
    smooth, removed = _taubin(mesh, normal, ring, border, passes)
    cross, order = corner_cross(smooth), _morton_order(smooth)
    area = 0.5 * np.sqrt(row_dot(cross, cross))
    area_mm2 = sum_at_vertices(smooth, area[:, None] / 3.0)[:, 0]
    return Surface(
        mesh=smooth,
        normal=unit(sum_at_vertices(smooth, cross)),
        area_mm2=area_mm2,
        border=border,
        edges=edges,
        edge_mm=edge_mm,
        noise_mm=noise,
        order=order,
        ordered_area_mm2=area[order],
        removed_mm=removed,
        whole=_without_crumbs(area_mm2, edges),
    )


class _Means:
    """Mean over the neighbours of every vertex."""

    def __init__(self, edges: Ints, count: int) -> None:
        ring = Ring(edges, count)
        self.degree, self._sums = ring.degree, ring.matrix()
        self._share = 1.0 / np.maximum(self.degree, 1)

    def mean(self, values: Floats) -> Floats:
        share = self._share if values.ndim == 1 else self._share[:, None]
        return np.asarray((self._sums @ values) * share)


def _taubin(
    mesh: TriangleMesh, normal: Floats, ring: _Means, border: Bools, passes: int
) -> tuple[TriangleMesh, Floats]:
    """Low-pass the vertices along the normals, and how far each moved; borders stay."""
    if passes < 1:
        return mesh, np.zeros(len(mesh.points_mm))
    points = mesh.points_mm.copy()
    moves = (~border & (ring.degree > 0)).astype(np.float64)[:, None]
    for _ in range(passes):
        for share in (_SMOOTH_SHARE, _SMOOTH_BACK):
            points += share * moves * (ring.mean(points) - points)
    along = row_dot(points - mesh.points_mm, normal)
    return TriangleMesh(mesh.points_mm + along[:, None] * normal, mesh.faces), along


def _white_noise(mesh: TriangleMesh, normal: Floats, ring: _Means, border: Bools) -> float:
    """Noise from the second difference along the normals, by the median: bends hardly enter."""
    inner = ~border & (ring.degree >= 4)
    if inner.sum() < 10:
        return 0.0
    first = row_dot(mesh.points_mm - ring.mean(mesh.points_mm), normal)
    second = first - ring.mean(first)
    degree = float(np.mean(ring.degree[inner]))
    gain = np.sqrt((1 + 1 / degree) * (1 + 3 / degree))
    return float(np.median(np.abs(second[inner])) / 0.6745 / gain)


def sample(surface: Surface, count: int, keep: Bools | None = None) -> Samples:
    """Spread points evenly over a surface.

    Parameters
    ----------
    keep : ndarray of bool, shape (m,), optional
        Only on these triangles.

    Returns
    -------
    Samples
        Empty if there is no area.
    """
    mesh, order, area = surface.mesh, surface.order, surface.ordered_area_mm2
    summed = np.cumsum(area if keep is None else area * keep[order])
    if not len(summed) or summed[-1] <= 0:
        return Samples(np.zeros((0, 3)), np.zeros((0, 3)), np.zeros(0, dtype=np.int64))
    steps = (np.arange(count) + 0.5) * (summed[-1] / count)
    face = order[np.minimum(np.searchsorted(summed, steps), len(order) - 1)]
    square = ((np.arange(count)[:, None] + 1) * _GOLDEN_2D) % 1.0
    root = np.sqrt(square[:, 0])
    bary = np.stack([1 - root, root * (1 - square[:, 1]), root * square[:, 1]], axis=1)
    return Samples(
        at_faces(mesh.points_mm, mesh.faces[face], bary),
        unit(at_faces(surface.normal, mesh.faces[face], bary)),
        face,
    )


def at_faces(values: Floats, corners: Ints, bary: Floats) -> Floats:
    """Blend vertex values, shape (n, d), at barycentric places, shape (k, 3), of triangles."""
    blended: Floats = np.einsum("kc,kcd->kd", bary, values.take(corners, axis=0))
    return blended


def barycentric(mesh: TriangleMesh, face: Ints, point_mm: Floats) -> Floats:
    """Barycentric places, shape (k, 3), of points that lie on given triangles."""
    a, b, c = (mesh.points_mm.take(mesh.faces[face, k], axis=0) for k in range(3))
    ab, ac, ap = b - a, c - a, point_mm - a
    d11, d12, d22 = row_dot(ab, ab), row_dot(ab, ac), row_dot(ac, ac)
    d1p, d2p = row_dot(ab, ap), row_dot(ac, ap)
    scale = d11 * d22 - d12 * d12
    safe = np.where(scale > 0, scale, 1.0)
    v, w = (d22 * d1p - d12 * d2p) / safe, (d11 * d2p - d12 * d1p) / safe
    bary = np.clip(np.stack([1 - v - w, v, w], axis=1), 0.0, 1.0)
    return np.asarray(bary / np.maximum(bary.sum(axis=1, keepdims=True), 1e-12))


def _morton_order(mesh: TriangleMesh) -> Ints:
    """Triangles in an order in which neighbours in space mostly follow each other."""
    if not len(mesh.faces):
        return np.zeros(0, dtype=np.int64)
    a, b, c = (mesh.points_mm.take(corner, axis=0) for corner in mesh.faces.T)
    middle = (a + b + c) / 3.0
    low, high = bounding_box(middle)
    span = max(float((high - low).max()), 1e-9)
    cells = ((middle - low) / span * (2**_MORTON_BITS - 1)).astype(np.int64)
    code = _spread(cells[:, 0]) | _spread(cells[:, 1]) << 1 | _spread(cells[:, 2]) << 2
    # One sort of words, code above place, is stable and faster than an indirect one.
    bits = max(len(code), 1).bit_length()
    word = (code << bits) | np.arange(len(code))
    word.sort()
    return word & ((1 << bits) - 1)


def _spread(number: Ints) -> Ints:
    """The bits of numbers below 2¹⁰, three places apart (masks of powers of two, from memory)."""
    for shift, mask in _SPREADING:
        number = (number | number << shift) & mask
    return number


def _without_crumbs(area_mm2: Floats, edges: Ints) -> Bools:
    label = components(len(area_mm2), edges)
    area = np.bincount(label, weights=area_mm2)
    whole = np.asarray((area >= _CRUMB_SHARE * area.sum())[label])
    return whole if whole.any() else np.asarray(~whole)  # a torn scan is all crumbs


def centre_and_radius(surface: Surface) -> tuple[Floats, float]:
    """Area centre of a surface and the distance of its farthest vertex from it, mm."""
    share = surface.area_mm2 / max(float(surface.area_mm2.sum()), 1e-12)
    centre = share @ surface.mesh.points_mm
    far = np.linalg.norm(surface.mesh.points_mm - centre, axis=1)
    return centre, float(far[surface.whole].max(initial=0.0))
