"""What every test may ask for."""

from __future__ import annotations

import os
from collections.abc import Callable

import pytest

collect_ignore = ["run.py", "benchmarks"]

EVERYTHING = "VENEERCHECK_TEST_EVERYTHING"
"""Set in CI: what cannot be tested there for want of a program or of data is a failure."""


@pytest.fixture(scope="session")
def owed() -> Callable[[str], None]:
    """Skip a test for want of something from outside; fail it where everything must be there."""

    def tell(reason: str) -> None:
        if os.environ.get(EVERYTHING):
            pytest.fail(f"{reason} ({EVERYTHING} is set: nothing may be left out)")
        pytest.skip(reason)

    return tell
