"""What a user may say of the alignment: repeated scans, a painted reference, picked places."""

import numpy as np
import pytest
from typer.testing import CliRunner

from phantom.surface import triangulate
from veneercheck.case.order import Order, settle
from veneercheck.case.run import carry_out
from veneercheck.cli.main import app
from veneercheck.core.errors import ProfileError, ScanError
from veneercheck.core.mesh.triangles import vertex_normals
from veneercheck.core.types import TriangleMesh
from veneercheck.profile import load_profile, parse_case
from veneercheck.record.filing import found_whole, make_case_folder
from veneercheck.scan import write_stl


def _lump(points):
    field = np.linalg.norm(points / [6.5, 4.2, 4.0], axis=1) - 1
    field = (
        field + 0.05 * np.sin(points @ [0.9, 0.5, -0.7]) + 0.05 * np.cos(points @ [-0.4, 1.1, 1])
    )
    return 4.0 * field


@pytest.fixture(scope="module")
def lump():
    return triangulate(_lump, np.array([-8.5, -5.7, -5.5]), np.array([8.5, 5.7, 5.5]), 0.5)


def _painted_ply(path, mesh, green):
    colours = np.where(green[:, None], [0, 255, 0], [200, 200, 200])
    head = (
        f"ply\nformat ascii 1.0\nelement vertex {len(mesh.points_mm)}\n"
        "property float x\nproperty float y\nproperty float z\n"
        "property uchar red\nproperty uchar green\nproperty uchar blue\n"
        f"element face {len(mesh.faces)}\nproperty list uchar int vertex_indices\nend_header\n"
    )
    lines = [
        f"{x:.5f} {y:.5f} {z:.5f} {r} {g} {b}"
        for (x, y, z), (r, g, b) in zip(mesh.points_mm, colours, strict=True)
    ]
    lines += [f"3 {a} {b} {c}" for a, b, c in mesh.faces]
    path.write_text(head + "\n".join(lines) + "\n", encoding="ascii")


def test_repeatability_writes_the_seating_into_a_profile(lump, tmp_path):
    # Source: the second scan was shifted by 60 µm along z: 60/√2 = 42 µm for one seating.
    rng = np.random.default_rng(2)
    for name, shift in (("a.stl", 0.0), ("b.stl", 0.06)):
        noise = 0.004 * rng.normal(size=(len(lump.points_mm), 1)) * vertex_normals(lump)
        moved = lump.points_mm + noise + [0.0, 0.0, shift]
        write_stl(tmp_path / name, TriangleMesh(moved, lump.faces))
    words = ["repeatability", str(tmp_path / "a.stl"), str(tmp_path / "b.stl"), "--unit", "mm"]
    plain = CliRunner().invoke(app, words)
    assert plain.exit_code == 0, plain.output
    assert "seating: not told" in plain.output
    own = tmp_path / "own.toml"
    told = CliRunner().invoke(app, [*words, "--aligned", "--out", str(own)])
    assert told.exit_code == 0, told.output
    assert load_profile(own).seating_u_mm == pytest.approx(0.06 / np.sqrt(2), abs=0.003)
    refused = CliRunner().invoke(app, [*words, "--out", str(tmp_path / "none.toml")])
    assert isinstance(refused.exception, ScanError)
    assert not (tmp_path / "none.toml").exists()


def test_a_painted_reference_is_all_the_fit_rests_on(lump, tmp_path):
    # Source: the upper half was cut; of the lower half only what was painted may be used.
    high = np.clip((lump.points_mm[:, 2] - 0.5) / 0.6, 0, 1)
    framework = TriangleMesh(lump.points_mm - high[:, None] * vertex_normals(lump), lump.faces)
    write_stl(tmp_path / "f.stl", framework)
    write_stl(tmp_path / "w.stl", lump)
    _painted_ply(tmp_path / "mask.ply", framework, framework.points_mm[:, 2] < -1.0)
    order = Order(
        tmp_path / "f.stl", tmp_path / "w.stl", unit="mm", reference=tmp_path / "mask.ply"
    )
    alignment = carry_out(order).check.alignment
    used = alignment.reference
    assert used.any()
    assert framework.points_mm[framework.points_mm[:, 2] < -1.0].shape[0] >= used.sum()
    assert alignment.reference_share < 0.45
    free = carry_out(Order(order.framework, order.waxup, unit="mm")).check.alignment
    assert free.reference_share > alignment.reference_share + 0.05


