"""What a scanner makes of a surface: its own triangles, noise, a hole, a fragment, a pose."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np

from phantom.body import Body
from phantom.shapes import onto_surface
from phantom.surface import relaxed, triangulate
from veneercheck.core.mesh.triangles import select_faces, vertex_normals
from veneercheck.core.types import Bools, Floats, Ints, RigidMotion, TriangleMesh

_SHIFT_MM = 40.0
"""Spread of the framework's own origin: another seat on another plate."""

_FRAGMENT_RADIUS_MM = 0.4
_FRAGMENT_OFF_MM = 4.0
"""A crumb floating beside the bridge, as a scan of dust or a string of wax."""

_HOLE_RADIUS_MM = 0.4
_HOLE_LEVEL_MM = 2.2
"""A spot the camera did not see."""

_FRAMEWORK_CROP_MM = -2.4
"""The framework's scan ends higher on the model strip than the wax-up's."""

_WAVES = 400
"""Enough for a field whose values are Gaussian to the eye of any test here."""

_RELAXING_ROUNDS = 3

_INSIDE_SHARE = 0.3
"""A vertex deeper inside the contour than this share of the grid spacing lies on a cavity."""


@dataclasses.dataclass(frozen=True, slots=True)
class Scanner:
    """How the two scans are taken.

    Parameters
    ----------
    framework_edge_mm, waxup_edge_mm : float
        Grid spacing of each scan, about its edge length.
    framework_noise_mm, waxup_noise_mm : float
        Standard deviation along the normal.
    noise_length_mm : float
        Correlation length of the noise; 0 for noise independent from vertex to vertex.
    hole, fragment, crop : bool
        Whether the framework's scan has them.
    """

    framework_edge_mm: float = 0.235
    waxup_edge_mm: float = 0.25
    framework_noise_mm: float = 0.010
    waxup_noise_mm: float = 0.008
    noise_length_mm: float = 0.0
    hole: bool = True
    fragment: bool = True
    crop: bool = True

    def framework_grid(self) -> RigidMotion:
        """How the framework's grid lies: turned, so that no triangle repeats the wax-up's."""
        return RigidMotion(_rotation(np.array([0.9, 0.2, -0.35, 0.15])), np.full(3, 0.071))


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class FrameworkScan:
    """A framework as scanned, still in the wax-up's frame, and where its vertices came from.

    Parameters
    ----------
    mesh, clean : TriangleMesh
        With and without noise.
    origin : ndarray of int64, shape (n,)
        Index of each vertex before the scan; −1 on the fragment.
    """

    mesh: TriangleMesh
    clean: TriangleMesh
    origin: Ints

    def carry(self, values: Any, missing: Any) -> Any:
        """Values of the vertices before the scan, handed on; `missing` on the fragment."""
        carried = np.full(len(self.origin), missing, dtype=values.dtype)
        known = self.origin >= 0
        carried[known] = values[self.origin[known]]
        return carried


def random_pose(rng: np.random.Generator) -> RigidMotion:
    """A rotation spread evenly over all of them and a shift of tens of millimetres."""
    return RigidMotion(_rotation(rng.normal(size=4)), rng.normal(scale=_SHIFT_MM, size=3))


def _rotation(quaternion: Floats) -> Floats:
    w, x, y, z = quaternion / np.linalg.norm(quaternion)
    return np.array(
        [
            [1 - 2 * (y * y + z * z), 2 * (x * y - w * z), 2 * (x * z + w * y)],
            [2 * (x * y + w * z), 1 - 2 * (x * x + z * z), 2 * (y * z - w * x)],
            [2 * (x * z - w * y), 2 * (y * z + w * x), 1 - 2 * (x * x + y * y)],
        ]
    )


def noisy(
    mesh: TriangleMesh, noise_mm: float, length_mm: float, rng: np.random.Generator
) -> TriangleMesh:
    """A mesh with Gaussian noise along its vertex normals.

    Parameters
    ----------
    noise_mm : float
        Standard deviation.
    length_mm : float
        ℓ of the correlation exp(−r²/2ℓ²); 0 for noise that is independent at each vertex.
    """
    if not noise_mm > 0:
        return mesh
    count = len(mesh.points_mm)
    shift = rng.normal(size=count) if length_mm <= 0 else _waves(mesh.points_mm, length_mm, rng)
    return TriangleMesh(
        mesh.points_mm + noise_mm * shift[:, None] * vertex_normals(mesh), mesh.faces
    )


