"""How far a fit may be believed: closed forms, planted changes, mirrors."""

import numpy as np
import pytest

from phantom.surface import triangulate
from veneercheck.core.align import AlignOptions, align, askew, examine, patches, polish, trust
from veneercheck.core.align.sampling import _morton_order
from veneercheck.core.align.solver import SURE, rows
from veneercheck.core.align.trust import sandwich, slippage
from veneercheck.core.mesh.motion import rotation_from_vector
from veneercheck.core.mesh.triangles import vertex_normals
from veneercheck.core.types import AlignmentState, RigidMotion, TriangleMesh


def _cube(half_mm, each):
    """Points on the six faces of a cube, `each`² on every face, and their normals."""
    axis = (np.arange(each) + 0.5) / each * 2 * half_mm - half_mm
    u, v = (grid.ravel() for grid in np.meshgrid(axis, axis))
    points, normals = [], []
    for k in range(3):
        for side in (-half_mm, half_mm):
            face = np.zeros((len(u), 3))
            face[:, k], face[:, (k + 1) % 3], face[:, (k + 2) % 3] = side, u, v
            points.append(face)
            normals.append(np.repeat(np.sign(side) * np.eye(3)[k][None], len(u), axis=0))
    return np.concatenate(points), np.concatenate(normals)


def test_covariance_of_a_cube():
    # Source: closed form for point-to-plane rows on a cube of half-side a with N points and white
    # noise: σ_t = σ√(3/N), σ_ω = 3σ/(a√(2N)); computed by hand from Σ g gᵀ.
    points, normals = _cube(5.0, 40)
    count, sigma = len(points), 0.01
    raw, _ = sandwich(rows(points, normals, np.zeros(3)), np.ones(count), 5.0)
    spread = np.sqrt(np.diag(sigma**2 * raw))
    assert spread[3:] == pytest.approx(sigma * np.sqrt(3 / count), rel=1e-6)
    assert spread[:3] == pytest.approx(3 * sigma / (5.0 * np.sqrt(2 * count)), rel=2e-3)


def _shape(name):
    s, t = (grid.ravel() for grid in np.meshgrid(np.linspace(0.1, 3, 40), np.linspace(0, 6.1, 60)))
    flat, turned = np.stack([s, t, 0 * s], 1), np.stack([np.cos(t), np.sin(t), 0 * t], 1)
    up = np.array([[0.0, 0.0, 1.0]])
    if name == "a plane":
        return flat, np.repeat(up, len(s), 0)
    if name == "a cylinder":
        return 2 * turned + s[:, None] * up, turned
    if name == "a sphere":
        ball = np.sin(s)[:, None] * turned + np.cos(s)[:, None] * up
        return 4 * ball + [1.0, 2.0, 3.0], ball
    if name == "a surface of revolution":
        normal = (turned * np.cos(s)[:, None] + 0.4 * up) / np.sqrt(np.cos(s) ** 2 + 0.16)[:, None]
        return (2 + np.sin(s))[:, None] * turned + 0.3 * s[:, None] * up, normal
    wave = np.stack([s, np.sin(2 * s) + 0.3 * s**2, t], 1)
    slope = 2 * np.cos(2 * s) + 0.6 * s
    return wave, np.stack([-slope, 1 + 0 * s, 0 * s], 1) / np.sqrt(1 + slope**2)[:, None]


@pytest.mark.parametrize(
    ("name", "ways"),
    [
        ("a plane", 3),
        ("a sphere", 3),
        ("a cylinder", 2),
        ("a surface of revolution", 1),
        ("an extrusion", 1),
    ],
)
def test_surfaces_that_slide_are_named(name, ways):
    # Source: Gelfand and others 2003, from memory: zero eigenvalues 3, 3, 2, 1, 1.
    points, normals = _shape(name)
    if name == "a surface of revolution":
        # its normals by the profile r = 2 + sin s, z = 0.3 s: (0.3, −cos s) in (r, z)
        s = points[:, 2] / 0.3
        out = points[:, :2] / np.linalg.norm(points[:, :2], axis=1)[:, None]
        size = np.sqrt(0.09 + np.cos(s) ** 2)
        normals = np.column_stack([0.3 * out, -np.cos(s)]) / size[:, None]
    centre = points.mean(axis=0)
    assert slippage(rows(points, normals, centre), 3.0) == (ways, name)


