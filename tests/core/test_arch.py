"""The axis of an arch, and which of its teeth are the bridge's: from outlines alone."""

from __future__ import annotations

import numpy as np
import pytest

from veneercheck.core.divide.anatomy.arch import Cloud, find_axis
from veneercheck.core.divide.anatomy.codes import usual_width_mm
from veneercheck.core.divide.anatomy.neighbours import own_crowns
from veneercheck.core.types import Floats, Ints

ARCH = (*range(17, 10, -1), *range(21, 28))


def _arch(deep_a_mm: float, codes: tuple[int, ...]) -> tuple[Floats, Ints]:
    """Outlines of crowns side by side along a parabola, shape (n, 2), and whose each point is."""
    x = np.linspace(-45.0, 45.0, 9001)
    curve = np.stack([x, -deep_a_mm * x**2], axis=1)
    along = np.append(0.0, np.cumsum(np.linalg.norm(np.diff(curve, axis=0), axis=1)))
    width = np.array([usual_width_mm(code) for code in codes])
    middle = along[len(x) // 2] + np.cumsum(width) - 0.5 * width
    middle -= width[: len(codes) // 2].sum()
    disc = np.stack(np.meshgrid(*[np.linspace(-1.0, 1.0, 25)] * 2), axis=-1).reshape(-1, 2)
    disc = disc[np.linalg.norm(disc, axis=1) <= 1.0]
    crowns = []
    for at, wide in zip(middle, width, strict=True):
        ends = np.stack([np.interp(at + step, along, part) for step in (-0.1, 0.0, 0.1)
                         for part in curve.T]).reshape(3, 2)  # fmt: skip
        way = (ends[2] - ends[0]) / np.linalg.norm(ends[2] - ends[0])
        aside = np.array([-way[1], way[0]])
        crowns.append(ends[1] + disc[:, :1] * 0.5 * wide * way + disc[:, 1:] * 4.0 * aside)
    return np.concatenate(crowns), np.repeat(codes, len(disc))


@pytest.mark.parametrize(
    ("deep_a_mm", "beside", "units"), [(0.03, 4, 6), (0.05, 4, 6), (0.05, 2, 10), (0.06, 4, 6)]
)
def test_the_teeth_of_an_arch_keep_their_order(deep_a_mm: float, beside: int, units: int) -> None:
    """Source: construction. An axis' straight end crosses the other side of a deep arch, and a
    bridge round it is shorter, as the crow flies, than its units are wide together."""
    first = len(ARCH) // 2 - units // 2
    named, codes = ARCH[first : len(ARCH) - first], ARCH[first - beside :][: units + 2 * beside]
    flat, code = _arch(deep_a_mm, codes)
    points, none = np.column_stack([flat, np.zeros(len(flat))]), np.zeros(len(flat), dtype=bool)
    up, cut = np.tile([0.0, 0.0, 1.0], (len(flat), 1)), np.isin(code, named)
    crowns = Cloud(points, up, np.ones(len(flat)), none, cut, ~none)
    axis = find_axis(flat, np.eye(3), units + 2)
    along = axis.locate(points)[:, 0]
    order = np.argsort([along[code == one].mean() for one in codes])
    assert (np.abs(np.diff(order)) == 1).all()
    own = own_crowns(crowns, np.eye(3), named)
    assert np.mean(own == cut) > 0.985
