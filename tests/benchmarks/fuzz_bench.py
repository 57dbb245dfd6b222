"""Wild requests against the bench page for as long as is asked: no answer may be a fault (5xx).

    python tests/benchmarks/fuzz_bench.py [SECONDS] [SEED]

The short form runs with the tests (`tests/doors/test_bench_door.py`), whose requests these are.
Ends with 1 at the first fault, and says which request it was: the seed brings it again.
"""

from __future__ import annotations

import collections
import importlib.util
import random
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

SECONDS = 600.0
FULL = {503, 507}
"""Too many at once and no room on the disk are answers, not faults."""

PAUSE_S = 1 / 60
"""As often as the page lets one address ask: faster, most answers would be «wait»."""


def _door() -> Any:
    path = Path(__file__).parents[1] / "doors" / "test_bench_door.py"
    spec = importlib.util.spec_from_file_location("bench_door", path)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["bench_door"] = module
    spec.loader.exec_module(module)
    return module


def main(seconds: float = SECONDS, seed: int = 9) -> int:
    """Ask until the time is up; tell how often each code was answered."""
    door, rng = _door(), random.Random(seed)
    codes: collections.Counter[int] = collections.Counter()
    with tempfile.TemporaryDirectory() as room:
        page = door.open_page(Path(room) / "checks")
        _, headers, _ = page.ask("GET", f"/?token={page.token}", known=False)
        page.cookie = headers["set-cookie"].split(";")[0]
        before = page.memory_mb()
        real = door.real_numbers(page)
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            method, path, body = door.fuzzed(rng, real)
            code, _, told = page.ask(method, path, body, door.wild_headers(rng))
            codes[code] += 1
            if code >= 500 and code not in FULL:
                sys.stdout.write(f"fault: {method} {path} {body!r}: {code} {told[:200]!r}\n")
                return 1
            time.sleep(PAUSE_S)
        sys.stdout.write(
            f"{codes.total()} requests in {seconds:.0f} s, seed {seed}: {dict(codes)}; memory "
            f"{before:.0f} -> {page.memory_mb():.0f} MB\n"
        )
        door.close_page(page)
    return 0


if __name__ == "__main__":
    sys.exit(main(*map(float, sys.argv[1:2]), *map(int, sys.argv[2:3])))
