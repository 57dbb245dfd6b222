"""What the conditioning finds on bodies whose faults were put there by hand."""

from __future__ import annotations

import itertools
from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from veneercheck.core.mesh.densify import refine
from veneercheck.core.types import Fault, Floats, Ints, TriangleMesh
from veneercheck.report.words import Words
from veneercheck.scan import (
    Scan,
    crossings,
    estimate_noise_mm,
    flat,
    merge,
    read_scan,
    self_crossings,
    surface,
    write_stl,
)
from veneercheck.scan.limits import ReadCaps
from veneercheck.scan.merge import merge_equal
from veneercheck.scan.polygons import triangles_of
from veneercheck.scan.shape import shape_of
from veneercheck.scan.topology import sides_of

RNG = np.random.default_rng(20_260)


def torus(n: int = 120, big: float = 8.0, small: float = 3.0, noise: float = 0.0) -> TriangleMesh:
    u, v = (k.reshape(-1) for k in np.meshgrid(np.arange(n), np.arange(n), indexing="ij"))

    def at(i: Ints, j: Ints) -> Ints:
        return (i % n) * n + j % n

    quads = (at(u, v), at(u + 1, v), at(u + 1, v + 1), at(u, v + 1))
    faces = np.stack([np.stack(quads[:3], 1), np.stack((quads[0], *quads[2:]), 1)], axis=1)
    a, b = 2 * np.pi * u / n, 2 * np.pi * v / n
    radius = small + noise * np.random.default_rng(5).standard_normal(len(u))
    ring = big + radius * np.cos(b)
    points = np.stack([ring * np.cos(a), ring * np.sin(a), radius * np.sin(b)], axis=1)
    return TriangleMesh(points, faces.reshape(-1, 3))


def plate(n: int = 80, step: float = 0.125, noise: float = 0.0) -> TriangleMesh:
    u, v = (k.reshape(-1) for k in np.meshgrid(np.arange(n - 1), np.arange(n - 1), indexing="ij"))
    a, b, c, d = u * n + v, (u + 1) * n + v, (u + 1) * n + v + 1, u * n + v + 1
    faces = np.stack([np.stack([a, b, c], 1), np.stack([a, c, d], 1)], axis=1).reshape(-1, 3)
    x, y = (k.reshape(-1) * step for k in np.meshgrid(np.arange(n), np.arange(n), indexing="ij"))
    height = noise * np.random.default_rng(6).standard_normal(len(x))
    return TriangleMesh(np.stack([x, y, height], axis=1), faces)


def scan_of(mesh: TriangleMesh, folder: Path, **options: str) -> Scan:
    path = folder / "body.stl"
    write_stl(path, mesh)
    return read_scan(path, **options)


def fault(scan: Scan, kind: str) -> Fault | None:
    """The fault of a kind; each has its German, which its values fill."""
    for one in scan.source.faults:
        assert Words("de").told(one.code or one.kind, one.values, one.words) != one.words
    return next((one for one in scan.source.faults if one.kind == kind), None)


def test_a_clean_scan_has_nothing_told_but_its_unit(tmp_path: Path) -> None:
    scan = scan_of(torus(noise=0.005), tmp_path)
    assert [one.kind for one in scan.source.faults] == ["unit_judged"]
    assert scan.filled is None
    # Pappus: a torus has the area 4π²·R·r
    assert scan.source.area_mm2 == pytest.approx(4 * np.pi**2 * 8 * 3, rel=5e-3)


@pytest.mark.parametrize("noise", [0.003, 0.01, 0.03])
@pytest.mark.parametrize("body", [torus, plate])
def test_noise_put_in_comes_back(body, noise: float) -> None:
    assert estimate_noise_mm(body(noise=noise)) == pytest.approx(noise, rel=0.1)


def test_a_smooth_surface_has_almost_no_noise() -> None:
    # what is left is the fourth order of the surface over rings of sides up to 0.6 mm
    assert estimate_noise_mm(torus()) < 0.0012
    assert estimate_noise_mm(torus(n=240)) < 0.00015
    assert estimate_noise_mm(plate()) < 1e-9


