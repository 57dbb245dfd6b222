"""The plan of a cut, as one sentence: mask, lower, run out, compare with the room, mark, share."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable

import numpy as np

from veneercheck.core.divide import anatomy
from veneercheck.core.divide.excess import GUARD
from veneercheck.core.errors import MeshError, Told
from veneercheck.core.judge.structure.connectors import connectors
from veneercheck.core.judge.structure.planes import section_planes
from veneercheck.core.mesh.denoise import denoise
from veneercheck.core.mesh.densify import refine
from veneercheck.core.mesh.nearest import NearestSurface
from veneercheck.core.mesh.triangles import (
    any_in,
    edge_pairs,
    reach_along_edges,
    select_faces,
    vertex_areas,
    vertex_normals,
)
from veneercheck.core.plan import bite, conflicts, layers, line, mask, planned
from veneercheck.core.plan.contour import Contour
from veneercheck.core.plan.depths import Depths, depths, room_mm
from veneercheck.core.plan.marks import depth_marks
from veneercheck.core.plan.planned import Cutting, Plan
from veneercheck.core.plan.runout import Runout
from veneercheck.core.plan.shade import Wedge, unit_shade
from veneercheck.core.plan.solid import closed, enclosed_mm3, insides, rims
from veneercheck.core.plan.target import Die, Target, make_target
from veneercheck.core.types import (
    Bools,
    Case,
    Connector,
    Floats,
    Ints,
    Limits,
    Region,
    SectionPlane,
    TriangleMesh,
)

Say = Callable[[str], None]

LONGEST_EDGE_MM = 0.35
"""The contour is refined to this: finish lines bend over half a millimetre."""

_DIE_EDGE_MM = 0.4

_KNIFE_MM = 0.05
"""A hand cuts no truer: our estimate until the laboratory has measured its own."""

_ROUNDER = 1.25
"""Edges are made so much rounder than the least radius, for what a scan of them loses."""

_OPEN_BESIDE_MM = 2.0
"""A hole of the wax-up nearer than this to what is to be veneered leaves the depth open."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Surfaces:
    """What a plan is made from, all in the wax-up's frame.

    Parameters
    ----------
    waxup : TriangleMesh
        The full contour.
    noise_mm : float
        Of its scan.
    paint : ndarray of int64, shape (n,), optional
        `Region` codes painted on it: CUT is to be veneered; −1 where nothing was painted.
    die, antagonist : TriangleMesh, optional
    wedge : Wedge, optional
        Of the composite on the laboratory's own opaquer.
    """

    waxup: TriangleMesh
    noise_mm: float = 0.0
    paint: Ints | None = None
    die: TriangleMesh | None = None
    antagonist: TriangleMesh | None = None
    wedge: Wedge | None = None


def _silent(_: str) -> None:
    pass


def plan(
    surfaces: Surfaces,
    *,
    case: Case,
    limits: Limits,
    cutting: Cutting | None = None,
    say: Say = _silent,
) -> Plan:
    """Plan the cut of a wax-up.

    Parameters
    ----------
    surfaces : Surfaces
    case : Case
        Which units and surfaces are to be veneered, if nothing is painted.
    limits : Limits
        Those of the case's stage are taken.
    cutting : Cutting, optional
        Form and width of the run-out, collar, margin.
    say : callable
        Told in a few words what is being done.

    Returns
    -------
    Plan

    Raises
    ------
    MeshError
        If nothing is to be veneered, or the wax-up is open there.
    """
    limits, cutting = limits.at(case.stage), cutting or Cutting()
    say("finding what is to be veneered")
    fine, parents, _ = refine(surfaces.waxup, LONGEST_EDGE_MM)
    nothing = np.zeros(len(fine.points_mm), dtype=bool)
    area = vertex_areas(fine)
    where = anatomy.place(fine, case, area_mm2=area, bridge=None, veneered=nothing)
    extent, hollow = _extent(fine, where, _spread(surfaces.paint, parents), case, cutting)
    whole, skin, kept = _bodies(fine, extent, hollow)
    contour = Contour(_calmed(skin, surfaces.noise_mm), extent[kept])
    where = _some(where, kept)
    margin = margin_mm(limits) if cutting.margin_mm is None else cutting.margin_mm
    least, greatest = anatomy.limits_of_surfaces(limits, where)
    full = mask.levelled(contour.mesh, least + limits.taken_mm + margin)
    runout = _runout(cutting, float(np.median(full[contour.extent_mm > 0])))
    say("lowering the contour")
    inner = surfaces.die or insides(fine, hollow)
    made = make_target(
        whole,
        contour,
        runout,
        full,
        edge_radius_mm=_ROUNDER * limits.edge_radius_mm,
        die=_die(inner, limits),
    )
    say("comparing what is needed with what there is")
    deep = depths(contour, made.framework, where.occlusal)
    layer = np.maximum(deep.metal_mm - limits.taken_mm, 0.0)
    need = _need_mm(contour, runout, full - margin, limits) + limits.least_metal_mm
    short = need - room_mm(contour, inner)
    weight = vertex_areas(contour.mesh)

    def told(vertices: Ints) -> tuple[str | None, str | None, str]:
        return anatomy.place_words(where, vertices, weight)

    held = _connectors(made, where, case, limits)
    found = _planned(
        made,
        contour,
        where,
        deep=deep,
        layer=layer,
        short=short,
        conflict=(
            *conflicts.over_die(contour.mesh, short, need, limits=limits, told=told),
            *conflicts.too_deep(
                contour.mesh, _supported(layer, where), greatest, limits=limits, told=told
            ),
            *conflicts.weak(held, limits),
        ),
        held=held,
        depth_mm=runout.depth_mm,
        margin=margin,
        limits=limits,
        cutting=cutting,
    )
    found = _shaded(found, where, weight, surfaces.wedge)
    if surfaces.antagonist is None:
        return found
    clearance = bite.clearance_mm(contour.mesh, surfaces.antagonist)
    met = bite.contacts(
        contour.mesh, clearance, contour.line_mm, off_border_mm=cutting.off_border_mm
    )
    return dataclasses.replace(found, contacts=met, clearance_mm=clearance)


