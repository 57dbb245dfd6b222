"""Colours of a mask: what a user painted on the scan to say which surface is which.

Notes
-----
Paint is a file beside the case. What was painted on the page must give the command line the same
answer, and last. Choice: a painted copy of the framework in its own frame and unit, named under
`[scans] painted`; green, blue and black mean what they mean on a scan, and `--reference` is the
same thing. Instead of: strokes or vertex numbers in the case file. Cost: it fits one scan of the
framework; after trimming it is left out.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from veneercheck.core.types import Fault, Ints, Region
from veneercheck.scan.raw import NO_PAINT

PAINT_COLOURS: dict[tuple[int, int, int], Region] = {
    (0, 0, 255): Region.CUT,
    (0, 255, 0): Region.UNCUT,
    (0, 0, 0): Region.MODEL,
}
"""Pure colours (red, green, blue) and what they say: blue is to be veneered, green was left at
full contour and is the reference of the alignment, black is left out. Any other colour leaves the
vertex to the program."""

_DECISIVE = (Region.CUT, Region.UNCUT)
"""Black alone is no mask: scanners colour what their camera did not see black, too."""


_NEARLY, _FAINT, _LEAST_SHARE = 128, 0.4, 0.01
"""Green or blue of at least the first of 255, with no more of the others than the second share of
it, was meant as a mask where so much of a painted scan bears exactly that colour."""


def unlike_paint(colours: npt.NDArray[np.integer] | npt.NDArray[np.floating]) -> tuple[Fault, ...]:
    """What was meant as a mask beside a pure one, and is no pure colour: the commonest such.

    Parameters
    ----------
    colours : ndarray, shape (n, 3)
        As for `paint_of`.
    """
    share = _shares(colours)
    green, blue = share[:, 1], share[:, 2]
    most = np.maximum(green, blue)
    rest = np.maximum(share[:, 0], np.minimum(green, blue))
    near = (most >= _NEARLY) & (rest <= _FAINT * most) & ((most < 255) | (rest > 0))
    if not near.any():
        return ()
    found, count = np.unique(share[near], axis=0, return_counts=True)
    colour, many = found[count.argmax()], int(count.max())
    if many < _LEAST_SHARE * len(colours):
        return ()
    told = "({}, {}, {})".format(*colour.tolist())
    pure = "(0, 255, 0)" if colour[1] > colour[2] else "(0, 0, 255)"
    words = (
        "{count:,} vertices are coloured {colour}, which is not the pure {pure} of a mask; "
        "left out."
    )
    return (Fault.of("unlike_paint", many, words, colour=told, pure=pure),)


def _shares(colours: npt.NDArray[np.integer] | npt.NDArray[np.floating]) -> Ints:
    """Parts of 255, shape (n, 3), as most files hold them."""
    if colours.dtype == np.uint8:
        return colours.astype(np.int64)
    whole = np.issubdtype(colours.dtype, np.integer)
    full = np.iinfo(colours.dtype).max if whole else 1  # type: ignore[type-var]
    share = np.clip(np.nan_to_num(colours / full), 0.0, 1.0)
    return np.rint(255.0 * share).astype(np.int64)


def paint_of(colours: npt.NDArray[np.integer] | npt.NDArray[np.floating]) -> Ints | None:
    """Region code of every vertex from its colour; None if no one painted a mask.

    Parameters
    ----------
    colours : ndarray, shape (n, 3)
        Whole numbers up to the greatest of their type, or fractions from 0 to 1.
    """
    shares = _shares(colours)
    paint = np.full(len(colours), NO_PAINT, dtype=np.int64)
    for colour, region in PAINT_COLOURS.items():
        paint[(shares == colour).all(axis=1)] = region
    return paint if np.isin(paint, _DECISIVE).any() else None
