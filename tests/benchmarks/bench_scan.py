"""Reading and conditioning two binary STL scans, beside trimesh in the same run.

    python tests/benchmarks/bench_scan.py [triangles a scan, default 200000] [rounds, default 7]

Prints medians in seconds. «read and merge» stops where merged vertices and triangles are known;
«all» has the conditioning and the comparison of the two as well. Only ratios taken in one run
mean anything on a shared machine.
"""

from __future__ import annotations

import resource
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from veneercheck.core.types import TriangleMesh
from veneercheck.scan import ReadCaps, read_pair, read_scan, write_stl
from veneercheck.scan.formats import parse
from veneercheck.scan.intake import take_in
from veneercheck.scan.merge import merge_equal


def torus(triangles: int, small_mm: float) -> TriangleMesh:
    """A noisy torus, the size of a bridge."""
    n = round((triangles / 2) ** 0.5)
    u, v = (k.reshape(-1) for k in np.meshgrid(np.arange(n), np.arange(n), indexing="ij"))
    right, up = (u + 1) % n, (v + 1) % n
    a, b, c, d = u * n + v, right * n + v, right * n + up, u * n + up
    faces = np.stack([np.stack([a, b, c], 1), np.stack([a, c, d], 1)], axis=1).reshape(-1, 3)
    turn, tube = 2 * np.pi * u / n, 2 * np.pi * v / n
    radius = small_mm + 0.005 * np.random.default_rng(1).standard_normal(len(u))
    ring = 12.0 + radius * np.cos(tube)
    points = [ring * np.cos(turn), ring * np.sin(turn), radius * np.sin(tube)]
    return TriangleMesh(np.stack(points, axis=1), faces)


def read_and_merge(paths: list[Path]) -> None:
    """Both files, as far as merged vertices."""
    for path in paths:
        corners = parse(take_in(path, ReadCaps()), ReadCaps()).points
        first, _ = merge_equal(corners + np.float32(0))
        corners[first].astype(np.float64)


def rival(paths: list[Path]) -> None:
    """The same two files by trimesh, which merges, too."""
    import trimesh

    for path in paths:
        trimesh.load(path)


def main() -> None:
    """Time all of them by turns."""
    triangles = int(sys.argv[1]) if len(sys.argv) > 1 else 200_000
    rounds = int(sys.argv[2]) if len(sys.argv) > 2 else 7
    with tempfile.TemporaryDirectory() as folder:
        paths = [Path(folder) / name for name in ("framework.stl", "waxup.stl")]
        for path, small in zip(paths, (5.0, 6.0), strict=True):
            write_stl(path, torus(triangles, small))
        ways: dict[str, Callable[[], object]] = {
            "read and merge": lambda: read_and_merge(paths),
            "all, one after the other": lambda: [read_scan(path) for path in paths],
            "all, side by side": lambda: read_pair(*paths),
            "trimesh.load": lambda: rival(paths),
        }
        times: dict[str, list[float]] = {name: [] for name in ways}
        for _ in range(rounds):
            for name, way in ways.items():
                if name == "trimesh.load" and not times[name]:
                    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
                    print(f"peak memory before trimesh: {peak:.0f} MB")
                began = time.perf_counter()
                way()
                times[name].append(time.perf_counter() - began)
    for name, taken in times.items():
        print(f"{name:28} {statistics.median(taken):7.3f} s   least {min(taken):7.3f} s")


if __name__ == "__main__":
    main()
