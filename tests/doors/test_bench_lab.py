"""Materials, lots, notes and the die on the bench page; names are warned of as they are typed.

In a real browser; what the case file then holds is what was typed. The names are invented.
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

import browsing
from browsing import chromium
from veneercheck.bench.wish import read_wish, toml_text
from veneercheck.core.errors import ProfileError
from veneercheck.profile import load_case, parse_case
from veneercheck.scan import stl_bytes

LONG_MS = 300_000
"""A busy machine is no fault."""


SAID = {"alloy": "Alloy One", "composite": "Composite Two", "shade": "A3", "notes": "margin dry",
        "lots": {"alloy": "L-1", "opaquer": "", "composite": "X-77"}}  # fmt: skip


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """The page as a user starts it."""
    with browsing.entered(tmp_path_factory.mktemp("bench") / "checks") as opened:
        yield opened


def case_of(bench: Any, number: str) -> Any:
    """The case file of a check; the check itself is not waited for."""
    bench.json("POST", f"/api/checks/{number}/cancel", {})
    return load_case(bench.folder / number / "case.toml")


def test_what_is_said_is_in_the_case_file() -> None:
    """Read back by TOML's own reader and by the case file's; what is empty is left out."""
    wish = read_wish({"number": "D-1", "die": "0" * 24, **SAID})
    assert tomllib.loads(toml_text(wish.case)) == wish.case and wish.die == "0" * 24
    case = parse_case(wish.case).case
    assert (case.alloy, case.composite, case.shade, case.notes) == (
        "Alloy One", "Composite Two", "A3", "margin dry")  # fmt: skip
    assert case.lots == {"alloy": "L-1", "composite": "X-77"}


@pytest.mark.parametrize(
    "said", [{"lots": {"gold": "1"}}, {"lots": "X"}, {"lots": {"alloy": 7}}, {"notes": "x" * 401},
             {"alloy": "a\nb"}, {"die": 7}]
)  # fmt: skip
def test_what_makes_no_sense_is_refused(said: dict[str, Any]) -> None:
    with pytest.raises(ProfileError):
        read_wish(said)


def test_a_check_after_another_keeps_its_die(bench: Any) -> None:
    thin, waxup = browsing.caps(0.9)
    scans = {role: bench.hand_in(mesh, f"{role}.stl")
             for role, mesh in (("framework", thin), ("waxup", waxup), ("die", thin))}  # fmt: skip
    first = bench.json("POST", "/api/checks", {**scans, **SAID, "number": "D-1"})["number"]
    kept = case_of(bench, first)
    assert kept.die is not None and kept.die.read_bytes() == stl_bytes(thin)
    later = {"after": first, "die": "die", "number": "D-1"}
    second = bench.json("POST", "/api/checks", later)["number"]
    again = case_of(bench, second)
    assert again.die is not None and again.die.read_bytes() == stl_bytes(thin)
    assert again.die.parent.parent.name == second
    refused = bench.patient("POST", "/api/checks", json.dumps({**scans, "die": "0" * 24}))
    assert refused[0] == 422


def test_it_is_typed_on_the_page_and_a_name_is_warned_of(bench: Any, tmp_path: Path) -> None:
    from playwright.sync_api import expect

    thin, waxup = browsing.caps(0.9)
    files = {"framework": thin, "waxup": waxup, "die": thin}
    for name, mesh in files.items():
        (tmp_path / f"{name}.stl").write_bytes(stl_bytes(mesh))
    with chromium() as browser:
        context = browser.new_context(locale="en-GB")
        name, _, value = bench.cookie.partition("=")
        context.add_cookies([{"name": name, "value": value, "url": bench.url.split("?")[0]}])
        page = context.new_page()
        page.set_default_timeout(LONG_MS)
        page.goto(f"{bench.url.split('?')[0]}#new")
        page.locator("section[data-view=new] summary").click()
        page.fill("#number", "Huber, Anna")
        page.locator("#number").blur()
        expect(page.locator("#lab-told")).to_contain_text("Huber, Anna", timeout=LONG_MS)
        page.fill("#number", "D-0417")
        page.locator("#number").blur()
        expect(page.locator("#lab-told")).to_have_text("", timeout=LONG_MS)
        for key in ("alloy", "composite", "shade", "notes"):
            page.fill(f"#lab-{key}", str(SAID[key]))
        page.fill("#lot-alloy", "L-1")
        page.fill("#lot-composite", "X-77")
        page.set_input_files("#die-file", tmp_path / "die.stl")
        expect(page.locator("#die-taken")).to_have_text("die.stl", timeout=LONG_MS)
        for role in ("framework", "waxup"):
            page.set_input_files(f"[data-role={role}] input[type=file]", tmp_path / f"{role}.stl")
        expect(page.locator(".slot.full")).to_have_count(2, timeout=LONG_MS)
        page.locator("#start").click()
        page.wait_for_url("**/#check/**")
        number = page.url.rpartition("/")[2]
        kept = case_of(bench, number)
        expect(page.locator("#check-title")).to_have_text("D-0417", timeout=LONG_MS)
    case = kept.case
    assert (case.number, case.alloy, case.composite, case.shade, case.notes) == (
        "D-0417", "Alloy One", "Composite Two", "A3", "margin dry")  # fmt: skip
    assert case.lots == {"alloy": "L-1", "composite": "X-77"}
    assert kept.die is not None and kept.die.read_bytes() == stl_bytes(thin)
