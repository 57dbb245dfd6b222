"""How exact the alignment is, whether it knows it, and what general libraries make of the same.

    python tests/benchmarks/align_accuracy.py table FOLDER [--fits N]
    python tests/benchmarks/align_accuracy.py spread FOLDER [--fits N]
    python tests/benchmarks/align_accuracy.py rivals FOLDER     (needs the extra `witness`)
    python tests/benchmarks/align_accuracy.py coats FOLDER

`table`: bodies meshed as a laboratory scanner does (0.13 mm), white and correlated noise, fits
from any pose and from the true one. `spread`: predicted uncertainty against the spread of fits
with fresh correlated noise, along the six directions of the predicted covariance. `rivals`: the
same scans through registration of general libraries, from 3° and 0.5 mm off and from the truth.
`coats`: scan spray on one of the two scans, an even coat of so many µm; first fit and what is told.
Each line of a run goes to FOLDER as JSON; started again, a run goes on where it stopped.

*Off* is how far the farthest vertex of the bridge lies from its true place; *layer* the error of
the mean layer over the surface that was cut. Bodies, noise and poses follow from their numbers.
"""

from __future__ import annotations

import argparse
import json
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np

import align_poses as poses
from phantom.scanned import noisy
from veneercheck.core.align import align, finishing
from veneercheck.core.mesh.motion import random_rotation, rotation_from_vector
from veneercheck.core.mesh.triangles import vertex_areas, vertex_normals
from veneercheck.core.types import Alignment, AlignmentState, Floats, RigidMotion
from veneercheck.core.types import TriangleMesh as Mesh

EDGES_MM = {"edge_framework_mm": 0.13, "edge_waxup_mm": 0.125}

BODIES: dict[str, Callable[[], poses.Clean]] = {
    "whole 3": poses.from_fields(seed=301, underside=True, cut_from=-1.2, **EDGES_MM),
    "on model 3": poses.from_fields(seed=302, base_framework=True, base_waxup=True, **EDGES_MM),
    "thin collar 3": poses.from_fields(seed=303, cut_from=-2.0, **EDGES_MM),
    "wide collar 3": poses.from_fields(seed=304, cut_from=0.6, **EDGES_MM),
    "straight 3": poses.from_fields(seed=305, arch_radius_mm=400.0, cut_from=-0.7, **EDGES_MM),
    "teeth 34-36": poses.from_teeth((34, 35, 36), (35,), base=True, edge_mm=0.13),
    "teeth 25-27 thin collar": poses.from_teeth(
        (25, 26, 27), (26,), base=False, collar_mm=0.5, edge_mm=0.13
    ),
    "teeth 45-47 all round": poses.from_teeth(
        (45, 46, 47), (46,), base=False, surfaces=poses.ALL_ROUND, edge_mm=0.13
    ),
}
"""No setting was chosen on these."""

NOISES = ((0.0, 0.0), (0.005, 0.0), (0.010, 0.0), (0.020, 0.0), (0.010, 0.3))

SPREAD_BODIES = (
    "crown with wide band 1",
    "wide collar 3",
    "teeth 35-37",
    "teeth 24-26 thin collar",
)
"""Of `align_poses.py`, meshed at 0.24 mm: noise that hangs together over 0.3 mm does not see it."""

SPREAD_NOISE = (0.010, 0.3)

START = RigidMotion(
    rotation_from_vector(np.radians(3.0) * np.array([[1.0, 2.0, 2.0]]) / 3.0)[0],
    0.5 * np.array([2.0, -1.0, 2.0]) / 3.0,
)
"""Three degrees and half a millimetre off."""


def scans(clean: poses.Clean, sigma_mm: float, length_mm: float, key: list[int]) -> list[Mesh]:
    """Framework and wax-up with fresh noise, in one frame."""
    rng = np.random.default_rng(key)
    return [noisy(mesh, sigma_mm, length_mm, rng) for mesh in (clean.framework, clean.waxup)]


