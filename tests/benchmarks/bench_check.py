"""Time and memory of whole processes, as ratios beside a script that does the same work.

    python tests/benchmarks/bench_check.py [REPEATS]

Rival: a script on `trimesh` and `embreex` that loads the two scans, takes normals, sends rays both
ways and writes a coloured PLY; it neither judges nor tells an uncertainty. Every figure is the
median of whole processes, the two taking turns in the same run. Nothing is asserted: what is fast
enough depends on the machine.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

REPEATS = 5
MEGABYTE_OF_KILOBYTES = 1024.0

RIVAL = """
import sys
import numpy as np
import trimesh
inner, outer = (trimesh.load(path, process=True) for path in sys.argv[1:3])
start, way = inner.vertices, inner.vertex_normals
def reach(way):
    place, ray, _ = outer.ray.intersects_location(start + 1e-4 * way, way, multiple_hits=False)
    found = np.full(len(start), np.nan)
    found[ray] = np.linalg.norm(place - start[ray], axis=1)
    return found
space = np.where(np.isnan(out := reach(way)), -reach(-way), out)
share = np.clip(np.nan_to_num(space) / 3.0, 0.0, 1.0)
colour = np.column_stack([255 * (1 - share), 0 * share, 255 * share, 255 + 0 * share])
inner.visual.vertex_colors = colour.astype(np.uint8)
inner.export(sys.argv[3])
"""


MAKE = """
import sys
from pathlib import Path
import numpy as np
from veneercheck.core.types import TriangleMesh
from veneercheck.scan import write_stl
around, about = 500, 200
i, j = np.meshgrid(np.arange(around), np.arange(about), indexing="ij")
a, b = 2 * np.pi * i / around, 2 * np.pi * j / about
i, j, k, l = i, j, (i + 1) % around, (j + 1) % about
first = np.stack([i * about + j, k * about + j, k * about + l], axis=-1)
second = np.stack([i * about + j, k * about + l, i * about + l], axis=-1)
faces = np.concatenate([first.reshape(-1, 3), second.reshape(-1, 3)])
faces = faces[np.argsort(faces.min(axis=1), kind="stable")]
cut = 1.5 * np.clip((np.sin(b) + 0.1) / 0.2, 0.0, 1.0)
for name, tube in (("f.stl", 3.0 - cut), ("w.stl", 3.0 + 0.0 * cut)):
    reach = 6.0 + tube * np.cos(b)
    points = np.stack([reach * np.cos(a), reach * np.sin(a), tube * np.sin(b)], axis=-1)
    write_stl(Path(sys.argv[1]) / name, TriangleMesh(points.reshape(-1, 3), faces))
"""
"""Two closed rings of 200 000 triangles, edges below 0.15 mm (a coarser framework would be refined
by the check and not by its rival); the upper half is cut back by 1.5 mm. Made in a process of its
own: a child's peak memory is never told smaller than what its parent held when it started it."""


def run(command: list[str]) -> tuple[float, float, int]:
    """Seconds, peak memory in MB and exit code of one process."""
    began = time.perf_counter()
    child = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    _, status, usage = os.wait4(child.pid, 0)
    seconds = time.perf_counter() - began
    child.returncode = os.waitstatus_to_exitcode(status)
    return seconds, usage.ru_maxrss / MEGABYTE_OF_KILOBYTES, child.returncode


def medians(commands: dict[str, list[str]], repeats: int) -> dict[str, tuple[float, float, int]]:
    """Every command in turn, so that whatever else the machine does meets all of them."""
    taken: dict[str, list[tuple[float, float, int]]] = {name: [] for name in commands}
    for turn in range(repeats + 1):
        for name, command in commands.items():
            figures = run(command)
            if turn:  # the first warms the caches of the system
                taken[name].append(figures)
    return {
        name: (
            statistics.median(f[0] for f in figures),
            max(f[1] for f in figures),
            figures[0][2],
        )
        for name, figures in taken.items()
    }


def table(found: dict[str, tuple[float, float, int]], beside: str) -> None:
    print(f"{'':<34}{'s':>8}{'MB':>8}{'exit':>6}{'time ratio':>12}{'memory ratio':>14}")
    for name, (seconds, megabytes, code) in found.items():
        print(
            f"{name:<34}{seconds:8.2f}{megabytes:8.0f}{code:6d}"
            f"{found[beside][0] / seconds:12.1f}{found[beside][1] / megabytes:14.1f}"
        )


def main() -> None:
    repeats = int(sys.argv[1]) if len(sys.argv) > 1 else REPEATS
    program = [sys.executable, "-m", "veneercheck"]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "rival.py").write_text(RIVAL, encoding="utf-8")
        subprocess.run([sys.executable, "-c", MAKE, name], check=True)
        pair = [str(folder / "f.stl"), str(folder / "w.stl")]
        quick = ["--aligned", "--no-report", "--out", str(folder / "out")]
        found = medians(
            {
                "trimesh + embreex": [
                    *(sys.executable, str(folder / "rival.py"), *pair),
                    str(folder / "rival.ply"),
                ],
                "check --aligned --no-report": [*program, "check", *pair, *quick],
                "--help": [*program, "--help"],
                "a refusal": [*program, "check", "none.stl", pair[1], *quick],
            },
            repeats,
        )
        table(found, "trimesh + embreex")


if __name__ == "__main__":
    main()