def test_a_cube_does_not_slide():
    points, normals = _cube(5.0, 10)
    assert slippage(rows(points, normals, np.zeros(3)), 5.0) == (0, "")


def _lump(points):
    """A body without symmetry, longer than wide."""
    field = np.linalg.norm(points / [11.0, 5.0, 4.0], axis=1) - 1
    field = (
        field + 0.05 * np.sin(points @ [0.9, 0.5, -0.7]) + 0.05 * np.cos(points @ [-0.4, 1.1, 0.8])
    )
    return 4.0 * (field + 0.04 * np.sin(points @ [1.3, -0.8, 0.6] + 1.0))


@pytest.fixture(scope="module")
def lump():
    low, high = np.array([-13.0, -6.5, -5.5]), np.array([13.0, 6.5, 5.5])
    return triangulate(_lump, low, high, 0.45)


def _changed(lump, change):
    """A copy, cut by 1 mm on top, its other vertices moved by a change, noisy, and put beside."""
    rng = np.random.default_rng(11)
    points = lump.points_mm
    normal = vertex_normals(lump)
    depth = np.clip((points[:, 2] - 0.5) / 0.6, 0, 1)
    moved = points - depth[:, None] * normal + change(points)
    moved = moved + 0.005 * rng.normal(size=(len(points), 1)) * normal
    turn = np.asarray(rotation_from_vector(np.array([0.01, -0.012, 0.008])))
    away = RigidMotion(turn, np.array([0.3, -0.2, 0.2]))
    return TriangleMesh(away.apply(moved), lump.faces), away


@pytest.mark.usefixtures("from_here")
def test_an_unchanged_body_is_trusted_and_no_change_is_told(lump):
    # Source: nothing was changed but the cut.
    framework, away = _changed(lump, np.zeros_like)
    found = align(framework, lump)
    assert found.state is AlignmentState.TRUSTED, found.reasons
    gap = found.waxup_from_framework.apply(away.apply(lump.points_mm)) - lump.points_mm
    assert np.linalg.norm(gap, axis=1).max() < 0.005
    told = found.evidence
    assert told.scale == pytest.approx(1.0, abs=5e-4)
    assert max(told.bow_mm, told.part_mm, told.halves_mm) < 0.01
    assert 0 < told.weakest_layer_mm < found.u_max_mm
    assert told.condition > 1


@pytest.mark.usefixtures("from_here")
def test_another_size_is_measured_and_told_and_never_applied(lump):
    # Source: the framework was made 0.5 % larger.
    framework, _ = _changed(lump, lambda points: 0.005 * points)
    found = align(framework, lump)
    assert [one.code for one in found.reasons if "size" in one.code] == ["another_size_is_larger"]
    assert found.state is not AlignmentState.TRUSTED
    assert found.evidence.scale == pytest.approx(1.005, abs=1e-3)
    assert any("larger than the wax-up" in reason.words for reason in found.reasons)
    assert np.linalg.det(found.waxup_from_framework.rotation) == pytest.approx(1.0)


def _four(shifted_mm, power_mm4=0.0):
    """Four cubes in a row, each a part, shifted by so much each; and what moves them as one."""
    points, normals = _cube(2.0, 20)
    arm = np.concatenate([points + [at, 0.0, 0.0] for at in (-30.0, -10.0, 10.0, 30.0)])
    normal, shift = np.tile(normals, (4, 1)), np.repeat(shifted_mm, len(points), axis=0)
    residual, every = np.einsum("ij,ij->i", normal, shift), np.arange(len(arm))
    area = np.full(len(arm), 96.0 / len(points))
    rigid = np.concatenate([np.cross(arm, normal), normal], axis=1)
    return patches.Shown(arm, normal, residual, area, power_mm4, 0.03, every, every >= 0), rigid


