"""Quantities of a mesh: closed forms, conservation laws, and scipy and trimesh as witnesses."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from veneercheck.core.errors import MeshError
from veneercheck.core.mesh import densify
from veneercheck.core.mesh import triangles as quantities
from veneercheck.core.types import RigidMotion, TriangleMesh


def body(made: trimesh.Trimesh) -> TriangleMesh:
    return TriangleMesh(np.array(made.vertices), np.array(made.faces))


def grid(columns: int, rows: int, step_mm: float = 1.0) -> TriangleMesh:
    """A flat plate of squares, each cut in two, normals along +z."""
    x, y = np.meshgrid(np.arange(columns + 1), np.arange(rows + 1), indexing="ij")
    points = np.column_stack([x.ravel(), y.ravel(), np.zeros(x.size)]) * step_mm
    corner = (np.arange(columns)[:, None] * (rows + 1) + np.arange(rows)).ravel()
    right, up, both = corner + rows + 1, corner + 1, corner + rows + 2
    faces = np.concatenate(
        [np.column_stack([corner, right, both]), np.column_stack([corner, both, up])]
    )
    return TriangleMesh(points, faces)


RIGHT_TRIANGLE = TriangleMesh([[0, 0, 5], [3, 0, 5], [0, 4, 5]], [[0, 1, 2]])
"""Sides 3, 4, 5: area 6 (Pythagoras), normal along +z."""


def test_area_and_normal_of_the_3_4_5_triangle() -> None:
    assert quantities.face_areas(RIGHT_TRIANGLE) == pytest.approx([6.0])
    assert quantities.corner_cross(RIGHT_TRIANGLE)[0] == pytest.approx([0, 0, 12])
    assert quantities.face_normals(RIGHT_TRIANGLE)[0] == pytest.approx([0, 0, 1])
    assert quantities.vertex_areas(RIGHT_TRIANGLE) == pytest.approx([2.0, 2.0, 2.0])


def test_a_degenerate_triangle_has_no_area_and_no_normal() -> None:
    flat = TriangleMesh([[0, 0, 0], [1, 0, 0], [2, 0, 0]], [[0, 1, 2]])
    assert quantities.face_areas(flat) == pytest.approx([0.0])
    assert np.array_equal(quantities.face_normals(flat), np.zeros((1, 3)))
    assert np.array_equal(quantities.vertex_normals(flat), np.zeros((3, 3)))


def test_vertex_normals_weigh_triangles_by_area() -> None:
    """Two triangles at right angles, areas 1 and 3: the sum of area vectors is (3, 0, 1)."""
    corner = TriangleMesh([[0, 0, 0], [0, 1, 0], [-2, 0, 0], [0, 0, -6]], [[0, 1, 2], [0, 3, 1]])
    expected = np.array([3.0, 0.0, 1.0]) / np.sqrt(10.0)
    assert quantities.vertex_normals(corner)[0] == pytest.approx(expected)


def test_closed_surface_obeys_the_divergence_theorem() -> None:
    """Area vectors of a closed surface cancel; a third of Σ p·A is the volume (Gauss)."""
    ball = body(trimesh.creation.icosphere(subdivisions=3, radius=4.0))
    vectors = 0.5 * quantities.corner_cross(ball)
    assert np.abs(vectors.sum(axis=0)).max() < 1e-10
    middle = ball.points_mm[ball.faces].mean(axis=1)
    volume = quantities.row_dot(middle, vectors).sum() / 3.0
    witness = trimesh.Trimesh(ball.points_mm, ball.faces, process=False)
    assert volume == pytest.approx(witness.volume, rel=1e-12)
    assert quantities.face_areas(ball).sum() == pytest.approx(witness.area, rel=1e-12)
    assert quantities.vertex_areas(ball).sum() == pytest.approx(witness.area, rel=1e-12)


def test_vertex_normals_of_a_sphere_point_from_its_centre() -> None:
    """By symmetry exact at the vertices of an octahedron, else within the facets' tilt."""
    ball = body(trimesh.creation.icosphere(subdivisions=4, radius=4.0))
    cosine = quantities.row_dot(quantities.vertex_normals(ball), quantities.unit(ball.points_mm))
    edge = trimesh.Trimesh(ball.points_mm, ball.faces, process=False).edges_unique_length.max()
    assert cosine.min() > np.cos(edge / 4.0)


def test_sum_at_vertices_agrees_with_adding_one_by_one() -> None:
    plate = grid(4, 3)
    at_faces = np.random.default_rng(3).normal(size=(len(plate.faces), 2))
    expected = np.zeros((len(plate.points_mm), 2))
    for corner in range(3):
        np.add.at(expected, plate.faces[:, corner], at_faces)
    assert quantities.sum_at_vertices(plate, at_faces) == pytest.approx(expected)


