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
import json
import math
import os
import tempfile
from collections.abc import Callable
from pathlib import Path

import igl
import numpy as np

from phantom.cutback import distance_from_line
from phantom.scanned import Scanner
from phantom.shapes import Field, onto_surface
from phantom.surface import neighbour_means, relaxed, triangulate
from veneer_plans import (
    Contour,
    Made,
    Plan,
    Planted,
    Spec,
    least_space_mm,
    profile_distance,
    spot_means,
    under,
)
from veneercheck.core.mesh.triangles import (
    components,
    select_faces,
    unique_edges,
    vertex_areas,
    vertex_normals,
)
from veneercheck.core.types import Bools, Floats, TriangleMesh
from veneercheck.profile import built_in

CACHE = Path(os.environ.get("VENEER_BODIES", tempfile.gettempdir() + "/veneer_bodies"))
"""Where made bodies are kept."""

DESIGN_EDGE_MM = 0.18
"""Of the triangulation that stands for the true contour."""

LEAST_FAULT_MM2, LEAST_FAULT_MM = 0.5, 0.09
"""What is planted is larger than the smallest zone, and clear of the uncertainty."""

_FALLBACK = Plan("too_thin", 0.3, 1.0)
"""Planted where there is no room for what was planned."""

_MOST_SEATS, _LEAST_FLAT_MM2 = 200, 0.4
_BESIDE_MM, _FLAT_COS = 0.2, math.cos(math.radians(50.0))
_FAR_MM = 99.0
_RADII_MM = (1.05, 1.1, 1.15, 1.2, 1.25, 1.3, 1.4, 1.5, 1.6, 1.8, 2.0)
_BALL_SLACK_MM = 0.1
_OUT_OF_REACH_MM, _DEEP_MM, _SHALLOW_MM = 1.6, 5.0, 3.0
"""Fields farther out or deeper in are told by the contour alone, to save time."""

_RELAXING_ROUNDS = 3
_SMOOTHING_ROUNDS = 4
_ON_CONTOUR_MM = 0.04
_CLEARING_ROUNDS = 20
_AS_NEAR_MM = 0.05
_CLEAR_MM = 0.005


class CutField:
    """Field of a contour that is lowered by a profile and by the planted changes."""

    def __init__(self, made: _Design, line: Floats) -> None:
        self._made, self._line = made, line

    def __call__(self, points_mm: Floats) -> Floats:
        """Values, shape (n,)."""
        made = self._made
        field = made.shape.outer(points_mm)
        near = (field < _OUT_OF_REACH_MM) & (field > -_DEEP_MM)
        field = np.where(field > 0, field, field + _SHALLOW_MM)
        field[near] = self.parts(points_mm[near])[0]
        return field

    def parts(self, points_mm: Floats) -> tuple[Floats, Floats]:
        """Values, and the step onto the surface where it runs along with the contour."""
        made = self._made
        depth, way, foot = made.under(points_mm)
        change = made.change(foot)
        value = profile_distance(self._line, way, depth - change)
        asked = np.interp(way, self._line[:, 0], self._line[:, 1])
        along = (np.abs(np.abs(value) - np.abs(depth - asked)) < 1e-9) & (change == 0.0)
        away = np.maximum(np.abs(depth), 1e-9)
        step = (foot - points_mm) * ((depth - asked) / np.where(depth < 0, -away, away))[:, None]
        step[~along | (np.abs(depth) < _ON_CONTOUR_MM)] = np.nan
        return value, step

    def onto(self, points_mm: Floats) -> Floats:
        """Points moved onto the surface: at once where it runs along, else by Newton's steps."""
        points = points_mm.copy()
        for _ in range(2):
            _, step = self.parts(points)
            along = np.isfinite(step[:, 0])
            points[along] += step[along]
        points[~along] = onto_surface(self, points[~along], steps=3)
        return points


@dataclasses.dataclass(frozen=True, eq=False)
class Disc:
    """A change of the depth: over a disc of the contour, and running out on a slope round it."""

    kind: str
    middle_mm: Floats
    radius_mm: float
    slope_mm: float
    change_mm: float

    @property
    def reach_mm(self) -> float:
        """Radius of all of it."""
        return self.radius_mm + self.slope_mm


