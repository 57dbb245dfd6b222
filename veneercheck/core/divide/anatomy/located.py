"""Where the parts of a measured framework lie on the bridge, and how that is told."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
from scipy.spatial import cKDTree

from veneercheck.core.divide.anatomy.places import (
    Places,
    Surface,
    line_words,
    place_words,
    surface_word,
    surface_words,
)
from veneercheck.core.divide.anatomy.placing import place
from veneercheck.core.divide.regions import Regions
from veneercheck.core.measure.space import Reading
from veneercheck.core.types import (
    UNITS,
    Alignment,
    Case,
    Floats,
    Frame,
    Ints,
    Limits,
    PlaceWords,
    Question,
    Reason,
    Region,
    TriangleMesh,
)


def locate(framework: TriangleMesh, reading: Reading, parts: Regions, case: Case) -> Places:
    """Tell which tooth and surface every point of a divided framework belongs to."""
    model = parts.code == Region.MODEL
    attached = parts.code == Region.ATTACHMENT
    return place(
        framework,
        case,
        # An attachment has no place on a tooth: neither its area nor its outline counts.
        area_mm2=np.where(attached, 0.0, reading.space.area_mm2),
        bridge=~model if model.any() else None,
        veneered=np.isin(parts.code, (Region.CUT, Region.FINISH_LINE_BAND)),
        fitting=(parts.code == Region.FITTING_SURFACE) | attached,
        normals=reading.normals,
        contour_mm=reading.space.contour_mm,
        over=_over(reading),
        waxup=reading.contour.outer.mesh,
    )


def _over(reading: Reading) -> tuple[Floats, Ints]:
    """The contour that lies no deeper over its metal than a veneer may: no neighbour's."""
    outside = reading.outside
    near = (outside.foot >= 0) & (outside.depth_mm <= _VENEER_MM)
    return reading.contour.outer.mesh.points_mm[near], outside.foot[near]


_VENEER_MM = 3.0
"""No veneer is thicker, but for spots."""


def telling(where: Places, reading: Reading, parts: Regions) -> PlaceWords:
    """Tooth, surface and place in words of some vertices, as a function of their numbers."""
    space, contour = reading.space, reading.contour
    line_mm = np.concatenate([parts.line_mm, parts.unseen_mm])
    seen = np.arange(len(line_mm)) < len(parts.line_mm)
    facing = contour.outer.normals[contour.nearest_vertex(line_mm)]

    def told(at: Ints) -> tuple[str | None, str | None, str]:
        if where.teeth is None:
            alone = str(where.tooth[at].max(initial=0) or "")
            faces = _facing(reading.normals[at], space.area_mm2[at])
            return alone or None, None, ", ".join(filter(None, (alone, faces)))
        tooth, surface, words = place_words(where, at, space.area_mm2)
        height = line_words(
            where, at, space.area_mm2, space.contour_mm, line_mm,
            normals=reading.normals, line_normals=facing, seen=seen,
        )  # fmt: skip
        return tooth, surface, ", ".join(filter(None, (words, height)))

    return told


def named(fit: Alignment, points_mm: Floats, where: Places, told: PlaceWords) -> Alignment:
    """The alignment with the unit of each part that a reason tells of, where it is one.

    Parameters
    ----------
    points_mm : ndarray, shape (n, 3)
        Of the framework as laid on the wax-up.
    """
    own = np.flatnonzero(where.owner != 0)

    def of(reason: Reason) -> Reason:
        if reason.at_mm is None or not len(reason.at_mm) or not len(own):
            return reason
        off_mm, nearest = cKDTree(points_mm[own]).query(reason.at_mm)
        near = off_mm < _OF_A_UNIT_MM
        if near.mean() < 0.5:
            return reason
        return dataclasses.replace(reason, tooth=told(own[np.unique(nearest[near])])[0] or "")

    return dataclasses.replace(fit, reasons=tuple(map(of, fit.reasons)))


_OF_A_UNIT_MM = 3.0
"""Margins and fitting surfaces bear no unit's name; they lie no farther from what does."""


def _facing(normals: Floats, weights: Floats) -> str:
    """Where a place faces in the scan's own axes: all that is sure without directions."""
    mean = weights @ normals
    if not len(normals) or not np.any(mean):
        return ""
    nearest = int(np.abs(mean).argmax())
    return f"facing {'+' if mean[nearest] > 0 else '-'}{'xyz'[nearest]}"


def question(where: Places, framework: TriangleMesh, area_mm2: Floats) -> tuple[Question, ...]:
    """Ask for units that are not those that show, and for directions that do not show surely.

    These with a place to point at on side A.

    Parameters
    ----------
    where : Places
    framework : TriangleMesh
    area_mm2 : ndarray, shape (n,)
        Area that each point stands for.

    Returns
    -------
    tuple of Question
        Empty where the directions are told, and of the units.
    """
    units = Question(UNITS, math.nan, None, where.asked, "")
    return (*((units,) if where.asked else ()), *_directions(where, framework, area_mm2))


def _directions(where: Places, framework: TriangleMesh, area_mm2: Floats) -> tuple[Question, ...]:
    if where.sides_known or math.isnan(where.certainty):
        return ()
    here = where.surface == Surface.SIDE_A
    weight = area_mm2 * here
    if where.teeth is None or not weight.any():
        return (Question(DIRECTIONS, math.nan, None, ASK_OCCLUSAL, ""),)
    middle = weight @ framework.points_mm / weight.sum()
    inside = np.flatnonzero(here)
    off = framework.points_mm[inside] - middle
    x, y, z = framework.points_mm[inside[np.einsum("ij,ij->i", off, off).argmin()]]
    side = "the more veneered side" if where.veneered_side else _facing(where.buccal[None], _ONE)
    place = f"{surface_word(Surface.SIDE_A, 0)}, {side}"
    return (Question(DIRECTIONS, math.nan, (float(x), float(y), float(z)), ASK_BUCCAL, place),)


DIRECTIONS = "directions"
"""Kind of question."""

ASK_OCCLUSAL = "which way is occlusal? until it is said, places are told by the axes of the scan"
ASK_BUCCAL = "is this side buccal? until it is said, sides and ends have letters"

_ONE = np.ones(1)


def frame(where: Places) -> Frame:
    """Directions of the bridge, and what of them was guessed."""

    def known(direction: Floats) -> tuple[float, float, float] | None:
        if not (np.isfinite(direction).all() and direction.any()):
            return None
        x, y, z = (float(part) for part in direction)
        return x, y, z

    guessed = where.occlusal_guessed or where.buccal_guessed
    return Frame(
        known(where.occlusal),
        known(where.buccal),
        guessed,
        where.words,
        where.sides_known,
        where.certainty,
    )


def limits_of_surfaces(limits: Limits, where: Places) -> tuple[Floats, Floats]:
    """Least and greatest layer at every point: the general ones, or those of its surface."""
    least = np.full(len(where.tooth), limits.layer.least_mm)
    greatest = np.full(len(where.tooth), limits.layer.greatest_mm)
    if limits.surfaces:
        for (tooth, surface), word in surface_words(where).items():
            own = limits.surfaces.get(word)
            if own is not None:
                here = (where.tooth == tooth) & (where.surface == surface)
                least[here], greatest[here] = own.least_mm, own.greatest_mm
    return least, greatest
