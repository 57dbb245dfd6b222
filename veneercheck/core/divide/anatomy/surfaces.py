"""Surfaces, thirds and shares of every point, once the teeth stand on their axis."""

from __future__ import annotations

import dataclasses

import numpy as np

from veneercheck.core.divide.anatomy.arch import Cloud
from veneercheck.core.divide.anatomy.codes import side_of
from veneercheck.core.divide.anatomy.places import Surface, Third
from veneercheck.core.divide.anatomy.teeth import Teeth
from veneercheck.core.types import Bools, Floats, Ints

_OCCLUSAL_COS = 0.55
"""Steeper than about 57° from the horizontal a surface is a wall; cuspal inclines are flatter."""

_SLOPE_COS, _OUTER_SHARE = 0.15, 0.2
"""A slope faces up at least so; a side lies beyond this share of the half width or depth."""

_LEDGE_COS = 0.9
"""A ledge flatter than 26° faces no side: the way its noise leans tells nothing."""

_BASAL_COS = -0.35
"""A pontic's surface that leans this far towards the ridge belongs to its base."""

_ROOF_COS = -0.5
"""The roof of a retainer's hollow faces down at least so."""

_ROOF_SHARE = 0.6
"""It lies within this share of the half width on either side of the middle."""

_INWARD = -0.2
"""Walls of a hollow face the middle of their tooth (cosine)."""

_UP_COS = 0.35
"""Gingiva and model face up at least so; a wall of a hollow, less."""

_LOW_MM = 3.0
"""Gingiva lies at least this far below the crown's top; a third so low is no occlusal surface."""

_BESIDE_MM = 0.2
"""What lies this far outside the crowns' outline, and low, is not bridge."""

_STRIP_MM = (1.0, 4.0)
"""Gingiva and model this far beside the crowns' upper outline are taken for their level: nearer,
a cingulum may bulge."""

_LEAST_STRIP_MM2 = 3.0
"""Less of it is a rim, not gingiva."""

_SADDLE_MM = 0.5
_PAPILLA_MM = 2.0
"""Over the level beside, gingiva rises so far towards the crowns, and its papillae so far."""

_STRAY_MM = 1.5
"""What lies this far outside the outline at any height is dust."""

_LEAST_HALF_MM = 0.5
"""Half of what no tooth is narrower than: shares are taken of it."""

_HEIGHT_QUANTILES = (0.02, 0.98)
"""Lowest and highest surface of a crown, a few stray points left out."""


_TOP = 0.99
"""So many of the contour's points over a crown lie no higher than its top; the rest may stray."""

