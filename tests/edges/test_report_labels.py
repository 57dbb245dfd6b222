"""Labels of a drawing: none covers another, nor a place that belongs to another."""

from __future__ import annotations

import numpy as np

from veneercheck.report.labels import placed

CLEAR = 0.2


def test_crowded_labels_cover_neither_each_other_nor_any_place() -> None:
    """Source: rectangles that share no area; 40 labels of 3 mm² on a map of 225 mm²."""
    rng = np.random.default_rng(5)
    places = np.concatenate([rng.uniform(0.0, 15.0, (36, 2)), np.array([[7.0, 7.0]] * 4)])
    places[-4:] += [[0.0, 0.0], [0.5, 0.0], [0.0, 0.5], [0.5, 0.5]]
    sizes = np.tile([1.6, 1.84], (len(places), 1))
    middles = placed(places, sizes, nearest=0.3, clear=CLEAR)
    low, high = middles - 0.5 * sizes, middles + 0.5 * sizes
    shared = np.minimum(high[:, None], high) - np.maximum(low[:, None], low)
    over = (shared > 0).all(axis=2)
    assert not over[~np.eye(len(places), dtype=bool)].any()
    within = ((places > low[:, None]) & (places < high[:, None])).all(axis=2)
    assert not within.any()
    again = placed(places, sizes, nearest=0.3, clear=CLEAR)
    assert again.tobytes() == middles.tobytes()
    # One that stands alone has its label right beside it.
    alone = placed(np.array([[1.0, 2.0]]), sizes[:1], nearest=0.3, clear=CLEAR)
    assert np.allclose(alone, [[1.0 + 0.8 + 0.3, 2.0]])
