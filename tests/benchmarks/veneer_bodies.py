"""Invented bridges that hold what real teeth hold: steep run-outs, shoulders, folds, tight gaps.

A body is a contour (an implicit surface), a finish line on it, and a profile: the line that the
cut draws in a section across the finish line, from uncut contour through the run-out to the full
depth. The framework is the zero set of the distance from that profile in (way from the line, depth
under the contour), so that walls of any steepness, shoulders of 90° and steps within the veneer
are as sharp as the triangles let them be. Faults are planted in the plan, as a change of the depth
over a disc.

The truth does not come from the program: depths are distances to a fine triangulation of the true
contour (libigl's tree over all its triangles), the widest veneer is the largest ball found on a
grid of centres.
"""

from __future__ import annotations

import dataclasses
import hashlib
import itertools
import json
import math
import os
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import igl
import numpy as np

from veneercheck.core.mesh import components, select_faces, unique_edges, vertex_areas
from veneercheck.core.types import Bools, Floats, LayerLimits, Limits, TriangleMesh
from veneercheck.phantom.cutback import distance_from_line
from veneercheck.phantom.scanned import Scanner
from veneercheck.phantom.shapes import Field, onto_surface
from veneercheck.phantom.surface import neighbour_means, relaxed, triangulate
from veneercheck.profile import built_in

CACHE = Path(os.environ.get("VENEER_BODIES", tempfile.gettempdir() + "/veneer_bodies"))
"""Where made bodies are kept."""

DESIGN_EDGE_MM = 0.16
"""Of the triangulation that stands for the true contour."""

LEAST_FAULT_MM2 = 0.5
SPOT_MM2 = 0.25
"""A reading is a mean over so much."""

_VERSION = 3
"""Bodies kept by another one are made anew."""

_FAR_MM = 99.0
_ARC_STEPS = 10
_BALL_GRID_MM = 0.2
_DEEPEST_MM = 2.5
_STEEP_RAD = math.radians(76.0)
_RELAXING_ROUNDS = 3
_ON_CONTOUR_MM = 0.04
_CLEARING_ROUNDS = 20
_AS_NEAR_MM = 0.05
_CLEAR_MM = 0.005
_AT_ONCE = 200_000


@dataclasses.dataclass(frozen=True)
class Contour:
    """The outer form of a body, and where it is cut.

    Parameters
    ----------
    outer : callable
        Field, negative inside.
    extent : callable
        Positive where it is cut.
    low_mm, high_mm : ndarray, shape (3,)
        Box at which both scans end.
    """

    outer: Field
    extent: Callable[[Floats], Floats]
    low_mm: Floats
    high_mm: Floats
    case: dict[str, Any] = dataclasses.field(default_factory=dict)


@dataclasses.dataclass(frozen=True)
class Runout:
    """The profile of a cut.

    Parameters
    ----------
    kind : {"shoulder", "chamfer", "knife", "steep"}
    depth_mm : float
        Full depth.
    width_mm : float
        Of the run-out; inner radius of a shoulder.
    steps_mm : tuple of (float, float)
        Farther in, at so many mm from the line, the depth goes on at another value, by a wall.
    """

    kind: str
    depth_mm: float
    width_mm: float = 0.0
    steps_mm: tuple[tuple[float, float], ...] = ()

    def line(self) -> Floats:
        """Corners of the profile: (way inward from the finish line, depth), shape (k, 2)."""
        angle = np.linspace(0.0, 0.5 * np.pi, _ARC_STEPS + 1)
        depth, width = self.depth_mm, self.width_mm
        if self.kind == "shoulder":
            bend = np.stack([1 - np.cos(angle), np.sin(angle) - 1.0], axis=1) * width
            start = np.array([[0.0, 0.0], *(bend + [0.0, depth])])
        elif self.kind == "chamfer":
            start = np.stack([width * (1 - np.cos(angle)), depth * np.sin(angle)], axis=1)
        else:
            start = np.array([[0.0, 0.0], [self.reach_mm, depth]])
        corners = [np.array([[-_FAR_MM, 0.0]]), start]
        for at, after in self.steps_mm:
            corners.append(np.array([[at, depth], [at + 1e-6, after]]))
            depth = after
        return np.concatenate([*corners, np.array([[_FAR_MM, depth]])])

    @property
    def reach_mm(self) -> float:
        """How far from the line the full depth is reached."""
        if self.kind == "steep":
            return self.depth_mm / math.tan(_STEEP_RAD)
        return self.width_mm


