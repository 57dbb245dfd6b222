"""The cut-back: where it is cut, where the finish line runs, and how deep at every place."""

from __future__ import annotations

import dataclasses

import numpy as np

from phantom.arch import Unit
from phantom.body import Body
from phantom.shapes import smooth_max, smooth_min
from veneercheck.core.mesh.nearest import Nearest, NearestSurface
from veneercheck.core.mesh.triangles import unique_edges
from veneercheck.core.types import Floats, TriangleMesh

_CORNER_BLEND_MM = 1.2
"""Rounding of the finish line's corners as seen on the surface."""

_LINGUAL_REACH_MM = 2.0
"""How far the veneer runs down from the lingual cusps."""

_BUCCAL_FROM = 0.05
"""On the walls between the units the line runs this share of the depth buccal of the middle."""

_BUCCAL_RISE_MM = 1.3
"""Towards the contact the line swings further buccal, to leave the connector its strength."""

_DIP_MM = 0.6
"""Towards the contact the line dips, so that the whole marginal ridge is cut."""

_CONTACT_LEVEL, _CONTACT_RAMP_MM = 0.5, 8.0
"""Below the middle of a contact nothing is cut, lest the connector lose its lower half; the
ramp says how fast this ends away from it."""

_COLLAR_FROM_MM = 0.55
"""Height of the gingiva: collars are measured from it."""

_BASAL_REACH_MM = 1.6
"""How far the veneer of a pontic's base runs up its lingual side."""

_BLEND_ACROSS_MM = 1.2
"""Over this length along the arch one unit's line turns into the next one's."""

_CLEAR_OF_GINGIVA_MM = 0.45
"""Nothing nearer to the gingiva than this is cut: the model stays whole."""

_TANGENT_FROM = 0.3
"""Down to this share of the full depth the chamfer is straight: 76° steep, as a knife cuts it."""

_LINE_SAMPLES = 6
"""Points on the finish line in each triangle that it crosses."""


@dataclasses.dataclass(frozen=True, slots=True)
class Cut:
    """How the framework is cut.

    Parameters
    ----------
    depth_mm : float
        Full depth.
    cove_mm : float
        Length over which the depth grows from the finish line to full, as a quarter of an
        ellipse: a chamfer 0.6 mm deep at its start for the usual depth.
    collar_mm : float
        Uncut band above the gingiva.
    surfaces : tuple of str
        Of "occlusal", "buccal", "lingual", "basal".
    """

    depth_mm: float = 1.5
    cove_mm: float = 1.2
    collar_mm: float = 1.0
    surfaces: tuple[str, ...] = ("occlusal", "buccal", "basal")


def cut_extent(body: Body, cut: Cut, points_mm: Floats) -> Floats:
    """Positive where the contour is to be cut, in mm from the line only roughly. Shape (n,)."""
    places = np.stack([np.abs(unit.local(points_mm)[:, 0]) for unit in body.units], axis=1)
    half = np.array([0.5 * unit.form.width_mm for unit in body.units])
    beyond = np.maximum(places - half, -_BLEND_ACROSS_MM)
    weights = np.exp(-3.0 * (beyond - beyond.min(axis=1, keepdims=True)) / _BLEND_ACROSS_MM)
    weights /= weights.sum(axis=1, keepdims=True)
    extents = [
        _unit_extent(unit, unit.code in body.pontics, cut, unit.local(points_mm))
        for unit in body.units
    ]
    extent: Floats = np.einsum("nk,kn->n", weights, np.stack(extents))
    if not body.base:
        return extent
    return smooth_min(extent, body.gingiva(points_mm) - _CLEAR_OF_GINGIVA_MM, 0.2)


def _unit_extent(unit: Unit, pontic: bool, cut: Cut, local_mm: Floats) -> Floats:
    mesial, buccal, occlusal = local_mm.T
    form = unit.form
    outward = np.minimum(np.abs(2.0 * mesial / form.width_mm), 1.2)
    extent = np.full(len(local_mm), -9.0)
    if "occlusal" in cut.surfaces:
        lingual_top = max(ridge.start_height_mm for ridge in form.ridges if ridge.start[1] <= 0)
        extent = occlusal - (lingual_top - _LINGUAL_REACH_MM) + _DIP_MM * outward**4
    if "buccal" in cut.surfaces:
        line = buccal - _BUCCAL_FROM * form.depth_mm - _BUCCAL_RISE_MM * outward**4
        extent = smooth_max(extent, line, _CORNER_BLEND_MM)
    if "lingual" in cut.surfaces:
        line = -buccal - _BUCCAL_FROM * form.depth_mm - _BUCCAL_RISE_MM * outward**4
        extent = smooth_max(extent, line, _CORNER_BLEND_MM)
    if pontic and "basal" in cut.surfaces:
        extent = smooth_max(extent, _BASAL_REACH_MM + 0.9 - occlusal, _CORNER_BLEND_MM)
    else:
        collar = occlusal - _COLLAR_FROM_MM - cut.collar_mm
        extent = smooth_min(extent, collar, _CORNER_BLEND_MM)
    under_contact = occlusal - _CONTACT_LEVEL * form.height_mm + _CONTACT_RAMP_MM * (1.0 - outward)
    return smooth_min(extent, under_contact, _CORNER_BLEND_MM)


