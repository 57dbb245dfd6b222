"""Random poses over many bodies: how many are solved, and whether any is wrong in silence.

    python tests/benchmarks/align_poses.py FOLDER [--trials N] [--bodies tuned|judged|all]
    python tests/benchmarks/align_poses.py FOLDER --summary [--table FILE]

One line of JSON a trial goes to FOLDER/trials.jsonl; started again, it goes on where it stopped.
A trial is a body, fresh noise, holes, fragments, a crop of either scan and two random poses, all
of them from its number alone. The bodies named `tuned` were looked at while the alignment was
written, the others only judge it.

Terms: *bound* is what geometry and noise allow at the farthest vertex where the true reference is
known (noise correlated over 0.3 mm, k = 2). To 25 µm a trial must be trusted and right, to 50 µm
at most doubtful, beyond it failed. *Right* means within max(3 × stated largest u, 20 µm) of the
true pose; a *silent failure* is trusted and not right.
"""

from __future__ import annotations

import argparse
import dataclasses
import json
import os
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np

import align_bodies as own
from phantom import bridge as phantom
from phantom.cutback import Cut
from phantom.scanned import Scanner, noisy, scan_waxup
from veneercheck.core.align import align
from veneercheck.core.mesh.motion import cross_matrix, random_rotation
from veneercheck.core.mesh.nearest import NearestSurface
from veneercheck.core.mesh.triangles import select_faces, vertex_areas, vertex_normals
from veneercheck.core.types import Alignment, AlignmentState, Bools, Floats, RigidMotion
from veneercheck.core.types import TriangleMesh as Mesh

CORRELATION_MM = 0.3
SOLVABLE_MM, HOPELESS_MM = 0.025, 0.050
RIGHT_MM = 0.020
RIGHT_U = 3.0

NOISES = ((0.005, 0.0), (0.010, 0.0), (0.020, 0.0), (0.010, 0.3), (0.015, 0.3))
"""Standard deviation and correlation length of each scan's noise, in turn."""


@dataclasses.dataclass(frozen=True, eq=False)
class Clean:
    """Two surfaces without noise in one frame, and what is true of the framework's vertices."""

    framework: Mesh
    waxup: Mesh
    uncut: Bools
    bridge: Bools


def from_fields(**spec: Any) -> Callable[[], Clean]:
    """A body of implicit surfaces."""

    def make() -> Clean:
        body = own.BodySpec(noise_mm=0.0, **spec)
        framework, waxup = own.clean_scans(body)
        still = own.Body(
            body, framework, waxup, RigidMotion.identity(), *own.truth(body, framework)
        )
        return Clean(framework, waxup, still.depth_mm < 1e-3, still.bridge)

    return make


def from_teeth(
    units: tuple[int, ...],
    pontics: tuple[int, ...] = (),
    *,
    base: bool = True,
    edge_mm: float = 0.24,
    **cut: Any,
) -> Callable[[], Clean]:
    """A bridge of tooth shapes."""

    def make() -> Clean:
        scanner = Scanner(edge_mm, edge_mm + 0.01, 0.0, 0.0, hole=False, fragment=False)
        spec = phantom.BridgeSpec(units, pontics, Cut(**cut), base=base, scanner=scanner)
        made = phantom.make_bridge(spec)
        waxup = scan_waxup(made.body, scanner, np.random.default_rng(1))
        bridge = made.surface != int(phantom.Surface.MODEL)
        return Clean(made.clean, waxup, np.nan_to_num(made.depth_mm, nan=9.0) < 1e-3, bridge)

    return make


ALL_ROUND = ("occlusal", "buccal", "lingual", "basal")

TUNED: dict[str, Callable[[], Clean]] = {
    "whole 3": from_fields(seed=3, underside=True, cut_from=-1.5),
    "on model 3": from_fields(seed=5, base_framework=True, base_waxup=True),
    "model in one 3": from_fields(seed=4, base_waxup=True),
    "crown with band 1": from_fields(seed=11, units=1, cut_from=-0.6, underside=True),
    "thin collar 4": from_fields(seed=12, units=4, cut_from=-1.9),
    "teeth 45-47": from_teeth((45, 46, 47), (46,)),
    "teeth 36 all round": from_teeth((36,), base=False, surfaces=ALL_ROUND),
    "teeth 24-26 thin collar": from_teeth((24, 25, 26), (25,), base=False, collar_mm=0.5),
}

