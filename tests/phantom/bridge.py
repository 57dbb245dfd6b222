"""A bridge by code: full contour, cut-back framework, and what is true at every vertex."""

from __future__ import annotations

import dataclasses
from enum import IntEnum
from typing import Literal

import numpy as np

from phantom.arch import lay_out
from phantom.body import Body
from phantom.cutback import (
    Cut,
    OffsetField,
    cut_extent,
    distance_from_line,
)
from phantom.scanned import Scanner, random_pose, scan_framework, scan_waxup
from phantom.shapes import foot_points, normals, onto_surface
from phantom.surface import neighbour_means, relaxed, triangulate
from veneercheck.core.mesh.rays import RayScene
from veneercheck.core.mesh.triangles import vertex_areas, vertex_normals
from veneercheck.core.types import Bools, Floats, Ints, RigidMotion, TriangleMesh

FaultKind = Literal["too_thin", "too_thick", "over_contour", "metal_stop"]

_UNCUT_FLOOR_MM = 1e-9
"""A design depth below this is none."""

_FITTING_MM = 0.05
"""A vertex on a cavity lies deeper than this under the lowered contour."""

_EXACT_MM = 1e-5
"""Vertices put onto the contour lie nearer to it than this."""

_WALL_STEPS = 2
"""Steps of the relaxed vertices back onto the lowered contour; its smooth parts need one."""

_LEAST_TRUE_SPACE_MM = 0.02
"""Nearer to the contour than this the faceting of the two surfaces decides what a ray meets."""

_ON_CONTOUR_MM = 0.05
"""Marching cubes leave an uncut vertex this near to the contour; it is put onto it exactly."""

_SMOOTHING_ROUNDS = 4
"""The waxing knife leaves no ridge: cut surface is smoothed over about two edge lengths."""

_SMOOTHING_SHARE = 0.5
"""Share of the way to the neighbours' mean in one round."""

_SHOULDER_MM = 0.35
"""Smoothing sets in over this depth, so that the finish line stays where it is."""

_RELAXING_ROUNDS = 3
"""Enough to even out what marching cubes leaves."""

_OCCLUSAL_SLOPE = 0.55
"""Contour that faces the opposing jaw more than this (cosine) is occlusal."""

_BASAL_SLOPE = -0.35
"""Pontic contour that faces the ridge more than this (cosine) is basal."""

_MEAN_OVER_MM2 = 0.25
"""Extremes are means over the built-in smallest zone: one vertex alone says little."""

_BAND_MM = 0.8
"""Built-in width of the finish-line band: what lies in it does not measure a fault."""

_AROUND = 1.5
"""A square stop's corners lie this much farther out than the middles of its sides."""

_LEAST_SPACE_MM, _GREATEST_SPACE_MM = 1.2, 2.2
"""Built-in limits of the layer, 1.0 and 2.0 mm, over 0.2 mm of opaquer: size planted areas."""


class Surface(IntEnum):
    """What surface of its tooth a vertex belongs to."""

    NONE = 0
    OCCLUSAL = 1
    BUCCAL = 2
    LINGUAL = 3
    MESIAL = 4
    DISTAL = 5
    BASAL = 6
    FITTING = 7
    MODEL = 8

    @property
    def word(self) -> str:
        """The surface in lower case, as it stands in files."""
        return self.name.lower()


@dataclasses.dataclass(frozen=True, slots=True)
class FaultPlan:
    """A fault to plant.

    Parameters
    ----------
    kind : {"too_thin", "too_thick", "over_contour", "metal_stop"}
    code : int
        Unit that carries it.
    near_mm : tuple of 3 floats
        (mesial, buccal, occlusal) in the unit's own frame; the nearest contour is taken.
    radius_mm : float
        Reach of the change; half the side of a metal stop.
    change_mm : float
        Added to the depth in the middle; unused by a metal stop.
    words : str
    """

    kind: FaultKind
    code: int
    near_mm: tuple[float, float, float]
    radius_mm: float
    change_mm: float
    words: str


@dataclasses.dataclass(frozen=True, slots=True)
class PlantedFault:
    """A fault that was planted, and its true measures.

    Parameters
    ----------
    kind, words : str
    code : int
    surface : str
    centre_mm : tuple of 3 floats
        On the contour, in the wax-up's frame.
    extreme_mm : float
        Worst mean over 0.25 mm² of the true space along the framework's normal; 0 for a metal
        stop.
    extreme_depth_mm : float
        The same of the true distance to the contour, which does not lean with a slope.
    area_mm2 : float
        Framework beyond the built-in limits; uncut surface of a metal stop.
    """

    kind: str
    code: int
    surface: str
    centre_mm: tuple[float, float, float]
    extreme_mm: float
    extreme_depth_mm: float
    area_mm2: float
    words: str


