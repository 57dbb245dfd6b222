"""Finished metal on a large model: what lies as it was gives the pose, the rest what was taken."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
import trimesh

import align_bodies as bodies
from veneercheck.core.align import AlignOptions, finishing, fit, given, taken, words
from veneercheck.core.align.on_model import shifted_mm
from veneercheck.core.align.pairs import Pairs
from veneercheck.core.mesh.triangles import vertex_normals
from veneercheck.core.types import AlignmentState, Bools, Floats, RigidMotion, TriangleMesh


@pytest.fixture(scope="module")
def both() -> bodies.Body:
    """A bridge on its model."""
    return bodies.make_body(bodies.BodySpec(8, units=2, base_framework=True, base_waxup=True))


def finished(both: bodies.Body, taken_mm: float, raised_mm: float = 0.0) -> TriangleMesh:
    """The scan of which finishing took something of the bridge alone, which may stand up."""
    out = vertex_normals(both.framework) * taken_mm
    up = both.waxup_from_framework.inverse().turn(np.array([[0.0, 0.0, raised_mm]]))
    points = both.framework.points_mm + both.bridge[:, None] * (up - out)
    return TriangleMesh(points, both.framework.faces)


def prepared(both: bodies.Body, cast: TriangleMesh):
    return fit.prepared(cast, both.waxup, AlignOptions(), None)


def test_what_lacks_the_amount_far_from_the_cut_is_no_metal(both) -> None:
    """Source: a hollow of the same depth in the model, far from the bridge."""
    cast, uncut = finished(both, 0.06), both.depth_mm < 1e-3
    stone = np.flatnonzero(uncut & ~both.bridge)
    from_bridge = np.array(
        [
            np.linalg.norm(cast.points_mm[both.bridge] - cast.points_mm[one], axis=1).min()
            for one in stone[:: max(len(stone) // 200, 1)]
        ]
    )
    middle = cast.points_mm[stone[:: max(len(stone) // 200, 1)][from_bridge.argmax()]]
    hollow = np.linalg.norm(cast.points_mm - middle, axis=1) < min(from_bridge.max() - 0.5, 3.0)
    hollow &= ~both.bridge
    assert hollow.sum() > 100
    points = cast.points_mm - 0.06 * hollow[:, None] * vertex_normals(cast)
    body, target = prepared(both, TriangleMesh(points, cast.faces))
    lacks = taken._lacking(body, target, both.waxup_from_framework, 0.06)
    assert lacks[both.true_reference()].mean() > 0.95
    assert not lacks[hollow].any()


def of_metal(**other: object) -> taken._Metal:
    """A thousand points that all lie right, fourteen of metal that lacks 0.05 mm among them."""
    which = np.arange(1000)
    nowhere, flat = np.zeros(0, dtype=bool), np.zeros(1000)
    return dataclasses.replace(taken._Metal(0.05, 0.003, which, flat, which < 14, nowhere), **other)


def test_little_metal_is_held_against_itself() -> None:
    """Source: by one amount all fourteen lie 0.05 mm off; no more than a hundredth of all."""
    left = np.where(np.arange(1000) < 14, 0.05, 0.0)
    assert of_metal().clearly(np.arange(1000), left)


def test_the_foot_of_a_cut_is_no_metal_that_lacks_something() -> None:
    """Source: it passes by every depth to 0.3 mm, and lies as wrong by one amount as by two."""
    foot = np.where(np.arange(1000) < 14, np.arange(1000) * 0.02 - 0.05, 0.0)
    by_one = np.where(np.arange(1000) < 14, foot - 0.05, 0.0)
    assert not of_metal(left_mm=foot).clearly(np.arange(1000), by_one)


def test_an_amount_that_is_not_sure_is_none() -> None:
    """Source: 0.05 mm, known to 0.02."""
    left = np.where(np.arange(1000) < 14, 0.05, 0.0)
    assert not of_metal(u_mm=0.02).clearly(np.arange(1000), left)


def test_two_amounts_that_lay_the_rest_less_right_are_none() -> None:
    """Source: the rest lies 0.01 mm off by two, and right by one."""
    left = np.where(np.arange(1000) < 14, 0.05, 0.0)
    off = np.where(np.arange(1000) < 14, 0.0, 0.01)
    assert not of_metal(left_mm=off).clearly(np.arange(1000), left)


def test_where_no_pose_is_found_as_stated_it_is_measured_from_that_of_the_scan_as_it_is(both):
    """Source: 0.1 mm taken of the bridge; by the stated amount the pose lies 3 mm off."""
    cast, true = finished(both, 0.1), both.waxup_from_framework
    aside = RigidMotion(np.eye(3), np.array([3.0, 0.0, 0.0])).after(true)
    right = dataclasses.replace(given(cast, both.waxup), waxup_from_framework=true)
    failed = dataclasses.replace(right, state=AlignmentState.FAILED, waxup_from_framework=aside)

    def placed(taken_mm: float | Floats, _: RigidMotion | None):
        return failed if np.ndim(taken_mm) == 0 and taken_mm == 0.07 else right

    found, used_mm, (said,) = finishing.by_measure(placed, cast, both.waxup, 0.07)
    assert found.state is AlignmentState.GIVEN and not found.reasons
    assert used_mm == pytest.approx(0.1, abs=0.005)
    assert said.code == finishing.METAL_ALONE


def cap_cut_off(cut_above: float, taken_mm: float) -> tuple[TriangleMesh, TriangleMesh]:
    """A ball of 10 mm, cut above a height and lacking something all over, and as it was."""
    mesh = trimesh.creation.icosphere(subdivisions=5, radius=1.0)
    way, faces = np.asarray(mesh.vertices), np.asarray(mesh.faces)
    deep = 1.4 * np.clip((way[:, 2:] - cut_above) / 0.04, 0.0, 1.0)
    return TriangleMesh((10.0 - deep - taken_mm) * way, faces), TriangleMesh(10.0 * way, faces)


def ball(cut_above: float, taken_mm: float) -> taken.Taken:
    """What is found of it in its true place."""
    scans = fit.prepared(*cap_cut_off(cut_above, taken_mm), AlignOptions(), None)
    return taken.taken_off(*scans, RigidMotion.identity())


@pytest.mark.parametrize(
    ("cut_above", "taken_mm", "of_model"), [(0.8, 0.0, True), (0.8, 0.05, False), (0, 0.0, False)]
)
def test_nearly_all_far_from_the_cut_as_it_was_says_little_of_metal(
    cut_above: float, taken_mm: float, of_model: bool
) -> None:
    """Source: nothing is missing, and of what was not cut nine tenths or half lie 6 mm off."""
    found = ball(cut_above, taken_mm)
    assert found.mm == pytest.approx(taken_mm, abs=0.003)
    assert found.of_model is of_model


def test_beside_a_model_that_lies_as_it_was_the_amount_of_the_profile_stands(
    both, monkeypatch
) -> None:
    """Source: nothing is missing where 0.1 mm are stated; the bridge stands 0.08 mm up."""
    cast, raised = finished(both, 0.0), finished(both, 0.0, 0.08)
    monkeypatch.setattr(finishing, "taken_off", lambda *_: taken.Taken(0.001, 0.001, of_model=True))
    right = dataclasses.replace(
        given(cast, both.waxup),
        state=AlignmentState.TRUSTED,
        waxup_from_framework=both.waxup_from_framework,
    )
    found, used_mm, (said,) = finishing.by_measure(lambda *_: right, cast, both.waxup, 0.1)
    assert (found, used_mm, said.code) == (right, 0.1, finishing.OF_MODEL)
    found, *_ = finishing.by_measure(lambda *_: right, raised, both.waxup, 0.1)
    assert found.state is AlignmentState.DOUBTFUL
    assert [why.code for why in found.reasons] == ["not_seated_on_model"]
    told = dataclasses.replace(right, reasons=(words.not_seated(0.08, False),))
    found, *_ = finishing.by_measure(lambda *_: told, raised, both.waxup, 0.1)
    assert found is told


def test_metal_that_stands_up_is_told_though_finishing_took_some_of_it(both, monkeypatch) -> None:
    """Source: 0.1 mm taken of a bridge that stands 0.08 mm up."""
    raised = finished(both, 0.1, 0.08)
    alone = taken.Taken(0.1, 0.001, as_it_was=~both.bridge)
    monkeypatch.setattr(finishing, "taken_off", lambda *_: alone)
    right = dataclasses.replace(
        given(raised, both.waxup), waxup_from_framework=both.waxup_from_framework
    )
    found, used_mm, _ = finishing.by_measure(lambda *_: right, raised, both.waxup, 0.1)
    assert (found.state, used_mm) == (AlignmentState.DOUBTFUL, 0.1)
    assert [why.code for why in found.reasons] == ["not_seated_on_model"]


def test_a_way_up_that_looks_like_an_even_loss_is_none() -> None:
    """Source: of a narrow ring round a cut cap all normals stand as steep; noise of 10 µm."""
    cast, waxup = cap_cut_off(0.8, 0.0)
    noise = 0.01 * np.random.default_rng(5).normal(size=(len(cast.points_mm), 1))
    cast = TriangleMesh(cast.points_mm + noise * vertex_normals(cast), cast.faces)
    body, target = fit.prepared(cast, waxup, AlignOptions(), None)
    assert shifted_mm(body, target, RigidMotion.identity(), 0.0) == 0.0


@pytest.mark.parametrize("taken_mm", [0.0, 0.15])
def test_metal_that_stands_up_on_its_model_is_seen_whatever_was_taken_off(
    both, taken_mm: float
) -> None:
    """Source: the bridge stands 0.08 mm up, or not at all."""
    true = both.waxup_from_framework
    sound = shifted_mm(*prepared(both, finished(both, taken_mm)), true, taken_mm)
    raised = shifted_mm(*prepared(both, finished(both, taken_mm, 0.08)), true, taken_mm)
    assert sound < 0.02
    assert raised == pytest.approx(0.08, abs=0.03)


@pytest.mark.parametrize(("other_mm", "as_scanned"), [(0.004, True), (0.03, False)])
def test_of_two_amounts_that_lie_anywhere_the_pose_goes_by_what_is_as_it_was(
    both, monkeypatch, other_mm: float, as_scanned: bool
) -> None:
    """Source: 0.04 mm beside the cut; far from it next to nothing, or another amount."""
    monkeypatch.setattr(finishing, "taken_off", lambda *_: taken.Taken(0.04, np.nan, other_mm))
    right = given(both.framework, both.waxup)
    found, used_mm, told = finishing.by_measure(
        lambda taken_mm, _: dataclasses.replace(right, u_max_mm=taken_mm),
        both.framework,
        both.waxup,
        0.1,
    )
    assert (found.state, used_mm, told) == (AlignmentState.DOUBTFUL, 0.1, ())
    assert (found.u_max_mm == 0.0) is as_scanned
    assert found.reasons[0].code == "two_depths"


def test_where_no_pose_was_found_one_of_two_amounts_is_tried_all_over(both, monkeypatch) -> None:
    """Source: nothing lies right by the 0.1 mm stated, all by 0.04; far from the cut 0.03 mm."""
    monkeypatch.setattr(finishing, "taken_off", lambda *_: taken.Taken(0.04, np.nan, 0.03))
    right = given(both.framework, both.waxup)
    nowhere = dataclasses.replace(right, state=AlignmentState.FAILED)
    found, used_mm, _ = finishing.by_measure(
        lambda taken_mm, _: right if taken_mm == 0.04 else nowhere, both.framework, both.waxup, 0.1
    )
    assert found is right and used_mm == 0.04


def uncut(lacking: Bools, near: Bools, way: Floats) -> taken._Uncut:
    """Points of a ball of 10 mm, 0.03 mm of some missing, cut beside the near ones."""
    cut = way[:, 2] > 0.9
    residual = np.where(cut, -1.0, np.where(lacking & near, -0.03, 0.0))
    rest = np.zeros(len(way))
    pairs = Pairs(10.0 * way, way, residual, rest, rest, np.ones(len(way), dtype=bool))
    return taken._Uncut.of(pairs, np.zeros(3), 10.0)


def test_what_patches_beside_the_cut_do_not_agree_on_is_no_other_amount() -> None:
    """Source: half of the patches of 3 mm beside the cut lack 0.03 mm, or all of them 0.015."""
    mesh = trimesh.creation.icosphere(subdivisions=5, radius=1.0)
    way = np.asarray(mesh.vertices)
    near = (way[:, 2] > 0.8) & (way[:, 2] <= 0.9)
    sector = np.floor(np.arctan2(way[:, 1], way[:, 0]) / (2 * np.pi) * 12).astype(int)
    each_mm2 = 1256.0 / len(way)
    by_some = taken._apart(uncut(sector % 3 == 0, near, way), each_mm2)
    by_all = taken._apart(uncut(sector >= -99, near, way), each_mm2)
    assert by_all[0] - by_all[1] == pytest.approx(0.03, abs=0.003) and by_all[2] < 0.003
    assert by_some[2] > 0.003


@pytest.mark.parametrize(("u_mm", "told"), [(0.01, False), (0.001, True)])
def test_two_amounts_are_told_where_their_difference_is_sure(monkeypatch, u_mm, told) -> None:
    """Source: 0.02 mm beside the cut and none far from it, known to 0.01 or to 0.001."""
    monkeypatch.setattr(taken, "_apart", lambda *_: (0.02, 0.0, u_mm))
    assert np.isfinite(ball(0.8, 0.0).other_mm) == told