def test_edges_of_a_closed_body_obey_eulers_formula() -> None:
    """V − E + F = 2 on a sphere, 0 on a torus (Euler; Poincaré)."""
    for made, characteristic in (
        (trimesh.creation.icosphere(subdivisions=2), 2),
        (trimesh.creation.torus(3.0, 1.0), 0),
    ):
        mesh = body(made)
        edges, _, uses = quantities.unique_edges(mesh.faces)
        assert len(mesh.points_mm) - len(edges) + len(mesh.faces) == characteristic
        assert (uses == 2).all()


def test_every_side_knows_its_edge() -> None:
    plate = grid(3, 2)
    edges, edge_of_side, _ = quantities.unique_edges(plate.faces)
    for side in range(3):
        pair = np.sort(plate.faces[:, [side, (side + 1) % 3]], axis=1)
        assert np.array_equal(edges[edge_of_side[:, side]], pair)


def test_border_of_a_plate_is_its_rim() -> None:
    plate = grid(5, 4)
    x, y = plate.points_mm[:, 0], plate.points_mm[:, 1]
    rim = (x == 0) | (x == 5) | (y == 0) | (y == 4)
    assert np.array_equal(quantities.border_vertices(plate), rim)
    assert 0 < rim.sum() < len(rim)


def test_no_triangles_have_no_edges() -> None:
    none = np.zeros((0, 3), dtype=np.int64)
    edges, sides, uses = quantities.unique_edges(none)
    assert (len(edges), len(sides), len(uses)) == (0, 0, 0)
    assert [len(one) for one in quantities.edge_uses(none)] == [0, 0]


def test_the_short_way_to_edges_finds_the_same() -> None:
    """Also where three triangles share an edge, beside an open border."""
    faces = np.array([[0, 1, 2], [0, 1, 3], [1, 0, 4], [4, 5, 0]])
    edges, _, uses = quantities.unique_edges(faces)
    found, counted = quantities.edge_uses(faces)
    assert np.array_equal(found, edges)
    assert np.array_equal(counted, uses)
    assert counted.max() == 3


@settings(max_examples=60, deadline=None)
@given(st.integers(1, 60), st.integers(0, 80), st.integers(0, 2**32 - 1))
def test_components_are_those_of_flooding(count: int, pairs: int, seed: int) -> None:
    """Witness: the least number floods along the pairs until nothing changes."""
    graph = np.random.default_rng(seed).integers(0, count, size=(pairs, 2))
    least = list(range(count))
    for _ in range(count):
        for a, b in graph.tolist():
            least[a] = least[b] = min(least[a], least[b])
    # Numbered in the order of each component's smallest node, in whatever order the pairs come.
    rising = graph[np.argsort(graph[:, 0], kind="stable")]
    for pairs_so in (graph, rising):
        found = quantities.components(count, pairs_so)
        assert np.array_equal(found, np.unique(least, return_inverse=True)[1])


def test_a_mask_falls_into_what_hangs_together_within_it() -> None:
    """Two ends of a chain whose middle is left out, by hand."""
    chain = np.array([[0, 1], [1, 2], [2, 3], [3, 4]])
    ends = np.array([True, True, False, True, True])
    assert quantities.parts_in(ends, chain).tolist() == [0, 0, 1, 2, 2]
    assert quantities.all_in(ends, chain).tolist() == [True, False, False, True]
    assert quantities.any_in(np.arange(5) == 2, chain).tolist() == [False, True, True, False]


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**32 - 1), st.floats(0.3, 3.0))
def test_reach_along_edges_agrees_with_relaxation(seed: int, limit: float) -> None:
    """Witness: Bellman and Ford's relaxation, every edge as often as there are points."""
    rng = np.random.default_rng(seed)
    plate = grid(6, 5, 0.4)
    points = plate.points_mm + rng.normal(scale=0.1, size=plate.points_mm.shape)
    edges, _, _ = quantities.unique_edges(plate.faces)
    seeds = np.zeros(len(points), dtype=bool)
    seeds[rng.integers(0, len(points), size=(3, 60)[seed % 2])] = True
    length = np.linalg.norm(points[edges[:, 0]] - points[edges[:, 1]], axis=1)
    expected = np.where(seeds, 0.0, np.inf)
    for _ in points:
        for (a, b), way in zip(edges.tolist(), length.tolist(), strict=True):
            near = min(expected[a] + way, expected[b] + way)
            if near <= limit:
                expected[a], expected[b] = min(expected[a], near), min(expected[b], near)
    found = quantities.reach_along_edges(points, edges, seeds, limit)
    assert np.array_equal(np.isfinite(found), np.isfinite(expected))
    reached = np.isfinite(found)
    assert found[reached] == pytest.approx(expected[reached], abs=1e-12)


