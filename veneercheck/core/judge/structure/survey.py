"""One look at the whole framework: what carries the veneer, how well, and what it will take."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from veneercheck.core.divide.anatomy import Places
from veneercheck.core.divide.regions import Regions
from veneercheck.core.divide.scan_ends import HOLE_MM
from veneercheck.core.judge.knife import of_walls
from veneercheck.core.judge.structure.connectors import connectors
from veneercheck.core.judge.structure.material import Side, material
from veneercheck.core.judge.structure.planes import section_planes
from veneercheck.core.judge.structure.spots import sharp_edges, unsupported
from veneercheck.core.judge.structure.walls import thin_metal
from veneercheck.core.measure.space import Reading
from veneercheck.core.mesh.pieces import long_rims
from veneercheck.core.mesh.triangles import any_in, border_vertices, reach_along_edges
from veneercheck.core.types import (
    COVERED,
    DENTINE,
    Bools,
    Connector,
    Floats,
    Ints,
    Limits,
    PlaceWords,
    Region,
    SectionPlane,
    Spot,
    Structure,
    TriangleMesh,
)


def survey(
    framework: TriangleMesh,
    reading: Reading,
    *,
    parts: Regions,
    where: Places,
    stage: str,
    limits: Limits,
    told: PlaceWords,
    die: TriangleMesh | None = None,
) -> Structure:
    """Look at the framework as what carries the veneer.

    Parameters
    ----------
    framework : TriangleMesh
    reading : Reading
        What was measured from the framework.
    parts : Regions
    where : Places
    stage : str
        Of the work: what covers the metal hides its connectors and edges, and dentine carries.
    limits : Limits
    told : callable
        Tooth, surface and place in words of some framework vertices.
    die : TriangleMesh, optional
        Says where the metal ends, in the same frame.

    Returns
    -------
    Structure
        Connectors and sections only where the bridge's directions are known.
    """
    region = parts.code
    veneered = np.isin(region, (Region.CUT, Region.FINISH_LINE_BAND))
    space, points, outer = reading.space, framework.points_mm, reading.contour.outer
    ends = long_rims(reading.on_rim, points, reading.edges, HOLE_MM)
    over = np.zeros(len(outer.mesh.points_mm), dtype=bool)
    over[reading.contour.rim] = True
    paste = material(
        Side(points, reading.normals, ends=ends),
        Side(outer.mesh.points_mm, outer.normals, np.inf, over), space,
        tooth=where.owner, veneered=veneered, limits=limits, name=where.owner_name,
    )  # fmt: skip
    hidden = stage in COVERED
    edges: tuple[Spot, ...] = ()
    if not hidden:
        edges = sharp_edges(
            framework, normals=reading.normals, edges=reading.edges, veneered=region == Region.CUT,
            stage=stage, limits=limits, told=told,
        )  # fmt: skip
    inner = _inner(framework, reading.on_rim)
    metal, cut = of_walls(reading, parts, limits), region == Region.CUT
    judged = space.area_mm2[cut] @ np.isfinite(metal[cut]) / max(space.area_mm2[cut].sum(), _TINY)
    # A die is another scan, and the work was seated on it.
    steady = math.hypot(limits.seating_u_mm, limits.trueness_u_mm) if die is not None else 0.0
    least = limits.least_metal_mm * _towards_a_margin(framework, reading, region, die)
    thin = thin_metal(
        reading, metal, least_mm=least, steady_u_mm=steady, stage=stage, limits=limits, told=told,
        veneered=(cut | _over_the_inside(reading, region, die)) & inner & ~parts.unlike,
    )  # fmt: skip
    teeth = where.teeth
    bears: tuple[Connector, ...] = ()
    hollow: tuple[Spot, ...] = ()
    planes: tuple[SectionPlane, ...] = ()
    if teeth is not None and np.isfinite(where.occlusal).all():
        if not hidden:
            named = any(teeth.names)
            model = (region == Region.MODEL) | ((where.owner == 0) & named & ~veneered)
            bears = connectors(framework, teeth, model, limits, stage)
        if stage != DENTINE:
            hollow = unsupported(
                reading, occlusal=where.occlusal,
                veneered=veneered & inner & ~parts.unlike, u_mm=space.u_judged_mm,
                stage=stage, limits=limits, told=told,
                own=_clear_of(points[region == Region.ATTACHMENT], points, teeth.within),
            )  # fmt: skip
        height = float(np.median((points @ where.occlusal)[veneered])) if veneered.any() else 0.0
        planes = section_planes(where, height)
    return Structure(bears, (*thin, *hollow, *edges), paste, planes, float(judged))


_TINY = float(np.finfo(np.float64).tiny)


def _clear_of(
    attached_mm: Floats, points_mm: Floats, own: Callable[[Floats], Bools]
) -> Callable[[Floats], Bools]:
    """Which places are the bridge's `own` and not nearest to what was left out: a sprue stands on
    metal that its scan does not show, and the metal across is none that carries."""
    from scipy.spatial import cKDTree

    if not len(attached_mm):
        return own
    attached, all_ = cKDTree(attached_mm), cKDTree(points_mm)

    def clear(places_mm: Floats) -> Bools:
        nearest = attached.query(places_mm)[0] > all_.query(places_mm)[0]
        return np.asarray(own(places_mm) & nearest)

    return clear


def _over_the_inside(reading: Reading, region: Ints, die: TriangleMesh | None) -> Bools:
    """The finish line's band where the metal parts it from the inside of a retainer, shape (n,):
    beside an edge a ray inward leaves through the collar."""
    other = reading.other_side
    inside = (other >= 0) & (region[other] == Region.FITTING_SURFACE)
    if die is not None:
        inside |= (other < 0) & np.isfinite(reading.space.metal_mm)
    return np.asarray((region == Region.FINISH_LINE_BAND) & inside)


def _towards_a_margin(
    framework: TriangleMesh, reading: Reading, region: Ints, die: TriangleMesh | None
) -> Floats:
    """How far a vertex lies from the margin of a retainer, where metal runs out, 0…1, shape (n,):
    along the surface from its inside or a rim of the scan, or from the open edge of the die."""
    from scipy.spatial import cKDTree

    points = framework.points_mm
    ends = reading.on_rim | (region == Region.FITTING_SURFACE)
    away = reach_along_edges(points, reading.edges, ends, _MARGIN_MM)
    edge = die.points_mm[border_vertices(die)] if die is not None else np.zeros((0, 3))
    if len(edge):
        away = np.fmin(away, cKDTree(edge).query(points, distance_upper_bound=_MARGIN_MM)[0])
    return np.minimum(away / _MARGIN_MM, 1.0)


_MARGIN_MM = 1.2
"""Over so much a wall runs out to its margin: common practice, no source."""


def _inner(framework: TriangleMesh, border: Bools) -> Bools:
    """Vertices off the scan's rims: beside a rim, what was not seen may carry the composite."""
    beside = framework.faces[any_in(border, framework.faces)]
    inner = np.ones(len(border), dtype=np.bool_)
    inner[beside.ravel()] = False
    return inner