JUDGED: dict[str, Callable[[], Clean]] = {
    "crown with wide band 1": from_fields(seed=201, units=1, cut_from=0.2),
    "crown with band, model 1": from_fields(
        seed=202, units=1, cut_from=-0.8, base_framework=True, base_waxup=True
    ),
    "two 2": from_fields(seed=203, units=2, cut_from=-0.9, underside=True),
    "thin collar 3": from_fields(seed=204, units=3, cut_from=-2.0),
    "wide collar 3": from_fields(seed=205, units=3, cut_from=0.6),
    "straight 3": from_fields(seed=206, units=3, arch_radius_mm=400.0, cut_from=-0.7),
    "model in framework 3": from_fields(seed=207, units=3, base_framework=True),
    "curved 4": from_fields(seed=208, units=4, arch_radius_mm=22.0, cut_from=-0.5),
    "cut to three quarters 4": from_fields(seed=209, units=4, cut_from=-1.4),
    "five 5": from_fields(seed=210, units=5, arch_radius_mm=30.0, base_waxup=True),
    "six on model 6": from_fields(
        seed=211, units=6, arch_radius_mm=28.0, cut_from=-1.0, base_framework=True, base_waxup=True
    ),
    "arch 10": from_fields(
        seed=212, units=10, arch_radius_mm=26.0, edge_framework_mm=0.34, edge_waxup_mm=0.32
    ),
    "teeth 46": from_teeth((46,), base=True),
    "teeth 15 all round": from_teeth((15,), base=True, surfaces=ALL_ROUND),
    "teeth 35-37": from_teeth((35, 36, 37), (36,), base=False),
    "teeth 14-16 all round": from_teeth((14, 15, 16), (15,), base=False, surfaces=ALL_ROUND),
    "teeth 44-47": from_teeth((44, 45, 46, 47), (45, 46), base=True, collar_mm=0.7),
    "teeth 23-27": from_teeth((23, 24, 25, 26, 27), (24, 26), base=False, collar_mm=1.4),
    "hardly uncut 1": from_fields(seed=213, units=1, cut_from=-2.4),
    "hardly uncut 3": from_fields(seed=214, units=3, cut_from=-2.6),
    "crown with hair band 1": from_fields(seed=215, units=1, cut_from=-1.9, chamfer_mm=0.3),
    "hardly uncut 5": from_fields(seed=216, units=5, cut_from=-2.7, arch_radius_mm=30.0),
}
"""The last four keep so little uncut surface that most of their poses cannot be known."""


def kept_bodies(which: str) -> dict[str, Callable[[], Clean]]:
    """The bodies asked for, by name."""
    return {"tuned": TUNED, "judged": JUDGED, "all": {**TUNED, **JUDGED}}[which]


def kept(folder: Path, name: str, make: Callable[[], Clean]) -> Clean:
    """A body from the folder, made once."""
    place = folder / f"{name.replace(' ', '_')}.npz"
    if not place.exists():
        body = make()
        np.savez(
            place,
            fp=body.framework.points_mm,
            ff=body.framework.faces,
            wp=body.waxup.points_mm,
            wf=body.waxup.faces,
            uncut=body.uncut,
            bridge=body.bridge,
        )
    with np.load(place) as data:
        return Clean(
            Mesh(data["fp"], data["ff"]),
            Mesh(data["wp"], data["wf"]),
            np.asarray(data["uncut"]),
            np.asarray(data["bridge"]),
        )


@dataclasses.dataclass(frozen=True, eq=False)
class Trial:
    """Two scans as they come, and the truth."""

    framework: Mesh
    waxup: Mesh
    waxup_from_framework: RigidMotion
    bridge_mm: Floats
    """Vertices of the bridge, in the framework's frame, fragments left out."""
    bound_mm: float


def make_trial(clean: Clean, number: int, key: int) -> Trial:
    """Damage, crop, noise and poses of one trial, from its number alone."""
    rng = np.random.default_rng([number, key])
    sigma, length = NOISES[number % len(NOISES)]
    cropped, kept_vertices = _damaged(clean.framework, rng)
    uncut, bridge = clean.uncut[kept_vertices], clean.bridge[kept_vertices]
    waxup, _ = _damaged(clean.waxup, rng)
    turn = [RigidMotion(random_rotation(rng), rng.uniform(-80, 80, 3)) for _ in range(2)]
    bound = bound_mm(cropped, waxup, uncut, bridge, np.sqrt(2) * sigma)
    scans = [_with_fragments(noisy(mesh, sigma, length, rng), rng) for mesh in (cropped, waxup)]
    return Trial(
        Mesh(turn[0].apply(scans[0].points_mm), scans[0].faces),
        Mesh(turn[1].apply(scans[1].points_mm), scans[1].faces),
        turn[1].after(turn[0].inverse()),
        turn[0].apply(cropped.points_mm[bridge]),
        bound,
    )