@dataclasses.dataclass(frozen=True)
class Plan:
    """A fault to plant: its depth, and how large its flat part is.

    Parameters
    ----------
    kind : {"too_thin", "too_thick", "over_contour"}
    beyond_mm : float
        How far the layer lies beyond its limit over the flat part.
    area_mm2 : float
    """

    kind: str
    beyond_mm: float
    area_mm2: float


@dataclasses.dataclass(frozen=True)
class Spec:
    """All that a body is made from; the same spec gives the same body."""

    name: str
    family: str
    form: dict[str, Any]
    runout: Runout
    margin_mm: float = 0.0
    faults: tuple[Plan, ...] = ()
    beads_mm: float = 0.0
    edges_mm: tuple[float, float] = (0.22, 0.24)
    seed: int = 1

    def key(self) -> str:
        """A name for its file."""
        digest = hashlib.sha256(f"{_VERSION} {self!r}".encode()).hexdigest()[:12]
        return f"{self.name}-{digest}"


@dataclasses.dataclass(frozen=True)
class Planted:
    """A fault as planted.

    Parameters
    ----------
    middle_mm : tuple of 3 floats
        On the framework.
    on_contour_mm : tuple of 3 floats
    radius_mm, reach_mm : float
        Of its flat part, and of all of it.
    worst_mm : float
        True depth under the contour, mean over the worst 0.25 mm².
    """

    kind: str
    beyond_mm: float
    area_mm2: float
    middle_mm: tuple[float, float, float]
    on_contour_mm: tuple[float, float, float]
    radius_mm: float
    reach_mm: float
    worst_mm: float


@dataclasses.dataclass(frozen=True, eq=False)
class Made:
    """A body: both surfaces before noise in the wax-up's frame, and its true contour."""

    spec: Spec
    framework: TriangleMesh
    waxup: TriangleMesh
    contour: TriangleMesh
    inward_mm: Floats
    """Of every vertex of the contour from the finish line, positive where it is cut."""
    outside: Callable[[Floats], Bools]
    widest_mm: float
    """Diameter of the largest ball between framework and contour, faults left out."""
    faults: tuple[Planted, ...]
    case: dict[str, Any]

    def at(self, points_mm: Floats) -> tuple[Floats, Floats, Floats]:
        """True signed depth, way of the foot from the finish line, and the foot."""
        return _under(self.contour, self.inward_mm, points_mm, self.outside)

    def limits(self) -> Limits:
        """Limits under which all but the planted faults is sound.

        Source: the plan. A laboratory whose run-outs are wider says so; the greatest layer is
        clear of the largest ball between both surfaces.
        """
        standard = built_in()
        taken = standard.opaquer_mm + self.spec.beads_mm
        greatest = max(standard.layer.greatest_mm, math.ceil(20 * (self.widest_mm - taken)) / 20)
        return dataclasses.replace(
            standard,
            layer=LayerLimits(standard.layer.least_mm, greatest),
            beads_mm=self.spec.beads_mm,
            finish_line_width_mm=max(standard.finish_line_width_mm, self.spec.runout.reach_mm),
        )


def least_space_mm(spec: Spec) -> float:
    """Layer, opaquer and beads together: what the plan cuts at least."""
    limits = built_in()
    return limits.layer.least_mm + limits.opaquer_mm + spec.beads_mm


def _under(
    contour: TriangleMesh, inward: Floats, points: Floats, outside: Callable[[Floats], Bools]
) -> tuple[Floats, Floats, Floats]:
    square, face, foot = igl.point_mesh_squared_distance(
        np.ascontiguousarray(points), contour.points_mm, contour.faces
    )
    corners = contour.points_mm[contour.faces[face]]
    shares = igl.barycentric_coordinates(
        *(np.ascontiguousarray(part) for part in (foot, *corners.transpose(1, 0, 2)))
    )
    way = np.einsum("ij,ij->i", shares, inward[contour.faces[face]])
    return np.where(outside(points), -1.0, 1.0) * np.sqrt(square), way, foot


