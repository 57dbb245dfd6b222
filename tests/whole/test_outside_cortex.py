"""Two real surfaces nobody here made, and a published map of the distance between them.

Source: fsaverage5 (FreeSurfer's average cortex), as carried by the `nilearn` package: white and
pial surface of each hemisphere, 1 to 4 mm apart, and a thickness at every vertex, which FreeSurfer
takes as the mean of the closest distances both ways (Fischl and Dale 2000, from memory).
"""

from __future__ import annotations

import gzip
import io
import json
from pathlib import Path

import numpy as np
import pytest
from scipy.spatial import cKDTree

from program import run
from veneercheck.core.mesh.nearest import NearestSurface
from veneercheck.core.mesh.triangles import select_faces
from veneercheck.core.types import Floats, TriangleMesh
from veneercheck.report import read_result
from veneercheck.scan import write_stl

MEAN_TOLERANCE_MM = 0.01
"""The published map was worked out on surfaces of full density, ours on the reduced ones."""


BLOCK_TOLERANCE_MM = 0.1
"""Rays give the mean of the whole cortex within 0.06 mm; a block holds fewer folds to average."""


ROUNDED_MM = 0.08
"""These facets are 3 mm large and meet at angles that no scan shows: denoising rounds the ridges
between them by up to 0.07 mm (measured)."""


def arrays(name: str) -> list[np.ndarray]:
    """The arrays of one GIFTI file of the package."""
    import nibabel
    import nilearn

    file = Path(nilearn.__file__).parent / "datasets" / "data" / "fsaverage5" / f"{name}.gii.gz"
    holder = nibabel.FileHolder(fileobj=io.BytesIO(gzip.decompress(file.read_bytes())))
    image = nibabel.GiftiImage.from_file_map({"header": holder, "image": holder})
    return [array.data for array in image.darrays]


def surface(name: str) -> TriangleMesh:
    points, faces = arrays(name)
    return TriangleMesh(points.astype(float), faces.astype(int))


@pytest.mark.parametrize("side", ["left", "right"])
def test_nearest_distances_both_ways_reproduce_the_published_thickness(side: str) -> None:
    white, pial = surface(f"white_{side}"), surface(f"pial_{side}")
    outward = NearestSurface(pial).query(white.points_mm).distance_mm
    inward = NearestSurface(white).query(pial.points_mm).distance_mm
    published = arrays(f"thick_{side}")[0].astype(float)
    cortex = published > 0  # none is given where the hemispheres are joined
    found = 0.5 * (outward + inward)[cortex]
    assert found.mean() == pytest.approx(published[cortex].mean(), abs=MEAN_TOLERANCE_MM)
    assert np.corrcoef(found, published[cortex])[0, 1] >= 0.9


def block(whole: TriangleMesh, centre: Floats, radius_mm: float) -> tuple[TriangleMesh, np.ndarray]:
    near = np.linalg.norm(whole.points_mm - centre, axis=1) <= radius_mm
    return select_faces(whole, near[whole.faces].all(axis=1))


@pytest.fixture(scope="module")
def checked(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, np.ndarray, np.ndarray]:
    """A block of cortex about as large as two units, through the real command line."""
    folder = tmp_path_factory.mktemp("cortex")
    white, pial = surface("white_left"), surface("pial_left")
    centre = white.points_mm[np.argmin(white.points_mm[:, 0])]  # the outermost point of the side
    inner, kept = block(white, centre, 16.8)
    write_stl(folder / "white.stl", inner)
    write_stl(folder / "pial.stl", block(pial, centre, 23.0)[0])
    words = ("--aligned", "--unit", "mm", "--no-report", "--out", "out")
    ended = run("check", "white.stl", "pial.stl", *words, folder=folder)
    assert ended.code in (0, 1, 4), ended.told
    return folder / "out", white.points_mm[kept], arrays("thick_left")[0][kept].astype(float)


def test_the_check_runs_on_white_against_pial(
    checked: tuple[Path, np.ndarray, np.ndarray],
) -> None:
    out, _, _ = checked
    result = json.loads((out / "result.json").read_text(encoding="utf-8"))
    assert result["alignment"]["state"] == "given"
    assert result["space"]["measured_share"] > 0.9
    assert result["scans"]["framework"]["unit"] == "mm"


def test_its_readings_follow_the_published_thickness(
    checked: tuple[Path, np.ndarray, np.ndarray],
) -> None:
    out, points, published = checked
    filed = read_result(out)
    assert filed.mesh is not None
    assert filed.space_mm is not None
    assert filed.nearest_mm is not None
    gap, at = cKDTree(filed.mesh.points_mm).query(points)
    known = (gap < 1e-3) & (published > 0) & np.isfinite(filed.space_mm[at])
    assert known.sum() > 150
    assert known.mean() > 0.9
    ray, map_mm = filed.space_mm[at][known], published[known]
    assert ray.mean() == pytest.approx(map_mm.mean(), abs=BLOCK_TOLERANCE_MM)
    assert np.median(np.abs(ray - map_mm)) < 0.3
    assert np.corrcoef(ray, map_mm)[0, 1] >= 0.5


def test_no_ray_is_shorter_than_the_nearest_distance(
    checked: tuple[Path, np.ndarray, np.ndarray],
) -> None:
    """A law of geometry, but for what denoising takes off the ridges between facets."""
    filed = read_result(checked[0])
    assert filed.mesh is not None
    assert filed.space_mm is not None
    asked = np.flatnonzero(filed.space_mm > 0)[::20]
    nearest = NearestSurface(surface("pial_left")).query(filed.mesh.points_mm[asked]).distance_mm
    assert (filed.space_mm[asked] >= nearest - ROUNDED_MM).all()
    assert len(asked) > 1000
