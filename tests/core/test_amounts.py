"""Amounts at every point against formulas: a bump and a pit under a round contour."""

from __future__ import annotations

import numpy as np
import pytest

from veneercheck.check import Surfaces, check
from veneercheck.core.mesh.triangles import vertex_normals
from veneercheck.core.types import Case, Check, TriangleMesh
from veneercheck.profile import built_in

pytestmark = pytest.mark.usefixtures("frame_as_given")

AROUND, LONG_MM, STEP_MM = 180, 8.0, 0.1
CONTOUR_MM, WIDE_MM, SPACE_MM = 2.5, 4.0, 1.2
RESERVE_MM = 1.645 * 0.044 + 0.02
"""Seating, trueness and opaquer: 0.044 mm; twice the noise of a usual scan."""


def tube(radius) -> TriangleMesh:
    """A tube along z whose radius is a function of angle and height; normals outward."""
    z, turn = np.meshgrid(
        np.arange(0.0, LONG_MM, STEP_MM),
        np.linspace(-np.pi, np.pi, AROUND, endpoint=False),
        indexing="ij",
    )
    r = radius(turn, z)
    points = np.stack([r * np.cos(turn), r * np.sin(turn), z], axis=-1).reshape(-1, 3)
    at = np.arange(z.size).reshape(z.shape)
    a, b = at[:-1], np.roll(at[:-1], -1, 1)
    c, d = at[1:], np.roll(at[1:], -1, 1)
    sides = [np.stack(t, -1).reshape(-1, 3) for t in ((a, b, c), (b, d, c))]
    return TriangleMesh(points, np.concatenate(sides))


def judged(framework: TriangleMesh, contour: TriangleMesh) -> Check:
    return check(Surfaces(framework, contour), case=Case(), limits=built_in(), aligned=True)


def test_under_a_round_contour_the_flanks_of_a_bump_are_cut_as_far_as_asked() -> None:
    """By hand: a place at distance r from the axis lies 2.5 - r under the contour; a bump stands
    out of it by 0.6 mm, and the least space and the reserve are asked for wherever it was."""

    def bump(turn, z):
        away = np.maximum(np.hypot(2.0 * turn, z - 0.5 * LONG_MM) - 0.3, 0.0)
        cut = np.clip(2.0 * (2.4 - np.abs(turn)), 0.0, SPACE_MM + 0.1)
        return np.maximum(CONTOUR_MM + 0.6 - 0.9 * away, CONTOUR_MM - cut)

    found = judged(tube(bump), tube(lambda turn, _: CONTOUR_MM + 0.0 * turn))
    points, amount = found.framework.points_mm, found.amount_mm
    ends = points - amount[:, None] * vertex_normals(found.framework)
    before, after = (CONTOUR_MM - np.hypot(p[:, 0], p[:, 1]) for p in (points, ends))
    short = before < SPACE_MM - 0.3
    short &= np.abs(np.arctan2(points[:, 1], points[:, 0])) < 1.2
    assert short.sum() > 2000
    # Where the flank leans away from the contour under it the knife would run along it, and stops.
    assert np.median(after[short]) > SPACE_MM
    assert after[short].min() > SPACE_MM - 0.3
    assert after[short].max() < SPACE_MM + RESERVE_MM + 0.01
    missing = SPACE_MM + RESERVE_MM - before
    assert (amount[short] / missing[short]).max() < 1.75 * 1.02


def test_no_more_is_added_anywhere_than_a_hollow_is_deep() -> None:
    """By hand: a pit 3.0 mm under the contour, where 2.2 are the most; its walls lean by 80°, so
    that along their own normal 5.8 times as much would be missing."""

    def pit(turn, z):
        away = np.hypot(1.4 * turn, z - 0.5 * LONG_MM)
        cut = np.clip(6.0 * (2.2 - np.abs(turn)), 0.0, SPACE_MM + 0.1)
        return WIDE_MM - cut - 1.7 * np.clip((1.2 - away) / 0.3, 0.0, 1.0)

    found = judged(tube(pit), tube(lambda turn, _: WIDE_MM + 0.0 * turn))
    deep_mm = 3.0 - 2.2 + RESERVE_MM
    assert deep_mm - 0.02 < -found.amount_mm.min() < 1.25 * deep_mm + 0.02


def test_from_the_back_of_a_ridge_no_more_is_taken_than_is_missing() -> None:
    """By hand: a ridge 0.3 mm under the contour leans over by 45°, so that its back faces away from
    the contour: a knife that comes from there takes it with the ridge."""

    def ridge(turn, z):
        cut = np.clip(2.0 * (2.4 - np.abs(turn)), 0.0, SPACE_MM + 0.1)
        high = np.clip(3.0 * (0.6 - np.abs(z - 0.5 * LONG_MM)), 0.0, 1.0) * (np.abs(turn) < 0.8)
        return CONTOUR_MM - cut + high

    framework = tube(ridge)
    points = np.array(framework.points_mm)
    points[:, 2] += np.maximum(
        np.hypot(points[:, 0], points[:, 1]) - CONTOUR_MM + SPACE_MM, 0.0
    ) * (np.abs(np.arctan2(points[:, 1], points[:, 0])) < 0.8)
    found = judged(TriangleMesh(points, framework.faces), tube(lambda t, _: CONTOUR_MM + 0.0 * t))
    points, amount = found.framework.points_mm, found.amount_mm
    r = np.hypot(points[:, 0], points[:, 1])
    outward = np.column_stack([points[:, :2] / r[:, None], np.zeros(len(r))])
    facing = np.einsum("ij,ij->i", vertex_normals(found.framework), outward)
    back = (facing < 0.1) & (amount > 0) & (np.abs(points[:, 1]) < 1.0)
    assert back.sum() > 50
    assert (amount - (SPACE_MM - (CONTOUR_MM - r)))[back].max() < RESERVE_MM + 0.01


def test_what_a_vertex_alone_asks_for_is_not_told() -> None:
    """By hand: a hollow 2.35 mm under the contour, where 2.2 are the most, with a pit of 3.2 mm in
    its middle, and one vertex 0.5 mm deeper than the hollow: a knife that adds so much there adds
    it all round."""

    def hollow(turn, z):
        cut = np.clip(6.0 * (2.2 - np.abs(turn)), 0.0, SPACE_MM + 0.1)
        away = np.hypot(2.7 * turn, z - 0.5 * LONG_MM)
        deep = 1.05 * np.clip((2.0 - away) / 0.5, 0.0, 1.0)
        deep += 0.85 * np.clip((0.8 - away) / 0.3, 0.0, 1.0)
        alone = (np.abs(turn) < 0.02) & (np.abs(z - 0.5 * LONG_MM - 1.2) < 0.04)
        return WIDE_MM - cut - deep - 0.5 * alone

    framework = tube(hollow)
    found = judged(framework, tube(lambda turn, _: WIDE_MM + 0.0 * turn))
    points = found.framework.points_mm
    spike = np.linalg.norm(points - [WIDE_MM - 2.85, 0.0, 0.5 * LONG_MM + 1.2], axis=1).argmin()
    assert np.hypot(*points[spike, :2]) < WIDE_MM - 2.8
    assert -found.amount_mm[spike] < 2.35 - 2.2 + RESERVE_MM + 0.1
    away = np.linalg.norm(points - points[spike], axis=1)
    assert 0.1 < -np.median(found.amount_mm[(away > 0.6) & (away < 0.7)]) < 0.35
    assert -found.amount_mm.min() > 1.0
