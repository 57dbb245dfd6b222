"""What was taken off or added since an earlier scan, on surfaces of closed form."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pytest

from phantom.sheets import height_field, over_grid
from veneercheck.core.judge.changes import Change, taken_off, trend
from veneercheck.core.mesh.triangles import border_vertices
from veneercheck.core.types import Bools, Floats, Region, Trend, TriangleMesh

STEPS = 81
SIDE_MM = 8.0


def sheet(height) -> TriangleMesh:
    """A sheet of 8 × 8 mm about the origin, a height over the xy plane; normals up."""
    return height_field(height, np.linspace(-0.5 * SIDE_MM, 0.5 * SIDE_MM, STEPS))


FLAT = sheet(lambda x, _: 0.0 * x)


def facing(mesh: TriangleMesh, z_mm: float) -> TriangleMesh:
    """A sheet turned over, at a height."""
    return TriangleMesh(mesh.points_mm + [0.0, 0.0, z_mm], mesh.faces[:, ::-1])


def both(one: TriangleMesh, other: TriangleMesh) -> TriangleMesh:
    count = len(one.points_mm)
    points = np.concatenate([one.points_mm, other.points_mm])
    return TriangleMesh(points, np.concatenate([one.faces, other.faces + count]))


def without(mesh: TriangleMesh, gone: Bools) -> TriangleMesh:
    """The sheet less the triangles about some vertices."""
    return TriangleMesh(mesh.points_mm, mesh.faces[~gone[mesh.faces].any(axis=1)])


def about(mesh: TriangleMesh, radius_mm: float) -> Bools:
    return np.hypot(*mesh.points_mm[:, :2].T) < radius_mm


def off_at(now: TriangleMesh, then: TriangleMesh, where: Bools) -> Floats:
    return taken_off(now, then)[: len(where)][where]


def blade(outline) -> TriangleMesh:
    """A sheet along y, 8 mm long, over an outline in the xz plane; from left to right it is up."""
    sides = np.asarray(outline)
    at = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(sides, axis=0), axis=1))])
    long = np.linspace(0.0, at[-1], 10 * math.ceil(at[-1]))
    x, z = (np.interp(long, at, column) for column in sides.T)
    y = np.linspace(-4.0, 4.0, STEPS)
    return over_grid(np.stack(np.broadcast_arrays(x[:, None], y, z[:, None]), axis=-1))


def between(now: TriangleMesh, then: TriangleMesh, **known) -> Change:
    """Two scans of usual noise, laid as is usual."""
    return Change.between(now, then, noise_mm=0.014, poses_u_mm=(0.01, 0.01), **known)


@pytest.mark.parametrize("square", [False, True])
def test_another_wall_is_not_the_surface_of_before(square: bool) -> None:
    """Source: nothing was done; the earlier scan had a hole of 3 mm radius, and the wall across
    stands 1.5 mm off, nearer than the hole's rim, or one square to it. There is nothing to compare
    with."""
    across = facing(FLAT, 1.5)
    if square:
        across = TriangleMesh(FLAT.points_mm[:, [2, 0, 1]] - [1.5, 0.0, 0.0], FLAT.faces)
    whole = both(FLAT, across)
    then = both(without(FLAT, about(FLAT, 3.0)), across)
    asked = about(FLAT, 0.7)
    assert np.isnan(off_at(whole, then, asked)).all()
    found = taken_off(whole, then)
    assert np.nanmax(np.abs(found)) < 1e-9 and np.isfinite(found).mean() > 0.6


@pytest.mark.parametrize("off_mm", [0.1, 0.3, -0.3])
def test_a_thin_wall_is_compared_with_its_own_side(off_mm: float) -> None:
    """Source: a wall of 0.4 mm of which 0.3 mm were ground off one side, which leaves the other
    side nearest; and 0.3 mm added before a wall that stands 0.5 mm off."""
    then = both(FLAT, facing(FLAT, -0.4 if off_mm > 0 else 0.5))
    now = sheet(lambda x, y: np.where(np.hypot(x, y) < 2.0, -off_mm, 0.0))
    assert off_at(now, then, about(FLAT, 1.5)) == pytest.approx(off_mm, abs=1e-9)


def test_no_way_is_looked_along_from_a_rim() -> None:
    """Source: the thin wall once more, in a later scan that ends before the earlier one does: there
    a normal is that of a triangle or two, and the wall's other side stays nearest."""
    wide = TriangleMesh(FLAT.points_mm * [1.25, 1.25, 1.0], FLAT.faces)
    off = taken_off(sheet(lambda x, _: 0.0 * x - 0.3), both(wide, facing(wide, -0.4)))
    rim = border_vertices(FLAT)
    assert np.isnan(off[rim]).all() and off[~rim] == pytest.approx(0.3, abs=1e-9)


