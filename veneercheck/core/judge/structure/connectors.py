"""Connectors: the least section between two units, measured where it was seen all round.

Notes
-----
A connector has an area only where a loop closes on the framework. The section that bears is the
least one; an underside not scanned leaves the loop open.
Choice: upright planes every 0.2 mm within 1 mm of the valley, the least then moved, turned and
leant about its own middle until it shrinks no more; the loops that bear and are not the model's, no
area where it or the one beside the least is open or runs into the model. Instead of: closing the
loop by a guess; or the highest loop, which over an embrasure may be the overhang of a marginal
ridge (1.2 mm² were told for 7.8); or upright planes alone, turned by 12°: a plane askew to a neck
by t cuts its area / cos t and runs into the units beside a short one, and upright is only as good
as the occlusal direction. With that given as an axis 42° off, 7.3 ± 0.3 and 5.3 ± 0.3 mm² were told
of two necks of 2.4. Cost: some 60 cuts a connector; its uncertainty is perimeter × trueness,
and where it ends at no neck, what it would lose farther on.

A plane that leans may part one neck into two loops, or a slot does: with the largest alone the same
outside had 3.6 and 4.2 mm², and 2.99, 4.01 and 4.29 as a plane fell. Choice: loops that lead into
the same units on both sides bear together, and all but the largest is uncertainty, since strands
apart bear less than one as large. Instead of: the largest loop, which may be a lip of one unit.
Cost: where two strands decide about the least section, it is undecided.
"""

from __future__ import annotations

import dataclasses
import functools
import math
from collections.abc import Callable, Iterable

import numpy as np

from veneercheck.core.divide.anatomy.teeth import Teeth
from veneercheck.core.divide.excess import GUARD
from veneercheck.core.judge.structure.planes import upright
from veneercheck.core.mesh.sections import Cut, Plane, plane_cut
from veneercheck.core.mesh.triangles import (
    any_in,
    components,
    edge_pairs,
    select_faces,
    vertex_areas,
)
from veneercheck.core.types import (
    WAX,
    Bools,
    Connector,
    Floats,
    Ints,
    Limits,
    TriangleMesh,
    Weight,
)

AROUND_MM = 1.0
"""The least section is looked for this far on either side of the valley between the units."""

_STEP_MM = 0.2
_TURNS = np.deg2rad([-12.0, -8.0, -4.0, 4.0, 8.0, 12.0])
"""Where an upright section is not whole, one that is turned a little may be."""

_ANGLES = np.deg2rad([8.0, 4.0, 2.0])
"""By so much a section is turned and leant, each as long as it shrinks: cos 2° is a thousandth
short of 1."""

_MOST_ASKEW = math.cos(math.radians(45.0))
"""A plane farther askew cuts along a bridge rather than across it."""

_LESS = 1e-3
"""Smaller gains, as a share, are not sought."""

_MOST_STEPS = 100
"""Within its reach a section has fewer to go."""

_FARTHER_MM = 2.0
"""What a section would still lose over so much more is its uncertainty: it lies at no neck."""

_UPRIGHT_MM, _SLAB_MM = 1.5, 5.0
"""Triangles that reach this far from the valley are cut upright, or askew: 4 mm above or below the
middle a plane leant by 45° is 4 mm aside. Longer ones were refined before."""

_CRUMB_MM2 = 0.5
"""A loop smaller than this is dust or a bead, no connector."""

_MOST_MM2 = 40.0
"""No connector is as large: a loop above this, with a smaller one beside it, is a model that was
not told from the framework (common practice, no source)."""

_HEIGHT_LAW = (
    "Stiffness grows with the width but with the third power of the height: "
    "a tenth more height is a third more."
)
"""Deflection of a beam of rectangular section is inverse to w·h³ (beam law); 1.1³ = 1.33."""


_Loop = tuple[float, float, Floats, Plane, float]
"""Area, perimeter, box and plane of a section; of its area, what is not in its largest strand."""