@dataclasses.dataclass(frozen=True, slots=True)
class BridgeSpec:
    """What bridge to make.

    Parameters
    ----------
    units : tuple of int
        Two-digit codes (ISO 3950) in order along the bridge.
    pontics : tuple of int
    cut : Cut
    base : bool
        Whether a strip of model with gingiva is scanned with the bridge.
    scanner : Scanner
    faults : tuple of FaultPlan
    design_edge_mm : float
        Edge length of the triangulation that carries the depth and stands for the contour.
    seed : int
    """

    units: tuple[int, ...]
    pontics: tuple[int, ...] = ()
    cut: Cut = dataclasses.field(default_factory=Cut)
    base: bool = True
    scanner: Scanner = dataclasses.field(default_factory=Scanner)
    faults: tuple[FaultPlan, ...] = ()
    design_edge_mm: float = 0.2
    seed: int = 1


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Phantom:
    """Two scans of a bridge and what is true of them.

    Parameters
    ----------
    framework : TriangleMesh
        In its own frame, noisy, with hole, fragment and crop.
    waxup : TriangleMesh
        In the frame of the bridge: +z occlusal, +x from the first unit to the last.
    waxup_from_framework : RigidMotion
        The true pose.
    depth_mm : ndarray, shape (n,)
        True signed distance of each framework vertex, before noise, from the true contour,
        positive inside; 0 on fitting surfaces, NaN on the floating fragment.
    space_mm : ndarray, shape (n,)
        True space along the normal of the noise-free framework; NaN where there is none.
    inward_mm : ndarray, shape (n,)
        Distance of the vertex's nearest contour point from the finish line, positive where it
        is cut; the outline of a metal stop counts as a finish line.
    cut : ndarray of bool, shape (n,)
    tooth : ndarray of int64, shape (n,)
        Two-digit code; 0 on the model and the fragment.
    surface : ndarray of int64, shape (n,)
        `Surface` codes.
    faults : tuple of PlantedFault
    spec : BridgeSpec
    body : Body
        The true contour, as a field.
    clean : TriangleMesh
        The framework before noise, in the wax-up's frame.
    """

    framework: TriangleMesh
    waxup: TriangleMesh
    waxup_from_framework: RigidMotion
    depth_mm: Floats
    space_mm: Floats
    inward_mm: Floats
    cut: Bools
    tooth: Ints
    surface: Ints
    faults: tuple[PlantedFault, ...]
    spec: BridgeSpec
    body: Body
    clean: TriangleMesh


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class _Design:
    """The contour as a fine mesh, with the depth to be cut at each of its vertices."""

    contour: TriangleMesh
    inward_mm: Floats
    change_mm: Floats
    centres_mm: Floats


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class _Truth:
    """What is true at the vertices of the noise-free framework."""

    mesh: TriangleMesh
    depth_mm: Floats
    foot_mm: Floats
    space_mm: Floats
    inward_mm: Floats
    cut: Bools
    tooth: Ints
    surface: Ints


def make_bridge(spec: BridgeSpec) -> Phantom:
    """Make both scans of a bridge, with the truth; the same spec gives the same arrays.

    Parameters
    ----------
    spec : BridgeSpec

    Returns
    -------
    Phantom
    """
    rng = np.random.default_rng(spec.seed)
    body = Body(lay_out(spec.units), spec.pontics, spec.base)
    design = _design(body, spec)
    truth = _framework(body, design, spec)
    faults = _measure_faults(body, design, truth, spec)
    pose = random_pose(rng)
    scan = scan_framework(truth.mesh, spec.scanner, body, rng)
    waxup = scan_waxup(body, spec.scanner, rng)
    return Phantom(
        framework=TriangleMesh(pose.inverse().apply(scan.mesh.points_mm), scan.mesh.faces),
        waxup=waxup,
        waxup_from_framework=pose,
        depth_mm=scan.carry(truth.depth_mm, np.nan),
        space_mm=scan.carry(truth.space_mm, np.nan),
        inward_mm=scan.carry(truth.inward_mm, np.nan),
        cut=scan.carry(truth.cut, False),
        tooth=scan.carry(truth.tooth, 0),
        surface=scan.carry(truth.surface, int(Surface.NONE)),
        faults=faults,
        spec=spec,
        body=body,
        clean=scan.clean,
    )