def _shaded(found: Plan, where: anatomy.Places, area_mm2: Floats, wedge: Wedge | None) -> Plan:
    """The same plan with the shade over its layers, where a wedge says what that is."""
    if wedge is None:
        return found
    veneered = found.extent_mm > 0
    off = np.where(veneered, wedge.off_full_depth(found.layer_mm), np.nan)
    shades = tuple(
        unit_shade(where.owner_name(int(unit)), off[mine], area_mm2[mine])
        for unit in np.unique(where.owner[veneered])
        for mine in [veneered & (where.owner == unit)]
    )
    return dataclasses.replace(found, shade_off=off, shades=shades)


def margin_mm(limits: Limits) -> float:
    """What the cut is made deeper, so that seating and knife leave the least layer certain."""
    u = math.sqrt(limits.seating_u_mm**2 + 2.0 * limits.trueness_u_mm**2 + limits.opaquer_u_mm**2)
    return GUARD * u + _KNIFE_MM


def _runout(cutting: Cutting, depth_mm: float) -> Runout:
    shoulder = cutting.form == "shoulder"
    return Runout(cutting.form, depth_mm, cutting.radius_mm if shoulder else cutting.width_mm)


def _spread(paint: Ints | None, parents: Ints) -> Ints | None:
    """Paint of a refined mesh: a vertex between two has what the first of them has."""
    if paint is None:
        return None
    known = np.concatenate([paint, np.full(len(parents), -1, dtype=np.int64)])
    for number, (first, _) in enumerate(parents, len(paint)):
        known[number] = known[first]
    return known


def _extent(
    fine: TriangleMesh, where: anatomy.Places, paint: Ints | None, case: Case, cutting: Cutting
) -> tuple[Floats, Bools]:
    """The extent of the veneer, and the inside of retainers."""
    model = where.tooth == 0 if case.units else np.zeros(len(where.tooth), dtype=bool)
    retainer = ~model & ~np.isin(where.tooth, case.pontics) & np.isfinite(where.occlusal).all()
    hollow = retainer & (where.surface == anatomy.Surface.NONE)
    if cutting.finish_lines:
        picked = line.extent_of_lines(fine, cutting.finish_lines)
        return picked, _clear_of(hollow, fine, picked)
    if paint is not None and (paint == Region.CUT).any():
        kept_out = np.isin(paint, (Region.UNCUT, Region.MODEL))
        painted = mask.extent(fine, paint == Region.CUT, kept_out)
        return painted, _clear_of(hollow, fine, painted)
    wanted = mask.meant(where, case)
    extent = mask.extent(fine, wanted, hollow | mask.collar(fine, model, cutting.collar_mm))
    if not (extent > 0).any():
        raise MeshError(
            "nothing of it is to be veneered.",
            next_step="Name units and surfaces in the case file under [veneered], or paint a copy "
            "of the wax-up blue and give it with --mask.",
        )
    return extent, hollow


def _clear_of(hollow: Bools, fine: TriangleMesh, extent: Floats) -> Bools:
    """Insides of retainers, nothing of them on what was picked or painted, nor beside it.

    Where no unit is named, outer walls may be taken for insides.
    """
    edges = edge_pairs(fine.faces)
    near = reach_along_edges(fine.points_mm, edges, extent > 0, _OPEN_BESIDE_MM)
    return hollow & ~np.isfinite(near)