def finish_line_points(mesh: TriangleMesh, extent: Floats) -> Floats:
    """Points close together on the line where the extent changes its sign, shape (k, 3)."""
    edges, edge_of_side, _ = unique_edges(mesh.faces)
    low, high = extent[edges[:, 0]], extent[edges[:, 1]]
    crossed = (low > 0) != (high > 0)
    share = np.where(crossed, low / np.where(crossed, low - high, 1.0), 0.5)[:, None]
    at = mesh.points_mm[edges[:, 0]] * (1 - share) + mesh.points_mm[edges[:, 1]] * share
    sides = crossed[edge_of_side]
    cut = np.flatnonzero(sides.sum(axis=1) == 2)
    ends = edge_of_side[cut][sides[cut]].reshape(-1, 2)
    step = (np.arange(_LINE_SAMPLES) / _LINE_SAMPLES)[None, :, None]
    points: Floats = at[ends[:, 0]][:, None] * (1 - step) + at[ends[:, 1]][:, None] * step
    return points.reshape(-1, 3)


def distance_from_line(mesh: TriangleMesh, extent: Floats) -> Floats:
    """Distance of each vertex from the finish line, positive on the cut side, shape (n,)."""
    from scipy.spatial import cKDTree

    line = finish_line_points(mesh, extent)
    if not len(line):
        return np.where(extent > 0, np.inf, -np.inf)
    distance: Floats = cKDTree(line).query(mesh.points_mm)[0]
    return np.where(extent > 0, distance, -distance)


def cove_depth(cut: Cut, inward_mm: Floats) -> Floats:
    """Depth at a distance inside the finish line, shape (n,), mm.

    A quarter of an ellipse whose first part is replaced by its tangent. Rays along the normal
    of a quarter circle about a point on a flat contour all have one length, the radius; so the
    cove gives sound room from the line on, along the ray as well as to the nearest point.
    """
    cosine = np.sqrt(1.0 - _TANGENT_FROM**2)
    slope = cut.depth_mm / cut.cove_mm * cosine / _TANGENT_FROM
    tangent_mm = _TANGENT_FROM * cut.depth_mm / slope
    on_ellipse = inward_mm - tangent_mm + cut.cove_mm * (1.0 - cosine)
    share = np.clip(on_ellipse / cut.cove_mm, 0.0, 1.0)
    cove = cut.depth_mm * np.sqrt(share * (2.0 - share))
    depth: Floats = np.where(inward_mm < tangent_mm, slope * np.maximum(inward_mm, 0.0), cove)
    return depth


class OffsetField:
    """Field of a body whose contour is lowered by a depth that changes from place to place.

    Parameters
    ----------
    body : Body
    cut : Cut
    contour : TriangleMesh
        Fine triangulation of the body's outer contour.
    inward_mm : ndarray, shape (n,)
        Distance of each of its vertices from the finish line, positive where it is cut.
    change_mm : ndarray, shape (n,)
        Added to the depth at each of its vertices.
    """

    def __init__(
        self, body: Body, cut: Cut, contour: TriangleMesh, inward_mm: Floats, change_mm: Floats
    ) -> None:
        self._body, self._cut, self._contour = body, cut, contour
        self._inward, self._change = inward_mm, change_mm
        self._nearest = NearestSurface(contour)

    def __call__(self, points_mm: Floats) -> Floats:
        """Values, shape (n,)."""
        distance, depth, _ = self.parts(points_mm)
        return np.maximum(distance + depth, -self._body.cavities(points_mm))

    def parts(self, points_mm: Floats) -> tuple[Floats, Floats, Floats]:
        """Signed distance (negative inside), depth at the foot, and the foot, all per point."""
        found = self._nearest.query(points_mm)
        depth = cove_depth(self._cut, self._at(found, self._inward))
        depth += self._at(found, self._change)
        sign = np.where(self._body.outer(points_mm) > 0, 1.0, -1.0)
        return sign * found.distance_mm, depth, np.array(found.point_mm)

    def at_foot(self, foot_mm: Floats, values: Floats) -> Floats:
        """Values of the contour's vertices, interpolated at points on it, shape (n,)."""
        return self._at(self._nearest.query(foot_mm), values)

    def _at(self, found: Nearest, values: Floats) -> Floats:
        corners = self._contour.faces[found.face]
        shares = _barycentric(self._contour.points_mm[corners], found.point_mm)
        inside: Floats = np.einsum("ij,ij->i", shares, values[corners])
        return inside


def _barycentric(corners_mm: Floats, points_mm: Floats) -> Floats:
    a, b, c = corners_mm[:, 0], corners_mm[:, 1], corners_mm[:, 2]
    normal = np.cross(b - a, c - a)
    square = np.maximum(np.einsum("ij,ij->i", normal, normal), 1e-30)
    second = np.einsum("ij,ij->i", np.cross(c - b, points_mm - b), normal) / square
    third = np.einsum("ij,ij->i", np.cross(a - c, points_mm - c), normal) / square
    shares = np.clip(np.stack([second, third, 1.0 - second - third], axis=1), 0.0, 1.0)
    total: Floats = shares / shares.sum(axis=1, keepdims=True)
    return total