@dataclasses.dataclass(frozen=True, eq=False)
class _Design:
    shape: Contour
    mesh: TriangleMesh
    inward_mm: Floats
    discs: tuple[Disc, ...] = ()

    def outside(self, points_mm: Floats) -> Bools:
        """Which points lie out of the contour."""
        return np.asarray(self.shape.outer(points_mm) > 0)

    def under(self, points_mm: Floats) -> tuple[Floats, Floats, Floats]:
        """Signed depth, way of the foot from the finish line, and the foot."""
        return under(self.mesh, self.inward_mm, points_mm, self.outside)

    def change(self, foot_mm: Floats) -> Floats:
        """What the planted faults add to the depth over points of the contour."""
        total = np.zeros(len(foot_mm))
        for disc in self.discs:
            away = np.linalg.norm(foot_mm - disc.middle_mm, axis=1)
            total += disc.change_mm * _smooth_step((disc.reach_mm - away) / disc.slope_mm)
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
    planted = [_planted(disc, framework, design, spec) for disc in design.discs]
    faults = tuple(fault for fault in planted if fault is not None)
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
    if spec.form.get("moved"):
        return _cleared(_moved(design, line, spec), design, spec)
    shape, field = design.shape, CutField(design, line)
    grid = Scanner().framework_grid()
    mesh = triangulate(field, shape.low_mm, shape.high_mm, spec.edges_mm[0], box_from_grid=grid)
    mesh = relaxed(_largest_part(mesh), _RELAXING_ROUNDS)
    points = field.onto(mesh.points_mm)
    value, _ = field.parts(points)
    # On a sharp edge a step overshoots: the vertex is left where its neighbours see it.
    astray = np.abs(value) > 0.02
    points[astray] = neighbour_means(mesh, mesh.points_mm)[astray]
    depth, way, foot = design.under(points)
    uncut = (np.abs(depth) < _ON_CONTOUR_MM) & (way < -spec.edges_mm[0])
    uncut &= np.abs(design.change(foot)) == 0.0
    points[uncut] = onto_surface(shape.outer, points[uncut])
    return _cleared(TriangleMesh(points, mesh.faces), design, spec)


def _moved(design: _Design, line: Floats, spec: Spec) -> TriangleMesh:
    """The contour's own triangles moved inward, as a program for drawing does: they may fold."""
    shape = design.shape
    mesh = _surface(shape.outer, shape, spec.edges_mm[0], start=np.full(3, 0.5 * _BESIDE_MM))
    _, way, foot = design.under(mesh.points_mm)
    asked = np.interp(way, line[:, 0], line[:, 1]) - design.change(foot)
    inward = -vertex_normals(mesh)
    for _ in range(_SMOOTHING_ROUNDS):
        inward = neighbour_means(mesh, inward)
    inward /= np.linalg.norm(inward, axis=1, keepdims=True)
    return TriangleMesh(mesh.points_mm + asked[:, None] * inward, mesh.faces)


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
    depth, _, foot = design.under(points)
    # What is planted is left as it was planned.
    left = np.flatnonzero((depth > _ON_CONTOUR_MM) & (design.change(foot) == 0.0))
    for _ in range(_CLEARING_ROUNDS):
        depth, _, _ = design.under(points[left])
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


def _seats(spec: Spec, design: _Design, rng: np.random.Generator) -> tuple[Disc, ...]:
    """Places for the faults: clear of the finish line and of each other, drawn by chance."""
    free = design.inward_mm - max(spec.runout.reach_mm, built_in().finish_line_width_mm)
    discs: list[Disc] = []
    for plan in spec.faults:
        disc = _seat(plan, spec, design, free, rng) or _seat(_FALLBACK, spec, design, free, rng)
        if disc is None:
            continue
        discs.append(disc)
        away = np.linalg.norm(design.mesh.points_mm - disc.middle_mm, axis=1)
        free = np.minimum(free, away - disc.reach_mm)
    return tuple(discs)


