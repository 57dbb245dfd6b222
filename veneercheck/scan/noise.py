"""How noisy a scan is, from the scan alone."""

from __future__ import annotations

import dataclasses

import numpy as np

from veneercheck.core.types import Bools, Floats, Ints, TriangleMesh
from veneercheck.scan.topology import Sides, sides_of

_SAMPLES = 1500
"""Places that are looked at; the median over them is then sure to about 2 %."""

_MOST_NEIGHBOURS = 24
"""Two rings of a regular mesh have 18 points; more come only from fans of slivers."""

_FEWEST_NEIGHBOURS = 9
"""A quadric has six coefficients; below three points to spare the residual says nothing."""

_COEFFICIENTS = 6


def estimate_noise_mm(mesh: TriangleMesh) -> float:
    """Standard deviation of the surface about a smooth one, along its normal, in mm.

    Round evenly chosen vertices a quadric is fitted to two rings of neighbours; the residual, by
    its degrees of freedom, is the noise there, and the median over all places that of the scan.
    Noise that neighbours share (a scanner's own smoothing) does not show and must be allowed for
    elsewhere. On a surface as coarse as its own detail, the detail is taken for noise.

    Returns
    -------
    float
        NaN if no vertex has enough neighbours.

    Examples
    --------
    >>> plate = TriangleMesh([[0, 0, 0], [1, 0, 0], [0, 1, 0]], [[0, 1, 2]])
    >>> estimate_noise_mm(plate)
    nan
    """
    return looked_at(mesh, sides_of(mesh)).usual_mm


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Places:
    """Places of a scan, evenly chosen, and how noisy each is.

    Parameters
    ----------
    vertices : ndarray of int64, shape (s,)
    noise_mm : ndarray, shape (s,)
    """

    vertices: Ints
    noise_mm: Floats

    @property
    def usual_mm(self) -> float:
        """The median; NaN without a place."""
        return float(np.median(self.noise_mm)) if len(self.noise_mm) else float("nan")


def looked_at(mesh: TriangleMesh, sides: Sides) -> Places:
    """Noise at places that have enough neighbours, where the sides of the mesh are known."""
    samples = _samples(mesh)
    neighbours, known = _two_rings(sides.edges, len(mesh.points_mm), samples)
    enough = known.sum(axis=1) >= _FEWEST_NEIGHBOURS
    if not enough.any():
        return Places(samples[enough], np.zeros(0))
    samples, neighbours, known = samples[enough], neighbours[enough], known[enough]
    variance, spare = _residual_variance(mesh, samples, neighbours, known)
    return Places(samples, np.sqrt(variance / _median_of_chi_square(spare)))


def _samples(mesh: TriangleMesh) -> Ints:
    count = len(mesh.points_mm)
    return np.arange(count) if count <= _SAMPLES else np.arange(_SAMPLES) * count // _SAMPLES


def _two_rings(edges: Ints, count: int, samples: Ints) -> tuple[Ints, Bools]:
    """Points at most two edges away, each sample's own included; padded to one width.

    Returns
    -------
    neighbours : ndarray of int64, shape (s, k)
    known : ndarray of bool, shape (s, k)
        False where a row is padded.
    """
    wanted = np.zeros(count, dtype=bool)
    wanted[samples] = True
    near = edges[wanted[edges[:, 0]] | wanted[edges[:, 1]]]
    wanted[near.reshape(-1)] = True
    near = edges[wanted[edges[:, 0]] | wanted[edges[:, 1]]]
    source = np.concatenate([near[:, 0], near[:, 1]])
    target = np.concatenate([near[:, 1], near[:, 0]])
    order = np.argsort(source, kind="stable")
    source, target = source[order], target[order]
    rows = np.arange(len(samples))
    one_row, one = _step(source, target, rows, samples)
    two_row, two = _step(source, target, one_row, one)
    key = np.unique(
        np.concatenate([rows * count + samples, one_row * count + one, two_row * count + two])
    )
    row, vertex = key // count, key % count
    place = np.arange(len(row)) - np.searchsorted(row, row)
    keep = place < _MOST_NEIGHBOURS
    neighbours = np.repeat(samples[:, None], _MOST_NEIGHBOURS, axis=1)
    known = np.zeros(neighbours.shape, dtype=bool)
    neighbours[row[keep], place[keep]] = vertex[keep]
    known[row[keep], place[keep]] = True
    return neighbours, known


def _step(source: Ints, target: Ints, row: Ints, vertex: Ints) -> tuple[Ints, Ints]:
    """Follow every edge from each vertex; the row it belongs to goes along."""
    first = np.searchsorted(source, vertex)
    ways = np.searchsorted(source, vertex, side="right") - first
    offset = np.arange(int(ways.sum())) - np.repeat(np.cumsum(ways) - ways, ways)
    return np.repeat(row, ways), target[np.repeat(first, ways) + offset]


def _residual_variance(
    mesh: TriangleMesh, samples: Ints, neighbours: Ints, known: Bools
) -> tuple[Floats, Floats]:
    """Residual to a quadric over each neighbourhood, and its degrees of freedom."""
    weight = known.astype(np.float64)
    number = weight.sum(axis=1)
    local = mesh.points_mm[neighbours] - mesh.points_mm[samples][:, None, :]
    local -= np.einsum("sk,ski->si", weight, local)[:, None, :] / number[:, None, None]
    local *= weight[:, :, None]
    frame = np.linalg.eigh(np.einsum("ski,skj->sij", local, local))[1]
    local = np.einsum("ski,sij->skj", local, frame)
    radius = np.sqrt((local[:, :, 1:] ** 2).sum(axis=(1, 2)) / number)
    radius = np.where(radius > 0, radius, 1.0)[:, None]
    height, x, y = local[:, :, 0], local[:, :, 1] / radius, local[:, :, 2] / radius
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=2) * weight[:, :, None]
    # Where the points lie on a conic the quadric is not unique; its residual still is.
    solver = np.linalg.pinv(np.einsum("ski,skj->sij", terms, terms), hermitian=True)
    fitted = np.einsum("sij,skj,sk->si", solver, terms, height)
    residual = height - np.einsum("ski,si->sk", terms, fitted)
    spare = number - _COEFFICIENTS
    return (residual**2 * weight).sum(axis=1) / spare, spare


def _median_of_chi_square(spare: Floats) -> Floats:
    """Median of chi-square over its degrees of freedom (Wilson and Hilferty 1931, from memory)."""
    median: Floats = (1.0 - 2.0 / (9.0 * spare)) ** 3
    return median
