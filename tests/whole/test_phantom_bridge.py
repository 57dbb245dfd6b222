"""Bridges by code: what is called true of them is true, and the sample is as planted."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from phantom.bridge import BridgeSpec, Phantom, Surface, make_bridge
from phantom.cutback import Cut, cove_depth
from phantom.sample import make_sample, sample_case_toml, sample_truth
from phantom.scanned import Scanner, noisy
from phantom.shapes import onto_surface
from phantom.surface import triangulate
from veneercheck.core.mesh.nearest import NearestSurface
from veneercheck.core.mesh.rays import RayScene
from veneercheck.core.mesh.triangles import bounding_box, components, unique_edges, vertex_normals
from veneercheck.core.types import TriangleMesh

QUIET = Scanner(0.35, 0.35, 0.0, 0.0, hole=False, fragment=False, crop=False)
CROWN = BridgeSpec((36,), base=False, scanner=QUIET, design_edge_mm=0.3)


@pytest.fixture(scope="module")
def crown() -> Phantom:
    return make_bridge(CROWN)


@pytest.fixture(scope="module")
def sample() -> Phantom:
    return make_sample()


def _volume(mesh: TriangleMesh) -> float:
    a, b, c = (mesh.points_mm[mesh.faces[:, k]] for k in range(3))
    return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6.0)


def test_crown_is_closed_and_faces_outwards(crown: Phantom) -> None:
    """A solid without crop is watertight; its volume by the divergence theorem is positive."""
    for mesh in (crown.framework, crown.waxup):
        edges, _, uses = unique_edges(mesh.faces)
        assert (uses == 2).all()
        assert components(len(mesh.points_mm), edges).max() == 0
        assert _volume(mesh) > 50.0
    assert _volume(crown.framework) < _volume(crown.waxup) - 50.0


def test_the_same_spec_gives_the_same_arrays(crown: Phantom) -> None:
    again = make_bridge(CROWN)
    np.testing.assert_array_equal(again.framework.points_mm, crown.framework.points_mm)
    np.testing.assert_array_equal(again.waxup.faces, crown.waxup.faces)
    other = make_bridge(dataclasses.replace(CROWN, seed=2))
    assert not np.allclose(
        other.waxup_from_framework.matrix(), crown.waxup_from_framework.matrix(), atol=0.1
    )


def test_true_depth_against_a_fine_triangulation(crown: Phantom) -> None:
    """An independent way to the truth: a contour mesh five times finer, and a tree of triangles.

    Its own faceting is below 0.06²/(6·0.3) mm = 2 µm where the contour bends most (fissures).
    """
    low, high = crown.body.box()
    fine = triangulate(crown.body.outer, low, high, 0.06)
    fine = TriangleMesh(onto_surface(crown.body.outer, fine.points_mm), fine.faces)
    chosen = np.flatnonzero(crown.cut)[::5]
    found = NearestSurface(fine).query(crown.clean.points_mm[chosen]).distance_mm
    assert len(chosen) > 100
    off = np.abs(found - crown.depth_mm[chosen])
    assert np.quantile(off, 0.98) < 0.002 and off.max() < 0.004


def test_uncut_surface_lies_on_the_contour(crown: Phantom) -> None:
    points = crown.clean.points_mm
    kept = ~crown.cut & (crown.surface != Surface.FITTING)
    assert kept.sum() > 300
    np.testing.assert_array_equal(crown.depth_mm[kept], 0.0)
    assert np.abs(crown.body.outer(points[kept])).max() < 1e-5
    fitting = crown.surface == Surface.FITTING
    assert fitting.sum() > 300
    assert np.abs(crown.body.cavities(points[fitting])).max() < 1e-3


def test_full_depth_beyond_the_cove(crown: Phantom) -> None:
    deep = crown.cut & (crown.inward_mm > 1.5)
    assert deep.sum() > 100
    assert np.median(crown.depth_mm[deep]) == pytest.approx(CROWN.cut.depth_mm, abs=0.03)
    assert crown.tooth[crown.cut].min() == 36


def test_rays_along_a_flat_cove_keep_within_their_two_bounds() -> None:
    """A quarter ellipse: normals meet its level axis after b to b²/a (b deep, a long)."""
    cut = Cut()
    inward = np.linspace(0.15, cut.cove_mm, 400)
    depth = cove_depth(cut, inward)
    slope = np.gradient(depth, inward)
    ray = (depth * np.hypot(1.0, slope))[2:-2]
    assert cut.depth_mm * 0.99 < ray.min() and ray.max() < cut.depth_mm**2 / cut.cove_mm * 1.01
    # the built-in rule of the finish line: least layer 1.0 mm, reached over 0.8 mm, over 0.2 mm
    band = np.linspace(0.12, 0.8, 50)
    assert (cove_depth(cut, band) - 0.2 - 1.0 * band / 0.8).min() > 0.08
    assert cove_depth(cut, np.array([-1.0, 0.0]))[1] == 0.0


def test_noise_has_the_stated_spread_and_length() -> None:
    rng = np.random.default_rng(5)
    x, y = np.meshgrid(np.arange(0, 12, 0.1), np.arange(0, 12, 0.1), indexing="ij")
    index = np.arange(x.size).reshape(x.shape)
    a, b, c = index[:-1, :-1].ravel(), index[1:, :-1].ravel(), index[:-1, 1:].ravel()
    d = index[1:, 1:].ravel()
    faces = np.concatenate([np.stack([a, b, c], 1), np.stack([b, d, c], 1)])
    plate = TriangleMesh(np.stack([x.ravel(), y.ravel(), 0 * x.ravel()], axis=1), faces)
    white = noisy(plate, 0.01, 0.0, rng).points_mm[:, 2].reshape(x.shape)
    assert white.std() == pytest.approx(0.01, rel=0.05)
    assert abs((white[:-3] * white[3:]).mean()) < 0.1 * 0.01**2
    smooth = [noisy(plate, 0.01, 0.3, rng).points_mm[:, 2].reshape(x.shape) for _ in range(4)]
    variance = np.mean([(s * s).mean() for s in smooth])
    assert variance == pytest.approx(0.01**2, rel=0.15)
    at_length = np.mean([(s[:-3] * s[3:]).mean() for s in smooth]) / variance
    assert at_length == pytest.approx(np.exp(-0.5), abs=0.06)  # exp(−r²/2ℓ²) at r = ℓ


def test_sample_scans_are_two(sample: Phantom) -> None:
    moved = sample.waxup_from_framework.apply(sample.framework.points_mm)
    off = moved - sample.clean.points_mm
    assert np.linalg.norm(off, axis=1).max() < 0.06
    along = np.einsum("ij,ij->i", off, vertex_normals(sample.clean))
    known = sample.tooth > 0
    assert along[known].std() == pytest.approx(0.010, rel=0.05)
    matrix = sample.waxup_from_framework.matrix()
    assert np.degrees(np.arccos((np.trace(matrix[:3, :3]) - 1) / 2)) > 20
    assert np.linalg.norm(matrix[:3, 3]) > 20
    edges, _, uses = unique_edges(sample.framework.faces)
    assert (uses <= 2).all()
    labels = components(len(sample.framework.points_mm), edges)
    assert np.bincount(labels).min() == 6  # the floating crumb, an octahedron
    low = [bounding_box(mesh.points_mm)[0][2] for mesh in (sample.clean, sample.waxup)]
    assert low[0] > low[1] + 0.4  # cropped higher
    stored = 50 * (len(sample.framework.faces) + len(sample.waxup.faces))
    assert stored < 5.9e6


def test_sample_is_sound_away_from_its_faults(sample: Phantom) -> None:
    """Rays of the noise-free framework against the built-in limits, with 0.1 mm to spare."""
    away = np.ones(len(sample.cut), dtype=bool)
    for fault in sample.faults:
        off = np.linalg.norm(sample.clean.points_mm - np.array(fault.centre_mm), axis=1)
        away &= off > 4.0
    sound = sample.cut & away
    beyond = sound & (sample.inward_mm > 0.8)
    assert beyond.sum() > 1500
    assert np.isfinite(sample.space_mm[beyond]).all()
    assert sample.space_mm[beyond].min() > 1.3
    assert np.quantile(sample.space_mm[beyond], 0.999) < 2.1
    band = sound & (sample.inward_mm > 0.15) & (sample.inward_mm <= 0.8)
    least = 0.2 + sample.inward_mm[band] / 0.8
    assert (sample.space_mm[band] - least).min() > 0.05


def test_sample_faults_are_as_planted(sample: Phantom) -> None:
    faults = {fault.kind: fault for fault in sample.faults}
    thin, thick = faults["too_thin"], faults["too_thick"]
    over, stop = faults["over_contour"], faults["metal_stop"]
    assert 0.75 < thin.extreme_mm < 0.95 and thin.area_mm2 > 1.5
    assert 2.35 < thick.extreme_depth_mm < 2.65 and thick.area_mm2 > 1.5
    assert -0.30 < over.extreme_mm < -0.22 and over.area_mm2 > 0.6
    assert 1.5 < stop.area_mm2 < 3.0
    centres = np.array([fault.centre_mm for fault in sample.faults])
    apart = np.linalg.norm(centres[:, None] - centres[None], axis=2)[np.triu_indices(4, 1)]
    assert apart.min() > 4.0
    assert np.abs(sample.body.outer(centres)).max() < 1e-6
    # a fresh way to the over-contour: how far the framework reaches out of the contour's field
    proud = sample.depth_mm < -0.2
    out = NearestSurface(sample.waxup).query(sample.clean.points_mm[proud]).distance_mm
    np.testing.assert_allclose(out, -sample.depth_mm[proud], atol=0.04)


def test_sample_true_space_against_the_noisy_waxup(sample: Phantom) -> None:
    """Rays at the other triangulation, noise and all, agree on the mean to a micrometre or two."""
    deep = np.flatnonzero(sample.cut & (sample.inward_mm > 1.2))
    hits = RayScene(sample.waxup).first_hit(
        sample.clean.points_mm[deep], vertex_normals(sample.clean)[deep]
    )
    off = hits.distance_mm - sample.space_mm[deep]
    assert np.nanmean(off) == pytest.approx(0.0, abs=0.003)


def test_sample_case_and_truth_say_the_same(sample: Phantom) -> None:
    import json
    import tomllib

    case = tomllib.loads(sample_case_toml())
    truth = json.loads(json.dumps(sample_truth(sample), allow_nan=False))
    assert case["units"] == truth["units"] == [45, 46, 47]
    assert case["pontics"] == truth["pontics"] == [46]
    assert [fault["kind"] for fault in truth["faults"]] == [
        "too_thin", "too_thick", "over_contour", "metal_stop",
    ]  # fmt: skip
    assert truth["depth_mm"]["median"] == pytest.approx(1.5, abs=0.06)
    assert 1.4 < truth["space_mm"]["mean"] < 1.5
    buccal = np.array([unit.axes[1] for unit in sample.body.units]).mean(axis=0)
    assert case["frame"]["buccal"] == "+y" and buccal[1] > 0.9