def test_the_way_to_a_rim_is_no_change_and_what_lies_beside_it_is_told() -> None:
    """Source: a plane 0.1 mm over the later one, whose first 4 mm end in a single long edge, 0.1 mm
    before the one vertex within: what lies beyond that edge, and nothing else, has no earlier one.
    """
    within = [[-2.0, 0.0, 0.1], [2.0, 0.0, 0.1], [2.0, 4.0, 0.1], [-2.0, 4.0, 0.1], [0, 0.1, 0.1]]
    then = TriangleMesh(within, [[0, 1, 4], [1, 2, 4], [2, 3, 4], [3, 0, 4]])
    assert border_vertices(then).tolist() == [True] * 4 + [False]
    x, y, _ = FLAT.points_mm.T
    off = taken_off(FLAT, then)
    shown = (np.abs(x) < 2.0) & (y > 0.0) & (y < 4.0)
    assert off[shown] == pytest.approx(0.1, abs=1e-9)
    assert np.isnan(off[(y < 0.0) | (np.abs(x) > 2.0)]).all()


@pytest.mark.parametrize("off_mm", [0.05, 0.5, 1.5])
def test_what_was_taken_off_a_ridge_and_out_of_a_groove(off_mm: float) -> None:
    """Source: under the ridge of a roof of 45° its faces are nearest, at 1/√2 of the depth; under a
    groove of 45° its bottom, or its faces at 1/√2."""
    x, y, _ = FLAT.points_mm.T
    middle = np.abs(y) < 2.0
    ridge = sheet(lambda x, _: -np.abs(x))
    lowered = taken_off(sheet(lambda x, _: np.minimum(-np.abs(x), -off_mm)), ridge)
    assert lowered[middle & (np.abs(x) < 1e-9)] == pytest.approx(off_mm / np.sqrt(2.0), abs=1e-9)
    assert np.abs(lowered[middle & (np.abs(x) > off_mm + 0.05) & (np.abs(x) < 3.9)]).max() < 1e-9
    groove = sheet(lambda x, _: np.abs(x))
    deeper = taken_off(sheet(lambda x, _: np.abs(x) - off_mm), groove)
    assert deeper[middle & (np.abs(x) < 1e-9)] == pytest.approx(off_mm, abs=1e-9)
    wall = middle & (np.abs(x) > off_mm) & (np.abs(x) < 2.0 + off_mm)
    assert deeper[wall] == pytest.approx(off_mm / np.sqrt(2.0), abs=1e-9)


