"""The target framework on bodies whose offset has a closed form (tests/… source: geometry)."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
import trimesh

from veneercheck.core.mesh.densify import refine
from veneercheck.core.mesh.triangles import border_vertices, select_faces
from veneercheck.core.plan.contour import Contour, finish_line
from veneercheck.core.plan.depths import room_mm
from veneercheck.core.plan.planned import SHORT_LAYER, Cutting
from veneercheck.core.plan.runout import Form, Runout
from veneercheck.core.plan.solid import edge_lengths_mm, enclosed_mm3, insides
from veneercheck.core.plan.target import Die, make_target
from veneercheck.core.plan.volume import enclosed
from veneercheck.core.types import Case, Region, TriangleMesh
from veneercheck.phantom.bodies import concentric_spheres
from veneercheck.plan import Surfaces, plan
from veneercheck.profile import built_in

DEPTH, LIMITS = 1.3, built_in()


def mesh_of(body: trimesh.Trimesh, edge_mm: float) -> TriangleMesh:
    mesh = TriangleMesh(np.array(body.vertices), np.array(body.faces))
    return refine(mesh, edge_mm)[0]


def sphere(radius: float) -> TriangleMesh:
    return mesh_of(trimesh.creation.icosphere(5, radius), 1.0)


def block(size: tuple[float, float, float], edge_mm: float = 0.3) -> TriangleMesh:
    return mesh_of(trimesh.creation.box(size), edge_mm)


def places(mesh: TriangleMesh) -> np.ndarray:
    """Places all over a surface, also where it is flat and has few vertices."""
    return refine(mesh, 0.08)[0].points_mm


def full(mesh: TriangleMesh) -> np.ndarray:
    return np.full(len(mesh.points_mm), DEPTH)


def sound(mesh: TriangleMesh) -> bool:
    """Two readers of our own choosing agree that it is the closed surface of a body."""
    body = trimesh.Trimesh(mesh.points_mm, mesh.faces, process=False)
    return bool(body.is_watertight and body.is_winding_consistent) and not (
        border_vertices(mesh).any()
    )


@pytest.mark.parametrize("form", ["chamfer", "shoulder", "knife edge"])
def test_half_a_sphere_is_lowered_to_a_sphere(form: Form) -> None:
    """Source: a sphere's offset is the concentric sphere."""
    ball = sphere(3.0)
    contour = Contour(ball, ball.points_mm[:, 2] - 0.5)
    made = make_target(ball, contour, Runout(form, DEPTH, 0.6), full(ball), edge_radius_mm=0.2)
    radius = np.linalg.norm(made.framework.points_mm, axis=1)
    height = made.framework.points_mm[:, 2]
    # Facets of the ball itself lie up to L²/(8R) = 2 µm inside it (FACTS: sagitta).
    assert np.abs(radius[height > 1.2] - (3.0 - DEPTH)).max() < 0.01
    assert sound(made.framework)
    assert (edge_lengths_mm(made.framework) > 0.02).mean() > 0.95
    uncut = (height < 0.4) & (radius > 2.9)
    assert np.abs(radius[uncut] - 3.0).max() < 0.005


def test_a_whole_sphere_keeps_the_volume_of_the_smaller_one() -> None:
    """Source: 4/3 π r³."""
    ball = sphere(3.0)
    contour = Contour(ball, np.ones(len(ball.points_mm)))
    made = make_target(ball, contour, Runout("chamfer", DEPTH, 0.6), full(ball))
    expected = 4.0 / 3.0 * np.pi * (3.0 - DEPTH) ** 3
    assert enclosed_mm3(made.framework) == pytest.approx(expected, rel=0.005)
    whole = enclosed_mm3(ball)
    assert enclosed_mm3(made.removed) == pytest.approx(whole - expected, rel=0.005)


def test_a_cylinder_is_lowered_along_its_length() -> None:
    """Source: coaxial cylinders; the ends, uncut, keep the outer radius."""
    body = mesh_of(trimesh.creation.cylinder(3.0, 7.0, sections=180), 0.4)
    contour = Contour(body, 1.5 - np.abs(body.points_mm[:, 2]))
    made = make_target(body, contour, Runout("shoulder", DEPTH, 0.3), full(body))
    points = made.framework.points_mm
    radius, along = np.hypot(points[:, 0], points[:, 1]), np.abs(points[:, 2])
    # On the side only: the ends of the cylinder lie beyond, uncut.
    floor = along < 0.9
    assert np.abs(radius[floor] - (3.0 - DEPTH)).max() < 0.01
    wall = (radius > 2.2) & (radius < 2.9) & (along < 2.0)
    assert wall.any()
    assert np.abs(along[wall] - 1.5).max() < 0.02


