"""Whether two checkouts give the same answers: every field of result.json and of space.ply.

    python tests/benchmarks/guard.py BEFORE AFTER [WORK, default a temporary folder] [CASE ...]

BEFORE and AFTER are folders that hold the package. The sample and four bridges made by code are
checked by each through its own command line; what BEFORE gave and already stands in WORK is used
again. Prints the processor seconds of both and the greatest difference of each field that differs
at all. Exit code 1 where a length differs by more than `TOLERANCE_MM`, any other number by as much
of itself, or anything else at all.
"""

from __future__ import annotations

import json
import math
import os
import resource
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np

TOLERANCE_MM = 0.001
"""Of poses and readings: a tenth of what a scanner scatters."""

UNLIKE = ("checked_at_utc", "program")
"""What tells of the run and not of the bodies."""

_PLY_TYPES = {
    "float": "<f4", "double": "<f8", "uchar": "u1", "short": "<i2", "ushort": "<u2", "int": "<i4",
}  # fmt: skip
_SHOWN = 12


def sample(_: Path) -> list[str]:
    """The sample bridge with all its planted faults, in any pose."""
    home = Path(__file__).parents[2] / "sample_meshes"
    scans = [str(home / name) for name in ("framework.stl", "waxup.stl")]
    return [*scans, "--case", str(home / "case.toml")]


def crown(place: Path) -> list[str]:
    """A noisy crown in any pose, without a case file."""
    from phantom.bridge import BridgeSpec, FaultPlan, make_bridge
    from veneercheck.scan import write_stl

    thin = FaultPlan("too_thin", 16, (0.1, 2.2, 6.0), 3.0, -0.8, "cut too little")
    made = make_bridge(BridgeSpec(units=(16,), faults=(thin,), seed=7))
    write_stl(place / "framework.stl", made.framework)
    write_stl(place / "waxup.stl", made.waxup)
    return [str(place / "framework.stl"), str(place / "waxup.stl")]


def front(place: Path) -> list[str]:
    """A front bridge in one frame, scanned finely and without noise."""
    from phantom.bridge import BridgeSpec, make_bridge
    from phantom.scanned import Scanner
    from veneercheck.scan import write_stl

    scanner = Scanner(0.16, 0.16, 0.0, 0.0, hole=False, fragment=False, crop=False)
    made = make_bridge(BridgeSpec((13, 12, 11), (12,), scanner=scanner, seed=9))
    write_stl(place / "framework.stl", made.clean)
    write_stl(place / "waxup.stl", made.waxup)
    return [str(place / "framework.stl"), str(place / "waxup.stl"), "--aligned"]


def beaded(place: Path) -> list[str]:
    """A molar with retention beads, in one frame."""
    from phantom.attached import put_beads, spread
    from phantom.bridge import BridgeSpec, make_bridge
    from phantom.scanned import Scanner
    from veneercheck.scan import write_stl

    scanner = Scanner(0.2, 0.2, 0.0, 0.0, hole=False, fragment=False, crop=False)
    made = make_bridge(BridgeSpec((36,), base=False, scanner=scanner, seed=4))
    deep = made.depth_mm[: len(made.clean.points_mm)] > 1.3
    seats = spread(made.clean.points_mm, deep, 1.2, np.random.default_rng(4))
    write_stl(place / "framework.stl", put_beads(made.clean, seats, diameter_mm=0.5).mesh)
    write_stl(place / "waxup.stl", made.waxup)
    return [str(place / "framework.stl"), str(place / "waxup.stl"), "--aligned"]


def large(place: Path) -> list[str]:
    """The sample bridge scanned as finely as laboratories do: 200,000 and 160,000 triangles."""
    import dataclasses

    from phantom.bridge import make_bridge
    from phantom.sample import SAMPLE
    from phantom.scanned import Scanner
    from veneercheck.scan import write_stl

    made = make_bridge(dataclasses.replace(SAMPLE, scanner=Scanner(0.122, 0.143)))
    write_stl(place / "framework.stl", made.framework)
    write_stl(place / "waxup.stl", made.waxup)
    case = Path(__file__).parents[2] / "sample_meshes" / "case.toml"
    scans = [str(place / "framework.stl"), str(place / "waxup.stl")]
    return [*scans, "--case", str(case)]


CASES: dict[str, Callable[[Path], list[str]]] = {
    "sample": sample, "crown": crown, "front": front, "beaded": beaded, "large": large,
}  # fmt: skip