Over = tuple[Floats, Ints]
"""Points of the contour, shape (k, 3), and the framework's vertex under each."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """Tooth, surface, third and shares, each of shape (n,), as in `Places`."""

    tooth: Ints
    surface: Ints
    third: Ints
    mesial_share: Floats
    buccal_share: Floats


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class _Local:
    """Every point in the frame of its own tooth.

    Parameters
    ----------
    unit : ndarray of int64, shape (n,)
    along, left, height : ndarray, shape (n,), mm
        From the middle of the tooth, in the direction of travel and to its left; and height.
    half_width, half_depth : ndarray, shape (n,), mm
    normal : ndarray, shape (n, 3)
        Parts along, to the left and occlusal.
    below_top : ndarray, shape (n,), mm
    """

    unit: Ints
    along: Floats
    left: Floats
    height: Floats
    half_width: Floats
    half_depth: Floats
    normal: Floats
    below_top: Floats


def see(
    teeth: Teeth,
    cloud: Cloud,
    pontics: tuple[int, ...],
    *,
    own_points_mm: Floats,
    tell_model: bool,
    over: Over | None = None,
) -> Seen:
    """Tell tooth and surface of every point.

    Parameters
    ----------
    teeth : Teeth
    cloud : Cloud
        On the contour: a tooth is as wide and as high as it is to become.
    pontics : tuple of int
        Codes; only these have a base.
    own_points_mm : ndarray, shape (n, 3)
        Of the framework itself: in which third they lie is where the eye sees them.
    over : Over, optional
        The contour over the framework: no point under a cusp tip need have the tip as its nearest.
    tell_model : bool
        Gingiva and model are to be found; else `cloud.bridge` says what they are.

    Returns
    -------
    Seen
    """
    local = _localise(teeth, cloud)
    code = np.array(teeth.codes, dtype=np.int64)
    pontic = np.isin(code, pontics)[local.unit]
    inside = cloud.fitting | (_hollow(local, pontic) & ~cloud.veneered)
    model = _model(teeth, local, cloud, inside, pontic) if tell_model else ~cloud.bridge
    side = np.array([side_of(c) if c else 0 for c in teeth.codes])[local.unit]
    along, left = local.along / local.half_width, local.left / local.half_depth
    crown = ~(inside | model)
    up = teeth.axis.plane[2]
    low = _thirds(local, local.height, crown, np.full(len(code), np.nan)) == Third.CERVICAL
    low &= local.below_top > _LOW_MM
    surface = _faces(local.normal, pontic, -side, (along, left), low)
    surface[inside | model] = Surface.NONE
    return Seen(
        tooth=np.where(model, 0, code[local.unit]),
        surface=surface,
        third=_thirds(
            local, own_points_mm @ up, crown, _tops_mm(local, up, crown, len(code), over)
        ),
        mesial_share=np.where(model | (side == 0), np.nan, np.clip(-side * along, -1.0, 1.0)),
        buccal_share=np.where(model, np.nan, np.clip(left, -1.0, 1.0)),
    )


def _localise(teeth: Teeth, cloud: Cloud) -> _Local:
    located = teeth.axis.locate(cloud.points_mm)
    unit = teeth.index_at(located[:, 0])
    low, high = teeth.ends_mm()
    middle, half = 0.5 * (low + high), np.maximum(0.5 * (high - low), _LEAST_HALF_MM)
    centre = 0.5 * (teeth.left_mm + teeth.right_mm)
    depth = np.maximum(0.5 * (teeth.left_mm - teeth.right_mm), _LEAST_HALF_MM)
    # One straight frame a tooth, not the axis' own at each point: its surfaces are its own.
    straight = teeth.axis.turn(cloud.normals, middle[unit] if teeth.codes[0] else located[:, 0])
    return _Local(
        unit,
        located[:, 0] - middle[unit],
        located[:, 1] - centre[unit],
        located[:, 2],
        half[unit],
        depth[unit],
        straight,
        teeth.top_mm[unit] - located[:, 2],
    )


def _hollow(local: _Local, pontic: Bools) -> Bools:
    """Points inside a retainer: walls that face its middle, and the roof."""
    distance = np.hypot(local.along, local.left)
    along, left, up = local.normal.T
    facing = local.along * along + local.left * left
    share = np.maximum(
        np.abs(local.along) / local.half_width, np.abs(local.left) / local.half_depth
    )
    walls = (facing < _INWARD * distance) & (up < _UP_COS) & (share < 1.0)
    roof = ~pontic & (up < _ROOF_COS) & (share < _ROOF_SHARE)
    return np.asarray(walls | roof)


def _faces(
    normal: Floats, pontic: Bools, mesial_sign: Ints, shares: tuple[Floats, Floats], low: Bools
) -> Ints:
    """Surfaces by direction: up, down (pontics), else the nearest of the four sides; but the inner
    slope of a cusp faces a side beyond the middle of its tooth, however steep it is. What is `low`
    on its crown, as a ledge at the neck, is a side's: where it is flat, of that where it lies."""
    along, left, up = normal.T
    flat = low & (up > _LEDGE_COS)
    along, left = np.where(flat, shares[0], along), np.where(flat, shares[1], left)
    mesial = along * mesial_sign
    end = np.where(mesial > 0, Surface.MESIAL, Surface.DISTAL)
    end = np.where(mesial_sign == 0, Surface.NONE, end)
    side = np.where(left > 0, Surface.BUCCAL, Surface.LINGUAL)
    surface = np.where(np.abs(along) > np.abs(left), end, side)
    aside = np.where(np.abs(along) > np.abs(left), along * shares[0], left * shares[1])
    out = aside / np.maximum(np.maximum(np.abs(along), np.abs(left)), 1e-9)
    inner = (up > _SLOPE_COS) & (out < _OUTER_SHARE)
    surface = np.where(((up > _OCCLUSAL_COS) | inner) & ~low, Surface.OCCLUSAL, surface)
    return np.where(pontic & (up < _BASAL_COS), Surface.BASAL, surface).astype(np.int64)


