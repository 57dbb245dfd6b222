"""Pictures of our own: every pixel knows its triangle and its exact layer.

Notes
-----
Stills by our own drawing, in the map's own colours. A rendering library can kill the process where
no graphics library is installed; pictures were three quarters of the page's bytes. Choice:
triangles laid on the picture row by row with numpy, rays for the samples that smooth edges, Pillow
to write PNG with a byte a pixel. The palette is derived from the colours that `report/colours.py`
names, so that what is named anew is in it; named colours stay exact. Instead of: VTK; a palette
fitted to each picture, which turns plaster white and hides what was not measured. Cost: some
hundred lines; hidden lines and fonts are ours to draw; shades lie up to 25 of 255 off at smooth
edges.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import numpy.typing as npt

from veneercheck.core.types import Bools, Floats, Ints
from veneercheck.report.colours import CALM_THICK, CALM_THIN, DOTS, METAL, Bands
from veneercheck.report.picture import Picture, apart, lay, whole
from veneercheck.report.scanlines import faces_seen
from veneercheck.report.surface import Surface
from veneercheck.report.tones import AMBIENT, EVEN, MANY
from veneercheck.report.views import Camera

Image = npt.NDArray[np.float32]
"""Colours that are still worked on, 0…255."""

_PIXELS_AT_ONCE = 1 << 15
"""Two pictures are drawn at a time: more would hold more of both in memory, and be no faster."""

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

_SOFTENED = np.minimum(1.6 * np.linspace(0.0, 1.0, 17, dtype=np.float32), 1.0)
"""Widens the softened silhouette, told in sixteenths, to about two pixels."""

_SHOWN = ("depth", "layer", "shown", "veneer", "listed", "firm", "lit")
"""What is known at vertices and read between them, all at once."""

_HALF = 0.5
"""A place belongs to what more than half of it belongs to."""


@dataclasses.dataclass(frozen=True, slots=True)
class Pattern:
    """Spacing and half-width in pixels of lines or dots."""

    spacing_px: float
    half_px: float


LINES, SPARSE_LINES = Pattern(11.0, 1.3), Pattern(30.0, 1.3)
DOT_GRID, SPARSE_DOT_GRID = Pattern(12.0, 2.3), Pattern(30.0, 2.3)
_LINE_STRENGTH = 0.85
_WHITE, _BLACK = (255.0, 255.0, 255.0), (0.0, 0.0, 0.0)
_NOTHING = np.uint32(0xFFFFFFFF)


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
    """A picture before lines and words, shape (h, w): colours, and depth, NaN where nothing."""

    colours: Picture
    depth_mm: npt.NDArray[np.float32]


def draw(surface: Surface, camera: Camera) -> Raster:
    """Draw the surface with its map, patterns and silhouettes, edges smoothed."""
    shape = (camera.height, camera.width)
    laid = projected(surface, camera)
    seen, depth = faces_seen(laid.place, surface.mesh.faces, laid.front, *shape)
    colours = np.full(seen.shape, _NOTHING)
    pixels = np.flatnonzero(seen >= 0)
    for start in range(0, len(pixels), _PIXELS_AT_ONCE):
        part = pixels[start : start + _PIXELS_AT_ONCE]
        y, x = np.divmod(part, camera.width)
        face = seen[part].astype(np.int64)
        colours[part] = _painted(surface, laid, face, x + 0.5, y + 0.5)
    edge, outline = _edges(depth.reshape(shape))
    _smooth_edges(colours, surface, camera, np.flatnonzero(edge), laid)
    soft = _soft(outline).reshape(-1)
    dark = np.flatnonzero(soft)
    lay(colours, dark, _SILHOUETTE * _SOFTENED.take(soft[dark]), _BLACK)
    depth[seen < 0] = np.nan
    return Raster(colours.reshape(shape), depth.reshape(shape))


def _painted(surface: Surface, laid: Projection, face: Ints, x: Floats, y: Floats) -> Picture:
    """Colours of places on triangles, white where the triangle is −1."""
    tone, *light = laid.lit.take(face, axis=0).T
    colours = surface.tones.colours(tone, light[0] + light[1] * x + light[2] * y)
    many = np.flatnonzero(tone == MANY)
    place = x[many], y[many]
    colours[many] = whole(paint(read(surface, laid, face[many], *place), surface, *place))
    return colours


def read(surface: Surface, laid: Projection, face: Ints, x: Floats, y: Floats) -> Samples:
    """Read the surface at places on triangles; nothing where the triangle is −1."""
    found = np.full((len(_SHOWN), len(face)), np.nan, dtype=np.float32)
    met = np.flatnonzero(face >= 0)
    found[:, met] = _blend(surface, laid, face[met], x[met], y[met]).T
    depth, layer, shown, veneer, listed, firm, lit = found
    with np.errstate(invalid="ignore"):
        ambient = np.where(veneer >= _HALF, np.float32(EVEN), np.float32(AMBIENT))
        return Samples(
            depth,
            face,
            layer,
            shown,
            veneer >= _HALF,
            listed >= _HALF,
            firm >= _HALF,
            (ambient + (1.0 - ambient) * np.clip(lit, 0.0, 1.0)).astype(np.float32),
        )


def first_outside(
    surface: Surface, camera: Camera, laid: Projection, x_px: Floats, y_px: Floats
) -> Ints:
    """First triangles met from outside, −1 for none; a scan's open back is looked through.

    So the view from below shows the pontic's base, though the model beneath it is a shell.
    """
    way = -camera.toward
    origins = camera.origins(x_px, y_px)
    face = surface.scene.first_face(origins, np.broadcast_to(way, origins.shape))
    behind = np.flatnonzero((face >= 0) & ~laid.faces_eye[face])
    for _ in range(_MOST_SHEETS):
        if not len(behind):
            break
        depth = _blend(surface, laid, face[behind], x_px[behind], y_px[behind])[:, 0]
        start = origins[behind] + (depth + _STEP_MM)[:, None] * way
        face[behind] = surface.scene.first_face(start, np.broadcast_to(way, start.shape))
        behind = behind[(face[behind] >= 0) & ~laid.faces_eye[face[behind]]]
    face[behind] = -1
    return face


def paint(found: Samples, surface: Surface, x_px: Floats, y_px: Floats) -> Image:
    """Colour samples: bands, patterns and shallow shading on white; shape (n, 3)."""
    colours = surface.scale.colours(found.shown_mm)
    with np.errstate(invalid="ignore"):
        lined, dotted = surface.scale.patterned(found.shown_mm)
    thin, thick = (found.listed & found.veneer & where for where in (lined, dotted))
    if isinstance(surface.scale, Bands):
        colours[thin & ~found.firm], colours[thick & ~found.firm] = CALM_THIN, CALM_THICK
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
    place : ndarray, shape (n, 3)
        Every vertex on the picture: x and y in pixels, depth in mm.
    faces_eye : ndarray of bool, shape (m,)
        Triangles seen from their outside.
    front : ndarray of int64
        Their numbers.
    shown : ndarray of float32, shape (n, 7)
        What pixels read between the vertices, in the order of `_SHOWN`.
    lit : ndarray of float32, shape (m + 1, 4)
        Tone of every triangle, light on it at the picture's corner, and what a pixel to the right
        and one down add; many tones where it is not seen, and in the last row, for no triangle.
    """

    place: Floats
    faces_eye: Bools
    front: Ints
    shown: npt.NDArray[np.float32]
    lit: npt.NDArray[np.float32]