def _seat(
    plan: Plan, spec: Spec, design: _Design, free: Floats, rng: np.random.Generator
) -> Disc | None:
    """A place where there is room for a fault, made smaller if need be, and metal under it."""
    limits, mesh, space = built_in(), design.mesh, least_space_mm(spec)
    target = {
        "too_thin": space - plan.beyond_mm,
        "too_thick": limits.layer.greatest_mm + space - limits.layer.least_mm + plan.beyond_mm,
        "over_contour": -plan.beyond_mm,
    }[plan.kind]
    change = target - spec.runout.line()[-1, 1]
    slope = max(1.5 * abs(change), 0.4)
    radius = min(math.sqrt(plan.area_mm2 / math.pi), float(free.max()) - slope - 0.25)
    if math.pi * max(radius, 0.0) ** 2 < LEAST_FAULT_MM2:
        return None
    seats = rng.permutation(np.flatnonzero(free > radius + slope + 0.2))[:_MOST_SEATS]
    # Under a ridge the other side may be nearer than the fault is deep.
    below = max(target, space) + 0.2
    depth, _, _ = design.under(mesh.points_mm[seats] - below * vertex_normals(mesh)[seats])
    ways = vertex_normals(mesh)
    for seat in seats[depth > below - 0.05]:
        near = np.linalg.norm(mesh.points_mm - mesh.points_mm[seat], axis=1) < radius + _BESIDE_MM
        # Over a ridge a disc of the contour has hardly any framework under it.
        if (ways[near] @ ways[seat]).min() > _FLAT_COS:
            return Disc(plan.kind, mesh.points_mm[seat], radius, slope, change)
    return None


def _planted(disc: Disc, framework: TriangleMesh, design: _Design, spec: Spec) -> Planted | None:
    """What became of a planned disc; None where it is no fault after all."""
    near = np.linalg.norm(framework.points_mm - disc.middle_mm, axis=1) < disc.reach_mm + 4.0
    kept = np.flatnonzero(near)
    points = framework.points_mm[kept]
    depth, _, foot = design.under(points)
    away = np.linalg.norm(foot - disc.middle_mm, axis=1)
    mine = away < disc.reach_mm
    points, depth, away = points[mine], depth[mine], away[mine]
    means = spot_means(points, vertex_areas(framework)[kept][mine], depth)
    space, layer = least_space_mm(spec), built_in().layer
    worst = float(means.max() if disc.kind == "too_thick" else means.min())
    beyond = {
        "too_thin": space - worst,
        "too_thick": worst - space - layer.greatest_mm + layer.least_mm,
        "over_contour": -worst,
    }[disc.kind]
    flat = float(vertex_areas(framework)[kept][mine][away < disc.radius_mm].sum())
    if beyond < LEAST_FAULT_MM or flat < _LEAST_FLAT_MM2:
        return None
    return Planted(
        disc.kind,
        round(beyond, 3),
        round(flat, 2),
        tuple(float(c) for c in points[away.argmin()]),
        tuple(float(c) for c in disc.middle_mm),
        disc.radius_mm,
        disc.reach_mm,
        worst,
    )


def _largest_ball(framework: TriangleMesh, design: _Design) -> float:
    """Diameter of the largest ball that fits between framework and contour, about; 0 if usual.

    A ball that touches the framework has its middle over the point of touch.
    """
    ways = vertex_normals(framework)
    _, way, _ = design.under(framework.points_mm)
    start, ways = framework.points_mm[way > 0], ways[way > 0]
    widest = 0.0
    for radius in _RADII_MM:
        centres = start + radius * ways
        depth, _, _ = design.under(centres)
        fits = depth >= radius
        start, ways, centres = start[fits], ways[fits], centres[fits]
        if not len(centres):
            break
        square, _, _ = igl.point_mesh_squared_distance(
            centres, framework.points_mm, framework.faces
        )
        free = np.sqrt(square) > radius - _BALL_SLACK_MM
        start, ways = start[free], ways[free]
        if free.any():
            widest = 2.0 * radius + _BALL_SLACK_MM
    return widest
