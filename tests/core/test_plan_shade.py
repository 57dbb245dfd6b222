"""Shade over depth: CIEDE2000's published pairs, and a wedge whose left-out steps are known."""

from __future__ import annotations

import numpy as np
import pytest

from veneercheck.core.plan.shade import ACCEPTABLE, Wedge, ciede2000, unit_shade

# Sharma, Wu and Dalal, Color Res Appl 2005;30:21-30, table 1 (from memory, all 34 pairs).
PAIRS = """
50 2.6772 -79.7751  50 0 -82.7485  2.0425
50 3.1571 -77.2803  50 0 -82.7485  2.8615
50 2.8361 -74.0200  50 0 -82.7485  3.4412
50 -1.3802 -84.2814  50 0 -82.7485  1.0000
50 -1.1848 -84.8006  50 0 -82.7485  1.0000
50 -0.9009 -85.5211  50 0 -82.7485  1.0000
50 0 0  50 -1 2  2.3669
50 -1 2  50 0 0  2.3669
50 2.49 -0.0010  50 -2.49 0.0009  7.1792
50 2.49 -0.0010  50 -2.49 0.0010  7.1792
50 2.49 -0.0010  50 -2.49 0.0011  7.2195
50 2.49 -0.0010  50 -2.49 0.0012  7.2195
50 -0.0010 2.49  50 0.0009 -2.49  4.8045
50 -0.0010 2.49  50 0.0010 -2.49  4.8045
50 -0.0010 2.49  50 0.0011 -2.49  4.7461
50 2.5 0  50 0 -2.5  4.3065
50 2.5 0  73 25 -18  27.1492
50 2.5 0  61 -5 29  22.8977
50 2.5 0  56 -27 -3  31.9030
50 2.5 0  58 24 15  19.4535
50 2.5 0  50 3.1736 0.5854  1.0000
50 2.5 0  50 3.2972 0  1.0000
50 2.5 0  50 1.8634 0.5757  1.0000
50 2.5 0  50 3.2592 0.3350  1.0000
60.2574 -34.0099 36.2677  60.4626 -34.1751 39.4387  1.2644
63.0109 -31.0961 -5.8663  62.8187 -29.7946 -4.0864  1.2630
61.2901 3.7196 -5.3901  61.4292 2.2480 -4.9620  1.8731
35.0831 -44.1164 3.7933  35.0232 -40.0716 1.5901  1.8645
22.7233 20.0904 -46.6940  23.0331 14.9730 -42.5619  2.0373
36.4612 47.8580 18.3852  36.2715 50.5065 21.2231  1.4146
90.8027 -2.0831 1.4410  91.1528 -1.6435 0.0447  1.4441
90.9257 -0.5406 -0.9208  88.6381 -0.8985 -0.7239  1.5381
6.7747 -0.2908 -2.4247  5.8714 -0.0985 -2.2286  0.6377
2.0776 0.0795 -1.1350  0.9033 -0.0636 -0.5514  0.9082
"""
STEPS_MM = np.array([0.3, 0.6, 0.9, 1.2, 1.6, 2.0])


def lab_over(thickness_mm):
    """An invented composite that hides its opaquer by a half every 0.35 mm, full colour A."""
    left = 0.5 ** (np.atleast_1d(thickness_mm) / 0.35)[:, None]
    return np.array([71.0, 2.0, 18.0]) + left * np.array([14.0, -3.0, -9.0])


def wedge(steps_mm=STEPS_MM) -> Wedge:
    return Wedge(steps_mm, lab_over(steps_mm))


def test_the_published_pairs() -> None:
    rows = np.array([line.split() for line in PAIRS.split("\n") if line], dtype=np.float64)
    assert len(rows) == 34
    found = ciede2000(rows[:, :3], rows[:, 3:6])
    assert found == pytest.approx(rows[:, 6], abs=5e-5)
    assert ciede2000(rows[:, 3:6], rows[:, :3]) == pytest.approx(rows[:, 6], abs=5e-5)


@pytest.mark.parametrize("left_out", [1, 2, 3, 4])
def test_a_step_held_out_lies_within_the_stated_error(left_out: int) -> None:
    """Source: the steps themselves; the wedge is told without one of them."""
    told = wedge(np.delete(STEPS_MM, left_out))
    missed = ciede2000(told.colour(STEPS_MM[[left_out]]), lab_over(STEPS_MM[left_out]))[0]
    assert 0.0 < missed <= told.error()


def test_steps_come_back_and_nothing_is_guessed_below_the_thinnest() -> None:
    own = wedge()
    assert own.colour(STEPS_MM) == pytest.approx(own.lab)
    assert np.isnan(own.off_full_depth(np.array([0.29, np.nan]))).all()
    assert own.off_full_depth(np.array([2.0, 3.0])) == pytest.approx(0.0, abs=1e-9)
    between = own.colour(np.linspace(0.3, 2.0, 200))
    assert (np.diff(between[:, 0]) < 0).all() and (np.diff(between[:, 1:], axis=0) > 0).all()


def test_a_unit_is_summed_up_by_area() -> None:
    """Source: counted by hand. One square millimetre in ten is not known, two are off by 2.5."""
    off = np.array([2.5, 1.0, np.nan, 0.1])
    found = unit_shade("46", off, np.array([2.0, 3.0, 1.0, 4.0]))
    assert (found.median, found.worst) == (1.0, 2.5)
    assert found.beyond_acceptable == pytest.approx(0.2)
    assert found.beyond_perceptible == pytest.approx(0.5)
    assert found.not_known == pytest.approx(0.1)
    assert ACCEPTABLE < 2.5