def test_how_far_parts_scatter_about_the_whole():
    # Source: by hand. Up, down, down, up is no motion of all four, so that all of it is seen; of
    # white noise every part takes three ways, on a third of its normals each: 9 times power / area.
    shown, rigid = _four(np.outer([1.0, -1.0, -1.0, 1.0], [0.0, 0.003, 0.004]))
    assert askew.scattered_mm(shown, rigid, 0.03) == pytest.approx(0.005, rel=1e-6)
    as_one, _ = _four([0.004, 0.0, 0.0] + np.outer([1.0, -1.0, -1.0, 1.0], [0.0, 0.003, 0.004]))
    assert askew.scattered_mm(as_one, rigid, 0.03) == pytest.approx(0.005, rel=1e-2)
    noisy, _ = _four(np.outer([1.0, -1.0, -1.0, 1.0], [0.0, 0.003, 0.004]), 1e-4)
    less = np.sqrt(0.005**2 - 9 * 1e-4 / 96.0)
    assert askew.scattered_mm(noisy, rigid, 0.03) == pytest.approx(less, rel=1e-6)
    assert askew.scattered_mm(*_four(np.zeros((4, 3)), 1e-4), 0.03) == 0.0


def test_a_part_that_is_told_counts_as_by_what_is_told():
    # Source: by hand; of four parts one lies 0.2 mm off, and 0.03 are told of it.
    way = np.full(3, 0.2 / np.sqrt(3))
    shown, rigid = _four(np.outer([0.0, 1.0, 0.0, 0.0], way))
    assert askew.scattered_mm(shown, rigid, 0.03) == pytest.approx(0.03 / 2, rel=1e-3)


@pytest.mark.usefixtures("from_here")
def test_powder_is_no_other_size_and_no_bridge_that_is_not_seated(lump):
    # Source: the framework stands 30 µm proud all over; alone its size would read 0.4 % larger, and
    # its two halves would part by 50 µm, each climbing on its own slopes.
    framework, away = _changed(lump, lambda _: 0.03 * vertex_normals(lump))
    back = TriangleMesh(away.inverse().apply(framework.points_mm), framework.faces)
    found, here = align(framework, lump), examine(back, lump)
    # What faces one way pushes the fit off it, by 33 µm, and is owned to: the frame is true all
    # the same.
    assert [reason.code for reason in found.reasons] == ["parted"]
    off = found.waxup_from_framework.apply(away.apply(lump.points_mm)) - lump.points_mm
    assert 3 * found.u_max_mm > np.linalg.norm(off, axis=1).max() > 0.03
    assert here.state is AlignmentState.GIVEN, here.reasons
    assert found.evidence.scale == pytest.approx(1.0, abs=5e-4)
    assert found.evidence.seating_mm < 0.01


@pytest.mark.parametrize(("proud_mm", "told"), [(0.0, False), (0.015, False), (0.06, True)])
def test_on_a_ball_size_and_powder_look_alike_and_only_what_matters_is_told(proud_mm, told):
    # Source: evenly proud by so much, a ball of 5 mm is 0.3 % or 1.2 % larger; nothing tells it
    # from powder, and what moves no surface by 30 µm is no other size.
    ball = triangulate(
        lambda points: np.linalg.norm(points, axis=1) - 5.0,
        np.full(3, -6.5), np.full(3, 6.5), 0.33,
    )  # fmt: skip
    depth = np.clip((ball.points_mm[:, 2] - 0.5) / 0.6, 0, 1)
    noise = 0.005 * np.random.default_rng(1).normal(size=len(depth))
    moved = ball.points_mm + (proud_mm + noise - depth)[:, None] * vertex_normals(ball)
    found = examine(TriangleMesh(moved, ball.faces), ball)
    assert any("larger than the wax-up" in reason.words for reason in found.reasons) is told
    assert found.evidence.scale == pytest.approx(1.0 + proud_mm / 5.0, abs=1e-3)


@pytest.mark.parametrize(("noise_mm", "seed"), [(0.005, 0), (0.015, 1)])
def test_powder_on_a_cap_never_accuses_a_true_frame(noise_mm, seed):
    # Source: nothing was changed but the cut; on a cap of a ball 0.6 mm high an even offset is
    # nearly a shift, and taking it for known moves the fit by 9 to 14 µm, or by 46.
    framework, ball = _cap(noise_mm, seed)
    found = examine(framework, ball)
    assert found.state is AlignmentState.GIVEN, found.reasons
    assert found.evidence.frame_mm < 0.004