def _model(teeth: Teeth, local: _Local, cloud: Cloud, inside: Bools, pontic: Bools) -> Bools:
    """Gingiva and model: beside the crowns' outline, or no higher than what lies there."""
    units = len(teeth.codes)
    low = local.below_top > _LOW_MM
    ends = np.maximum(np.abs(local.along) - local.half_width, 0.0)
    inner = ((local.along < 0) & (local.unit > 0)) | ((local.along > 0) & (local.unit < units - 1))
    aside = np.maximum(np.abs(local.left) - local.half_depth, np.where(inner, 0.0, ends))
    may = ~inside & ~cloud.veneered
    up = local.normal[:, 2]
    stray = may & (aside > _STRAY_MM)
    strip = may & low & (up > _UP_COS) & (aside > _STRIP_MM[0]) & (aside < _STRIP_MM[1])
    level = _gingiva_level(local, cloud.area_mm2, strip, units)
    if level is None:
        return np.asarray(stray & ~low)
    above = local.height - level[local.unit]
    beside = may & low & (aside > _BESIDE_MM) & (above < _SADDLE_MM)
    under = may & low & ((above < 0.0) | ((up > _UP_COS) & (above < _PAPILLA_MM)))
    under &= ~(pontic & (up < _BASAL_COS))
    return np.asarray(beside | stray | under)


def _gingiva_level(local: _Local, area_mm2: Floats, strip: Bools, units: int) -> Floats | None:
    """Height of the gingiva beside each unit, shape (units,); None if there is none."""
    area = np.bincount(local.unit[strip], weights=area_mm2[strip], minlength=units)
    known = np.flatnonzero(area >= _LEAST_STRIP_MM2)
    if not len(known):
        return None
    levels = [np.quantile(local.height[strip & (local.unit == k)], 0.9) for k in known]
    return np.asarray(np.interp(np.arange(units), known, levels))


def _tops_mm(local: _Local, up: Floats, crown: Bools, units: int, over: Over | None) -> Floats:
    """How high the contour over each crown is, shape (units,); NaN where none is known."""
    if over is None:
        return np.full(units, np.nan)
    contour_mm, under = over
    height, unit = contour_mm @ up, np.where(crown, local.unit, -1)[under]
    each = (height[unit == one] for one in range(units))
    return np.array([np.quantile(own, _TOP) if len(own) else np.nan for own in each])


def _thirds(local: _Local, height_mm: Floats, crown: Bools, tops_mm: Floats) -> Ints:
    """Thirds of each crown's height, up to its top where that is higher than any point's."""
    third = np.full(len(crown), Third.NONE, dtype=np.int64)
    for unit, top_mm in enumerate(tops_mm):
        mine = np.flatnonzero(crown & (local.unit == unit))
        if len(mine):
            low, high = np.quantile(local.height[mine], _HEIGHT_QUANTILES)
            share = (height_mm[mine] - low) / max(np.fmax(high, top_mm) - low, 1e-9)
            third[mine] = np.clip(np.floor(3.0 * share), 0, 2).astype(np.int64) + Third.CERVICAL
    return third