@pytest.mark.parametrize("off_mm", [0.0, 0.05, 0.3, -0.3])
def test_noise_is_told_as_no_change_and_a_spot_as_its_mean(off_mm: float) -> None:
    """Source: 0.01 mm of noise on either scan, whose worst of 6561 vertices stand out by 0.04 mm;
    a spot of 1 mm radius that was lowered or raised by so much."""
    noise = np.random.default_rng(3)

    def scanned(height) -> TriangleMesh:
        return sheet(lambda x, y: height(x, y) + noise.normal(0.0, 0.01, x.shape))

    then = scanned(lambda x, _: 0.0 * x)
    now = scanned(lambda x, y: np.where(np.hypot(x, y) < 1.0, -off_mm, 0.0))
    found = Change.between(now, then, noise_mm=np.hypot(0.01, 0.01), poses_u_mm=(0.008, 0.009))
    assert np.nanmax(np.abs(taken_off(scanned(lambda x, _: 0.0 * x), then))) > 0.03
    off, added = found.most_mm()
    assert off == (pytest.approx(off_mm, abs=0.01) if off_mm > 0 else 0.0)
    assert added == (pytest.approx(-off_mm, abs=0.01) if off_mm < 0 else 0.0)
    assert found.still([2.5, 2.5, 0.0]) and found.still([0.0, 0.0, 0.0]) == (off_mm == 0.0)
    crumb = without(then, ~about(then, 0.15))
    assert np.isnan(Change.between(now, crumb, noise_mm=0.01, poses_u_mm=()).most_mm()).all()
    unseen = Change.between(FLAT, facing(FLAT, 9.0), noise_mm=0.0, poses_u_mm=())
    assert np.isnan(unseen.most_mm()).all() and not unseen.still([0.0, 0.0, 0.0])


@pytest.mark.parametrize(("wide_mm", "off_mm"), [(0.8, 0.5), (2.0, 1.0)])
def test_an_edge_that_was_shortened_is_told_by_how_much(wide_mm: float, off_mm: float) -> None:
    """Source: a blade 5 mm high with square shoulders, lower by so much; nearer than the old edge
    lies its own wall, square to the new one."""

    def high(mm: float) -> TriangleMesh:
        half = 0.5 * wide_mm
        return blade([[-half, 0.0], [-half, mm], [half, mm], [half, 0.0]])

    change = between(high(5.0 - off_mm), high(5.0))
    assert change.most_mm() == pytest.approx((off_mm, 0.0), abs=0.02)


@pytest.mark.parametrize("off_mm", [2.0, -2.0, 0.4, -0.4])
def test_a_wall_that_stands_still_is_not_what_a_remnant_was(off_mm: float) -> None:
    """Source: nothing was done; a bit of putty of 1.2 mm radius hangs under the wall or before it,
    faces as it does, and the later scan shows both, the wall 0.03 mm farther from it."""
    putty = without(sheet(lambda x, _: 0.0 * x - off_mm), ~about(FLAT, 1.2))
    now = both(sheet(lambda x, _: 0.0 * x + math.copysign(0.03, off_mm)), putty)
    assert np.isnan(taken_off(now, FLAT)[len(FLAT.points_mm) :][about(FLAT, 1.0)]).all()
    assert between(now, FLAT).most_mm() == (0.0, 0.0)


@pytest.mark.parametrize(("patch_mm", "told"), [(0.9, False), (1.4, True)])
def test_what_shows_through_a_hole_is_another_wall(patch_mm: float, told: bool) -> None:
    """Source: the earlier scan has a hole of 3 mm radius, and 1 mm behind lies a patch; the later
    scan shows the wall alone. One that goes on farther than it lies away is told."""
    patch = without(sheet(lambda x, _: 0.0 * x - 1.0), ~about(FLAT, patch_mm))
    off = taken_off(FLAT, both(without(FLAT, about(FLAT, 3.0)), patch))[about(FLAT, 0.1)]
    assert len(off) and np.isfinite(off).all() == np.isfinite(off).any() == told
    assert not told or off == pytest.approx(-1.0, abs=1e-9)


