"""Places picked on both scans: where the fit starts, and what no hand can make more certain."""

import dataclasses
from types import SimpleNamespace

import numpy as np
import pytest

from veneercheck.check import Surfaces, check
from veneercheck.core.align import align, apart_mm, by_paint, fit, given, held, start_of
from veneercheck.core.align.polish import Quality
from veneercheck.core.errors import MeshError
from veneercheck.core.mesh.motion import rotation_from_vector
from veneercheck.core.types import AlignmentState, Case, Reason, Region, RigidMotion, TriangleMesh
from veneercheck.phantom.bodies import concentric_spheres
from veneercheck.profile import built_in

POSE = RigidMotion(
    np.asarray(rotation_from_vector(np.array([0.1, 0.2, 3.0]))), np.array([30.0, -20.0, 10.0])
)
WAYS = ([1.0, 0.0, 0.0], [-1.0, 0.0, 0.0], [0.0, 0.3, -1.0])


@pytest.fixture(scope="module")
def twofold():
    """A body that comes to lie on itself when it is turned by half about z; its top is cut."""
    ball = concentric_spheres(0.45).inner
    way = ball.points_mm / 4.0
    contour = way * [9.0, 5.0, 4.0] * (1.0 + 0.1 * way[:, :1] * way[:, 1:2])
    cut = 0.9 * np.clip((way[:, 2] + 0.1) / 0.1, 0.0, 1.0)
    moved = POSE.apply(contour - way * cut[:, None])
    return TriangleMesh(moved, ball.faces), TriangleMesh(contour, ball.faces)


def _pairs(framework, waxup, turned=(1.0, 1.0, 1.0)):
    """Uncut vertices and where they lie on the contour, or half a turn away from it."""
    low = np.flatnonzero(waxup.points_mm[:, 2] < -1.0)
    chosen = [int(low[np.argmax(waxup.points_mm[low] @ np.array(way))]) for way in WAYS]
    return tuple(
        (tuple(framework.points_mm[k]), tuple(waxup.points_mm[k] * turned)) for k in chosen
    )


def test_the_start_is_the_motion_that_was_put_in(twofold):
    # Source: the pose by construction; uncut places lie on the contour.
    framework, waxup = twofold
    pairs = _pairs(framework, waxup)
    start = start_of(framework, waxup, pairs)
    assert np.allclose(start.matrix(), POSE.inverse().matrix(), atol=1e-9)
    off = RigidMotion(POSE.inverse().rotation, POSE.inverse().translation_mm + [0.3, 0.4, 0.0])
    assert apart_mm(off, pairs) == pytest.approx(0.5)


def test_the_hand_chooses_between_two_poses_and_makes_neither_more_certain(twofold, monkeypatch):
    # Source: by symmetry both poses fit equally well, so that none may be trusted.
    monkeypatch.setattr(fit, "_from_anywhere", lambda *_: [])
    framework, waxup = twofold
    for turned in ((1.0, 1.0, 1.0), (-1.0, -1.0, 1.0)):
        pairs = _pairs(framework, waxup, turned)
        found = align(framework, waxup, start=start_of(framework, waxup, pairs))
        assert found.state is AlignmentState.DOUBTFUL
        assert "rival" in [reason.code for reason in found.reasons]
        assert found.evidence.rival_share > 0.9
        lies = found.waxup_from_framework.apply(framework.points_mm) * turned
        assert np.abs(lies - POSE.inverse().apply(framework.points_mm)).max() < 0.02
        assert held(found, pairs) is found
    # The other way round is twice a place's distance from the axis away from what was picked: told
    # first, and never trusted.
    trusted = dataclasses.replace(found, state=AlignmentState.TRUSTED, reasons=())
    pairs = _pairs(framework, waxup)
    astray = held(trusted, pairs)
    far_mm = max(2 * np.hypot(*place[:2]) for _, place in pairs)
    assert astray.state is AlignmentState.DOUBTFUL
    assert astray.reasons[0].code == "left_picked"
    assert astray.reasons[0].values["apart"] == pytest.approx(far_mm, abs=0.05)


def test_of_poses_near_the_hands_the_best_is_taken_whatever_fits_better_elsewhere():
    # Source: by hand; a body of 10 mm, so that 2 + 0.25 * 10 mm are near. None near: the hand's.
    def shifted(mm, contact_mm2):
        motion = RigidMotion(np.eye(3), np.array([mm, 0.0, 0.0]))
        return fit.Candidate(motion, Quality(contact_mm2, 0.0, 1.0, 0.01, False, contact_mm2))

    body = SimpleNamespace(centre_mm=np.zeros(3), radius_mm=10.0)
    picked, beside, better, far = (shifted(*one) for one in ((0, 5), (1, 20), (4, 30), (5, 90)))
    start = RigidMotion.identity()
    found = [picked, beside, better, far]
    assert fit._taken(found, body, start) is better
    assert fit._taken(found, body, None) is far
    assert fit._taken([shifted(6, 9), far], body, start).motion.translation_mm[0] == 6.0


def test_places_beside_the_scan_or_of_another_place_are_refused(twofold):
    # Source: moved by 3 mm along x, of which the slope there takes 0.2; four corners of which two
    # are swapped are a mirror image, which no motion makes good.
    framework, waxup = twofold
    (one, first), *others = _pairs(framework, waxup)
    beside = ((one, (first[0] + 3.0, *first[1:])), *others)
    with pytest.raises(MeshError, match=r"landmark 1: .* wax-up lies 2\.8 mm off"):
        start_of(framework, waxup, beside)
    ends = ([1, 1, 1], [-1, -1, 1], [-1, 1, -1], [1, -1, -1])
    four = [int(np.argmax(waxup.points_mm @ np.array(way))) for way in ends]
    swapped = [four[1], four[0], *four[2:]]
    picked = tuple(
        (tuple(framework.points_mm[k]), tuple(waxup.points_mm[m]))
        for k, m in zip(four, swapped, strict=True)
    )
    with pytest.raises(MeshError, match="mm apart"):
        start_of(framework, waxup, picked)


@pytest.mark.parametrize(
    ("codes", "named"),
    [(["rival_near"], True), (["no_contact"], True), (["too_loose", "bowed"], False), ([], False)],
)
def test_paint_is_named_where_more_of_it_could_help_and_nowhere_else(codes, named) -> None:
    """Source: what each reason says; a bend is none of the paint's."""
    plate = TriangleMesh([[0, 0, 0], [9, 0, 0], [0, 9, 0]], [[0, 1, 2]])
    reasons = tuple(Reason(code, code) for code in codes)
    found = by_paint(dataclasses.replace(given(plate, plate), reasons=reasons))
    assert [one.code for one in found.reasons] == ["painted"] * named + codes


@pytest.mark.usefixtures("from_here")
@pytest.mark.parametrize("aligned", [False, True])
def test_a_check_blames_paint_for_a_fit_that_rests_on_it_and_not_for_a_frame(aligned) -> None:
    """Source: two balls that touch nowhere, all of one painted as left uncut."""
    body = concentric_spheres(0.6, inner_mm=4.0, outer_mm=5.3)
    paint = np.full(len(body.inner.points_mm), int(Region.UNCUT))
    surfaces = Surfaces(body.inner, body.outer, paint=paint)
    found = check(surfaces, case=Case(), limits=built_in(), aligned=aligned).alignment
    assert found.state is (AlignmentState.GIVEN if aligned else AlignmentState.FAILED)
    assert found.reasons
    assert ("painted" in [one.code for one in found.reasons]) == (not aligned)