def profile_distance(line: Floats, way_mm: Floats, depth_mm: Floats) -> Floats:
    """Distance from a profile, negative under it, where the metal is."""
    found = np.full(len(way_mm), np.inf)
    for start, end in itertools.pairwise(line):
        along = end - start
        from_start = np.stack([way_mm, depth_mm], axis=1) - start
        share = np.clip(from_start @ along / max(along @ along, 1e-30), 0.0, 1.0)
        gap = from_start - share[:, None] * along
        found = np.minimum(found, np.einsum("ij,ij->i", gap, gap))
    under = depth_mm > np.interp(way_mm, line[:, 0], line[:, 1])
    return np.where(under, -1.0, 1.0) * np.sqrt(found)


class CutField:
    """Field of a contour that is lowered by a profile and by the planted changes."""

    def __init__(self, made: _Design, line: Floats) -> None:
        self._made, self._line = made, line

    def __call__(self, points_mm: Floats) -> Floats:
        """Values, shape (n,)."""
        made = self._made
        depth, way, foot = _under(made.mesh, made.inward_mm, points_mm, made.outside)
        return profile_distance(self._line, way, depth - made.change(foot))


@dataclasses.dataclass(frozen=True, eq=False)
class _Design:
    shape: Contour
    mesh: TriangleMesh
    inward_mm: Floats
    discs: tuple[tuple[Floats, float, float, float], ...] = ()
    """Middle on the contour, radius of the flat part, width of its slope, change of depth."""

    def outside(self, points_mm: Floats) -> Bools:
        """Which points lie out of the contour."""
        return np.asarray(self.shape.outer(points_mm) > 0)

    def change(self, foot_mm: Floats) -> Floats:
        """What the planted faults add to the depth over points of the contour."""
        total = np.zeros(len(foot_mm))
        for middle, radius, slope, change in self.discs:
            away = np.linalg.norm(foot_mm - middle, axis=1)
            total += change * _smooth_step((radius + slope - away) / slope)
        return total


def _smooth_step(share: Floats) -> Floats:
    share = np.clip(share, 0.0, 1.0)
    return share * share * (3.0 - 2.0 * share)


def make(spec: Spec, contour: Callable[[Spec], Contour]) -> Made:
    """Make a body, or take it from where it was kept."""
    shape = contour(spec)
    file = CACHE / f"{spec.key()}.npz"
    if file.exists():
        return _kept(file, spec, shape)
    made = _made(spec, shape)
    CACHE.mkdir(parents=True, exist_ok=True)
    beside = file.with_suffix(".part.npz")
    np.savez(
        beside,
        widest=made.widest_mm,
        inward=made.inward_mm,
        faults=json.dumps([dataclasses.asdict(fault) for fault in made.faults]),
        **{
            f"{name}_{part}": getattr(getattr(made, name), field)
            for name in ("framework", "waxup", "contour")
            for part, field in (("points", "points_mm"), ("faces", "faces"))
        },
    )
    beside.replace(file)
    return made


def _kept(file: Path, spec: Spec, shape: Contour) -> Made:
    with np.load(file) as kept:
        meshes = [
            TriangleMesh(kept[f"{name}_points"], kept[f"{name}_faces"])
            for name in ("framework", "waxup", "contour")
        ]
        faults = tuple(
            Planted(**{k: tuple(v) if isinstance(v, list) else v for k, v in one.items()})
            for one in json.loads(str(kept["faults"]))
        )
        inward, widest = kept["inward"], float(kept["widest"])
    return Made(spec, *meshes, inward, _outside_of(shape), widest, faults, shape.case)


def _outside_of(shape: Contour) -> Callable[[Floats], Bools]:
    return lambda points: np.asarray(shape.outer(points) > 0)


def _made(spec: Spec, shape: Contour) -> Made:
    rng = np.random.default_rng([spec.seed, 3])
    mesh = _surface(shape.outer, shape, DESIGN_EDGE_MM)
    inward = distance_from_line(mesh, shape.extent(mesh.points_mm))
    design = _Design(shape, mesh, inward)
    line = spec.runout.line()
    sound = _cut(design, line, spec) if spec.faults else None
    design = dataclasses.replace(design, discs=_seats(spec, design, rng))
    framework = _cut(design, line, spec)
    widest = _largest_ball(sound or framework, design)
    faults = tuple(
        _planted(plan, disc, framework, design)
        for plan, disc in zip(spec.faults, design.discs, strict=True)
        if disc[3] != 0.0
    )
    waxup = _surface(shape.outer, shape, spec.edges_mm[1], start=_jitter(rng))
    outside = _outside_of(shape)
    return Made(spec, framework, waxup, mesh, inward, outside, widest, faults, shape.case)


