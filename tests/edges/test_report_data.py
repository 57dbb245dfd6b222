"""The filed data: every field, codes, whole files and refusals."""

from __future__ import annotations

import csv
import dataclasses
import json
import math
from datetime import UTC, datetime

import numpy as np
import pytest

from veneercheck.core.divide.anatomy import Surface
from veneercheck.core.errors import RecordError
from veneercheck.core.mesh.triangles import face_areas, vertex_areas, vertex_normals
from veneercheck.core.types import (
    Alignment,
    AlignmentState,
    Case,
    Check,
    Decision,
    Fault,
    FindingKind,
    LayerLimits,
    Limits,
    Outcome,
    Question,
    RayOutcome,
    Region,
    RigidMotion,
    ScanSource,
    SpaceMap,
    Statistics,
    TriangleMesh,
    Verdict,
    Zone,
)
from veneercheck.report import document, fields_page, read_result, result_schema, write_result
from veneercheck.report.space_ply import read_space_ply

GAP_MM = 1.3
OPAQUER_MM = 0.2
NAN = float("nan")


def ball(radius_mm: float, rings: int = 24) -> TriangleMesh:
    """A ball of rings × 2·rings points with a pole at each end."""
    around = 2 * rings
    tilt = np.linspace(0, np.pi, rings + 2)[1:-1, None]
    turn = np.linspace(0, 2 * np.pi, around, endpoint=False)[None]
    points = np.stack(
        np.broadcast_arrays(np.sin(tilt) * np.cos(turn), np.sin(tilt) * np.sin(turn), np.cos(tilt)),
        axis=-1,
    ).reshape(-1, 3)
    at = np.arange(rings * around).reshape(rings, around)
    a, c = at[:-1], at[1:]
    b, d = np.roll(a, -1, 1), np.roll(c, -1, 1)
    top, bottom = len(points), len(points) + 1
    caps = [
        np.stack([np.full(around, top), at[0], np.roll(at[0], -1)], 1),
        np.stack([np.full(around, bottom), np.roll(at[-1], -1), at[-1]], 1),
    ]
    sides = [np.stack(t, -1).reshape(-1, 3) for t in ((a, c, b), (b, c, d))]
    poles = [[0.0, 0, 1], [0, 0, -1]]
    return TriangleMesh(np.vstack([points, poles]) * radius_mm, np.concatenate(sides + caps))


def space_map(**known: np.ndarray) -> SpaceMap:
    """A map whose further readings, which the report does not show, are the space itself."""
    names = [field.name for field in dataclasses.fields(SpaceMap)]
    return SpaceMap(**{name: known.get(name, known["space_mm"]) for name in names})