@pytest.mark.parametrize(
    ("form", "width"), [("chamfer", 0.8), ("shoulder", 0.4), ("knife edge", 1.0)]
)
def test_the_run_out_has_its_form(form: Form, width: float) -> None:
    """Source: a quarter of an ellipse; a wall with a quarter circle; a straight slope."""
    body = block((8.0, 5.0, 6.0))
    x, _, z = body.points_mm.T
    contour = Contour(body, np.where(z > 2.999, -x, -10.0 + z))
    made = make_target(body, contour, Runout(form, DEPTH, width), full(body))
    points = places(made.framework)
    middle = (np.abs(points[:, 1]) < 1.0) & (points[:, 0] > -2.2) & (points[:, 2] > 1.0)
    way, deep = -points[middle, 0], 3.0 - points[middle, 2]
    cut = (way > 0.0) & (deep > 0.02)
    way, deep = way[cut], deep[cut]
    angle = np.linspace(0.0, 0.5 * np.pi, 4001)
    if form == "chamfer":
        line = np.stack([width * (1 - np.cos(angle)), DEPTH * np.sin(angle)], axis=1)
    elif form == "shoulder":
        foot = np.stack([1 - np.cos(angle), np.sin(angle) - 1], axis=1) * width + [0.0, DEPTH]
        wall = np.linspace([0.0, 0.0], foot[0], 500)
        line = np.concatenate([wall, foot])
    else:
        line = np.linspace([0.0, 0.0], [width, DEPTH], 4001)
    line = np.concatenate([line, np.linspace([line[-1, 0], DEPTH], [5.0, DEPTH], 4001)])
    from scipy.spatial import cKDTree

    away, _ = cKDTree(line).query(np.stack([way, deep], axis=1))
    assert len(away) > 500
    assert away.max() < 0.02


@pytest.mark.parametrize("radius", [0.25, 0.5])
def test_an_edge_is_rounded_to_its_radius(radius: float) -> None:
    """Source: opening of a right-angled edge: the quarter circle that touches both its sides."""
    body = block((5.0, 5.0, 5.0))
    contour = Contour(body, np.ones(len(body.points_mm)))
    made = make_target(
        body, contour, Runout("chamfer", DEPTH, 0.6), full(body), edge_radius_mm=radius
    )
    points = places(made.framework)
    inner = 2.5 - DEPTH
    along = np.abs(points[:, 1]) < 0.6
    corner = along & (np.abs(points[:, 0]) > inner - radius) & (points[:, 2] > inner - radius)
    flat = np.stack([np.abs(points[corner, 0]), points[corner, 2]], axis=1) - (inner - radius)
    away = np.linalg.norm(flat, axis=1) - radius
    assert np.abs(away).max() < 0.01
    assert sound(made.framework)


def test_metal_is_kept_over_a_die_that_crowds_it() -> None:
    """Source: concentric spheres 2 and 1.2: 0.8 mm between them, 0.5 of it metal."""
    ball, die = sphere(2.0), sphere(1.2)
    contour = Contour(ball, np.ones(len(ball.points_mm)))
    made = make_target(
        ball,
        contour,
        Runout("chamfer", DEPTH, 0.6),
        full(ball),
        die=Die(Contour(die, np.ones(len(die.points_mm))), 0.5),
    )
    radius = np.linalg.norm(made.framework.points_mm, axis=1)
    assert np.abs(radius - 1.7).max() < 0.01


def test_beside_an_open_die_nothing_is_kept_and_no_room_is_wanting() -> None:
    """Source: a sphere's offset, and Pythagoras. The die is a cap of a ball of 2 mm, open below; a
    pontic of 1.9 mm lies 4 mm aside of its edge and below it. Seen from there the edge looks away,
    which is no inside: the pontic is lowered as it were without a die."""
    ball = sphere(2.0)
    above = ball.points_mm[ball.faces].mean(axis=1)[:, 2] > 1.0
    die = select_faces(ball, above)[0]
    rim = die.points_mm[border_vertices(die)]
    pontic = sphere(1.9)
    pontic = TriangleMesh(pontic.points_mm + [np.sqrt(3.0) + 4.0, 0.0, -3.0], pontic.faces)
    contour = Contour(pontic, np.ones(len(pontic.points_mm)))
    bowl = Contour(die, np.ones(len(die.points_mm)))
    probes = np.array([[np.sqrt(3.0) + 1.0, 0.0, -3.0], [0.0, 0.0, 1.5], [0.0, 0.0, 2.5]])
    below = np.linalg.norm(rim - probes[0], axis=1).min()
    assert bowl.off_mm(probes) == pytest.approx([below, -0.5, 0.5], abs=0.01)
    runout = Runout("chamfer", DEPTH, 0.6)
    made = make_target(pontic, contour, runout, full(pontic), die=Die(bowl, 0.6))
    middle = pontic.points_mm.mean(axis=0)
    radius = np.linalg.norm(made.framework.points_mm - middle, axis=1)
    assert np.abs(radius - (1.9 - DEPTH)).max() < 0.01
    assert not (room_mm(contour, die) < 1.9).any()


