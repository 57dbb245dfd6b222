"""Beads that touch, overlap or sit on a ridge are told apart; ridges and noise are no beads."""

from __future__ import annotations

import numpy as np
import pytest

from phantom.attached import Beaded, put_beads, spread
from phantom.sheets import height_field
from veneercheck.core.divide.zones import Patch
from veneercheck.core.errors import MeshError
from veneercheck.core.judge import asked
from veneercheck.core.measure import beads
from veneercheck.core.mesh import caps
from veneercheck.core.mesh.triangles import edge_pairs, vertex_normals
from veneercheck.core.types import FindingKind, TriangleMesh

WIDE_MM, EDGE_MM = 6.0, 0.1
DEPTH_MM = 1.5


def sheet(height, edge_mm: float = EDGE_MM) -> TriangleMesh:
    """A sheet of 6 × 6 mm over the xy plane; normals up."""
    return height_field(height, np.linspace(0.0, WIDE_MM, round(WIDE_MM / edge_mm) + 1))


def flat(x, y):
    return 0.0 * x * y


def roof(x, y):
    """Two slopes of 45° that meet in a sharp ridge along y."""
    return -np.abs(x - 0.5 * WIDE_MM) + 0.0 * y


def seats_at(sheet: TriangleMesh, x_mm, y_mm):
    away = (sheet.points_mm[:, 0] - np.array(x_mm)[:, None]) ** 2
    return (away + (sheet.points_mm[:, 1] - np.array(y_mm)[:, None]) ** 2).argmin(axis=1)


def noisy(mesh: TriangleMesh, noise_mm: float) -> TriangleMesh:
    rng = np.random.default_rng(8)
    noise = noise_mm * rng.standard_normal((len(mesh.points_mm), 1)) * vertex_normals(mesh)
    return TriangleMesh(mesh.points_mm + noise, mesh.faces)


def found_on(mesh: TriangleMesh) -> beads.Beads | None:
    return beads.find(mesh, edge_pairs(mesh.faces), DEPTH_MM - mesh.points_mm[:, 2])


def beads_of_tops(put: Beaded, found: beads.Beads):
    """Which bead each top that was found lies on."""
    return sorted(put.under[found.top].tolist())


@pytest.mark.parametrize("noise_mm", [0.0, 0.01, 0.02])
def test_rows_of_beads_that_overlap_by_a_sixth_are_told_apart(noise_mm: float) -> None:
    """Source: as many as were put, one top on each; the plate lies at z = 0."""
    plain = sheet(flat)
    x, y = np.meshgrid(np.arange(1.0, 5.01, 0.5), (1.0, 2.5, 4.0), indexing="ij")
    put = put_beads(plain, seats_at(plain, x.ravel(), y.ravel()), diameter_mm=0.6)
    found = found_on(noisy(put.mesh, noise_mm))
    assert found is not None
    assert beads_of_tops(put, found) == list(range(27))
    assert found.height_mm == pytest.approx(0.3, abs=0.08)
    assert np.quantile(np.abs(found.base.points_mm[put.under >= 0, 2]), 0.98) < 0.05


def test_beads_on_narrow_ledges_are_beads() -> None:
    """Source: what was put on ledges 1.2 mm wide between risers of 0.8 mm; half of the beads have
    a riser beside them, three quarters of what is found must be beads and each bead found once."""
    ledge, riser, run = 1.5, 0.8, 0.3

    def stairs(x, y):
        up = np.floor(x / ledge) + np.clip((x % ledge - ledge) / run + 1.0, 0.0, 1.0)
        return riser * up - 1.0 + 0.0 * y

    plain = sheet(stairs)
    middles = np.arange(0.5 * (ledge - run), WIDE_MM, ledge)
    x, y = np.meshgrid(middles, np.arange(0.6, 5.6, 0.75), indexing="ij")
    put = put_beads(plain, seats_at(plain, x.ravel(), y.ravel()), diameter_mm=0.6)
    found = found_on(put.mesh)
    assert found is not None
    of = beads_of_tops(put, found)
    assert -1 not in of and len(set(of)) == len(of) >= 0.75 * len(x.ravel())