def _jitter(rng: np.random.Generator) -> Floats:
    return np.asarray(rng.uniform(0.01, 0.09, size=3))


def _surface(
    field: Field, shape: Contour, edge_mm: float, *, start: Floats | None = None
) -> TriangleMesh:
    low = shape.low_mm if start is None else shape.low_mm + start
    mesh = relaxed(triangulate(field, low, shape.high_mm, edge_mm), _RELAXING_ROUNDS)
    return TriangleMesh(onto_surface(field, mesh.points_mm), mesh.faces)


def _cut(design: _Design, line: Floats, spec: Spec) -> TriangleMesh:
    """The framework, triangulated on a turned grid; its uncut part lies on the contour."""
    shape, field = design.shape, CutField(design, line)
    grid = Scanner().framework_grid()
    mesh = triangulate(field, shape.low_mm, shape.high_mm, spec.edges_mm[0], box_from_grid=grid)
    mesh = relaxed(_largest_part(mesh), _RELAXING_ROUNDS)
    points = onto_surface(field, mesh.points_mm, steps=3)
    value = field(points)
    # On a sharp edge a step overshoots: the vertex is left where its neighbours see it.
    astray = np.abs(value) > 0.02
    points[astray] = neighbour_means(mesh, mesh.points_mm)[astray]
    depth, way, foot = _under(design.mesh, design.inward_mm, points, design.outside)
    uncut = (np.abs(depth) < _ON_CONTOUR_MM) & (way < -spec.edges_mm[0])
    uncut &= np.abs(design.change(foot)) == 0.0
    points[uncut] = onto_surface(shape.outer, points[uncut])
    return _cleared(TriangleMesh(points, mesh.faces), design, spec)


def _cleared(mesh: TriangleMesh, design: _Design, spec: Spec) -> TriangleMesh:
    """Push vertices out of the room that a contour point as near as their own foot asks for.

    Under a ridge whose one side is cut and whose other is not, a point is as far from both; the
    plan looks at one of them, the hand must leave room under the other as well.
    """
    from scipy.spatial import cKDTree

    cut = design.inward_mm > 0
    contour, way = design.mesh.points_mm[cut], design.inward_mm[cut]
    full = max(spec.runout.reach_mm, built_in().finish_line_width_mm)
    asked = least_space_mm(spec) * np.clip(way / full, 0.0, 1.0)
    tree, points = cKDTree(contour), np.array(mesh.points_mm)
    depth, _, foot = _under(design.mesh, design.inward_mm, points, design.outside)
    # What is planted is left as it was planned.
    left = np.flatnonzero((depth > _ON_CONTOUR_MM) & (design.change(foot) == 0.0))
    for _ in range(_CLEARING_ROUNDS):
        depth, _, _ = _under(design.mesh, design.inward_mm, points[left], design.outside)
        short, at = np.zeros(len(left)), np.zeros(len(left), dtype=np.int64)
        close = depth < least_space_mm(spec)
        near = tree.query_ball_point(points[left[close]], depth[close] + _AS_NEAR_MM)
        for k, others in zip(np.flatnonzero(close), near, strict=True):
            if others:
                best = max(others, key=asked.__getitem__)
                short[k], at[k] = asked[best] - depth[k], best
        wrong = short > _CLEAR_MM
        if not wrong.any():
            break
        left, at, short = left[wrong], at[wrong], short[wrong]
        away = points[left] - contour[at]
        away /= np.linalg.norm(away, axis=1, keepdims=True)
        points[left] += np.minimum(short + 0.01, 0.06)[:, None] * away
    return TriangleMesh(points, mesh.faces)


def _largest_part(mesh: TriangleMesh) -> TriangleMesh:
    edges, _, _ = unique_edges(mesh.faces)
    label = components(len(mesh.points_mm), edges)
    largest = np.bincount(label).argmax()
    return select_faces(mesh, label[mesh.faces[:, 0]] == largest)[0]


