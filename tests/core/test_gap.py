"""What the gap shows, against brute force over every contour point.

Source of the expected values: bodies drawn as two lines and drawn out in depth, so that what a
point sees of the contour, and which of it is nearest, follows from segments in the plane that are
crossed one by one, apart from any ray engine and any tree.
"""

from __future__ import annotations

import dataclasses
import itertools

import numpy as np
import pytest

from phantom.sheets import height_field, over_grid
from veneercheck.core import align
from veneercheck.core.measure.gap import Gap
from veneercheck.core.measure.space import Reading, measure
from veneercheck.core.mesh.rays import RayScene
from veneercheck.core.mesh.triangles import edge_pairs
from veneercheck.core.types import Floats, RayOutcome, TriangleMesh
from veneercheck.profile import built_in

EDGE_MM = 0.2
LONG_MM = 8.0
STEP_MM = 0.002
"""The contour's line is sampled so finely; a nearest distance errs by far less."""

SLACK_MM = 0.003
MIDDLE_MM = 1.0


@dataclasses.dataclass(frozen=True)
class Drawn:
    """A framework and its contour as lines in the plane, from left to right, metal below."""

    metal: tuple[tuple[float, float], ...]
    contour: tuple[tuple[float, float], ...]


FLAT = ((-6.0, 1.2), (6.0, 1.2))
BODIES = {
    "shoulder": Drawn(((-6, 1.2), (-2, 1.2), (-2, 0), (6, 0)), FLAT),
    "slot": Drawn(((-6, 0), (-0.4, 0), (-0.4, -2), (0.4, -2), (0.4, 0), (6, 0)), FLAT),
    "narrow slot": Drawn(((-6, 0), (-0.1, 0), (-0.1, -1), (0.1, -1), (0.1, 0), (6, 0)), FLAT),
    "undercut": Drawn(((-6, 1.2), (-2, 1.2), (-2.6, 0), (6, 0)), FLAT),
    "ramp": Drawn(((-6, 1.2), (-2, 1.2), (-1.7, 0), (6, 0)), FLAT),
    "stair": Drawn(((-6, 0.6), (-1, 0.6), (-1, 0), (1, 0), (1, -0.6), (6, -0.6)), FLAT),
    "along a wall": Drawn(
        ((-0.7, -3), (-0.7, 0), (0, 0), (0, 5), (6, 5)), ((-0.7, -3), (-0.7, 5.7), (6, 5.7))
    ),
    "embrasure": Drawn(
        ((-6, 0), (-1.2, 0), (-0.9, -3), (0.9, -3), (1.2, 0), (6, 0)),
        ((-6, 1.2), (-0.15, 1.2), (-0.1, -2.2), (0.1, -2.2), (0.15, 1.2), (6, 1.2)),
    ),
    "fin": Drawn(
        ((-6, 0), (-0.2, 0), (-0.2, 1.5), (0.2, 1.5), (0.2, 0), (6, 0)),
        ((-6, 2.2), (6, 2.2)),
    ),
    "fin in fissure": Drawn(
        ((-6, 0), (-0.2, 0), (-0.2, 2), (0.2, 2), (0.2, -2), (6, -2)),
        ((-6, 1.2), (-1.4, 1.2), (-1.4, 3.2), (0.6, 3.2), (0.6, -0.8), (6, -0.8)),
    ),
    # The normals of its walls all but cancel at its bottom: what is left faces anywhere.
    "leaning fissure": Drawn(
        ((-6, 0), (6, 0)), ((-6, 1.2), (-0.1, 1.2), (0.9, 0.5), (0.1, 1.2), (6, 1.2))
    ),
}


def _points(line: tuple[tuple[float, float], ...], step_mm: float) -> Floats:
    """The line with points no farther apart than a step, its corners among them."""
    corners = np.array(line, dtype=np.float64)
    parts = []
    for a, b in itertools.pairwise(corners):
        share = np.linspace(0, 1, int(np.ceil(np.linalg.norm(b - a) / step_mm)) + 1)[:-1, None]
        parts.append(a + share * (b - a))
    return np.concatenate([*parts, corners[-1:]])


