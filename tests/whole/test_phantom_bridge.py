"""Bridges by code: what is called true of them is true."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from phantom.bridge import BridgeSpec, Phantom, Surface, make_bridge
from phantom.cutback import Cut, cove_depth
from phantom.scanned import Scanner, noisy
from phantom.shapes import onto_surface
from phantom.sheets import height_field
from phantom.surface import triangulate
from veneercheck.core.mesh.nearest import NearestSurface
from veneercheck.core.mesh.triangles import components, unique_edges
from veneercheck.core.types import TriangleMesh

QUIET = Scanner(0.35, 0.35, 0.0, 0.0, hole=False, fragment=False, crop=False)
CROWN = BridgeSpec((36,), base=False, scanner=QUIET, design_edge_mm=0.3)


@pytest.fixture(scope="module")
def crown() -> Phantom:
    return make_bridge(CROWN)


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
    side = np.arange(0, 12, 0.1)
    plate, shape = height_field(lambda x, _: 0 * x, side), (len(side), len(side))
    white = noisy(plate, 0.01, 0.0, rng).points_mm[:, 2].reshape(shape)
    assert white.std() == pytest.approx(0.01, rel=0.05)
    assert abs((white[:-3] * white[3:]).mean()) < 0.1 * 0.01**2
    smooth = [noisy(plate, 0.01, 0.3, rng).points_mm[:, 2].reshape(shape) for _ in range(4)]
    variance = np.mean([(s * s).mean() for s in smooth])
    assert variance == pytest.approx(0.01**2, rel=0.15)
    at_length = np.mean([(s[:-3] * s[3:]).mean() for s in smooth]) / variance
    assert at_length == pytest.approx(np.exp(-0.5), abs=0.06)  # exp(−r²/2ℓ²) at r = ℓ
