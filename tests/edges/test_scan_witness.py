"""An independent program writes and reads the same files: trimesh, a test extra only."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import trimesh

from veneercheck.core.types import TriangleMesh
from veneercheck.scan import read_scan, write_stl

FORMATS = ("stl", "stl_ascii", "ply", "ply ascii", "obj", "off", "3mf", "glb")


def exported(mesh, kind: str) -> bytes:
    options = {"encoding": "ascii"} if kind == "ply ascii" else {}
    data = mesh.export(file_type=kind.split(maxsplit=1)[0], **options)
    return data if isinstance(data, bytes) else data.encode("utf-8")


@pytest.mark.parametrize("kind", FORMATS)
def test_files_of_the_witness_are_read(kind: str, tmp_path: Path) -> None:
    """Same number of vertices and triangles, every vertex within 1 µm of its own."""
    ball = trimesh.creation.icosphere(subdivisions=3, radius=7.0)
    true = np.asarray(ball.vertices)
    if kind == "glb":
        ball = ball.copy()
        ball.apply_scale(0.001)  # GLB is in metres
    path = tmp_path / "ball"
    path.write_bytes(exported(ball, kind))
    mesh = read_scan(path).mesh
    assert len(mesh.faces) == len(ball.faces)
    assert len(mesh.points_mm) == len(true)
    gaps = np.linalg.norm(mesh.points_mm[:, None] - true[None], axis=2)
    assert gaps.min(axis=1).max() < 1e-3
    assert len(set(gaps.argmin(axis=1).tolist())) == len(true)
    volume = np.linalg.det(mesh.points_mm[mesh.faces]).sum() / 6
    assert volume == pytest.approx(float(ball.volume) * (1e9 if kind == "glb" else 1), rel=1e-5)


def test_the_witness_reads_what_is_written(tmp_path: Path) -> None:
    ball = trimesh.creation.icosphere(subdivisions=3, radius=7.0)
    path = tmp_path / "ball.stl"
    write_stl(path, TriangleMesh(ball.vertices, ball.faces))
    read = trimesh.load(path)
    assert len(read.vertices) == len(ball.vertices)
    assert read.is_watertight
    assert read.volume == pytest.approx(ball.volume, rel=1e-6)
    np.testing.assert_allclose(read.face_normals, ball.face_normals, atol=1e-5)
