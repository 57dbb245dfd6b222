"""Whatever a user writes, a report is drawn: signs without a typeface, control signs, length.

Expected: Unicode's own categories and its replacement sign (The Unicode Standard, 23.8); the
typefaces' own character maps, as fontTools reads them.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import unicodedata
from pathlib import Path
from typing import Any

import pikepdf
import pytest
from fontTools.ttLib import TTFont
from hypothesis import example, given, settings
from hypothesis import strategies as st

from veneercheck.report import signs
from veneercheck.report.drawing import font_folder
from veneercheck.report.setting import _without_suspects, set_whatever_it_says
from veneercheck.report.signs import SUBSTITUTE, harmless, has_substitutes, plain, printable

WILD = {
    "emoji": "🦷😀👨‍👩‍👧🇩🇪❤️",
    "thai": "ฟันกรามล่าง",
    "arabic": "السن الأول",
    "hebrew": "שן ראשונה",
    "chinese, japanese, korean": "臼齿 歯科 치아",
    "html": "<script>alert(1)</script>&amp;<b>",
    "markup": "#set page() $x^2$ *b* _i_ [x] \\u{41} `code` = heading @ref <label>",
    "toml": 'a = "b"\n[scans]\n"""',
    "formula": "=cmd|' /C calc'!A1",
    "long word": "W" * 20_000,
    "long": "臼 🦷 ฟัน " * 2_500,
}
"""Texts that must be drawn as they are."""

REPLACED = {
    "escape": "a\x1b[31mb", "nought": "a\0b", "reversed": "abc\u202edef", "isolate": "a\u2067b",
    "private": "a\ue000b", "no character": "a\uffffb", "unassigned": "a\U000e1fffb",
    "mark of order": "a\ufeffb", "half": "a\ud800b", "invisible words": "a\U000e0041b",
    "marks": "e" + "\u0301" * 500, "bell": "\x07", "next line": "a\x85b",
}  # fmt: skip
"""Texts of which at least one sign cannot be shown."""


def shown(text: str) -> str:
    return str(harmless({"notes": text})["notes"])


SHEET = """
#let data = json("data.json")
#set document(title: data.title, author: "A", date: datetime(year: 2026, month: 3, day: 31))
#set text(font: "Source Sans Pro")
= Notes
#strong(data.notes)

#table(columns: 2, data.notes, [x])
"""


def typeset(folder: Path, text: str) -> tuple[bytes, Any]:
    """A sheet that says a text in three ways, in the same standard as the report."""
    (folder / "sheet.typ").write_text(SHEET, "utf-8")
    title = f"Notes · {shown(text)[:64]}"  # as in the papers, never without a word
    data, fonts = printable({"notes": shown(text), "title": title, "moment": 0})
    (folder / "data.json").write_text(json.dumps(data, ensure_ascii=False), "utf-8")
    return set_whatever_it_says(folder, "sheet.typ", "a-3a", data, fonts), data


@pytest.mark.parametrize("name", WILD)
def test_text_of_any_script_is_drawn_as_it_is(tmp_path: Path, name: str) -> None:
    made, data = typeset(tmp_path, WILD[name])
    assert made.startswith(b"%PDF")
    assert not has_substitutes(data)
    assert data["notes"].replace("\u200b", "") == WILD[name]


@pytest.mark.parametrize("name", REPLACED)
def test_what_cannot_be_shown_has_a_substitute(tmp_path: Path, name: str) -> None:
    made, data = typeset(tmp_path, REPLACED[name])
    assert made.startswith(b"%PDF") and has_substitutes(data)
    assert len(data["notes"]) <= len(REPLACED[name])


def test_without_further_typefaces_there_is_a_substitute(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(signs, "_FURTHER", ("no_such_package",))
    for name in ("emoji", "thai", "chinese, japanese, korean"):
        made, data = typeset(tmp_path, WILD[name])
        assert made.startswith(b"%PDF") and has_substitutes(data)


@pytest.mark.parametrize("text", ["ก\u0301", "🦷\u0e49", "א\u0301ก\u0301ب\u05b0"])
def test_signs_that_no_one_typeface_holds_together_are_drawn_without_each_other(
    tmp_path: Path, text: str
) -> None:
    made, _ = typeset(tmp_path, text)
    assert made.startswith(b"%PDF")


def test_plain_words_ask_for_no_further_typeface() -> None:
    """So that they give the same bytes whatever else is installed."""
    _, folders = printable({"notes": "Größe ≥ 1,0 mm – «Ж» Ω"})
    assert folders == [font_folder()]


def test_what_a_typeface_holds_is_what_its_map_says() -> None:
    own = TTFont(font_folder() / "SourceSansPro-Regular.ttf").getBestCmap()
    for code in range(0x20, 0x2FFF):
        if unicodedata.category(chr(code)) != "Cc":
            assert signs._own()(chr(code)) == (code in own), hex(code)


def test_long_texts_are_cut_with_a_mark_and_stay_whole_elsewhere() -> None:
    document = {"case": {"number": "7" * 20_000, "notes": "n" * 30_000, "units": [46]}}
    told = harmless(document)
    assert told["case"]["number"] == "7" * 64 + "…" and len(told["case"]["notes"]) == 20_001
    assert told["case"]["units"] == [46] and len(document["case"]["number"]) == 20_000


def test_a_line_keeps_to_one_line_and_notes_keep_theirs() -> None:
    told = harmless({"case": {"number": "a\nb\u2028c", "notes": "a\nb\tc"}})
    assert told == {"case": {"number": "a b c", "notes": "a\nb c"}}


def test_no_part_of_an_endless_word_begins_with_a_mark() -> None:
    word = "ก้" * 200
    parts = signs.breakable(word).split("\u200b")
    assert len(parts) > 4 and "".join(parts) == word
    assert not any(unicodedata.combining(part[0]) for part in parts)


@settings(max_examples=60)
@given(st.text(max_size=80))
@example("\u1680\u3000\u2009x")
def test_any_text_is_drawn(tmp_path_factory: pytest.TempPathFactory, text: str) -> None:
    made, _ = typeset(tmp_path_factory.mktemp("any"), text)
    assert made.startswith(b"%PDF")


@settings(max_examples=200)
@given(st.text(st.characters(codec=None), max_size=200))
def test_any_text_becomes_one_that_can_be_written(text: str) -> None:
    """Halves of characters included, of which hypothesis draws some."""
    for told in (shown(text), plain(shown(text))):
        told.encode("utf-8")
        assert not any(unicodedata.category(c) in ("Cc", "Cs", "Co", "Cn") for c in told
                       if c not in f"\n{SUBSTITUTE}")  # fmt: skip


def test_the_pdf_says_nothing_of_suspects(tmp_path: Path) -> None:
    """A boolean where it stands, false where it does not (ISO 32000-1, table 321).

    Poppler's `pdfinfo` calls «false» a wrong type; every offset must hold all the same.
    """
    made, _ = typeset(tmp_path, "sound")
    assert b"/Suspects" not in made and b"/Marked true" in made
    path = tmp_path / "made.pdf"
    path.write_bytes(made)
    with pikepdf.open(path) as pdf:
        assert pdf.check_pdf_syntax() == [] and bool(pdf.Root.MarkInfo.Marked)
    before = b"<</Marked true/Suspects false>> rest"
    assert _without_suspects(before) == b"<</Marked true" + b" " * 15 + b">> rest"
    if shutil.which("pdfinfo"):
        told = subprocess.run(["pdfinfo", str(path)], capture_output=True, text=True, check=True)
        assert told.stderr == ""
