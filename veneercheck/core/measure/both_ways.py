"""A ray each way from every framework point: outward to the contour, or inward from out of it."""

from __future__ import annotations

import math

import numpy as np

from veneercheck.core.mesh.prepared import Prepared
from veneercheck.core.mesh.rays import EngineName, RayScene
from veneercheck.core.mesh.triangles import row_dot, unit
from veneercheck.core.types import Floats, Ints, RayOutcome

REACH_MM = 6.0
"""No veneer is this thick: what a ray meets farther out is not the contour over its start."""

OVER_REACH_MM = 1.5
"""A framework standing out farther than this belongs to another body than the contour."""

AGREEING_COS = math.cos(math.radians(60.0))
"""Two surfaces are the same one only where their normals differ by less than this."""

COVERED_MM = 3.0
"""Contour that faces the same way within this is the vertex's own; across a retainer is farther."""

GRAZING_DEG = 60.0
"""Past this angle to the contour's normal the length of a ray says little about the space."""

_START_BEHIND_MM = 0.02
"""Rays start this far behind their vertex, so that surfaces lying on each other still meet."""

_THROUGH_MM = 0.1
"""Metal that a ray meets so far before the contour lies between; nearer, the finish line may."""


class RaysBothWays:
    """Signed distance along the normal, and what became of each ray."""

    def __init__(
        self,
        inner: Prepared,
        outer: Prepared,
        meets_itself_mm: Floats,
        engine: EngineName | None,
    ) -> None:
        self.scene = scene = RayScene(outer.mesh, engine=engine)
        points, ways = inner.mesh.points_mm, inner.normals
        outward = scene.first_hit(points - _START_BEHIND_MM * ways, ways)
        distance = outward.distance_mm - _START_BEHIND_MM
        cosine = cosine_at(outer, outward.face, ways)
        self.face = outward.face
        unmet = np.flatnonzero(~(cosine > 0))
        if len(unmet):
            back = scene.first_hit(points[unmet] + _START_BEHIND_MM * ways[unmet], -ways[unmet])
            depth = back.distance_mm - _START_BEHIND_MM
            out = (cosine_at(outer, back.face, ways[unmet]) > 0) & (depth <= OVER_REACH_MM)
            distance[unmet] = np.where(out, -depth, np.nan)
            self.face[unmet] = np.where(out, back.face, -1)
            cosine[unmet] = cosine_at(outer, self.face[unmet], ways[unmet])
        self.cosine = cosine
        self.outcome = _outcomes(distance, cosine)
        # What a ray meets beyond the framework's own metal is not the contour over its start.
        through = (self.outcome != RayOutcome.MISS) & (meets_itself_mm < distance - _THROUGH_MM)
        self.outcome[through] = RayOutcome.MISS
        self.measured = self.outcome <= RayOutcome.OVER_CONTOUR
        self.space_mm = np.where(self.measured, distance, np.nan)
        self.left_after_mm = np.where(cosine > 0, distance, np.inf)


def _outcomes(distance_mm: Floats, cosine: Floats) -> Ints:
    outcome = np.full(len(distance_mm), RayOutcome.MISS, dtype=np.int64)
    met = np.isfinite(distance_mm) & (cosine > 0)
    outcome[met] = RayOutcome.HIT
    outcome[met & (distance_mm < 0)] = RayOutcome.OVER_CONTOUR
    outcome[met & (cosine < math.cos(math.radians(GRAZING_DEG)))] = RayOutcome.GRAZING
    outcome[met & (distance_mm > REACH_MM)] = RayOutcome.BEYOND_REACH
    return outcome


def cosine_at(outer: Prepared, face: Ints, ways: Floats) -> Floats:
    """Cosine between each ray and the contour's normal where it met it; NaN where it did not."""
    met = face >= 0
    cosine = np.full(len(face), np.nan)
    corners = outer.mesh.faces.take(face[met], axis=0)
    a, b, c = (outer.normals.take(corner, axis=0) for corner in corners.T)
    normal = unit(a + b + c)
    cosine[met] = row_dot(normal, ways[met])
    return cosine