def check(checkout: Path, arguments: list[str], out: Path) -> float:
    """Check a case with one checkout's own code; the processor seconds it took."""
    environment = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    environment["PYTHONPATH"] = str(checkout.resolve())
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    command = [sys.executable, "-m", "veneercheck", "check", *arguments, "--out", str(out)]
    done = subprocess.run(
        [*command, "--no-report"],
        check=False,
        cwd=out.parent,
        env=environment,
        capture_output=True,
        text=True,
    )
    if not (out / "result.json").exists():
        raise SystemExit(f"{checkout}: {done.stdout}{done.stderr}")
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def differences(first: Any, second: Any, at: str = "") -> Iterator[tuple[str, float]]:
    """Where two documents differ, and by how much; infinite for what is no number."""
    if isinstance(first, dict) and isinstance(second, dict):
        for name in sorted({*first, *second} - (set(UNLIKE) if not at else set())):
            yield from differences(first.get(name), second.get(name), f"{at}.{name}")
    elif isinstance(first, list) and isinstance(second, list) and len(first) == len(second):
        for one, other in zip(first, second, strict=True):
            yield from differences(one, other, f"{at}[]")
    elif isinstance(first, float) and isinstance(second, float | int):
        # Lengths in mm, areas, counts: what is larger than one counts by its own size.
        yield at, abs(first - second) / max(abs(first), 1.0)
    elif first != second:
        yield at, math.inf


def columns(path: Path) -> dict[str, np.ndarray]:
    """All that a binary PLY holds, by the names in its own header."""
    data = path.read_bytes()
    head, _, body = data.partition(b"end_header\n")
    found: dict[str, np.ndarray] = {}
    at = 0
    for part in head.decode("ascii").split("element ")[1:]:
        name, count = part.split()[:2]
        told = [line.split() for line in part.splitlines() if line.startswith("property")]
        fields: list[Any] = []
        for word in told:
            if word[1] == "list":
                fields += [("corners", _PLY_TYPES[word[2]]), (word[4], _PLY_TYPES[word[3]], (3,))]
            else:
                fields.append((word[2], _PLY_TYPES[word[1]]))
        rows = np.frombuffer(body, np.dtype(fields), int(count), at)
        at += rows.nbytes
        found |= {f"{name}.{field}": rows[field] for field in rows.dtype.names or ()}
    return found


def apart(first: np.ndarray, second: np.ndarray) -> float:
    """Greatest difference of two columns; infinite where codes or what is known differ."""
    if first.shape != second.shape:
        return math.inf
    if first.dtype.kind != "f":
        return 0.0 if np.array_equal(first, second) else math.inf
    if not np.array_equal(np.isfinite(first), np.isfinite(second)):
        return math.inf
    known = np.isfinite(first)
    return float(np.abs(first[known].astype(float) - second[known]).max(initial=0.0))


def compared(before: Path, after: Path) -> dict[str, float]:
    """Every field of two results that differs at all, with the greatest difference."""
    found: dict[str, float] = {}
    documents = [json.loads((folder / "result.json").read_text()) for folder in (before, after)]
    for at, value in differences(*documents):
        found[at] = max(found.get(at, 0.0), value)
    maps = [folder / "space.ply" for folder in (before, after)]
    if maps[0].exists() != maps[1].exists():
        return found | {"space.ply": math.inf}
    if maps[0].exists():
        first, second = (columns(path) for path in maps)
        for name in sorted({*first, *second}):
            both = name in first and name in second
            found[name] = apart(first[name], second[name]) if both else math.inf
    return {name: value for name, value in found.items() if value > 0.0}


def main() -> int:
    """Check all cases with both and print what differs."""
    before, after = Path(sys.argv[1]), Path(sys.argv[2])
    work = Path(sys.argv[3] if len(sys.argv) > 3 else tempfile.mkdtemp(prefix="guard-"))
    good = True
    for name in sys.argv[4:] or CASES:
        place = work / name
        place.mkdir(parents=True, exist_ok=True)
        arguments = CASES[name](place)
        stood = (place / "before" / "result.json").exists()
        took = [0.0 if stood else check(before, arguments, place / "before")]
        took.append(check(after, arguments, place / "after"))
        found = compared(place / "before", place / "after")
        worst = max(found.values(), default=0.0)
        good &= worst <= TOLERANCE_MM
        print(f"{name:8} {took[0]:6.2f} → {took[1]:6.2f} s   {len(found)} fields differ, {worst:g}")
        for at, value in sorted(found.items(), key=lambda told: -told[1])[:_SHOWN]:
            print(f"    {at:44} {value:.3g}")
    return 0 if good else 1


if __name__ == "__main__":
    raise SystemExit(main())
