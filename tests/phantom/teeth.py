"""Forms of teeth: outlines, cusps and ridges, as an implicit surface in the tooth's own frame.

The own frame of a tooth is (mesial, buccal, occlusal) in mm from the middle of its cervix.
Sizes are rounded textbook means (from memory); the forms are invented, not taken from a tooth.
"""

from __future__ import annotations

import dataclasses

import numpy as np

from phantom.shapes import smooth_max
from veneercheck.core.types import Floats

_OUTLINE_POWER = 2.5
"""Superellipse of the cross-section: rounder than a box, fuller than an ellipse; smooth."""

_CUSP_SLOPE = 0.62
"""Rise over run of cuspal inclines: about 32°."""

_CUSP_ROUNDING_MM = 1.0
"""With the slope above, cusp tips get a radius of curvature of 1.6 mm."""

_FISSURE_BLEND_MM = 0.3
"""How sharp the valley between two cusps is: no sharper than a scan can show."""

_LINE_ANGLE_BLEND_MM = 2.6
"""How far the walls round over into the occlusal surface."""

_GROOVE_WIDTH_MM = 0.75
"""Of the developmental grooves that run down the walls."""

_NEVER_MM = -9.0
"""Height of a feature that is absent."""


@dataclasses.dataclass(frozen=True, slots=True)
class Ridge:
    """A crest of the occlusal surface between two points; a cusp if they coincide.

    Places are (mesial, buccal) in mm; heights in mm above the cervix.
    """

    start: tuple[float, float]
    end: tuple[float, float]
    start_height_mm: float
    end_height_mm: float
    slope: float = _CUSP_SLOPE
    rounding_mm: float = _CUSP_ROUNDING_MM


@dataclasses.dataclass(frozen=True, slots=True)
class Groove:
    """A developmental groove on a wall: `side` is +1 for buccal, −1 for lingual."""

    mesial_mm: float
    side: int
    depth_mm: float = 0.35


@dataclasses.dataclass(frozen=True, slots=True)
class ToothForm:
    """The outer form of a crown.

    Parameters
    ----------
    width_mm, depth_mm : float
        Greatest mesio-distal and bucco-lingual size.
    height_mm : float
        From the cervix to the highest cusp.
    ridges : tuple of Ridge
    grooves : tuple of Groove
    proximal, buccal, lingual : tuple of 3 floats
        Half width as a share of the greatest, at the cervix, half way up and at the top.
    """

    width_mm: float
    depth_mm: float
    height_mm: float
    ridges: tuple[Ridge, ...]
    grooves: tuple[Groove, ...] = ()
    proximal: tuple[float, float, float] = (0.80, 1.0, 0.90)
    buccal: tuple[float, float, float] = (0.90, 0.98, 0.66)
    lingual: tuple[float, float, float] = (0.84, 0.99, 0.80)


def cusp(mesial_mm: float, buccal_mm: float, height_mm: float) -> Ridge:
    """A cusp: a ridge of no length."""
    place = (mesial_mm, buccal_mm)
    return Ridge(place, place, height_mm, height_mm)


def _marginal(mesial_mm: float, half_mm: float, height_mm: float) -> Ridge:
    return Ridge((mesial_mm, half_mm), (mesial_mm, -half_mm), height_mm, height_mm, 0.75, 0.7)


def _crest(start: Ridge, end: Ridge, height_mm: float) -> Ridge:
    """The triangular ridge from a cusp towards the middle of the tooth."""
    return Ridge(start.start, end.start, start.start_height_mm, height_mm, 0.7, 0.9)


def outline_shares(form: ToothForm, local_mm: Floats) -> Floats:
    """Where points lie in the cross-section: 0 on the axis, 1 on the wall. Shape (n,)."""
    mesial, buccal, occlusal = local_mm.T
    height = np.clip(occlusal / form.height_mm, -0.25, 1.15)
    half_width = 0.5 * form.width_mm * _profile(form.proximal, height)
    to_buccal = 0.5 * form.depth_mm * _profile(form.buccal, height)
    to_lingual = 0.5 * form.depth_mm * _profile(form.lingual, height)
    half_depth = np.where(buccal > 0, to_buccal, to_lingual)
    along = np.abs(mesial / half_width) ** _OUTLINE_POWER
    across = np.abs(buccal / half_depth) ** _OUTLINE_POWER
    share: Floats = (along + across) ** (1.0 / _OUTLINE_POWER)
    return share


def _profile(shares: tuple[float, float, float], height: Floats) -> Floats:
    low, middle, top = shares
    bend = 2.0 * (low + top) - 4.0 * middle
    rise = top - low - bend
    return low + rise * height + bend * height**2