def _seats(
    spec: Spec, design: _Design, rng: np.random.Generator
) -> tuple[tuple[Floats, float, float, float], ...]:
    """Places for the faults: clear of the finish line and of each other, drawn by chance."""
    limits, mesh = built_in(), design.mesh
    space = least_space_mm(spec)
    taken = space - limits.layer.least_mm
    full = spec.runout.line()[-1, 1]
    free = design.inward_mm - max(spec.runout.reach_mm, limits.finish_line_width_mm)
    discs: list[tuple[Floats, float, float, float]] = []
    for plan in spec.faults:
        target = {
            "too_thin": space - plan.beyond_mm,
            "too_thick": limits.layer.greatest_mm + taken + plan.beyond_mm,
            "over_contour": -plan.beyond_mm,
        }[plan.kind]
        change = target - full
        slope = max(1.5 * abs(change), 0.4)
        # Where there is no room for so large a fault, a smaller one is planted, or none.
        largest = float(free.max()) - slope - 0.25
        radius = min(math.sqrt(plan.area_mm2 / math.pi), largest)
        if math.pi * max(radius, 0.0) ** 2 < LEAST_FAULT_MM2:
            discs.append((np.full(3, _FAR_MM), 0.1, 0.1, 0.0))
            continue
        middle = mesh.points_mm[rng.choice(np.flatnonzero(free > radius + slope + 0.2))]
        discs.append((middle, radius, slope, change))
        away = np.linalg.norm(mesh.points_mm - middle, axis=1) - radius - slope
        free = np.minimum(free, away)
    return tuple(discs)


def _planted(
    plan: Plan,
    disc: tuple[Floats, float, float, float],
    framework: TriangleMesh,
    design: _Design,
) -> Planted:
    middle, radius, slope, _ = disc
    near = np.linalg.norm(framework.points_mm - middle, axis=1) < radius + slope + 4.0
    kept = np.flatnonzero(near)
    points = framework.points_mm[kept]
    depth, _, foot = _under(design.mesh, design.inward_mm, points, design.outside)
    away = np.linalg.norm(foot - middle, axis=1)
    mine = away < radius + slope
    points, depth, away = points[mine], depth[mine], away[mine]
    area = vertex_areas(framework)[kept][mine]
    means = spot_means(points, area, depth)
    worst = means.max() if plan.kind == "too_thick" else means.min()
    return Planted(
        plan.kind,
        plan.beyond_mm,
        round(math.pi * radius**2, 2),
        tuple(float(c) for c in points[away.argmin()]),
        tuple(float(c) for c in middle),
        radius,
        float(radius + slope),
        float(worst),
    )


def spot_means(points: Floats, area: Floats, values: Floats) -> Floats:
    """Mean over the disc of 0.25 mm² about each point, shape (n,)."""
    from scipy.spatial import cKDTree

    near = cKDTree(points).query_ball_point(points, math.sqrt(SPOT_MM2 / math.pi))
    return np.array([area[at] @ values[at] / area[at].sum() for at in near])


def _largest_ball(framework: TriangleMesh, design: _Design) -> float:
    """Diameter of the largest ball that fits between the framework and the contour."""
    shape = design.shape
    axes = [
        np.arange(low, high, _BALL_GRID_MM)
        for low, high in zip(shape.low_mm, shape.high_mm, strict=True)
    ]
    grid = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
    widest = 0.0
    for first in range(0, len(grid), _AT_ONCE):
        centres = grid[first : first + _AT_ONCE]
        field = shape.outer(centres)
        centres = centres[(field < -0.3) & (field > -4.0)]
        if not len(centres):
            continue
        depth, way, _ = _under(design.mesh, design.inward_mm, centres, design.outside)
        within = (way > 0) & (depth < _DEEPEST_MM)
        centres, depth = centres[within], depth[within]
        if not len(centres):
            continue
        square, face, foot = igl.point_mesh_squared_distance(
            centres, framework.points_mm, framework.faces
        )
        corners = framework.points_mm[framework.faces[face]]
        normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        above = np.einsum("ij,ij->i", centres - foot, normal) > 0
        radius = np.minimum(depth, np.sqrt(square))[above]
        widest = max(widest, 2.0 * float(radius.max(initial=0.0)))
    return widest
