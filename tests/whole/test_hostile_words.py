"""A check whose every text is wild: drawn on page and paper, harmless, filed, and whole on record.

Expected: the true text in `result.json`, by construction; no element, script or formula comes of
it, as HTML's own parser reads the page.
"""

from __future__ import annotations

import html.parser
import json
import os
import subprocess
import sys
from pathlib import Path

import pikepdf
import pytest

from browsing import caps
from program import run
from veneercheck.scan import stl_bytes

pytestmark = pytest.mark.usefixtures("fitted_on_few")

WILD = (
    "🦷😀👨‍👩‍👧🇩🇪 ฟันกรามล่าง السن الأول שן ראשונה 臼齿 \x1b[31m <script>alert(1)</script><b> "
    "=cmd|' /C calc'!A1 \u202eabc e" + "\u0301" * 30 + ' #set page() $x^2$ *b* """ [scans] '
)
NOTES = (WILD * 200)[:10_000] + "W" * 5_000 + "臼" * 5_000
FRAMEWORK, WAXUP = "🦷 ฟัน <b>.stl", "=SUM(A1) שן.stl"


@pytest.fixture(scope="module")
def filed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Checked, put on record and decided."""
    room = tmp_path_factory.mktemp("wild")
    for name, mesh in zip((FRAMEWORK, WAXUP), caps(0.9), strict=True):
        (room / name).write_bytes(stl_bytes(mesh))
    quoted = json.dumps(WILD, ensure_ascii=False)
    (room / "profile.toml").write_text(f"name = {quoted}\n", "utf-8")
    lines = [f"{key} = {quoted}" for key in ("case", "alloy", "composite", "shade")]
    lines += [f"notes = {json.dumps(NOTES, ensure_ascii=False)}", 'profile = "profile.toml"']
    lines += ["units = [46]", "[lots]", f"alloy = {quoted}"]
    (room / "case.toml").write_text("\n".join(lines), "utf-8")
    ended = run(
        "check", FRAMEWORK, WAXUP, "--case", "case.toml", "--aligned", "--register", "lab.sqlite",
        "--out", "cases", folder=room,
    )  # fmt: skip
    assert ended.code in (0, 1, 4), ended.told
    (case,) = (room / "cases").iterdir()
    key = case.name.rpartition("-")[2]
    why = f"{WILD.replace(chr(0x1B), '')} {'W' * 5_000}"
    decided = run(
        "records", "decide", key, "--what", "accepted", "--who", "AB", "--why", why,
        "--register", "lab.sqlite", folder=room,
    )  # fmt: skip
    assert decided.code == 0, decided.told
    return case


def test_the_true_text_is_on_record(filed: Path) -> None:
    told = json.loads((filed / "result.json").read_text("utf-8"))
    assert told["case"]["number"] == WILD and told["case"]["notes"] == NOTES
    assert told["profile"]["name"] == WILD and told["scans"]["framework"]["file"] == FRAMEWORK
    decided = json.loads((filed / "decisions.json").read_text("utf-8"))["decisions"]
    assert decided[0]["why"].endswith("W" * 5_000)


def test_both_sheets_are_drawn(filed: Path) -> None:
    with pikepdf.open(filed / "report.pdf") as pdf:
        assert 5 <= len(pdf.pages) <= 20
        assert not any(key in pdf.Root for key in ("/OpenAction", "/AA", "/AcroForm"))
    with pikepdf.open(filed / "bench.pdf") as pdf:
        assert len(pdf.pages) == 1


class _Reader(html.parser.HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.scripts, self.bold, self.words = 0, 0, list[str]()
        self.listening: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.scripts += tag == "script"
        self.bold += tag == "b"
        self.listening += [name for name, _ in attrs if name.startswith("on")]

    def handle_data(self, data: str) -> None:
        self.words.append(data)


def test_the_page_says_it_and_does_nothing(filed: Path) -> None:
    text = (filed / "report.html").read_text("utf-8")
    reader = _Reader()
    reader.feed(text)
    said = "".join(reader.words)
    assert "ฟันกรามล่าง" in said and "<script>alert(1)" in said and "W" * 5_000 in said
    assert (reader.bold, reader.listening) == (0, [])
    assert "<script>alert" not in text and "\x1b" not in text and "\u202e" not in text
    assert "stands for a sign that cannot be shown" in said


def test_the_table_for_a_spreadsheet_holds_no_formula(filed: Path) -> None:
    cells = (filed / "zones.csv").read_text("utf-8").replace('"', "").replace("\r\n", ",")
    assert not any(cell.startswith(("=", "+", "@")) for cell in cells.split(","))


@pytest.mark.skipif(os.name == "nt", reason="names there are text in any case")
def test_bytes_that_are_no_text_end_in_no_fault(filed: Path) -> None:
    """In the name of a profile, of a scan, and in a reason."""
    room = filed.parents[1]
    profile, scan = os.fsencode(room) + b"/own\xff.toml", os.fsencode(room) + b"/scan\xff.stl"
    with open(profile, "wb") as file:  # noqa: PTH123 - a name that is no text
        file.write(b"[layer]\nleast_mm = 0.9\n")
    with open(scan, "wb") as file:  # noqa: PTH123 - a name that is no text
        file.write((room / FRAMEWORK).read_bytes())
    ended = run(
        "check", os.fsdecode(scan), WAXUP, "--profile", os.fsdecode(profile), "--no-report",
        "--aligned", "--register", "lab.sqlite", "--out", "bytes", folder=room,
    )  # fmt: skip
    assert ended.code in (0, 1, 4), ended.told
    (case,) = (room / "bytes").iterdir()
    told = json.loads((case / "result.json").read_text("utf-8"))
    assert told["profile"]["name"] == "own\\xff"
    assert told["scans"]["framework"]["file"] == "scan\\xff.stl"
    key = case.name.rpartition("-")[2]
    decided = subprocess.run(
        [sys.executable, "-m", "veneercheck", "records", "decide", key, "--what", "accepted",
         "--who", "AB", "--why", b"M\xffller", "--register", "lab.sqlite"],
        cwd=room, text=True, capture_output=True, check=False, encoding="utf-8", errors="replace",
    )  # fmt: skip
    assert decided.returncode == 0, decided.stderr