def occlusal_height(form: ToothForm, local_mm: Floats) -> Floats:
    """Height of the occlusal surface over (mesial, buccal), shape (n,), mm."""
    height = np.full(len(local_mm), _NEVER_MM)
    for ridge in form.ridges:
        height = smooth_max(height, _ridge_height(ridge, local_mm), _FISSURE_BLEND_MM)
    return height


def _ridge_height(ridge: Ridge, local_mm: Floats) -> Floats:
    along = local_mm[:, 0] - ridge.start[0]
    across = local_mm[:, 1] - ridge.start[1]
    crest: Floats | float = ridge.start_height_mm
    span = (ridge.end[0] - ridge.start[0], ridge.end[1] - ridge.start[1])
    length2 = span[0] ** 2 + span[1] ** 2
    if length2 > 0:
        share = np.clip((along * span[0] + across * span[1]) / length2, 0.0, 1.0)
        along, across = along - share * span[0], across - share * span[1]
        crest = ridge.start_height_mm + share * (ridge.end_height_mm - ridge.start_height_mm)
    fall = np.sqrt(along**2 + across**2 + ridge.rounding_mm**2) - ridge.rounding_mm
    height: Floats = crest - ridge.slope * fall
    return height


def crown_field(form: ToothForm, local_mm: Floats) -> Floats:
    """Field of a crown that is open-ended downwards (no cervical end), shape (n,)."""
    mean_half = 0.25 * (form.width_mm + form.depth_mm)
    walls = (outline_shares(form, local_mm) - 1.0) * mean_half
    for groove in form.grooves:
        walls = walls + _groove_depth(groove, form, local_mm)
    steepness = 1.0 / np.hypot(1.0, _CUSP_SLOPE)
    top = (local_mm[:, 2] - occlusal_height(form, local_mm)) * steepness
    return smooth_max(walls, top, _LINE_ANGLE_BLEND_MM)


def _groove_depth(groove: Groove, form: ToothForm, local_mm: Floats) -> Floats:
    mesial, buccal, occlusal = local_mm.T
    across = np.exp(-(((mesial - groove.mesial_mm) / _GROOVE_WIDTH_MM) ** 2))
    on_side = 1.0 / (1.0 + np.exp(-4.0 * groove.side * buccal))
    rise = 1.0 / (1.0 + np.exp(-3.0 * (occlusal - 0.55 * form.height_mm)))
    depth: Floats = groove.depth_mm * across * on_side * rise
    return depth


def _lower_first_molar() -> ToothForm:
    mb, db, d = cusp(2.5, 2.7, 7.6), cusp(-1.1, 2.9, 7.4), cusp(-3.6, 1.5, 6.9)
    ml, dl = cusp(2.3, -2.9, 7.9), cusp(-2.2, -2.9, 7.6)
    middle = (cusp(0.9, 0.1, 0.0), cusp(-0.8, 0.1, 0.0), cusp(-2.0, 0.3, 0.0))
    crests = (
        _crest(mb, middle[0], 5.9),
        _crest(db, middle[1], 5.9),
        _crest(d, middle[2], 5.9),
        _crest(ml, middle[0], 5.9),
        _crest(dl, middle[1], 5.9),
    )
    ridges = (mb, db, d, ml, dl, *crests, _marginal(4.4, 1.6, 6.5), _marginal(-4.5, 1.2, 6.3))
    grooves = (Groove(0.75, 1), Groove(-2.7, 1, 0.2), Groove(0.0, -1))
    return ToothForm(11.0, 10.4, 7.9, ridges, grooves)


def _lower_second_molar() -> ToothForm:
    mb, db = cusp(2.2, 2.6, 7.4), cusp(-2.1, 2.5, 7.2)
    ml, dl = cusp(2.1, -2.8, 7.6), cusp(-2.1, -2.7, 7.4)
    middle = (cusp(0.7, 0.0, 0.0), cusp(-0.7, 0.0, 0.0))
    crests = (
        _crest(mb, middle[0], 5.8),
        _crest(db, middle[1], 5.8),
        _crest(ml, middle[0], 5.8),
        _crest(dl, middle[1], 5.8),
    )
    ridges = (mb, db, ml, dl, *crests, _marginal(4.1, 1.6, 6.4), _marginal(-4.1, 1.5, 6.2))
    return ToothForm(10.4, 10.1, 7.6, ridges, (Groove(0.0, 1), Groove(0.0, -1)))


def _lower_second_premolar() -> ToothForm:
    b, ml, dl = cusp(0.1, 1.7, 7.8), cusp(1.1, -2.1, 7.0), cusp(-1.5, -1.9, 6.7)
    crests = (
        _crest(b, cusp(0.0, -0.1, 0.0), 6.3),
        _crest(ml, cusp(0.4, -0.4, 0.0), 6.2),
        _crest(dl, cusp(-0.5, -0.4, 0.0), 6.2),
    )
    ridges = (b, ml, dl, *crests, _marginal(2.7, 1.2, 6.5), _marginal(-2.7, 1.2, 6.4))
    return ToothForm(7.2, 8.4, 7.8, ridges, (Groove(-0.2, -1, 0.2),))


