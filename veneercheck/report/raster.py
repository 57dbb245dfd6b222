"""Pictures by our own rays: every pixel knows its triangle and its exact layer."""

from __future__ import annotations

import dataclasses

import numpy as np
import numpy.typing as npt

from veneercheck.core.rays import RayHits
from veneercheck.core.types import Bools, Floats, Ints
from veneercheck.report.colours import DOTS, METAL, ramp
from veneercheck.report.surface import Surface
from veneercheck.report.views import Camera

Image = npt.NDArray[np.float32]

_RAYS_AT_ONCE = 1 << 17
"""Keeps the working memory of a picture near 100 MB."""

_CELL_PX = 16

_AMBIENT = 0.68
"""Shallow shading, so that a shadow never reads as thin."""

_LIGHT = (-0.35, 0.45, 0.82)
"""From the upper left of the eye: right, up, toward."""

_JUMP_MM = 0.35
"""A step in depth between neighbouring pixels that is an edge to smooth and to draw."""

_SUBPIXELS = ((-0.25, -0.375), (0.375, -0.125), (-0.375, 0.125), (0.125, 0.375))
"""Where an edge pixel is sampled again."""

_MOST_SHEETS = 12
"""Back sides looked through before a ray counts as lost; folded scans have a few."""

_STEP_MM = 1e-4
"""How far behind a back side the next ray starts."""

_SILHOUETTE = 0.45
"""How dark the line of a silhouette is."""

_SPREAD = 1.6
"""Widens the softened silhouette to about two pixels."""

_BACKGROUND_MM = 1e6
"""Depth of the empty background, beyond every bridge."""


@dataclasses.dataclass(frozen=True, slots=True)
class Pattern:
    """Spacing and half-width in pixels of lines or dots."""

    spacing_px: float
    half_px: float


LINES, SPARSE_LINES = Pattern(11.0, 1.3), Pattern(30.0, 1.3)
DOT_GRID, SPARSE_DOT_GRID = Pattern(12.0, 2.3), Pattern(30.0, 2.3)
_LINE_STRENGTH = 0.85
_WHITE = (255.0, 255.0, 255.0)


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Samples:
    """What rays met; arrays of shape (n,), NaN or −1 where nothing.

    Parameters
    ----------
    depth_mm : ndarray
    face : ndarray of int64
    layer_mm : ndarray
        Interpolated between three measured corners, as filed.
    shown_mm : ndarray
        The same as coloured.
    veneer, listed, firm : ndarray of bool
        Meant for veneer; in a listed zone; in a firm one.
    shade : ndarray
        Factor on the colour.
    """

    depth_mm: npt.NDArray[np.float32]
    face: Ints
    layer_mm: npt.NDArray[np.float32]
    shown_mm: npt.NDArray[np.float32]
    veneer: Bools
    listed: Bools
    firm: Bools
    shade: npt.NDArray[np.float32]


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Raster:
    """A picture before lines and words: colours (h, w, 3) 0…255, depth and layer (h, w)."""

    colours: Image
    depth_mm: npt.NDArray[np.float32]
    layer_mm: npt.NDArray[np.float32]
    face: Ints


def draw(surface: Surface, camera: Camera) -> Raster:
    """Draw the surface with its map, patterns and silhouettes, edges smoothed."""
    shape = (camera.height, camera.width)
    count = camera.width * camera.height
    colours = np.full((count, 3), _WHITE[0], dtype=np.float32)
    depth = np.full(count, np.nan, dtype=np.float32)
    layer = np.full(count, np.nan, dtype=np.float32)
    face = np.full(count, -1, dtype=np.int64)
    kind = np.zeros(count, dtype=np.int8)
    pixels = _pixels_in_reach(surface, camera)
    laid = projected(surface, camera)
    for start in range(0, len(pixels), _RAYS_AT_ONCE):
        part = pixels[start : start + _RAYS_AT_ONCE]
        y, x = np.divmod(part, camera.width)
        found = sample(surface, camera, x + 0.5, y + 0.5, laid)
        colours[part] = paint(found, surface, x + 0.5, y + 0.5)
        depth[part], layer[part], face[part] = found.depth_mm, found.layer_mm, found.face
        kind[part] = (found.face >= 0).astype(np.int8) + found.veneer
    edge, outline = _edges(depth.reshape(shape), kind.reshape(shape))
    _smooth_edges(colours, surface, camera, np.flatnonzero(edge), laid)
    picture = colours.reshape(*shape, 3)
    picture *= (1.0 - _SILHOUETTE * _soft(outline))[..., None]
    return Raster(picture, depth.reshape(shape), layer.reshape(shape), face.reshape(shape))


