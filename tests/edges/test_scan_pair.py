"""Two scans together: units, swaps, one file twice."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest
import trimesh

from veneercheck.check import Surfaces, check
from veneercheck.core.align import align, doubted, given, swapped
from veneercheck.core.errors import ScanError
from veneercheck.core.types import (
    CAST,
    DENTINE,
    FINISHED,
    WAX,
    AlignmentState,
    Case,
    Check,
    Decision,
    TriangleMesh,
)
from veneercheck.profile import built_in
from veneercheck.scan import read_pair, write_stl

pytestmark = pytest.mark.usefixtures("fitted_on_few")


def bowl(cut: float, n: int = 90) -> TriangleMesh:
    """Half a ball of 6 mm radius, its top cut back by so much within 40° of the pole."""
    tilt = np.linspace(0.02, np.pi / 2, n)
    turn = np.linspace(0, 2 * np.pi, 2 * n, endpoint=False)
    t, a = np.meshgrid(tilt, turn, indexing="ij")
    radius = 6.0 - cut * (t < np.radians(40))
    points = np.stack(
        [radius * np.sin(t) * np.cos(a), radius * np.sin(t) * np.sin(a), radius * np.cos(t)], axis=2
    ).reshape(-1, 3)
    i, j = (k.reshape(-1) for k in np.meshgrid(np.arange(n - 1), np.arange(2 * n), indexing="ij"))

    def at(r, s):
        return r * 2 * n + s % (2 * n)

    p, q, r, s = at(i, j), at(i + 1, j), at(i + 1, j + 1), at(i, j + 1)
    return TriangleMesh(points, np.concatenate([np.stack([p, q, r], 1), np.stack([p, r, s], 1)]))


FULL, CUT = bowl(0.0, 45), bowl(1.3, 45)


def lobed(points_mm: np.ndarray) -> np.ndarray:
    """Drawn out, and with a lobe to one side, so that it slides no way along itself."""
    x, y, z = points_mm.T
    return np.stack([x * (1.0 + 0.08 * y + 0.02 * x), 1.2 * y, z], axis=1)


def files(folder: Path, framework: TriangleMesh, waxup: TriangleMesh) -> tuple[Path, Path]:
    paths = folder / "framework.stl", folder / "waxup.stl"
    write_stl(paths[0], framework)
    write_stl(paths[1], waxup)
    return paths


def kinds(folder: Path, framework: TriangleMesh, waxup: TriangleMesh) -> list[str]:
    return [one.kind for one in read_pair(*files(folder, framework, waxup)).remarks]


def test_a_sound_pair_raises_no_remark(tmp_path: Path) -> None:
    assert kinds(tmp_path, bowl(1.3), bowl(0.0)) == []


def checked(framework: TriangleMesh, waxup: TriangleMesh, stage: str = WAX) -> Check:
    return check(
        Surfaces(framework, waxup), case=Case(stage=stage), limits=built_in(), aligned=True
    )


@pytest.mark.parametrize("stage", [WAX, CAST])
def test_the_two_the_wrong_way_round_give_no_firm_word(stage: str) -> None:
    """Every amount would be told of the wrong surface: nothing is sure, and that stands first."""
    full, cut = bowl(0.0, 24), bowl(1.3, 24)
    turned, right = checked(full, cut, stage), checked(cut, full, stage)
    assert turned.alignment.state is AlignmentState.DOUBTFUL
    assert [reason.code for reason in turned.alignment.reasons] == ["swapped"]
    assert turned.zones and not any(zone.decision is Decision.FIRM for zone in turned.zones)
    assert right.alignment.state is AlignmentState.GIVEN


def swept(*line: tuple[float, float]) -> TriangleMesh:
    """What a line of radii and heights sweeps about the z axis, outward to the right of its way."""
    turn = np.linspace(0.0, 2.0 * np.pi, 90, endpoint=False)
    radius, z = np.array(line).T
    points = np.stack(
        [np.outer(radius, np.cos(turn)), np.outer(radius, np.sin(turn)), np.outer(z, 0 * turn + 1)],
        axis=2,
    ).reshape(-1, 3)
    first = np.arange(len(line) * 90).reshape(len(line), 90)
    a, b = first[:-1].ravel(), np.roll(first[:-1], -1, axis=1).ravel()
    c, d = first[1:].ravel(), np.roll(first[1:], -1, axis=1).ravel()
    return TriangleMesh(points, np.concatenate([np.stack([a, c, d], 1), np.stack([a, d, b], 1)]))


@pytest.mark.parametrize(
    "more",
    [
        swept(*((6.0 + 1.5 * k / 10, -3.0 * k / 10) for k in range(11))),
        swept(*((1.5, 10.0 - 0.25 * k) for k in range(17))),
    ],
    ids=["root below the margin", "sprue"],
)
def test_what_the_framework_shows_beyond_its_wax_up_is_no_swap(more: TriangleMesh) -> None:
    """Source: nothing stands out of the wax-up where both show the crown."""
    count = len(FULL.points_mm)
    points = np.concatenate([FULL.points_mm, more.points_mm])
    framework = TriangleMesh(points, np.concatenate([FULL.faces, more.faces + count]))
    found = given(framework, FULL)
    assert doubted(found, framework, FULL) is found


def raised(mesh: TriangleMesh, half_deg: float) -> TriangleMesh:
    """The half ball with a bump of 0.8 mm, 55° to 75° off the pole and so wide to either side."""
    x, y, z = mesh.points_mm.T
    tilt, turn = np.degrees(np.arccos(z / np.linalg.norm(mesh.points_mm, axis=1))), np.arctan2(y, x)
    bump = (tilt > 55.0) & (tilt < 75.0) & (np.abs(turn) < np.radians(half_deg))
    return TriangleMesh(mesh.points_mm * np.where(bump, 6.8 / 6.0, 1.0)[:, None], mesh.faces)


@pytest.mark.parametrize(("mesh", "half_deg"), [(CUT, 40.0), (FULL, 15.0)])
def test_a_bump_beside_a_cut_or_a_small_one_is_no_swap(mesh: TriangleMesh, half_deg: float) -> None:
    """Source: areas of a ball. A cut within 40° of the pole is 0.23 of the half ball, and the bump
    beside it 0.07: much less stands out than was cut. The other bump is 0.03 of it."""
    framework = raised(mesh, half_deg)
    found = given(framework, FULL)
    assert doubted(found, framework, FULL) is found


def test_a_bump_of_wax_is_no_swap() -> None:
    """Source: 0.4 mm over contour within 40° of the pole, less than a veneer is thick."""
    proud = bowl(-0.4, 45)
    found = given(proud, FULL)
    assert doubted(found, proud, FULL) is found


def test_where_no_pose_is_found_the_two_are_tried_the_other_way_round() -> None:
    """A cut of half the surface: no fit from within finds it."""
    cut, full = (TriangleMesh(lobed(mesh.points_mm), mesh.faces) for mesh in (CUT, FULL))
    none = dataclasses.replace(given(cut, full), state=AlignmentState.FAILED)
    turned = doubted(none, full, cut)
    assert turned.state is AlignmentState.FAILED
    assert [reason.code for reason in turned.reasons] == ["swapped"]
    assert doubted(none, cut, full) is none


def test_a_framework_that_was_mirrored_is_asked_about() -> None:
    """Source: the way it was made; as it is it is laid without a word of a mirror."""
    cut, full = (TriangleMesh(lobed(mesh.points_mm), mesh.faces) for mesh in (CUT, FULL))
    image = TriangleMesh(cut.points_mm * [-1.0, 1.0, 1.0], cut.faces[:, ::-1])
    told = [
        [reason.code for reason in doubted(align(one, full), one, full).reasons]
        for one in (image, cut)
    ]
    assert told[0][0] == "mirrored" and "mirrored" not in told[1]


@pytest.mark.parametrize(("state", "area_mm2", "told"), [
    (AlignmentState.TRUSTED, 130.0, True), (AlignmentState.TRUSTED, 110.0, False),
    (AlignmentState.DOUBTFUL, 130.0, False),
])  # fmt: skip
def test_a_mirror_image_is_told_where_it_is_trusted_and_touches_more(
    monkeypatch: pytest.MonkeyPatch, state, area_mm2, told
) -> None:
    """By hand: 100 mm² touched as it is."""
    found = dataclasses.replace(
        given(CUT, FULL), state=AlignmentState.DOUBTFUL, reference_area_mm2=100.0
    )
    other = dataclasses.replace(found, state=state, reference_area_mm2=area_mm2)
    monkeypatch.setattr(swapped, "align", lambda *_: other)
    first = [reason.code for reason in doubted(found, CUT, FULL).reasons][:1]
    assert first == ["mirrored"] * told
    trusted = dataclasses.replace(found, state=AlignmentState.TRUSTED)
    assert doubted(trusted, CUT, FULL) is trusted


def test_a_pose_in_doubt_by_which_next_to_nothing_touches_says_nothing() -> None:
    """Source: the same ball, a sixth larger: all of it lies outside, in whatever pose."""
    larger = TriangleMesh(7.0 / 6.0 * FULL.points_mm, FULL.faces)
    sure = given(larger, FULL)
    unsure = dataclasses.replace(sure, state=AlignmentState.DOUBTFUL)
    assert doubted(unsure, larger, FULL) is unsure
    assert doubted(sure, larger, FULL) is not sure


def test_a_build_up_may_stand_outside_of_its_contour() -> None:
    for stage in (DENTINE, FINISHED):
        assert checked(FULL, CUT, stage).alignment.state is AlignmentState.GIVEN


def test_a_shift_of_the_frame_says_nothing_about_a_swap() -> None:
    moved = TriangleMesh(bowl(0.0).points_mm + np.array([0, 0, 25.0]), bowl(0.0).faces)
    found = checked(moved, bowl(1.3)).alignment
    assert found.state is AlignmentState.FAILED
    assert "swapped" not in [reason.code for reason in found.reasons]


def test_one_in_metres(tmp_path: Path) -> None:
    """By a format that states it; an STL that only fits in metres is refused, not guessed at."""
    small = TriangleMesh(bowl(1.3).points_mm / 1000, bowl(1.3).faces)
    framework, waxup = files(tmp_path, small, bowl(0.0))
    with pytest.raises(ScanError, match=r"saved in metres\? Give --unit m,"):
        read_pair(framework, waxup)
    stated = framework.with_suffix(".glb")
    trimesh.Trimesh(small.points_mm, small.faces, process=False).export(stated)
    pair = read_pair(stated, waxup)
    assert [one.kind for one in pair.remarks] == ["units_differ"]
    assert (pair.framework.source.unit, pair.waxup.source.unit) == ("m", "mm")
    sizes = [np.ptp(scan.mesh.points_mm, axis=0) for scan in (pair.framework, pair.waxup)]
    assert sizes[0][0] == pytest.approx(sizes[1][0], rel=1e-3)


def test_one_far_larger(tmp_path: Path) -> None:
    large = TriangleMesh(bowl(0.0).points_mm * 8, bowl(0.0).faces)
    assert "sizes_differ" in kinds(tmp_path, bowl(1.3), large)


def test_one_file_twice(tmp_path: Path) -> None:
    path, _ = files(tmp_path, bowl(1.3), bowl(0.0))
    assert [one.kind for one in read_pair(path, path).remarks] == ["same_file_twice"]


def test_one_surface_in_two_files(tmp_path: Path) -> None:
    framework, waxup = files(tmp_path, bowl(1.3), bowl(1.3))
    waxup.write_bytes(b"another header".ljust(80) + waxup.read_bytes()[80:])
    assert [one.kind for one in read_pair(framework, waxup).remarks] == ["same_surface_twice"]


def test_a_refusal_names_the_file_that_is_wrong(tmp_path: Path) -> None:
    framework, waxup = files(tmp_path, bowl(1.3), bowl(0.0))
    waxup.write_bytes(b"")
    with pytest.raises(ScanError, match=r"waxup\.stl: the file is empty"):
        read_pair(framework, waxup)
    framework.unlink()
    with pytest.raises(ScanError, match=r"framework\.stl: there is no such file"):
        read_pair(framework, waxup)