def test_the_teeth_of_a_jagged_step_are_no_beads() -> None:
    """Source: none was put; three steps 0.3 mm high whose rims zigzag by 0.2 mm every 0.6 mm have
    thirty teeth, round enough and alike."""

    def steps(x, y):
        rim = 0.2 * np.abs((y / 0.6 % 1.0) * 2.0 - 1.0)
        return 0.3 * sum(np.clip((at + rim - x) / 0.2, 0.0, 1.0) for at in (1.5, 3.5, 5.0)) - 1.0

    assert found_on(sheet(steps)) is None


@pytest.mark.parametrize("noise_mm", [0.0, 0.005, 0.01])
def test_corners_where_the_crests_of_a_cut_meet_are_no_beads(noise_mm: float) -> None:
    """Source: none was put; a ball of 1.2 mm cut into wax every 1.4 mm leaves crests between its
    hollows, and where four meet one of sixteen corners, alike, compact and 0.3 mm higher."""
    apart, ball = 1.4, 1.2

    def hollows(x, y):
        beside = [(at / apart % 1.0 - 0.5) * apart for at in (x, y)]
        return ball - np.sqrt(ball**2 - beside[0] ** 2 - beside[1] ** 2) - 0.5

    assert found_on(noisy(sheet(hollows, 0.06), noise_mm)) is None


@pytest.mark.parametrize("noise_mm", [0.0, 0.01])
def test_bridges_between_pits_are_no_beads(noise_mm: float) -> None:
    """Source: fourteen beads were put; two rows of hemispheroid pits, 0.3 mm deep, touch each other
    every 0.5 mm, and between two of them the sheet is left as a bridge that does not fall off
    along their row's edges."""

    def pits(x, y):
        along = (y / 0.5 % 1.0 - 0.5) * 0.5
        square = (np.minimum(np.abs(x - 1.0), np.abs(x - 2.5)) ** 2 + along**2) / 0.25**2
        return -0.3 * np.sqrt(np.maximum(1.0 - square, 0.0))

    plain = sheet(pits)
    x, y = np.meshgrid((4.0, 5.2), np.linspace(0.6, 5.4, 7), indexing="ij")
    put = put_beads(plain, seats_at(plain, x.ravel(), y.ravel()), diameter_mm=0.5)
    found = found_on(noisy(put.mesh, noise_mm))
    assert found is not None
    assert beads_of_tops(put, found) == list(range(14))


def standing_ball(sheet: TriangleMesh, at_mm: float, diameter_mm: float) -> TriangleMesh:
    """A ball drawn out of the sheet at x = y: its lowest 30° are the neck by which it hangs."""
    points, way = sheet.points_mm.copy(), sheet.points_mm[:, :2] - at_mm
    away = np.hypot(*way.T)
    angle = np.deg2rad(150.0) * np.minimum(away / 0.5, 1.0)
    on = away < 0.9
    beyond = np.maximum(away - 0.5, 0.0)  # from the neck on the sheet again, to 0.9 mm
    neck_mm = 0.5 * diameter_mm * np.sin(angle)
    aside = neck_mm + (0.9 - 0.25 * diameter_mm) / 0.4 * beyond
    points[on, :2] = at_mm + (way / np.maximum(away, 1e-9)[:, None] * aside[:, None])[on]
    points[on, 2] = np.where(beyond > 0, 0.0, 0.5 * diameter_mm * (1.0 + np.cos(angle)))[on]
    return TriangleMesh(points, sheet.faces)