@pytest.mark.parametrize("noise_mm", [0.005, 0.015])
def test_powder_that_is_not_sure_excuses_no_frame(noise_mm):
    # Source: the frame was shifted by 50 µm; an offset that is not sure would explain 14 to 45 µm.
    framework, ball = _cap(noise_mm, 0)
    found = examine(TriangleMesh(framework.points_mm + [0.0, 0.0, 0.05], framework.faces), ball)
    assert found.state is AlignmentState.DOUBTFUL
    assert found.evidence.frame_mm == pytest.approx(0.05, abs=0.005)


def _cap(noise_mm, seed):
    """A ball of which all but a cap was cut back by 1 mm, and the ball."""
    ball = triangulate(
        lambda points: np.linalg.norm(points, axis=1) - 5.0,
        np.full(3, -6.5), np.full(3, 6.5), 0.33,
    )  # fmt: skip
    depth = np.clip((ball.points_mm[:, 2] + 4.4) / 0.6, 0, 1)
    noise = noise_mm * np.random.default_rng(seed).normal(size=len(depth))
    moved = ball.points_mm + (noise - depth)[:, None] * vertex_normals(ball)
    return TriangleMesh(moved, ball.faces), ball


@pytest.mark.usefixtures("from_here")
def test_a_bow_is_measured_and_told(lump):
    # Source: the middle was raised by 80 µm against the ends, as a parabola.
    framework, _ = _changed(
        lump, lambda points: np.outer(0.08 * (1 - (points[:, 0] / 11.0) ** 2), [0, 0, 1.0])
    )
    found = align(framework, lump)
    assert found.state is not AlignmentState.TRUSTED
    assert found.evidence.bow_mm == pytest.approx(0.08, abs=0.02)
    assert any("bent, or sprung" in reason.words for reason in found.reasons)


def _raised(points, low_mm, high_mm, way_mm):
    """A stretch along the body moved as one piece, with ramps of 0.8 mm at both its ends."""
    along = points[:, 0]
    share = np.clip((along - low_mm) / 0.8 + 0.5, 0, 1) * np.clip(
        (high_mm - along) / 0.8 + 0.5, 0, 1
    )
    return np.outer(share, way_mm)


@pytest.mark.usefixtures("from_here")
def test_a_unit_that_stands_out_of_the_rest_is_told(lump):
    # Source: the middle third was moved by 0.2 mm, askew, so that one side stands out and another
    # lies within; what is near the contour does not show it, and the fit rests on both ends.
    way = [0.0, 0.12, -0.16]
    framework, _ = _changed(lump, lambda points: _raised(points, -3.5, 3.5, way))
    found = align(framework, lump)
    assert [one.code for one in found.reasons] == ["part_off"]
    assert found.state is AlignmentState.DOUBTFUL
    assert found.evidence.part_mm == pytest.approx(0.2, abs=0.02)


@pytest.mark.usefixtures("from_here")
def test_a_stretch_that_was_built_too_high_is_no_unit_that_stands_out(lump):
    # Source: the middle third stands 0.2 mm out wherever it is uncut, and nothing else of it would
    # come to touch in another place: that is over contour.
    framework, _ = _changed(lump, lambda points: _raised(points, -3.5, 3.5, [0.0, 0.0, -0.2]))
    found = align(framework, lump)
    assert found.state is AlignmentState.TRUSTED, found.reasons
    assert found.evidence.part_mm < 0.03


def test_only_a_plane_slides():
    # Source: by hand. A plane holds no shift along itself and no turn about its normal; a round
    # collar slides, too, but faces all ways, and a cube holds all six.
    x, y = (one.ravel() for one in np.meshgrid(np.arange(20.0), np.arange(15.0)))
    plane, up = np.stack([x, y, 0.0 * x], 1), np.tile([0.0, 0.0, 1.0], (len(x), 1))
    turn, high = (one.ravel() for one in np.meshgrid(np.linspace(0, 6.2, 80), np.linspace(0, 1, 9)))
    out = np.stack([np.cos(turn), np.sin(turn), 0.0 * turn], 1)
    assert polish._slides(plane, up)
    assert not polish._slides(4.0 * out + high[:, None] * [0.0, 0.0, 1.0], out)
    assert not polish._slides(*_cube(5.0, 10))


