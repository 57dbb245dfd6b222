"""Wild requests against the bench page for as long as is asked: no answer may be a fault (5xx).

    python tests/benchmarks/fuzz_bench.py [SECONDS] [SEED]

The short form runs with the tests (`tests/doors/test_bench_door.py`).
Ends with 1 at the first fault, and says which request it was: the seed brings it again.
"""

from __future__ import annotations

import collections
import json
import random
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from browsing import JSON, ROLES, UPLOAD, Page, answered, caps, close_page, open_page

SECONDS = 600.0
FULL = {503, 507}
"""Too many at once and no room on the disk are answers, not faults."""

PAUSE_S = 1 / 60
"""As often as the page lets one address ask: faster, most answers would be «wait»."""


def real_numbers(page: Page) -> list[str]:
    """A check that ended with a result, so that the wild requests meet one, too."""
    scans = {role: page.hand_in(mesh, f"{role}.stl")
             for role, mesh in zip(ROLES, caps(0.9), strict=True)}  # fmt: skip
    number = page.json("POST", "/api/checks", scans)["number"]
    answered(page, number)
    page.json("POST", f"/api/checks/{number}/cancel", {})
    return [number, scans["framework"]]


def wild_headers(rng: random.Random) -> dict[str, str]:
    """Headers that a route may trip over."""
    wild = [
        {}, {"range": "bytes=5-1"}, {"range": "bytes=-1,0-"}, {"if-none-match": "\xff"},
        {"accept-language": "de" * 99}, {"content-type": "multipart/form-data"},
        {"content-type": "text/\xe9"}, {"cookie": "a;;=;b"}, {"expect": "x"},
        {"accept-encoding": "\xff"}, {"if-modified-since": "never"}, {"host": "x"},
    ]  # fmt: skip
    return {**JSON, **(rng.choice(wild) if rng.random() < 0.3 else {})}


PIECES = [
    "api", "checks", "scans", "limits", "cancel", "..", "%2e%2e", "%00", "all.zip", "report.html",
    "20260101-000000-000000000000", "model", "painted", "view.js", "é",
    "%F0%9F%A6%B7", "login", "a" * 300, "?lang=xx", "%", "{}",
]  # fmt: skip

VALUES: list[Any] = [
    None, True, -1, 1e308, 0.3, "", "x", "\u0000", "é" * 90, [], [46], ["46"], [46.5], {},
    {"a": []}, {"46": [1, 2, 3]}, {"46": ["buccal"]}, {"46": [1e999]}, {"46": "x"}, "painted",
    "generic", "mm", "wax", "+z", "-y", "ask", "\ud800", ["occlusal"], [[1]], "0" * 24,
]  # fmt: skip

FIELDS = [
    "framework", "waxup", "after", "number", "units", "pontics", "surfaces", "metal_stops", "stage",
    "profile", "beads_mm", "unit", "lang", "occlusal", "buccal", "name", "values", "layer.least_mm",
    "teeth", "by_unit", "painted", "scans", "shared_frame",
]  # fmt: skip


def fuzzed(rng: random.Random, real: list[str]) -> tuple[str, str, bytes]:
    """A request somewhere between right and wild."""
    method = rng.choice(["GET", "POST", "PUT", "HEAD", "OPTIONS", "DELETE", "PATCH"])
    number = real[0]
    routes = [
        "/api/checks", "/api/limits", UPLOAD, "/" + "/".join(rng.choices([*PIECES, number], k=3)),
        f"/api/checks/{number}/{rng.choice(PIECES)}", f"/checks/{number}/{rng.choice(PIECES)}",
        f"/api/checks/{number}/painted", "/api/repeatability", "/api/register",
    ]  # fmt: skip
    path = rng.choice(routes).encode().decode("ascii", "ignore")
    data: Any = {rng.choice(FIELDS): rng.choice([*VALUES, *real]) for _ in range(rng.randrange(6))}
    if rng.random() < 0.3:
        data = {"name": rng.choice(VALUES), "values": data}
    body = json.dumps(data).encode()
    if rng.random() < 0.2:
        body = rng.randbytes(rng.randrange(200))
    return method, path, body


def main(seconds: float = SECONDS, seed: int = 9) -> int:
    """Ask until the time is up; tell how often each code was answered."""
    rng = random.Random(seed)
    codes: collections.Counter[int] = collections.Counter()
    with tempfile.TemporaryDirectory() as room:
        page = open_page(Path(room) / "checks")
        _, headers, _ = page.ask("GET", f"/?token={page.token}", known=False)
        page.cookie = headers["set-cookie"].split(";")[0]
        before = page.memory_mb()
        real = real_numbers(page)
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            method, path, body = fuzzed(rng, real)
            code, _, told = page.ask(method, path, body, wild_headers(rng))
            codes[code] += 1
            if code >= 500 and code not in FULL:
                sys.stdout.write(f"fault: {method} {path} {body!r}: {code} {told[:200]!r}\n")
                return 1
            time.sleep(PAUSE_S)
        sys.stdout.write(
            f"{codes.total()} requests in {seconds:.0f} s, seed {seed}: {dict(codes)}; memory "
            f"{before:.0f} -> {page.memory_mb():.0f} MB\n"
        )
        close_page(page)
    return 0


if __name__ == "__main__":
    sys.exit(main(*map(float, sys.argv[1:2]), *map(int, sys.argv[2:3])))
