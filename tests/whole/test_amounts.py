"""Advice clears what was found: the short form of the long trials in `benchmarks`."""

from __future__ import annotations

import dataclasses

import amount_trials as trials


def test_worked_on_as_advised_nothing_is_left_after_two_rounds() -> None:
    """Source: nothing but the planted faults is wrong with the crown."""
    one = trials.job((45,), (), "proud")
    scanner = dataclasses.replace(one.spec.scanner, framework_edge_mm=0.29, waxup_edge_mm=0.29)
    spec = dataclasses.replace(one.spec, scanner=scanner, design_edge_mm=0.28, base=False)
    line = trials.trial(dataclasses.replace(one, spec=spec), posed=True)
    first, *later = line["rounds"]
    assert {zone["finding"] for zone in first["zones"]} == set(line["planted"])
    assert later and not later[-1]["zones"]
    assert not any(zone["new"] for round_ in later for zone in round_["zones"])
