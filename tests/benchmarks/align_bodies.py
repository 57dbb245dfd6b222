"""Bridges with a known pose, made from implicit surfaces: what the alignment is judged on.

Body frame: x along the bridge, y towards the cheek, z up. A body is described by numbers alone,
so that a list of seeds is a list of bodies.
"""

from __future__ import annotations

import dataclasses

import igl
import numpy as np

from veneercheck.core.mesh.motion import random_rotation
from veneercheck.core.mesh.triangles import face_areas, select_faces, vertex_areas, vertex_normals
from veneercheck.core.types import Bools, Floats, RigidMotion, TriangleMesh

_MARGIN_Z_MM = -2.6
"""Below this lies the gingiva: a scan on the model sees nothing further down."""


@dataclasses.dataclass(frozen=True)
class BodySpec:
    """A bridge, how it was cut, and how it was scanned."""

    seed: int
    units: int = 3
    arch_radius_mm: float = 60.0
    cut_from: float = -0.5
    """Height (tilted towards the cheek) from which on the surface was cut."""
    chamfer_mm: float = 0.5
    depth_mm: float = 1.5
    base_framework: bool = False
    base_waxup: bool = False
    underside: bool = False
    noise_mm: float = 0.01
    noise_length_mm: float = 0.0
    edge_framework_mm: float = 0.24
    edge_waxup_mm: float = 0.22
    lift_mm: float = 0.0
    """How far the whole bridge stands off its base in the framework scan."""
    holes: int = 0
    fragments: int = 0


@dataclasses.dataclass(frozen=True, eq=False)
class Body:
    """Two scans and the truth."""

    spec: BodySpec
    framework: TriangleMesh
    waxup: TriangleMesh
    waxup_from_framework: RigidMotion
    depth_mm: Floats
    """How deep each framework vertex was cut."""
    bridge: Bools
    """Framework vertices on the bridge, not on the base."""

    def true_reference(self) -> Bools:
        """Uncut framework vertices of the bridge."""
        return np.asarray((self.depth_mm < 1e-3) & self.bridge)


class _Shape:
    def __init__(self, spec: BodySpec) -> None:
        rng = np.random.default_rng(spec.seed)
        n = spec.units
        self.spec = spec
        pitch = rng.uniform(8.5, 10.5, n)
        along = np.concatenate([[0.0], np.cumsum(0.5 * (pitch[1:] + pitch[:-1]))])
        along -= along.mean()
        angle = along / spec.arch_radius_mm
        self.centre = np.stack(
            [
                spec.arch_radius_mm * np.sin(angle),
                spec.arch_radius_mm * (np.cos(angle) - 1),
                rng.uniform(-0.3, 0.3, n),
            ],
            axis=1,
        )
        self.angle = angle
        self.half = np.stack(
            [0.54 * pitch, rng.uniform(4.2, 5.2, n), rng.uniform(3.4, 4.2, n)], axis=1
        )
        self.power = rng.uniform(2.4, 3.2, n)
        self.phase = rng.uniform(0, 2 * np.pi, (n, 3))
        self.bump = rng.uniform(0.35, 0.7, n)
        self.wave = rng.normal(size=(6, 3)) * 0.35
        self.wave_phase = rng.uniform(0, 2 * np.pi, 6)

    def _local(self, points: Floats, k: int) -> Floats:
        c, s = np.cos(self.angle[k]), np.sin(self.angle[k])
        d = points - self.centre[k]
        return np.stack([c * d[:, 0] - s * d[:, 1], s * d[:, 0] + c * d[:, 1], d[:, 2]], axis=1)

    @staticmethod
    def _superellipsoid(local: Floats, half: Floats, power: float) -> Floats:
        scaled = (np.abs(local / half) ** power).sum(axis=1) ** (1 / power)
        return (scaled - 1.0) * float(half.min())

    def contour(self, points: Floats) -> Floats:
        """Signed distance, roughly, to the full contour of the bridge."""
        total = np.zeros(len(points))
        for k in range(self.spec.units):
            local = self._local(points, k)
            cusps = (
                self.bump[k]
                * np.cos(local[:, 0] * 1.25 + 0.3 * self.phase[k, 0])
                * np.cos(local[:, 1] * 1.3 + 0.3 * self.phase[k, 1])
            )
            local[:, 2] += cusps * (local[:, 2] > -1) * np.clip(local[:, 2] + 1, 0, 1)
            total += np.exp(-self._superellipsoid(local, self.half[k], self.power[k]) / 0.35)
        field = -0.35 * np.log(total + 1e-30)
        for k in range(6):
            field = field + 0.06 * np.sin(points @ (self.wave[k] * 4) + self.wave_phase[k])
        return np.asarray(field)

    def cavity(self, points: Floats) -> Floats:
        field = np.full(len(points), np.inf)
        for k in {0, self.spec.units - 1}:
            local = self._local(points, k)
            local[:, 2] += 2.5
            half = self.half[k] - np.array([2.4, 2.3, 1.2])
            field = np.minimum(field, self._superellipsoid(local, half, 3.0))
        return field

    def cut(self, points: Floats) -> Floats:
        height = points[:, 2] + 0.55 * (
            points[:, 1] - np.interp(points[:, 0], self.centre[:, 0], self.centre[:, 1])
        )
        wavy = 0.3 * np.sin(points[:, 0] * 0.7 + self.wave_phase[0])
        t = np.clip((height + wavy - self.spec.cut_from) / self.spec.chamfer_mm, 0, 1)
        return np.asarray(self.spec.depth_mm * t * t * (3 - 2 * t))

    def base(self, points: Floats) -> Floats:
        ridge = (
            0.5 * np.sin(points[:, 0] * 0.45 + self.wave_phase[1])
            + 0.4 * np.sin(points[:, 1] * 0.6 + self.wave_phase[2])
            + 0.3 * np.sin((points[:, 0] + points[:, 1]) * 0.9 + self.wave_phase[3])
        )
        arch = np.interp(points[:, 0], self.centre[:, 0], self.centre[:, 1])
        return np.asarray(points[:, 2] - (_MARGIN_Z_MM + ridge - 0.05 * (points[:, 1] - arch) ** 2))