def test_noise_does_not_depend_on_pose_and_numbering() -> None:
    mesh = torus(noise=0.01)
    order = RNG.permutation(len(mesh.points_mm))
    place = np.argsort(order)
    turn = np.linalg.qr(RNG.standard_normal((3, 3)))[0]
    moved = TriangleMesh(mesh.points_mm[order] @ turn.T + [30, -20, 10], place[mesh.faces])
    assert estimate_noise_mm(moved) == pytest.approx(estimate_noise_mm(mesh), rel=0.05)


def with_hole(mesh: TriangleMesh, centre: np.ndarray, radius: float) -> TriangleMesh:
    """Without the triangles of all points nearer than that."""
    away = np.linalg.norm(mesh.points_mm - centre, axis=1) > radius
    return TriangleMesh(mesh.points_mm, mesh.faces[away[mesh.faces].all(axis=1)])


def test_hole_has_its_place_and_length(tmp_path: Path) -> None:
    centre = np.array([11.0, 0.0, 0.0])
    mesh = with_hole(torus(), centre, 0.8)
    scan = scan_of(mesh, tmp_path)
    hole = fault(scan, "holes")
    assert hole is not None
    assert hole.count == 1
    assert hole.centre_mm == pytest.approx(centre, abs=0.2)
    # the sides that occur once, counted one by one
    pairs = [frozenset((f[k], f[k - 1])) for f in mesh.faces.tolist() for k in range(3)]
    rim = [tuple(pair) for pair, times in Counter(pairs).items() if times == 1]
    length = sum(float(np.linalg.norm(mesh.points_mm[a] - mesh.points_mm[b])) for a, b in rim)
    assert f"longest {length:.1f} mm" in hole.words


def fan_over_hole(mesh: TriangleMesh) -> TriangleMesh:
    """Cover the only hole as scanners do: long triangles from rim to one point."""
    sides = sides_of(mesh)
    start, end = sides.start[sides.border], sides.end[sides.border]
    middle = mesh.points_mm[start].mean(axis=0)
    faces = np.stack([end, start, np.full(len(start), len(mesh.points_mm))], axis=1)
    return TriangleMesh(
        np.concatenate([mesh.points_mm, [middle]]), np.concatenate([mesh.faces, faces])
    )


def test_filled_area_is_marked_and_only_that(tmp_path: Path) -> None:
    centre = np.array([11.0, 0.0, 0.0])
    mesh = fan_over_hole(with_hole(torus(n=160, noise=0.005), centre, 1.2))
    scan = scan_of(mesh, tmp_path)
    filled = fault(scan, "filled_areas")
    assert filled is not None
    assert filled.count == 1
    assert scan.filled is not None
    gap = np.linalg.norm(scan.mesh.points_mm - centre, axis=1)
    assert gap[scan.filled].max() < 1.6
    assert scan.filled[gap < 0.7].all()
    assert fault(scan, "holes") is None


def test_a_filling_is_found_beside_a_coarser_strip_far_from_it(tmp_path: Path) -> None:
    """Source: the one hole that was covered; scanners take gum more coarsely than teeth."""
    centre = np.array([11.0, 0.0, 0.0])
    tooth = fan_over_hole(with_hole(torus(n=160, noise=0.005), centre, 1.2))
    strip = plate(n=26, step=0.45)
    both = TriangleMesh(
        np.concatenate([tooth.points_mm, strip.points_mm + [20.0, -5.0, 0.0]]),
        np.concatenate([tooth.faces, strip.faces + len(tooth.points_mm)]),
    )
    found = fault(scan_of(both, tmp_path), "filled_areas")
    assert found is not None and found.count == 1


def flattened(
    mesh: TriangleMesh, centre: Floats, radius: float, noise: float = 0.0
) -> TriangleMesh:
    """A spot in one plane, but for what a scan of it would add."""
    points = mesh.points_mm.copy()
    spot = np.linalg.norm(points - centre, axis=1) < radius
    middle = points[spot].mean(axis=0)
    way = np.linalg.svd(points[spot] - middle)[2][2]
    points[spot] -= ((points[spot] - middle) @ way)[:, None] * way
    points[spot] += noise * np.random.default_rng(8).standard_normal((spot.sum(), 1)) * way
    return TriangleMesh(points, mesh.faces)


SIDE = np.array([11.0, 0.0, 0.0])


