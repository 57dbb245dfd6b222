"""The code of a printed report, read from photographs that are turned, blurred and noisy.

What the code says is drawn by another library (`segno`) than the one that reads it.
"""

from __future__ import annotations

import io

import numpy as np
import pytest
import segno
from PIL import Image, ImageFilter

from veneercheck.bench.photo import LARGEST_BYTES, code_in
from veneercheck.core.errors import RecordError
from veneercheck.report.standing import code_words

pytest.importorskip("zxingcpp", reason="needs the extra [photo]")

WORDS = code_words({"standing": {"key": "ab12" * 16, "result_sha256": "cd34" * 16}}) or ""


def sheet(
    words: str, turned_deg: float, *, blur_px: float = 1.2, noise: float = 12.0
) -> Image.Image:
    """A photograph of a sheet with a code on it, as a telephone on the bench would take it."""
    drawn = io.BytesIO()
    segno.make(words, error="q", micro=False).save(drawn, kind="png", scale=6)
    page = Image.new("L", (1600, 2000), 230)
    page.paste(Image.open(drawn).convert("L").resize((420, 420)), (700, 900))
    page = page.rotate(turned_deg, fillcolor=128, resample=Image.Resampling.BICUBIC)
    page = page.filter(ImageFilter.GaussianBlur(blur_px))
    grain = np.random.default_rng(1).normal(0.0, noise, np.asarray(page).shape)
    return Image.fromarray((np.asarray(page) + grain).clip(0, 255).astype(np.uint8))


def saved(picture: Image.Image, kind: str) -> bytes:
    """The bytes of a file."""
    file = io.BytesIO()
    picture.save(file, kind)
    return file.getvalue()


@pytest.mark.parametrize(
    ("turned", "kind"), [(0, "PNG"), (17, "JPEG"), (95, "WEBP"), (181, "JPEG")]
)
def test_the_code_is_read_however_the_sheet_lies(turned: float, kind: str) -> None:
    assert code_in(saved(sheet(WORDS, turned), kind)) == WORDS


def test_what_is_no_such_photograph_is_refused_in_words() -> None:
    huge = saved(Image.new("1", (20000, 20000)), "PNG")
    assert len(huge) < LARGEST_BYTES
    for photograph, why in (
        (saved(sheet("https://example.org/", 0), "PNG"), "no code of a report"),
        (saved(Image.new("L", (300, 300), 255), "PNG"), "no code of a report"),
        (saved(sheet(WORDS, 0), "PNG")[:5000], "no photograph"),
        (saved(sheet(WORDS, 0), "BMP"), "no photograph"),
        (b"", "no photograph"),
        (huge, "no photograph"),
    ):
        with pytest.raises(RecordError, match=why):
            code_in(photograph)