def _mesh_of(field, low: Floats, high: Floats, step: float, turn: Floats) -> TriangleMesh:
    centre = 0.5 * (low + high)
    corners = np.array(np.meshgrid(*zip(low, high, strict=True), indexing="ij")).reshape(3, -1).T
    inside = (corners - centre) @ turn
    lo, hi = inside.min(axis=0), inside.max(axis=0)
    axes = [np.arange(a, b + step, step) for a, b in zip(lo, hi, strict=True)]
    grid = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1)
    shape = grid.shape[:3]
    points = np.ascontiguousarray(grid.transpose(2, 1, 0, 3).reshape(-1, 3))
    body = points @ turn.T + centre
    box = np.max(np.maximum(low - body, body - high), axis=1)
    values = np.full(len(points), 1.0)
    near = box < 2 * step
    values[near] = field(body[near])
    vertices, faces, _ = igl.marching_cubes(values, body, *shape, 0.0)
    mesh = TriangleMesh(vertices, faces)
    inner = np.all((mesh.points_mm > low) & (mesh.points_mm < high), axis=1)
    seat, away = mesh.points_mm[inner], 1e-2 * vertex_normals(mesh)[inner]
    if np.median(field(seat + away) - field(seat - away)) < 0:
        mesh = TriangleMesh(mesh.points_mm, mesh.faces[:, ::-1])
    mesh = _merge_slivers(mesh, 0.3 * step)
    middle = mesh.points_mm[mesh.faces].mean(axis=1)
    keep = np.all((middle > low) & (middle < high), axis=1) & (face_areas(mesh) > 1e-9)
    return select_faces(mesh, keep)[0]


def _merge_slivers(mesh: TriangleMesh, cell: float) -> TriangleMesh:
    _, first, label = np.unique(
        np.round(mesh.points_mm / cell).astype(np.int64),
        axis=0,
        return_index=True,
        return_inverse=True,
    )
    faces = label.reshape(-1)[mesh.faces]
    sound = (
        (faces[:, 0] != faces[:, 1]) & (faces[:, 1] != faces[:, 2]) & (faces[:, 0] != faces[:, 2])
    )
    return TriangleMesh(mesh.points_mm[first], faces[sound])


def _noise(mesh: TriangleMesh, sigma: float, length: float, rng: np.random.Generator) -> Floats:
    """Noise along the normals; correlated as exp(−r²/2ℓ²) if a length is given."""
    n = len(mesh.points_mm)
    if not sigma:
        return np.zeros(n)
    if not length:
        return np.asarray(rng.normal(0, sigma, n))
    waves = rng.normal(size=(400, 3)) / length
    phase = rng.uniform(0, 2 * np.pi, 400)
    total = np.zeros(n)
    for k in range(0, 400, 50):
        total += np.cos(mesh.points_mm @ waves[k : k + 50].T + phase[k : k + 50]).sum(axis=1)
    return np.asarray(sigma * np.sqrt(2 / 400) * total)