def outcome_of(failed: bool = False, number: str = "0417-B", notes: str = "") -> Outcome:
    """A ball in a ball: upper half cut, a thin cap on top, one vertex not measured."""
    framework, waxup = ball(4.0), ball(4.0 + GAP_MM)
    height = framework.points_mm[:, 2]
    space = np.where(height > 3.2, 0.7, GAP_MM)
    space[3] = NAN
    region = np.where(height > 0.6, Region.CUT, np.where(height > 0, Region.FINISH_LINE_BAND, 1))
    finding = np.where(height > 3.2, FindingKind.TOO_THIN, FindingKind.NONE)
    area = vertex_areas(framework)
    figures = Statistics(0.5, 0.5, 1.1, 1.0, 1.1, 1.1) if not failed else Statistics(*[NAN] * 6)
    cap = float(area[finding > 0].sum())
    zone = Zone(
        1, FindingKind.TOO_THIN, Decision.FIRM, cap, 0.5, 0.04, (0.0, 0.0, 4.0), "46",
        "occlusal", "take off 0.50 mm", vertices=np.flatnonzero(finding),
    )  # fmt: skip
    space_or_none = space_map(
        space_mm=space,
        layer_mm=space - OPAQUER_MM,
        u_mm=np.where(np.isfinite(space), 0.04, NAN),
        u_judged_mm=np.where(np.isfinite(space), 0.04, NAN),
        area_mm2=area,
        contour_mm=vertex_normals(framework),
        outcome=np.where(np.isfinite(space), RayOutcome.HIT, RayOutcome.MISS),
    )
    fit = Alignment(
        RigidMotion.identity(),
        AlignmentState.FAILED if failed else AlignmentState.TRUSTED,
        NAN if failed else 0.011,
        height < 0,
        100.0,
        0.5,
        np.zeros((6, 6)),
        np.zeros(3),
        NAN if failed else 0.013,
    )
    limits = Limits("demo", LayerLimits(1.0, 2.0), OPAQUER_MM, 0.03, 0.0, 0.8, 0.01, 0.03, 0.25)
    check = Check(
        framework=framework,
        waxup=waxup,
        alignment=fit,
        space=None if failed else space_or_none,
        region=np.asarray(region),
        finding=np.asarray(finding),
        measured_share=NAN if failed else 0.99,
        veneered_area_mm2=NAN if failed else 90.0,
        space_statistics=figures,
        layer_statistics=figures,
        zones=() if failed else (zone,),
        questions=() if failed else (Question("island", 0.4, (0.0, 4.0, 0.0), "not cut?"),),
        verdict=Verdict.UNDECIDED if failed else Verdict.FINDINGS,
        case=Case(number, (45, 46, 47), (46,), "wax", "+z", "-x", notes=notes),
        limits=limits,
        tooth=np.where(height > 0, 46, 0),
        surface=np.where(height > 0, Surface.OCCLUSAL, Surface.NONE),
    )
    scan = ScanSource(
        "framework.stl",
        "0" * 64,
        "mm",
        len(framework.faces),
        float(face_areas(framework).sum()),
        (Fault("hole", 1, "a hole was left open", (0.0, 0.0, -4.0)),),
    )
    return Outcome(check, scan, scan, "0.0.1", datetime(2026, 1, 2, 3, 4, 5, tzinfo=UTC))


@pytest.mark.parametrize("failed", [False, True])
def test_document_fits_its_schema(failed: bool) -> None:
    """The schema is the contract of `result.json`; a strict one refuses an unknown field."""
    import jsonschema

    described = document(outcome_of(failed))
    jsonschema.validate(described, result_schema(), jsonschema.Draft202012Validator)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate({**described, "colour": 1}, result_schema())


def test_every_field_of_the_document_is_described() -> None:
    """The page of fields names every leaf of a real document."""
    page = fields_page()
    zone = document(outcome_of())["zones"][0]
    assert all(f"`zones[].{name}`" in page for name in zone)
    assert "`alignment.u_max_mm`" in page


def test_unknown_is_null_and_never_zero() -> None:
    """Where the alignment failed no number of space may stand (the product's own law)."""
    described = document(outcome_of(failed=True))
    assert {described["layer"][key] for key in described["layer"]} == {None}
    assert described["alignment"]["rms_mm"] is None
    assert described["verdict"] == "undecided"


def test_frame_is_told_as_unit_vectors() -> None:
    """«-x» is the negative first axis, by definition of the case file."""
    frame = document(outcome_of())["case"]["frame"]
    assert frame == {
        "occlusal": [0, 0, 1], "buccal": [-1, 0, 0], "guessed": False, "words": [],
        "sides_known": True, "certainty": 1.0,
    }  # fmt: skip


def test_written_map_comes_back(tmp_path) -> None:
    """Readings survive to float32's own rounding (2⁻²⁴ of 4 mm: 0.24 µm); codes exactly."""
    outcome = outcome_of()
    names = [path.name for path in write_result(tmp_path, outcome)]
    assert names == ["space.ply", "contour.ply", "zones.csv", "result.json"]
    filed, check = read_result(tmp_path), outcome.check
    assert filed.document == json.loads(json.dumps(document(outcome)))
    np.testing.assert_allclose(filed.mesh.points_mm, check.framework.points_mm, atol=2.5e-7)
    np.testing.assert_allclose(filed.layer_mm, check.space.layer_mm, rtol=6e-8)
    assert np.isnan(filed.layer_mm[3]) and np.isnan(filed.u_mm[3])
    np.testing.assert_array_equal(filed.region, check.region)
    np.testing.assert_array_equal(filed.finding, check.finding)
    np.testing.assert_array_equal(filed.tooth, check.tooth)
    np.testing.assert_array_equal(filed.surface, check.surface)
    np.testing.assert_array_equal(filed.zone, check.finding == FindingKind.TOO_THIN)
    np.testing.assert_array_equal(filed.contour.faces, check.waxup.faces)