def test_selecting_triangles_keeps_their_corners() -> None:
    plate = grid(4, 4)
    keep = np.arange(len(plate.faces)) % 3 == 0
    part, old = quantities.select_faces(plate, keep)
    assert np.array_equal(part.points_mm, plate.points_mm[old])
    assert np.array_equal(part.points_mm[part.faces], plate.points_mm[plate.faces[keep]])
    assert len(part.points_mm) == len(np.unique(plate.faces[keep]))


def test_renumbering_keeps_every_triangle_and_drops_unused_vertices() -> None:
    rng = np.random.default_rng(8)
    plate = grid(5, 5)
    shuffle = rng.permutation(len(plate.points_mm) + 2)
    points = np.empty((len(shuffle), 3))
    points[shuffle] = np.concatenate([plate.points_mm, [[9, 9, 9], [8, 8, 8]]])
    mixed = TriangleMesh(points, shuffle[plate.faces])
    ordered = quantities.renumber_by_first_use(mixed)
    assert np.array_equal(ordered.points_mm[ordered.faces], mixed.points_mm[mixed.faces])
    assert len(ordered.points_mm) == len(plate.points_mm)
    _, first = np.unique(ordered.faces.reshape(-1), return_index=True)
    assert (np.diff(first) > 0).all(), "numbers rise in the order of first use"


@settings(max_examples=25, deadline=None)
@given(st.floats(0.08, 2.0), st.integers(0, 2**32 - 1))
def test_refining_changes_no_surface(limit_mm: float, seed: int) -> None:
    """Laws: area, volume, closedness and old vertices stay; no edge is longer than asked."""
    made = trimesh.creation.icosphere(subdivisions=0, radius=1.0)
    rng = np.random.default_rng(seed)
    made.vertices += rng.normal(scale=0.2, size=made.vertices.shape)
    coarse = body(made)
    fine, parents, middle = densify.refine(coarse, limit_mm)
    before = trimesh.Trimesh(coarse.points_mm, coarse.faces, process=False)
    after = trimesh.Trimesh(fine.points_mm, fine.faces, process=False)
    assert after.area == pytest.approx(before.area, rel=1e-9)
    assert after.volume == pytest.approx(before.volume, rel=1e-9, abs=1e-12)
    edges, _, uses = quantities.unique_edges(fine.faces)
    assert (uses == 2).all(), "no gap opens between a split triangle and its neighbour"
    span = fine.points_mm[edges[:, 0]] - fine.points_mm[edges[:, 1]]
    assert np.linalg.norm(span, axis=1).max() <= limit_mm
    old = len(coarse.points_mm)
    assert np.array_equal(fine.points_mm[:old], coarse.points_mm)
    assert np.array_equal(fine.points_mm[old:], middle)
    assert middle == pytest.approx(fine.points_mm[parents].mean(axis=1))


def test_a_fine_mesh_is_not_refined() -> None:
    plate = grid(2, 2, 0.1)
    fine, parents, _ = densify.refine(plate, 0.2)
    assert np.array_equal(fine.faces, plate.faces)
    assert len(parents) == 0


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_refining_a_part_opens_no_gap_and_leaves_the_rest(seed: int) -> None:
    """Laws: the surface stays closed and as large; edges within the part are short, those that
    touch nothing of it are the old ones."""
    made = body(trimesh.creation.icosphere(subdivisions=2, radius=1.0))
    chosen = np.random.default_rng(seed).random(len(made.points_mm)) < 0.4
    fine, parents, _ = densify.refine(made, 0.1, chosen)
    edges, _, uses = quantities.unique_edges(fine.faces)
    assert (uses == 2).all()
    assert quantities.face_areas(fine).sum() == pytest.approx(quantities.face_areas(made).sum())
    own = np.concatenate([chosen, np.ones(len(parents), dtype=bool)])
    span = np.linalg.norm(fine.points_mm[edges[:, 0]] - fine.points_mm[edges[:, 1]], axis=1)
    within = own[edges].all(axis=1)
    assert span[within].max() <= 0.1 < span[~within].max()
    old, _, _ = quantities.unique_edges(made.faces)
    kept = {tuple(pair) for pair in old[~chosen[old].all(axis=1)].tolist()}
    assert kept <= {tuple(pair) for pair in edges.tolist()}