@pytest.mark.parametrize("radius", [0.4, 1.2])
@pytest.mark.parametrize("noise", [0.005, 0.02])
def test_a_hole_filled_flat_is_marked_though_its_triangles_are_fine(
    tmp_path: Path, radius: float, noise: float
) -> None:
    """Source: where the scan was put into a plane; no scanner measures without noise."""
    scan = scan_of(flattened(torus(n=240, noise=noise), SIDE, radius), tmp_path)
    told = fault(scan, "filled_flat")
    assert told is not None and told.count == 1 and scan.filled is not None
    assert 0.5 * np.pi * radius**2 < told.values["area"] < np.pi * radius**2
    gap = np.linalg.norm(scan.mesh.points_mm - SIDE, axis=1)
    assert gap[scan.filled].max() < radius and scan.filled[gap < 0.6 * radius].all()


def test_a_flat_spot_that_was_measured_is_not_taken_for_filled(tmp_path: Path) -> None:
    """A facet that a hand cut, or a stop ground flat, bears the noise of the scan."""
    cut = flattened(torus(n=240, noise=0.01), SIDE, 1.2, noise=0.01)
    assert scan_of(cut, tmp_path).filled is None


def test_a_flat_spot_of_a_drawn_surface_is_not_taken_for_filled(tmp_path: Path) -> None:
    """No noise, but detail that a coarse mesh cannot show: in a torus here more, there less; nor
    is what a program left of noise, were it as even, any scanner's."""
    drawn = flattened(torus(n=50, small=1.5), np.array([9.5, 0.0, 0.0]), 1.5)
    assert estimate_noise_mm(drawn) > 0.002
    assert scan_of(drawn, tmp_path).filled is None
    assert scan_of(flattened(torus(n=240, noise=5e-4), SIDE, 1.2), tmp_path).filled is None


def test_what_is_flat_all_over_is_not_taken_for_filled(tmp_path: Path) -> None:
    """By construction: facets are a fifth of it, so it was drawn."""
    body = plate(n=120, noise=0.01)
    for x, y in itertools.product(np.arange(1.5, 14.0, 3.0), repeat=2):
        body = flattened(body, np.array([x, y, 0.0]), 0.8)
    assert scan_of(body, tmp_path).filled is None


def closed_below(top: TriangleMesh, rows: int, slant: float = 1.0) -> TriangleMesh:
    """A scan closed as programs do: walls down from its rim, in so many rows, and a flat base."""
    sides = sides_of(top)
    rim = dict(
        zip(sides.start[sides.border].tolist(), sides.end[sides.border].tolist(), strict=True)
    )
    loop = [next(iter(rim))]
    while rim[loop[-1]] != loop[0]:
        loop.append(rim[loop[-1]])
    edge = top.points_mm[loop]
    middle = edge.mean(axis=0) - [0.0, 0.0, 4.0]
    foot = middle + np.c_[slant * (edge - middle)[:, :2], np.zeros(len(edge))]
    rings = [edge + (foot - edge) * step / rows for step in range(1, rows + 1)]
    count, first = len(loop), len(top.points_mm)
    own = [np.array(loop), *(first + count * step + np.arange(count) for step in range(rows))]
    faces = [top.faces]
    for upper, lower in itertools.pairwise(own):
        beyond, below = np.roll(upper, -1), np.roll(lower, -1)
        faces += [np.c_[beyond, upper, lower], np.c_[beyond, lower, below]]
    hub = np.full(count, first + count * rows)
    faces.append(np.c_[np.roll(own[-1], -1), own[-1], hub])
    return TriangleMesh(np.concatenate([top.points_mm, *rings, [middle]]), np.concatenate(faces))


@pytest.mark.parametrize(("rows", "slant"), [(1, 1.0), (6, 1.0), (6, 1.1)])
def test_what_a_program_closed_a_scan_with_is_taken_off(
    tmp_path: Path, rows: int, slant: float
) -> None:
    """Source: drawn; a scan of 10 by 10 mm is closed by walls of 4 mm, upright or aslant, and a
    flat base; a spot amid the scan was filled flat."""
    top = flattened(plate(noise=0.006), np.array([5.0, 5.0, 0.0]), 0.8)
    scan = scan_of(closed_below(top, rows, slant), tmp_path)
    told, side = fault(scan, "closed_below"), 79 * 0.125
    assert told is not None and scan.source.area_mm2 == pytest.approx(side**2, rel=0.02)
    assert told.values["area"] > (slant * side) ** 2 + 0.98 * 4 * side * 4.0
    assert scan.mesh.points_mm[:, 2].min() > -0.05
    holes, filled = fault(scan, "holes"), fault(scan, "filled_flat")
    assert holes is not None and holes.count == 1
    assert filled is not None and filled.count == 1