def test_a_ball_that_stands_whole_among_beads_that_are_sunk_in_is_a_bead() -> None:
    """Source: the ball as drawn, 0.45 mm high; its fellows are sunk in by half."""
    plain = sheet(flat, 0.07)
    x_mm, y_mm = (axis.ravel() for axis in np.meshgrid(*2 * (np.arange(0.8, 5.6, 0.9),)))
    apart = np.hypot(x_mm - 3.5, y_mm - 3.5) > 1.3
    put = put_beads(plain, seats_at(plain, x_mm[apart], y_mm[apart]), diameter_mm=0.45)
    mesh = standing_ball(put.mesh, 3.5, 0.45)
    found = found_on(mesh)
    assert found is not None
    assert len(found.top) == apart.sum() + 1
    highest = found.top[found.height_mm.argmax()]
    assert mesh.points_mm[highest] == pytest.approx([3.5, 3.5, 0.45], abs=0.05)
    assert found.height_mm.max() == pytest.approx(0.45, abs=0.01)
    assert np.median(found.height_mm) == pytest.approx(0.225, abs=0.01)


def test_a_speck_over_a_bead_stays_where_it_is() -> None:
    """Source: nothing holds a triangle that hangs on no other; the plate lies at z = 0."""
    plain = sheet(flat)
    x, y = np.meshgrid(np.arange(1.0, 5.1, 1.0), np.arange(1.0, 5.1, 1.0), indexing="ij")
    mesh = put_beads(plain, seats_at(plain, x.ravel(), y.ravel()), diameter_mm=0.6).mesh
    count = len(mesh.points_mm)
    speck = np.array([[3.0, 3.0, 0.4], [3.05, 3.0, 0.4], [3.0, 3.05, 0.4]])
    whole = TriangleMesh(
        np.concatenate([mesh.points_mm, speck]),
        np.concatenate([mesh.faces, [[count, count + 1, count + 2]]]),
    )
    found = found_on(whole)
    assert found is not None and len(found.top) == 25
    assert (found.bead[count:] >= 0).all()
    assert found.base.points_mm[count:] == pytest.approx(speck)
    assert np.abs(found.base.points_mm[:count, 2]).max() < 0.01


@pytest.mark.parametrize("noise_mm", [0.0, 0.01, 0.02])
def test_a_carpet_of_beads_that_overlap_is_found(noise_mm: float) -> None:
    """Source: as many as were put; many have no saddle between them that a vertex shows."""
    plain = sheet(flat)
    inner = np.abs(plain.points_mm[:, :2] - 0.5 * WIDE_MM).max(axis=1) < 2.0
    seats = spread(plain.points_mm, inner, 0.33, np.random.default_rng(2))
    put = put_beads(plain, seats, diameter_mm=0.4)
    found = found_on(noisy(put.mesh, noise_mm))
    assert found is not None
    tops = beads_of_tops(put, found)
    assert len(set(tops)) > 0.98 * len(seats)
    assert len(tops) <= 1.02 * len(seats)
    assert np.mean(np.abs(found.base.points_mm[put.under >= 0, 2]) > 0.05) < 0.05


def test_beads_on_a_sharp_ridge_are_found_and_the_ridge_is_none() -> None:
    """Source: a roof has no round summit, however noise roughens its ridge."""
    plain = sheet(roof)
    for noise_mm in (0.0, 0.01, 0.03):
        assert found_on(noisy(plain, noise_mm)) is None
    y = np.arange(0.5, 5.6, 0.7)
    x = np.concatenate([np.full(len(y), 3.0), np.full(len(y), 4.5)])
    put = put_beads(plain, seats_at(plain, x, np.tile(y, 2)), diameter_mm=0.4)
    found = found_on(noisy(put.mesh, 0.01))
    assert found is not None
    assert beads_of_tops(put, found) == list(range(16))