def _drawn_out(line: tuple[tuple[float, float], ...]) -> TriangleMesh:
    """The line drawn out along y, facing up where it runs to the right."""
    profile = _points(line, EDGE_MM)
    depth = np.linspace(-0.5 * LONG_MM, 0.5 * LONG_MM, int(LONG_MM / EDGE_MM) + 1)
    x, z = profile.T[..., None]
    return over_grid(np.stack(np.broadcast_arrays(x, depth, z), axis=-1))


def _read(body: Drawn) -> tuple[TriangleMesh, Reading]:
    metal, contour = _drawn_out(body.metal), _drawn_out(body.contour)
    alignment = align.given(metal, contour)
    return metal, measure(metal, contour, alignment=alignment, limits=built_in())


def _crossed(start: Floats, end: Floats, line: Floats) -> np.ndarray:
    """Whether segments cross a line, shape (k,); what only touches it does not."""
    a, b = line[:-1], line[1:]

    def side(p: Floats, q: Floats, r: Floats) -> Floats:
        return (q[..., 0] - p[..., 0]) * (r[..., 1] - p[..., 1]) - (q[..., 1] - p[..., 1]) * (
            r[..., 0] - p[..., 0]
        )

    s, e = start[:, None], end[:, None]
    one, two = side(s, e, a[None]), side(s, e, b[None])
    three, four = side(a[None], b[None], s), side(a[None], b[None], e)
    tiny = 1e-9
    return ((one * two < -tiny) & (three * four < -tiny)).any(axis=1)


def _seen(point: Floats, contour: Floats, metal: Floats) -> Floats:
    """Distances to all the contour's points that a point sees."""
    start = np.broadcast_to(point, contour.shape)
    seen = ~_crossed(start, contour, metal)
    return np.linalg.norm(contour[seen] - point, axis=1)


@pytest.mark.parametrize("name", list(BODIES))
def test_nearest_and_ball_hold_against_every_contour_point(name: str) -> None:
    body = BODIES[name]
    mesh, reading = _read(body)
    space = reading.space
    line, metal = _points(body.contour, STEP_MM), np.array(body.metal, dtype=np.float64)
    ends = np.abs(mesh.points_mm[:, 0]) < 4.0
    here = np.flatnonzero(ends & (np.abs(mesh.points_mm[:, 1]) < 0.6 * EDGE_MM))
    assert np.nanmin(space.nearest_mm[here]) > -SLACK_MM  # no metal stands out of these contours
    here = here[space.nearest_mm[here] > 0.16]  # the rest lies on the contour, or runs out to it
    assert len(here) > 20
    for vertex in here:
        point, normal = mesh.points_mm[vertex, ::2], reading.normals[vertex, ::2]
        lifted = point + 1e-6 * normal
        nearest = float(space.nearest_mm[vertex])
        distances = np.linalg.norm(line - point, axis=1)
        # Nothing that is seen lies nearer, and what is told is a distance to the contour.
        assert nearest <= _seen(lifted, line, metal).min() + SLACK_MM, (name, point)
        assert nearest >= distances.min() - SLACK_MM
        assert np.linalg.norm(space.contour_mm[vertex, ::2] - point) == pytest.approx(nearest)
        from_off = _seen(point + 0.1 * normal, line, metal)
        assert nearest >= from_off.min() - 0.1 - SLACK_MM, (name, point)
        ball = float(space.ball_mm[vertex])
        if not np.isfinite(ball):
            continue
        centre = point + 0.5 * ball * normal
        assert np.linalg.norm(line - centre, axis=1).min() >= 0.5 * ball - SLACK_MM, (name, point)
        gap = line - point
        ahead = gap @ normal
        stopped = (gap[ahead > 1e-9] ** 2).sum(axis=1) / ahead[ahead > 1e-9]
        expected = min(float(stopped.min()), 6.0)
        assert ball == pytest.approx(expected, abs=4 * SLACK_MM), (name, point)


