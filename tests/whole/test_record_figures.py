"""Figures of a laboratory on record: verification, repeatability, and who scanned what.

In SQLite and in PostgreSQL, through the real command. Expected values are what the tests put in.
"""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

import made_up_lab
import many_cases
import record_trials as trials
from made_up_lab import Lab
from veneercheck import __version__
from veneercheck.core.types import TriangleMesh
from veneercheck.phantom import verify
from veneercheck.phantom.bodies import concentric_spheres
from veneercheck.record import Register, sha256_of
from veneercheck.record.signing import unsigned
from veneercheck.scan import write_stl


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.long)])
def lab(request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Lab:
    """A laboratory of the test's own."""
    made_up_lab.quick_keys(monkeypatch)
    if request.param == "sqlite":
        return Lab(tmp_path, str(tmp_path / "register.sqlite"))
    server = str(request.getfixturevalue("server"))
    return Lab(tmp_path, trials.new_database(server, f"f{sha256_of(str(tmp_path))[:20]}"))


def test_a_verification_is_filed_dated_versioned_and_signed(
    lab: Lab, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The figures on record are those of the file, which the command wrote beside."""
    monkeypatch.setattr(verify, "known_bodies", verify_bodies)
    lab.staff()
    out = lab.folder / "verified.json"
    lab.did("verify", "--out", str(out), who="TN")
    (found,) = json.loads(lab.did("records", "entries", "verification", "--json"))
    assert found["figures"] == json.loads(out.read_text(encoding="utf-8"))
    assert (found["who"], found["signature"]["by"], found["version"]) == ("TN", "TN", __version__)
    day = found["entered_at_utc"][:10]
    table = lab.did("records", "entries", "verification", "--since", day, "--until", day)
    assert "1 on record" in table and "TN" in table and day in table
    assert "0 on record" in lab.did("records", "entries", "verification", "--until", "2001-01-01")
    assert "0 on record" in lab.did("records", "entries", "verification", "--since", "2999-01-01")
    with Register(lab.place) as register:
        assert list(unsigned(register)) == []


def verify_bodies(edge_mm: float) -> list[verify.KnownBody]:
    """One body is enough to be filed."""
    return [concentric_spheres(4 * edge_mm)]


def test_a_repeatability_is_filed_with_its_scanner(lab: Lab) -> None:
    """Two scans 60 µm apart along z: one seating scatters by 60/√2 = 42 µm."""
    ball = concentric_spheres(0.45).inner
    x, y, _ = (ball.points_mm / 4.0).T
    size = 5.0 * (1.0 + 0.2 * x + 0.15 * x * y + 0.12 * (3.0 * x * x - 1.0) * y)
    points = ball.points_mm / 4.0 * size[:, None]
    places = [lab.folder / f"{number}.stl" for number in (1, 2)]
    for place, up in zip(places, (0.0, 0.06), strict=True):
        write_stl(place, TriangleMesh(points + [0.0, 0.0, up], ball.faces))
    profile = lab.folder / "seated.toml"
    lab.did("repeatability", *map(str, places), "--aligned", "--scanner", "S-1", "--out",
            str(profile), who="AB")  # fmt: skip
    (found,) = json.loads(lab.did("records", "entries", "repeatability", "--json"))
    assert (found["scanner"], found["scans"], found["who"]) == ("S-1", 2, "AB")
    assert found["seating_u_mm"] == pytest.approx(0.06 / 2**0.5, abs=0.003)
    assert found["noise_mm"] < 0.001 and found["distortion_mm"] < 0.003, "the form is the same"
    assert any("seating" in line for line in found["words"])
    assert "S-1" in lab.did("records", "entries", "repeatability")


def test_entries_of_every_kind_are_listed_with_who_signed(lab: Lab) -> None:
    lab.staff()
    lab.did("scanners", "add", "S-1", "--serial", "4711", who="CH")
    kinds = {"person": ["LP", "CH", "TN"], "scanner": ["CH"], "hold": []}
    for kind, who in kinds.items():
        listed = json.loads(lab.did("records", "entries", kind, "--json"))
        assert [one.get("who") or one["initials"] for one in listed] == who
        assert all(one["signature"]["by"] in ("LP", "CH") for one in listed)
    german = lab.did("records", "entries", "scanner", "--lang", "de")
    assert "unterschrieben von" in german and "serial 4711" in german


def test_an_archive_that_is_checked_again_keeps_the_scanners_names(lab: Lab) -> None:
    """The scanner is no part of what is repeated, and yet the new entry names it."""
    lab.did("scanners", "add", "S-1", "--serial", "4711", who="AB")
    scans = lab.folder / "scans"
    pair = many_cases.write_case(scans, "C-000001", 0.9)
    lab.did("check", *map(str, pair), "--unit", "mm", "--aligned", "--scanner", "S-1", "--out",
            str(lab.folder / "first"), "--no-report", "--who", "AB", code=1)  # fmt: skip
    lower = lab.file("lower.toml", 'name = "lower"\n[layer]\nleast_mm = 0.2\n')
    lab.did("batch", str(lab.folder / "first"), "--again", "--out", str(lab.folder / "second"),
            "--no-report", "--processes", "1", "--profile", lower, "--who", "CD")  # fmt: skip
    rows = json.loads(lab.did("records", "find", "--scanner", "S-1", "--json"))
    assert [(row["who"], row["profile"]) for row in rows] == [("AB", "generic"), ("CD", "lower")]
    (standing,) = (lab.folder / "first").rglob("standing.json")
    standing.write_text("{", encoding="utf-8")
    shutil.rmtree(lab.folder / "second")
    told = lab.run("batch", str(lab.folder / "first"), "--again", "--out",
                   str(lab.folder / "third"), "--no-report", "--processes", "1")  # fmt: skip
    assert told.exit_code != 0 and "standing.json" in told.output


def test_a_name_in_a_reason_is_warned_of(tmp_path: Path) -> None:
    """An invented one; a reason in the words of the trade is none."""
    lab = Lab(tmp_path, str(tmp_path / "register.sqlite"))
    lab.made_up("T-1", "findings")
    for why, warned in (("called by Huber Anna", True), ("buccal 46 measured by hand", False)):
        words = ("records", "decide", "T-1", "--what", "remake", "--why", why, "--who", "AB")
        done = lab.run(*words)
        assert done.exit_code == 0 and ("person's name" in done.stderr) == warned
