"""The full contour of a bridge as one implicit surface: crowns, connectors, cavities, gingiva."""

from __future__ import annotations

import dataclasses
import itertools

import numpy as np

from phantom.arch import Unit
from phantom.shapes import smooth_max, smooth_min
from phantom.teeth import crown_field
from veneercheck.core.types import Bools, Floats, Ints

_UNION_BLEND_MM = 0.5
"""Fillet where two crowns or a crown and a connector meet."""

_MARGIN_BLEND_MM = 0.25
"""Rounding of the lower rim of a retainer."""

_PONTIC_BLEND_MM = 1.8
"""Rounding from the walls of a pontic into its base."""

_GINGIVA_BLEND_MM = 0.3
"""Fillet of the sulcus between crown and gingiva."""

_MARGIN_LEVEL_MM = -0.6
"""Where retainers end, below the cervix."""

_PONTIC_BASE_MM = 0.9
"""Lowest point of a pontic's convex base, above the cervix of its neighbours."""

_PONTIC_DOME_MM = 9.0
"""Radius of curvature of the pontic's base."""

_REACH_MM = 3.0
"""Beyond this from a crown its field is replaced by a plain distance, to save time."""

_CONNECTOR_HALF_MM = (1.9, 2.6, 2.5)
"""Half sizes of a connector: along the arch, across it, in height."""

_CONNECTOR_LEVEL = 0.52
"""Height of a connector's middle as a share of the lower neighbour's height."""

_CONNECTOR_BUCCAL_MM = 0.3
"""Contact areas lie a little buccal of the middle."""

_WALL_MARGIN_MM = 0.45
"""Retainer wall at its margin."""

_WALL_BUCCAL_MM, _WALL_LINGUAL_MM, _WALL_TOP_MM, _WALL_PROXIMAL_MM = 2.25, 1.2, 2.3, 1.6
"""Wax between contour and prepared tooth: veneer space and metal where it will be cut."""

_CAVITY_BLEND_MM = 1.2
"""Rounding of the prepared tooth's line angles."""

_RIDGE_HALF_MM = 6.8
"""Half width of the model strip across the arch."""

_RIDGE_END_MM = 3.2
"""How far the model strip runs on beyond the end units."""

_RIDGE_BLEND_MM = 2.5
"""Rounding of the alveolar ridge."""

_GINGIVA_LEVEL_MM, _RIDGE_LEVEL_MM = 0.55, -0.35
"""Height of the gingiva around retainers and of the ridge under pontics."""

