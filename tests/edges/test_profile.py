"""Profiles and case files: what they say is what is judged by; what makes no sense is refused."""

from __future__ import annotations

import re
import textwrap
import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from veneercheck.core.errors import ProfileError
from veneercheck.core.types import FORBIDDEN, LIMITS, PRACTICE, Limits, by_section, unit_way
from veneercheck.profile import (
    TOOTH_CODES,
    built_in,
    load_case,
    load_profile,
    parse_case,
    parse_profile,
    profile_names,
    profile_toml,
)
from veneercheck.profile import __doc__ as chapter
from veneercheck.record.sameness import limits_kept
from veneercheck.report.result import result_schema
from veneercheck.report.words import LANGUAGES, sections

README = Path(__file__).resolve().parents[2] / "README.md"


def test_the_built_in_limits_are_those_of_common_practice() -> None:
    """Common practice, no source: 1.0 to 2.0 mm of layer over 0.2 mm of opaquer."""
    limits = built_in()
    assert (limits.layer.least_mm, limits.layer.greatest_mm) == (1.0, 2.0)
    assert (limits.opaquer_mm, limits.beads_mm, limits.taken_mm) == (0.2, 0.0, 0.2)
    assert limits.finish_line_width_mm == 0.8
    assert PRACTICE in limits.certainty["layer.least_mm"]
    assert set(limits.certainty) >= {"scan.seating_u_mm", "zone.smallest_mm2"}


def test_the_table_holds_every_limit_once() -> None:
    """Each value of the table comes back under its own key, and both languages name it."""
    values = {key: 1.0 + 0.001 * at for at, key in enumerate(LIMITS)}
    limits = parse_profile(by_section(values))
    assert limits.values() == values == Limits.of("x", values).values()
    assert set(by_section(values)) < set(result_schema()["properties"]["profile"]["properties"])
    for lang in LANGUAGES:
        assert set(sections(lang)["limit"]) == set(LIMITS)


def test_a_profile_gives_only_what_differs() -> None:
    limits = parse_profile({"layer": {"least_mm": 1.4}, "allowance": {"beads_mm": 0.2}})
    assert limits.layer.least_mm == 1.4
    assert limits.layer.greatest_mm == built_in().layer.greatest_mm
    assert limits.taken_mm == pytest.approx(0.4)
    assert limits.certainty["layer.least_mm"] == "the laboratory's own"
    assert limits.certainty["layer.greatest_mm"] == built_in().certainty["layer.greatest_mm"]


def test_a_value_that_is_only_repeated_is_not_the_laboratorys_own() -> None:
    """A profile that was written out and changed in one line is its own in that line."""
    written = tomllib.loads(profile_toml(built_in()))
    written["layer"]["least_mm"] = 0.9
    limits = parse_profile(written)
    assert limits.certainty.pop("layer.least_mm") == "the laboratory's own"
    assert limits.certainty.items() <= built_in().certainty.items()


def test_limits_of_one_surface_inherit_what_they_leave_out() -> None:
    limits = parse_profile(
        {"layer": {"greatest_mm": 2.5}, "surface": {"occlusal": {"least_mm": 1.5}}}
    )
    assert limits.surfaces["occlusal"].least_mm == 1.5
    assert limits.surfaces["occlusal"].greatest_mm == 2.5
    assert "buccal" not in limits.surfaces


lengths = st.floats(0.0, 20.0)


@given(
    least=st.floats(0.0, 9.9),
    greatest=st.floats(10.0, 20.0),
    opaquer=lengths,
    beads=lengths,
    width=st.floats(0.001, 20.0),
    name=st.text(st.characters(exclude_categories=["Cs", "Cc"])),
)
def test_a_profile_survives_being_written_and_read(
    *, least: float, greatest: float, opaquer: float, beads: float, width: float, name: str
) -> None:
    limits = parse_profile(
        {
            "name": name,
            "layer": {"least_mm": least, "greatest_mm": greatest},
            "allowance": {"opaquer_mm": opaquer, "beads_mm": beads},
            "finish_line": {"width_mm": width},
            "surface": {"basal": {"least_mm": least / 2}},
        }
    )
    again = parse_profile(tomllib.loads(profile_toml(limits)))
    assert again.name == name
    assert again.layer == limits.layer
    assert again.surfaces == limits.surfaces
    assert (again.opaquer_mm, again.beads_mm) == (opaquer, beads)
    assert again.finish_line_width_mm == width