def _damaged(mesh: Mesh, rng: np.random.Generator) -> tuple[Mesh, np.ndarray]:
    """Cropped by a plane that takes up to 6 % of the length, and with up to four holes."""
    middle = mesh.points_mm[mesh.faces].mean(axis=1)
    away = rng.normal(size=3)
    along = middle @ (away / np.linalg.norm(away))
    keep = along < along.max() - rng.uniform(0, 0.06) * np.ptp(along)
    for _ in range(rng.integers(0, 5)):
        seat = middle[rng.integers(len(middle))]
        keep &= np.linalg.norm(middle - seat, axis=1) > rng.uniform(0.3, 1.2)
    return select_faces(mesh, keep)


def _with_fragments(mesh: Mesh, rng: np.random.Generator) -> Mesh:
    points, faces = mesh.points_mm, mesh.faces
    for _ in range(rng.integers(0, 3)):
        blob = points[rng.integers(len(points))] + rng.normal(size=3) * 3
        faces = np.concatenate([faces, len(points) + np.arange(12).reshape(4, 3)])
        points = np.concatenate([points, blob + rng.normal(size=(12, 3)) * 0.2])
    return Mesh(points, faces)


def bound_mm(framework: Mesh, waxup: Mesh, uncut: Bools, bridge: Bools, sigma_mm: float) -> float:
    """Twice the standard uncertainty at the farthest vertex, the true reference being known.

    Source: Σ = 2πℓ²σ² (∫ g gᵀ dA)⁻¹ for noise correlated as exp(−r²/2ℓ²).
    """
    seen = NearestSurface(waxup).query(framework.points_mm[uncut]).distance_mm < 0.05
    area = vertex_areas(framework)[uncut] * seen
    points, normal = framework.points_mm[uncut], vertex_normals(framework)[uncut]
    centre = framework.points_mm[bridge].mean(axis=0)
    rows = np.concatenate([np.cross(points - centre, normal), normal], axis=1)
    matrix = rows.T @ (rows * area[:, None])
    if not area.sum() > 0 or np.linalg.cond(matrix) > 1e12:
        return float("inf")
    covariance = 2 * np.pi * CORRELATION_MM**2 * sigma_mm**2 * np.linalg.inv(matrix)
    return 2 * largest_u_mm(covariance, framework.points_mm[bridge] - centre)


def largest_u_mm(covariance: Floats, arm: Floats) -> float:
    """Largest standard uncertainty of any point, along its own worst direction."""
    turn = np.concatenate([-cross_matrix(arm), np.broadcast_to(np.eye(3), (len(arm), 3, 3))], 2)
    each = np.einsum("nij,jk,nlk->nil", turn, covariance, turn)
    return float(np.sqrt(np.linalg.eigvalsh(each)[:, -1].max()))


def error_mm(trial: Trial, motion: RigidMotion) -> float:
    """How far the farthest vertex of the bridge is off."""
    gap = motion.apply(trial.bridge_mm) - trial.waxup_from_framework.apply(trial.bridge_mm)
    return float(np.linalg.norm(gap, axis=1).max())


def judged(trial: Trial, found: Alignment) -> dict[str, object]:
    """What one fit came to, lengths in µm."""
    off = error_mm(trial, found.waxup_from_framework)
    right = off <= max(RIGHT_U * np.nan_to_num(found.u_max_mm), RIGHT_MM)
    return {
        "state": found.state.value,
        "bound_um": round(1000 * trial.bound_mm, 2),
        "off_um": round(1000 * off, 2),
        "u_um": round(1000 * found.u_max_mm, 2),
        "right": bool(right),
        "silent": bool(found.state is AlignmentState.TRUSTED and not right),
        "reference_mm2": round(found.reference_area_mm2, 1),
        "reasons": [reason.words for reason in found.reasons],
        "evidence": {
            name: round(value, 5)
            for name, value in dataclasses.asdict(found.evidence).items()
            if np.isfinite(value)
        },
    }


