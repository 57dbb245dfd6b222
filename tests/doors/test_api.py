"""Surfaces in memory: whoever made them, the answer is that of the files they came from."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import trimesh

import veneercheck as vc
from veneercheck.case.meshes import as_mesh
from veneercheck.core.errors import MeshError, RecordError
from veneercheck.report import language_of

READINGS = ("space_mm", "layer_mm", "u_mm", "zone")


def ball(depth_mm: float = 0.0, size_mm: float = 5.0) -> trimesh.Trimesh:
    """A ball, its upper half cut back by a depth, a cap on top by 0.7 mm less."""
    made = trimesh.creation.icosphere(subdivisions=4, radius=1.0)
    way = np.array(made.vertices)
    cut = depth_mm * np.clip((way[:, 2] + 0.1) / 0.15, 0.0, 1.0)
    if depth_mm:
        cut -= 0.7 * np.exp(-((way - [0.0, 0.0, 1.0]) ** 2).sum(axis=1) / 0.05)
    # Source: a file of single precision holds multiples of 2⁻¹⁰ below 2⁶ to the last bit.
    points = np.round(way * (size_mm - cut)[:, None] * 1024) / 1024
    return trimesh.Trimesh(points, made.faces, process=False)


@pytest.fixture(scope="module")
def framework() -> trimesh.Trimesh:
    return ball(1.4)


@pytest.fixture(scope="module")
def waxup() -> trimesh.Trimesh:
    return ball()


@pytest.fixture(scope="module")
def files(
    framework: trimesh.Trimesh, waxup: trimesh.Trimesh, tmp_path_factory: pytest.TempPathFactory
) -> tuple[Path, Path]:
    """The two as STL files, written by trimesh."""
    folder = tmp_path_factory.mktemp("scans")
    places = folder / "framework.stl", folder / "waxup.stl"
    for mesh, place in zip((framework, waxup), places, strict=True):
        mesh.export(place)
    return places


@pytest.fixture(scope="module")
def result(framework: trimesh.Trimesh, waxup: trimesh.Trimesh) -> Any:
    return vc.check_meshes(framework, waxup, aligned=True)


@pytest.fixture(scope="module")
def from_files(files: tuple[Path, Path]) -> Any:
    return vc.check_files(*files, unit="mm", aligned=True)


def test_readings_are_those_of_the_files_on_the_vertices_that_were_given(
    framework: trimesh.Trimesh, files: tuple[Path, Path], result: Any, from_files: Any
) -> None:
    """Source: the file door on the same pair, its vertices found again by their place."""
    at = {
        tuple(place): i for i, place in enumerate(vc.read_scan(files[0], unit="mm").mesh.points_mm)
    }
    same = [at[tuple(place)] for place in framework.vertices]
    assert len(result.vertex) == len(framework.vertices) == len(from_files.vertex)
    np.testing.assert_allclose(result.mesh.points_mm[result.vertex], framework.vertices, atol=1e-12)
    assert len(result.mesh.points_mm) > len(framework.vertices), "the check's own is refined"
    for name in READINGS:
        mine, theirs = getattr(result, name), getattr(from_files, name)[same]
        assert np.isfinite(mine).sum() > 1000
        np.testing.assert_allclose(mine, theirs, atol=1e-4, err_msg=name)
    assert result.verdict is from_files.verdict
    assert [zone.finding for zone in result.zones] == [zone.finding for zone in from_files.zones]


def test_a_path_gives_to_the_last_bit_what_the_files_give(
    files: tuple[Path, Path], from_files: Any
) -> None:
    """By definition: the same bytes are read, with the same noise and remarks."""
    found = vc.check_meshes(
        str(files[0]), vc.read_scan(files[1], unit="mm"), unit="mm", aligned=True
    )
    for name in READINGS:
        np.testing.assert_array_equal(getattr(found, name), getattr(from_files, name))
    assert (found.framework, found.waxup) == (from_files.framework, from_files.waxup)
    assert found.remarks == from_files.remarks


def test_the_cap_left_high_is_a_zone_and_its_vertices_know_it(
    framework: trimesh.Trimesh, result: Any
) -> None:
    """Source: on top 0.7 mm were left of a cut of 1.4 mm: less than any layer asked for."""
    top = int(np.argmax(framework.vertices[:, 2]))
    zone = result.zones[result.zone[top] - 1]
    assert zone.id == result.zone[top] and zone.finding.word == "too_thin"
    assert result.space_mm[top] == pytest.approx(0.7, abs=0.02)
    assert result.zone[int(np.argmin(framework.vertices[:, 2]))] == 0
    assert len(result.actions()) == len(result.zones) > 0
    assert result.actions() == [one.action for one in result.zones]
    assert "mm" in result.actions("de")[0] and result.actions("de")[0] != result.actions()[0]


def test_whatever_calls_vertices_and_triangles_something_is_read(waxup: trimesh.Trimesh) -> None:
    """Source: the attributes that the documentation of each library names, from memory."""
    points, faces = np.array(waxup.vertices), np.array(waxup.faces)
    for thing in (
        waxup,
        (points, faces),
        [points.tolist(), faces.tolist()],
        SimpleNamespace(vertices=points, triangles=faces.astype(np.int32)),  # as open3d
        SimpleNamespace(points=points.astype(np.float32), regular_faces=faces),  # as pyvista
    ):
        read = as_mesh(thing)
        np.testing.assert_allclose(read.points_mm, points, atol=1e-6)
        np.testing.assert_array_equal(read.faces, faces)
        assert not np.shares_memory(read.points_mm, points), "a later change must not reach it"


def test_a_triangle_with_two_corners_at_one_place_is_left_out(
    framework: trimesh.Trimesh, waxup: trimesh.Trimesh, result: Any
) -> None:
    """By definition: it has no area. Thinning leaves such ones; a single one ended the check."""
    points, faces = np.array(framework.vertices), np.array(framework.faces)
    flat = faces[-5][[0, 1, 1]]
    found = vc.check_meshes((points, np.vstack([faces, flat])), waxup, aligned=True)
    assert found.framework.triangles == len(faces)
    for name in READINGS:
        np.testing.assert_array_equal(getattr(found, name), getattr(result, name))


def test_triangles_that_share_no_vertex_are_joined(
    framework: trimesh.Trimesh, waxup: trimesh.Trimesh, result: Any
) -> None:
    """Source: the same surface with its vertices joined; one more vertex belongs to no triangle."""
    loose = np.concatenate([framework.vertices[framework.faces.reshape(-1)], [[9.0, 9.0, 9.0]]])
    corners = np.arange(len(loose) - 1).reshape(-1, 3)
    uncut = loose[:, 2] < -1.0
    found = vc.check_meshes((loose, corners), waxup, aligned=True, reference=uncut)
    assert found.vertex[-1] == -1 and np.isnan(found.layer_mm[-1]) and found.zone[-1] == 0
    np.testing.assert_allclose(
        found.space_mm[:-1], result.space_mm[framework.faces.reshape(-1)], atol=1e-4
    )
    given = found.vertex[:-1]
    assert (found.check.region[given][uncut[:-1]] == vc.Region.UNCUT).all()


def test_die_noise_earlier_and_profile_count_as_for_files(
    framework: trimesh.Trimesh, waxup: trimesh.Trimesh, result: Any
) -> None:
    """Source: a die 2 mm inside leaves of 3.6 to 4.3 mm of metal at most 2.3 mm on the cut."""
    die = ball(0.0, 2.0)
    found = vc.check_meshes(
        framework,
        waxup,
        aligned=True,
        die=die,
        noise_mm=(0.02, 0.02),
        earlier=result,
        limits="generic",
        case=vc.Case(stage="cast"),
    )
    top = found.vertex[int(np.argmax(framework.vertices[:, 2]))]
    assert found.check.space.metal_mm[top] == pytest.approx(2.3, abs=0.02)
    assert "die in memory" in found.remarks[-1].words
    assert np.nanmedian(found.u_mm) > np.nanmedian(result.u_mm)
    assert np.nanmax(np.abs(found.recheck.taken_off_mm)) < 1e-6, "nothing was cut since"
    with pytest.raises(RecordError, match="another wax-up"):
        vc.check_meshes(framework, ball(0.0, 5.5), aligned=True, earlier=result)


def test_what_is_saved_is_read_again(result: Any, tmp_path: Path) -> None:
    kept = result.save(tmp_path / "kept", lang="de")
    assert language_of(kept) == "de" and (kept / "bench.pdf").exists()
    back = vc.read_result(str(kept))
    assert back.document["verdict"] == str(result.verdict)
    np.testing.assert_allclose(back.layer_mm[result.vertex], result.layer_mm, atol=1e-5)
    with pytest.raises(RecordError, match=r"no language «fr».*Known: en, de"):
        result.save(tmp_path / "other", lang="fr")
    assert not (tmp_path / "other").exists()


POINTS = [[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1]]
FACES = [[0, 2, 1], [0, 1, 3], [1, 2, 3], [0, 3, 2]]


class Quads:
    """As pyvista refuses faces of three and four corners."""

    points = POINTS

    @property
    def regular_faces(self) -> None:
        raise ValueError


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        (7, "framework: a «int» is no triangle mesh. Give a TriangleMesh"),
        (trimesh.Scene(), "framework: a «Scene» is no triangle mesh"),
        (trimesh.PointCloud(POINTS), "framework: a «PointCloud» is no triangle mesh"),
        ((POINTS, [[0.5, 1, 2]]), "framework: its triangles are not whole numbers"),
        ((POINTS, [[0, 1, 2, 3]]), r"framework: triangles have shape \(1, 4\)"),
        ((POINTS, [[0, 1, 9]]), "framework: a triangle names a vertex outside"),
        (([[np.nan, 0, 0], *POINTS], FACES), "framework, vertex 0: a coordinate is not"),
        (("a", "b"), "framework: its (vertices|triangles)"),
        ((POINTS, [[0, 1, 2], [3]]), "framework: its vertices and triangles are no arrays"),
        (Quads(), "framework: not all of its faces are triangles. Triangulate it first"),
    ],
)
def test_what_is_no_triangle_mesh_is_refused(wrong: Any, words: str) -> None:
    with pytest.raises(MeshError, match=words):
        vc.check_meshes(wrong, (POINTS, FACES))


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ({"noise_mm": (0.01,)}, "noise_mm: noise is two finite lengths"),
        ({"noise_mm": (-1.0, 0.0)}, "noise_mm: noise is two finite lengths"),
        ({"reference": np.ones(3, bool)}, r"reference: it has shape \(3,\)"),
        ({"reference": np.ones(4)}, "reference: it has shape .* float64"),
        ({"reference": np.zeros(4, bool)}, "reference: it names no vertex"),
        ({"reference": np.full(4, 99)}, "reference: it names no vertex, or a code"),
        ({"die": "none.stl"}, "none.stl: there is no such file"),
        ({"earlier": "none"}, "none.*there is no result to read"),
        ({"limits": "none"}, "none"),
    ],
)
def test_what_else_is_wrong_is_refused(asked: dict[str, Any], words: str) -> None:
    with pytest.raises(vc.VeneerCheckError, match=words):
        vc.check_meshes((POINTS, FACES), (POINTS, FACES), aligned=True, **asked)


def test_the_package_shows_its_names_and_loads_nothing_for_them() -> None:
    assert dir(vc) == sorted(vc.__all__)
    assert all(getattr(vc, name) is not None for name in vc.__all__)
    probe = "import sys, veneercheck; dir(veneercheck); print('numpy' in sys.modules)"
    told = subprocess.run([sys.executable, "-c", probe], capture_output=True, check=True)
    assert told.stdout.strip() == b"False"
