"""What is counted is what is found, by each question, in SQLite and in PostgreSQL.

The expected checks are looked up in the bodies of the entries themselves, one by one.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

import find_trials
import record_trials as trials
from veneercheck.record import Entry, Register, canonical, finding, sha256_of
from veneercheck.record.finding import Wanted, count, find
from veneercheck.record.register import standing


@pytest.fixture(scope="module", params=["sqlite", "postgresql"])
def register(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Register]:
    """Eighty checks, each second one decided; some decisions taken back, some decided anew."""
    place = str(tmp_path_factory.mktemp("counts") / "register.sqlite")
    if request.param == "postgresql":
        place = trials.new_database(str(request.getfixturevalue("server")), "counts")
    with Register(place, lasting=False) as opened:
        opened.take_over(find_trials.made_up(80), at_once=200)
        decided = [one for one in opened.entries() if one.body["kind"] == "decision"]
        for number, one in enumerate(decided[::4]):
            back = {**one.body, "what": "taken back", "takes_back": one.key}
            opened.append(sha256_of(canonical(back)), back)
            if number % 2:
                anew = {**one.body, "what": "remake", "why": f"anew {number}"}
                opened.append(sha256_of(canonical(anew)), anew)
        yield opened


def case(body: dict[str, Any], name: str) -> Any:
    """Something of the case of a check."""
    return body["result"]["case"][name]


Fits = Callable[[dict[str, Any], list[Entry]], bool]
QUESTIONS: dict[str, tuple[Wanted, Fits]] = {
    "everything": (Wanted(), lambda _, __: True),
    "a unit": (Wanted(unit="46"), lambda b, _: 46 in case(b, "units")),
    "findings": (Wanted(verdict="findings"), lambda b, _: b["result"]["verdict"] == "findings"),
    "alloy and stage": (
        Wanted(alloy="Alloy 3", stage="cast"),
        lambda b, _: case(b, "alloy") == "alloy 3" and case(b, "stage") == "cast",
    ),
    "words": (Wanted(words="ling marg"), lambda b, _: "lingual" in case(b, "notes")),
    "undecided": (Wanted(undecided=True), lambda b, _: b["result"]["verdict"] == "undecided"),
    "who": (
        Wanted(who="QA"),
        lambda b, d: b["who"] == "QA" or any(one.body["who"] == "QA" for one in d),
    ),
    "not decided": (Wanted(not_decided=True), lambda _, d: not standing(d)),
    "remade": (
        Wanted(decision="remake"),
        lambda _, d: bool(standing(d)) and standing(d)[-1].body["what"] == "remake",
    ),
    "by limits never on record": (Wanted(limits="not on record"), lambda _, __: True),
}


@pytest.mark.parametrize("most", [3, 2000])
@pytest.mark.parametrize("name", QUESTIONS)
def test_what_is_counted_is_what_is_found(
    register: Register, name: str, most: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By both ways of asking, of few marks and of many."""
    monkeypatch.setattr(finding, "_MANY", most)
    wanted, fits = QUESTIONS[name]
    checks = [one for one in register.entries() if one.body["kind"] == "check"]
    expected = [c.seq for c in checks if fits(dict(c.body), register.decisions_on(c.key))]
    assert [one.seq for one in find(register, wanted)] == expected
    assert count(register, wanted) == len(expected) > 0
    newest = find(register, wanted, limit=5, newest=True)
    assert [one.seq for one in newest] == expected[::-1][:5]


def test_an_empty_register_has_nothing_to_count(tmp_path: Path) -> None:
    """No check, no count."""
    with Register(tmp_path / "empty.sqlite") as opened:
        assert count(opened, Wanted(not_decided=True)) == 0
        assert find(opened, Wanted(not_decided=True)) == []
