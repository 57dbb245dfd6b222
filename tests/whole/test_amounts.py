"""Advice clears what was found: the short form of the long trials in `benchmarks`."""

from __future__ import annotations

import dataclasses

import pytest

import amount_trials as trials


@pytest.mark.parametrize("size", [pytest.param("small", marks=pytest.mark.long), "proud"])
def test_worked_on_as_advised_nothing_is_left_after_two_rounds(size: str) -> None:
    """Source: nothing but the planted faults is wrong with the crown."""
    one = trials.job((45,), (), size)
    scanner = dataclasses.replace(one.spec.scanner, framework_edge_mm=0.29, waxup_edge_mm=0.29)
    spec = dataclasses.replace(one.spec, scanner=scanner, design_edge_mm=0.28, base=False)
    line = trials.trial(dataclasses.replace(one, spec=spec), posed=size == "proud")
    first, *later = line["rounds"]
    assert {zone["finding"] for zone in first["zones"]} == set(line["planted"])
    assert later and not later[-1]["zones"]
    assert not any(zone["new"] for round_ in later for zone in round_["zones"])