def test_a_scan_is_left_whole_where_no_program_closed_it(tmp_path: Path) -> None:
    """Source: drawn; some of the scan stands higher than the flat area; that is no larger than a
    hole may be; nothing bears noise; or some of it bears detail, and as much does not."""
    smooth = closed_below(plate(), 6)
    half = np.clip(smooth.points_mm[:, 0] - 5.0, 0.0, 1.0) * (smooth.points_mm[:, 2] > -0.1)
    detail = 0.01 * half * np.random.default_rng(3).standard_normal(len(half))
    partly = TriangleMesh(smooth.points_mm + detail[:, None] * [0.0, 0.0, 1.0], smooth.faces)
    amid = flattened(torus(n=240, noise=0.005), np.array([5.0, 0.0, 0.0]), 3.6)
    for body in (amid, closed_below(plate(n=36, noise=0.006), 1), smooth, partly):
        scan = scan_of(body, tmp_path, unit="mm")
        assert fault(scan, "closed_below") is None
        assert len(scan.mesh.faces) == len(body.faces)


@pytest.mark.parametrize(("columns", "rows"), [(2, 60), (3, 3)])
def test_a_flat_strip_or_speck_is_not_taken_for_filled(
    tmp_path: Path, columns: int, rows: int
) -> None:
    """By construction: two rows of vertices in one plane with none amid them, as of a long triangle
    that was divided; and an area of 0.06 mm², which moves no reading."""
    body = plate(n=120, noise=0.01)
    points = body.points_mm.copy()
    points.reshape(120, 120, 3)[40 : 40 + columns, 40 : 40 + rows, 2] = 0.0
    assert scan_of(TriangleMesh(points, body.faces), tmp_path).filled is None


def test_a_few_triangles_in_one_plane_are_not_taken_for_filled(tmp_path: Path) -> None:
    """By construction: of a coarse scan one triangle was divided into three by a vertex in it."""
    body = plate(n=40, step=0.7, noise=0.02)
    one = len(body.faces) // 2
    a, b, c = body.faces[one]
    middle = len(body.points_mm)
    faces = [np.delete(body.faces, one, axis=0), [[a, b, middle], [b, c, middle], [c, a, middle]]]
    points = [body.points_mm, body.points_mm[[[a, b, c]]].mean(axis=1)]
    mesh = TriangleMesh(np.concatenate(points), np.concatenate(faces))
    assert scan_of(mesh, tmp_path).filled is None


def test_a_sliver_lies_in_no_plane_but_its_own() -> None:
    """By hand: folded by a right angle, its tip is 1 µm off the other's plane, whose own is 1 mm
    off the sliver's."""
    bent = TriangleMesh(
        [[0, 0, 0], [1, 0, 0], [0.5, 1, 0], [0.5, 0, 0.001]], [[0, 1, 2], [1, 0, 3]]
    )
    off = flat._off_plane_mm(bent, sides_of(bent), shape_of(bent))
    assert off == pytest.approx([1.0])
    turned = TriangleMesh(bent.points_mm, bent.faces[::-1])
    assert flat._off_plane_mm(turned, sides_of(turned), shape_of(turned)) == pytest.approx([1.0])


def test_divided_triangles_are_not_taken_for_filled(tmp_path: Path) -> None:
    """Of a coarse scan whose triangles a program divided, each is flat by itself."""
    divided, _, _ = refine(torus(n=40, noise=0.03), 0.25)
    scan = scan_of(divided, tmp_path)
    assert scan.noise_mm > 0.002 and scan.filled is None