def test_a_map_from_before_the_zone_was_a_column_is_read(tmp_path) -> None:
    """Such a file ends each vertex two bytes earlier, and its head does not name the column."""
    write_result(tmp_path, outcome_of())
    path = tmp_path / "space.ply"
    head, _, body = path.read_bytes().partition(b"end_header\n")
    lines = [line for line in head.splitlines(keepends=True) if b"zone" not in line]
    now, count = read_result(tmp_path), len(outcome_of().check.framework.points_mm)
    size = (len(body) - 13 * len(now.mesh.faces)) // count
    rows = np.frombuffer(body, np.uint8, count * size).reshape(count, size)[:, :-2]
    older = b"".join(lines) + b"end_header\n" + rows.tobytes() + body[count * size :]
    path.write_bytes(older)
    before = read_result(tmp_path)
    assert before.zone is None
    np.testing.assert_array_equal(before.layer_mm, now.layer_mm)
    np.testing.assert_array_equal(before.finding, now.finding)


def test_another_reader_opens_the_map(tmp_path) -> None:
    """trimesh's own PLY reader is the witness that the file keeps the format."""
    import trimesh

    outcome = outcome_of()
    write_result(tmp_path, outcome)
    seen = trimesh.load(tmp_path / "space.ply", process=False)
    assert len(seen.faces) == len(outcome.check.framework.faces)
    np.testing.assert_allclose(seen.vertices, outcome.check.framework.points_mm, atol=2.5e-7)
    thin = outcome.check.finding == FindingKind.TOO_THIN
    thin[3] = False  # not measured: plaster, though it lies in the thin cap
    lightness = seen.visual.vertex_colors[:, :3].mean(axis=1)
    column = seen.metadata["_ply_raw"]["vertex"]["data"]["zone"]
    np.testing.assert_array_equal(column, outcome.check.finding == FindingKind.TOO_THIN)
    assert lightness[thin].max() < 100 < lightness[~thin].min()


def test_failed_check_leaves_no_map_of_an_earlier_one(tmp_path) -> None:
    """A folder must not hold a map that its result does not stand for."""
    write_result(tmp_path, outcome_of())
    write_result(tmp_path, outcome_of(failed=True))
    assert sorted(path.name for path in tmp_path.iterdir()) == ["result.json", "zones.csv"]
    assert read_result(tmp_path).mesh is None


def test_zones_csv_is_one_row_a_zone(tmp_path) -> None:
    """RFC 4180 through Python's own reader."""
    write_result(tmp_path, outcome_of())
    with (tmp_path / "zones.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [row["finding"] for row in rows] == ["too_thin"]
    assert math.isclose(float(rows[0]["extreme_mm"]), 0.5)
    assert (rows[0]["z_mm"], rows[0]["action"]) == ("4.0", "take off 0.50 mm")


def test_damaged_map_is_refused(tmp_path) -> None:
    """A file that lost its last byte is not whole."""
    write_result(tmp_path, outcome_of())
    path = tmp_path / "space.ply"
    path.write_bytes(path.read_bytes()[:-1])
    with pytest.raises(RecordError, match=r"space\.ply"):
        read_space_ply(path)


@pytest.mark.parametrize("text", [None, "{", "[1]", '{"schema": "something else 1"}'])
def test_what_is_no_result_is_refused(tmp_path, text) -> None:
    """Each wrong folder is named, with what to do next."""
    if text is not None:
        (tmp_path / "result.json").write_text(text, encoding="utf-8")
    with pytest.raises(RecordError, match="veneercheck check --out"):
        read_result(tmp_path)


def test_a_count_is_filed_whole() -> None:
    """Source: «4.0 open rims» would be told of a count that is filed as 4.0."""
    faults = document(outcome_of())["scans"]["framework"]["faults"]
    assert faults and all(isinstance(fault["values"]["count"], int) for fault in faults)
