"""A bridge that does not lie on its model as it did: by which ways that is sure."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from veneercheck.core.align import seating
from veneercheck.core.align.alignment import changed
from veneercheck.core.align.options import AlignOptions
from veneercheck.core.align.pattern import Pattern
from veneercheck.core.types import RigidMotion


def test_a_difference_counts_by_the_ways_in_which_it_is_sure() -> None:
    """Source: by hand. 50 µm along x are known to 5, 80 along y to 40; and a turn about z of 4 µm
    at 10 mm to 1."""
    points = np.array([[10.0, 0.0, 0.0], [0.0, 0.0, 3.0]])
    body = SimpleNamespace(
        radius_mm=10.0,
        centre_mm=np.zeros(3),
        surface=SimpleNamespace(mesh=SimpleNamespace(points_mm=points)),
    )
    first = RigidMotion(np.eye(3), np.array([30.0, -4.0, 9.0]))

    def sure_mm(shift, turn, spread_mm) -> float:
        sine, cosine = np.sin(turn), np.cos(turn)
        about = RigidMotion(
            np.array([[cosine, -sine, 0], [sine, cosine, 0], [0, 0, 1.0]]), np.array(shift)
        )
        covariance = np.diag(np.array(spread_mm) ** 2)
        near = np.ones(2, dtype=bool)
        return seating._sure_mm(body, near, first, first.after(about), covariance)

    known = [1e-4, 1e-4, 1e-4, 0.005, 0.040, 0.002]
    assert sure_mm([0.05, 0.08, 0.0], 0.0, known) == pytest.approx(0.05, abs=1e-9)
    assert sure_mm([0.05, 0.0, 0.03], 0.0, known) == pytest.approx(np.hypot(0.05, 0.03), abs=1e-9)
    assert sure_mm([0.0, 0.0, 0.0], 4e-4, known) == pytest.approx(0.004, rel=1e-6)
    assert sure_mm([0.0, 0.08, 0.0], 2e-4, known) == 0.0
    assert np.isnan(sure_mm([0.05, 0.0, 0.0], 0.0, [np.nan] * 6))


@pytest.mark.parametrize(("apart_mm", "sure"), [(0.035, False), (0.045, True)])
def test_both_fits_count_for_how_sure_a_difference_is(monkeypatch, apart_mm, sure) -> None:
    """Source: by hand; the covariance of a difference is the sum of both, √2 · 10 µm, and halves
    that part by 20 µm are uncertain by 10, where the residuals say 5."""
    surface = SimpleNamespace(
        area_mm2=np.full(4, 5.0), mesh=SimpleNamespace(points_mm=np.eye(4, 3))
    )
    body = SimpleNamespace(radius_mm=1.0, centre_mm=np.zeros(3), surface=surface)
    near = np.ones(4, dtype=bool)
    moved = RigidMotion(np.eye(3), np.array([0.0, apart_mm, 0.0]))
    seen = SimpleNamespace(reference=near)
    fits = [
        SimpleNamespace(motion=motion, area_mm2=20.0, seen=seen, noise_mm=0.01)
        for motion in (moved, RigidMotion.identity())
    ]
    said = SimpleNamespace(u_max_mm=0.005, centre_mm=np.zeros(3), covariance=np.eye(6) * 0.005**2)
    last = iter(fits)
    monkeypatch.setattr(seating.polish, "last_fit", lambda *_: next(last))
    monkeypatch.setattr(seating, "confined", lambda one, _: one)
    monkeypatch.setattr(seating, "certainty", lambda *_: said)
    monkeypatch.setattr(seating, "halves_mm", lambda *_: 0.02)
    options = AlignOptions()
    found = seating._fitted_apart(body, None, fits[1], options, near=near, motion=moved)
    assert found.own is None and found.difference_mm == pytest.approx(apart_mm)
    assert found.u_mm == pytest.approx(0.01 * np.sqrt(2))
    assert found.sure_mm == pytest.approx(apart_mm * sure)


@pytest.mark.parametrize(
    ("sure_mm", "facets_mm", "scale", "told"),
    [
        (0.0, 0.0, 1.0, []),
        (0.029, 0.0, 1.0, []),
        (0.064, 0.0, 1.0, ["not_seated"]),
        (0.064, 0.03, 1.0, []),
        (0.064, 0.0, 0.997, ["another_size_is_smaller"]),
    ],
)
def test_a_bridge_that_surely_lies_otherwise_is_told_whatever_else_is_not_sure(
    sure_mm, facets_mm, scale, told
) -> None:
    """Source: by hand; 71 ± 38 µm of which 64 are sure; facets may lie inside by 30, three times
    90; 0.3 % of 15 mm are 45, and 30 beyond that are told."""
    done = SimpleNamespace(
        last=SimpleNamespace(seen=SimpleNamespace(facets_mm=facets_mm)),
        body=SimpleNamespace(radius_mm=15.0),
        sure=SimpleNamespace(u_max_mm=0.005),
    )
    seat = seating.Seating(0.071, 0.038, sure_mm=sure_mm)
    left = Pattern(scale=scale, scale_u=0.0002)
    found = changed(done, seat, left, SimpleNamespace(halves_mm=0.0), AlignOptions())
    assert [reason.code for reason in found] == told
    if told == ["not_seated"]:
        assert found[0].values["difference"] == 1000 * sure_mm
