"""Laws: what must change nothing in a check, from alignment given to zones."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from veneercheck import check_meshes
from veneercheck.core.mesh.motion import rotation_from_vector
from veneercheck.core.mesh.triangles import select_faces, vertex_areas
from veneercheck.core.types import (
    AlignmentState,
    Check,
    FindingKind,
    Region,
    RigidMotion,
    TriangleMesh,
    Verdict,
)
from veneercheck.phantom.bodies import concentric_spheres

pytestmark = pytest.mark.usefixtures("fitted_on_few")

QUICK = settings(max_examples=2, deadline=None, suppress_health_check=[HealthCheck.too_slow])


@cache
def pair() -> tuple[TriangleMesh, TriangleMesh]:
    """A ball in a ball, one cap cut back too little, one cut too deep, half of it left uncut."""
    body = concentric_spheres(0.5)
    way = body.inner.points_mm / 4.0
    depth = 1.5 * np.clip((way[:, 2] + 0.1) / 0.1, 0.0, 1.0)  # a chamfer 0.6 mm wide
    depth -= 0.9 * np.exp(-(((way - [0.6, 0.0, 0.8]) ** 2).sum(axis=1)) / 0.05)
    depth += 1.3 * np.exp(-(((way - [-0.6, 0.0, 0.8]) ** 2).sum(axis=1)) / 0.05)
    return TriangleMesh(way * (5.0 - depth)[:, None], body.inner.faces), body.outer


def checked(framework: TriangleMesh, waxup: TriangleMesh) -> Check:
    return check_meshes(framework, waxup, aligned=True).check


@cache
def plain() -> Check:
    return checked(*pair())


def same_zones(one: Check, other: Check, moved: RigidMotion) -> None:
    assert [(z.finding, z.decision) for z in one.zones] == [
        (z.finding, z.decision) for z in other.zones
    ]
    for a, b in zip(one.zones, other.zones, strict=True):
        assert b.area_mm2 == pytest.approx(a.area_mm2, rel=0.02)
        assert b.extreme_mm == pytest.approx(a.extreme_mm, abs=0.005)
        expected = moved.apply([a.centre_mm])[0]
        assert np.linalg.norm(np.subtract(b.centre_mm, expected)) < 0.05
    assert one.verdict is other.verdict


def test_the_pair_holds_what_was_put_in() -> None:
    """By construction: one cap 0.9 mm too shallow, one 1.3 mm too deep, and nothing else."""
    found = plain()
    assert found.alignment.state is AlignmentState.GIVEN
    assert sorted(zone.finding for zone in found.zones) == [
        FindingKind.TOO_THIN,
        FindingKind.TOO_THICK,
    ]
    assert found.verdict is Verdict.FINDINGS
    by_finding = {zone.finding: zone for zone in found.zones}
    assert by_finding[FindingKind.TOO_THIN].centre_mm[0] > 1.0
    assert by_finding[FindingKind.TOO_THICK].centre_mm[0] < -1.0


@QUICK
@given(st.integers(0, 2**32 - 1))
def test_moving_both_surfaces_together_changes_nothing(seed: int) -> None:
    """By a seed, since the first example of a vector is the motion that moves nothing."""
    rng = np.random.default_rng(seed)
    motion = RigidMotion(rotation_from_vector(rng.uniform(-3, 3, 3)), rng.uniform(-80, 80, 3))
    framework, waxup = pair()
    found = checked(
        TriangleMesh(motion.apply(framework.points_mm), framework.faces),
        TriangleMesh(motion.apply(waxup.points_mm), waxup.faces),
    )
    same_zones(plain(), found, motion)
    assert found.space is not None
    assert plain().space is not None
    assert np.nanmax(np.abs(found.space.space_mm - plain().space.space_mm)) < 2e-3
    assert found.veneered_area_mm2 == pytest.approx(plain().veneered_area_mm2, rel=0.005)


@QUICK
@given(st.integers(0, 2**32 - 1))
def test_renumbering_changes_nothing(seed: int) -> None:
    rng = np.random.default_rng(seed)

    def renumbered(mesh: TriangleMesh) -> TriangleMesh:
        new = rng.permutation(len(mesh.points_mm))
        points = np.empty_like(mesh.points_mm)
        points[new] = mesh.points_mm
        faces = new[mesh.faces][rng.permutation(len(mesh.faces))]
        return TriangleMesh(points, np.roll(faces, int(rng.integers(3)), axis=1))

    framework, waxup = pair()
    found = checked(renumbered(framework), renumbered(waxup))
    same_zones(plain(), found, RigidMotion.identity())
    # Which diagonal a halved triangle gets depends on the corner that comes first in it.
    before, after = plain().space_statistics.mean_mm, found.space_statistics.mean_mm
    assert after == pytest.approx(before, abs=0.004)


def test_splitting_flat_triangles_changes_no_finding() -> None:
    """Every triangle in four of its own plane: the surfaces stay what they are."""

    def split(mesh: TriangleMesh) -> TriangleMesh:
        a, b, c = (mesh.points_mm[mesh.faces[:, k]] for k in range(3))
        corners = np.stack([a, b, c, (a + b) / 2, (b + c) / 2, (c + a) / 2], axis=1)
        base = 6 * np.arange(len(mesh.faces))[:, None]
        faces = [base + np.array(t) for t in ((0, 3, 5), (3, 1, 4), (5, 4, 2), (3, 4, 5))]
        points, index = np.unique(corners.reshape(-1, 3).round(12), axis=0, return_inverse=True)
        return TriangleMesh(points, index.reshape(-1)[np.concatenate(faces)])

    framework, waxup = pair()
    found = checked(split(framework), split(waxup))
    assert [z.finding for z in found.zones] == [z.finding for z in plain().zones]
    for a, b in zip(plain().zones, found.zones, strict=True):
        assert b.area_mm2 == pytest.approx(a.area_mm2, rel=0.1)
        assert b.extreme_mm == pytest.approx(a.extreme_mm, abs=0.03)
        assert np.linalg.norm(np.subtract(a.centre_mm, b.centre_mm)) < 0.2


def test_holes_of_the_waxup_hide_no_veneer() -> None:
    """Source: the same pair before the holes were cut; behind them lies the far side of the ball.

    What had its contour point farther than a little within a hole has none left: it stays
    veneer, and is not measured. So the veneered area stays what it was, but for the rims.
    """
    whole, radius_mm = plain(), 1.6
    framework, waxup = pair()
    middle = waxup.points_mm[waxup.faces].mean(axis=1)
    seats = np.array([[0.0, 3.0, 4.0], [0.0, -3.0, 4.0]])
    gone = [np.linalg.norm(middle - seat, axis=1) < radius_mm for seat in seats]
    assert not np.logical_and(*gone).any(), "two holes, not one"
    found = checked(framework, select_faces(waxup, ~np.logical_or(*gone))[0])
    assert found.space is not None and whole.space is not None
    own = slice(len(framework.points_mm))  # beside the holes more is refined
    veneered = np.isin(whole.region[own], (Region.CUT, Region.FINISH_LINE_BAND))
    still = np.isin(found.region[own], (Region.CUT, Region.FINISH_LINE_BAND))
    unmeasured = 0.0
    for seat in seats:
        from_rim = radius_mm - np.linalg.norm(whole.space.contour_mm[own] - seat, axis=1)
        hidden = veneered & (from_rim > 0.5)
        area_mm2 = vertex_areas(framework)[hidden].sum()
        assert area_mm2 > 1.0
        assert still[hidden].mean() > 0.99
        assert np.isnan(found.space.nearest_mm[own][hidden]).mean() > 0.95
        unmeasured += area_mm2 / whole.veneered_area_mm2
    assert found.measured_share < whole.measured_share - 0.9 * unmeasured
    assert found.veneered_area_mm2 == pytest.approx(whole.veneered_area_mm2, rel=0.02)
