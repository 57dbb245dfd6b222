"""What makes the search for a pose quick changes no answer: each held against the plain way."""

import dataclasses

import numpy as np
import pytest
import trimesh
from scipy.spatial import cKDTree

from veneercheck.core.align import coarse, grid, pairs
from veneercheck.core.align.sampling import Surface, prepare, sample
from veneercheck.core.mesh.motion import rotation_from_vector
from veneercheck.core.mesh.nearest import NearestPoints, NearestSurface
from veneercheck.core.types import Floats, RigidMotion, TriangleMesh

STAGE = dataclasses.replace(coarse._NARROW, rounds=2, beyond_mm=0.9)


def lump(size_mm: Floats, seed: int = 0) -> TriangleMesh:
    """A closed body without symmetry, of edges of some 0.3 mm."""
    ball = trimesh.creation.icosphere(5)
    bumps = np.random.default_rng(seed).normal(size=(4, 3))
    points = ball.vertices * (1.0 + 0.1 * np.sin(ball.vertices @ bumps.T).sum(axis=1))[:, None]
    return TriangleMesh(points * size_mm, ball.faces)


@pytest.fixture(scope="module")
def surface() -> Surface:
    return prepare(lump(np.array([9.0, 5.0, 4.0])), 0.0)


@pytest.fixture(scope="module")
def poses() -> coarse.Poses:
    some = np.random.default_rng(5).normal(size=(9, 6))
    return coarse.Poses(rotation_from_vector(0.1 * some[:, :3]), 0.5 * some[:, 3:], np.zeros(9))


@pytest.mark.parametrize("side", [1.0, -1.0])
def test_a_round_of_many_poses_is_one_of_each(
    surface: Surface, poses: coarse.Poses, side: float
) -> None:
    """Source: the weights as `Stage` tells them, and one damped step of point to plane for each
    pose, in float64 and in turn."""
    search = coarse.Search.of(surface, surface, side)
    found = sample(surface, STAGE.points)
    point, facing = found.point_mm - search.centre_mm, found.normal
    cloud = coarse.Cloud(point.T.astype(np.float32), facing.T.astype(np.float32))
    rotation, shift = coarse._advance(search, poses.rotation, poses.shift_mm, cloud, STAGE)
    for k in range(len(poses)):
        arm = point @ poses.rotation[k].T
        place = arm + poses.shift_mm[k]
        near, normal = (
            each[:, 0].T.astype(float) for each in search.grid(place.T[:, None].astype(np.float32))
        )
        residual = np.sum((place - near) * normal, axis=1)
        out = side * residual
        inner = (1 - np.clip(-out / STAGE.inside_mm, 0, 1) ** 2) ** 2
        weight = np.where(out > 0, STAGE.outside_mm / np.maximum(out, STAGE.outside_mm), inner)
        weight *= np.sum(facing @ poses.rotation[k].T * normal, axis=1) > 0.5
        weight *= np.linalg.norm(place - near, axis=1) < STAGE.reach_mm
        weight *= out < STAGE.beyond_mm
        assert 0 < (weight == 0).sum() < len(weight)
        rows = np.concatenate([np.cross(arm, normal) / search.radius_mm, normal], axis=1)
        matrix = rows.T @ (rows * weight[:, None])
        matrix += (1e-3 * np.trace(matrix) + 1e-6) * np.eye(6)
        step = np.linalg.solve(matrix, -rows.T @ (weight * residual))
        turn = rotation_from_vector(step[:3] / search.radius_mm) @ poses.rotation[k]
        assert np.allclose(rotation[k], turn, atol=2e-5)
        assert np.allclose(shift[k], poses.shift_mm[k] + step[3:], atol=1e-4)