def test_a_plane_larger_than_any_hole_is_not_taken_for_filled(tmp_path: Path) -> None:
    """What closes a scan below is flat as well, and no part of the veneer."""
    scan = plate(n=150, noise=0.01)
    points = scan.points_mm.copy()
    points[(points[:, :2] < 5.1).all(axis=1), 2] = 0.0
    assert scan_of(TriangleMesh(points, scan.faces), tmp_path).filled is None


def test_graded_mesh_is_not_taken_for_filled(tmp_path: Path) -> None:
    """Sizes that grow step by step, 40-fold in all, are a mesh and no filling."""
    n = 60
    turns = 2 * np.pi * np.arange(n) / n
    rings = 0.4 * 1.07 ** np.arange(55)
    points = np.stack(
        [np.outer(rings, np.cos(turns)), np.outer(rings, np.sin(turns)), np.zeros((55, n))], axis=2
    ).reshape(-1, 3)
    i, j = (k.reshape(-1) for k in np.meshgrid(np.arange(54), np.arange(n), indexing="ij"))
    a, b, c, d = i * n + j, (i + 1) * n + j, (i + 1) * n + (j + 1) % n, i * n + (j + 1) % n
    faces = np.concatenate([np.stack([a, b, c], 1), np.stack([a, c, d], 1)])
    scan = scan_of(TriangleMesh(points, faces), tmp_path)
    assert fault(scan, "filled_areas") is None
    assert scan.filled is None


def on_a_plinth(n: int = 80, step: float = 0.125, deep: float = 4.0) -> TriangleMesh:
    """A fine face on a block whose other faces are a few long triangles."""
    top = plate(n, step)
    number = np.arange(n * n).reshape(n, n)
    rims = (number[:, 0], number[-1, :], number[::-1, -1], number[0, ::-1])
    low = n * n + np.arange(4)
    faces = [top.faces]
    for k, rim in enumerate(rims):
        here, after = np.full(n - 1, low[k]), low[(k + 1) % 4]
        faces += [np.stack([here, rim[1:], rim[:-1]], axis=1), np.array([[low[k], after, rim[-1]]])]
    faces.append(np.array([[low[0], low[2], low[1]], [low[0], low[3], low[2]]]))
    corners = top.points_mm[[rim[0] for rim in rims]] - [0.0, 0.0, deep]
    return TriangleMesh(np.concatenate([top.points_mm, corners]), np.concatenate(faces))


def test_a_plinth_of_a_few_triangles_is_neither_filled_nor_spiked(tmp_path: Path) -> None:
    """Source: by construction, a closed block without a hole or a spike."""
    scan = scan_of(on_a_plinth(), tmp_path)
    assert [fault(scan, kind) for kind in ("inside_out", "holes", "spikes")] == [None] * 3
    assert fault(scan, "filled_areas") is None
    assert scan.filled is None
    assert fault(scan, "coarse_areas") is not None