def projected(surface: Surface, camera: Camera) -> Projection:
    """Lay every vertex on the picture once."""
    place = camera.project(surface.mesh.points_mm)
    told = surface.told.copy()
    told[:, 0], told[:, -1] = place[:, 2], _lit(surface, camera)
    eye = surface.facing @ camera.toward > 0
    front = np.flatnonzero(eye)
    return Projection(place, eye, front, told, _light(surface, place, told[:, -1], front))


def _light(
    surface: Surface, place: Floats, lit: npt.NDArray[np.float32], front: Ints
) -> npt.NDArray[np.float32]:
    """What `Projection` tells as `lit`."""
    light = np.zeros((len(surface.mesh.faces) + 1, 4), dtype=np.float32)
    face = front[surface.tones.of_face[front] != MANY]
    corners = np.ascontiguousarray(surface.mesh.faces.take(face, axis=0).T)
    x, y, z = (values.take(corners) for values in (place[:, 0], place[:, 1], lit))
    (ux, vx), (uy, vy), (u, v) = (values[1:] - values[0] for values in (x, y, z))
    area = ux * vy - uy * vx
    area[area == 0.0] = np.inf
    across, down = (u * vy - v * uy) / area, (v * ux - u * vx) / area
    start = z[0] - across * x[0] - down * y[0]
    light[face] = np.stack([surface.tones.of_face[face], start, across, down], axis=1)
    return light