def test_poses_come_out_alike_however_many_are_looked_at_together(
    surface: Surface, poses: coarse.Poses, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Source: each pose is fitted by itself; of none there are none."""
    search = coarse.Search.of(surface, surface, 1.0)
    stage = dataclasses.replace(STAGE, apart_mm=0.0)
    together = coarse.run(search, poses, stage)
    assert len(coarse.run(search, poses.take(slice(0)), stage)) == 0
    monkeypatch.setattr(coarse, "_AT_ONCE", 2 * STAGE.points)
    apart = coarse.run(search, poses, stage)
    assert len(together) == stage.keep < len(poses)
    for name in ("rotation", "shift_mm", "score"):
        assert np.allclose(getattr(together, name), getattr(apart, name), atol=1e-6)


def test_near_cells_know_their_own_sample_and_far_ones_that_of_eight(
    surface: Surface, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Source: every sample asked, for every cell; a cell's middle lies √3/2 of its size from that
    of the eight, so that what is nearest to the one is at most √3 farther from the other."""
    asked: list[int] = []
    query = NearestPoints.query
    monkeypatch.setattr(
        NearestPoints,
        "query",
        lambda self, points: asked.append(len(points)) or query(self, points),
    )
    cells = grid.NearestGrid(surface)
    tree = cKDTree(sample(surface, grid._TARGET_SAMPLES).point_mm)
    low, size = cells._low[:, 0, 0].astype(float), cells.cell_mm
    middle = grid._middles(low, size, cells.shape)
    near = cells(middle.T[:, None].astype(np.float32))[0][:, 0].T
    least, excess = tree.query(middle)[0], np.linalg.norm(near - middle, axis=1)
    excess -= least
    assert abs(excess[least < 1.5]).max() < 1e-5
    assert 0.1 * size < excess.max() <= np.sqrt(3) * size
    assert sum(asked) < 0.6 * len(middle)


def test_points_outside_the_grid_are_in_its_last_cells(surface: Surface) -> None:
    """Source: the sides of the grid."""
    cells = grid.NearestGrid(surface)
    high = cells._low[:, 0, 0] + cells.shape * np.float32(cells.cell_mm)
    inside = np.stack([cells._low[:, 0, 0] + 0.01, high - 0.01]).T[:, None].astype(np.float32)
    outside = inside + np.array([-50.0, 50.0], np.float32)
    assert np.array_equal(cells(inside)[0], cells(outside)[0])


def test_followed_points_are_all_that_lie_near_and_few_are_asked(
    surface: Surface, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Source: every point asked anew in every round."""
    target = pairs.target_of(surface)
    # Of a smaller body of the same shape most lies 0.5 to 1.6 mm deep; an end stands out.
    inner = prepare(lump(np.array([8.0, 4.0, 3.0])), 0.0)
    samples = sample(inner, 800)
    asked: list[int] = []
    query = NearestSurface.query
    monkeypatch.setattr(
        NearestSurface,
        "query",
        lambda self, points: asked.append(len(points)) or query(self, points),
    )
    followed = pairs.Followed(samples, target)
    inside_mm, outside_mm = 0.4, 1.2
    for move in (0.0, 0.3, 0.29, 0.31, 1.2, 1.21):
        motion = RigidMotion(
            rotation_from_vector([0.0, 0.02 * move, 0.0]), np.array([2.0 + move, 0.1, 0.0])
        )
        asked.clear()
        found = followed.pair(motion, inside_mm, outside_mm)
        few = sum(asked)
        every = pairs.pair(samples, motion, target, touching=True)
        reach = np.where(every.residual_mm < 0, inside_mm, outside_mm)
        wanted = every.only(every.distance_mm < reach)
        assert 0 < len(wanted.residual_mm) < 400
        for field in dataclasses.fields(wanted):
            assert np.array_equal(getattr(found, field.name), getattr(wanted, field.name))
        if move == 0.0:  # a third is too deep, however far apart the contour's points are
            assert few < 600
        if move in (0.29, 0.31, 1.21):
            assert few < 1.2 * len(found.residual_mm) + 20