@pytest.mark.parametrize(("most_mm2", "rounded", "share"), [(None, 1.0, 3), (1e9, 2.5, 8)])
def test_smooth_areas_of_a_thinned_mesh_are_not_taken_for_filled(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, most_mm2: float | None, rounded: float,
    share: int,
) -> None:  # fmt: skip
    """A mesh thinned by curvature is coarse wherever it is smooth; no scanner filled it. By their
    size flat faces are told from fillings, and by the mesh round about whatever their size."""
    import igl

    from phantom.surface import triangulate

    if most_mm2 is not None:
        monkeypatch.setattr(surface, "FILLED_MOST_MM2", most_mm2)
    half = np.array([5.0, 3.0, 3.0])

    def wavy(points: np.ndarray) -> np.ndarray:
        block = np.linalg.norm(np.maximum(np.abs(points) - (half - rounded), 0.0), axis=1) - rounded
        x, y, z = points.T
        return block - (0.2 * rounded) * np.sin(1.5 * x) * np.cos(1.05 * y) * (z > 0)

    whole = triangulate(wavy, -half - 0.8, half + 0.8, 0.15)
    thin = igl.qslim(whole.points_mm, whole.faces, len(whole.faces) // share)
    scan = scan_of(TriangleMesh(np.asarray(thin[0]), np.asarray(thin[1])), tmp_path)
    assert fault(scan, "filled_areas") is None
    assert scan.filled is None


def test_spike_has_its_place_and_height(tmp_path: Path) -> None:
    mesh = torus()
    points = mesh.points_mm.copy()
    points[500] *= 1.2  # about 2 mm out, its neighbours 0.3 mm apart
    scan = scan_of(TriangleMesh(points, mesh.faces), tmp_path)
    spike = fault(scan, "spikes")
    assert spike is not None
    assert spike.count == 1 and spike.words.startswith("1 spike ")
    assert spike.centre_mm == pytest.approx(points[500], abs=1e-4)
    tip = np.abs(scan.mesh.points_mm - points[500]).sum(axis=1).min()
    assert tip < 1e-4  # told, not taken away


def test_coarse_areas_are_told(tmp_path: Path) -> None:
    scan = scan_of(torus(n=30), tmp_path)
    coarse = fault(scan, "coarse_areas")
    assert coarse is not None
    assert "of the surface" in coarse.words


def test_key_is_never_turned(tmp_path: Path) -> None:
    """The inner half of a torus seen from within: as a scan it is turned, as a key it stays."""
    mesh = torus()
    half = mesh.faces[mesh.points_mm[mesh.faces].mean(axis=1)[:, 2] > 0][:, ::-1]
    inward = TriangleMesh(mesh.points_mm, half)
    key, scan = scan_of(inward, tmp_path, kind="key"), scan_of(inward, tmp_path)
    assert fault(key, "inside_out") is None
    assert fault(scan, "inside_out") is not None

    def up(one: Scan) -> float:
        a, b, c = (one.mesh.points_mm[one.mesh.faces[:, k]] for k in range(3))
        return float(np.cross(b - a, c - a)[:, 2].sum())

    assert up(key) < 0 < up(scan)


@pytest.mark.parametrize("open_below", [False, True])
def test_random_turning_is_undone(open_below: bool, tmp_path: Path) -> None:
    mesh = torus(n=60)
    faces = mesh.faces
    if open_below:
        faces = faces[mesh.points_mm[faces].mean(axis=1)[:, 2] > -1]
    right = TriangleMesh(mesh.points_mm, faces)
    mixed = faces.copy()
    wrong = RNG.random(len(faces)) < 0.45
    mixed[wrong] = mixed[wrong][:, ::-1]
    scan = scan_of(TriangleMesh(mesh.points_mm, mixed), tmp_path)
    found = fault(scan, "mixed_orientation")
    assert found is not None
    assert found.count == int(wrong.sum())

    def normals(one: TriangleMesh) -> np.ndarray:
        a, b, c = (one.points_mm[one.faces[:, k]] for k in range(3))
        return np.cross(b - a, c - a)

    agree = np.einsum("ij,ij->i", normals(scan.mesh), normals(right))
    assert (agree > 0).all()


def goes_through(start: np.ndarray, way: np.ndarray, triangles: np.ndarray) -> np.ndarray:
    """Which segments (s) go through which triangles (t), by solving for the point in common."""
    a, u, v = triangles[:, 0], triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0]
    shape = (len(start), len(a), 3)
    columns = [-way[:, None, :], u[None], v[None]]
    system = np.stack([np.broadcast_to(column, shape) for column in columns], axis=3)
    t, x, y = np.moveaxis(np.linalg.solve(system, (start[:, None] - a)[..., None])[..., 0], 2, 0)
    return (t > 0) & (t < 1) & (x > 0) & (y > 0) & (x + y < 1)


def test_crossing_bodies_are_found_as_by_trying_every_pair() -> None:
    one = torus(n=14)
    turn = np.linalg.qr(np.random.default_rng(1).standard_normal((3, 3)))[0]
    other = TriangleMesh(torus(n=14, small=2.0).points_mm @ turn + [9.0, 1.0, 0.5], one.faces)
    both = TriangleMesh(
        np.concatenate([one.points_mm, other.points_mm]),
        np.concatenate([one.faces, other.faces + len(one.points_mm)]),
    )
    expected = np.zeros(len(both.faces), dtype=bool)
    count = len(one.faces)
    corners = both.points_mm[both.faces]
    for mine, theirs in (
        (slice(0, count), slice(count, None)),
        (slice(count, None), slice(0, count)),
    ):
        for k in range(3):
            start = corners[mine, k]
            hit = goes_through(start, corners[mine, (k + 1) % 3] - start, corners[theirs])
            expected[mine] |= hit.any(axis=1)
            expected[theirs] |= hit.any(axis=0)
    crossing, told = self_crossings(both)
    assert 20 < expected.sum() < count
    np.testing.assert_array_equal(crossing, expected)
    assert (told[0].kind, told[0].count) == ("self_intersections", int(expected.sum()))
    assert not self_crossings(one)[0].any()
    away = np.ones(len(both.points_mm), dtype=bool)
    away[both.faces[expected]] = False
    assert not self_crossings(both, away & (both.points_mm[:, 0] < -3))[0].any()


