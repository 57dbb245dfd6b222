"""Putty or a model that lies lower in the framework's scan is no veneer; a shallow cut is one."""

from __future__ import annotations

import numpy as np
import pytest

from phantom.sheets import height_field
from veneercheck.check import Surfaces, check
from veneercheck.core.judge import meant
from veneercheck.core.types import Case, Check, Decision, FindingKind, Region, TriangleMesh, Verdict
from veneercheck.profile import built_in

pytestmark = pytest.mark.usefixtures("frame_as_given")

FULL_MM, SHALLOW_MM = 1.5, 0.4
WALL_FROM, WALL_TO, SLOPE = 4.0, 2.5, 2.0
"""A wall of 63° goes down from x = 4 to x = 2.5; what is cut to full depth begins at x = 6."""


def strip(height) -> TriangleMesh:
    """A surface from x = −2 to 11, 8 mm wide along y, its height a function of both; normals up."""
    return height_field(height, np.linspace(-2.0, 11.0, 131), np.linspace(2.0, 10.0, 81))


def _wall(x):
    return SLOPE * (np.clip(x, WALL_TO, WALL_FROM) - WALL_FROM)


def _down(x):
    return SLOPE * (np.minimum(x, WALL_FROM) - WALL_FROM)


def _level(x):
    return 0.0 * x


def _valley(x):
    return np.maximum(_wall(x), SLOPE * (-0.5 - x) - 3.0)


def checked(
    form, shallow_mm, paint: Region | None = None, full_mm: float = FULL_MM, wide_mm: float = 9.0
) -> Check:
    """Of a contour that is the same along y: full depth beyond x = 6, uncut before it, and below
    x = 2.3 so much lower, over a width; there it was painted, if anything was."""

    def depth(x, y):
        low = np.clip((2.3 - x) / 0.1, 0.0, 1.0) * (np.abs(y - 6.0) < 0.5 * wide_mm)
        low *= (x > -0.5) | (form is not _valley)
        return full_mm * np.clip((x - 6.0) / 0.1, 0.0, 1.0) + shallow_mm * low

    framework, painted = strip(lambda x, y: form(x) - depth(x, y)), None
    if paint is not None:
        painted = np.where(framework.points_mm[:, 0] < 2.35, int(paint), -1)
    both = Surfaces(framework, strip(lambda x, y: form(x) + 0.0 * y), paint=painted)
    return check(both, case=Case(), limits=built_in(), aligned=True)


def asked(found: Check) -> list:
    return [one for one in found.questions if one.kind == meant.HELD]


def test_putty_that_lies_lower_is_a_question_and_no_veneer() -> None:
    """Source: drawn, a table at the foot of the wall, 4.2 × 8 mm, lower by a step of 0.4 mm; the
    veneer measures 4.9 × 8 mm and a step of 1.5 mm."""
    found = checked(_wall, SHALLOW_MM)
    assert not found.zones
    (question,) = asked(found)
    assert question.area_mm2 == pytest.approx((4.2 + 0.41) * 8.0, rel=0.02)
    x, y, z = question.centre_mm
    assert -2.0 < x < 2.3 and 2.0 < y < 10.0 and z == pytest.approx(-3.4, abs=0.05)
    assert found.veneered_area_mm2 == pytest.approx((4.9 + 1.5) * 8.0, rel=0.02)
    # Nobody has said yet that it is no veneer.
    assert found.verdict is Verdict.UNDECIDED


@pytest.mark.parametrize(("form", "lower_mm"), [(_level, SHALLOW_MM), (_down, 0.9)])
def test_a_veneer_too_thin_throughout_that_ends_with_the_scan_is_told(form, lower_mm) -> None:
    """Source: drawn. Without a collar, on level surface and on a wall below an edge (there 0.9 mm
    lower is 0.4 square to it), where 1.2 are asked: no groove parts the veneer from the work."""
    found = checked(form, lower_mm)
    assert not asked(found)
    assert [(zone.finding, zone.decision) for zone in found.zones] == [
        (FindingKind.TOO_THIN, Decision.FIRM)
    ]


@pytest.mark.parametrize(
    ("form", "full_mm", "wide_mm"), [(_valley, FULL_MM, 5.0), (_wall, 0.0, 9.0)]
)
def test_a_shallow_cut_in_a_groove_is_veneer(form, full_mm, wide_mm) -> None:
    """Source: drawn. Between two walls, and not to the end of the scan; or all of what was cut."""
    found = checked(form, SHALLOW_MM, full_mm=full_mm, wide_mm=wide_mm)
    assert not asked(found)
    at = np.linalg.norm(found.framework.points_mm[:, :2] - [1.0, 6.0], axis=1) < 0.5
    assert np.isin(found.region[at], (Region.CUT, Region.FINISH_LINE_BAND)).all()


def test_what_is_cut_to_full_depth_beside_gum_is_veneer() -> None:
    """Source: drawn, the table of above, lower by a full layer: it may be a veneer."""
    found = checked(_wall, FULL_MM)
    assert not asked(found)
    assert found.veneered_area_mm2 == pytest.approx((4.9 + 4.2 + 2 * 1.5) * 8.0, rel=0.02)


def test_what_was_painted_is_not_asked_about() -> None:
    """Source: the paint; as cut it is too thin, as drawn, and as model no veneer at all."""
    cut, model = (checked(_wall, SHALLOW_MM, paint) for paint in (Region.CUT, Region.MODEL))
    assert not asked(cut) and not asked(model)
    assert [zone.decision for zone in cut.zones] == [Decision.FIRM]
    assert model.verdict is Verdict.NO_FINDINGS