_ARCH_TURN = 0.09
"""How much the ridge falls away from its crest, mm a mm²: a saddle, not a table."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Body:
    """Full contour of a bridge, with or without a strip of model.

    Parameters
    ----------
    units : tuple of Unit
    pontics : tuple of int
        Codes of the units that have no cavity.
    base : bool
        Whether gingiva and ridge belong to the scan.
    """

    units: tuple[Unit, ...]
    pontics: tuple[int, ...]
    base: bool

    def outer(self, points_mm: Floats) -> Floats:
        """Field of the contour, cavities taken as full, shape (n,)."""
        field = self.bridge(points_mm)
        if self.base:
            field = smooth_min(field, self.gingiva(points_mm), _GINGIVA_BLEND_MM)
        return field

    def solid(self, points_mm: Floats) -> Floats:
        """Field of the body with its cavities, shape (n,)."""
        return np.maximum(self.outer(points_mm), -self.cavities(points_mm))

    def bridge(self, points_mm: Floats) -> Floats:
        """Field of crowns, pontics and connectors, shape (n,)."""
        field = np.full(len(points_mm), np.inf)
        for unit in self.units:
            near, far = _near(unit, points_mm)
            value = far
            value[near] = self._crown(unit, unit.local(points_mm[near]))
            field = (
                np.minimum(field, value)
                if np.isinf(field).all()
                else smooth_min(field, value, _UNION_BLEND_MM)
            )
        for first, second in itertools.pairwise(self.units):
            field = smooth_min(field, _connector(first, second, points_mm), _UNION_BLEND_MM)
        return field

    def _crown(self, unit: Unit, local_mm: Floats) -> Floats:
        crown = crown_field(unit.form, local_mm)
        if unit.code in self.pontics:
            return smooth_max(crown, _pontic_base(local_mm), _PONTIC_BLEND_MM)
        return smooth_max(crown, _MARGIN_LEVEL_MM - local_mm[:, 2], _MARGIN_BLEND_MM)

    def cavities(self, points_mm: Floats) -> Floats:
        """Field of the insides of the retainers, shape (n,)."""
        field = np.full(len(points_mm), np.inf)
        for unit in self.units:
            if unit.code not in self.pontics:
                near, far = _near(unit, points_mm)
                far[near] = _cavity(unit, unit.local(points_mm[near]))
                field = np.minimum(field, far)
        return field

    def gingiva(self, points_mm: Floats) -> Floats:
        """Field of the strip of model under the bridge, shape (n,)."""
        weights, locals_mm = self._shares(points_mm)
        level = np.array(
            [_RIDGE_LEVEL_MM if u.code in self.pontics else _GINGIVA_LEVEL_MM for u in self.units]
        )
        across = np.einsum("nk,nk->n", weights, locals_mm[:, :, 1])
        top = weights @ level - _ARCH_TURN * np.maximum(np.abs(across) - 2.0, 0.0) ** 2
        papilla = 0.9 * (1.0 - (weights**2).sum(axis=1)) * np.exp(-((across / 3.0) ** 2))
        surface = points_mm[:, 2] - top - papilla
        strip = smooth_max(surface, np.abs(across) - _RIDGE_HALF_MM, _RIDGE_BLEND_MM)
        return smooth_max(strip, self._beyond_ends(points_mm), 1.0)

    def _beyond_ends(self, points_mm: Floats) -> Floats:
        ends: list[Floats] = []
        for unit, inner in ((self.units[0], self.units[-1]), (self.units[-1], self.units[0])):
            along = unit.axes[0]
            if len(self.units) > 1 and (inner.centre_mm - unit.centre_mm) @ along > 0:
                along = -along
            if len(self.units) == 1 and ends:
                along = -along
            ends.append((points_mm - unit.centre_mm) @ along - 0.5 * unit.form.width_mm)
        beyond: Floats = np.maximum(*ends) - _RIDGE_END_MM
        return beyond

    def _shares(self, points_mm: Floats) -> tuple[Floats, Floats]:
        locals_mm = np.stack([unit.local(points_mm) for unit in self.units], axis=1)
        half = np.array([0.5 * unit.form.width_mm for unit in self.units])
        away = np.linalg.norm(locals_mm[:, :, :2] * [1.0, 0.6], axis=2) / half
        weights = np.exp(-3.0 * (away - away.min(axis=1, keepdims=True)))
        shares: Floats = weights / weights.sum(axis=1, keepdims=True)
        return shares, locals_mm

    def unit_of(self, points_mm: Floats) -> Ints:
        """Index of the unit each point belongs to, shape (n,)."""
        ends: list[Floats] = [
            np.abs(unit.local(points_mm)[:, 0]) / (0.5 * unit.form.width_mm)
            + np.abs(unit.local(points_mm)[:, 1]) * 0.01
            for unit in self.units
        ]
        nearest: Ints = np.argmin(np.stack(ends), axis=0).astype(np.int64)
        return nearest

    def on_model(self, points_mm: Floats) -> Bools:
        """Which points of the contour lie on gingiva or model rather than on the bridge."""
        if not self.base:
            return np.zeros(len(points_mm), dtype=bool)
        return self.gingiva(points_mm) < self.bridge(points_mm)

    def box(self) -> tuple[Floats, Floats]:
        """Corners of a box around the body; its floor cuts the model strip open."""
        centres = np.stack([unit.centre_mm for unit in self.units])
        size = max(unit.form.width_mm for unit in self.units)
        height = max(unit.form.height_mm for unit in self.units)
        margin = 0.5 * size + (_RIDGE_END_MM + 3.0 if self.base else 1.5)
        side = max(margin, _RIDGE_HALF_MM + 1.5)
        low = centres.min(axis=0) - np.array([margin, side, 0.0])
        high = centres.max(axis=0) + np.array([margin, side, height + 1.0])
        low[2] = -3.5 if self.base else _MARGIN_LEVEL_MM - 1.0
        return low, high


def _near(unit: Unit, points_mm: Floats) -> tuple[Ints, Floats]:
    radius = 0.5 * float(np.hypot(unit.form.width_mm, unit.form.depth_mm)) * 0.9
    offset = points_mm[:, :2] - unit.centre_mm[:2]
    distance = np.sqrt(np.einsum("ij,ij->i", offset, offset)) - radius
    return np.flatnonzero(distance < _REACH_MM), distance


def _pontic_base(local_mm: Floats) -> Floats:
    mesial, buccal, occlusal = local_mm.T
    dome = (mesial**2 + 0.9 * buccal**2) / (2.0 * _PONTIC_DOME_MM)
    lap = 0.08 * np.maximum(-buccal, 0.0) ** 2 / 2.0
    field: Floats = _PONTIC_BASE_MM + dome + lap - occlusal
    return field


def _connector(first: Unit, second: Unit, points_mm: Floats) -> Floats:
    lower = min(first.form.height_mm, second.form.height_mm)
    buccal = first.axes[1] + second.axes[1]
    buccal /= np.linalg.norm(buccal)
    half_first, half_second = first.form.width_mm, second.form.width_mm
    share = half_first / (half_first + half_second)
    centre = first.centre_mm + share * (second.centre_mm - first.centre_mm)
    offset = points_mm - centre - _CONNECTOR_BUCCAL_MM * buccal
    across = offset @ buccal
    height = offset[:, 2] - _CONNECTOR_LEVEL * lower
    along = offset @ np.cross(buccal, [0.0, 0.0, 1.0])
    depth = min(first.form.depth_mm, second.form.depth_mm)
    a, c, h = _CONNECTOR_HALF_MM[0], 0.29 * depth, 0.29 * lower
    share2 = (along / a) ** 2 + (across / c) ** 2 + (height / h) ** 2
    field: Floats = (np.sqrt(share2) - 1.0) * min(a, c, h)
    return field


def _cavity(unit: Unit, local_mm: Floats) -> Floats:
    """A prepared tooth: a tapering, rounded stump that ends above in a flat table."""
    form = unit.form
    mesial, buccal, occlusal = local_mm.T
    rise = np.clip((occlusal - _MARGIN_LEVEL_MM) / form.height_mm, -1.0, 1.0)
    widen = 1.0 - np.exp(-np.maximum(rise, 0.0) / 0.12)
    half_width = 0.5 * form.width_mm * form.proximal[0] - _WALL_MARGIN_MM
    half_width = half_width - (0.25 + 0.9 * rise) * widen * 0.6
    to_buccal = 0.5 * form.depth_mm * form.buccal[0] - _WALL_MARGIN_MM
    to_buccal = to_buccal - (_WALL_BUCCAL_MM - _WALL_MARGIN_MM - 0.5 + 2.0 * rise) * widen
    to_lingual = 0.5 * form.depth_mm * form.lingual[0] - _WALL_MARGIN_MM
    to_lingual = to_lingual - (_WALL_LINGUAL_MM - _WALL_MARGIN_MM - 0.4 + 0.6 * rise) * widen
    half_depth = np.where(buccal > 0, to_buccal, to_lingual)
    power = 2.5
    share = (np.abs(mesial / half_width) ** power + np.abs(buccal / half_depth) ** power) ** (
        1.0 / power
    )
    walls = (share - 1.0) * 0.25 * (form.width_mm + form.depth_mm) * 0.7
    floor = min(ridge.end_height_mm for ridge in form.ridges if ridge.end_height_mm > 0)
    table = occlusal - (floor - _WALL_TOP_MM - 0.15)
    return smooth_max(walls, table, _CAVITY_BLEND_MM)