def _waves(points_mm: Floats, length_mm: float, rng: np.random.Generator) -> Floats:
    """A random field of variance one: many cosines, frequencies spread as the spectrum asks.

    The spectrum of exp(−r²/2ℓ²) is Gaussian with deviation 1/ℓ (Bochner; random Fourier
    features, Rahimi and Recht 2007, from memory).
    """
    frequency = rng.normal(scale=1.0 / length_mm, size=(_WAVES, 3))
    phase = rng.uniform(0.0, 2.0 * np.pi, size=_WAVES)
    field = np.zeros(len(points_mm))
    for k, start in zip(frequency, phase, strict=True):
        field += np.cos(points_mm @ k + start)
    scaled: Floats = field * np.sqrt(2.0 / _WAVES)
    return scaled


def scan_waxup(body: Body, scanner: Scanner, rng: np.random.Generator) -> TriangleMesh:
    """Scan the full contour."""
    low, high = body.box()
    mesh = triangulate(body.solid, low, high, scanner.waxup_edge_mm)
    mesh = relaxed(mesh, _RELAXING_ROUNDS)
    points = np.array(mesh.points_mm)
    fitting = body.outer(points) < -_INSIDE_SHARE * scanner.waxup_edge_mm
    points[~fitting] = onto_surface(body.outer, points[~fitting])
    points[fitting] = onto_surface(body.cavities, points[fitting])
    return noisy(
        TriangleMesh(points, mesh.faces), scanner.waxup_noise_mm, scanner.noise_length_mm, rng
    )


def scan_framework(
    mesh: TriangleMesh, scanner: Scanner, body: Body, rng: np.random.Generator
) -> FrameworkScan:
    """Scan a framework: crop, hole, noise and fragment, in the wax-up's frame."""
    keep = np.ones(len(mesh.faces), dtype=bool)
    middle = mesh.points_mm[mesh.faces].mean(axis=1)
    if scanner.crop and body.base:
        keep &= middle[:, 2] > _FRAMEWORK_CROP_MM + 0.03 * middle[:, 0]
    if scanner.hole:
        keep &= ~_hole(body, middle)
    clean, origin = select_faces(mesh, keep)
    scanned = noisy(clean, scanner.framework_noise_mm, scanner.noise_length_mm, rng)
    if scanner.fragment:
        crumb = _fragment(mesh)
        clean, scanned = _joined(clean, crumb), _joined(scanned, crumb)
        origin = np.append(origin, np.full(len(crumb.points_mm), -1))
    return FrameworkScan(scanned, clean, origin)


def _hole(body: Body, middle_mm: Floats) -> Bools:
    """On the lingual side of the first unit, low down."""
    first = body.units[0]
    target = first.place([[0.0, -0.5 * first.form.depth_mm, _HOLE_LEVEL_MM]])[0]
    nearest = middle_mm[np.argmin(np.linalg.norm(middle_mm - target, axis=1))]
    hole: Bools = np.linalg.norm(middle_mm - nearest, axis=1) < _HOLE_RADIUS_MM
    return hole


def _fragment(mesh: TriangleMesh) -> TriangleMesh:
    high = mesh.points_mm.max(axis=0)
    corners = np.concatenate([np.eye(3), -np.eye(3)]) * _FRAGMENT_RADIUS_MM
    place = np.array([0.3 * high[0], high[1] + _FRAGMENT_OFF_MM, high[2]])
    faces = [[0, 1, 2], [1, 3, 2], [3, 4, 2], [4, 0, 2], [1, 0, 5], [3, 1, 5], [4, 3, 5], [0, 4, 5]]
    return TriangleMesh(corners + place, np.array(faces))


def _joined(first: TriangleMesh, second: TriangleMesh) -> TriangleMesh:
    faces = np.concatenate([first.faces, second.faces + len(first.points_mm)])
    return TriangleMesh(np.concatenate([first.points_mm, second.points_mm]), faces)
