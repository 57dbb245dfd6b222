"""Help and a refusal come at once: nothing heavy is loaded before there is work for it.

Source of the list: what the packages cost to import, `python -X importtime`; not timed here.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

HEAVY = {"numpy", "scipy", "igl", "embreex", "PIL", "typst", "pydantic", "rich"}

PROBE = """
import json, sys
from veneercheck.cli.main import main
sys.argv = ["veneercheck", *sys.argv[1:]]
try:
    main()
except SystemExit as left:
    print(json.dumps([left.code, sorted({name.split(".")[0] for name in sys.modules})]))
"""


def loaded(*words: str) -> tuple[int, set[str]]:
    """Exit code and top-level modules that a call of the program loaded."""
    told = subprocess.run(
        [sys.executable, "-c", PROBE, *words], capture_output=True, text=True, check=True
    )
    code, modules = json.loads(told.stdout.splitlines()[-1])
    return code, set(modules)


@pytest.mark.parametrize("words", [["--help"], ["check", "--help"]])
def test_help_loads_nothing_heavy(words: list[str]) -> None:
    code, modules = loaded(*words)
    assert code == 0
    assert not modules & HEAVY


def test_a_missing_scan_is_refused_before_anything_heavy(tmp_path: Path) -> None:
    code, modules = loaded("check", str(tmp_path / "none.stl"), str(tmp_path / "other.stl"))
    assert code == 3
    assert not modules & HEAVY


def test_a_broken_scan_is_refused_without_what_only_a_check_needs(tmp_path: Path) -> None:
    broken = tmp_path / "broken.stl"
    broken.write_bytes(bytes(200))
    code, modules = loaded(
        "check", str(broken), str(broken), "--out", str(tmp_path / "out"), "--no-report"
    )
    assert code == 3
    assert "numpy" in modules, "the probe sees what is loaded"
    assert not modules & (HEAVY - {"numpy"})


SUM = """
import sys
from veneercheck.cli import main as cli
def app():
    import numpy as np
    values = np.random.default_rng(1).random((20, 50_001))
    print([float(row @ row[::-1].copy()).hex() for row in values])
cli.app = app
{how}
"""


def test_a_long_sum_has_the_same_last_digit_whatever_the_threads() -> None:
    """A record is repeated to the last digit, so the program asks for one thread itself."""
    told = set()
    for threads in ("1", "2"):
        env = {**os.environ, "OMP_NUM_THREADS": threads, "OPENBLAS_NUM_THREADS": threads}
        command = [sys.executable, "-c", SUM.format(how="cli.main()")]
        told.add(subprocess.run(command, env=env, capture_output=True, check=True).stdout)
    assert len(told) == 1