def connectors(
    framework: TriangleMesh, teeth: Teeth, model: Bools, limits: Limits, stage: str = WAX
) -> tuple[Connector, ...]:
    """Measure every connector of a bridge.

    Parameters
    ----------
    framework : TriangleMesh
        In the wax-up's frame, normals outward.
    teeth : Teeth
        The bridge's axis and its units.
    model : ndarray of bool, shape (n,)
        Vertices that are no framework: a section that runs into them was not seen all round.
    limits : Limits
    stage : str
        Of the work: what can be done about a thin one depends on it.

    Returns
    -------
    tuple of Connector
        One for each pair of neighbours, in the order of the axis.

    Notes
    -----
    The least section about across the bridge's own axis, be it upright or leaning.
    """
    if not len(teeth.cuts_mm):
        return ()
    located = teeth.axis.locate(framework.points_mm)
    return tuple(
        _connector(framework, located, teeth, index, model=model, limits=limits, stage=stage)
        for index in range(len(teeth.cuts_mm))
    )


def _connector(
    framework: TriangleMesh,
    located: Floats,
    teeth: Teeth,
    index: int,
    *,
    model: Bools,
    limits: Limits,
    stage: str,
) -> Connector:
    valley = float(teeth.cuts_mm[index])
    sides = slice(index, index + 2)
    beside = (located[:, 1] > teeth.right_mm[sides].min() - AROUND_MM) & (
        located[:, 1] < teeth.left_mm[sides].max() + AROUND_MM
    )
    away = np.abs(located[:, 0] - valley)
    near = beside & (away < _UPRIGHT_MM)
    height = float(np.median(located[near, 2])) if near.any() else 0.0
    names = "–".join(name or "?" for name in teeth.names[sides])
    place = upright(teeth.axis, valley, height)
    wide = _looped(framework, beside & (away < _SLAB_MM), model, ~beside)
    slab = _looped(framework, near, model, ~beside, wide)

    def loop(step_mm: float, turned: float = 0.0) -> _Loop | None:
        return slab(upright(teeth.axis, valley + step_mm, height, turned))

    start = _least_upright(loop)
    least = None if start is None else _shrunk(wide, start, place, AROUND_MM)
    if least is None or not _whole_beside(wide, least):
        x, y, z = place.origin_mm
        return _not_seen(names, (float(x), float(y), float(z)))
    area, perimeter, box, _, rest = least
    x, y, z = _centred(least).origin_mm
    beyond = area - _area(_shrunk(wide, least, place, _FARTHER_MM))
    u = math.hypot(perimeter * limits.trueness_u_mm, beyond, rest)
    width, tall = (float(side) for side in box[1] - box[0])
    weight = _weigh(area, u, limits)
    return Connector(
        names, area, u, tall, width, (float(x), float(y), float(z)), weight,
        _words(names, area, weight, limits, stage),
    )  # fmt: skip


def _looped(
    framework: TriangleMesh,
    near: Bools,
    model: Bools,
    aside: Bools,
    wider: Callable[[Plane], _Loop | None] | None = None,
) -> Callable[[Plane], _Loop | None]:
    """The loop that bears in a plane, of the triangles that some vertices touch; of several the
    `wider` part tells which do."""
    part, kept = select_faces(framework, any_in(near, framework.faces))
    around = functools.cache(lambda: (edge_pairs(part.faces), vertex_areas(part)))

    def loop(plane: Plane) -> _Loop | None:
        cut = plane_cut(part, plane)
        size, on_model = _sizes(cut, part, model[kept], aside[kept])
        found = np.flatnonzero(size > _CRUMB_MM2)
        if len(found) > 1 and wider is not None:
            return wider(plane)
        if len(found) > 1:
            found = _strands(part, around(), plane, cut, found)
        whole = cut.closed & (np.bincount(cut.loop, on_model.any(axis=1), len(size)) == 0)
        if not len(found) or not whole[found[size[found].argmax()]]:
            return None
        return _bearing(cut, found[whole[found]], plane)

    return loop


def _least_upright(loop: Callable[..., _Loop | None]) -> _Loop | None:
    """The least upright section about the valley; None where it or one beside it is not whole."""
    steps = np.arange(-AROUND_MM, AROUND_MM + 0.5 * _STEP_MM, _STEP_MM)
    found = [loop(step) for step in steps]
    if 2 * len(list(filter(None, found))) < len(found):
        return None
    # A hole of the scan may leave a section open that is whole beside it.
    found = [one or _least(loop, [step]) for one, step in zip(found, steps, strict=True)]
    size = np.array([math.inf if one is None else one[0] for one in found])
    there = slice(max(int(size.argmin()) - 1, 0), int(size.argmin()) + 2)
    # Beside a section that is not whole a lesser one may not have been seen.
    if np.isinf(size[there]).any():
        return None
    return min(filter(None, found), key=_area)


