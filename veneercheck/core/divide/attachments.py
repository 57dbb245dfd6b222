"""What is no part of the bridge: sprues, handles and pins that stand far out, and loose pieces."""

from __future__ import annotations

import dataclasses

import numpy as np

from veneercheck.core.divide.holders import standing_higher
from veneercheck.core.measure.space import Reading
from veneercheck.core.mesh.nearest import NearestPoints, NearestSurface
from veneercheck.core.mesh.pieces import large_parts, loose_pieces
from veneercheck.core.mesh.triangles import (
    all_in,
    any_in,
    components,
    parts_in,
    reach_along_edges,
    select_faces,
)
from veneercheck.core.types import (
    Bools,
    Fault,
    Floats,
    Ints,
    PlaceWords,
    Region,
    TriangleMesh,
)

FAR_MM = 1.5
"""No framework stands out of its contour so far by a slip of the knife."""

LEAST_FAR_MM2 = 1.0
OUT_MM = 0.1
"""Out of the contour by more than this, a part that reaches far out belongs to it."""

FOOT_MM = 0.5
"""Where a sprue is waxed on, its foot widens by so much."""

_UPON_MM = 0.25
"""Views that were not fused lie no farther apart: what lies so upon a sprue is the sprue again."""

_FITS_COS, _COLLAR_MM2 = 0.8, 1.0
"""Surface that leans more, or a smaller patch, may be where a sprue passes through the contour."""

_ROUND_MM = 3.0
"""So far round a sprue the surface shows how deep under the contour it was waxed on."""

_BESIDE_RIM_MM = 0.5
"""Nearer to an open rim of the wax-up's scan, «outside» only means that the scan ended."""

