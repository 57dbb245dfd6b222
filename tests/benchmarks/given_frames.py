"""What is said of a given frame that is wrong, by the size of the error, and of a true one.

    python tests/benchmarks/given_frames.py [--each N] [--bodies N]

Bridges of tooth shapes and of implicit surfaces with 10 µm of white noise on both scans, in their
true frame, shifted along random directions, and turned about random axes through their middle.
"""

from __future__ import annotations

import argparse
from collections import Counter

import numpy as np

import align_poses as poses
from phantom.scanned import noisy
from veneercheck.core.align import examine
from veneercheck.core.mesh.motion import rotation_from_vector
from veneercheck.core.types import Floats, TriangleMesh

NAMES = ("teeth 45-47", "whole 3", "wide collar 3", "on model 3", "two 2", "teeth 36 all round")
SHIFTS_MM = (0.0, 0.05, 0.1, 0.3, 1.0, 2.0, 3.0)
TURNS_DEG = (0.5, 1.0, 5.0, 20.0, 90.0, 180.0)
NOISE_MM = 0.010


def _way(rng: np.random.Generator) -> Floats:
    way = rng.normal(size=3)
    return np.asarray(way / np.linalg.norm(way))


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    ask.add_argument("--each", type=int, default=2)
    ask.add_argument("--bodies", type=int, default=len(NAMES))
    asked = ask.parse_args()
    errors = [(shift, 0.0) for shift in SHIFTS_MM] + [(0.0, turn) for turn in TURNS_DEG]
    states: dict[tuple[float, float], Counter[str]] = {error: Counter() for error in errors}
    for number, name in enumerate(NAMES[: asked.bodies]):
        clean = {**poses.TUNED, **poses.JUDGED}[name]()
        for trial in range(asked.each):
            rng = np.random.default_rng([number, trial])
            framework, waxup = (
                noisy(mesh, NOISE_MM, 0.0, rng) for mesh in (clean.framework, clean.waxup)
            )
            middle = framework.points_mm.mean(axis=0)
            for shift, turn in errors:
                rotation = rotation_from_vector(np.radians(turn) * _way(rng))
                points = (framework.points_mm - middle) @ rotation.T + middle + shift * _way(rng)
                found = examine(TriangleMesh(points, framework.faces), waxup)
                states[shift, turn][found.state.value] += 1
                if (found.state.value == "given" and shift + turn) or shift + turn == 0.0:
                    codes = [reason.code for reason in found.reasons]
                    print(name, shift, turn, found.state.value, codes, flush=True)
    print(f"{'shift mm':>9} {'turn °':>7} {'given':>6} {'doubtful':>9} {'failed':>7}")
    for (shift, turn), seen in states.items():
        told = "".join(f"{seen[state]:>9}" for state in ("given", "doubtful", "failed"))
        print(f"{shift:>9} {turn:>7}{told}")


if __name__ == "__main__":
    main()