def off_um(motion: RigidMotion, clean: poses.Clean) -> float:
    """How far the farthest vertex of the bridge is off where the true motion is none."""
    points = clean.framework.points_mm[clean.bridge]
    return float(1000 * np.linalg.norm(motion.apply(points) - points, axis=1).max())


def layer_um(motion: RigidMotion, clean: poses.Clean) -> float:
    """Error of the mean layer: the cut surface's mean shift outwards, which the layer loses."""
    cut = clean.bridge & ~clean.uncut
    points, normal = clean.framework.points_mm[cut], vertex_normals(clean.framework)[cut]
    shift = np.einsum("ij,ij->i", motion.apply(points) - points, normal)
    return float(-1000 * np.average(shift, weights=vertex_areas(clean.framework)[cut]))


def fitted(clean: poses.Clean, pair: list[Mesh], start: RigidMotion) -> dict[str, object]:
    """One fit of scans of which the framework was moved by `start`."""
    begun = time.perf_counter()
    found = align(Mesh(start.apply(pair[0].points_mm), pair[0].faces), pair[1])
    wall_s = time.perf_counter() - begun
    motion = found.waxup_from_framework.after(start)
    arm = motion.apply(found.waxup_from_framework.inverse().apply(found.centre_mm[None]))[0]
    return {
        "state": found.state.value,
        "off_um": off_um(motion, clean),
        "layer_um": layer_um(motion, clean),
        "u_um": 1000 * found.u_max_mm,
        "wall_s": wall_s,
        "error": error_about(motion, arm).tolist(),
        "covariance": found.covariance.tolist(),
    }


def error_about(motion: RigidMotion, centre_mm: Floats) -> Floats:
    """A small motion as turn (rad) about a centre and shift (mm), shape (6,)."""
    skew = 0.5 * (motion.rotation - motion.rotation.T)
    turn = np.array([skew[2, 1], skew[0, 2], skew[1, 0]])
    return np.concatenate([turn, motion.apply(centre_mm[None])[0] - centre_mm])


def table(folder: Path, fits: int) -> Iterator[dict[str, object]]:
    """Every body and noise, from any pose and from the true one."""
    for number in range(fits):
        for body, (name, make) in enumerate(BODIES.items()):
            for sigma_mm, length_mm in NOISES:
                key = [number, body, round(1e4 * sigma_mm), round(10 * length_mm)]
                rng = np.random.default_rng([*key, 1])
                away = RigidMotion(random_rotation(rng), rng.uniform(-80, 80, 3))
                for start, motion in (("any", away), ("truth", RigidMotion.identity())):
                    named = {"body": name, "noise": [sigma_mm, length_mm], "start": start}

                    def work(
                        name: str = name,
                        make: Callable[[], poses.Clean] = make,
                        noise: tuple[float, float] = (sigma_mm, length_mm),
                        key: list[int] = key,
                        motion: RigidMotion = motion,
                    ) -> dict[str, object]:
                        clean = poses.kept(folder, name, make)
                        return fitted(clean, scans(clean, *noise, key), motion)

                    yield from once(folder / "table.jsonl", {**named, "number": number}, work)


def spread(folder: Path, fits: int) -> Iterator[dict[str, object]]:
    """Fits of a few bodies with fresh correlated noise, from the true pose."""
    (folder / "coarse").mkdir(exist_ok=True)
    for number in range(fits):
        for name in SPREAD_BODIES:

            def work(name: str = name, number: int = number) -> dict[str, object]:
                named = {**poses.TUNED, **poses.JUDGED}
                clean = poses.kept(folder / "coarse", name, named[name])
                pair = scans(clean, *SPREAD_NOISE, [number, 77])
                return fitted(clean, pair, RigidMotion.identity())

            yield from once(folder / "spread.jsonl", {"body": name, "number": number}, work)


