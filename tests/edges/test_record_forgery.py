"""Signed entries that are forged, moved, repeated or altered are found; the short form of a trial.

`tests/benchmarks/people_trials.py` is the long form. Everything is found by construction: each try
alters what a signature covers, or what it was given after.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from pathlib import Path

import pytest

import made_up_lab
import people_trials as trials
import record_trials
from made_up_lab import Lab
from veneercheck.record import Register, keys


@pytest.fixture(scope="module", params=["sqlite", "postgresql"])
def lab(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Lab]:
    """A laboratory in which all kinds of entries are on record."""
    place = None
    if request.param == "postgresql":
        place = record_trials.new_database(str(request.getfixturevalue("server")), "forged")
    with pytest.MonkeyPatch.context() as patched:
        made_up_lab.quick_keys(patched)
        yield trials.lived(tmp_path_factory.mktemp("lab"), place)


@pytest.mark.parametrize("way", trials.FORGED)
def test_each_way_of_forging_is_found(lab: Lab, way: str) -> None:
    assert trials.forged(lab, way, random.Random(4), 6) == {"tries": 6, "found": 6}


def test_flipped_bits_are_found_and_no_key_becomes_another(tmp_path: Path) -> None:
    """What opens after a flip is the same key: the flip fell on what is not read."""
    with pytest.MonkeyPatch.context() as patched:
        made_up_lab.quick_keys(patched)
        lab = trials.lived(tmp_path)
        told = trials.flipped_register(lab, random.Random(5), 6)
        assert told == {"places": 6, "found": 6}
        of_keys = trials.flipped_keys(lab, random.Random(6), 60)
    assert of_keys["other"] == 0 and of_keys["refused"] > 30


def test_who_is_killed_while_deciding_leaves_nothing_half(lab: Lab) -> None:
    """What was said is on record, signed and in its folder; the next start finishes or undoes."""
    told = trials.killed_writers(lab, "decisions", random.Random(7), 1)
    assert (told["lost"], told["doubled"], told["faults"], told["locked_out"]) == (0, 0, 0, 0)
    assert told["said"] >= 1


def test_who_is_stopped_while_turning_keys_still_signs(tmp_path: Path) -> None:
    """Stopped before the new key is on record, and once more: the one on record opens and signs;
    an earlier key that lies beside does not."""
    with pytest.MonkeyPatch.context() as patched:
        made_up_lab.quick_keys(patched)
        lab = trials.lived(tmp_path)
        for _ in range(2):
            keys.new_key(lab.keys, "TN", made_up_lab.PHRASE)
            words = ("records", "decide", "T-1", "--what", "remake", "--why", "as ever")
            lab.did(*words, who="TN")
        lab.did("people", "enrol", "TN", "--why", "yearly", who="TN")
        lab.did("records", "decide", "T-1", "--what", "remake", "--why", "by the new", who="TN")
        with Register(lab.place) as register:
            by = [one.body["signature"]["key"] for one in register.entries()
                  if one.body["kind"] == "decision" and one.body["who"] == "TN"]  # fmt: skip
        assert by[-2] != by[-1] == keys.open_key(lab.keys, "TN", made_up_lab.PHRASE).public
        sealed = {path.stat().st_mode & 0o777 for path in lab.keys.glob("TN*.json")}
        assert sealed == {0o600}