def _blend(
    surface: Surface, laid: Projection, face: Ints, x_px: Floats, y_px: Floats
) -> npt.NDArray[np.float32]:
    """What `_SHOWN` names at places on triangles, shape (k, 7), between their three corners."""
    corners = surface.mesh.faces.take(face, axis=0)
    (ax, ay), *sides = (laid.place.take(corners[:, k], axis=0).T[:2] for k in range(3))
    (ux, uy), (vx, vy) = ((x - ax, y - ay) for x, y in sides)
    dx, dy, area = x_px - ax, y_px - ay, ux * vy - uy * vx
    # A triangle seen exactly from its edge stops no ray; any number serves.
    area[area == 0.0] = 1.0
    second, third = (dx * vy - dy * vx) / area, (ux * dy - uy * dx) / area
    found = laid.shown.take(corners[:, 0], axis=0)
    found *= (1.0 - second - third).astype(np.float32)[:, None]
    for k, share in ((1, second), (2, third)):
        found += laid.shown.take(corners[:, k], axis=0) * share.astype(np.float32)[:, None]
    return found


def _lit(surface: Surface, camera: Camera) -> Floats:
    right, up, toward = _LIGHT
    light = right * camera.right + up * camera.up + toward * camera.toward
    lit: Floats = surface.normals @ (light / np.linalg.norm(light))
    return lit


def _edges(depth: npt.NDArray[np.float32]) -> tuple[Bools, Bools]:
    """Pixels on either side of a step in depth, and those on the nearer."""
    edge, outline = np.zeros(depth.shape, dtype=bool), np.zeros(depth.shape, dtype=bool)
    for first, second in (
        (np.s_[:, :-1], np.s_[:, 1:]),
        (np.s_[:-1], np.s_[1:]),
    ):
        step = depth[second] - depth[first]
        falls, rises = step > _JUMP_MM, step < -_JUMP_MM
        outline[first] |= falls
        outline[second] |= rises
        falls |= rises
        edge[first] |= falls
        edge[second] |= falls
    return edge, outline


def _smooth_edges(
    colours: Picture, surface: Surface, camera: Camera, pixels: Ints, laid: Projection
) -> None:
    y, x = np.divmod(pixels, camera.width)
    total = apart(colours[pixels]).astype(np.float32)
    for dx, dy in _SUBPIXELS:
        place = (x + 0.5 + dx, y + 0.5 + dy)
        face = first_outside(surface, camera, laid, *place)
        total += apart(_painted(surface, laid, face, *place))
    colours[pixels] = whole(total / (1 + len(_SUBPIXELS)))


def _soft(mask: Bools) -> npt.NDArray[np.uint8]:
    """Each pixel's mean with its neighbours, in sixteenths."""
    padded = np.pad(mask.view(np.uint8), 1)
    across = 2 * padded[:, 1:-1] + padded[:, :-2] + padded[:, 2:]
    return np.asarray(2 * across[1:-1] + across[:-2] + across[2:])
