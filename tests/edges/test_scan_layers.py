"""Sheets inside a scan and patches that were never merged, on bodies of known make."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from edges.test_scan_condition import fault, plate, scan_of, torus
from veneercheck.core.types import TriangleMesh


def joined(*bodies: TriangleMesh) -> TriangleMesh:
    start = np.cumsum([0, *(len(body.points_mm) for body in bodies)])
    faces = [body.faces + first for body, first in zip(bodies, start, strict=False)]
    return TriangleMesh(np.concatenate([b.points_mm for b in bodies]), np.concatenate(faces))


def part_of(mesh: TriangleMesh, where: np.ndarray) -> TriangleMesh:
    """Triangles whose corners all lie there."""
    faces = mesh.faces[where[mesh.faces].all(axis=1)]
    used, number = np.unique(faces, return_inverse=True)
    return TriangleMesh(mesh.points_mm[used], number.reshape(-1, 3))


def dome(radius: float, *, inward: bool = False) -> TriangleMesh:
    """The upper part of a ball, open below, as a crown or the inside of one is scanned."""
    from trimesh.creation import icosphere

    ball = icosphere(subdivisions=5, radius=radius)
    points, faces = np.asarray(ball.vertices), np.asarray(ball.faces)
    body = TriangleMesh(points, faces[:, ::-1] if inward else faces)
    return part_of(body, points[:, 2] > -0.3 * radius)


def sheet(size: float, at: tuple[float, float, float]) -> TriangleMesh:
    flat = plate(n=30, step=size / 29)
    turned = flat.points_mm[:, [2, 0, 1]] - [0.0, size / 2, size / 2]
    return TriangleMesh(turned + np.array(at), flat.faces)


@pytest.mark.parametrize("open_below", [False, True])
def test_a_sheet_inside_the_body_is_left_out(tmp_path: Path, open_below: bool) -> None:
    """Source: its area by construction; a ray meets it before the contour."""
    body = dome(6.0) if open_below else torus(n=100)
    inside = sheet(3.0, (0.0, 0.0, 2.0) if open_below else (8.0, 0.0, 0.0))
    scan = scan_of(joined(body, inside), tmp_path)
    found = fault(scan, "inner_sheets")
    assert found is not None and found.count == 1
    assert found.values["lost"] == pytest.approx(9.0, rel=1e-3)
    assert len(scan.mesh.faces) == len(body.faces)


def test_what_is_seen_from_one_side_at_least_is_kept(tmp_path: Path) -> None:
    """Source: all triangles put in; a crown's inside, a wall half within another tooth, a sheet
    that stands out, one in the hollow of a crown."""
    inside = dome(5.0, inward=True)
    neighbour = TriangleMesh(dome(6.0).points_mm + [9.0, 0.0, 0.0], dome(6.0).faces)
    out = sheet(6.0, (0.0, 0.0, 6.0))
    in_the_hollow = joined(inside, sheet(2.5, (0.0, 0.0, 2.0)))
    for more in (inside, neighbour, out, in_the_hollow):
        scan = scan_of(joined(dome(6.0), more), tmp_path)
        assert fault(scan, "inner_sheets") is None
        assert len(scan.mesh.faces) == len(dome(6.0).faces) + len(more.faces)


@pytest.mark.parametrize(("hole_mm", "patch_mm"), [(1.0, 2.0), (1.3, 2.6), (1.8, 2.9)])
def test_a_patch_that_covers_a_hole_from_below_is_kept(
    tmp_path: Path, hole_mm: float, patch_mm: float
) -> None:
    """Source: all triangles put in; it is the only surface there, though its rim lies below."""
    body, under = dome(6.0), dome(5.95)
    aside = np.linalg.norm(body.points_mm - [3.6, 0.0, 4.8], axis=1)
    below = np.linalg.norm(under.points_mm - [3.57, 0.0, 4.76], axis=1)
    pieces = part_of(body, aside > hole_mm), part_of(under, below < patch_mm)
    scan = scan_of(joined(*pieces), tmp_path)
    assert fault(scan, "inner_sheets") is None
    assert len(scan.mesh.faces) == sum(len(piece.faces) for piece in pieces)


@pytest.mark.parametrize(("apart_mm", "told"), [(0.05, True), (0.01, False)])
def test_patches_that_lie_twice_are_told(tmp_path: Path, apart_mm: float, told: bool) -> None:
    """Source: area and distance by construction, a dome and half of a larger one over it."""
    whole, larger = dome(6.0), dome(6.0 + apart_mm)
    half = part_of(larger, larger.points_mm[:, 0] < 0.0)
    found = fault(scan_of(joined(whole, half), tmp_path), "doubled")
    assert (found is not None) == told
    if found is not None:
        assert found.values["apart"] == pytest.approx(apart_mm, abs=1e-3)
        assert found.values["area"] == pytest.approx(0.5 * 2 * np.pi * 6.0 * 7.8, rel=0.07)


def test_the_two_sides_of_a_thin_wall_are_no_patches(tmp_path: Path) -> None:
    """Source: by construction, a plate and its reverse 0.1 mm below."""
    flat = plate(n=80)
    below = TriangleMesh(flat.points_mm - [0.0, 0.0, 0.1], flat.faces[:, ::-1])
    assert fault(scan_of(joined(flat, below), tmp_path), "doubled") is None


def test_parts_as_far_apart_as_a_scan_may_be_are_read(tmp_path: Path) -> None:
    """Source: the two parts put in; cells of the space between are too many to be numbered."""
    here, there = (
        TriangleMesh(dome(6.0).points_mm + side * 9e5, dome(6.0).faces) for side in (-1, 1)
    )
    scan = scan_of(joined(here, there), tmp_path, unit="mm")
    assert fault(scan, "loose_parts") is not None and fault(scan, "doubled") is None
