"""Parts that lie otherwise, of the work or beside it."""

from __future__ import annotations

import dataclasses
from types import SimpleNamespace

import numpy as np
import pytest
import trimesh

from phantom.surface import triangulate
from veneercheck.core.align import align, alignment, askew, examine, patches, seating, words
from veneercheck.core.align.options import AlignOptions
from veneercheck.core.align.pattern import Pattern
from veneercheck.core.align.solver import SURE
from veneercheck.core.divide import anatomy
from veneercheck.core.mesh.triangles import vertex_normals
from veneercheck.core.types import Alignment, AlignmentState, Floats, RigidMotion, TriangleMesh
from veneercheck.report.verdict import reasons, state_first
from veneercheck.report.words import Words

LIMIT_MM = AlignOptions().limit_mm


def test_warp_of_a_part_that_faces_one_way_is_no_shift_of_it(monkeypatch) -> None:
    """Source: drawn. Nothing of a strip of 27 mm is shifted; it is warped by 8 µm over 5 to 14 mm,
    and its faces look within some 20° of one way, so that along it 37 µm are fitted."""
    rng = np.random.default_rng(1)
    axes = np.meshgrid(np.linspace(-13.5, 13.5, 136), np.linspace(-4, 4, 41))
    along, across = (one.ravel() for one in axes)
    arm = np.stack([across, np.zeros(len(along)), along], axis=1)
    normal = np.stack([0.35 * np.sin(1.1 * across), 0 * along + 1, 0.35 * np.sin(0.9 * along)], 1)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    residual = 0.004 * rng.standard_normal(len(along))
    for _ in range(12):
        way = rng.normal(size=3) * [1, 0, 1]
        way *= 2 * np.pi / rng.uniform(5, 14) / np.linalg.norm(way)
        residual += 0.008 * np.sqrt(2 / 12) * np.sin(arm @ way + rng.uniform(0, 6.3))
    rigid = np.concatenate([np.cross(arm, normal), normal], axis=1)
    area, every = np.full(len(along), 0.04), np.arange(len(along))
    shown = patches.Shown(arm, normal, residual, area, 5e-6, 0.04, every, every >= 0)
    shift_mm, u_mm = askew.parts_off(shown, rigid, LIMIT_MM).shift
    assert LIMIT_MM < shift_mm < SURE * u_mm
    monkeypatch.setattr(askew, "_warp_mm2", lambda _: 0.0)
    assert askew.parts_off(shown, rigid, LIMIT_MM).shift[1] < shift_mm / SURE


@pytest.mark.parametrize("displaced_mm", [0.0, 0.05])
def test_warp_is_what_most_patches_show_and_no_unit_that_ends_within_a_part(displaced_mm) -> None:
    """Source: 400 patches of 2 mm² are off by 5 µm, standard deviation, drawn; where half of them
    are displaced, half of the others makes the quarter, 0.675 over 0.319 deviations by the table of
    the normal distribution. 400 crumbs of 0.2 mm² tell nothing."""
    rng = np.random.default_rng(2)
    off = 0.005 * rng.standard_normal(400)
    off[:200] += displaced_mm
    off = np.repeat(np.concatenate([off, np.full(400, 0.3)]), 4)
    area = np.repeat([0.5, 0.05], 1600)
    arm = np.zeros((3200, 3))
    arm[:, 0] = np.repeat(np.arange(800) * 6.0 + 1.0, 4)
    every = np.arange(3200)
    one = patches.Shown(arm, np.zeros((3200, 3)), off + 0.02, area, 1.0, 0.04, every, every >= 0)
    found_mm = np.sqrt(askew._warp_mm2([(one, np.full(3200, 0.02))]))
    expected_mm = 0.005 * 0.6745 / 0.3186 if displaced_mm else 0.005
    assert found_mm == pytest.approx(expected_mm, rel=0.15)
    assert askew._warp_mm2([]) == 0.0


def test_a_part_that_is_sure_comes_before_a_greater_one_that_is_not() -> None:
    """Source: by hand; 40 ± 20 µm are no shift, 35 ± 5 are."""
    nowhere, there, here = [(0.0, 0.0, None)], (0.040, 0.020, "there"), (0.035, 0.005, "here")
    assert askew._greatest([*nowhere, there, here]) == ((0.035, 0.005), "here")
    farther = (-0.050, 0.020, "here")
    assert askew._greatest([*nowhere, there, farther]) == ((-0.050, 0.020), "here")


