"""What a body of the veneer trials is planned to be, and what is true of it once it is made."""

from __future__ import annotations

import dataclasses
import hashlib
import itertools
import math
from collections.abc import Callable
from typing import Any

import igl
import numpy as np

from phantom.shapes import Field
from veneercheck.core.types import Bools, Floats, LayerLimits, Limits, TriangleMesh
from veneercheck.profile import built_in

SPOT_MM2 = 0.25
"""A reading is a mean over so much."""

_VERSION, _SEATED = 5, 3
"""Bodies kept by other ones are made anew, those with faults by the second too."""

_FAR_MM = 99.0
_TORN_MM = (0.1, 0.08, 0.3)
"""Of cut contour, of depth, of distance: beyond what edges of 0.25 mm make uncertain."""

_ARC_STEPS = 10
_STEEP_RAD = math.radians(76.0)


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
        digest = hashlib.sha256(
            f"{_VERSION, _SEATED * bool(self.faults)} {self!r}".encode()
        ).hexdigest()[:12]
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
        return under(self.contour, self.inward_mm, points_mm, self.outside)

    def torn_mm2(self) -> float:
        """Area of the framework that lies deep under contour which is not cut, and near no cut.

        Where full depth leaves no metal the triangles of the cut break through its far side: no
        sound bridge, nor the one that was planned.
        """
        from scipy.spatial import cKDTree

        corners = self.framework.points_mm[self.framework.faces]
        middle = corners.mean(axis=1)
        sides = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        depth, way, _ = self.at(middle)
        cut = self.contour.points_mm[self.inward_mm > -_TORN_MM[0]]
        away, _ = cKDTree(cut).query(middle)
        torn = (way < -_TORN_MM[2]) & (depth > _TORN_MM[1]) & (away > depth + _TORN_MM[2])
        return float(0.5 * np.linalg.norm(sides[torn], axis=1).sum())

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


def under(
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


def spot_means(points: Floats, area: Floats, values: Floats) -> Floats:
    """Mean over the disc of 0.25 mm² about each point, shape (n,)."""
    from scipy.spatial import cKDTree

    near = cKDTree(points).query_ball_point(points, math.sqrt(SPOT_MM2 / math.pi))
    return np.array([area[at] @ values[at] / area[at].sum() for at in near])