def _design(body: Body, spec: BridgeSpec) -> _Design:
    low, high = body.box()
    mesh = relaxed(triangulate(body.outer, low, high, spec.design_edge_mm), _RELAXING_ROUNDS)
    contour = TriangleMesh(onto_surface(body.outer, mesh.points_mm), mesh.faces)
    centres = _fault_centres(body, spec)
    extent = cut_extent(body, spec.cut, contour.points_mm)
    for plan, centre in zip(spec.faults, centres, strict=True):
        if plan.kind == "metal_stop":
            extent = np.minimum(extent, _outside_stop(contour.points_mm - centre, plan.radius_mm))
    inward = distance_from_line(contour, extent)
    change = np.zeros(len(inward))
    for plan, centre in zip(spec.faults, centres, strict=True):
        if plan.kind != "metal_stop":
            away = np.linalg.norm(contour.points_mm - centre, axis=1) / plan.radius_mm
            change += plan.change_mm * np.maximum(1.0 - away**2, 0.0) ** 2
    return _Design(contour, inward, change, centres)


def _fault_centres(body: Body, spec: BridgeSpec) -> Floats:
    units = {unit.code: unit for unit in body.units}
    near = [units[plan.code].place([plan.near_mm])[0] for plan in spec.faults]
    return onto_surface(body.outer, np.array(near).reshape(-1, 3), steps=20)


def _outside_stop(offset_mm: Floats, half_side_mm: float) -> Floats:
    """Distance outside a square with rounded corners, seen from above, shape (n,)."""
    flat = (offset_mm[:, :2] ** 4).sum(axis=1) ** 0.25
    outside: Floats = np.maximum(flat, np.abs(offset_mm[:, 2]) * 0.5) - half_side_mm
    return outside


def _framework(body: Body, design: _Design, spec: BridgeSpec) -> _Truth:
    low, high = body.box()
    field = OffsetField(body, spec.cut, design.contour, design.inward_mm, design.change_mm)
    mesh = triangulate(
        field,
        low,
        high,
        spec.scanner.framework_edge_mm,
        box_from_grid=spec.scanner.framework_grid(),
    )
    mesh = relaxed(mesh, _RELAXING_ROUNDS)
    points = onto_surface(field, mesh.points_mm, steps=_WALL_STEPS)
    distance, depth, _ = field.parts(points)
    fitting = (distance + depth < -_FITTING_MM) & (np.abs(body.cavities(points)) < _FITTING_MM)
    untouched = (np.abs(depth) < _UNCUT_FLOOR_MM) & (np.abs(distance) < _ON_CONTOUR_MM) & ~fitting
    points = _smoothed(TriangleMesh(points, mesh.faces), np.where(fitting, 0.0, np.abs(depth)))
    points[untouched] = onto_surface(body.outer, points[untouched])
    points[fitting] = onto_surface(body.cavities, points[fitting])
    return _truth(body, field, design, TriangleMesh(points, mesh.faces), fitting)


def _smoothed(mesh: TriangleMesh, depth_mm: Floats) -> Floats:
    share = _SMOOTHING_SHARE * np.clip((depth_mm - _SHOULDER_MM) / _SHOULDER_MM, 0.0, 1.0)
    points = np.array(mesh.points_mm)
    for _ in range(_SMOOTHING_ROUNDS):
        points += share[:, None] * (neighbour_means(mesh, points) - points)
    return points


def _truth(
    body: Body, field: OffsetField, design: _Design, mesh: TriangleMesh, fitting: Bools
) -> _Truth:
    points = mesh.points_mm
    distance, _, foot = field.parts(points)
    lowered = ~fitting & (np.abs(body.outer(points)) > _EXACT_MM)
    foot[lowered] = foot_points(body.outer, points[lowered], foot[lowered])
    true_depth = np.where(lowered, -np.sign(distance) * np.linalg.norm(points - foot, axis=1), 0.0)
    cut = lowered & (true_depth > _EXACT_MM)
    tooth, surface = _places(body, foot, fitting)
    space = _true_space(mesh, design.contour, lowered, true_depth)
    inward = field.at_foot(foot, design.inward_mm)
    return _Truth(mesh, true_depth, foot, space, inward, cut, tooth, surface)