@pytest.mark.usefixtures("from_here")
def test_wax_left_on_what_was_not_cut_is_no_unit_that_stands_out(lump):
    # Source: a round bump, 5 mm wide and 0.3 mm high, lies on the uncut side; nothing else changed.
    # No pose lets more of its stretch touch.
    middle = lump.points_mm[np.linalg.norm(lump.points_mm - [2.0, 0.0, -4.0], axis=1).argmin()]

    def bump(points):
        away = np.linalg.norm(points - middle, axis=1)
        return np.outer(np.clip((2.5 - away) / 0.3 + 0.5, 0, 1), [0.0, 0.0, -0.3])

    framework, _ = _changed(lump, bump)
    found = align(framework, lump)
    assert found.state is AlignmentState.TRUSTED, found.reasons
    assert found.evidence.part_mm < 0.03


def test_a_mirror_image_is_never_trusted(lump):
    # Source: a body without symmetry and its mirror image share no surface.
    framework, _ = _changed(lump, np.zeros_like)
    mirrored = TriangleMesh(framework.points_mm * [1.0, 1.0, -1.0], framework.faces[:, ::-1])
    found = align(mirrored, lump, options=AlignOptions(orientations=200))
    assert found.state is AlignmentState.FAILED
    assert np.linalg.det(found.waxup_from_framework.rotation) == pytest.approx(1.0)


def test_coarse_facets_are_no_other_size_and_no_bow():
    # Source: nothing was changed but the cut; the wax-up's facets of 0.7 mm lie some 15 µm inside.
    low, high = np.array([-13.0, -6.5, -5.5]), np.array([13.0, 6.5, 5.5])
    fine, coarse = (triangulate(_lump, low, high, edge) for edge in (0.33, 0.7))
    framework, away = _changed(fine, np.zeros_like)
    back = TriangleMesh(away.inverse().apply(framework.points_mm), framework.faces)
    found = examine(back, coarse)
    assert found.state is AlignmentState.GIVEN, found.reasons
    assert found.evidence.scale == pytest.approx(1.0, abs=2e-3)


def test_patches_left_out_give_the_spread_of_a_mean():
    # Source: closed form of the jackknife; for the mean of g patches of one size it is
    # Σ(xᵢ − x̄)² / (g (g − 1)), whatever the points within a patch have in common.
    shift = np.array([0.010, -0.020, 0.030, 0.004, -0.006])
    arm = np.concatenate([np.full((7, 3), [10.0 * k, 0.5, 0.5]) for k in range(len(shift))])
    patch = patches.cubes(arm)
    residual = np.repeat(shift, 7)
    found = patches.left_out(np.ones((len(arm), 1)), np.ones(len(arm)), residual, patch)
    count = len(shift)
    expected = ((shift - shift.mean()) ** 2).sum() / (count * (count - 1))
    assert found[0, 0] == pytest.approx(expected, rel=1e-9)


def test_a_search_that_goes_astray_calls_no_true_frame_untrue(lump, monkeypatch):
    # Source: the scans share their frame; the search is made to end 2 mm beside it.
    framework, away = _changed(lump, np.zeros_like)
    back = TriangleMesh(away.inverse().apply(framework.points_mm), framework.faces)
    astray = RigidMotion(np.eye(3), np.array([0.0, 2.0, 0.0]))
    monkeypatch.setattr(polish, "search_fit", lambda *_: astray)
    found = examine(back, lump)
    assert found.state is AlignmentState.GIVEN and not found.reasons
    assert found.evidence.frame_mm < 0.01 and found.reference_area_mm2 > 50.0


