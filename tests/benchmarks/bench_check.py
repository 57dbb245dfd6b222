"""Time and memory of whole processes, as ratios beside a script that does the same work.

    python tests/benchmarks/bench_check.py table [--repeats 5]
    python tests/benchmarks/bench_check.py growth FOLDER [--repeats 3]
    python tests/benchmarks/bench_check.py rays [--repeats 5]

Rival: a script on `trimesh` and `embreex` that loads the two scans, takes normals, sends rays both
ways and writes a coloured PLY; it neither judges nor tells an uncertainty. Every figure is the
median of whole processes, all of them taking turns in the same run, with compiled modules in
Python's cache as on any machine where the program ran before. `growth` writes `growth.csv` and
`growth.svg`, from twenty thousand to two million triangles a scan. `rays` holds the ray engine
alone against embreex as it is and against open3d, in one process. Nothing is asserted: what is
fast enough depends on the machine.
"""

from __future__ import annotations

import argparse
import csv
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

MEGABYTE_OF_KILOBYTES = 1024.0
_NO_CACHE = "PYTHONDONTWRITEBYTECODE"
"""Where this is set every process compiles all it imports: a second, and no user's."""

PROGRAM = [sys.executable, "-m", "veneercheck"]
CHECK = [*PROGRAM, "check"]
_POSES = ("shared", "any")

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


RINGS = """
import sys
from pathlib import Path
import numpy as np
from veneercheck.core.types import TriangleMesh
from veneercheck.scan import write_stl
about = round((float(sys.argv[2]) / 5) ** 0.5)
around = round(2.5 * about)
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
"""Two closed rings; the upper half is cut back by 1.5 mm. With 200 000 triangles their edges are
below 0.15 mm: a coarser framework would be refined by the check and not by its rival. Made in a
process of its own: a child's peak memory is never told smaller than what its parent held when it
started it."""

BRIDGE = """
import dataclasses, sys
from pathlib import Path
from veneercheck.core.types import TriangleMesh
from phantom.bridge import make_bridge
from phantom.sample import SAMPLE, sample_case_toml
from phantom.scanned import Scanner
from veneercheck.scan import write_stl
made = make_bridge(dataclasses.replace(SAMPLE, scanner=Scanner(0.124, 0.13)))
placed = made.waxup_from_framework.apply(made.framework.points_mm)
moved = TriangleMesh(placed, made.framework.faces)
for name, framework in (("any", made.framework), ("shared", moved)):
    folder = Path(sys.argv[1]) / name
    folder.mkdir()
    write_stl(folder / "framework.stl", framework)
    write_stl(folder / "waxup.stl", made.waxup)
    (folder / "case.toml").write_text(sample_case_toml(), encoding="utf-8")
"""
"""The sample bridge in scans of 200 000 triangles: as scanned, in any pose, and in one frame."""

SIZES = (20_000, 50_000, 200_000, 1_000_000, 2_000_000)


def run(command: list[str]) -> tuple[float, float, int]:
    """Seconds, peak memory in MB and exit code of one process."""
    began = time.perf_counter()
    cached = {name: value for name, value in os.environ.items() if name != _NO_CACHE}
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    child = subprocess.Popen(command, env=cached, **quiet)
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


def whole_checks(repeats: int) -> None:
    """Every kind of run at 200 000 triangles a scan."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        make(RINGS, folder, "200000")
        make(BRIDGE, folder)
        pair = [str(folder / "f.stl"), str(folder / "w.stl")]
        out = ["--out", str(folder / "out")]
        quick = [*out, "--aligned", "--no-report"]
        cases = {name: ["--case", str(folder / name / "case.toml"), *out] for name in _POSES}
        found = medians(
            {
                "trimesh + embreex": rival(folder, pair),
                "rings, aligned, no report": [*CHECK, *pair, *quick],
                "bridge, one frame, no report": [*CHECK, *cases["shared"], "--no-report"],
                "bridge, any pose, no report": [*CHECK, *cases["any"], "--no-report"],
                "bridge, any pose, whole report": [*CHECK, *cases["any"]],
                "--help": [*PROGRAM, "--help"],
                "a refusal": [*CHECK, "none.stl", pair[1], *quick],
            },
            repeats,
        )
        table(found, "trimesh + embreex")