def test_only_what_lies_off_the_contour_is_refined() -> None:
    """Source: a plate at the contour for x < 6 mm, 0.5 mm below it beyond; two triangles of 1 mm
    lie beside the step. Where somebody painted, all of it is refined."""
    contour = grid(12, 6)
    below = contour.points_mm - np.where(contour.points_mm[:, :1] >= 6.0, [[0, 0, 0.5]], 0.0)
    plate, still = TriangleMesh(below, contour.faces), RigidMotion.identity()
    fine, paint = densify.densify(plate, None, still, contour)
    edges, _, _ = quantities.unique_edges(fine.faces)
    ends = fine.points_mm[edges]
    span, x = np.linalg.norm(ends[:, 0] - ends[:, 1], axis=1), ends[:, :, 0]
    assert paint is None
    assert span[(x >= 4.0).all(axis=1)].max() <= 0.15
    level = span[(x <= 3.0).all(axis=1)]
    assert 0.2 < level.min() <= level.max() <= 0.4
    painted = np.full(len(below), -1)
    everywhere, paint = densify.densify(plate, painted, still, contour)
    assert len(paint) == len(everywhere.points_mm) > 1.2 * len(fine.points_mm)
    # …and noise of 0.2 mm hides a step of 0.5.
    noisy, _ = densify.densify(plate, None, still, contour, 0.2)
    assert len(noisy.points_mm) < 0.5 * len(fine.points_mm)
    # A contour of two triangles has no vertex near, and says the same.
    x, y = np.array([[-1.0, 13.0, 13.0, -1.0], [-1.0, -1.0, 7.0, 7.0]])
    corners = np.stack([x, y, np.full(4, contour.points_mm[0, 2])], axis=1)
    wide = TriangleMesh(corners, np.array([[0, 1, 2], [0, 2, 3]]))
    as_fine, _ = densify.densify(plate, None, still, wide)
    assert np.array_equal(as_fine.points_mm, fine.points_mm)


@pytest.mark.parametrize("limit_mm", [0.0, -1.0, float("nan")])
def test_a_senseless_limit_is_refused(limit_mm: float) -> None:
    with pytest.raises(MeshError, match="positive length"):
        densify.refine(RIGHT_TRIANGLE, limit_mm)


def test_bounding_box() -> None:
    low, high = quantities.bounding_box(RIGHT_TRIANGLE.points_mm)
    assert (low.tolist(), high.tolist()) == ([0, 0, 5], [3, 4, 5])


@pytest.mark.parametrize(
    ("points", "faces", "told"),
    [
        ([[0, 0]], [[0, 0, 0]], "not \\(n, 3\\)"),
        ([[0, 0, 0]], [[0, 0]], "not \\(m, 3\\)"),
        ([[0, 0, np.nan]], np.zeros((0, 3)), "vertex 0.*not a finite"),
        ([[0, 0, 0]], [[0, 0, 1]], "outside 0…0"),
        ([[0, 0, 0]], [[0, 0, -1]], "outside 0…0"),
    ],
)
def test_arrays_that_are_no_surface_are_refused(
    points: list[list[float]], faces: list[list[int]], told: str
) -> None:
    with pytest.raises(MeshError, match=told):
        TriangleMesh(points, faces)


def test_a_mesh_cannot_be_written_to() -> None:
    with pytest.raises(ValueError, match="read-only"):
        RIGHT_TRIANGLE.points_mm[0, 0] = 1.0


def test_edge_pairs_are_the_edges_of_libigl() -> None:
    """Source: libigl's own list of edges, which it sorts otherwise."""
    import igl

    from veneercheck.core.mesh.triangles import edge_pairs

    faces = np.random.default_rng(3).permutation(3 * 400).reshape(-1, 3) % 350
    faces = faces[(faces != np.roll(faces, 1, axis=1)).all(axis=1)]
    own = edge_pairs(faces)
    assert sorted(map(tuple, np.sort(igl.edges(faces), axis=1))) == list(map(tuple, own))


def test_a_refined_surface_leaves_no_place_far_from_a_vertex() -> None:
    """Source: the middle of an even triangle of edge L lies L/√3 off its corners; none is worse."""
    plate = TriangleMesh([[0, 0, 0], [7, 0, 0], [0.4, 5, 1], [6, 6, 0]], [[0, 1, 2], [1, 3, 2]])
    fine, _, _ = densify.refine(plate, 0.15)
    share = np.random.default_rng(2).dirichlet(np.ones(3), size=(len(fine.faces), 20))
    corners = fine.points_mm[fine.faces]
    places = share @ corners
    gap = np.linalg.norm(places[:, :, None, :] - corners[:, None, :, :], axis=-1).min(axis=2)
    assert 0.05 < gap.max() <= 0.15 / np.sqrt(3.0) < 0.09