def _least(loop: Callable[[float, float], _Loop | None], steps_mm: Iterable[float]) -> _Loop | None:
    """The least of the sections at some places that are turned a little; None if none is whole."""
    found = [loop(step, turn) for step in steps_mm for turn in _TURNS]
    return min(filter(None, found), key=_area, default=None)


def _shrunk(
    loop: Callable[[Plane], _Loop | None], start: _Loop, upright: Plane, reach_mm: float
) -> _Loop:
    """A section moved, turned and leant about its own middle until it shrinks no more.

    It stays as near to where it began, and within 45° of across the bridge.
    """
    least, home = start, dataclasses.replace(upright, origin_mm=_centred(start).origin_mm)
    for angle in _ANGLES:
        for _ in range(_MOST_STEPS):
            ways = [way for way in _askew(_centred(least), angle) if _across(way, home, reach_mm)]
            whole = [one for one in map(loop, ways) if one is not None and _about_itself(one)]
            found = min(whole, key=_area, default=least)
            if not found[0] < (1.0 - _LESS) * least[0]:
                break
            least = found
    return least


def _whole_beside(loop: Callable[[Plane], _Loop | None], least: _Loop) -> bool:
    """Whether sections to either side of a least one are whole, be it turned or leant a little."""
    on = (_moved(_centred(least), sign * _STEP_MM) for sign in (1.0, -1.0))
    return all(any(map(loop, [plane, *_askew(plane, _ANGLES[-2])])) for plane in on)


def _askew(plane: Plane, angle: float) -> Iterable[Plane]:
    """Planes beside another: a little on, turned or leant, to either side."""
    along = np.cross(plane.across, plane.above)
    for sign in (1.0, -1.0):
        cosine, sine = math.cos(angle), sign * math.sin(angle)
        yield _moved(plane, sign * _STEP_MM * angle / _ANGLES[0])
        yield Plane(plane.origin_mm, cosine * plane.across + sine * along, plane.above)
        yield Plane(plane.origin_mm, plane.across, cosine * plane.above + sine * along)


def _moved(plane: Plane, by_mm: float) -> Plane:
    along = np.cross(plane.across, plane.above)
    return Plane(plane.origin_mm + by_mm * along, plane.across, plane.above)


def _across(plane: Plane, home: Plane, reach_mm: float) -> bool:
    """Whether a plane is about where an upright one is, and as much across the bridge."""
    along = np.cross(plane.across, plane.above) @ np.cross(home.across, home.above)
    return bool(along > _MOST_ASKEW and abs(home.offset(plane.origin_mm)) <= reach_mm)


def _centred(found: _Loop) -> Plane:
    """The plane of a section, about its own middle."""
    _, _, box, plane, _ = found
    way = box.mean(axis=0) @ np.stack([plane.across, plane.above])
    return Plane(plane.origin_mm + way, plane.across, plane.above)


def _about_itself(found: _Loop) -> bool:
    """Whether a section lies about its plane's origin: it is no other loop's."""
    return bool((found[2][0] < 0.0).all() and (found[2][1] > 0.0).all())


def _area(found: _Loop) -> float:
    return found[0]


def _sizes(cut: Cut, part: TriangleMesh, model: Bools, aside: Bools) -> tuple[Floats, Bools]:
    """How large every loop of the framework is, mm², and which corners of what was cut are the
    model's. What reaches `aside`, farther than the units do, is none of it."""
    areas, lengths = cut.areas_mm2(), _lengths(cut)
    # An open loop is taken for as large as its length could close.
    size = np.where(cut.closed, areas, lengths**2 / (4.0 * math.pi))
    size[cut.loop[aside[part.faces[cut.face]].any(axis=1)]] = 0.0
    on_model = model[part.faces[cut.face]]
    size[_of_model(cut, lengths, np.asarray(on_model.all(axis=1)), size)] = 0.0
    return size, on_model


