"""The claimed uncertainty holds the truth: the short form of the long trials in `benchmarks`."""

import pytest

import coverage_trials as trials


@pytest.fixture(scope="module")
def lines() -> list[dict]:
    """A trial of the body whose reference is weakest, and one of the bridge off its model."""
    return [trials.trial(trials.make(trials.BODIES[k]), 0) for k in (3, 1)]


@pytest.mark.parametrize("reading", ["ray", "low", "high"])
def test_two_standard_uncertainties_hold_nineteen_of_twenty_true_values(
    lines: list[dict], reading: str
) -> None:
    """Source: JCGM 101, from memory; the fields that the bodies were made from."""
    inside, count = (sum(line[reading][k] for line in lines) for k in (0, 1))
    assert count > 3000
    assert 0.93 <= inside / count <= 0.98


def test_noise_that_the_scans_do_not_show_is_claimed(lines: list[dict]) -> None:
    """Noise of the crown hangs together over 0.2 mm: its scans show 4 of 10 µm."""
    crown = lines[0]
    assert crown["rms_u_mm"] == pytest.approx(crown["rms_error_mm"], rel=0.2)