def test_an_unpainted_reference_is_refused(lump, tmp_path):
    for name in ("f.stl", "w.stl"):
        write_stl(tmp_path / name, lump)
    _painted_ply(tmp_path / "mask.ply", lump, np.zeros(len(lump.points_mm), dtype=bool))
    order = Order(
        tmp_path / "f.stl", tmp_path / "w.stl", unit="mm", reference=tmp_path / "mask.ply"
    )
    with pytest.raises(ScanError, match="green"):
        carry_out(order)


def test_paint_named_by_the_case_file_goes_on_record_with_it(lump, tmp_path):
    # By definition: the same scans with paint on them are another check, kept with its paint.
    high = np.clip((lump.points_mm[:, 2] - 0.5) / 0.6, 0, 1)
    framework = TriangleMesh(lump.points_mm - high[:, None] * vertex_normals(lump), lump.faces)
    write_stl(tmp_path / "f.stl", framework)
    write_stl(tmp_path / "w.stl", lump)
    _painted_ply(tmp_path / "mask.ply", framework, framework.points_mm[:, 2] < -1.0)
    scans = '[scans]\nframework = "f.stl"\nwaxup = "w.stl"\n'
    (tmp_path / "plain.toml").write_text(scans, "utf-8")
    (tmp_path / "painted.toml").write_text(f'{scans}painted = "mask.ply"\n', "utf-8")
    plain, painted = (
        settle(Order(case=tmp_path / name, unit="mm")) for name in ("plain.toml", "painted.toml")
    )
    made = make_case_folder(plain, tmp_path / "cases", with_report=False)
    assert found_whole(plain, tmp_path / "cases") and not found_whole(painted, tmp_path / "cases")
    other = make_case_folder(painted, tmp_path / "cases", with_report=False)
    assert other.fresh and other.key != made.key
    assert found_whole(painted, tmp_path / "cases").key == other.key
    assert (other.folder / "scans/painted.ply").read_bytes() == (tmp_path / "mask.ply").read_bytes()


def _pair(framework, waxup):
    return {"framework": framework, "waxup": waxup}


def test_landmarks_of_a_case_are_pairs_that_belong_together():
    # Source: three corners of a triangle, moved by (1, 2, 3); distances stay.
    corners = [[0, 0, 0], [10, 0, 0], [0, 8, 0]]
    pairs = [_pair(one, [one[0] + 1, one[1] + 2, one[2] + 3]) for one in corners]
    assert parse_case({"landmarks": pairs}).case.landmarks_mm[1] == ((10, 0, 0), (11, 2, 3))
    with pytest.raises(ProfileError, match="too few"):
        parse_case({"landmarks": pairs[:2]})
    with pytest.raises(ProfileError, match="mm apart"):
        parse_case({"landmarks": [*pairs[:2], _pair([0, 8, 0], [1, 30, 3])]})
    with pytest.raises(ProfileError, match="no point"):
        parse_case({"landmarks": [*pairs[:2], _pair([0, 8], [1, 10, 3])]})
    in_line = [_pair([k, 1.9 * (k == 5), 0], [k, 1.9 * (k == 5), 0]) for k in (0, 5, 10)]
    with pytest.raises(ProfileError, match=r"framework lie on one line, within 1\.9 mm"):
        parse_case({"landmarks": in_line})
    with pytest.raises(ProfileError, match="21 landmarks"):
        parse_case({"landmarks": pairs * 7})