def trials_done(log: Path) -> list[dict[str, object]]:
    """What the log holds; a half-written last line is left out."""
    if not log.exists():
        return []
    lines = log.read_text(encoding="utf-8").splitlines()
    return [json.loads(line) for line in lines if line.endswith("}")]


def run(folder: Path, which: str, trials: int, first: int = 0) -> Iterator[dict[str, object]]:
    """Trials that the log does not hold yet, the bodies in turn."""
    log = folder / "trials.jsonl"
    done = {(one["body"], one["trial"]) for one in trials_done(log)}
    names = list({**TUNED, **JUDGED})
    bodies = kept_bodies(which)
    for number in range(first, trials):
        for name, make in bodies.items():
            if (name, number) in done:
                continue
            trial = make_trial(kept(folder, name, make), number, names.index(name))
            wall, cpu = time.perf_counter(), time.process_time()
            found = align(trial.framework, trial.waxup)
            line = {
                "body": name,
                "trial": number,
                **judged(trial, found),
                "wall_s": round(time.perf_counter() - wall, 2),
                "cpu_s": round(time.process_time() - cpu, 2),
            }
            with log.open("a", encoding="utf-8") as file:
                file.write(json.dumps(line, ensure_ascii=False) + "\n")
            yield line


def summary(lines: list[dict[str, object]]) -> str:
    """A table of states by what the bound allows, and every trial that broke a rule."""
    rows = [("bound", "trials", "right", "trusted", "doubtful", "failed", "silent", "broken")]
    broken: list[dict[str, object]] = []
    groups = (("≤ 25 µm", 0.0, 25.0), ("25–50 µm", 25.0, 50.0), ("> 50 µm", 50.0, np.inf))
    for words, low, high in groups:
        here = [one for one in lines if low < float(str(one["bound_um"])) <= high]
        wrong = [one for one in here if breaks_rule(one)]
        broken += wrong
        count = [sum(one["state"] == s for one in here) for s in ("trusted", "doubtful", "failed")]
        right, silent = sum(bool(o["right"]) for o in here), sum(bool(o["silent"]) for o in here)
        rows.append((words, *map(str, (len(here), right, *count, silent, len(wrong)))))
    text = "\n".join("  ".join(f"{cell:>9}" for cell in row) for row in rows)
    told = "\n".join(json.dumps(one, ensure_ascii=False) for one in broken)
    return f"{text}\n{told}"


def breaks_rule(one: dict[str, object]) -> bool:
    """Whether a trial's state is another than its bound allows."""
    bound, state = float(str(one["bound_um"])), one["state"]
    if one["silent"]:
        return True
    if bound <= 1000 * SOLVABLE_MM:
        return state != "trusted" or not one["right"]
    return state == "trusted" if bound <= 1000 * HOPELESS_MM else state != "failed"


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    ask.add_argument("folder", type=Path)
    ask.add_argument("--trials", type=int, default=40)
    ask.add_argument("--first", type=int, default=0, help="number of the first trial")
    ask.add_argument("--bodies", choices=("tuned", "judged", "all"), default="all")
    ask.add_argument("--summary", action="store_true")
    ask.add_argument("--table", type=Path, help="file to write the summary into")
    asked = ask.parse_args()
    asked.folder.mkdir(parents=True, exist_ok=True)
    if not asked.summary:
        for line in run(asked.folder, asked.bodies, asked.trials, asked.first):
            print({key: line[key] for key in ("body", "trial", "state", "bound_um", "off_um")})
    lines = trials_done(asked.folder / "trials.jsonl")
    names = kept_bodies(asked.bodies)
    told = summary([one for one in lines if one["body"] in names])
    print(told)
    if asked.table is not None:
        load = ", ".join(f"{value:.1f}" for value in os.getloadavg())
        cpu = np.median([float(str(one["cpu_s"])) for one in lines])
        head = (
            f"# Random poses\n\n{len(lines)} trials over {len({one['body'] for one in lines})} "
            f"bodies; median {cpu:.1f} s of one core a fit; load of the machine at the end {load} "
            f"on {os.cpu_count()} cores. Terms and command: `align_poses.py`.\n\n```\n"
        )
        asked.table.write_text(head + told + "\n```\n", encoding="utf-8")


if __name__ == "__main__":
    main()