def _lower_first_premolar() -> ToothForm:
    b, li = cusp(0.1, 1.3, 8.3), cusp(0.2, -2.0, 6.0)
    ridges = (b, li, _crest(b, li, 6.0), _marginal(2.5, 1.0, 6.6), _marginal(-2.5, 1.0, 6.5))
    return ToothForm(7.1, 7.8, 8.3, ridges)


def _upper_first_molar() -> ToothForm:
    mb, db = cusp(2.6, 3.2, 7.5), cusp(-1.9, 3.2, 7.3)
    ml, dl = cusp(1.4, -2.7, 7.6), cusp(-3.0, -2.6, 6.7)
    oblique = Ridge(ml.start, db.start, 7.4, 7.1, 0.7, 0.9)
    crests = (_crest(mb, cusp(1.8, 0.2, 0.0), 5.9), _crest(ml, cusp(1.8, -0.2, 0.0), 5.9))
    ridges = (mb, db, ml, dl, *crests, _marginal(4.2, 1.9, 6.5), _marginal(-4.2, 1.6, 6.3), oblique)
    low = dataclasses.replace(oblique, start_height_mm=6.6, end_height_mm=6.6)
    return ToothForm(
        10.4,
        11.2,
        7.6,
        (*ridges[:-1], low),
        (Groove(0.4, 1), Groove(-1.2, -1)),
        buccal=(0.92, 0.99, 0.76),
        lingual=(0.88, 1.0, 0.72),
    )


def _upper_second_molar() -> ToothForm:
    return dataclasses.replace(_upper_first_molar(), width_mm=9.8, depth_mm=11.0)


def _upper_premolar() -> ToothForm:
    b, p = cusp(0.1, 2.4, 7.9), cusp(0.3, -2.4, 7.3)
    crests = (_crest(b, cusp(0.0, 0.3, 0.0), 6.2), _crest(p, cusp(0.0, -0.3, 0.0), 6.2))
    ridges = (b, p, *crests, _marginal(2.6, 1.5, 6.4), _marginal(-2.6, 1.5, 6.3))
    return ToothForm(7.0, 9.2, 7.9, ridges, buccal=(0.90, 1.0, 0.74), lingual=(0.88, 1.0, 0.74))


def _front_tooth(width_mm: float, depth_mm: float, height_mm: float, tip_mm: float) -> ToothForm:
    """An incisor, or with `tip_mm` above zero a canine whose edge falls to both sides."""
    half = 0.36 * width_mm
    top, corner = height_mm, height_mm - tip_mm
    edges = (
        Ridge((0.0, 0.4), (half, 0.2), top, corner, 1.6, 0.9),
        Ridge((0.0, 0.4), (-half, 0.2), top, corner, 1.6, 0.9),
    )
    cingulum = cusp(0.0, -0.25 * depth_mm, 0.45 * height_mm)
    return ToothForm(
        width_mm,
        depth_mm,
        height_mm,
        (*edges, cingulum),
        proximal=(0.74, 0.96, 0.98),
        buccal=(0.98, 0.92, 0.55),
        lingual=(1.0, 0.72, 0.45),
    )


def tooth_form(code: int) -> ToothForm:
    """The form for a two-digit code (ISO 3950); left and right are mirror images.

    Parameters
    ----------
    code : int
        11–18, 21–28, 31–38 or 41–48.

    Raises
    ------
    ValueError
        If the code names no permanent tooth.
    """
    quadrant, number = divmod(code, 10)
    if quadrant not in (1, 2, 3, 4) or number not in range(1, 9):
        raise ValueError(f"{code} is no two-digit code of a permanent tooth.")
    return _upper_form(number) if quadrant in (1, 2) else _lower_form(number)


def _upper_form(number: int) -> ToothForm:
    if number <= 3:
        sizes = {1: (8.5, 7.2, 9.8, 0.2), 2: (6.7, 6.3, 9.0, 0.3), 3: (7.6, 8.0, 9.8, 1.3)}
        return _front_tooth(*sizes[number])
    if number <= 5:
        return _upper_premolar()
    return _upper_first_molar() if number == 6 else _upper_second_molar()


def _lower_form(number: int) -> ToothForm:
    if number <= 3:
        sizes = {1: (5.6, 6.3, 8.6, 0.1), 2: (6.1, 6.5, 8.8, 0.2), 3: (7.0, 7.8, 9.8, 1.2)}
        return _front_tooth(*sizes[number])
    if number == 4:
        return _lower_first_premolar()
    if number == 5:
        return _lower_second_premolar()
    return _lower_first_molar() if number == 6 else _lower_second_molar()
