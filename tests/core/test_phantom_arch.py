"""Where units stand: sides and directions from the two-digit codes (ISO 3950)."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from phantom.arch import lay_out
from phantom.teeth import crown_field, occlusal_height, tooth_form


@pytest.mark.parametrize(
    ("codes", "hand"),
    [((45, 46, 47), 1), ((25, 26, 27), 1), ((35, 36, 37), -1), ((15, 16, 17), -1), ((47, 46), 1)],
)
def test_buccal_follows_from_the_quadrant(codes: tuple[int, ...], hand: int) -> None:
    """Facing the patient's front with the lower jaw's occlusal side up, right is front × up.

    Mesial is nearly front in the back of the mouth, so buccal = mesial × occlusal in quadrant 4;
    mirroring left for right, or turning the occlusal side over for the upper jaw, changes the
    sign.
    """
    for unit in lay_out(codes):
        mesial, buccal, occlusal = unit.axes
        np.testing.assert_allclose(np.cross(mesial, occlusal) * hand, buccal, atol=1e-12)
        np.testing.assert_allclose(unit.axes @ unit.axes.T, np.eye(3), atol=1e-12)
        np.testing.assert_allclose(occlusal, [0, 0, 1], atol=1e-12)


@pytest.mark.parametrize(
    "codes", [(45, 46, 47), (47, 46, 45), (13, 12, 11, 21, 22, 23), (32, 31, 41)]
)
def test_units_run_along_x_and_mesial_looks_to_the_midline(codes: tuple[int, ...]) -> None:
    units = lay_out(codes)
    centres = np.stack([unit.centre_mm for unit in units])
    assert (np.diff(centres[:, 0]) > 0).all()
    np.testing.assert_allclose(centres.mean(axis=0), 0.0, atol=1e-9)
    for first, second in itertools.pairwise(units):
        step = second.centre_mm - first.centre_mm
        gap = np.linalg.norm(step) - 0.5 * (first.form.width_mm + second.form.width_mm)
        assert -0.9 < gap < 0.0  # neighbours touch; the chord of a curved arch is shorter
        same_side = first.code // 10 == second.code // 10
        towards = step if second.code % 10 < first.code % 10 else -step
        if same_side:
            assert first.axes[0] @ towards > 0
        else:
            assert first.axes[0] @ step > 0 > second.axes[0] @ step


def test_single_unit_runs_distally() -> None:
    for code in (36, 46, 16, 26):
        (unit,) = lay_out((code,))
        np.testing.assert_allclose(unit.axes[0], [-1, 0, 0], atol=1e-12)


def test_local_frame_and_back() -> None:
    unit = lay_out((34, 35, 36))[2]
    points = np.array([[1.0, 2.0, 3.0], [-4.0, 0.5, 2.0]])
    np.testing.assert_allclose(unit.place(unit.local(points)), points, atol=1e-12)
    assert not np.allclose(unit.local(points), points)


def test_only_the_codes_of_the_standard_have_forms() -> None:
    """32 permanent teeth: quadrants 1 to 4, numbers 1 to 8 (ISO 3950)."""
    known = []
    for code in range(100):
        try:
            known.append(tooth_form(code))
        except ValueError:
            continue
    assert len(known) == 32


def test_a_molar_has_its_cusps_and_a_fossa_between_them() -> None:
    """Lower first molar: three buccal and two lingual cusps (textbook anatomy, from memory)."""
    form = tooth_form(46)
    steps = np.arange(-4.6, 4.61, 0.1)
    m, b = np.meshgrid(steps, steps, indexing="ij")
    flat = np.stack([m.ravel(), b.ravel(), np.zeros(m.size)], axis=1)
    height = occlusal_height(form, flat).reshape(m.shape)
    inner = height[1:-1, 1:-1]
    around = [
        np.roll(np.roll(height, i, 0), j, 1)[1:-1, 1:-1] for i in (-1, 0, 1) for j in (-1, 0, 1)
    ]
    peaks = np.argwhere((inner >= np.max(around, axis=0)) & (inner > 6.8))
    buccal = steps[peaks[:, 1] + 1] > 0
    assert (buccal.sum(), (~buccal).sum()) == (3, 2)
    middle = occlusal_height(form, np.array([[0.0, 0.0, 0.0]]))[0]
    assert height.max() - 2.5 < middle < height.max() - 1.2
    assert (
        crown_field(form, np.array([[0.0, 0.0, 3.0]]))[0]
        < 0
        < crown_field(form, np.array([[0.0, 0.0, 9.0]]))[0]
    )