def _damage(mesh: TriangleMesh, spec: BodySpec, rng: np.random.Generator) -> TriangleMesh:
    middle = mesh.points_mm[mesh.faces].mean(axis=1)
    keep = np.ones(len(mesh.faces), dtype=bool)
    for _ in range(spec.holes):
        seat = middle[rng.integers(len(middle))]
        keep &= np.linalg.norm(middle - seat, axis=1) > rng.uniform(0.3, 1.2)
    points, faces = mesh.points_mm, mesh.faces[keep]
    for _ in range(spec.fragments):
        seat = points[rng.integers(len(points))] + rng.normal(size=3) * 3
        blob = seat + rng.normal(size=(12, 3)) * 0.2
        faces = np.concatenate([faces, len(points) + np.arange(12).reshape(4, 3)])
        points = np.concatenate([points, blob])
    return TriangleMesh(points, faces)


def make_body(spec: BodySpec, rng: np.random.Generator | None = None) -> Body:
    """Make a body, its two scans and their pose; fresh noise and pose from `rng`."""
    rng = rng or np.random.default_rng(spec.seed + 1000)
    clean_f, clean_w = clean_scans(spec)
    return scan_body(spec, clean_f, clean_w, rng)


def clean_scans(spec: BodySpec) -> tuple[TriangleMesh, TriangleMesh]:
    """Both surfaces without noise, in the body frame."""
    shape = _Shape(spec)
    rng = np.random.default_rng(spec.seed + 500)
    reach = shape.half.max(axis=0) + 1.0
    low, high = shape.centre.min(axis=0) - reach, shape.centre.max(axis=0) + reach
    bottom = low[2] if spec.underside else _MARGIN_Z_MM

    def one(cut: bool, base: bool, step: float) -> TriangleMesh:
        wider = rng.uniform(3, 6, 4) if base else np.zeros(4)
        lo = np.array([low[0] - wider[0], low[1] - wider[1], bottom - (2.5 if base else 0)])
        hi = np.array([high[0] + wider[2], high[1] + wider[3], high[2]])
        if not base and not spec.underside:
            lo[2] += rng.uniform(0, 0.3)

        def field(points: Floats) -> Floats:
            raised = points - np.array([0, 0, spec.lift_mm if cut else 0.0])
            value = shape.contour(raised)
            if cut:
                value = value + shape.cut(raised)
            if spec.underside:
                value = np.maximum(value, -shape.cavity(raised))
            if base:
                value = np.minimum(value, shape.base(points))
            return value

        return _mesh_of(field, lo, hi, step, random_rotation(rng))

    return (
        one(True, spec.base_framework, spec.edge_framework_mm),
        one(False, spec.base_waxup, spec.edge_waxup_mm),
    )


def truth(spec: BodySpec, framework: TriangleMesh) -> tuple[Floats, Bools]:
    """How deep each vertex of a framework in the body frame was cut; which lie on the bridge."""
    shape = _Shape(spec)
    raised = framework.points_mm - np.array([0, 0, spec.lift_mm])
    depth = shape.cut(raised)
    bridge = np.ones(len(depth), dtype=bool)
    if spec.base_framework:
        bridge = shape.contour(raised) + depth < shape.base(framework.points_mm)
    depth[~bridge] = 0.0
    if spec.underside:
        depth[-shape.cavity(raised) > shape.contour(raised) + depth] = 0.0
    return depth, bridge


def scan_body(
    spec: BodySpec, clean_f: TriangleMesh, clean_w: TriangleMesh, rng: np.random.Generator
) -> Body:
    """Fresh noise, holes and pose on given clean surfaces."""
    framework, waxup = _damage(clean_f, spec, rng), _damage(clean_w, spec, rng)
    depth, bridge = truth(spec, framework)
    turn = random_rotation(rng)
    waxup_from_body = RigidMotion(random_rotation(rng), rng.uniform(-80, 80, 3))
    framework_from_body = RigidMotion(turn, rng.uniform(-80, 80, 3))
    noisy = [
        mesh.points_mm
        + vertex_normals(mesh) * _noise(mesh, spec.noise_mm, spec.noise_length_mm, rng)[:, None]
        for mesh in (framework, waxup)
    ]
    return Body(
        spec,
        TriangleMesh(framework_from_body.apply(noisy[0]), framework.faces),
        TriangleMesh(waxup_from_body.apply(noisy[1]), waxup.faces),
        waxup_from_body.after(framework_from_body.inverse()),
        depth,
        bridge,
    )


def uncut_share(body: Body) -> float:
    """Uncut share of the bridge's area in the framework scan."""
    area = vertex_areas(body.framework)
    return float(area[body.true_reference()].sum() / area[body.bridge].sum())