def test_the_cover_over_a_bead_on_a_slope_is_the_least_one() -> None:
    """Source: the contour z = 1.5 mm lies 1.5 − z − r from a sphere round (x, y, z).

    The vertex that stands out farthest from the slope of 45° is r/√2 above the middle, 0.09 mm
    lower. Vertices lie √2/10 mm apart along the slope, the highest point of the sphere half-way
    between two at √2/10 and 2√2/10 from its middle, which are (√0.07 + √0.02)/√2 = 0.2871 high.
    """
    plain = sheet(lambda x, y: -x + 0.0 * y)
    x, y = np.meshgrid(np.arange(0.6, 5.5, 0.8), np.arange(0.6, 5.5, 0.8), indexing="ij")
    put = put_beads(plain, seats_at(plain, x.ravel(), y.ravel()), diameter_mm=0.6)
    found = found_on(put.mesh)
    assert found is not None
    bead = put.under[found.top]
    assert sorted(bead.tolist()) == list(range(49))
    least_mm = DEPTH_MM - put.centres_mm[bead, 2] - 0.3
    cover_mm = DEPTH_MM - put.mesh.points_mm[found.top, 2]
    assert cover_mm == pytest.approx(least_mm + 0.3 - 0.2871, abs=0.0002)
    assert found.height_mm == pytest.approx(0.3, abs=0.02)


def test_a_summit_of_little_prominence_belongs_to_the_higher_one() -> None:
    """Source: two paraboloids; the saddle lies where both are as high, 0.16 below the lower."""
    plain = sheet(flat)
    x, y = plain.points_mm[:, 0], plain.points_mm[:, 1]
    hill = [1.0 - 0.64 * ((x - at) ** 2 + (y - 3.0) ** 2) for at in (2.5, 3.5)]
    height = np.maximum(hill[0], hill[1] + 0.001)

    def summits(prominence_mm: float):
        found = caps.find(
            plain.points_mm,
            np.tile([0.0, 0.0, 1.0], (len(x), 1)),
            edge_pairs(plain.faces),
            height,
            member=height > 0.05,
            prominence_mm=prominence_mm,
        )
        return sorted(plain.points_mm[found.summit, 0].tolist())

    assert summits(0.15) == pytest.approx([2.5, 3.5])
    assert summits(0.17) == pytest.approx([3.5])


@pytest.mark.parametrize("slope", [0.0, 0.4])
def test_a_cap_falls_as_the_paraboloid_that_it_is(slope: float) -> None:
    """Source: a x² + b y² at x = r or y = r, turned by 30° and tilted as a whole; over a disc full
    of N points the σ of either is √(18 / N) of the points', by the moments of a disc."""
    foot, a, b = 0.5, 0.8, -0.2
    plain = sheet(flat, 0.02)
    x, y = (plain.points_mm[:, :2] - 3.0).T
    turned = [0.5 * np.sqrt(3.0) * x + 0.5 * y, 0.5 * np.sqrt(3.0) * y - 0.5 * x]
    points = np.stack([x, y, slope * x - a * turned[0] ** 2 - b * turned[1] ** 2], axis=1)
    ways = np.tile([0.0, 0.0, 1.0], (len(x), 1))
    middle = np.zeros((1, 3))
    of = caps.feet(points, ways, middle, foot)
    assert ((of == 0) == (np.hypot(x, y) < foot)).all()
    least, most, spread = caps.falls(points, ways, middle, of, foot_mm=foot)
    assert (least[0], most[0]) == pytest.approx((b * foot**2, a * foot**2))
    assert spread[0] == pytest.approx(np.sqrt(18.0 / (of == 0).sum()), rel=0.02)


def test_six_vertices_show_no_shape() -> None:
    """Source: a paraboloid goes through six points whatever they are; here through one raised."""
    x, y = np.array([[0.0, 0.1, -0.1, 0.0, 0.0, 0.1], [0.0, 0.0, 0.0, 0.1, -0.1, 0.1]])
    points = np.stack([x, y, np.where(x > 0, 0.05, 0.0)], axis=1)
    ways, of = np.tile([0.0, 0.0, 1.0], (6, 1)), np.zeros(6, dtype=np.int64)
    least, most, _ = caps.falls(points, ways, np.zeros((1, 3)), of, foot_mm=0.2)
    assert np.isnan(least[0]) and np.isnan(most[0])
    mesh = TriangleMesh(points, np.zeros((0, 3), dtype=np.int64))
    assert beads._fall_all_round(mesh, ways, np.zeros((1, 3)), 0.2, 0.0).tolist() == [True]