def test_a_pinhole_of_the_earlier_scan_hides_no_cut() -> None:
    """Source: a floor 1.5 mm deep and 2.8 mm wide under a hole narrower than a spot."""
    now = sheet(lambda x, y: np.where(np.hypot(x, y) < 1.4, -1.5, 0.0))
    pinned = without(FLAT, about(FLAT, 0.01))
    assert len(pinned.faces) < len(FLAT.faces)
    assert between(now, pinned).most_mm() == pytest.approx((1.5, 0.0), abs=0.01)


def test_a_wall_thinned_at_its_top_is_not_told_by_the_height_of_the_step() -> None:
    """Source: a blade 2 mm wide lost 0.3 mm of one side over its upper 1.4 mm; straight over the
    step, which is as wide, lay the old top."""
    then = blade([[-1.0, 0.0], [-1.0, 5.0], [1.0, 5.0], [1.0, 0.0]])
    step = [[0.7, 5.0], [0.7, 3.6], [1.0, 3.6], [1.0, 0.0]]
    now = blade([[-1.0, 0.0], [-1.0, 5.0], *step])
    assert between(now, then).most_mm() == pytest.approx((0.3, 0.0), abs=0.03)


@pytest.mark.parametrize("off_mm", [0.1, 1.0, 1.5, -0.4])
@pytest.mark.parametrize("thin", [False, True])
def test_a_pocket_with_sheer_walls_is_told_by_its_depth(off_mm: float, thin: bool) -> None:
    """Source: a pocket of 1.5 mm radius, whose floor leaves 0.1 mm of a thin wall; or wax
    was added there."""
    now, then = sheet(lambda x, y: np.where(np.hypot(x, y) < 1.5, -off_mm, 0.0)), FLAT
    if thin:
        other = facing(FLAT, -max(off_mm, 0.0) - 0.1)
        now, then = both(now, other), both(then, other)
    told = pytest.approx((max(off_mm, 0.0), max(-off_mm, 0.0)), abs=0.01)
    assert between(now, then).most_mm() == told


def test_what_hangs_at_the_later_rim_is_not_told_and_what_is_beside_it_is() -> None:
    """Source: the later scan ends before the earlier one does and rises by 0.18 mm over the last
    0.3 mm; or so much was added before that."""
    then = TriangleMesh(FLAT.points_mm * [1.25, 1.25, 1.0], FLAT.faces)

    def added_mm(over_mm: float) -> tuple[float, float]:
        rise = sheet(lambda x, _: np.clip(0.6 * (x - 4.0 + over_mm), 0.0, 0.18))
        return between(rise, then).most_mm()

    assert added_mm(0.3) == (0.0, 0.0)
    assert added_mm(1.2) == pytest.approx((0.0, 0.18), abs=0.01)


def test_a_sprue_is_not_told_as_added() -> None:
    """Source: 0.5 mm was added within 1 mm; where that is a sprue, the model or the inside of a
    retainer, no hand did it for the veneer."""
    now = sheet(lambda x, y: np.where(np.hypot(x, y) < 1.0, 0.5, 0.0))
    for part in Region:
        region = np.where(about(FLAT, 1.05), part, Region.CUT)
        left_out = part in (Region.FITTING_SURFACE, Region.MODEL, Region.ATTACHMENT)
        told = between(now, FLAT, region=region).most_mm()
        assert told == pytest.approx((0.0, 0.0 if left_out else 0.5), abs=1e-9)


@pytest.mark.parametrize(("listed", "told"), [(True, Trend.SAME), (False, Trend.UNMOVED)])
def test_what_is_left_of_a_zone_far_from_its_worst_spot_is_the_same(
    listed: bool, told: Trend
) -> None:
    """Source: nothing moved; the earlier check had the place in a zone, or not."""
    zone_then = np.where(about(FLAT, 1.0) & listed, 7, 0)
    change = Change.between(FLAT, FLAT, noise_mm=0.01, poses_u_mm=(0.01,), zone_then=zone_then)
    zone = SimpleNamespace(centre_mm=(0.0, 0.0, 0.0))
    assert trend(zone, [], change) is told