def test_a_wedge_is_lowered_on_both_sides() -> None:
    """Source: planes moved by the depth; the edge between them where both are."""
    angle = np.deg2rad(60.0)
    height = 6.0
    half = height * np.tan(angle / 2)
    outline = np.array([[0.0, 0.0], [half, -height], [-half, -height]])
    prism = trimesh.creation.extrude_triangulation(outline, [[0, 2, 1]], 5.0)
    body = mesh_of(prism, 0.3)
    contour = Contour(body, body.points_mm[:, 1] + 5.0)
    made = make_target(body, contour, Runout("chamfer", DEPTH, 0.6), full(body))
    px, py, pz = places(made.framework).T
    middle = (np.abs(pz - 2.5) < 0.9) & (py > -4.2)
    below = np.cos(angle / 2) * np.abs(px[middle]) + np.sin(angle / 2) * py[middle]
    assert np.abs(below + DEPTH).max() < 0.05  # the sharp edge itself lies between two facets
    assert np.quantile(np.abs(below + DEPTH), 0.9) < 0.005
    assert py.max() == pytest.approx(-DEPTH / np.sin(angle / 2), abs=0.08)


def test_the_same_plan_gives_the_same_bytes() -> None:
    ball = sphere(2.0)
    contour = Contour(ball, ball.points_mm[:, 2])
    first, second = (
        make_target(ball, contour, Runout("chamfer", 0.8, 0.6), np.full(len(ball.points_mm), 0.8))
        for _ in range(2)
    )
    assert first.framework.points_mm.tobytes() == second.framework.points_mm.tobytes()
    assert first.framework.faces.tobytes() == second.framework.faces.tobytes()


def test_in_a_run_out_no_more_room_is_asked_for_than_a_check_asks() -> None:
    """Source: drawn. A die of 2.6 mm, 0.8 mm lower in a ball of 4 mm cut above z = 1: 2.2 mm of
    room over it at the pole, 1.5 mm beside the line, where metal takes 0.5 and a shoulder 1.2."""
    ball = concentric_spheres(0.4, inner_mm=2.0, outer_mm=4.0)
    paint = np.where(ball.outer.points_mm[:, 2] > 1.0, int(Region.CUT), -1)
    die = TriangleMesh(1.3 * ball.inner.points_mm - [0.0, 0.0, 0.8], ball.inner.faces)
    case, cutting = Case(occlusal="+z", buccal="+y"), Cutting("shoulder", 0.4, 0.4)
    found = plan(Surfaces(ball.outer, 0.0, paint, die), case=case, limits=LIMITS, cutting=cutting)
    assert not found.conflicts
    wider = dataclasses.replace(LIMITS, finish_line_width_mm=0.2)
    found = plan(Surfaces(ball.outer, 0.0, paint, die), case=case, limits=wider, cutting=cutting)
    assert {one.kind for one in found.conflicts} == {SHORT_LAYER}


@pytest.mark.parametrize("hollow", [False, True])
def test_the_underside_of_a_closed_wax_up_is_no_inside_of_a_retainer(hollow: bool) -> None:
    """Source: drawn. A ball bulges below; a shell of 1.5 mm, open below, is an inside and leaves
    1.5 mm where layers and metal need more."""
    ball = trimesh.creation.icosphere(4, 4.0)
    if hollow:
        ball = ball.difference(trimesh.creation.icosphere(4, 2.5), engine="manifold")
        below = trimesh.creation.box((9.0, 9.0, 3.0))
        below.apply_translation([0.0, 0.0, -3.0])
        ball = ball.difference(below, engine="manifold")
    mesh = mesh_of(ball, 0.4)
    high = (mesh.points_mm[:, 2] > 1.5) & (np.linalg.norm(mesh.points_mm, axis=1) > 3.9)
    paint = np.where(high, int(Region.CUT), -1)
    found = plan(Surfaces(mesh, 0.0, paint), case=Case(occlusal="+z", buccal="+y"), limits=LIMITS)
    assert np.isfinite(found.short_mm).any() == hollow
    assert [one.kind for one in found.conflicts] == [SHORT_LAYER] * hollow


