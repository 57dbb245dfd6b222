"""The claimed uncertainty holds the truth as often as it says: the short form of the long trials.

Source: the field that the body was made from; JCGM 101 (from memory) for the method. The long form,
with four bodies and hundreds of trials each, is `python tests/benchmarks/coverage_trials.py FILE`.
"""

from __future__ import annotations

import importlib.util
import sys
from functools import cache
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np

TRIALS = 3
BODY = "three units off the model"


@cache
def trials_module() -> ModuleType:
    path = Path(__file__).parents[1] / "benchmarks" / "coverage_trials.py"
    found = importlib.util.spec_from_file_location("coverage_trials", path)
    assert found is not None
    assert found.loader is not None
    module = importlib.util.module_from_spec(found)
    sys.modules[found.name] = module
    found.loader.exec_module(module)
    return module


@cache
def lines() -> list[dict[str, Any]]:
    trials = trials_module()
    made = trials.make(next(body for body in trials.BODIES if body.name == BODY))
    return [trials.trial(made, seed) for seed in range(TRIALS)]


def test_two_standard_uncertainties_hold_most_true_values() -> None:
    """Few trials share one shift each: the share is far from settled, but neither half nor all."""
    for name in ("ray", "low", "high"):
        inside, total = np.sum([line[name] for line in lines()], axis=0)
        assert total > TRIALS * 500
        assert 0.8 < inside / total < 1.0, name


def test_errors_are_as_large_as_claimed() -> None:
    """Source: by definition of a standard uncertainty, the root mean square of what is drawn."""
    squares = [(line["rms_error_mm"] ** 2, line["rms_u_mm"] ** 2) for line in lines()]
    error, claimed = np.sqrt(np.mean(squares, axis=0))
    assert 0.5 < error / claimed < 1.4
    assert error > 0.012, "noise of 14 µm was drawn: nothing was compared with itself"


def test_a_summary_tells_every_body_and_all_together() -> None:
    table = trials_module().summary(lines())
    assert BODY in table
    assert "pooled" in table
