"""How wide a part is, on rows of vertices whose widths are counted by hand."""

from __future__ import annotations

import numpy as np
import pytest

from veneercheck.core.divide.width import across_mm, across_sight, slivers
from veneercheck.core.mesh.triangles import reach_along_edges

ROW = np.stack([np.arange(11) * 0.1, np.zeros(11), np.zeros(11)], axis=1)
EDGES = np.stack([np.arange(10), np.arange(1, 11)], axis=1)
NOWHERE = np.zeros(11, dtype=bool)


@pytest.mark.parametrize(("narrowest_mm", "told"), [(0.3, True), (0.9, False)])
def test_a_part_is_wide_that_reaches_half_the_narrowest_from_all_round(narrowest_mm, told) -> None:
    """By hand: five vertices in a row of 0.1 mm lie at most 0.3 mm from those beside them."""
    mask = (np.arange(11) >= 3) & (np.arange(11) <= 7)
    left_out = slivers(ROW, EDGES, mask, narrowest_mm=narrowest_mm, worked=NOWHERE)
    assert (mask & ~left_out).any() == told
    assert not left_out[~mask].any()
    counted = np.full(10, 0.01)
    kept = mask & ~slivers(
        ROW, EDGES, mask, narrowest_mm=narrowest_mm, worked=NOWHERE, length_mm=counted
    )
    assert not kept.any()


def test_what_is_worked_anyway_is_never_too_narrow() -> None:
    mask = np.arange(11) == 5
    assert slivers(ROW, EDGES, mask, narrowest_mm=0.9, worked=NOWHERE)[5]
    assert not slivers(ROW, EDGES, mask, narrowest_mm=0.9, worked=mask).any()


def test_a_way_by_other_lengths_leads_beyond_what_lies_near() -> None:
    """By hand: ten edges that count 0.01 mm each, 1 mm long as they are."""
    seeds = np.arange(11) == 0
    assert np.isinf(reach_along_edges(ROW, EDGES, seeds, 0.3)[4:]).all()
    found = reach_along_edges(ROW, EDGES, seeds, 0.3, np.full(10, 0.01))
    np.testing.assert_allclose(found, 0.01 * np.arange(11))


@pytest.mark.parametrize(
    ("contour", "across_mm_"),
    [
        ([0.05, 0.0, 2.0], 0.1),  # straight over the edge's middle
        ([9.0, 0.0, 0.0], 0.0),  # along it
        ([0.05, 0.0, 0.05], 0.0),  # too near to tell
        ([np.nan] * 3, 0.0),  # not known
    ],
)
def test_an_edge_counts_by_what_lies_across_the_sight_to_the_contour(contour, across_mm_) -> None:
    """By hand: a line of sight that is square to the edge, or runs along it."""
    seen = np.array([contour, contour])
    assert across_sight(ROW[:2], seen, EDGES[:1]) == pytest.approx([across_mm_], abs=1e-9)


def test_a_disc_is_as_far_across_as_its_diameter() -> None:
    """By integration: the deviation along a diameter of a disc is half its radius."""
    root, turn = np.sqrt((np.arange(20000) + 0.5) / 20000), 2.399963 * np.arange(20000)
    disc = 1.5 * np.stack([root * np.cos(turn), root * np.sin(turn), 0 * turn], axis=1)
    assert across_mm(disc, np.ones(20000)) == pytest.approx(3.0, rel=1e-3)
