"""The code on a printed report, read from a photograph of it (extra `[photo]`).

Notes
-----
A photograph is read on the computer that serves the page. Browsers read codes by themselves only on
some systems. Choice: `zxing-cpp` of an extra of its own, a megabyte without dependencies; the
picture is decoded by Pillow, within bounds, and nothing of it is kept. Instead of: OpenCV, forty
times as large. Cost: a photograph travels to that computer, where a hand scanner sends a line.
"""

from __future__ import annotations

import io
import warnings
from typing import Any

from veneercheck.core.errors import RecordError
from veneercheck.report.standing import read_code

LARGEST_BYTES = 24 * 1024**2
"""A telephone's photograph has two to twelve."""

_LARGEST_PIXELS = 120_000_000
_SEEN_PX = 3000
"""Long side that is looked at: the code of a whole sheet still has over a hundred."""

_KINDS = ("JPEG", "PNG", "WEBP")


def code_in(photograph: bytes) -> str:
    """What the code of a printed report says.

    Parameters
    ----------
    photograph : bytes
        JPEG, PNG or WebP.

    Raises
    ------
    RecordError
        If this is no picture, holds no such code, or the extra is not installed.
    """
    try:
        import zxingcpp
    except ModuleNotFoundError:
        raise RecordError(
            "reading a code from a photograph needs what is not installed (zxing-cpp).",
            next_step="Install it: pip install 'veneercheck[photo]'; or type the code's words.",
        ) from None
    import numpy as np

    seen = np.asarray(_grey(photograph))
    read: Any = zxingcpp.read_barcodes  # what it calls its formats differs by version
    found = read(seen, formats=zxingcpp.BarcodeFormat.QRCode)
    texts = [one.text for one in found if read_code(one.text) is not None]
    if not texts:
        raise RecordError(
            "no code of a report is seen in it.",
            where="photograph",
            next_step="Take it from nearer and straight from above, the whole code in it.",
        )
    return str(texts[0])


def _grey(photograph: bytes) -> object:
    """The picture in grey, no larger than is looked at; what says it is larger is not decoded."""
    from PIL import Image

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            picture = Image.open(io.BytesIO(photograph), formats=_KINDS)
            if picture.width * picture.height > _LARGEST_PIXELS:
                raise ValueError("too many pixels")
            picture.draft("L", (_SEEN_PX, _SEEN_PX))
            grey = picture.convert("L")
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError, Warning):
        raise RecordError(
            "this is no photograph that can be read.",
            where="photograph",
            next_step="Take a JPEG, PNG or WebP of at most 120 megapixels.",
        ) from None
    grey.thumbnail((_SEEN_PX, _SEEN_PX))
    return grey
