"""The framework prepared for pictures: what each vertex shows and how firmly."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from veneercheck.core.errors import RecordError
from veneercheck.core.mesh.rays import RayScene
from veneercheck.core.mesh.triangles import (
    components,
    face_normals,
    parts_in,
    vertex_areas,
    vertex_normals,
)
from veneercheck.core.types import Bools, FindingKind, Floats, Ints, TriangleMesh
from veneercheck.report.colours import (
    ASIDE_MM,
    Amounts,
    Bands,
    calmed,
    readable_layer,
    shown_layer,
    taken_mm,
    veneered,
)
from veneercheck.report.filed import FiledResult
from veneercheck.report.tones import Tones, tones_of

_SMOOTHING = 2
"""Rounds of averaging that take the triangles' teeth off the finish line as it is drawn."""

_BORDER_MM = 0.2
"""Change of what is shown across a zone's border, two or three triangles wide."""

_ALL = 1.0 - 1e-6

_LEAST_UNSEEN_MM2 = 0.5
"""A smaller patch that was not measured is drawn, but not named."""

_KINDS = {kind.word: kind for kind in FindingKind}


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Surface:
    """What the pictures draw; arrays of shape (n,) unless said otherwise.

    Parameters
    ----------
    normals : ndarray, shape (n, 3)
    facing : ndarray, shape (m, 3)
        Normals of the triangles.
    veneer : ndarray
        1 where the surface is meant for veneer, 0 where not, smoothed between.
    layer_mm : ndarray
        As filed, NaN where the ray met nothing fit.
    shown_mm : ndarray
        As coloured, NaN where not measured at all: see `readable_layer` and `shown_layer`.
    zone : ndarray of int64
        Id of the zone a vertex lies in, 0 outside every zone.
    firm : ndarray of bool
        In a zone whose finding is firm.
    bands : Bands
        The limits in force.
    scale : Bands or Amounts
        What `shown_mm` is coloured by.
    told : ndarray of float32, shape (n, 7)
        What pixels read between the vertices; the first column is left for the depth, the last for
        the light, which every picture has its own.
    tones : Tones
        Which triangles have one tone.
    """

    mesh: TriangleMesh
    scene: RayScene
    normals: Floats
    facing: Floats
    veneer: Floats
    layer_mm: Floats
    shown_mm: Floats
    zone: Ints
    firm: Bools
    bands: Bands
    scale: Bands | Amounts
    told: npt.NDArray[np.float32]
    tones: Tones


def surface_of(filed: FiledResult) -> Surface:
    """Prepare a filed result that holds a map.

    Raises
    ------
    RecordError
        If nothing was measured.
    """
    if (
        filed.mesh is None
        or filed.layer_mm is None
        or filed.region is None
        or filed.finding is None
        or filed.nearest_mm is None
    ):
        raise RecordError("nothing was measured, so there is no surface to draw.")
    bands = Bands.of(filed.document)
    layer = readable_layer(filed.layer_mm, filed.nearest_mm, taken_mm(filed.document))
    veneer = veneered(filed.region, filed.finding)
    zone = filed.zone
    if zone is None:  # a folder from before its map said so
        zone = zone_of_vertices(filed.mesh, filed.finding, filed.document["zones"])
    smooth = smoothed(filed.mesh, veneer.astype(np.float64))
    shown = _shown(filed.mesh, layer, filed.finding, veneer, bands)
    firm_ids = [z["id"] for z in filed.document["zones"] if z["decision"] == "firm"]
    firm = np.isin(zone, firm_ids)
    return Surface(
        filed.mesh,
        RayScene(filed.mesh),
        vertex_normals(filed.mesh),
        face_normals(filed.mesh),
        smooth,
        filed.layer_mm,
        shown,
        zone,
        firm,
        bands,
        bands,
        np.stack(
            [shown, filed.layer_mm, shown, smooth, zone > 0, firm, shown],
            axis=1,
            dtype=np.float32,
        ),
        tones_of(filed.mesh.faces, shown, smooth >= 0.5, zone > 0, bands),
    )


def _shown(mesh: TriangleMesh, layer: Floats, finding: Ints, veneer: Bools, bands: Bands) -> Floats:
    shown = shown_layer(layer, finding, bands)
    plain = veneer & np.isfinite(shown) & (finding == FindingKind.NONE)
    calm = calmed(shown, plain, lambda values: smoothed(mesh, values))
    return evened(mesh, calm, finding, veneer, bands)


def with_amounts(surface: Surface, amount_mm: Floats) -> Surface:
    """The same surface, coloured by what is to be taken off or added (negative), shape (n,), mm."""
    amount = smoothed(surface.mesh, np.nan_to_num(amount_mm))
    read = np.isfinite(surface.shown_mm)
    most = float(np.abs(amount[surface.veneer >= 0.5]).max(initial=0.0))
    shown = np.where(read, amount, np.nan)
    told = surface.told.copy()
    told[:, _SHOWN_COLUMN] = shown
    scale = Amounts(most)
    tones = tones_of(surface.mesh.faces, shown, surface.veneer >= 0.5, surface.zone > 0, scale)
    return dataclasses.replace(surface, shown_mm=shown, scale=scale, told=told, tones=tones)


