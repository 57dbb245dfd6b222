"""Colours as a picture keeps them: one number a pixel, moved ten times as fast as three are."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from veneercheck.core.types import Ints

Picture = npt.NDArray[np.uint32]
"""The bytes red, green, blue and one that says nothing, as a single number a pixel."""


def whole(colours: npt.NDArray[np.floating[Any]]) -> Picture:
    """Colours, shape (n, 3), as a picture keeps them: the nearest of 0…255."""
    kept = np.full((len(colours), 4), 255, dtype=np.uint8)
    kept[:, :3] = np.rint(colours)
    return kept.view(np.uint32)[:, 0]


def apart(picture: Picture) -> npt.NDArray[np.uint8]:
    """Red, green and blue of pixels, shape (…, 3)."""
    return picture[..., None].view(np.uint8)[..., :3]


def lay(
    picture: Picture, pixels: Ints, share: npt.NDArray[np.float32], rgb: tuple[float, float, float]
) -> None:
    """Lay a colour over some pixels of a flat picture, in place, on each by its share."""
    under = apart(picture[pixels]).astype(np.float32)
    picture[pixels] = whole(under + share[:, None] * (np.asarray(rgb, dtype=np.float32) - under))