def _bodies(
    fine: TriangleMesh, extent: Floats, hollow: Bools
) -> tuple[TriangleMesh, TriangleMesh, Ints]:
    """The wax-up as a closed body, its outer side, and which vertices that has."""
    inside = fine.points_mm[extent > 0]
    for rim in rims(fine):
        place = fine.points_mm[rim]
        low, high = inside.min(axis=0) - _OPEN_BESIDE_MM, inside.max(axis=0) + _OPEN_BESIDE_MM
        if not ((place > low) & (place < high)).all(axis=1).any():
            continue
        from scipy.spatial import cKDTree

        away, _ = cKDTree(inside).query(place)
        if away.min() < _OPEN_BESIDE_MM:
            x, y, z = place[int(away.argmin())]
            raise MeshError(
                Told(
                    "the wax-up is open at ({x:.1f}, {y:.1f}, {z:.1f}) mm, {away:.1f} mm from what "
                    "is to be veneered.",
                    x=x,
                    y=y,
                    z=z,
                    away=away.min(),
                ),
                next_step="Scan that place again and close the hole, or leave it out of the mask.",
            )
    skin, kept = select_faces(fine, ~any_in(hollow, fine.faces))
    return closed(fine), skin, kept


def _calmed(skin: TriangleMesh, noise_mm: float) -> TriangleMesh:
    """The outer side without the scan's noise, for what is taken square to it."""
    edges = edge_pairs(skin.faces)
    ends = skin.points_mm[edges]
    edge = float(np.median(np.linalg.norm(ends[:, 0] - ends[:, 1], axis=1)))
    found = denoise(skin, edges, vertex_normals(skin), noise_mm=noise_mm, edge_mm=edge)
    return TriangleMesh(found.points_mm, skin.faces)


def _die(inner: TriangleMesh, limits: Limits) -> Die | None:
    if not len(inner.faces):
        return None
    fine, _, _ = refine(inner, _DIE_EDGE_MM)
    return Die(Contour(fine, np.ones(len(fine.points_mm))), limits.least_metal_mm)


def _some(where: anatomy.Places, kept: Ints) -> anatomy.Places:
    arrays = ("tooth", "surface", "third", "mesial_share", "buccal_share")
    own = {name: getattr(where, name)[kept] for name in arrays}
    return dataclasses.replace(where, unit=None if where.unit is None else where.unit[kept], **own)


def _need_mm(contour: Contour, runout: Runout, full_mm: Floats, limits: Limits) -> Floats:
    """Layers asked for under every vertex, shape (n,): in the run-out no more than a check asks."""
    width = limits.finish_line_width_mm
    way = contour.way_mm(contour.mesh.points_mm, contour.extent_mm, max(runout.width_mm, width))
    share = np.minimum(runout.depth_at(way) / runout.depth_mm, np.clip(way / width, 0.0, 1.0))
    return full_mm * share


def _supported(layer_mm: Floats, where: anatomy.Places) -> Floats:
    """The layer where it is bitten on."""
    return np.where(where.surface == anatomy.Surface.OCCLUSAL, layer_mm, np.nan)


def _connectors(
    made: Target, where: anatomy.Places, case: Case, limits: Limits
) -> tuple[Connector, ...]:
    if where.teeth is None:
        return ()
    return connectors(
        made.framework,
        where.teeth,
        np.zeros(len(made.framework.points_mm), dtype=bool),
        limits,
        case.stage,
    )


def _planned(
    made: Target,
    contour: Contour,
    where: anatomy.Places,
    *,
    deep: Depths,
    layer: Floats,
    short: Floats,
    conflict: tuple[planned.Conflict, ...],
    held: tuple[Connector, ...],
    depth_mm: float,
    margin: float,
    limits: Limits,
    cutting: Cutting,
) -> Plan:
    removed = enclosed_mm3(made.removed)
    return Plan(
        target=made.framework,
        contour=contour.mesh,
        line_mm=contour.line_mm,
        extent_mm=contour.extent_mm,
        depth_mm=depth_mm,
        margin_mm=margin,
        square_mm=deep.square_mm,
        insertion_mm=deep.insertion_mm,
        layer_mm=layer,
        short_mm=short,
        tooth=where.tooth,
        surface=where.surface,
        conflicts=conflict,
        marks=depth_marks(contour, where, deep, layer),
        layers=layers.unit_layers(
            contour,
            where,
            made.removed,
            layer,
            removed_mm3=removed,
            limits=limits,
            cutting=cutting,
        ),
        connectors=held,
        removed_mm3=removed,
        frame=anatomy.frame(where),
        planes=_planes(contour, where),
        words=where.words,
    )


def _planes(contour: Contour, where: anatomy.Places) -> tuple[SectionPlane, ...]:
    inside = contour.extent_mm > 0
    if not np.isfinite(where.occlusal).all():
        return ()
    return section_planes(where, float(np.median(contour.mesh.points_mm[inside] @ where.occlusal)))


def off_plan_mm(points_mm: Floats, target: TriangleMesh) -> Floats:
    """How far points stand off the target, shape (n,): positive outside, where metal is left."""
    near = NearestSurface(target).query(points_mm)
    shares = np.asarray(vertex_normals(target)[target.faces[near.face]].mean(axis=1))
    outside = np.einsum("ij,ij->i", points_mm - near.point_mm, shares) > 0
    return np.where(outside, near.distance_mm, -near.distance_mm)
