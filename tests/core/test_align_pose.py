"""Cut-back bodies come back from any pose; the pose is known because the test made it."""

from functools import cache

import numpy as np
import pytest
import trimesh

import align_bodies as bodies
from phantom.sheets import height_field
from phantom.surface import triangulate
from veneercheck.core.align import align, fit, given, polish, sampling
from veneercheck.core.align.options import AlignOptions
from veneercheck.core.errors import MeshError
from veneercheck.core.mesh.motion import random_rotation, rotation_from_vector
from veneercheck.core.mesh.triangles import select_faces, vertex_normals
from veneercheck.core.types import AlignmentState, RigidMotion, TriangleMesh
from veneercheck.phantom.bodies import parallel_plates

FITTED_ON_ALL = True
"""How exact a fit is, is tried here."""

make_body = cache(bodies.make_body)

WHOLE = bodies.BodySpec(3, underside=True, cut_from=-1.5)


def _farthest_mm(body, motion):
    points = body.framework.points_mm[body.bridge]
    gap = motion.apply(points) - body.waxup_from_framework.apply(points)
    return np.linalg.norm(gap, axis=1).max()


@pytest.mark.parametrize(
    ("spec", "limit_mm"),
    [
        (WHOLE, 0.005),
        (bodies.BodySpec(4, base_waxup=True, holes=5, fragments=3), 0.008),
    ],
    ids=["whole", "model in one scan only"],
)
def test_cut_back_bridge_comes_back_from_any_pose(spec, limit_mm):
    # Source: the pose given to the body; limits for white noise of 10 µm.
    body = make_body(spec)
    found = align(body.framework, body.waxup)
    assert _farthest_mm(body, found.waxup_from_framework) < limit_mm
    assert found.state in {AlignmentState.TRUSTED, AlignmentState.DOUBTFUL}
    assert 0 < found.u_max_mm < 0.01
    truly_uncut = body.depth_mm < 0.05
    assert truly_uncut[found.reference].mean() > 0.99


def test_given_frame_moves_nothing_and_claims_nothing():
    body = make_body(WHOLE)
    found = given(body.framework, body.waxup)
    assert found.state is AlignmentState.GIVEN
    assert np.array_equal(found.waxup_from_framework.matrix(), np.eye(4))
    assert np.isnan(found.rms_mm)
    assert not found.reasons


def test_mask_of_another_length_is_refused():
    body = make_body(WHOLE)
    with pytest.raises(MeshError, match="mask"):
        align(body.framework, body.waxup, reference=np.ones(3, dtype=bool))


def test_bridge_lifted_off_its_model_is_doubtful_and_told():
    # Source: the body was made with the bridge 0.1 mm higher in one scan.
    spec = bodies.BodySpec(22, base_framework=True, base_waxup=True, lift_mm=0.1)
    body = make_body(spec)
    found = align(body.framework, body.waxup)
    assert found.state is AlignmentState.DOUBTFUL
    assert any("not seated, or bent" in reason.words for reason in found.reasons)
    # The bridge's own fit takes the lift back: all of the bridge moves by 0.1 mm.
    points = body.framework.points_mm[body.bridge]
    gap = found.waxup_from_framework.apply(points) - body.waxup_from_framework.apply(points)
    assert np.linalg.norm(gap, axis=1) == pytest.approx(0.1, abs=0.01)


def test_what_fits_half_round_as_well_as_convinces_is_not_taken_upside_down():
    """Source: a box with one dome, turned half round about its longest axis: five of its six sides
    fit at once, and the dome, a twentieth of it, tells which pose is the true one."""
    box = trimesh.creation.box((24.0, 14.0, 8.0)).subdivide_to_size(0.8)
    x, y, z = box.vertices.T
    dome = np.where(z > 3.9, 2.0 * np.clip(1.0 - np.hypot(x - 5.0, y) / 4.0, 0.0, 1.0), 0.0)
    waxup = TriangleMesh(box.vertices + [0.0, 0.0, 1.0] * dome[:, None], box.faces)
    turn = RigidMotion(np.diag([1.0, -1.0, -1.0]), np.array([0.05, -0.1, 0.08]))
    found = align(TriangleMesh(turn.apply(waxup.points_mm), waxup.faces), waxup)
    gap = found.waxup_from_framework.apply(turn.apply(waxup.points_mm)) - waxup.points_mm
    assert np.linalg.norm(gap, axis=1).max() < 0.005


