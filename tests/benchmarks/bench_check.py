"""Time, processor time and memory of whole processes, beside a script that does the same work.

    python tests/benchmarks/bench_check.py [REPEATS] [--growth FOLDER] [--parts]

Rival: a script on `trimesh` and `embreex` that loads the two scans, takes normals, sends rays both
ways and writes a coloured PLY; it neither judges nor tells an uncertainty. «rays alone» is our own
reading and rays with the same output and no more. Every figure is the median of whole processes,
all taking turns in the same run; on a shared machine only processor seconds (user and system) and
ratios mean anything. `--growth` goes from 20 000 to 2 million triangles a scan and leaves
`growth.csv` and `growth.svg` in the folder; `--parts` tells what each step costs at 200 000.
Nothing is asserted: what is fast enough depends on the machine.
"""

from __future__ import annotations

import argparse
import csv
import dataclasses
import math
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


RAYS = """
import sys
from pathlib import Path
import numpy as np
from veneercheck.core.mesh import vertex_normals
from veneercheck.core.rays import RayScene
from veneercheck.core.types import TriangleMesh
from veneercheck.scan import read_pair
pair = read_pair(Path(sys.argv[1]), Path(sys.argv[2]))
mesh, scene = pair.framework.mesh, RayScene(pair.waxup.mesh, engine=sys.argv[4])
way = vertex_normals(mesh)
out = scene.first_hit(mesh.points_mm - 0.02 * way, way).distance_mm - 0.02
back = scene.first_hit(mesh.points_mm + 0.02 * way, -way).distance_mm - 0.02
space = np.where(np.isnan(out), -back, out)
share = np.clip(np.nan_to_num(space) / 3.0, 0.0, 1.0)
row = np.dtype([("place", "<f4", 3), ("space", "<f4"), ("colour", "u1", 3)])
rows = np.empty(len(space), row)
rows["place"], rows["space"] = mesh.points_mm, space
rows["colour"] = 255 * np.stack([1 - share, 0 * share, share], axis=1)
faces = np.empty(len(mesh.faces), np.dtype([("n", "u1"), ("corner", "<i4", 3)]))
faces["n"], faces["corner"] = 3, mesh.faces
Path(sys.argv[3]).write_bytes(rows.tobytes() + faces.tobytes())
"""

MAKE = """
import sys
from pathlib import Path
import numpy as np
from veneercheck.core.types import TriangleMesh
from veneercheck.scan import write_stl
size = float(sys.argv[2])
around, about = round(500 * size), round(200 * size)
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
"""Two rings, at size 1 of 200 000 triangles, edges below 0.15 mm (coarser ones would be refined
by the check and not by its rival); the upper half is cut back by 1.5 mm. Made in a process of its
own: a child's peak memory is never told smaller than what its parent held when it started it."""


PARTS = """
import sys, time
from pathlib import Path
began = time.process_time()
from veneercheck.workflow import Order, carry_out
last = [began, "starting"]
def say(words):
    now = time.process_time()
    print(f"{last[1]:<46}{now - last[0]:8.2f}")
    last[:] = now, words
order = Order(Path(sys.argv[1]), Path(sys.argv[2]), aligned=True)
carry_out(order, out=Path(sys.argv[3]), with_report=False, say=say)
say("")
"""

SIZES = (20_000, 50_000, 200_000, 1_000_000, 2_000_000)
_OF_SIZE_ONE = 200_000


@dataclasses.dataclass(frozen=True)
class Figures:
    """One process."""

    seconds: float
    cpu_seconds: float
    megabytes: float
    code: int


def run(command: list[str]) -> Figures:
    """Run one process; compiled files are kept, as on a user's machine."""
    kept = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    kept.setdefault("PYTHONPYCACHEPREFIX", str(Path(tempfile.gettempdir()) / "bench_check_pyc"))
    began = time.perf_counter()
    child = subprocess.Popen(
        command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=kept
    )
    _, status, usage = os.wait4(child.pid, 0)
    seconds = time.perf_counter() - began
    child.returncode = os.waitstatus_to_exitcode(status)
    megabytes = usage.ru_maxrss / MEGABYTE_OF_KILOBYTES
    return Figures(seconds, usage.ru_utime + usage.ru_stime, megabytes, child.returncode)


def medians(commands: dict[str, list[str]], repeats: int) -> dict[str, Figures]:
    """Every command in turn, so that whatever else the machine does meets all of them."""
    taken: dict[str, list[Figures]] = {name: [] for name in commands}
    for turn in range(repeats + 1):
        for name, command in commands.items():
            figures = run(command)
            if turn:  # the first warms the caches of the system
                taken[name].append(figures)
    return {
        name: Figures(
            statistics.median(f.seconds for f in figures),
            statistics.median(f.cpu_seconds for f in figures),
            max(f.megabytes for f in figures),
            figures[0].code,
        )
        for name, figures in taken.items()
    }


def table(found: dict[str, Figures], beside: str) -> None:
    print(f"{'':<34}{'s':>8}{'CPU s':>8}{'MB':>7}{'exit':>6}{'CPU ratio':>11}{'MB ratio':>10}")
    for name, figures in found.items():
        print(
            f"{name:<34}{figures.seconds:8.2f}{figures.cpu_seconds:8.2f}{figures.megabytes:7.0f}"
            f"{figures.code:6d}{found[beside].cpu_seconds / figures.cpu_seconds:11.1f}"
            f"{found[beside].megabytes / figures.megabytes:10.1f}"
        )