def rivals(folder: Path) -> Iterator[dict[str, object]]:
    """The same scans through general libraries and through this program."""
    import align_rivals

    methods = {**align_rivals.METHODS, "this program": _own}
    for body, (name, make) in enumerate(BODIES.items()):
        for start, motion in (("3°, 0.5 mm", START), ("truth", RigidMotion.identity())):
            for method, run in methods.items():

                def work(
                    name: str = name,
                    make: Callable[[], poses.Clean] = make,
                    body: int = body,
                    motion: RigidMotion = motion,
                    run: Callable[[Mesh, Mesh], RigidMotion] = run,
                ) -> dict[str, object]:
                    clean = poses.kept(folder, name, make)
                    framework, waxup = scans(clean, 0.010, 0.0, [0, body, 7])
                    moved = Mesh(motion.apply(framework.points_mm), framework.faces)
                    begun = time.perf_counter()
                    total = run(moved, waxup).after(motion)
                    return {
                        "wall_s": time.perf_counter() - begun,
                        "off_um": off_um(total, clean),
                        "layer_um": layer_um(total, clean),
                    }

                named = {"body": name, "start": start, "method": method}
                yield from once(folder / "rivals.jsonl", named, work)


def coats(folder: Path) -> Iterator[dict[str, object]]:
    """Every body under a coat on its wax-up, or (negative) on its framework, from any pose."""
    for body, (name, make) in enumerate(BODIES.items()):
        for coat_um in COATS_UM:

            def work(
                name: str = name,
                make: Callable[[], poses.Clean] = make,
                body: int = body,
                coat_um: int = coat_um,
            ) -> dict[str, object]:
                clean = poses.kept(folder, name, make)
                pair = scans(clean, 0.010, 0.0, [0, body, 9])
                which = int(coat_um > 0)
                pair[which] = finishing.before(pair[which], 1e-3 * abs(coat_um))
                rng = np.random.default_rng([body, 5])
                away = RigidMotion(random_rotation(rng), rng.uniform(-80, 80, 3))
                moved, all_off = Mesh(away.apply(pair[0].points_mm), pair[0].faces), []

                def placed(inside_mm: float | Floats, near: RigidMotion | None) -> Alignment:
                    found = align(finishing.before(moved, inside_mm), pair[1], start=near)
                    all_off.append(off_um(found.waxup_from_framework.after(away), clean))
                    return found

                found, inside_mm, _ = finishing.by_contact(placed, moved, pair[1])
                return {
                    "state": found.state.value,
                    "first_um": all_off[0],
                    "off_um": all_off[-1],
                    "told_um": 1000 * inside_mm,
                    "u_um": 1000 * found.u_max_mm,
                }

            named = {"body": name, "coat_um": coat_um}
            yield from once(folder / "coats.jsonl", named, work)


def told_coats(lines: list[dict[str, Any]]) -> str:
    """Range over the bodies for each coat."""
    rows = [("coat µm", "bodies", "first fit off µm", "off µm", "told µm", "trusted")]
    for coat_um in COATS_UM:
        here = [one for one in lines if one["coat_um"] == coat_um]
        if here:
            spans = [
                f"{min(values):.0f} to {max(values):.0f}"
                for values in ([one[key] for one in here] for key in _SPANS)
            ]
            trusted = sum(one["state"] == AlignmentState.TRUSTED.value for one in here)
            rows.append((str(coat_um), str(len(here)), *spans, str(trusted)))
    return in_columns(rows)


COATS_UM = (0, 15, 30, -15, -30)
_SPANS = ("first_um", "off_um", "told_um")


def _own(framework: Mesh, waxup: Mesh) -> RigidMotion:
    return align(framework, waxup).waxup_from_framework


def once(
    log: Path, named: dict[str, object], work: Callable[[], dict[str, object]]
) -> Iterator[dict[str, object]]:
    """Do a piece of work that the log does not hold yet."""
    done = poses.trials_done(log)
    if any(all(one.get(key) == value for key, value in named.items()) for one in done):
        return
    line = {**named, **work()}
    with log.open("a", encoding="utf-8") as file:
        file.write(json.dumps(line, ensure_ascii=False) + "\n")
    yield line