def _bearing(cut: Cut, strands: Ints, plane: Plane) -> _Loop:
    """The section that some loops make together."""
    areas = cut.areas_mm2()
    ends = cut.pieces_mm[np.isin(cut.loop, strands)].reshape(-1, 2)
    box = np.stack([ends.min(axis=0), ends.max(axis=0)])
    rest = float(areas[strands].sum() - areas[strands].max())
    area, perimeter = _net_area(cut, strands, areas, box), float(_lengths(cut)[strands].sum())
    return area, perimeter, box, plane, rest


def _strands(
    part: TriangleMesh, around: tuple[Ints, Floats], plane: Plane, cut: Cut, found: Ints
) -> Ints:
    """Of some loops those that bear: they lead on both sides of the plane into the most surface,
    the units', and not on one side to their own end, as what overhangs does."""
    edges, vertex_mm2 = around
    above = plane.offset(part.points_mm) >= 0.0
    side = components(len(above), edges[above[edges[:, 0]] == above[edges[:, 1]]])
    _, first = np.unique(cut.loop, return_index=True)
    corner, row = part.faces[cut.face[first[found]]], np.arange(len(found))
    ends = [above[corner].argmax(axis=1), above[corner].argmin(axis=1)]
    leads = np.stack([side[corner[row, end]] for end in ends], axis=1)
    units = leads[np.bincount(side, vertex_mm2)[leads].sum(axis=1).argmax()]
    return np.asarray(found[(leads == units).all(axis=1)])


def _of_model(cut: Cut, lengths: Floats, on_model: Bools, size: Floats) -> Bools:
    """Loops that lie mostly on the model, or that are too large for a connector beside another."""
    mostly = np.bincount(cut.loop, _piece_lengths(cut) * on_model, len(size)) > 0.5 * lengths
    others = (size > _CRUMB_MM2) & (size < _MOST_MM2) & ~mostly
    found: Bools = mostly | ((size >= _MOST_MM2) & others.any())
    return found


def _piece_lengths(cut: Cut) -> Floats:
    return np.asarray(np.linalg.norm(cut.pieces_mm[:, 1] - cut.pieces_mm[:, 0], axis=1))


def _lengths(cut: Cut) -> Floats:
    return np.bincount(cut.loop, _piece_lengths(cut), minlength=len(cut.closed)).astype(np.float64)


def _net_area(cut: Cut, chosen: Ints, areas: Floats, box: Floats) -> float:
    """The loops' area without the hollows inside them."""
    starts = cut.pieces_mm[:, 0]
    within = ((starts > box[0]) & (starts < box[1])).all(axis=1)
    inside = np.bincount(cut.loop, ~within, minlength=len(areas)) == 0
    hollows = inside & (areas < 0)
    return float(areas[chosen].sum() + areas[hollows].sum())


def _weigh(area: float, u: float, limits: Limits) -> Weight:
    least = limits.connector_least_mm2
    if area + GUARD * u < least:
        return Weight.FINDING
    if area - GUARD * u < least:
        return Weight.UNDECIDED
    return Weight.ADVICE if area < limits.connector_advice_mm2 else Weight.NONE


def _words(names: str, area: float, weight: Weight, limits: Limits, stage: str) -> str:
    said = f"connector {names}: least section {area:.1f} mm²"
    if weight is Weight.NONE:
        return f"{said}."
    if weight is Weight.ADVICE:
        return f"{said}, below the advised {limits.connector_advice_mm2:.1f} mm². {_HEIGHT_LAW}"
    least = f"{limits.connector_least_mm2:.1f} mm²"
    near = "too near" if weight is Weight.UNDECIDED else "below"
    more = _ADD_WAX if stage == WAX else _ADD_METAL
    return f"{said}, {near} the least {least}. {more} {_HEIGHT_LAW}"


_ADD_WAX = "Add wax, in height first."
_ADD_METAL = "Metal would have to be added, in height first, or the bridge made anew."


def _not_seen(names: str, centre_mm: tuple[float, float, float]) -> Connector:
    nan = math.nan
    words = f"connector {names}: its underside was not seen, so it has no area. Scan it from below."
    return Connector(names, nan, nan, nan, nan, centre_mm, Weight.NONE, words)