def test_strangers_fail():
    # Source: two bodies of other numbers share no surface; a few mm² of crossing are no contact.
    one = make_body(WHOLE)
    other = make_body(bodies.BodySpec(31, units=2, underside=True))
    assert align(one.framework, other.waxup).state is AlignmentState.FAILED


def test_a_plate_under_both_scans_convinces_of_no_pose() -> None:
    """Source: made as described. Both scans hold the same plane, more of it than of the work; it
    fits itself anywhere, and the first such pose had been taken, 50 mm off."""
    low, high = np.array([-13.0, -6.5, -5.5]), np.array([13.0, 6.5, 5.5])

    def lump(points):
        field = np.linalg.norm(points / [11.0, 5.0, 4.0], axis=1) - 1
        field = field + 0.05 * np.sin(points @ [0.9, 0.5, -0.7])
        return 4.0 * (field + 0.06 * np.sin(points @ [1.3, -0.8, 0.6] + 1.0))

    work = triangulate(lump, low, high, 0.4)
    work = select_faces(work, work.points_mm[work.faces].mean(axis=1)[:, 2] > -2.5)[0]
    sides = np.arange(-20.0, 20.1, 0.5), np.arange(-14.0, 14.1, 0.5)
    plate = height_field(lambda x, _: 0.0 * x - 4.5, *sides)
    depth = np.clip((work.points_mm[:, 2] - 0.5) / 0.6, 0, 1)[:, None] * vertex_normals(work)
    rng = np.random.default_rng(4)

    def scan(points):
        both = np.concatenate([points, plate.points_mm])
        mesh = TriangleMesh(both, np.concatenate([work.faces, plate.faces + len(points)]))
        noise = 0.005 * rng.normal(size=(len(both), 1)) * vertex_normals(mesh)
        return TriangleMesh(both + noise, mesh.faces)

    turn = rotation_from_vector(np.array([0.0, 0.0, 0.3]))
    away = RigidMotion(turn, np.array([3.0, -2.0, 1.0]))
    framework, waxup = scan(work.points_mm - depth), scan(work.points_mm)
    moved = TriangleMesh(away.apply(framework.points_mm), framework.faces)
    found = align(moved, waxup)
    assert found.state is AlignmentState.TRUSTED, found.reasons
    gap = found.waxup_from_framework.apply(moved.points_mm) - framework.points_mm
    assert np.linalg.norm(gap, axis=1).max() < 0.02


def test_putty_that_held_one_scan_only_pushes_no_pose_off() -> None:
    """Source: the pose put in. Putty stands 0.6 mm outside under most of the bridge; its pull left
    the pose 1.8 mm off."""
    spec = bodies.BodySpec(306, cut_from=-1.2)
    shape, rng = bodies._Shape(spec), np.random.default_rng(spec.seed)
    reach = shape.half.max(axis=0) + 3.0
    low, high = shape.centre.min(axis=0) - reach, shape.centre.max(axis=0) + reach

    def putty(points):
        x, y, z = points.T
        under = np.maximum(z + 2.4 - 0.3 * np.sin(0.8 * x) - 0.09 * y, np.abs(x) - 8.0)
        return np.maximum(shape.contour(points) - 0.6, under)

    def scan(field):
        mesh = triangulate(field, low, high, 0.4)
        mesh = select_faces(mesh, mesh.points_mm[mesh.faces].mean(axis=1)[:, 2] > -3.9)[0]
        noise = rng.normal(0.0, 0.008, (len(mesh.points_mm), 1)) * vertex_normals(mesh)
        return TriangleMesh(mesh.points_mm + noise, mesh.faces)

    framework = scan(lambda at: np.minimum(shape.contour(at) + shape.cut(at), putty(at)))
    waxup = scan(shape.contour)
    true = RigidMotion(random_rotation(rng), rng.uniform(-40, 40, 3))
    moved = TriangleMesh(true.inverse().apply(framework.points_mm), framework.faces)
    found = fit.place(moved, waxup, AlignOptions(), None, None)[2][0]
    gap = found.motion.apply(moved.points_mm) - framework.points_mm
    assert np.linalg.norm(gap, axis=1).max() < 0.02