def test_residuals_that_are_all_alike_hang_together_as_far_as_is_looked() -> None:
    """Source: ∫ c² dA over a disc of 1 mm is c² π mm²; of white noise nothing but the floor, 2 % of
    σ² over a tenth of that disc, and what 4000 points leave of chance."""
    points = np.random.default_rng(5).uniform(0.0, 20.0, (3600, 3)) * [1.0, 1.0, 0.0]
    alike = trust.integrated_covariance(points, np.full(len(points), 0.03))
    assert alike == pytest.approx(0.03**2 * np.pi, rel=1e-9)
    white = np.random.default_rng(3).normal(scale=0.03, size=len(points))
    assert 0.0 < trust.integrated_covariance(points, white) < 0.1 * alike


def test_the_uncertainty_of_a_vertex_is_that_of_its_farthest_shift() -> None:
    """Source: a turn of σ about z moves a point at r by σ r, square to r; a shift of (1, 2, 2) µm
    moves all by 2 µm along the worst axis and by 3 µm in all."""
    around = np.array([[10.0, 0.0, 0.0], [0.0, 6.0, 2.0], [0.0, 0.0, 9.0], [1.0, 1.0, 0.0]])
    turn, shift = np.diag([0, 0, 1e-6, 0, 0, 0]), np.diag([0, 0, 0, 1e-6, 4e-6, 4e-6])
    assert trust.vertex_uncertainty(turn, around, np.zeros(3)) == pytest.approx((0.01, 0.01))
    assert trust.vertex_uncertainty(shift, around, np.zeros(3)) == pytest.approx((0.002, 0.003))
    assert np.isnan(trust.vertex_uncertainty(np.full((6, 6), np.nan), around, np.zeros(3))).all()


def test_cells_are_put_in_order_by_their_bits_in_turn() -> None:
    """Source: Morton's code written out, the bits of z, y and x after each other (1966)."""
    chance = np.random.default_rng(4)
    cells = np.concatenate([[[0, 0, 0], [1023, 1023, 1023]], chance.integers(0, 1024, (200, 3))])
    corners = cells[:, None] + np.zeros((1, 3, 1))
    mesh = TriangleMesh(corners.reshape(-1, 3), np.arange(3 * len(cells)).reshape(-1, 3))
    bits = [[f"{number:010b}" for number in one] for one in cells]
    words = ["".join(map("".join, zip(z, y, x, strict=True))) for x, y, z in bits]
    expected = sorted(range(len(cells)), key=lambda k: (words[k], k))
    assert _morton_order(mesh).tolist() == expected


@pytest.mark.parametrize(
    ("off_mm", "even_mm", "least_mm"), [(0.0, 0.0, 0.0), (0.05, 0.0, 0.02), (0.0, 0.04, 0.0)]
)
def test_a_part_that_lies_askew_within_contact_is_told(off_mm, even_mm, least_mm):
    # Source: drawn. A wavy strip of 27 mm with 10 µm of noise; its middle third is shifted across,
    # which pushes some of it in and some out, all within 60 µm of contact; the fit of the whole
    # takes up to half of it. Powder shifts nothing.
    rng = np.random.default_rng(4)
    along, across = (
        one.ravel() for one in np.meshgrid(np.linspace(-13.5, 13.5, 271), np.linspace(-3, 3, 61))
    )
    normal = np.stack([np.sin(2 * across), np.full(len(along), 1.0), np.sin(3 * along)], axis=1)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    shift = off_mm * normal[:, 0] * (np.abs(along) < 4.5)
    shown = patches.Shown(
        arm_mm=np.stack([across, np.zeros(len(along)), along], axis=1),
        normal=normal,
        residual_mm=shift + even_mm + 0.01 * rng.standard_normal(len(along)),
        area_mm2=np.full(len(along), 0.01),
        power_mm4=0.01**2 * 0.01,
        contact_mm=0.06,
        vertex=np.arange(len(along)),
        of_the_cut=np.ones(len(along), dtype=bool),
    )
    rigid = np.concatenate([np.cross(shown.arm_mm, shown.normal), shown.normal], axis=1)
    part_mm, u_mm = askew.parts_off(shown, rigid, 0.03).shift
    assert least_mm <= part_mm <= 2.5 * least_mm
    assert SURE * u_mm <= part_mm
