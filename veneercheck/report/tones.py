"""Triangles of one tone: of a pixel on them only the light need be read.

Notes
-----
Triangles of one tone are painted from a table. Most of a picture is metal or a single step of the
map, and to read seven values between three corners for each of its pixels was half of the work.
Choice: what has one tone is found once for a surface; light runs evenly over a triangle, so three
numbers tell it; a table holds each tone in each light as a picture holds it. All other pixels are
read as before. Instead of: every pixel alike; or compiled code, which an install would have to
build. Cost: a second way to a colour, which a test holds against the first; light in 1024 steps
makes one pixel in sixty lighter or darker by 1 of 255.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import numpy.typing as npt

from veneercheck.core.types import Bools, Floats, Ints
from veneercheck.report.colours import METAL, Amounts, Bands
from veneercheck.report.picture import Picture, whole

MANY, BARE = 0, 1
"""The tone of a triangle that has several or a pattern, and of what is not veneered."""

AMBIENT = 0.68
"""Shallow shading, so that a shadow never reads as thin."""

EVEN = 0.93
"""The map is lit all but evenly: a step of the layer is lighter by less than a slope would be."""

_LIGHTS = 1024


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Tones:
    """Which triangles have one tone, and how it looks.

    Parameters
    ----------
    of_face : ndarray of int16, shape (m,)
    lit : ndarray of uint32, shape (k · 1024,)
        Each tone in each light.
    """

    of_face: npt.NDArray[np.int16]
    lit: Picture

    def colours(self, tone: Floats, light: Floats) -> Picture:
        """Colours of places, shape (n,), by tone and by light, 0…1 and beyond."""
        step = np.clip((_LIGHTS - 1) * light + 0.5, 0.0, _LIGHTS - 1)
        return self.lit.take((_LIGHTS * tone + step).astype(np.int32))


def tones_of(
    faces: Ints, shown_mm: Floats, veneer: Bools, listed: Bools, scale: Bands | Amounts
) -> Tones:
    """Compare what three corners show: between equal ones a scale has no other colour."""
    shown = shown_mm.astype(np.float32)
    colours = scale.colours(shown)
    key = np.rint(colours).astype(np.int32) @ np.array([1 << 16, 1 << 8, 1], dtype=np.int32)
    key[listed & np.logical_or(*scale.patterned(shown))] = MANY
    key[~veneer] = BARE
    key, colours = np.append([MANY, BARE], key), np.vstack([METAL, METAL, colours])
    _, first, tone = np.unique(key, return_index=True, return_inverse=True)
    one, two, three = (tone[2:].astype(np.int16).take(corner) for corner in faces.T)
    one[(one != two) | (one != three)] = MANY
    plain = np.full((len(first), 1), EVEN)
    plain[BARE] = AMBIENT
    shade = plain + (1.0 - plain) * np.linspace(0.0, 1.0, _LIGHTS)
    lit = colours[first][:, None] * shade[:, :, None]
    return Tones(one, whole(lit.reshape(-1, 3)))
