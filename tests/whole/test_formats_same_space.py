"""One body in every format, unit and byte order, whichever way its faces run: the same space.

The expected value is the check of the binary STL in millimetres: a format or a unit is another
spelling of the same surface and changes nothing. That check in turn is held by the closed form of
two eccentric spheres.
"""

from __future__ import annotations

import dataclasses
import gzip
import math
from collections.abc import Callable
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from edges import test_scan_corpus
from veneercheck import check_files
from veneercheck.core.align import fit
from veneercheck.core.judge.summed import statistics
from veneercheck.core.mesh.triangles import vertex_areas
from veneercheck.core.types import AlignmentState, Outcome, Statistics, TriangleMesh
from veneercheck.phantom.bodies import KnownBody, eccentric_spheres

pytestmark = pytest.mark.usefixtures("fitted_on_few")

MADE = test_scan_corpus

INNER_MM, OUTER_MM, OFFSET_MM = 3.6, 4.6, 0.3
EDGE_MM = 0.3
"""Every edge of the inner ball is then between 0.15 and 0.3 mm: the check halves each once, so
that no choice of a diagonal depends on which corner of a triangle a file names first."""

SEAT_MM = np.array([6.0, -2.0, 1.0])
"""Off the origin: a file whose axes were exchanged would no longer lie around the other."""

REACH_MM = 12.0
"""No coordinate is larger: 6 + 0.3 + 4.6 mm."""

STEP_MM = REACH_MM * 2.0**-24
"""Largest error of a coordinate stored as float32, whatever its unit: half a unit in the last of
24 bits is at most 2⁻²⁴ of the value (IEEE 754), 0.7 nm here, in metres as in millimetres. Nine
digits of text are finer."""

SAME_MM = 28.0 * STEP_MM
"""Two files of one surface put a vertex at most 2·√3 = 3.5 steps apart. A reading changes by that
at either end: 7 steps. A normal tilts by 2·3.5 steps over the least height of a triangle
(0.2 mm), which moves where its ray ends by that times the space (1.3 mm) and the contour's slope
to the ray (0.15: 0.3/4.6 and the facets): 7 steps. Rays that reckon in float32 round start,
direction and end once more in either check: as much again. Together 28 steps, 20 nm, a fiftieth
of the micrometre from which on a format could be said to change a space."""

FIGURES = tuple(field.name for field in dataclasses.fields(Statistics))


@cache
def body() -> KnownBody:
    return eccentric_spheres(EDGE_MM, INNER_MM, OUTER_MM, OFFSET_MM)


Writer = Callable[[np.ndarray, np.ndarray], bytes]


@dataclasses.dataclass(frozen=True)
class Spelling:
    """A way to write a surface, and what the program must have read."""

    name: str
    write: Writer
    unit: str = "mm"
    asked: str | None = None
    turned: bool = False


def _metres(p: np.ndarray) -> np.ndarray:
    return p * 1e-3


def _inches(p: np.ndarray) -> np.ndarray:
    return p / 25.4  # by definition


def _little(p: np.ndarray, f: np.ndarray) -> bytes:
    return MADE.ply(p, f, form="binary_little_endian", real="double")


def _big(p: np.ndarray, f: np.ndarray) -> bytes:
    return MADE.ply(p, f, form="binary_big_endian")


def _zipped(p: np.ndarray, f: np.ndarray) -> bytes:
    return gzip.compress(MADE.stl(p, f), compresslevel=1, mtime=0)


SPELLINGS = (
    Spelling("ascii.stl", MADE.ascii_stl),
    Spelling("ascii.ply", MADE.ply),
    Spelling("little.ply", _little),
    Spelling("plain.obj", MADE.obj),
    Spelling("plain.off", MADE.off),
    Spelling("plain.3mf", MADE.threemf),
    Spelling("zipped.stl.gz", _zipped),
    Spelling("metres.stl", lambda p, f: MADE.stl(_metres(p), f), "m", asked="m"),
    Spelling("micrometres_big.ply", lambda p, f: _big(p * 1e3, f), "um", asked="um"),
    Spelling("centimetres.off", lambda p, f: MADE.off(p / 10, f), "cm", asked="cm"),
    Spelling("inches.obj", lambda p, f: MADE.obj(_inches(p), f), "in", asked="inch"),
    Spelling("inches.3mf", lambda p, f: MADE.threemf(_inches(p), f, unit="inch"), "in"),
    Spelling("turned.stl", MADE.stl, turned=True),
    Spelling("turned_big.ply", _big, turned=True),
    Spelling("turned.glb", MADE.glb, "m", turned=True),
)

PLAIN = Spelling("plain.stl", MADE.stl)
BY_NAME = {spelling.name: spelling for spelling in (PLAIN, *SPELLINGS)}


def written(folder: Path, mesh: TriangleMesh, role: str, spelling: Spelling) -> Path:
    """Write one surface of the pair as spelt."""
    faces = mesh.faces[:, ::-1] if spelling.turned else mesh.faces
    path = folder / f"{role}_{spelling.name}"
    path.write_bytes(spelling.write(mesh.points_mm + SEAT_MM, faces))
    return path


def checked(folder: Path, framework: Spelling, waxup: Spelling) -> Outcome:
    assert framework.asked == waxup.asked
    return check_files(
        written(folder, body().inner, "framework", framework),
        written(folder, body().outer, "waxup", waxup),
        unit=framework.asked,
        aligned=True,
    )


def same_space(found: Statistics, expected: Statistics) -> None:
    """All six figures are numbers, in order, and the same; of nothing measured nothing passes."""
    for name in FIGURES:
        value, due = getattr(found, name), getattr(expected, name)
        assert math.isfinite(value) and math.isfinite(due), f"{name}: nothing was measured"
        assert abs(value - due) <= SAME_MM, f"{name}: {value} mm, not {due} mm"
    assert 0 < found.min_mm < found.p05_mm < found.median_mm < found.p95_mm < found.max_mm