@pytest.mark.parametrize("name", list(BODIES))
def test_nearest_ball_and_ray_stand_in_order(name: str) -> None:
    """Source: whatever the ray meets lies in or on the ball, and the ball's end is contour too."""
    mesh, reading = _read(BODIES[name])
    space = reading.space
    inside = (np.abs(mesh.points_mm[:, 0]) < 4.0) & (np.abs(mesh.points_mm[:, 1]) < MIDDLE_MM)
    measured = inside & (space.nearest_mm > 0.02) & (space.outcome == RayOutcome.HIT)
    assert measured.any()
    # A ball may be stopped by contour that metal hides, as under an overhang: it is the smaller.
    assert (space.nearest_mm <= space.ball_mm + 1e-6)[measured].all()
    assert (space.ball_mm <= space.space_mm + 1e-9)[measured].all()


def test_a_ray_along_the_veneer_is_no_depth() -> None:
    """From a ledge the rays run through the veneer, beside the contour, and meet it high above.

    Source: the contour beside the ledge is a plane, 0.7 mm from the wall behind the ledge.
    """
    mesh, reading = _read(BODIES["along a wall"])
    x, y, z = mesh.points_mm.T
    ledge = (np.abs(z) < 1e-9) & (x > -0.55) & (x < -0.01) & (np.abs(y) < MIDDLE_MM)
    assert ledge.sum() > 10
    space = reading.space
    assert space.space_mm[ledge] == pytest.approx(5.7, abs=1e-6), "the ray's own length is told"
    assert space.nearest_mm[ledge] == pytest.approx(0.7 + x[ledge], abs=1e-6)
    assert space.judged_high_mm[ledge] == pytest.approx(0.7 + x[ledge], abs=1e-6)


def test_what_lies_on_the_metal_within_the_noise_bounds_no_gap() -> None:
    """A level contour 10 mm wide, cut 1 mm deep on a strip of 2 mm, else off the metal by 60 µm of
    noise: the gap is bound by the strip and 1 mm beside it, and where no noise is told by all."""
    contour = height_field(lambda x, _: 0.0 * x, np.linspace(-5.0, 5.0, 51))
    x, faces = contour.points_mm[:, 0], contour.faces
    over = np.where(np.abs(x) < 1.01, 1.0, 0.06)
    widest = []
    for noise_mm in (0.02, 0.0):
        gap = Gap.between(
            contour, np.tile([0.0, 0.0, 1.0], (len(x), 1)), edge_pairs(faces), over_metal_mm=over,
            metal=RayScene(contour), noise_mm=noise_mm,
        )  # fmt: skip
        widest.append(np.abs(x[faces[gap.faces]]).max())
    assert widest == pytest.approx([2.2, 5.0], abs=0.01)


def test_out_of_the_contour_the_nearest_is_the_least_distance_too() -> None:
    """By brute force, as above: a bump in a fissure 1.5 mm deep. From its flanks the ray inward
    meets the fissure's other side."""
    body = Drawn(
        ((-6, -1.5), (-2.2, -1.5), (-0.6, -0.1), (0.3, -0.3), (1.0, -1.5), (6, -1.5)),
        ((-6, 0), (-1.2, 0), (0, -1.5), (1.2, 0), (6, 0)),
    )
    mesh, reading = _read(body)
    space, line = reading.space, _points(body.contour, STEP_MM)
    ends = (np.abs(mesh.points_mm[:, 0]) < 4.0) & (np.abs(mesh.points_mm[:, 1]) < 0.6 * EDGE_MM)
    out = np.flatnonzero(ends & (space.nearest_mm < -0.1))
    assert len(out) > 8
    for vertex in out:
        least = np.linalg.norm(line - mesh.points_mm[vertex, ::2], axis=1).min()
        assert space.nearest_mm[vertex] == pytest.approx(-least, abs=SLACK_MM)