def _pixels_in_reach(surface: Surface, camera: Camera) -> Ints:
    """Pixels that a triangle facing the eye may cover; every other one is background.

    Told by square cells: a cell counts where the box round such a triangle reaches into it.
    """
    facing = surface.facing @ camera.toward > 0
    place = camera.project(surface.mesh.points_mm)[:, :2]
    corners = np.stack([place[surface.mesh.faces[facing, k]] for k in range(3)])
    most = np.array([camera.width, camera.height]) // _CELL_PX
    low = np.clip(np.floor(corners.min(axis=0) / _CELL_PX).astype(int), 0, most + 1)
    high = np.clip(np.floor(corners.max(axis=0) / _CELL_PX).astype(int) + 1, 0, most + 1)
    # Each box adds one from its lower corner on and takes it away beyond its upper one.
    count = np.zeros((most[1] + 2, most[0] + 2))
    for x, y, sign in ((low, low, 1), (high, high, 1), (low, high, -1), (high, low, -1)):
        cell = y[:, 1] * count.shape[1] + x[:, 0]
        count += sign * np.bincount(cell, minlength=count.size).reshape(count.shape)
    covered = count.cumsum(axis=0).cumsum(axis=1) > 0.5
    pixels = covered.repeat(_CELL_PX, axis=0).repeat(_CELL_PX, axis=1)
    return np.flatnonzero(pixels[: camera.height, : camera.width])


def sample(
    surface: Surface,
    camera: Camera,
    x_px: Floats,
    y_px: Floats,
    laid: Projection | None = None,
) -> Samples:
    """Send one ray through each pixel place and read the surface where it is met.

    Parameters
    ----------
    laid : Projection, optional
        As `projected` made it for this camera, where it serves many calls.
    """
    origins = camera.origins(np.asarray(x_px), np.asarray(y_px))
    hits = first_outside(surface, camera, origins)
    met = np.flatnonzero(hits.face >= 0)
    laid = laid or projected(surface, camera)
    weights = _shares(laid, hits.face[met], np.asarray(x_px)[met], np.asarray(y_px)[met])
    corners = surface.mesh.faces[hits.face[met]]

    def blend(values: Floats) -> npt.NDArray[np.float32]:
        found = np.full(len(hits.face), np.nan, dtype=np.float32)
        found[met] = sum(values[corners[:, k]] * weights[:, k] for k in range(3))
        return found

    with np.errstate(invalid="ignore"):
        return Samples(
            hits.distance_mm.astype(np.float32),
            hits.face,
            blend(surface.layer_mm),
            blend(surface.shown_mm),
            blend(surface.veneer) >= 0.5,
            blend((surface.zone > 0).astype(np.float64)) >= 0.5,
            blend(surface.firm.astype(np.float64)) >= 0.5,
            _AMBIENT + (1.0 - _AMBIENT) * np.clip(blend(laid.lit), 0.0, 1.0),
        )


def first_outside(surface: Surface, camera: Camera, origins: Floats) -> RayHits:
    """First hits on the outside of the surface; a scan's open back is looked through.

    So the view from below shows the pontic's base, though the model beneath it is a shell.
    """
    way = -camera.toward
    hits = surface.scene.first_hit(origins, np.broadcast_to(way, origins.shape), twice=False)
    distance, face = hits.distance_mm.copy(), hits.face.copy()
    for _ in range(_MOST_SHEETS):
        met = np.flatnonzero(face >= 0)
        back = met[surface.facing[face[met]] @ camera.toward <= 0]
        if not len(back):
            break
        start = distance[back] + _STEP_MM
        further = surface.scene.first_hit(
            origins[back] + start[:, None] * way,
            np.broadcast_to(way, (len(back), 3)),
            twice=False,
        )
        distance[back], face[back] = start + further.distance_mm, further.face
    inside = np.flatnonzero(face >= 0)
    inside = inside[surface.facing[face[inside]] @ camera.toward <= 0]
    distance[inside], face[inside] = np.nan, -1
    return RayHits(distance, face)


def paint(found: Samples, surface: Surface, x_px: Floats, y_px: Floats) -> Image:
    """Colour samples: bands, patterns and shallow shading on white; shape (n, 3)."""
    colours = ramp(found.shown_mm, surface.bands)
    with np.errstate(invalid="ignore"):
        thin = found.listed & found.veneer & (found.shown_mm < surface.bands.least_mm)
        thick = found.listed & found.veneer & (found.shown_mm > surface.bands.greatest_mm)
    colours[~found.veneer] = METAL
    colours *= found.shade[:, None]
    hatch(colours, x_px, y_px, thin & found.firm, thin & ~found.firm)
    stipple(colours, x_px, y_px, thick & found.firm, thick & ~found.firm)
    colours[found.face < 0] = _WHITE
    return np.minimum(colours, np.float32(255.0))


def hatch(colours: Image, x_px: Floats, y_px: Floats, dense: Bools, sparse: Bools) -> None:
    """Lay white diagonal lines over samples, in place."""
    for where, pattern in ((dense, LINES), (sparse, SPARSE_LINES)):
        along = (x_px[where] + y_px[where]) / np.sqrt(2.0)
        off = np.abs(
            (along + 0.5 * pattern.spacing_px) % pattern.spacing_px - 0.5 * pattern.spacing_px
        )
        _mix(colours, where, _WHITE, _LINE_STRENGTH * _inside(off, pattern.half_px))


