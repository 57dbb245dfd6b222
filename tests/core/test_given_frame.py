"""A frame that two scans share is held against what was not cut; closed forms, planted errors."""

import numpy as np
import pytest

from phantom.surface import triangulate
from veneercheck.core.align import examine
from veneercheck.core.errors import MeshError
from veneercheck.core.mesh.motion import rotation_from_vector
from veneercheck.core.mesh.triangles import vertex_normals
from veneercheck.core.types import AlignmentState, TriangleMesh
from veneercheck.phantom.bodies import concentric_spheres, known_bodies, parallel_plates

FITTED_ON_ALL = True
"""How near a frame is held to is tried here."""


def _lump(points):
    """A body without symmetry, longer than wide."""
    field = np.linalg.norm(points / [11.0, 5.0, 4.0], axis=1) - 1
    field = field + 0.05 * np.sin(points @ [0.9, 0.5, -0.7])
    return 4.0 * (field + 0.05 * np.cos(points @ [-0.4, 1.1, 0.8]))


@pytest.fixture(scope="module")
def pair():
    """A lump, and a noisy copy of it in the same frame, cut by 1 mm on top."""
    low, high = np.array([-13.0, -6.5, -5.5]), np.array([13.0, 6.5, 5.5])
    waxup = triangulate(_lump, low, high, 0.4)
    normal, points = vertex_normals(waxup), waxup.points_mm
    depth = np.clip((points[:, 2] - 0.5) / 0.6, 0, 1)[:, None]
    noise = 0.005 * np.random.default_rng(11).normal(size=(len(points), 1))
    return TriangleMesh(points + (noise - depth) * normal, waxup.faces), waxup


def _moved(mesh, shift_mm=(0.0, 0.0, 0.0), turn_deg=(0.0, 0.0, 0.0)):
    turn = rotation_from_vector(np.radians(turn_deg))
    return TriangleMesh(mesh.points_mm @ turn.T + shift_mm, mesh.faces)


def test_a_true_frame_is_kept_and_its_residual_told(pair):
    # Source: noise of 5 µm on one of the two surfaces, before they are smoothed.
    found = examine(*pair)
    assert found.state is AlignmentState.GIVEN
    assert not found.reasons
    assert np.array_equal(found.waxup_from_framework.matrix(), np.eye(4))
    assert 0 < found.rms_mm < 0.006
    assert found.evidence.frame_mm < 0.005
    # Nothing that was cut is taken for uncut.
    assert not (found.reference & (pair[1].points_mm[:, 2] > 0.7)).any()


@pytest.mark.parametrize("shift_mm", [(0.1, 0.0, 0.0), (0.0, 0.0, 0.1), (0.0, -0.3, 0.0)])
def test_a_frame_slightly_off_is_doubtful_by_how_much(pair, shift_mm):
    # Source: the shift itself; some vertex's normal lies along it.
    found = examine(_moved(pair[0], shift_mm), pair[1])
    assert found.state is AlignmentState.DOUBTFUL
    assert found.reasons[0].code == "frame_untrue"
    assert found.evidence.frame_mm == pytest.approx(np.linalg.norm(shift_mm), abs=0.006)


def test_a_frame_slightly_turned_is_doubtful(pair):
    found = examine(_moved(pair[0], turn_deg=(0.0, 0.7, 0.0)), pair[1])
    assert found.state is AlignmentState.DOUBTFUL
    # Source: 0.7° at the ends, 11 mm away.
    assert found.evidence.frame_mm == pytest.approx(11 * np.radians(0.7), rel=0.3)


@pytest.mark.parametrize(
    ("shift_mm", "turn_deg"),
    [
        ((3.0, 0.0, -3.0), (0.0, 0.0, 0.0)),
        ((60.0, 0.0, 0.0), (0.0, 0.0, 0.0)),
        ((0.0, 0.0, 0.0), (0.0, 30.0, 0.0)),
        ((0.0, 0.0, 0.0), (0.0, 0.0, 90.0)),
        ((0.0, 0.0, 0.0), (180.0, 0.0, 0.0)),
    ],
)
def test_a_frame_far_off_fails(pair, shift_mm, turn_deg):
    # Source: the error planted is larger than the layers that would be read.
    found = examine(_moved(pair[0], shift_mm, turn_deg), pair[1])
    assert found.state is AlignmentState.FAILED
    assert found.reasons


def test_a_frame_in_which_the_cut_lies_on_the_contour_is_not_kept(pair):
    # Source: the top was cut by 1 mm and is shifted back by it: it seems uncut, the rest does not.
    assert examine(_moved(pair[0], (0.0, 0.0, 1.0)), pair[1]).state is not AlignmentState.GIVEN


@pytest.mark.parametrize("body", known_bodies(0.4), ids=lambda body: body.name)
def test_without_uncut_surface_a_frame_is_kept_and_that_is_told(body):
    # Source: known bodies, in their true frame, that nowhere touch and nowhere cross.
    found = examine(body.inner, body.outer)
    assert found.state is AlignmentState.GIVEN
    assert [reason.code for reason in found.reasons] == ["given_without_contact"]
    assert np.isnan(found.rms_mm)


@pytest.mark.parametrize(
    ("body", "shift_mm", "code"),
    [
        (concentric_spheres(0.4), (3.0, 0.0, 0.0), "frame_crossing"),
        (parallel_plates(0.4), (0.0, 0.0, 40.0), "frame_apart"),
    ],
)
def test_without_uncut_surface_bodies_that_cross_or_part_fail(body, shift_mm, code):
    # Source: a ball of 4 mm shifted by 3 stands out of one of 5; plates 40 mm apart.
    found = examine(_moved(body.inner, shift_mm), body.outer)
    assert found.state is AlignmentState.FAILED
    assert code in [reason.code for reason in found.reasons]


def test_what_slides_along_itself_is_not_held_against_the_frame():
    # Source: two equal half-cut balls turn about their centre at no cost; shifted, they do not.
    ball = concentric_spheres(0.3).outer
    depth = np.clip(ball.points_mm[:, 2] / 0.6, 0.0, 1.0)
    framework = TriangleMesh(ball.points_mm * (1 - depth / 5.0)[:, None], ball.faces)
    assert examine(framework, _moved(ball, turn_deg=(3.0, 2.0, 5.0))).state is AlignmentState.GIVEN
    shifted = examine(_moved(framework, (0.1, 0.0, 0.0)), ball)
    assert shifted.state is AlignmentState.DOUBTFUL


def test_a_mask_of_another_length_is_refused(pair):
    with pytest.raises(MeshError, match="mask"):
        examine(*pair, reference=np.ones(3, dtype=bool))