def growth(told: Path, repeats: int) -> None:
    """Rings of every size; a table and a plot into a folder."""
    told.mkdir(parents=True, exist_ok=True)
    rows: list[tuple[int, str, float, float]] = []
    for size in SIZES:
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            make(RINGS, folder, str(size))
            pair = [str(folder / "f.stl"), str(folder / "w.stl")]
            ours = [*CHECK, *pair, "--aligned", "--no-report", "--out", str(folder / "out")]
            found = medians({"trimesh + embreex": rival(folder, pair), "check": ours}, repeats)
        print(f"{size} triangles a scan")
        table(found, "trimesh + embreex")
        rows += [(size, name, found[name][0], found[name][1]) for name in found]
    with (told / "growth.csv").open("w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows([("triangles", "program", "s", "MB"), *rows])
    plot(rows, told / "growth.svg")


def plot(rows: list[tuple[int, str, float, float]], path: Path) -> None:
    """Seconds and memory over triangles, both axes logarithmic."""
    import matplotlib

    matplotlib.use("svg")
    from matplotlib import pyplot

    figure, axes = pyplot.subplots(1, 2, figsize=(9, 4), layout="constrained")
    for axis, column, label in zip(axes, (2, 3), ("time, s", "peak memory, MB"), strict=True):
        for name, line in (("check", "o-"), ("trimesh + embreex", "s--")):
            points = [(row[0], row[column]) for row in rows if row[1] == name]
            axis.loglog(*zip(*points, strict=True), line, label=name)
        axis.set(xlabel="triangles a scan", ylabel=label)
        axis.grid(visible=True, which="both", alpha=0.3)
        axis.legend()
    figure.savefig(path)


def rays(repeats: int) -> None:
    """A ray from every vertex outward and inward, 200 000 triangles; median seconds."""
    import open3d
    from embreex.mesh_construction import TriangleMesh as EmbreeMesh
    from embreex.rtcore_scene import EmbreeScene

    from veneercheck.core.mesh.rays import RayScene
    from veneercheck.core.mesh.triangles import vertex_normals
    from veneercheck.scan import read_scan

    with tempfile.TemporaryDirectory() as name:
        make(RINGS, Path(name), "200000")
        inner, outer = (read_scan(Path(name) / f"{one}.stl").mesh for one in "fw")
    out = vertex_normals(inner)
    start = np.concatenate([inner.points_mm, inner.points_mm])
    way = np.concatenate([out, -out])
    ours = RayScene(outer, engine="embree")
    bare = EmbreeScene(robust=True)
    EmbreeMesh(bare, outer.points_mm.astype(np.float32), outer.faces.astype(np.int32))
    near, toward = start.astype(np.float32), way.astype(np.float32)
    other = open3d.t.geometry.RaycastingScene()
    other.add_triangles(outer.points_mm.astype(np.float32), outer.faces.astype(np.uint32))
    six = open3d.core.Tensor(np.concatenate([near, toward], axis=1))
    runs: dict[str, Callable[[], object]] = {
        "embreex as it is, one thread, float32": lambda: bare.run(near, toward, query="INTERSECT"),
        "open3d, its own threads, float32": lambda: other.cast_rays(six),
        "RayScene, refined in float64": lambda: ours.first_hit(start, way),
    }
    taken: dict[str, list[float]] = {name: [] for name in runs}
    for _ in range(repeats):
        for name, run_once in runs.items():
            began = time.perf_counter()
            run_once()
            taken[name].append(time.perf_counter() - began)
    for name, seconds in taken.items():
        middle = statistics.median(seconds)
        print(f"{name:<40}{middle:8.3f} s{len(start) / middle / 1e6:8.2f} million rays a second")


def make(program: str, folder: Path, *words: str) -> None:
    subprocess.run([sys.executable, "-c", program, str(folder), *words], check=True)


def rival(folder: Path, pair: list[str]) -> list[str]:
    (folder / "rival.py").write_text(RIVAL, encoding="utf-8")
    return [sys.executable, str(folder / "rival.py"), *pair, str(folder / "rival.ply")]


def main() -> None:
    parser = argparse.ArgumentParser()
    kinds = parser.add_subparsers(dest="kind", required=True)
    for name, repeats in (("table", 5), ("growth", 3), ("rays", 5)):
        kind = kinds.add_parser(name)
        kind.add_argument("--repeats", type=int, default=repeats)
        if name == "growth":
            kind.add_argument("folder", type=Path)
    asked = parser.parse_args()
    if asked.kind == "growth":
        growth(asked.folder, asked.repeats)
    else:
        {"table": whole_checks, "rays": rays}[asked.kind](asked.repeats)


if __name__ == "__main__":
    main()
