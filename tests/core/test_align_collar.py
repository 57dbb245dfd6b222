"""Crowns that keep but a narrow collar: the cut laid on the contour lifts them by its depth."""

import dataclasses
from types import SimpleNamespace

import numpy as np
import pytest

from phantom.surface import triangulate
from veneercheck.core.align import coarse, fit, rival
from veneercheck.core.align.fit import Candidate
from veneercheck.core.align.options import AlignOptions
from veneercheck.core.align.polish import Quality
from veneercheck.core.align.rival import Rival
from veneercheck.core.mesh.triangles import select_faces, vertex_normals
from veneercheck.core.types import RigidMotion, TriangleMesh
from veneercheck.phantom.bodies import parallel_plates

CUT_MM, COLLAR_MM = 1.3, 0.8
LIFTED = RigidMotion(np.eye(3), np.array([0.0, 0.0, CUT_MM]))
TRUE = RigidMotion.identity()


def _crown(points):
    """A lobed wall under an uneven top, open below."""
    x, y, z = points.T
    angle = np.arctan2(y, x)
    lobes = 1.0 - 0.05 * np.cos(4 * angle + 0.4) - 0.03 * np.cos(3 * angle)
    wall = np.hypot(x / 4.6, y / 4.0) * lobes - 1.0 - 0.05 * np.sin(0.6 * z)
    top = (z - 5.0 - 0.5 * np.cos(1.1 * x + 0.3) * np.cos(1.2 * y - 0.2) - 0.06 * x) / 4.3
    return 4.3 * np.log(np.exp(6 * wall) + np.exp(6 * top)) / 6


@pytest.fixture(scope="module")
def scans():
    """A crown cut by 1.3 mm down to a collar of 0.8 mm, and its contour, each with noise."""
    mesh = triangulate(_crown, np.array([-6.0, -6.0, -1.5]), np.array([6.0, 6.0, 7.0]), 0.3)
    mesh = select_faces(mesh, mesh.points_mm[mesh.faces].mean(axis=1)[:, 2] > 0.0)[0]
    out, rng = vertex_normals(mesh), np.random.default_rng(4)
    depth = CUT_MM * np.clip((mesh.points_mm[:, 2] - COLLAR_MM) / 0.5, 0.0, 1.0)
    away = [0.005 * rng.normal(size=len(depth)) - cut for cut in (depth, 0.0)]
    return [TriangleMesh(mesh.points_mm + mm[:, None] * out, mesh.faces) for mm in away]


@pytest.fixture(scope="module")
def poses(scans):
    """Both scans made ready, the lifted pose and the true one, each fitted."""
    body, target = fit.prepared(*scans, AlignOptions(), None)
    return body, target, *(fit._refined(body, target, one) for one in (LIFTED, TRUE))


@pytest.mark.usefixtures("from_here")
def test_a_crown_that_its_own_cut_lifts_is_sunk_onto_its_collar(scans, monkeypatch) -> None:
    """Source: the pose put in; a start lifted by the cut finds none that touches more."""
    none = coarse.Poses(np.zeros((0, 3, 3)), np.zeros((0, 3)), np.zeros(0))
    monkeypatch.setattr(coarse, "climb", lambda *_: none)
    monkeypatch.setattr(coarse, "turned", lambda *_: none)
    framework, waxup = scans
    lifted = TriangleMesh(LIFTED.apply(framework.points_mm), framework.faces)
    _, _, found = fit.place(lifted, waxup, AlignOptions(), None, None)
    gap = found[0].motion.apply(lifted.points_mm) - framework.points_mm
    assert np.linalg.norm(gap, axis=1).max() < 0.1
    assert found[1].quality.rank_mm2 > found[0].quality.rank_mm2


@pytest.mark.parametrize("cut_mm", [0.6, 0.9, 1.4, 1.8, 2.1])
def test_cuts_of_any_depth_of_a_veneer_are_met(cut_mm, monkeypatch) -> None:
    """Source: a plate that lies so much too high; from 0.5 mm over its place to 0.25 mm under it a
    fit comes to rest there. The way is that of what touches, a plate's normal."""
    plate = parallel_plates(3.0, gap_mm=1.0).inner
    body, target = fit.prepared(plate, plate, AlignOptions(), None)
    monkeypatch.setattr(fit, "_refined", lambda *given: given[-1])
    out = vertex_normals(plate).mean(axis=0)
    found = [one.translation_mm for one in fit._sunk(body, target, TRUE)]
    assert all(np.allclose(np.cross(one, out), 0.0, atol=1e-9) for one in found)
    assert any(-0.5 <= -one @ out - cut_mm <= 0.25 for one in found)


def _quality(contact_mm2, outside_mm2, sharpness, noise_mm, closest_mm2):
    return Quality(contact_mm2, outside_mm2, sharpness, noise_mm, False, closest_mm2)


BLUNT = _quality(67.2, 3.2, 0.83, 0.030, 38.1)
PLAIN = _quality(14.8, 0.0, 0.99, 0.022, 10.4)


