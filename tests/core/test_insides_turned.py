"""Crowns closed all round: what is told of their insides, and of what stands outside them."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from core.test_regions_and_zones import turned
from veneercheck import check_meshes
from veneercheck.core.types import Check, Decision, FindingKind, Region, TriangleMesh

TOP, HOLLOW = [(0.05, 6.0), (5.0, 6.0), (5.0, 0.0)], [(3.2, 0.0), (3.2, 3.5), (0.05, 3.5)]
CUT = [(0.05, 4.8), (3.8, 4.8), (3.8, 1.5), (5.0, 1.5), (5.0, 0.0)]
PROUD = [*CUT[:4], (5.0, 1.0), (5.3, 0.9), (5.3, 0.4), CUT[4]]
STOP = [(0.05, 6.0), (1.0, 6.0), (1.2, 4.8), *CUT[1:]]
BEVELLED = [HOLLOW[0], (3.2, 3.1), (2.8, 3.5), HOLLOW[2]]
STEPPED = [HOLLOW[0], (3.2, 1.7), (3.0, 1.8), (3.0, 2.7), (3.2, 2.8), *HOLLOW[1:]]


def path(*corners: tuple[float, float]) -> TriangleMesh:
    """The surface that a path of radii and heights sweeps, its vertices some 0.3 mm apart."""
    sides = []
    for two in itertools.pairwise(corners):
        steps = max(round(float(np.hypot(*np.subtract(*two))) / 0.3), 1)
        sides.append(np.linspace(*two, steps + 1)[:-1])
    return turned([*np.concatenate(sides), corners[-1]], steps=56)


def crown(outside, hollow) -> Check:
    """A crown closed all round, hollow below, whose contour has a cylinder for its inside."""
    return check_meshes(path(*outside, *hollow), path(*TOP, *HOLLOW), aligned=True).check


def within(found: Check):
    radius = np.hypot(*found.framework.points_mm[:, :2].T)
    return (radius < 3.25) & (found.framework.points_mm[:, 2] < 3.55)


@pytest.mark.parametrize(("hollow", "least_mm2"), [(BEVELLED, 90.0), (STEPPED, 60.0)])
def test_nothing_is_over_contour_inside_a_crown_that_both_scans_show(hollow, least_mm2) -> None:
    """Source: drawn. Metal 0.6 to 1.8 mm thick, cut by 1.2 mm but for a collar of 1.5 mm; the
    framework's inner edge stands 0.28 mm out of the wax-up's, or its wall by 0.2 mm. By hand, of
    the hollow's 103 mm² some 30 lie behind the collar; a step parts those from the rest."""
    found = crown(CUT, hollow)
    assert FindingKind.OVER_CONTOUR not in {zone.finding for zone in found.zones}
    inside, area = within(found), found.space.area_mm2
    fitting = found.region == Region.FITTING_SURFACE
    assert area[inside & fitting].sum() > least_mm2
    assert area[fitting & ~inside].sum() < 20.0
    collar = np.hypot(*found.framework.points_mm[:, :2].T) > 4.95
    assert not (collar & fitting).any()


def test_what_stands_out_outside_such_a_crown_is_told() -> None:
    """Source: drawn, 0.3 mm over 16 mm² of the collar."""
    (zone,) = [z for z in crown(PROUD, HOLLOW).zones if z.finding == FindingKind.OVER_CONTOUR]
    assert zone.decision == Decision.FIRM and zone.extreme_mm == pytest.approx(-0.3, abs=0.05)


def test_a_metal_stop_on_the_roof_of_such_a_crown_is_asked_about() -> None:
    """Source: drawn, 3 mm² at the contour amid the cut top, over the roof of the hollow."""
    found = crown(STOP, HOLLOW)
    assert "island" in {one.kind for one in found.questions}


def test_the_back_of_a_plate_is_no_inside() -> None:
    """Source: drawn. A plate 1.2 mm thick cut above, whose underside stands 0.3 mm out of the
    contour's over 28 mm²: it is as thin as a retainer's wall, and sees no metal."""
    top = [(0.05, 1.2), (5.0, 1.2), (5.2, 2.4), (7.0, 2.4), (7.0, 0.0)]
    framework = path(*top, (3.2, 0.0), (3.0, -0.3), (0.05, -0.3))
    waxup = path((0.05, 2.4), (7.0, 2.4), (7.0, 0.0), (0.05, 0.0))
    found = check_meshes(framework, waxup, aligned=True).check
    assert Region.FITTING_SURFACE not in found.region
    (zone,) = [z for z in found.zones if z.finding == FindingKind.OVER_CONTOUR]
    assert zone.decision == Decision.FIRM and zone.area_mm2 > 20.0