def test_crumbs_and_bases_that_are_not_quite_flat_are_no_insides_of_retainers() -> None:
    """Source: drawn, as seen from outside the wax. Half a hollow ball of 2.5 mm is an inside; a
    base 8 mm wide that is 0.1 mm hollow amid, as noise leaves one, and half a hollow ball of
    0.1 mm are none."""
    half = sphere(1.0)
    half = select_faces(half, half.points_mm[half.faces].mean(axis=1)[:, 2] > 0)[0]
    shapes = [
        half.points_mm * 2.5,
        half.points_mm * [4.0, 4.0, 0.1] + [9.0, 0.0, 0.0],
        half.points_mm * 0.1 - [9.0, 0.0, 0.0],
    ]
    count, turned = len(half.points_mm), half.faces[:, ::-1]
    mesh = TriangleMesh(
        np.concatenate(shapes), np.concatenate([turned + k * count for k in range(3)])
    )
    found = insides(mesh, np.ones(3 * count, dtype=bool))
    assert len(found.faces) == len(half.faces)
    assert np.linalg.norm(found.points_mm, axis=1) == pytest.approx(2.5, abs=1e-6)
    assert enclosed_mm3(found) > 0  # turned: seen from the metal it is a die


def test_a_cone_over_a_die_is_lowered_kept_and_told_of_where_the_room_ends() -> None:
    """Source: two coaxial cones r = 2.6 - 0.15 z and 0.6 + 0.12 z. In a plane through the axis
    their distance is that from a line, so the room is (2 - 0.27 z) cos b, and ends where that is
    what layers and metal need; below it the cut has its depth, above it the metal its least."""
    outer, inner = (
        mesh_of(cone(2.6, -0.15, 3.0), 0.4),
        mesh_of(cone(0.6, 0.12, 2.9), 0.4),
    )
    radius, z = np.hypot(*outer.points_mm[:, :2].T), outer.points_mm[:, 2]
    side = (np.abs(z) < 2.5) & (radius > 1.6)
    paint = np.where(side, int(Region.CUT), -1)
    case = Case(occlusal="+z", buccal="+y")
    found = plan(Surfaces(outer, 0.0, paint, inner), case=case, limits=LIMITS)
    at_wax = LIMITS.at("wax")
    need = at_wax.layer.least_mm + at_wax.taken_mm + at_wax.least_metal_mm
    off_axis = np.cos(np.arctan(0.12))
    border = (2.0 - need / off_axis) / 0.27
    line = finish_line(found.contour, np.nan_to_num(found.short_mm, nan=-1.0))
    inside = line[np.abs(line[:, 2]) < 1.6]
    assert np.abs(inside[:, 2] - border).max() < 0.05
    (conflict,) = found.conflicts
    assert conflict.kind == SHORT_LAYER
    points = places(found.target)
    r, height = np.hypot(*points[:, :2].T), points[:, 2]
    deep = (height > -1.5) & (height < border - 1.0)
    lowered = (2.6 - 0.15 * height[deep] - r[deep]) * np.cos(np.arctan(0.15))
    assert np.abs(lowered - found.depth_mm).max() < 0.01
    tight = (height > border + 0.5) & (height < 1.8)
    kept = (r[tight] - 0.6 - 0.12 * height[tight]) * off_axis
    assert tight.any() and np.abs(kept - at_wax.least_metal_mm).max() < 0.01


def cone(middle: float, slope: float, half: float) -> trimesh.Trimesh:
    """A closed piece of a cone about the z axis."""
    ends = [
        [0.0, -half],
        [middle - slope * half, -half],
        [middle + slope * half, half],
        [0.0, half],
    ]
    return trimesh.creation.revolve(ends, sections=160)


def test_where_a_field_jumps_its_surface_is_found_all_the_same() -> None:
    """Source: a cube of 1 mm; the field is -0.3 in it and 3 outside, so that no value is near 0.
    Marching cubes puts the surface 0.3 / 3.3 of an edge beyond the last point inside."""

    def field(points: np.ndarray) -> np.ndarray:
        return np.where((np.abs(points) < 0.501).all(axis=1), -0.3, 3.0)

    made = enclosed(field, np.full(3, -1.2), np.full(3, 1.2), 0.1)
    assert sound(made)
    assert np.abs(made.points_mm).max() == pytest.approx(0.5 + 0.1 * 0.3 / 3.3, abs=1e-6)
    assert enclosed_mm3(made) == pytest.approx((1.0 + 0.2 * 0.3 / 3.3) ** 3, rel=0.02)


def test_only_points_surely_outside_a_reach_are_left_unasked() -> None:
    """Source: the distance from a sphere's centre."""
    ball = sphere(2.0)
    points = np.random.default_rng(7).uniform(-4.0, 4.0, (20_000, 3))
    off = np.linalg.norm(points, axis=1) - 2.0
    reach = np.random.default_rng(8).uniform(0.0, 1.0, len(points))
    asked = Contour(ball, np.ones(len(ball.points_mm))).may_be_within(points, reach)
    assert asked[off <= reach].all()
    # Not all are asked: no edge of the ball is longer than 0.2 mm.
    assert not asked[off > reach + 0.2].any()