def test_fold_is_found_while_reading(tmp_path: Path) -> None:
    mesh = plate(n=60)
    points = mesh.points_mm.copy()
    middle = 20 * 60 + 20
    points[middle, :2] += 0.4  # pulled across its neighbours…
    points[middle, 2] -= 0.05
    points[middle + 1, 2] -= 0.1
    scan = scan_of(TriangleMesh(points, mesh.faces), tmp_path)
    assert fault(scan, "self_intersections") is not None


@pytest.mark.parametrize("most_bits", [63, 0])
def test_crossings_in_cells_are_those_of_all_with_all(most_bits, monkeypatch) -> None:
    """Witness: every triangle tried with every other, of a soup with large and small ones.

    A triangle is crossed where a side's ends lie on either side of its plane and the volumes of
    the side with each of its own sides have one sign (a line through a triangle, by geometry).
    """
    rng = np.random.default_rng(8)
    size = np.where(np.arange(500) % 50 == 0, 3.0, 0.5)[:, None, None]
    soup = rng.uniform(0, 6, (500, 1, 3)) + size * rng.standard_normal((500, 3, 3))
    faces = np.arange(1500).reshape(500, 3)
    faces[1::7, 0] = faces[::7, 0][: len(faces[1::7])]  # some share a corner, and do not count
    points = soup.reshape(-1, 3)
    t = points[faces]
    expected = np.zeros(500, dtype=bool)

    def volume(a, b, c, d):
        return np.einsum("ij,ij->i", np.cross(b - a, c - a), d - a)

    for one in range(500):
        apart = np.flatnonzero(~np.isin(faces, faces[one]).any(axis=1))
        p, q, r = t[apart].transpose(1, 0, 2)
        for k in range(3):
            a, b = (np.broadcast_to(t[one, j % 3], p.shape) for j in (k, k + 1))
            round_it = np.sign([volume(a, b, u, v) for u, v in ((p, q), (q, r), (r, p))])
            through = (np.abs(round_it.sum(axis=0)) == 3) & (
                volume(p, q, r, a) * volume(p, q, r, b) < 0
            )
            expected[apart[through]] = True
            expected[one] |= through.any()
    monkeypatch.setattr(crossings, "_WORD_BITS", most_bits)
    found, _ = self_crossings(TriangleMesh(points, faces))
    np.testing.assert_array_equal(found, expected)
    assert 50 < expected.sum() < 500


def test_merge_survives_hashes_that_collide(monkeypatch: pytest.MonkeyPatch) -> None:
    points = RNG.integers(0, 4, (300, 3)).astype(np.float32)
    first, number = merge_equal(points)
    monkeypatch.setattr(merge, "_hash", lambda p: np.zeros(len(p), dtype=np.uint64))
    slow_first, slow_number = merge_equal(points)
    np.testing.assert_array_equal(first, slow_first)
    np.testing.assert_array_equal(number, slow_number)
    np.testing.assert_array_equal(points[first][number], points)
    assert len(first) == len(np.unique(points, axis=0))


def test_hollow_quads_are_cut_at_their_hollow_corner() -> None:
    # an arrowhead: its area by the shoelace formula is 3
    points = np.array([[0, 0, 0], [4, 0, 0], [1, 1, 0], [0, 4, 0]], dtype=float)
    for turn in range(4):
        flat = np.roll(np.arange(4), turn)
        faces, _ = triangles_of(points, np.array([4]), flat, "arrow", ReadCaps())
        a, b, c = (points[faces[:, k]] for k in range(3))
        areas = np.cross(b - a, c - a)[:, 2] / 2
        assert (areas > 0).all()
        assert areas.sum() == pytest.approx(4.0)