def stipple(colours: Image, x_px: Floats, y_px: Floats, dense: Bools, sparse: Bools) -> None:
    """Lay dark dots over samples, in place."""
    for where, pattern in ((dense, DOT_GRID), (sparse, SPARSE_DOT_GRID)):
        row_height = pattern.spacing_px * np.sqrt(0.75)
        row = np.floor(y_px[where] / row_height)
        dy = y_px[where] - (row + 0.5) * row_height
        shifted = x_px[where] + 0.5 * pattern.spacing_px * (row % 2)
        dx = shifted % pattern.spacing_px - 0.5 * pattern.spacing_px
        _mix(colours, where, DOTS, _inside(np.hypot(dx, dy), pattern.half_px))


def _inside(distance_px: Floats, half_px: float) -> Floats:
    return np.clip(half_px + 0.5 - distance_px, 0.0, 1.0)


def _mix(colours: Image, where: Bools, rgb: tuple[float, float, float], share: Floats) -> None:
    part = colours[where]
    target = np.asarray(rgb, dtype=np.float32)
    colours[where] = part + share[:, None].astype(np.float32) * (target - part)


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Projection:
    """Triangles as a parallel projection lays them on the picture.

    Parameters
    ----------
    corner_px : ndarray, shape (m, 2)
        First corner of every triangle.
    inverse : ndarray, shape (m, 4)
        Turns an offset from it, row by row, into the shares of the other two corners.
    lit : ndarray, shape (n,)
        How squarely the light falls on every vertex, −1…1.
    """

    corner_px: Floats
    inverse: Floats
    lit: Floats


def projected(surface: Surface, camera: Camera) -> Projection:
    """Lay every triangle on the picture once, so that a pixel costs two products a corner."""
    place = camera.project(surface.mesh.points_mm)[:, :2]
    a, b, c = (place[surface.mesh.faces[:, k]] for k in range(3))
    u, v = b - a, c - a
    area = u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]
    rows = np.stack([v[:, 1], -v[:, 0], -u[:, 1], u[:, 0]], axis=1)
    # A triangle seen exactly from its edge stops no ray; any number serves.
    inverse = rows / np.where(area == 0.0, 1.0, area)[:, None]
    return Projection(a, inverse, _lit(surface, camera))


def _shares(laid: Projection, face: Ints, x_px: Floats, y_px: Floats) -> Floats:
    corner, inverse = laid.corner_px[face], laid.inverse[face]
    dx, dy = x_px - corner[:, 0], y_px - corner[:, 1]
    shares = np.empty((len(face), 3))
    shares[:, 1] = inverse[:, 0] * dx + inverse[:, 1] * dy
    shares[:, 2] = inverse[:, 2] * dx + inverse[:, 3] * dy
    shares[:, 0] = 1.0 - shares[:, 1] - shares[:, 2]
    return shares


def _lit(surface: Surface, camera: Camera) -> Floats:
    right, up, toward = _LIGHT
    light = right * camera.right + up * camera.up + toward * camera.toward
    lit: Floats = surface.normals @ (light / np.linalg.norm(light))
    return lit


def _edges(depth_mm: npt.NDArray[np.float32], kind: npt.NDArray[np.int8]) -> tuple[Bools, Bools]:
    depth = np.nan_to_num(depth_mm, nan=_BACKGROUND_MM)
    edge = np.zeros(kind.shape, dtype=bool)
    outline = np.zeros(kind.shape, dtype=bool)
    for first, second in (
        (np.s_[:, :-1], np.s_[:, 1:]),
        (np.s_[:-1], np.s_[1:]),
    ):
        step = depth[second] - depth[first]
        jump = np.abs(step) > _JUMP_MM
        outline[first] |= step > _JUMP_MM
        outline[second] |= step < -_JUMP_MM
        apart = jump | (kind[first] != kind[second])
        edge[first] |= apart
        edge[second] |= apart
    return edge, outline


def _smooth_edges(
    colours: Image, surface: Surface, camera: Camera, pixels: Ints, laid: Projection
) -> None:
    y, x = np.divmod(pixels, camera.width)
    total = colours[pixels]
    for dx, dy in _SUBPIXELS:
        place = (x + 0.5 + dx, y + 0.5 + dy)
        total += paint(sample(surface, camera, *place, laid), surface, *place)
    colours[pixels] = total / (1 + len(_SUBPIXELS))


def _soft(mask: Bools) -> npt.NDArray[np.float32]:
    padded = np.pad(mask.astype(np.float32), 1)
    across = 0.5 * padded[:, 1:-1] + 0.25 * (padded[:, :-2] + padded[:, 2:])
    soft = 0.5 * across[1:-1] + 0.25 * (across[:-2] + across[2:])
    return np.minimum(_SPREAD * soft, 1.0).astype(np.float32)
