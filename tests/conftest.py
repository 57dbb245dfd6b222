"""What holds for every test: in CI nothing is left out for want of a program or of data."""

from __future__ import annotations

import os
from collections.abc import Generator

import pytest

os.environ["OPENBLAS_NUM_THREADS"] = "1"  # as the program does, before numpy is loaded

collect_ignore = ["run.py", "benchmarks"]

EVERYTHING = "VENEERCHECK_TEST_EVERYTHING"
"""Set in CI: a test that is skipped fails there, whatever it lacked."""

HEAVY = "a heavy witness: pip install '.[witness]'"
"""The one reason that holds in CI too: those tests run in an environment of their own."""


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item,
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Turn a skip into a failure where everything must be there."""
    report = yield
    if report.skipped and os.environ.get(EVERYTHING) and HEAVY not in str(report.longrepr):
        report.outcome = "failed"
        report.longrepr = f"{item.nodeid}: {report.longrepr} ({EVERYTHING} is set)"
    return report