@pytest.mark.parametrize(
    ("document", "told"),
    [
        ({"leyer": {}}, "unknown key «leyer».*«layer»"),
        ({"layer": {"least": 1}}, "unknown key «least».*«least_mm»"),
        ({"layer": {"least_mm": "1"}}, "not a number"),
        ({"layer": {"least_mm": True}}, "not a number"),
        ({"layer": {"least_mm": -0.1}}, "not between 0 and 20"),
        ({"layer": {"least_mm": 1000}}, "not between 0 and 20.*millimetres"),
        ({"layer": {"least_mm": float("nan")}}, "not between 0 and 20"),
        ({"layer": {"least_mm": 2.0}}, "not below greatest_mm"),
        ({"layer": 1.0}, "not a table"),
        ({"finish_line": {"width_mm": 0}}, "above 0"),
        ({"zone": {"smallest_mm2": 0}}, "above 0"),
        ({"surface": {"top": {}}}, "unknown key «top»"),
        ({"surface": {"buccal": {"least_mm": 3.0}}}, "surface.buccal.*not below"),
        ({"name": 4}, "not text"),
    ],
)
def test_a_senseless_profile_is_refused(document: dict[str, object], told: str) -> None:
    with pytest.raises(ProfileError, match=told):
        parse_profile(document, where="own.toml")


@pytest.mark.parametrize(
    ("document", "told"),
    [
        ({"units": [49]}, "no tooth"),
        ({"units": ["46"]}, "no tooth"),
        ({"units": [46, 46]}, "twice"),
        ({"units": 46}, "not a list"),
        ({"units": [45, 46], "pontics": [47]}, "pontic 47 is not among the units"),
        ({"stage": "plaster"}, "not known.*wax"),
        ({"frame": {"occlusal": "up"}}, "no direction.*[+]x, -x"),
        ({"frame": {"occlusal": [0, 0, 0]}}, "no direction.*wax-up's own frame"),
        ({"frame": {"occlusal": [0, 1]}}, "no direction"),
        ({"frame": {"occlusal": [1, 1, 9], "buccal": [0, 0, -2]}}, "along one axis"),
        ({"frame": {"occlusal": "+z", "buccal": "-z"}}, "along one axis"),
        ({"veneered": {"surfaces": ["top"]}}, "no surface of a tooth"),
        ({"veneered": {"metal_stops": "maybe"}}, "not known.*ask"),
        ({"units": [46], "veneered": {"units": {"46": ["top"]}}}, "no surface"),
        ({"units": [46], "veneered": {"units": {"47": ["basal"]}}}, "«46»"),
        ({"units": [46], "frame": {"teeth": {"45": [1, 2, 3]}}}, "«46»"),
        ({"units": [46], "frame": {"teeth": {"46": [1, 2]}}}, "is not a point"),
        ({"scans": {"framwork": "f.stl"}}, "«framework»"),
        ({"patient": "x"}, "unknown key"),
        ({"allloy": "x"}, "Did you mean «alloy»"),
        ({"colour": "A2"}, "unknown key «colour».*Known: case"),
        ({"lots": {"compsite": "x"}}, "Did you mean «composite»"),
        ({"lots": {"alloy": 7}}, "not text"),
        ({"scanner_checked": "last week"}, "not a date"),
        ({"scanner_checked": 2026}, "not a date"),
    ],
)
def test_a_senseless_case_is_refused(document: dict[str, object], told: str) -> None:
    with pytest.raises(ProfileError, match=told):
        parse_case(document, where="case.toml")


def test_a_case_that_is_no_toml_is_told_its_line_and_what_to_do(tmp_path: Path) -> None:
    path = tmp_path / "case.toml"
    path.write_text('case = "D-1"\nunits = [45\nstage = "wax"\n', encoding="utf-8")
    with pytest.raises(ProfileError, match=r"case.toml.*line 3.*a list in \[ \]"):
        load_case(path)


def test_a_direction_is_an_axis_or_a_vector() -> None:
    found = parse_case({"frame": {"occlusal": [3, 0, 4], "buccal": "-y"}}).case
    assert found.occlusal == (3.0, 0.0, 4.0) and unit_way(found.occlusal) == (0.6, 0.0, 0.8)
    assert unit_way(found.buccal) == (0.0, -1.0, 0.0)
    for said in ("up", (0.0, 0.0, 0.0), (float("nan"), 1.0, 0.0)):
        with pytest.raises(ValueError, match="no direction"):
            unit_way(said)


def test_points_on_teeth_are_read() -> None:
    found = parse_case({"units": [45, 46], "frame": {"teeth": {"46": [1, 2.5, -3]}}})
    assert found.case.tooth_points_mm == {46: (1.0, 2.5, -3.0)}


def test_surfaces_of_single_units_are_read() -> None:
    found = parse_case({"units": [45, 46], "veneered": {"units": {"46": ["occlusal", "basal"]}}})
    assert found.case.veneered_units == {46: ("occlusal", "basal")}


