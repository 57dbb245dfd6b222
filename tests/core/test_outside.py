"""From the contour inward: closed forms, what is not metal under it, and cusp tips.

Source: the nearest point of a ball of radius R about the origin lies at |q| − R from q; faceting
after the head of `veneercheck.phantom.bodies`.
"""

from __future__ import annotations

import numpy as np
import pytest

from phantom.sheets import height_field
from veneercheck.core.measure.outside import REACH_MM, FromOutside, look_from_outside
from veneercheck.core.mesh.nearest import WalkableSurface
from veneercheck.core.mesh.rays import RayScene
from veneercheck.core.mesh.triangles import unique_edges, vertex_normals
from veneercheck.core.types import TriangleMesh
from veneercheck.phantom.bodies import concentric_spheres, sphere_in_ellipsoid

EDGE_MM = 0.2


def look(
    contour: TriangleMesh, metal: TriangleMesh, deep_mm: float = 0.0, noise_mm: float = 0.0
) -> FromOutside:
    return look_from_outside(
        contour,
        unique_edges(contour.faces)[0],
        vertex_normals(contour),
        metal=RayScene(metal),
        surface=WalkableSurface(metal),
        deep_mm=deep_mm,
        noise_mm=noise_mm,
    )


def test_nearest_metal_is_the_closed_form() -> None:
    body = sphere_in_ellipsoid(EDGE_MM)
    found = look(body.outer, body.inner)
    true = np.linalg.norm(body.outer.points_mm, axis=1) - 4.0
    assert np.ptp(true) > 0.8
    assert np.abs(found.depth_mm - true).max() < body.faceting_mm
    gap = body.outer.points_mm - body.inner.points_mm[found.foot]
    assert np.abs(np.linalg.norm(gap, axis=1) - true).max() < EDGE_MM


def test_shallow_points_keep_the_length_of_their_ray() -> None:
    """The ray along the ellipsoid's normal is longer than the nearest distance, never shorter."""
    body = sphere_in_ellipsoid(EDGE_MM)
    exact, quick = look(body.outer, body.inner), look(body.outer, body.inner, deep_mm=1.2)
    shallow = quick.depth_mm <= 1.2
    assert 0.1 < shallow.mean() < 0.9
    assert (quick.depth_mm >= exact.depth_mm - 1e-9).all()
    assert (quick.depth_mm - exact.depth_mm)[shallow].max() > 1e-3
    assert quick.depth_mm[~shallow] == pytest.approx(exact.depth_mm[~shallow], abs=1e-9)


def test_metal_standing_out_is_negative_and_none_is_no_number() -> None:
    body = concentric_spheres(EDGE_MM)
    proud = TriangleMesh(body.inner.points_mm * (4.0 / 4.015), body.inner.faces)
    found = look(proud, body.inner)
    assert found.depth_mm == pytest.approx(4.0 / 4.015 * 4.0 - 4.0, abs=body.faceting_mm)
    assert (found.depth_mm < 0).all()
    far = TriangleMesh(body.inner.points_mm * (4.0 + REACH_MM + 0.5) / 4.0, body.inner.faces)
    nothing = look(far, body.inner)
    assert np.isnan(nothing.depth_mm).all()
    assert (nothing.foot == -1).all()


def test_what_was_not_cut_lies_on_the_metal_in_two_noisy_scans() -> None:
    """One ball scanned twice with 15 µm of noise: nowhere is the contour off the metal by more than
    five of the two noises' σ, and nowhere is the metal under it missed."""
    body, rng = concentric_spheres(EDGE_MM), np.random.default_rng(3)
    out = vertex_normals(body.inner)
    scans = [
        TriangleMesh(
            body.inner.points_mm + rng.normal(0.0, 0.015, (len(out), 1)) * out, body.inner.faces
        )
        for _ in range(2)
    ]
    both_mm = 0.015 * np.sqrt(2.0)
    found = look(*scans, noise_mm=both_mm)
    assert np.isfinite(found.depth_mm).all()
    assert np.abs(found.depth_mm).max() < 5.0 * both_mm
    assert not (np.abs(look(*scans).depth_mm) < 5.0 * both_mm).all()  # a ray begins too near


def test_a_neighbour_facing_the_contour_is_no_metal_under_it() -> None:
    """A ball beside the contour lies nearer than the metal under it, but outside."""
    body = concentric_spheres(EDGE_MM)
    beside = body.inner.points_mm * 0.25 + [6.1, 0.0, 0.0]
    metal = TriangleMesh(
        np.concatenate([body.inner.points_mm, beside]),
        np.concatenate([body.inner.faces, body.inner.faces + len(beside)]),
    )
    found = look(body.outer, metal)
    assert found.depth_mm == pytest.approx(1.0, abs=body.faceting_mm)
    assert (found.foot < len(beside)).all()


def test_a_cusp_tip_is_seen_where_no_framework_point_sees_it() -> None:
    """A cone of 35° over a flat plate: its tip is 3 mm above, all plate points lie nearer.

    Source: the nearest distance from the plate's point under the tip is 3·cos of the flank's
    slope, here 3·sin 35° = 1.72 mm.
    """
    height, opening = 3.0, np.radians(35.0)
    turn = np.linspace(0.0, 2.0 * np.pi, 96, endpoint=False)
    out = np.arange(0.0, 4.01, 0.1)
    ring = np.stack([np.outer(out, np.cos(turn)), np.outer(out, np.sin(turn))], axis=-1)
    z = np.broadcast_to(height - out[:, None] / np.tan(opening), ring.shape[:2])
    points = np.concatenate([ring, z[..., None]], axis=-1).reshape(-1, 3)
    i, j = (k.ravel() for k in np.meshgrid(np.arange(len(out) - 1), np.arange(96), indexing="ij"))
    a, b, c, d = i * 96 + j, (i + 1) * 96 + j, (i + 1) * 96 + (j + 1) % 96, i * 96 + (j + 1) % 96
    faces = np.concatenate([np.stack([a, b, c], 1), np.stack([a, c, d], 1)])
    faces = faces[faces[:, 0] >= 96]
    tip_faces = np.stack(
        [np.zeros(96, dtype=int), 96 + np.arange(96), 96 + (np.arange(96) + 1) % 96]
    )
    cone = TriangleMesh(points, np.concatenate([tip_faces.T, faces]))
    found = look(cone, height_field(lambda x, _: 0.0 * x, np.arange(-4.0, 4.01, 0.2)))
    assert found.depth_mm[0] == pytest.approx(height, abs=1e-9)
    under = WalkableSurface(cone).walk(np.zeros((1, 3)), np.array([0]))[0].distance_mm[0]
    assert under == pytest.approx(height * np.sin(opening), rel=0.01)
