"""Model and bridge are two bodies: what the fit says when something moved between the scans.

    python tests/benchmarks/align_two_bodies.py FOLDER

Each case must end with the layer right within its stated uncertainty (k = 2, with the built-in
seating and trueness of a profile), or with a state below trusted and the cause in words. FOLDER
keeps the bodies of `align_poses.py`.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np

import align_poses as poses
from phantom.scanned import noisy
from veneercheck.core.align import align
from veneercheck.core.mesh.motion import random_rotation
from veneercheck.core.mesh.triangles import select_faces, vertex_normals
from veneercheck.core.types import Alignment, AlignmentState, Floats, RigidMotion
from veneercheck.core.types import TriangleMesh as Mesh
from veneercheck.profile import built_in

NOISE_MM, LENGTH_MM = 0.010, 0.0

BODIES = ("on model 3", "teeth 45-47", "teeth 44-47", "whole 3", "six on model 6")


def _along(clean: poses.Clean) -> Floats:
    """−1 at one end of the bridge, +1 at the other: both makers lay bridges along x."""
    x = clean.framework.points_mm[:, 0]
    low, high = x[clean.bridge].min(), x[clean.bridge].max()
    return np.asarray(np.clip(2 * (x - low) / (high - low) - 1, -1, 1))


def untouched(clean: poses.Clean) -> Floats:
    """Nothing moved."""
    return np.zeros_like(clean.framework.points_mm)


def lifted(clean: poses.Clean) -> Floats:
    """The whole bridge stands 0.1 mm off its model."""
    return np.outer(0.1 * clean.bridge, [0.0, 0.0, 1.0])


def die_high(clean: poses.Clean) -> Floats:
    """The die at one end stands 50 µm higher, and the bridge tilts on it."""
    along = _along(clean)
    die = np.where(along < -0.4, 1.0, 0.0)
    return np.outer(0.05 * np.where(clean.bridge, 0.5 * (1 - along), die), [0.0, 0.0, 1.0])


def resealed(clean: poses.Clean) -> Floats:
    """0.1 mm of wax more on the collar of one end."""
    points, along = clean.framework.points_mm, _along(clean)
    collar = clean.uncut & clean.bridge & (along < -0.33)
    low = points[collar, 2].min(initial=0.0)
    height = np.clip((low + 2.5 - points[:, 2]) / 0.5, 0, 1)
    return 0.1 * (height * collar)[:, None] * vertex_normals(clean.framework)


def bent(clean: poses.Clean) -> Floats:
    """The middle of the span stands 50 µm higher than its ends."""
    return np.outer(0.05 * (1 - _along(clean) ** 2) * clean.bridge, [0.0, 0.0, 1.0])


CASES: dict[str, Callable[[poses.Clean], Floats]] = {
    "nothing moved": untouched,
    "bridge lifted 0.1 mm": lifted,
    "one die 50 µm high": die_high,
    "collar resealed + 0.1 mm": resealed,
    "span bent 50 µm": bent,
    "model of one scan missing": untouched,
}


def run(clean: poses.Clean, case: str, rng: np.random.Generator) -> tuple[Alignment, float, float]:
    """The fit, and the error of the mean layer and of the worst twentieth of it, in mm."""
    moved = Mesh(clean.framework.points_mm + CASES[case](clean), clean.framework.faces)
    kept = np.arange(len(moved.points_mm))
    if case == "model of one scan missing":
        moved, kept = select_faces(moved, clean.bridge[moved.faces].all(axis=1))
    scans = [noisy(mesh, NOISE_MM, LENGTH_MM, rng) for mesh in (moved, clean.waxup)]
    turn = [RigidMotion(random_rotation(rng), rng.uniform(-80, 80, 3)) for _ in range(2)]
    found = align(
        Mesh(turn[0].apply(scans[0].points_mm), scans[0].faces),
        Mesh(turn[1].apply(scans[1].points_mm), scans[1].faces),
    )
    placed = turn[1].inverse().after(found.waxup_from_framework).after(turn[0])
    cut = (clean.bridge & ~clean.uncut)[kept]
    normal = vertex_normals(clean.framework)[kept][cut]
    gap = placed.apply(moved.points_mm[cut]) - clean.framework.points_mm[kept][cut]
    off = np.einsum("ij,ij->i", gap, normal)
    return found, float(off.mean()), float(np.percentile(np.abs(off), 95))


def holds(found: Alignment, mean_mm: float, worst_mm: float) -> bool:
    """Whether the layer is right within what is stated, or the doubt is told."""
    limits = built_in()
    u_mm = float(np.sqrt(found.u_max_mm**2 + limits.seating_u_mm**2 + limits.trueness_u_mm**2))
    told = found.state is not AlignmentState.TRUSTED and bool(found.reasons)
    return told or max(abs(mean_mm), worst_mm) <= 2 * u_mm


def main() -> None:
    if len(sys.argv) != 2:
        sys.exit(__doc__)
    folder = Path(sys.argv[1])
    rng = np.random.default_rng(4)
    print(f"{'body':<16}{'case':<27}{'state':<10}{'mean µm':>8}{'95 % µm':>8}  holds")
    for name in BODIES:
        clean = poses.kept(folder, name, {**poses.TUNED, **poses.JUDGED}[name])
        for case in CASES:
            found, mean, worst = run(clean, case, rng)
            line = (
                f"{name:<16}{case:<27}{found.state.value:<10}{1000 * mean:8.1f}{1000 * worst:8.1f}"
            )
            print(
                line,
                " yes" if holds(found, mean, worst) else " NO ",
                *(reason.words for reason in found.reasons),
            )


if __name__ == "__main__":
    main()