def measured(outcome: Outcome) -> None:
    """The whole ball was read: nothing failed, no part was left out."""
    found = outcome.check
    assert found.alignment.state is AlignmentState.GIVEN
    assert found.space is not None
    assert found.measured_share == 1.0
    for source, mesh in ((outcome.framework, body().inner), (outcome.waxup, body().outer)):
        assert source.triangles == len(mesh.faces)
    # Every vertex of the inner ball is veneered: its facets' area, from the arrays themselves.
    assert found.veneered_area_mm2 == pytest.approx(vertex_areas(body().inner).sum(), rel=1e-6)


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Outcome:
    return checked(tmp_path_factory.mktemp("plain"), PLAIN, PLAIN)


def test_binary_stl_in_mm_has_the_space_of_the_closed_form(plain: Outcome) -> None:
    """The space of eccentric spheres at the vertices (see `eccentric_spheres`), and its bound."""
    measured(plain)
    known = body()
    due = statistics(known.space_mm, vertex_areas(known.inner))
    found = plain.check.space_statistics
    for name in FIGURES:
        if name != "mean_u_mm":  # the closed form has none
            assert getattr(found, name) == pytest.approx(getattr(due, name), abs=known.faceting_mm)
    assert found.min_mm == pytest.approx(OUTER_MM - INNER_MM - OFFSET_MM, abs=known.faceting_mm)
    assert found.max_mm == pytest.approx(OUTER_MM - INNER_MM + OFFSET_MM, abs=known.faceting_mm)


PAIRS = (
    ("ascii.stl", "ascii.ply"),
    ("little.ply", "plain.obj"),
    ("zipped.stl.gz", "plain.3mf"),
    ("turned.stl", "turned_big.ply"),
    ("inches.3mf", "turned_big.ply"),
    ("turned.glb", "plain.off"),
    *((asked.name, asked.name) for asked in SPELLINGS if asked.asked),
)
"""Every spelling at least once; a unit that is asked for holds for both scans of a check."""


def test_every_spelling_is_in_a_pair() -> None:
    assert {name for pair in PAIRS for name in pair} == {one.name for one in SPELLINGS}


@pytest.mark.usefixtures("frame_as_given")
@pytest.mark.parametrize(("framework", "waxup"), PAIRS)
def test_two_spellings_in_one_pair_have_the_same_space(
    plain: Outcome, framework: str, waxup: str, tmp_path: Path
) -> None:
    """Axes and units of the two files meet: no format turns or scales a scan on its own."""
    one, other = BY_NAME[framework], BY_NAME[waxup]
    found = checked(tmp_path, one, other)
    measured(found)
    for source, mesh, spelling in (
        (found.framework, body().inner, one),
        (found.waxup, body().outer, other),
    ):
        assert source.unit == spelling.unit
        inside_out = {fault.kind: fault.count for fault in source.faults}.get("inside_out", 0)
        assert inside_out == len(mesh.faces) * spelling.turned
    differ = "units_differ" in {fault.kind for fault in found.remarks}
    assert differ == (one.unit != other.unit)
    same_space(found.check.space_statistics, plain.check.space_statistics)
    assert found.check.verdict is plain.check.verdict


def test_nothing_measured_is_not_the_same_space(plain: Outcome) -> None:
    """Without a reading every figure is NaN, and NaN is within no tolerance of anything."""
    nothing = statistics(np.zeros(0), np.zeros(0))
    some = plain.check.space_statistics
    for found, expected in ((nothing, some), (some, nothing), (nothing, nothing)):
        with pytest.raises(AssertionError, match="nothing was measured"):
            same_space(found, expected)


@pytest.mark.parametrize("name", FIGURES)
def test_a_change_in_one_figure_alone_is_seen(plain: Outcome, name: str) -> None:
    """The comparison itself, held by a change that was put in."""
    some = plain.check.space_statistics
    other = dataclasses.replace(some, **{name: getattr(some, name) + 2 * SAME_MM})
    with pytest.raises(AssertionError, match=f"{name}: "):
        same_space(other, some)


def test_exchanged_axes_in_one_file_leave_nothing_and_do_not_pass(
    plain: Outcome, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A ball put beside the other by a reader that took y for up: no ray meets it.

    Whether the two were exchanged is looked for near by: a search in vain is long.
    """
    for search in ("_from_anywhere", "_shoved"):
        monkeypatch.setattr(fit, search, lambda *_: [])
    exchanged = Spelling("exchanged.stl", lambda p, f: MADE.stl(p[:, [1, 2, 0]], f))
    found = checked(tmp_path, PLAIN, exchanged)
    with pytest.raises(AssertionError):
        measured(found)
    with pytest.raises(AssertionError, match="nothing was measured"):
        same_space(found.check.space_statistics, plain.check.space_statistics)


@pytest.mark.usefixtures("frame_as_given")
def test_a_unit_off_by_one_in_ten_thousand_is_another_space(plain: Outcome, tmp_path: Path) -> None:
    """Of similar bodies every length grows alike: the greatest space, 1.3 mm, by 0.13 µm."""
    longer = Spelling("longer.stl", lambda p, f: MADE.stl(p * 1.0001, f))
    found = checked(tmp_path, longer, longer).check.space_statistics
    with pytest.raises(AssertionError, match="mm, not"):
        same_space(found, plain.check.space_statistics)
    assert found.max_mm == pytest.approx(1.0001 * plain.check.space_statistics.max_mm, abs=SAME_MM)
