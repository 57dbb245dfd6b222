"""Every check there is, one after the other: the same command at the desk and in CI.

    python tests/run.py

All of them run even where one fails; the exit code is 0 only if every one held. The tests come
last, so that their closing line closes the output; mypy runs beside them and is told after them
only where it fails.
"""

from __future__ import annotations

import os
import subprocess
import sys
import sysconfig
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
BENCHMARKS = sorted((ROOT / "tests" / "benchmarks").glob("*.py"))
"""Tests import the long trials that they shorten."""

WORKERS = 2 + (os.cpu_count() or 1)
"""Of pytest, two more than there are cores: many a test waits for a process, a line or a clock."""

KEEPING = {"MALLOC_MMAP_THRESHOLD_": f"{2**30}", "MALLOC_TRIM_THRESHOLD_": f"{2**32}"}
"""What is let go stays with its process (glibc): a twentieth less time for some 40 MB each."""

STEPS: tuple[tuple[str, ...], ...] = (
    ("ruff", "format", "--check", "--quiet", "."),
    ("ruff", "check", "--quiet", "."),
    ("lint-imports", "--no-logo"),
    ("deptry", "."),
    (
        "deptry",
        "tests",
        "notebooks",
        "--exclude",
        "^$",
        "--known-first-party=veneercheck",
        "--known-first-party=phantom",
        "--known-first-party=program",
        "--known-first-party=browsing",
        *(f"--known-first-party={trial.stem}" for trial in BENCHMARKS),
        "--optional-dependencies-dev-groups",
        "none",
        "--ignore",
        "DEP002",
    ),
    ("codespell",),
    ("pytest", "--durations=10", f"-n{WORKERS}", "--dist=loadfile", "--no-loadscope-reorder"),
)
"""Programs of this environment, in the order in which they run. deptry runs twice: the package may
import what the base install brings, the tests also what the extras do (no group is set apart)."""


def program(name: str) -> str:
    """Where a program of this environment lies: another one on the PATH would not do."""
    folder = Path(sysconfig.get_path("scripts"))
    return str(folder / (f"{name}.exe" if sys.platform == "win32" else name))


def holds(step: tuple[str, ...]) -> bool:
    """Run one step and tell whether it held."""
    print(f"── {' '.join(step)}", flush=True)
    began = time.monotonic()
    try:
        code = subprocess.run(
            [program(step[0]), *step[1:]], cwd=ROOT, env={**KEEPING, **os.environ}, check=False
        ).returncode
    except FileNotFoundError:
        print(f"{step[0]} is not installed here: pip install -e '.[test]'", flush=True)
        return False
    if step[0] != "pytest":
        told = "held" if code == 0 else f"FAILED with exit code {code}"
        print(f"   {told} in {time.monotonic() - began:.0f} s", flush=True)
    return code == 0


def types_hold(types: subprocess.Popen[str]) -> bool:
    """What mypy, begun before the others, says in the end."""
    told, _ = types.communicate()
    if types.returncode:
        print(f"── mypy\n{told}   FAILED with exit code {types.returncode}", flush=True)
    return types.returncode == 0


def main() -> int:
    """Run every step; pytest tells its own outcome, so what failed before it is told first."""
    types = subprocess.Popen([program("mypy")], cwd=ROOT, stdout=subprocess.PIPE, text=True)
    failed = [" ".join(step) for step in STEPS[:-1] if not holds(step)]
    if failed:
        print(f"── FAILED before the tests: {'; '.join(failed)}", flush=True)
    tests_hold = holds(STEPS[-1])
    return 0 if types_hold(types) and tests_hold and not failed else 1


if __name__ == "__main__":
    sys.exit(main())
