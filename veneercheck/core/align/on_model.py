"""Does metal sit on its model as the wax did, where the pose goes by the model?

Notes
-----
Beside a model a bridge's own uncut surface is a few hundredths of what touches, and mostly walls:
along these it is held to 0.1 mm at best, so a fit of its own says nothing of a bridge that stands
0.08 mm up, and finishing hides the rest. Choice: of what lies beside the cut, a shift and an even
offset alone, against the pose by the model. Of six sound bridges 7 to 22 µm; 65 and 74 µm of two
that stand 80 µm up. Instead of: six ways and an offset, whose turns are held to 0.03 mm there and
take the rest along. Cost: a bridge that only rocks is not told by this.
"""

from __future__ import annotations

import math

import numpy as np

from veneercheck.core.align.pairs import Target, pair
from veneercheck.core.align.patches import cubes, left_out
from veneercheck.core.align.polish import Body, vertices_as_samples
from veneercheck.core.align.reference import clearly_cut
from veneercheck.core.align.solver import SURE, solved
from veneercheck.core.align.weights import tukey
from veneercheck.core.types import RigidMotion

_BESIDE_MM, _LEAST_MM2 = 1.0, 5.0
"""So near to the cut lies metal, and no stone yet; of less there is nothing to say."""

_ON_STONE_MM = 0.02
"""Beside metal that lacks something, what lies right as stone and less right as metal is stone."""

_REACH_MM = 0.2
"""A bridge that stands up by more is seen by other means."""

_WIDTHS_MM = (0.12, 0.12, 0.1, 0.1, 0.08, 0.08, 0.06, 0.06)


def shifted_mm(body: Body, target: Target, motion: RigidMotion, taken_mm: float) -> float:
    """How far the metal beside the cut surely lies off its place in the wax-up, in mm; 0 where it
    does not, or too little of it shows.

    Parameters
    ----------
    motion : RigidMotion
        `waxup_from_framework`, by the model.
    taken_mm : float
        What finishing took off the metal, about.
    """
    from scipy.spatial import cKDTree

    surface, found = body.surface, pair(vertices_as_samples(body.surface), motion, target)
    cut = clearly_cut(surface, found.residual_mm)
    metal = found.good & (np.abs(found.residual_mm + 0.5 * taken_mm) < _REACH_MM + 0.5 * taken_mm)
    metal &= ~cut & body.allowed_vertices()
    if cut.any():
        away = cKDTree(found.point_mm[cut]).query(
            found.point_mm[metal], distance_upper_bound=_BESIDE_MM
        )[0]
        metal[metal] = np.isfinite(away)
    area = surface.area_mm2[metal]
    if not cut.any() or area.sum() < _LEAST_MM2:
        return 0.0
    point, residual = found.point_mm[metal], found.residual_mm[metal]
    jacobian = np.concatenate([found.normal[metal], -np.ones((len(point), 1))], axis=1)
    value, as_stone_mm = np.array([0.0, 0.0, 0.0, -taken_mm]), min(_ON_STONE_MM, 0.5 * taken_mm)
    for width in _WIDTHS_MM:
        left = residual + jacobian @ value
        stone = np.abs(residual) < np.minimum(np.abs(left), as_stone_mm)
        weight = tukey(left, width) * area * ~stone
        value += solved(jacobian, left, weight, area)[0]
    shift, uneven = value[:3], left_out(jacobian, weight, residual, cubes(point))[:3, :3]
    size = float(np.linalg.norm(shift))
    way = shift / max(size, 1e-12)
    return size if size > SURE * math.sqrt(max(float(way @ uneven @ way), 0.0)) else 0.0