def make(folder: Path, triangles: int) -> list[str]:
    """Two scans of about so many triangles each."""
    size = str(math.sqrt(triangles / _OF_SIZE_ONE))
    subprocess.run([sys.executable, "-c", MAKE, str(folder), size], check=True)
    return [str(folder / "f.stl"), str(folder / "w.stl")]


def commands(folder: Path, pair: list[str]) -> dict[str, list[str]]:
    """What is timed, the rival first."""
    python, program = sys.executable, [sys.executable, "-m", "veneercheck"]
    quick = ["--aligned", "--no-report", "--out", str(folder / "out")]
    ply = str(folder / "rays.ply")
    return {
        "trimesh + embreex": [python, "-c", RIVAL, *pair, ply],
        "rays alone, Embree": [python, "-c", RAYS, *pair, ply, "embree"],
        "rays alone, portable": [python, "-c", RAYS, *pair, ply, "portable"],
        "check --aligned --no-report": [*program, "check", *pair, *quick],
        "check --no-report": [*program, "check", *pair, *quick[1:]],
        "--help": [*program, "--help"],
        "a refusal": [*program, "check", "none.stl", pair[1], *quick],
    }


def growth(folder: Path) -> None:
    """The check in a given frame and the rival, from 20 000 to 2 million triangles a scan."""
    folder.mkdir(parents=True, exist_ok=True)
    rows: list[tuple[str, int, Figures]] = []
    for triangles in SIZES:
        with tempfile.TemporaryDirectory() as name:
            timed = commands(Path(name), make(Path(name), triangles))
            for what in ("trimesh + embreex", "rays alone, Embree", "check --aligned --no-report"):
                figures = run(timed[what])
                rows.append((what, triangles, figures))
                print(
                    f"{what:<30}{triangles:>10}{figures.seconds:8.2f} s"
                    f"{figures.cpu_seconds:8.2f} CPU s{figures.megabytes:7.0f} MB",
                    flush=True,
                )
    with (folder / "growth.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(["what", "triangles", "seconds", "cpu_seconds", "megabytes"])
        writer.writerows([(w, t, *dataclasses.astuple(f)[:3]) for w, t, f in rows])
    (folder / "growth.svg").write_text(drawing(rows), encoding="utf-8")


def drawing(rows: list[tuple[str, int, Figures]]) -> str:
    """Processor seconds over triangles, both logarithmic, as SVG."""
    wide, high, edge = 560, 380, 50
    low_x, high_x = math.log10(SIZES[0]), math.log10(SIZES[-1])
    times = [math.log10(figures.cpu_seconds) for _, _, figures in rows]
    low_y, high_y = math.floor(min(times)), math.ceil(max(times))

    def at(triangles: float, seconds: float) -> tuple[float, float]:
        x = edge + (math.log10(triangles) - low_x) / (high_x - low_x) * (wide - 4 * edge)
        y = high - edge - (math.log10(seconds) - low_y) / (high_y - low_y) * (high - 2 * edge)
        return round(x, 1), round(y, 1)

    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {wide} {high}" font-size="11" '
        'font-family="sans-serif"><rect width="100%" height="100%" fill="white"/>'
    ]
    for power in range(low_y, high_y + 1):
        y = at(SIZES[0], 10.0**power)[1]
        parts.append(f'<text x="8" y="{y}">{10.0**power:g} s</text>')
        parts.append(f'<path d="M{edge} {y}H{wide - 3 * edge}" stroke="#ddd"/>')
    for size in SIZES:
        x = at(size, 10.0**low_y)[0]
        parts.append(f'<text x="{x - 14}" y="{high - edge + 16}">{size // 1000} k</text>')
    for what, colour in zip(
        dict.fromkeys(row[0] for row in rows), ("#888", "#2a6fb0", "#a02c4b"), strict=True
    ):
        places = [at(size, figures.cpu_seconds) for name, size, figures in rows if name == what]
        line = " ".join(f"{x},{y}" for x, y in places)
        parts.append(f'<polyline points="{line}" fill="none" stroke="{colour}" stroke-width="2"/>')
        x, y = places[-1]
        parts.append(f'<text x="{x + 6}" y="{y + 4}" fill="{colour}">{what}</text>')
    parts.append(f'<text x="{edge}" y="{high - 12}">triangles a scan; processor seconds</text>')
    return "".join(parts) + "</svg>\n"


def main() -> None:
    asked = argparse.ArgumentParser()
    asked.add_argument("repeats", type=int, nargs="?", default=REPEATS)
    asked.add_argument("--growth", type=Path)
    asked.add_argument("--parts", action="store_true")
    told = asked.parse_args()
    if told.growth:
        growth(told.growth)
        return
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        pair = make(folder, _OF_SIZE_ONE)
        if told.parts:
            subprocess.run([sys.executable, "-c", PARTS, *pair, str(folder / "out")], check=True)
            return
        table(medians(commands(folder, pair), told.repeats), "trimesh + embreex")


if __name__ == "__main__":
    main()