def _places(body: Body, foot_mm: Floats, fitting: Bools) -> tuple[Ints, Ints]:
    which = body.unit_of(foot_mm)
    outward = normals(body.outer, foot_mm)
    tooth = np.array([unit.code for unit in body.units], dtype=np.int64)[which]
    surface = np.zeros(len(foot_mm), dtype=np.int64)
    for index, unit in enumerate(body.units):
        mine = which == index
        pontic = unit.code in body.pontics
        surface[mine] = _faces_of(outward[mine] @ unit.axes.T, pontic)
    surface[fitting] = Surface.FITTING
    model = ~fitting & body.on_model(foot_mm)
    tooth[model], surface[model] = 0, Surface.MODEL
    return tooth, surface


def _faces_of(local_normal: Floats, pontic: bool) -> Ints:
    mesial, buccal, occlusal = local_normal.T
    side = np.where(
        np.abs(mesial) > np.abs(buccal),
        np.where(mesial > 0, Surface.MESIAL, Surface.DISTAL),
        np.where(buccal > 0, Surface.BUCCAL, Surface.LINGUAL),
    )
    side = np.where(occlusal > _OCCLUSAL_SLOPE, Surface.OCCLUSAL, side)
    return np.where(pontic & (occlusal < _BASAL_SLOPE), Surface.BASAL, side).astype(np.int64)


def _true_space(
    mesh: TriangleMesh, contour: TriangleMesh, wanted: Bools, depth_mm: Floats
) -> Floats:
    outward = vertex_normals(mesh)
    way = np.where(depth_mm < 0, -1.0, 1.0)
    chosen = np.flatnonzero(wanted & (np.abs(depth_mm) > _LEAST_TRUE_SPACE_MM))
    hits = RayScene(contour).first_hit(mesh.points_mm[chosen], outward[chosen] * way[chosen, None])
    space = np.full(len(depth_mm), np.nan)
    space[chosen] = hits.distance_mm * way[chosen]
    return space


def _measure_faults(
    body: Body, design: _Design, truth: _Truth, spec: BridgeSpec
) -> tuple[PlantedFault, ...]:
    area = vertex_areas(truth.mesh)
    _, surface = _places(body, design.centres_mm, np.zeros(len(design.centres_mm), dtype=bool))
    planted = []
    for plan, centre, code in zip(spec.faults, design.centres_mm, surface, strict=True):
        reach = plan.radius_mm * (_AROUND if plan.kind == "metal_stop" else 1.0)
        near = np.linalg.norm(truth.foot_mm - centre, axis=1) < reach
        extreme, depth, inside = _extreme(plan, truth, near & (truth.surface != Surface.FITTING))
        planted.append(
            PlantedFault(
                kind=plan.kind,
                code=plan.code,
                surface=Surface(code).word,
                centre_mm=(float(centre[0]), float(centre[1]), float(centre[2])),
                extreme_mm=extreme,
                extreme_depth_mm=depth,
                area_mm2=float(area[inside].sum()),
                words=plan.words,
            )
        )
    return tuple(planted)


def _extreme(plan: FaultPlan, truth: _Truth, near: Bools) -> tuple[float, float, Bools]:
    """Worst local mean of space and of depth, and where the limits are broken."""
    if plan.kind == "metal_stop":
        return 0.0, 0.0, near & ~truth.cut & (truth.surface == Surface.OCCLUSAL)
    space = np.where(near, truth.space_mm, np.nan)
    beyond_band = truth.inward_mm > _BAND_MM
    broken = {
        "too_thin": (space < _LEAST_SPACE_MM) & beyond_band,
        "too_thick": (space > _GREATEST_SPACE_MM) & beyond_band,
        "over_contour": space < -_FITTING_MM,
    }[plan.kind]
    worst = np.max if plan.kind == "too_thick" else np.min
    space_mm, depth_mm = (
        float(worst(_local_means(truth, broken, values)))
        for values in (truth.space_mm, truth.depth_mm)
    )
    return space_mm, depth_mm, broken


def _local_means(truth: _Truth, inside: Bools, values: Floats) -> Floats:
    """Mean over the chosen vertices within a small disc about each of them."""
    from scipy.spatial import cKDTree

    chosen = np.flatnonzero(inside)
    if not len(chosen):
        return np.full(1, np.nan)
    points, area = truth.mesh.points_mm[chosen], vertex_areas(truth.mesh)[chosen]
    pairs = cKDTree(points).query_pairs(np.sqrt(_MEAN_OVER_MM2 / np.pi), output_type="ndarray")
    self_pairs = np.stack([np.arange(len(chosen))] * 2, axis=1)
    here, there = np.concatenate([pairs, pairs[:, ::-1], self_pairs]).T
    weight = np.bincount(here, weights=area[there], minlength=len(chosen))
    total = np.bincount(here, (area * values[chosen])[there], len(chosen))
    means: Floats = total / weight
    return means