@pytest.mark.parametrize(("shift_mm", "swollen_mm"), [(0.15, 0.0), (0.0, 0.08)])
def test_a_part_that_comes_to_touch_in_its_own_place_is_known_whatever_warps(
    monkeypatch, shift_mm: float, swollen_mm: float
) -> None:
    """Source: three balls in a row; one is moved or larger, and touches nowhere as it lies."""
    ball = trimesh.creation.icosphere(subdivisions=4, radius=1.0)
    way, count = np.asarray(ball.vertices), len(ball.vertices)
    normal = np.tile(way, (3, 1))
    arm = 4.0 * normal + np.repeat([[0, 0, -12.0], [0, 0, 0], [0, 0, 12.0]], count, axis=0)
    moved = np.repeat([0.0, 0.0, 1.0], count)
    rng = np.random.default_rng(4)
    residual = moved * (shift_mm * (normal @ [0.6, 0.0, 0.8]) + swollen_mm)
    residual += 0.003 * rng.standard_normal(3 * count)
    rigid = np.concatenate([np.cross(arm, normal), normal], axis=1) * (moved == 0)[:, None]
    area, every = np.full(3 * count, 201.0 / count), np.arange(3 * count)
    shown = patches.Shown(arm, normal, residual, area, 5e-6, 0.04, every, every >= 0)
    monkeypatch.setattr(askew, "_warp_mm2", lambda _: 1.0)
    found = askew.parts_off(shown, rigid, LIMIT_MM)
    for (off_mm, u_mm), true_mm in ((found.shift, shift_mm), (found.offset, swollen_mm)):
        assert off_mm == pytest.approx(true_mm, abs=0.003)
        assert (off_mm > SURE * u_mm) == (true_mm > 0)


MIDDLE_MM = np.array([6.0, 9.0, -1.0])


def _with_a_neighbour(points: Floats) -> Floats:
    """A long uneven body, and a tooth of 8 mm at its side."""
    x, y, z = points.T
    wave = 0.4 * np.sin(0.55 * x + 0.4 * y) + 0.3 * np.cos(0.8 * y - 0.21 * x + z)
    body = np.linalg.norm(np.maximum(np.abs(points) - [14, 3, 2.5], 0), axis=1) - 1.0 + wave
    tooth = np.linalg.norm((points - MIDDLE_MM) / [1.0, 1.0, 0.9], axis=1) - 4.2 + 0.5 * wave
    return np.minimum(body, tooth)


@pytest.fixture(scope="module")
def model() -> TriangleMesh:
    return triangulate(
        _with_a_neighbour, np.array([-17.0, -6.0, -6.5]), np.array([17.0, 15.0, 5.5]), 0.4
    )


def risen(model: TriangleMesh, by_mm: float, cut_mm: float = 1.0) -> TriangleMesh:
    """The body cut at its far end, and the tooth, 5 mm from there, moved as a whole."""
    points, normal = model.points_mm, vertex_normals(model)
    noise = 0.005 * np.random.default_rng(11).normal(size=(len(points), 1))
    depth = np.clip((points[:, 2] - 0.5) / 0.6, 0, 1) * np.clip((-3 - points[:, 0]) / 0.6, 0, 1)
    depth *= points[:, 1] < 4.5
    share = np.clip((points[:, 1] - 5.2) / 0.5, 0, 1)
    way = np.outer(share, by_mm * np.array([0.2, 0.5, 0.84]))
    return TriangleMesh(points + way + (noise - cut_mm * depth[:, None]) * normal, model.faces)


def off_mm(model: TriangleMesh, motion: RigidMotion) -> float:
    body = model.points_mm[model.points_mm[:, 1] < 4.0]
    return float(np.linalg.norm(motion.apply(body) - body, axis=1).max())


@pytest.mark.parametrize("by_mm", [0.0, 0.06])
def test_a_neighbour_that_stands_higher_is_told_and_moves_no_pose(model, by_mm) -> None:
    """Source: so much was moved, and it is a tooth of which nothing was cut; it may be a unit that
    is not seated, so that it is not trusted, and what is read may be firm."""
    found = align(risen(model, by_mm), model)
    state = AlignmentState.DOUBTFUL if by_mm else AlignmentState.TRUSTED
    assert found.state is state and not found.beyond_budget, found.reasons
    assert off_mm(model, found.waxup_from_framework) < 0.002
    assert [one.code for one in found.reasons] == ["part_off_beside"] * (by_mm > 0)
    assert all(np.median(one.at_mm[:, 1]) > 5.2 for one in found.reasons)  # where the tooth is
    assert found.evidence.part_mm == pytest.approx(by_mm, abs=0.01)
    # The reference keeps none of it, for what it pulls.
    tooth = model.points_mm[:, 1] > 6.0
    share = np.mean(found.reference[tooth])
    assert share < 0.1 if by_mm else share > 0.9


def test_a_neighbour_that_stands_higher_is_told_of_a_shared_frame(model) -> None:
    """Source: the scans share their frame, and only the tooth was moved."""
    found = examine(risen(model, 0.06), model)
    assert found.state is AlignmentState.DOUBTFUL and not found.beyond_budget, found.reasons
    assert [one.code for one in found.reasons] == ["part_off_beside"]
    assert found.evidence.part_mm == pytest.approx(0.06, abs=0.01)


