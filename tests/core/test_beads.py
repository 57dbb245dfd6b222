"""Retention beads on a plate: found, measured between, and judged by the cover over their tops."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from phantom.attached import put_beads
from phantom.sheets import height_field
from veneercheck.check import Surfaces, check
from veneercheck.core.measure import beads
from veneercheck.core.mesh.triangles import edge_pairs
from veneercheck.core.types import BEADS, Case, Check, Decision, FindingKind, TriangleMesh, Verdict
from veneercheck.profile import built_in

pytestmark = pytest.mark.usefixtures("frame_as_given")

STEPS = 121


def plate(depth) -> TriangleMesh:
    """A plate of 12 × 12 mm, a depth under the xy plane; normals up."""
    return height_field(lambda x, y: -depth(x, y), np.linspace(0.0, 12.0, STEPS))


CONTOUR = plate(lambda x, y: 0.0 * x * y)


def chamfered(x, y):
    """1.35 mm deep beyond a quarter of an ellipse that begins at x = 3."""
    share = np.clip(x - 3.0, 0.0, 1.0) + 0.0 * y
    return 1.35 * np.sqrt(share * (2.0 - share))


CUT = plate(chamfered)


def with_beads(count: int, sunk_mm: float) -> TriangleMesh:
    """The cut plate with beads 0.6 mm across, 1.5 mm apart."""
    along, across = np.meshgrid((60, 75, 90, 105), (15, 30, 45, 60, 75, 90, 105))
    seats = (along * STEPS + across).reshape(-1)[:count]
    return put_beads(CUT, seats, diameter_mm=0.6, sunk_mm=sunk_mm).mesh


def checked(framework: TriangleMesh) -> Check:
    return check(Surfaces(framework, CONTOUR), case=Case(), limits=built_in(), aligned=True)


def test_a_plate_without_beads_has_none_and_a_few_bumps_are_dirt() -> None:
    """Source: the fewest beads that make a field."""
    assert beads.find(CUT, edge_pairs(CUT.faces), -CUT.points_mm[:, 2]) is None
    few = with_beads(beads.FEWEST - 3, 0.3)
    assert beads.find(few, edge_pairs(few.faces), -few.points_mm[:, 2]) is None


def with_crests(mesh: TriangleMesh) -> TriangleMesh:
    """… and fifteen crests that taper off, 2 mm long and a little higher than the beads."""
    points = mesh.points_mm.copy()
    for x in (8.7, 9.8, 10.9):
        for y in (1.6, 3.8, 6.0, 8.2, 10.4):
            aside, along = np.abs(points[:, 0] - x) / 0.2, np.abs(points[:, 1] - y) / 1.0
            points[:, 2] += (
                0.3 * np.maximum(1.0 - along, 0.0) * np.sqrt(np.maximum(1.0 - aside**2, 0.0))
            )
    return TriangleMesh(points, mesh.faces)


def test_crests_and_tips_are_no_beads() -> None:
    """Source: fourteen beads alone are a field; fifteen crests beside them, without a summit for
    every bead that they could be cut into, are none, and then nothing is taken off anywhere."""
    some = with_beads(14, 0.3)
    alone = beads.find(some, edge_pairs(some.faces), -some.points_mm[:, 2])
    assert alone is not None and len(alone.top) == 14
    crests = with_crests(some)
    assert beads.find(crests, edge_pairs(crests.faces), -crests.points_mm[:, 2]) is None


def test_the_base_under_beads_is_the_plate() -> None:
    """Source: the plate lies at 1.35 mm; a bead sunk in by half stands out by its radius."""
    mesh = with_beads(20, 0.3)
    found = beads.find(mesh, edge_pairs(mesh.faces), -mesh.points_mm[:, 2])
    assert found is not None
    assert len(found.top) == 20
    assert found.height_mm == pytest.approx(0.3, abs=0.02)
    assert found.diameter_mm == pytest.approx(0.6, abs=0.1)
    inside = found.bead >= 0
    assert found.base.points_mm[inside, 2] == pytest.approx(-1.35, abs=0.01)
    assert (mesh.points_mm[inside, 2] > -1.3).any()


def test_beads_are_the_same_beside_much_that_was_left_uncut() -> None:
    """Source: the same plate without what lies beside it, a micrometre under the contour and in
    triangles of 0.5 mm, five times as long as those of the cut and more in number."""
    mesh = with_beads(20, 0.3)
    x, y = np.meshgrid(*2 * (np.arange(STEPS) * 0.5 + 20.0,), indexing="ij")
    level = np.stack([x, y, np.full(x.shape, -0.001)], axis=-1).reshape(-1, 3)
    beside = TriangleMesh(
        np.concatenate([mesh.points_mm, level]),
        np.concatenate([mesh.faces, CUT.faces + len(mesh.points_mm)]),
    )
    alone = beads.find(mesh, edge_pairs(mesh.faces), -mesh.points_mm[:, 2])
    found = beads.find(beside, edge_pairs(beside.faces), -beside.points_mm[:, 2])
    assert alone is not None and found is not None
    assert np.array_equal(found.bead[: len(mesh.points_mm)], alone.bead)
    assert found.diameter_mm == pytest.approx(alone.diameter_mm, abs=0.01)


def test_thin_cover_over_tops_is_judged_though_the_base_has_room() -> None:
    """Source: 1.35 mm less 0.3 mm of bead leave 1.05 mm; the base's layer of 1.15 mm is enough."""
    framework = with_beads(20, 0.3)
    sound = checked(framework)
    assert sound.zones == ()
    assert sound.verdict is Verdict.NO_FINDINGS
    assert sound.beads is not None
    assert sound.beads.cover_least_mm == pytest.approx(1.05, abs=0.02)
    assert sound.beads.proud == 20
    assert sound.space_statistics.median_mm == pytest.approx(1.35, abs=0.01)
    strict = dataclasses.replace(built_in(), bead_cover_mm=1.25)
    found = check(Surfaces(framework, CONTOUR), case=Case(), limits=strict, aligned=True)
    assert found.zones
    assert found.verdict is Verdict.FINDINGS
    for zone in found.zones:
        assert (zone.finding, zone.about) == (FindingKind.TOO_THIN, BEADS)
        assert zone.decision is Decision.FIRM
        assert zone.limit_mm == pytest.approx(1.25)
        assert zone.extreme_mm == pytest.approx(1.05, abs=0.02)
        # What is missing, the guard band of 0.054 mm and 0.02 mm, up to the next 0.05 mm.
        assert zone.action == "lower the beads by 0.30 mm, or take them off"


def test_beads_whose_zones_are_below_the_smallest_are_never_firm() -> None:
    """Source: twenty feet of beads 0.6 mm across and 1.5 mm apart, 0.28 to 0.5 mm² each; their
    cover of 1.05 mm misses 1.25 mm by far."""
    framework = with_beads(20, 0.3)
    limits = dataclasses.replace(built_in(), bead_cover_mm=1.25, smallest_zone_mm2=0.6)
    found = check(Surfaces(framework, CONTOUR), case=Case(), limits=limits, aligned=True)
    assert len(found.zones) == 20
    for zone in found.zones:
        assert zone.about == BEADS and 0.28 < zone.area_mm2 < 0.5
        assert zone.decision is Decision.UNDECIDED
    assert found.verdict is Verdict.UNDECIDED
