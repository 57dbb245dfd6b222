"""The code of a printed report, read from photographs that are turned, blurred and noisy.

What the code says is drawn by another library (`segno`) than the one that reads it. On the page, in
a real browser, with a register in SQLite and in PostgreSQL.
"""

from __future__ import annotations

import io
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import segno
from PIL import Image, ImageFilter
from typer.testing import CliRunner

import record_trials as trials
from browsing import chromium
from doors import test_bench_door
from made_up_lab import Lab
from veneercheck.bench.photo import LARGEST_BYTES, code_in
from veneercheck.cli.main import app
from veneercheck.core.errors import RecordError
from veneercheck.record import sha256_of
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


LONG_MS = 300_000
"""A busy machine is no fault."""


DOOR = test_bench_door


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with chromium() as opened:
        yield opened


@pytest.mark.parametrize("kind", ["sqlite", pytest.param("postgresql", marks=pytest.mark.long)])
def test_a_photographed_report_opens_its_check(
    kind: str, browser: Any, tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    """Its own and no other; paper that tells of another result, or of nothing, is told in words."""
    from playwright.sync_api import expect

    place = str(tmp_path / "register.sqlite")
    if kind == "postgresql":
        place = trials.new_database(str(request.getfixturevalue("server")), "photographed")
    lab, said = Lab(tmp_path, place), {}
    for number in ("T-1", "T-2", "T-3"):
        key = lab.made_up(number, "findings")
        result = (tmp_path / "cases" / number / "result.json").read_text("utf-8")
        said[number] = f"VENEERCHECK:{key}:{sha256_of(result)}".upper()
    lab.made_up_plan("T-2", units=[46], conflicts=1)
    other = f"VENEERCHECK:{key}:{'0' * 64}".upper()
    for number, words in (("T-2", said["T-2"]), ("T-9", other), ("none", "https://example.org/")):
        (tmp_path / f"{number}.jpg").write_bytes(saved(sheet(words, 8), "JPEG"))
    with DOOR.entered(tmp_path / "bench", "--register", place) as bench:
        name, _, value = bench.cookie.partition("=")
        start = bench.url.split("?")[0]
        context = browser.new_context(locale="en-GB")
        context.add_cookies([{"name": name, "value": value, "url": start}])
        page = context.new_page()
        page.set_default_timeout(LONG_MS)
        page.goto(f"{start}records")
        page.set_input_files("#photo", tmp_path / "none.jpg")
        expect(page.locator("#photo-told")).to_contain_text("no code of a report", timeout=LONG_MS)
        page.set_input_files("#photo", tmp_path / "T-2.jpg")
        page.wait_for_url("**/records/VENEERCHECK*")
        shown = page.locator("body").inner_text()
        assert "T-2" in shown and "T-1" not in shown and "T-3" not in shown
        page.goto(f"{start}records")
        page.set_input_files("#photo", tmp_path / "T-9.jpg")
        page.wait_for_url("**/records/VENEERCHECK*")
        expect(page.locator("body")).to_contain_text("another result", timeout=LONG_MS)
        plan_is_there(page, f"{start}records?lang=en")
        trends_are_there(page, f"{start}records?lang=de", place, tmp_path)
        context.close()


def plan_is_there(page: Any, start: str) -> None:
    """Beneath the checks, found by the same filters; its own page has no decision to take."""
    page.goto(f"{start}&case=T-2")
    page.get_by_role("heading", name="Plans").wait_for()
    row = page.locator("table").nth(1).locator("tbody tr")
    assert row.count() == 1 and "T-2-plan" in row.inner_text()
    row.get_by_role("link").click()
    page.wait_for_url("**/records/*lang=en")
    shown = page.locator("body").inner_text()
    assert "places without room" in shown and page.locator("select[name=what]").count() == 0
    page.goto(f"{start}&verdict=findings&case=T-2")
    assert page.get_by_role("heading", name="Plans").count() == 0


def trends_are_there(page: Any, start: str, place: str, room: Path) -> None:
    """From the page of the record to what it teaches, and that on paper; as the command has it."""
    page.goto(start)
    page.get_by_role("link", name="Was die Prüfungen lehren").click()
    page.wait_for_url("**/records/trends?lang=de")
    shown = page.locator("body").inner_text()
    name = "register.sqlite" if "://" not in place else place.rpartition("@")[2]
    assert "Prüfungen im Register: 3" in shown and name in shown
    with page.expect_download() as sent:
        page.get_by_role("link", name="Auf Papier").click()
    sent.value.save_as(room / "page.pdf")
    done = CliRunner().invoke(app, ["records", "trends", "--register", place, "--lang", "de",
                                    "--out", str(room / "trends")])  # fmt: skip
    assert done.exit_code == 0, done.output
    if shutil.which("pdftotext"):
        told = []
        for pdf in (room / "page.pdf", room / "trends" / "trends.pdf"):
            read = subprocess.run(
                ["pdftotext", "-raw", str(pdf), "-"], capture_output=True, check=True
            )
            told.append(read.stdout.decode("utf-8").partition(" UTC")[2])
        assert told[0] == told[1] and "Prüfungen im Register: 3" in told[0]