def test_bumps_that_fall_less_than_half_as_far_as_their_fellows_are_none() -> None:
    """Source: a r², a = 1, 1, 0.45 and, for a crest along y, 1 and 0 per mm. The noise at which a
    fall of nothing might be half of one: 0.5 a r² / 4 of the fall's σ, √(18 / N) of it."""
    plain = sheet(flat, 0.05)
    middle = np.array([[x, y, 0.0] for x in (1.5, 4.5) for y in (1.5, 4.5)])
    of = caps.feet(plain.points_mm, ways := np.tile([0.0, 0.0, 1.0], (121**2, 1)), middle, 0.5)
    offset = plain.points_mm[:, :2] - middle[of, :2]
    bent = np.array([[1.0, 1.0], [1.0, 1.0], [0.45, 0.45], [1.0, 0.0]])[of]
    points = plain.points_mm.copy()
    points[:, 2] = np.where(of >= 0, -(bent * offset**2).sum(axis=1), 0.0)
    hides_mm = 0.125 * 0.25 / np.sqrt(18.0 / (of == 0).sum())
    for noise_mm, crest in ((0.0, False), (0.9 * hides_mm, False), (1.1 * hides_mm, True)):
        bead = beads._fall_all_round(TriangleMesh(points, plain.faces), ways, middle, 0.5, noise_mm)
        assert bead.tolist() == [True, True, noise_mm > 0, crest]


@pytest.mark.parametrize("sunk_mm", [0.0, 0.2, 0.3, 0.45])
def test_beads_stand_out_by_what_is_not_sunk_in(sunk_mm: float) -> None:
    """Source: a sphere over a plate; what it overhangs is filled."""
    plain = sheet(flat)
    put = put_beads(plain, seats_at(plain, [3.0], [3.0]), diameter_mm=0.6, sunk_mm=sunk_mm)
    x, y, z = put.mesh.points_mm.T
    across = np.hypot(x - 3.0, y - 3.0)
    sphere = np.sqrt(np.maximum(0.09 - across**2, 0.0)) + 0.3 - sunk_mm
    inside = across < 0.3 - 1e-9
    assert z.max() == pytest.approx(0.6 - sunk_mm)
    assert z[inside] == pytest.approx(np.maximum(sphere[inside], 0.0))
    assert not z[across > 0.3 + 1e-9].any()
    assert ((put.under == 0) == (z > 0)).all()


@pytest.mark.parametrize("sunk_mm", [-0.01, 0.6, float("nan")])
def test_beads_that_float_or_lie_under_the_surface_are_refused(sunk_mm: float) -> None:
    plain = sheet(flat)
    with pytest.raises(MeshError, match="cannot be sunk in"):
        put_beads(plain, seats_at(plain, [3.0], [3.0]), diameter_mm=0.6, sunk_mm=sunk_mm)


@pytest.mark.parametrize(
    ("among", "area_mm2", "excess_mm", "may_be"),
    [
        (0.6, 0.5, 0.1, True),
        (0.6, 0.7, 0.1, True),
        (0.1, 0.5, 0.1, False),
        (0.6, 3.0, 0.1, False),
        (0.6, 0.5, 0.4, False),
    ],
)
def test_a_small_thin_spot_among_beads_may_be_one_that_was_missed(
    among: float, area_mm2: float, excess_mm: float, may_be: bool
) -> None:
    """Source: no bead is higher than its fellows or much wider; one that touches them is missed in
    up to one of a hundred (`bead_trials.md`). By hand: π (0.225 + 0.282)² = 0.81 mm² for one of
    0.45 mm and a spot's radius round it."""
    spot = np.arange(10)
    on = np.where(spot < 10 * among, 0, -1)
    base = TriangleMesh(np.zeros((10, 3)), np.zeros((0, 3), dtype=np.int64))
    found = beads.Beads(base, on, np.array([0]), np.full(1, 0.2), 0.45)
    patch = Patch(
        FindingKind.TOO_THIN, spot, area_mm2, np.zeros(3), 0.9, excess_mm, 0.04, spot=spot
    )
    assert asked.may_be_a_bead(patch, found, np.zeros(10, bool)) is may_be
