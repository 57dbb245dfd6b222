"""What was meant for veneer against what was cut, on a block whose faces are cut by hand."""

from __future__ import annotations

import numpy as np
import pytest

from veneercheck.core.divide.anatomy import Places, Surface
from veneercheck.core.divide.regions import Regions
from veneercheck.core.judge import meant, summed
from veneercheck.core.mesh.densify import refine
from veneercheck.core.mesh.triangles import vertex_areas, vertex_normals
from veneercheck.core.types import (
    ISLAND,
    MEANT_STOP,
    AlignmentState,
    Case,
    Material,
    Question,
    Region,
    Structure,
    TriangleMesh,
    Verdict,
)

OUTWARD = {
    Surface.OCCLUSAL: (0, 0, 1),
    Surface.BUCCAL: (0, 1, 0),
    Surface.LINGUAL: (0, -1, 0),
    Surface.MESIAL: (1, 0, 0),
    Surface.DISTAL: (-1, 0, 0),
}


def told(cut: dict[Surface, float], case: Case, tooth: int = 16) -> tuple[Question, ...]:
    """Questions about a block 8 mm wide, of whose faces a share is cut from the left on."""
    corners = [[x, y, z] for x in (0, 8) for y in (0, 8) for z in (0, 8)]
    faces = [
        [0, 1, 3], [0, 3, 2], [4, 6, 7], [4, 7, 5], [0, 4, 5], [0, 5, 1],
        [2, 3, 7], [2, 7, 6], [1, 5, 7], [1, 7, 3], [0, 2, 6], [0, 6, 4],
    ]  # fmt: skip
    block, _, _ = refine(TriangleMesh(corners, faces), 0.5)
    points, normals, count = block.points_mm, vertex_normals(block), len(block.points_mm)
    surface, code = np.zeros(count, dtype=np.int64), np.full(count, int(Region.UNCUT))
    for face, way in OUTWARD.items():
        mine = normals @ np.array(way) > 0.8
        surface[mine] = face
        along = points[:, 1] if way[0] else points[:, 0]
        code[mine & (along <= 8 * cut.get(face, 0.0))] = Region.CUT
    none, nan = np.zeros(count, dtype=np.int64), np.full(count, np.nan)
    axis = np.array([0.0, 0.0, 1.0])
    where = Places(none + tooth, surface, none, nan, nan, axis, axis, False, False, False, ())
    parts = Regions(
        code,
        nan,
        (),
        nan,
        np.zeros(len(code), bool),
        0.05,
        np.zeros((0, 3)),
        np.zeros((0, 3)),
        np.zeros(len(code), bool),
        np.zeros(len(code), bool),
        np.zeros(len(code), bool),
    )
    return meant.compare(block, where, parts, vertex_areas(block), case)


CUT = {Surface.OCCLUSAL: 1.0, Surface.BUCCAL: 0.75, Surface.MESIAL: 0.5, Surface.LINGUAL: 0.3}


def test_a_cut_that_is_as_meant_is_not_spoken_of() -> None:
    """Source: the shares above; a collar of a quarter and a run-over of a third are usual."""
    assert told(CUT, Case(veneered=("occlusal", "buccal"))) == ()
    assert told(CUT, Case()) == ()
    assert told({}, Case()) == ()


@pytest.mark.parametrize(
    ("case", "expected"),
    [
        (
            Case(veneered=("occlusal", "buccal", "palatal")),
            [(meant.NOT_CUT, "16, palatal", 0.7 * 64)],
        ),
        (Case(veneered=("buccal", "lingual")), [
            (meant.NOT_MEANT, "16, occlusal", 64.0), (meant.NOT_CUT, "16, palatal", 0.7 * 64),
        ]),
        (
            Case(veneered=("lingual",), veneered_units={16: ("occlusal",)}),
            [(meant.NOT_MEANT, "16, buccal", 0.75 * 64)],
        ),
    ],
)  # fmt: skip
def test_what_differs_is_told_with_its_place(case: Case, expected: list) -> None:
    """Source: a face of 8 × 8 mm, and the share of it that was cut."""
    found = {question.place: question for question in told(CUT, case)}
    assert set(found) == {place for _, place, _ in expected}
    for kind, place, area in expected:
        assert found[place].kind == kind
        assert found[place].area_mm2 == pytest.approx(area, rel=0.15)
        x, y, z = found[place].centre_mm
        assert max(abs(x - 4), abs(y - 4), abs(z - 4)) == pytest.approx(4.0)


def test_a_meant_surface_that_was_not_cut_leaves_the_verdict_open() -> None:
    def verdict(*kinds: str) -> Verdict:
        asked = [Question(kind, 3.0, None, "") for kind in kinds]
        return summed.sum_up((), AlignmentState.TRUSTED, 1.0, case=Case(), questions=asked)

    assert verdict() is verdict("directions", meant.NOT_MEANT) is Verdict.NO_FINDINGS
    assert verdict("directions", meant.NOT_CUT) is Verdict.UNDECIDED


@pytest.mark.parametrize(("beyond_mm3", "verdict"), [
    (8.0, Verdict.NO_FINDINGS), (16.0, Verdict.UNDECIDED),
])  # fmt: skip
def test_a_framework_scanned_in_part_leaves_the_verdict_open(beyond_mm3, verdict) -> None:
    """Source: by the rule, a twentieth: of 200 and 40 mm³ it is 12."""
    paste = (Material("45", 200.0, 8.0, 1.2, 1), Material("46", 40.0, 2.0, 1.2, 1, beyond_mm3))
    state, structure = AlignmentState.TRUSTED, Structure(material=paste)
    assert summed.sum_up((), state, 1.0, case=Case(), structure=structure) is verdict


@pytest.mark.parametrize(("kind", "stops", "area_mm2", "verdict"), [
    (ISLAND, "ask", 0.3, Verdict.UNDECIDED), (ISLAND, "ask", 0.2, Verdict.NO_FINDINGS),
    (ISLAND, "meant", 0.3, Verdict.UNDECIDED), (ISLAND, "forbidden", 0.1, Verdict.FINDINGS),
    (MEANT_STOP, "meant", 3.0, Verdict.NO_FINDINGS),
])  # fmt: skip
def test_a_spot_left_uncut_leaves_it_open_until_the_case_says_what_it_is(
    kind: str, stops: str, area_mm2: float, verdict: Verdict
) -> None:
    """Source: by the rule; what is smaller than the smallest zone leaves nothing open, and a stop
    out of the contour is none that is meant."""
    spot = Question(kind, area_mm2, None, "")
    found = summed.sum_up(
        (), AlignmentState.TRUSTED, 1.0, case=Case(metal_stops=stops), questions=[spot]
    )
    assert found is verdict