def test_a_pose_whose_residuals_have_no_peak_convinces_of_nothing() -> None:
    # Source: a pose 2.3 mm off the true one of a bridge on putty had these figures but the noise:
    # 0.03 mm is what the estimate starts from, and hardly leaves where residuals are spread evenly.
    found = [quality(74.0, 3.4, 0.71, noise_mm) for noise_mm in (0.01, 0.028)]
    assert [fit.convincing(one, 44.0) for one in found] == [True, False]
    # Where nearly all that is near touches, the scans are as noisy as that.
    assert fit.convincing(quality(340.0, 3.4, 0.97, 0.028), 44.0)


def quality(
    contact_mm2: float,
    outside_mm2: float,
    sharpness: float,
    noise_mm: float,
    closest_mm2: float = 0.0,
) -> polish.Quality:
    return polish.Quality(
        contact_mm2, outside_mm2, sharpness, noise_mm, slides=False, closest_mm2=closest_mm2
    )


def test_a_blunt_pose_is_never_before_a_sharp_one_for_what_stands_outside_it() -> None:
    # Source: figures of a bridge in putty of 39 mm² over the other scan's gum; the pose 26 mm off
    # touches by three times as wide a measure.
    true = quality(94.9, 38.9, 0.96, 0.003, 94.9)
    blunt = quality(69.7, 3.5, 0.745, 0.030, 30.8)
    plate = parallel_plates(3.0, gap_mm=1.0).inner
    body, _ = fit.prepared(plate, plate, AlignOptions(), None)
    found = [
        fit.Candidate(RigidMotion(np.eye(3), np.array([shift, 0.0, 0.0])), what)
        for shift, what in ((0.0, true), (26.0, blunt))
    ]
    assert fit.best_first(found, body)[0].quality is true
    # Where none touches closely, what to begin anew from is told by all that is near.
    assert fit.best_first(found, body, blunt=True)[0].quality is blunt


@pytest.mark.parametrize(
    ("sharpness", "noise_mm", "plain"),
    [(0.635, 0.0225, False), (0.745, 0.030, False), (0.63, 0.004, True), (0.986, 0.026, True)],
)
def test_half_a_peak_is_looked_at_again(sharpness: float, noise_mm: float, plain: bool) -> None:
    # Source: a pose 1 mm off, one 26 mm off, a narrow collar and a noisy cast in their places.
    assert fit._plain(quality(100.0, 1.0, sharpness, noise_mm)) is plain


@pytest.mark.parametrize(("pieces", "radius_mm"), [(1, 4.24), (200, 398.5)])
def test_a_scan_all_of_crumbs_is_as_large_as_they_lie_apart(pieces: int, radius_mm: float) -> None:
    # Source: drawn, a plate of 6 × 6 mm, half a diagonal 4.24, and a crumb 100 mm off that counts
    # for nothing; or 200 plates of 1 mm² in a row 797 mm long, each under a hundredth of all.
    corners = np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [1.0, 1.0, 0.0], [0.0, 1.0, 0.0]])
    if pieces == 1:
        corners = np.concatenate([6.0 * corners, 0.1 * corners + [100.0, 0.0, 0.0]])
    else:
        corners = np.concatenate([corners + [4.0 * k, 0.0, 0.0] for k in range(pieces)])
    first = np.arange(0, len(corners), 4)[:, None]
    faces = np.concatenate([first + [0, 1, 2], first + [0, 2, 3]])
    surface = sampling.prepare(TriangleMesh(corners, faces), 0.0)
    _, found_mm = sampling.centre_and_radius(surface)
    assert found_mm == pytest.approx(radius_mm, rel=0.01)
