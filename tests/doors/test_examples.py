"""Every module can be imported by itself, and the examples in its docstrings hold."""

from __future__ import annotations

import doctest
import importlib
import pkgutil

import veneercheck

ASIDE = ("veneercheck.__main__", "veneercheck.record.migrations.")
"""The program itself, and what alembic runs: nobody imports these."""


def test_the_examples_of_every_module_hold() -> None:
    """Run here, not collected as tests: each of pytest's workers would look for them all."""
    tried = 0
    for found in pkgutil.walk_packages(veneercheck.__path__, "veneercheck."):
        if not found.name.startswith(ASIDE):
            failed, count = doctest.testmod(importlib.import_module(found.name))
            assert failed == 0, found.name
            tried += count
    assert tried > 80