def test_where_too_much_lies_otherwise_nobody_knows_which_moved(model, monkeypatch) -> None:
    """Source: by hand; what remains is to be all of the reference, and the tooth is a sixth."""
    monkeypatch.setattr(alignment, "_LEAST_REST", 0.999)
    found = align(risen(model, 0.06), model)
    assert np.median(found.reasons[0].at_mm[:, 1]) > 5.2
    assert found.state is AlignmentState.DOUBTFUL
    assert [one.code for one in found.reasons] == ["part_off"]
    assert found.evidence.part_mm == pytest.approx(0.06, abs=0.01)


def test_beside_a_bridge_that_is_fitted_alone_the_model_is_what_lies_otherwise(monkeypatch) -> None:
    """Source: by hand; all of the model is 80 µm off then, and none of it is left out anew."""
    beside = Pattern(part_mm=0.01, part_u_mm=0.001, beside_mm=0.08, beside=np.ones(3, dtype=bool))
    seat = seating.Seating(0.1, 0.01, own=SimpleNamespace())
    monkeypatch.setattr(alignment, "_settled", lambda *_: (None, seat, beside))
    last = SimpleNamespace(area_mm2=9.0)
    _, _, left = alignment.settled(None, None, last, AlignOptions())
    assert left.part_mm == 0.08 and np.isnan(left.beside_mm)


def test_where_nothing_was_cut_all_is_of_the_work(model) -> None:
    """Source: the same body without a cut: nothing says which of it is a neighbour."""
    found = examine(risen(model, 0.06, cut_mm=0.0), model)
    assert found.state is AlignmentState.DOUBTFUL
    assert [one.code for one in found.reasons] == ["part_off"]
    (reason,) = found.reasons
    assert np.median(reason.at_mm[:, 1]) > 5.2  # where the tooth is
    # The points find vertices of units, these their unit, and it is told first in any language;
    # a part of which most lies farther from them is of no unit.
    own = np.where(model.points_mm[:, 1] > 5.0, 46, np.where(model.points_mm[:, 0] < -8, 44, 0))

    def told(at):
        return ("46" if (own[at] == 46).all() else None), None, ""

    named = anatomy.named(found, model.points_mm, SimpleNamespace(owner=own), told)
    far = SimpleNamespace(owner=own * (own == 44))
    assert anatomy.named(found, model.points_mm, far, told).reasons[0].tooth == ""
    nothing = SimpleNamespace(owner=0 * own)
    assert anatomy.named(found, model.points_mm, nothing, told).reasons[0].tooth == ""
    (coded,) = (
        {"code": one.code, "values": one.values, "tooth": one.tooth} for one in named.reasons
    )
    filed = {"reasons": [reason.words], "coded": [coded]}
    assert coded["tooth"] == "46"
    for lang in ("en", "de"):
        (said,) = reasons(filed, Words(lang))
        assert said.startswith("46: ")
        (before,) = reasons({**filed, "coded": [{**coded, "tooth": ""}]}, Words(lang))
        assert said == f"46: {before}"


def test_a_neighbour_adds_no_doubt_that_no_uncertainty_holds() -> None:
    """Source: by hand; a loose pose is stated by its covariance, and a neighbour moves none."""
    pose = RigidMotion.identity()
    loose = Alignment(
        pose, AlignmentState.DOUBTFUL, 0.0, np.ones(0, dtype=bool), 0.0, 0.0, np.eye(6),
        np.zeros(3), 0.02, reasons=(words.too_little(1.0), words.beside(0.06, None)),
    )  # fmt: skip
    assert loose.beyond_budget
    assert not dataclasses.replace(loose, reasons=loose.reasons[1:]).beyond_budget


SAID = (
    ("part_off_beside", "beside"),
    ("too_loose", "loose"),
    ("parted", "parted"),
    ("another_size_is_smaller", "sized"),
    ("bowed", "doubtful"),
)


def test_a_neighbour_explains_no_halves_that_part() -> None:
    """Source: by hand; the fit does not rest on it, so what parts is something else."""
    done = SimpleNamespace(
        last=SimpleNamespace(seen=SimpleNamespace(facets_mm=0.0)),
        body=SimpleNamespace(radius_mm=15.0),
        sure=SimpleNamespace(u_max_mm=0.002),
    )
    left, halves = Pattern(beside_mm=0.06), SimpleNamespace(halves_mm=0.04)
    found = alignment.changed(done, seating.Seating(), left, halves, AlignOptions())
    assert [reason.code for reason in found] == ["part_off_beside", "halves"]


def test_beside_what_only_holds_loosely_a_neighbour_sends_no_one_to_seat_the_work() -> None:
    """Source: words alone; loose is told as loose, whatever a neighbour does."""
    for code, key in SAID:
        coded = [{"code": one, "values": {"part": 60.0}} for one in ("part_off_beside", code)]
        filed = {"state": "doubtful", "reasons": [""] * 2, "coded": coded}
        assert state_first({"alignment": filed}, Words("en"))[0] == Words("en")(f"verdict.{key}")