@pytest.mark.parametrize(
    ("one", "other", "goes_first"),
    [
        (PLAIN, BLUNT, True),
        (_quality(6.1, 0.0, 0.98, 0.015, 5.9), _quality(33.3, 0.4, 0.67, 0.030, 18.9), True),
        (PLAIN, dataclasses.replace(BLUNT, sharpness=0.93), False),
        (BLUNT, PLAIN, False),
        (dataclasses.replace(PLAIN, slides=True), BLUNT, False),
        (dataclasses.replace(PLAIN, closest_mm2=8.0), BLUNT, False),
        (dataclasses.replace(PLAIN, closest_mm2=4.9), _quality(9.0, 0, 0.6, 0.030, 6.0), False),
    ],
    ids=["collar", "hair collar", "both plain", "blunt", "slides", "too little", "next to nothing"],
)
def test_a_plain_pose_of_enough_area_goes_before_a_blunt_one(one, other, goes_first) -> None:
    """Source: figures of two crowns on a collar of 0.3 mm and of one, lifted by the cut."""
    assert fit.outweighs(one, other) is goes_first


def test_a_start_by_hand_takes_the_plain_one_of_those_near_it() -> None:
    """Source: by hand; a body of 4 mm, so that 3 mm are near."""
    body = SimpleNamespace(centre_mm=np.zeros(3), radius_mm=4.0)
    at = [RigidMotion(np.eye(3), np.array([0.0, 0.0, mm])) for mm in (1.3, 0.0, 5.0)]
    found = [Candidate(at[0], BLUNT), Candidate(at[1], PLAIN)]
    far = dataclasses.replace(BLUNT, closest_mm2=90.0)
    assert fit._taken([*found, Candidate(at[2], far)], body, LIFTED).motion is at[1]
    assert fit._taken([*found, Candidate(at[2], far)], body, None).motion is at[2]
    assert fit._taken(found, body, None).motion is at[1]
    away = RigidMotion(np.eye(3), np.array([30.0, 0.0, 0.0]))
    assert fit._taken(found, body, away).motion is at[0]


@pytest.mark.parametrize("blunt", [False, True])
def test_what_a_plain_pose_outweighs_is_no_rival_of_it(poses, blunt) -> None:
    """Source: the crown lifted by its cut touches more, but nowhere at the noise; held against a
    pose that is blunt itself it is one, 1.3 mm off and more where it is tilted."""
    body, target, lifted, true = poses
    last = SimpleNamespace(motion=true.motion, noise_mm=0.01)
    taken = dataclasses.replace(true.quality, sharpness=0.6, noise_mm=0.03 if blunt else 0.005)
    found = rival.best_rival(body, target, [*[true] * 3, lifted], last, taken)
    if blunt:
        assert found.share > 0.5 and found.near
        assert found.apart_mm == pytest.approx(fit.apart_mm(lifted.motion, TRUE, body), abs=0.15)
    else:
        assert np.isnan(found.share) and found.doubt(taken) is None


def test_a_pose_that_runs_into_the_one_taken_is_no_other(poses, monkeypatch) -> None:
    """Source: a fit from 0.6 mm deeper comes back."""
    monkeypatch.setattr(rival, "_WORTH_ANOTHER_FIT", 0.0)
    body, target, _, true = poses
    last = SimpleNamespace(motion=true.motion, noise_mm=0.03)
    beside = RigidMotion(true.motion.rotation, true.motion.translation_mm - [0.0, 0.0, 0.6])
    blunt = dataclasses.replace(true.quality, sharpness=0.6, noise_mm=0.03)
    found = rival.best_rival(body, target, [Candidate(beside, true.quality)], last, blunt)
    assert np.isnan(found.share)


@pytest.mark.parametrize(
    ("share", "near", "code"),
    [(0.69, True, None), (0.75, True, "rival_near"), (0.75, False, "rival"), (np.nan, True, None)],
)
def test_who_cannot_be_told_apart_by_picking_is_not_asked_to_pick(share, near, code) -> None:
    """Source: places picked to half a millimetre lead to either of two poses 1.4 mm apart."""
    told = Rival(share, 1.42, near).doubt(_quality(40.0, 0.0, 0.9, 0.01, 40.0))
    assert (told and told.code) == code
    if told is not None:
        assert told.values["rival"] == pytest.approx(30.0) and told.values["best"] == 40.0
        assert ("pick three points" in told.words) == (not near)
        assert ("1.4 mm off" in told.words) == ("scan more" in told.words) == near


def test_a_long_lead_leaves_no_choice_open_but_before_a_rival_as_good() -> None:
    """Source: of 200 mm², 0.8 lie 40 mm² behind, 0.95 lie 10."""
    taken = _quality(200.0, 0.0, 0.9, 0.01, 200.0)
    assert Rival(0.8, 9.0).doubt(taken) is None
    assert Rival(0.95, 9.0).doubt(dataclasses.replace(taken, contact_mm2=900.0)) is not None


def test_a_rival_is_held_against_a_rank_that_can_be_divided_by() -> None:
    """Source: 25 of 50 mm² are half; a pose that stands out as much as it touches ranks nothing."""
    assert rival.share(25.0, 50.0) == 0.5
    assert rival.share(-3.0, 50.0) == 0.0
    assert rival.share(300.0, -7.0) == rival.share(300.0, 0.0) == 300.0
    assert np.isnan(rival.share(np.nan, 50.0))
