"""Wild case files, profiles and lists, the short form of `tests/benchmarks/fuzz_texts.py`.

Expected: read or refused; both must occur, or the reader would be none.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fuzz_texts import CASE, VALUES, run, toml
from veneercheck.bench.wish import read_wish, toml_text
from veneercheck.core.errors import VeneerCheckError
from veneercheck.profile import load_case, parse_case, parse_profile


def test_the_seed_is_sound(tmp_path: Path) -> None:
    (tmp_path / "case.toml").write_text(toml(CASE), "utf-8")
    assert load_case(tmp_path / "case.toml").case.number == "D-0417"


@pytest.mark.parametrize("seed", [1, 2])
def test_wild_files_are_read_or_refused(tmp_path: Path, seed: int) -> None:
    told = run(300, seed, tmp_path)
    for kind in ("case", "profile", "list", "rows"):
        assert told[kind, "read"] + told[kind, "refused"] > 30
        assert told[kind, "refused"] > 0
    assert told["case", "read"] > 0 and told["profile", "read"] > 0 and told["list", "read"] > 0


ANYTHING = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(st.characters(codec=None))
    | st.sampled_from(VALUES),
    lambda inner: st.lists(inner, max_size=3)
    | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=6,
)  # fmt: skip
FIELDS = (
    "framework", "waxup", "after", "number", "units", "pontics", "surfaces", "metal_stops", "stage",
    "profile", "beads_mm", "unit", "lang", "occlusal", "buccal", "teeth", "by_unit", "painted",
)  # fmt: skip


@settings(max_examples=200)
@given(st.dictionaries(st.sampled_from(FIELDS) | st.text(max_size=4), ANYTHING, max_size=5))
def test_any_wish_is_taken_or_refused(data: dict[str, Any]) -> None:
    """What is taken can be written as TOML and encoded: it becomes the case file."""
    try:
        wish = read_wish(data)
    except VeneerCheckError as refusal:
        assert refusal.what
        return
    toml_text(wish.case).encode("utf-8")


@settings(max_examples=150)
@given(st.dictionaries(st.sampled_from(sorted(CASE)) | st.text(max_size=4), ANYTHING, max_size=4))
def test_any_case_is_taken_or_refused(data: dict[str, Any]) -> None:
    try:
        parse_case(data)
    except VeneerCheckError as refusal:
        assert len(str(refusal)) < 2_000


@settings(max_examples=150)
@given(
    st.dictionaries(
        st.sampled_from(["layer", "stage", "surface", "metal", "name", "curing"]),
        st.dictionaries(st.sampled_from(["least_mm", "greatest_mm", "wax", "buccal"]), ANYTHING)
        | ANYTHING,
    )
)
def test_any_profile_is_taken_or_refused(data: dict[str, Any]) -> None:
    try:
        parse_profile(data)
    except VeneerCheckError as refusal:
        assert len(str(refusal)) < 2_000