def test_what_was_used_stands_in_the_case(tmp_path: Path) -> None:
    """Materials, their lots and the scanner's last check, as the laboratory wrote them."""
    file = tmp_path / "case.toml"
    file.write_text(
        'alloy = "CoCr"\ncomposite = "paste"\nshade = "A3"\nscanner_checked = 2026-03-31\n'
        '[lots]\ncomposite = "0815"\n',
        encoding="utf-8",
    )
    case = load_case(file).case
    assert (case.alloy, case.composite, case.shade) == ("CoCr", "paste", "A3")
    assert case.lots == {"composite": "0815"}
    assert case.scanner_checked == "2026-03-31"
    assert parse_case({"scanner_checked": "2026-03-31"}).case.scanner_checked == "2026-03-31"


def test_there_are_52_teeth() -> None:
    """ISO 3950 (from memory): 32 permanent teeth and 20 deciduous ones."""
    assert len(TOOTH_CODES) == 52
    assert {11, 18, 48, 51, 85} <= TOOTH_CODES
    assert not {10, 19, 56, 86, 91} & TOOTH_CODES


def test_paths_of_a_case_count_from_its_own_folder(tmp_path: Path) -> None:
    file = tmp_path / "case.toml"
    file.write_text(
        'case = "D-1"\nprofile = "own.toml"\n[scans]\nframework = "a/f.stl"\nwaxup = "w.stl"\n'
        '[veneered]\nmetal_stops = "forbidden"\n',
        encoding="utf-8",
    )
    found = load_case(file)
    assert (found.framework, found.waxup) == (tmp_path / "a" / "f.stl", tmp_path / "w.stl")
    assert found.profile == str(tmp_path / "own.toml")
    assert found.case.number == "D-1"
    assert found.case.metal_stops == FORBIDDEN
    assert parse_case({"profile": "generic"}, folder=tmp_path).profile == "generic"


def test_a_byte_order_mark_does_no_harm(tmp_path: Path) -> None:
    """Some editors put one before the text."""
    file = tmp_path / "own.toml"
    file.write_bytes(b"\xef\xbb\xbf[layer]\nleast_mm = 1.25\n")
    assert load_profile(file).layer.least_mm == 1.25


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b"\xff\xfe\x00", "UTF-8"),
        (b"[layer", "not valid TOML.*profiles show generic"),
        (b"a = " + b"[" * 5000, "not valid TOML"),
    ],
)
def test_a_file_that_is_no_toml_is_refused(tmp_path: Path, content: bytes, told: str) -> None:
    file = tmp_path / "own.toml"
    file.write_bytes(content)
    with pytest.raises(ProfileError, match=told):
        load_profile(file)


def test_what_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ProfileError, match="no such file"):
        load_profile(tmp_path / "none.toml")
    with pytest.raises(ProfileError, match=r"no profile «enamel».*generic"):
        load_profile("enamel")
    with pytest.raises(ProfileError, match=r"cannot be read|permission"):
        load_case(tmp_path)


def test_every_named_profile_loads() -> None:
    assert profile_names()
    for name in profile_names():
        assert load_profile(name).name == name


def indented(text: str) -> list[str]:
    """Blocks that stand four signs in."""
    found = re.findall(r"(?:^(?: {4}.*|)\n)+", text, re.MULTILINE)
    return [textwrap.dedent(block) for block in found if block.strip()]


def test_the_readmes_own_files_are_accepted() -> None:
    """What a reader copies out of README must work."""
    blocks = re.findall(r"```toml\n(.*?)```", README.read_text(encoding="utf-8"), re.DOTALL)
    profile, case = map(tomllib.loads, blocks)
    assert parse_profile(profile).layer.least_mm == 1.2
    assert parse_case(case).case.pontics == (46,)


def test_the_chapters_own_files_are_accepted() -> None:
    """What a reader copies out of the room's docstring must work."""
    profile, case, picked = map(tomllib.loads, indented(chapter or ""))
    assert len(parse_case(picked).case.landmarks_mm) == 3
    limits = parse_profile(profile)
    assert limits.surfaces["occlusal"].least_mm == 1.2
    assert limits.layer == built_in().layer
    assert parse_case(case).case.units == (45, 46, 47)


def test_a_scanner_is_named_and_a_calibration_asked_for() -> None:
    """What is as ever is left out of the record, so that the keys of older checks stay."""
    assert parse_case({"scanner": "S-1"}).scanner == "S-1"
    with pytest.raises(ProfileError, match="not text"):
        parse_case({"scanner": 1})
    asks = parse_profile({"scan": {"calibration": "needed"}})
    assert asks.calibration_needed and not built_in().calibration_needed
    again = parse_profile(tomllib.loads(profile_toml(asks)))
    assert again.calibration_needed and "calibration" not in profile_toml(built_in())
    with pytest.raises(ProfileError, match="not known"):
        parse_profile({"scan": {"calibration": "always"}})
    assert "calibration_needed" in limits_kept(asks)
    assert "calibration_needed" not in limits_kept(built_in())