_FEW = 2
"""More of them are told in one sentence."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Attachment:
    """A part that stands far out.

    Parameters
    ----------
    vertices : ndarray of int64
        Its own, and its foot.
    length_mm : float
        How far it reaches out.
    loose : bool
        A piece that hangs together with nothing.
    holds : bool
        Taken for putty, gum or a model, above what the other scan shows there: it is asked about.
    """

    vertices: Ints
    length_mm: float
    loose: bool = False
    holds: bool = False


def find(framework: TriangleMesh, waxup: TriangleMesh, reading: Reading) -> tuple[Attachment, ...]:
    """Find sprues, handles and pins on a framework, the longest first; then what held it, and
    loose pieces.

    Parameters
    ----------
    framework, waxup : TriangleMesh
        In the wax-up's frame.
    reading : Reading
    """
    loose = _loose(reading)
    outside_mm = -reading.space.nearest_mm
    out = outside_mm > OUT_MM
    for piece in loose:
        out[piece.vertices] = False
    held = tuple(
        Attachment(part, float(outside_mm[part].max()), holds=True)
        for part in standing_higher(framework, reading, out)
    )
    out[out] = _clear_of_rims(waxup, reading.contour.rim, reading.space.contour_mm[out])
    for part in held:
        out[part.vertices] = False
    far = np.flatnonzero(out & (outside_mm > FAR_MM))
    if not len(far):
        return (*held, *loose)
    # Through a thin wall the contour of a point's own side may be farther than the one it lies on.
    contour = NearestSurface(waxup)
    far = far[contour.query(framework.points_mm[far]).distance_mm > FAR_MM]
    label = parts_in(out, reading.edges)
    area = np.bincount(label[far], reading.space.area_mm2[far])
    parts = np.flatnonzero(area >= LEAST_FAR_MM2)
    standing = [_seen_again(framework, reading, out & (label == part), out) for part in parts]
    found = [_with_foot(framework, reading, part, contour) for part in standing]
    return (*sorted(found, key=lambda part: -part.length_mm), *held, *loose)


def painted_over(paint: Ints | None, found: tuple[Attachment, ...], count: int) -> Ints | None:
    """What was painted, and the parts that are left out, shape (count,)."""
    if not found:
        return paint
    full = np.full(count, -1, dtype=np.int64) if paint is None else paint.copy()
    for part in found:
        full[part.vertices] = Region.ATTACHMENT
    return full


def higher(found: tuple[Attachment, ...]) -> Ints:
    """Vertices of what held the framework, and stands higher than what the other scan shows."""
    parts = [part.vertices for part in found if part.holds]
    return np.unique(np.concatenate(parts)) if parts else np.zeros(0, dtype=np.int64)


def tell(
    found: tuple[Attachment, ...], framework: TriangleMesh, reading: Reading, told: PlaceWords
) -> tuple[Fault, ...]:
    """Say what was left out, and where it stands: told from its foot."""

    def of(part: Attachment) -> Fault:
        area = reading.space.area_mm2[part.vertices]
        x, y, z = area @ framework.points_mm[part.vertices] / area.sum()
        near = np.abs(reading.space.nearest_mm[part.vertices]) < FAR_MM
        tooth, place = told(part.vertices[near])[0] or "", (float(x), float(y), float(z))
        if part.loose:
            return _told_loose(float(area.sum()), place, tooth)
        at = " at {tooth}" if tooth else ""
        words = (
            f"a sprue, handle or pin, or part of the model,{at} stands {{length:.1f}} mm out of "
            "the contour; left out, and what lies under it was not seen."
        )
        code, length = "attachment_at" if tooth else "attachment", part.length_mm
        return Fault.of("attachment", 1, words, place, code, tooth=tooth, length=length)

    faults = [of(part) for part in found if not part.holds]
    standing = [fault for fault in faults if fault.kind == "attachment"]
    if len(standing) <= _FEW:
        return tuple(faults)
    return (_told_together(standing), *(one for one in faults if one.kind != "attachment"))


def _told_together(standing: list[Fault]) -> Fault:
    """Many of them, as where a scan holds gum or antagonist, in one sentence."""
    each = {str(one.values["tooth"]) for one in standing}
    teeth = "" if "" in each else ", ".join(sorted(each))
    length = max(float(one.values["length"]) for one in standing)
    at = " at {teeth}" if teeth else ""
    words = (
        f"{{count}} sprues, handles or pins, or parts of a model, of gum or of opposing teeth,{at} "
        "stand up to {length:.1f} mm out of the contour; left out, and what lies under them was "
        "not seen."
    )
    code, place = "attachments_at" if teeth else "attachments", standing[0].centre_mm
    return Fault.of("attachment", len(standing), words, place, code, teeth=teeth, length=length)


def _told_loose(area_mm2: float, centre: tuple[float, float, float], tooth: str) -> Fault:
    at = " at {tooth}" if tooth else ""
    words = f"a loose piece of {{area:.1f}} mm²{at} touches nothing; left out."
    code = "loose_piece_at" if tooth else "loose_piece"
    return Fault.of("loose_piece", 1, words, centre, code, tooth=tooth, area=area_mm2)


def _loose(reading: Reading) -> tuple[Attachment, ...]:
    """Small pieces that no edge joins to the bridge, the largest first."""
    pieces = loose_pieces(reading.space.area_mm2, reading.edges)
    return tuple(Attachment(piece, 0.0, loose=True) for piece in pieces)


def _clear_of_rims(waxup: TriangleMesh, edges: Ints, places_mm: Floats) -> Bools:
    rim = waxup.points_mm[np.unique(edges)]
    if not len(rim) or not len(places_mm):
        return np.ones(len(places_mm), dtype=bool)
    return np.asarray(NearestPoints(rim).query(places_mm)[0] > _BESIDE_RIM_MM)


def _seen_again(framework: TriangleMesh, reading: Reading, part: Bools, out: Bools) -> Bools:
    """A part, shape (n,), and what of other pieces of the scan stands out and lies upon it."""
    piece = components(len(part), reading.edges)
    other = np.flatnonzero(out & (piece != piece[np.argmax(part)]))
    own = all_in(part, framework.faces)
    if not len(other) or not own.any():
        return part
    surface = NearestSurface(select_faces(framework, own)[0])
    both = part.copy()
    both[other] = surface.query(framework.points_mm[other]).distance_mm <= _UPON_MM
    return both


def _with_foot(
    framework: TriangleMesh, reading: Reading, part: Bools, contour: NearestSurface
) -> Attachment:
    # A collar that a model follows fits its contour: none of it is foot, nor what lies beyond it.
    space = reading.space
    fits = (np.abs(space.nearest_mm) <= OUT_MM) & (reading.agreement >= _FITS_COS) & ~part
    fits = large_parts(fits, reading.edges, space.area_mm2, _COLLAR_MM2)
    edges = reading.edges[~any_in(fits, reading.edges)]
    way = reach_along_edges(framework.points_mm, edges, part, _ROUND_MM)
    # Waxed on a cut surface, its shaft goes on below the contour before the foot widens.
    round_ = np.isfinite(way) & (way > FOOT_MM) & np.isfinite(space.nearest_mm)
    depth = float(np.quantile(space.nearest_mm[round_], 0.9)) if round_.any() else 0.0
    foot = np.where(way <= FOOT_MM + max(depth, 0.0), way, np.inf)
    # Far out, the nearest contour on a point's own side may not be the nearest of all.
    length = contour.query(framework.points_mm[part]).distance_mm.max()
    return Attachment(np.flatnonzero(np.isfinite(foot)), float(length))