_SHOWN_COLUMN = 2


def evened(
    mesh: TriangleMesh, shown_mm: Floats, finding: Ints, veneer: Bools, bands: Bands
) -> Floats:
    """The shown layer with evener borders of too thin and too thick, shape (n,), mm.

    Beside a border the distance from the limit follows how far inside or outside the zone a vertex
    lies; its side stays. So the limit passes within the triangles, not along their edges.
    """
    shown = np.array(shown_mm)
    around = np.maximum(smoothed(mesh, veneer.astype(np.float64)), ASIDE_MM)
    for kind, limit, sign in (
        (FindingKind.TOO_THIN, bands.least_mm, -1.0),
        (FindingKind.TOO_THICK, bands.greatest_mm, 1.0),
    ):
        inside = finding == kind
        share = smoothed(mesh, (inside & veneer).astype(np.float64)) / around
        beside = veneer & (share > 0.0) & (share < _ALL) & (inside | (finding == FindingKind.NONE))
        depth = np.maximum((share - 0.5) * np.where(inside, 1.0, -1.0) * _BORDER_MM, ASIDE_MM)
        side = limit + np.where(inside, sign, -sign) * depth
        shown = np.where(beside & np.isfinite(shown), side, shown)
    return shown


def unseen_patches(surface: Surface) -> list[tuple[float, Floats]]:
    """Patches meant for veneer on which nothing was read, the largest first.

    Neither ray nor nearest contour was found there, so the wax-up was not seen over them: a hole
    or an edge of its scan.

    Returns
    -------
    list of (float, ndarray of shape (3,))
        Area in mm², and the vertex next to the patch's middle, mm.
    """
    mesh = surface.mesh
    unread = (surface.veneer >= 0.5) & np.isnan(surface.shown_mm)
    if not unread.any():
        return []
    sides = np.concatenate([mesh.faces[:, [0, 1]], mesh.faces[:, [1, 2]]])
    label = parts_in(unread, sides)
    area = np.bincount(label, vertex_areas(mesh) * unread)
    large = np.flatnonzero(area >= _LEAST_UNSEEN_MM2)
    large = large[np.argsort(-area[large], kind="stable")]
    patches = [mesh.points_mm[unread & (label == one)] for one in large]
    return [
        (float(area[one]), patch[np.linalg.norm(patch - patch.mean(axis=0), axis=1).argmin()])
        for one, patch in zip(large, patches, strict=True)
    ]


def zone_of_vertices(mesh: TriangleMesh, finding: Ints, zones: Sequence[Mapping[str, Any]]) -> Ints:
    """Which listed zone each vertex with a finding belongs to.

    Connected vertices of one finding go to the zone of that finding whose centre lies nearest
    to any of them; a zone may hold several such pieces.

    Returns
    -------
    ndarray of int64, shape (n,)
        The zone's id; 0 for none.
    """
    sides = np.concatenate([mesh.faces[:, [0, 1]], mesh.faces[:, [1, 2]]])
    alike = finding[sides[:, 0]] == finding[sides[:, 1]]
    label = components(len(finding), sides[alike & (finding[sides[:, 0]] > 0)])
    zone = np.zeros(len(finding), dtype=np.int64)
    for kind in (FindingKind.TOO_THIN, FindingKind.TOO_THICK, FindingKind.OVER_CONTOUR):
        own = [z for z in zones if _KINDS[z["finding"]] == kind]
        where = np.flatnonzero(finding == kind)
        if own and len(where):
            zone[where] = _nearest_zone(mesh.points_mm[where], label[where], own)
    return zone


def _nearest_zone(points: Floats, label: Ints, zones: Sequence[Mapping[str, Any]]) -> Ints:
    centres = np.array([z["centre_mm"] for z in zones], dtype=np.float64)
    piece, index = np.unique(label, return_inverse=True)
    nearest = np.full((len(piece), len(zones)), np.inf)
    for column, centre in enumerate(centres):
        np.minimum.at(nearest[:, column], index, np.linalg.norm(points - centre, axis=1))
    ids = np.array([z["id"] for z in zones], dtype=np.int64)
    found: Ints = ids[nearest.argmin(axis=1)][index]
    return found


def smoothed(mesh: TriangleMesh, values: Floats) -> Floats:
    """Average a value at vertices, shape (n,), over its triangles a few times."""
    count = len(values)
    corners = mesh.faces.reshape(-1)
    uses = np.maximum(np.bincount(corners, minlength=count), 1)
    for _ in range(_SMOOTHING):
        mean = values[mesh.faces].mean(axis=1)
        values = np.bincount(corners, weights=np.repeat(mean, 3), minlength=count) / uses
    return values