def told_table(lines: list[dict[str, Any]]) -> str:
    """Worst figures by body and noise."""
    rows = [("body", "noise µm", "start", "fits", "off µm", "layer µm", "trusted", "inside")]
    for body in BODIES:
        for noise in NOISES:
            for start in ("any", "truth"):
                here = [
                    one
                    for one in lines
                    if (one["body"], tuple(one["noise"]), one["start"]) == (body, noise, start)
                ]
                if not here:
                    continue
                off, layer, u = (
                    np.array([one[key] for one in here]) for key in ("off_um", "layer_um", "u_um")
                )
                trusted = sum(one["state"] == AlignmentState.TRUSTED.value for one in here)
                words = f"{1000 * noise[0]:g}" + (f" over {noise[1]} mm" if noise[1] else "")
                rows.append(
                    (
                        body,
                        words,
                        start,
                        str(len(here)),
                        f"{off.max():.1f}",
                        f"{np.abs(layer).max():.1f}",
                        str(trusted),
                        str(int(np.sum(off <= 2 * u))),
                    )
                )
    return in_columns(rows)


def told_spread(lines: list[dict[str, Any]]) -> str:
    """Predicted over real standard deviation along the predicted directions, and coverage."""
    rows = [("body", "fits", "predicted / spread along six directions", "inside k = 2")]
    for body in SPREAD_BODIES:
        here = [one for one in lines if one["body"] == body]
        if len(here) < 10:
            continue
        error = np.array([one["error"] for one in here])
        covariance = np.mean([one["covariance"] for one in here], axis=0)
        lever = np.array([10.0] * 3 + [1.0] * 3)
        value, way = np.linalg.eigh(covariance * np.outer(lever, lever))
        real = np.std((error * lever) @ way, axis=0)
        inside = np.mean([one["off_um"] <= 2 * one["u_um"] for one in here])
        ratio = " ".join(f"{one:.2f}" for one in np.sqrt(value) / real)
        rows.append((body, str(len(here)), ratio, f"{100 * inside:.1f} %"))
    return in_columns(rows)


def told_rivals(lines: list[dict[str, Any]]) -> str:
    """Range over the bodies for each method and start."""
    rows = [("method", "start", "bodies", "off µm", "layer µm", "seconds")]
    for method in dict.fromkeys(one["method"] for one in lines):
        for start in dict.fromkeys(one["start"] for one in lines):
            here = [one for one in lines if (one["method"], one["start"]) == (method, start)]
            off, layer, wall = (
                np.array([one[key] for one in here]) for key in ("off_um", "layer_um", "wall_s")
            )
            rows.append(
                (
                    method,
                    start,
                    str(len(here)),
                    f"{off.min():.1f} to {off.max():.1f}",
                    f"{layer.min():.1f} to {layer.max():.1f}",
                    f"{np.median(wall):.2f}",
                )
            )
    return in_columns(rows)


def in_columns(rows: list[tuple[str, ...]]) -> str:
    """Rows of text with columns of even width."""
    width = [max(len(row[k]) for row in rows) for k in range(len(rows[0]))]
    return "\n".join(
        "  ".join(cell.ljust(w) for cell, w in zip(row, width, strict=True)).rstrip()
        for row in rows
    )


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    ask.add_argument("what", choices=("table", "spread", "rivals", "coats"))
    ask.add_argument("folder", type=Path)
    ask.add_argument("--fits", type=int, default=3)
    ask.add_argument("--summary", action="store_true", help="only tell what the log holds")
    asked = ask.parse_args()
    asked.folder.mkdir(parents=True, exist_ok=True)
    if not asked.summary:
        work = {
            "table": lambda: table(asked.folder, asked.fits),
            "spread": lambda: spread(asked.folder, asked.fits),
            "rivals": lambda: rivals(asked.folder),
            "coats": lambda: coats(asked.folder),
        }[asked.what]
        for line in work():
            print({key: value for key, value in line.items() if key not in {"error", "covariance"}})
    told = {
        "table": told_table, "spread": told_spread, "rivals": told_rivals, "coats": told_coats,
    }  # fmt: skip
    print(told[asked.what](poses.trials_done(asked.folder / f"{asked.what}.jsonl")))


if __name__ == "__main__":
    main()
