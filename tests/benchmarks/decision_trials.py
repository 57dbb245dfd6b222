"""How often a firm verdict is wrong, where the true layer lies a known little beside its limit.

    python tests/benchmarks/decision_trials.py [TRIALS a distance, default 60] [BODY ...]

Bodies: parallel plates and concentric balls. The true layer over all of the body lies 5, 10, 20 or
40 µm above or below the least one. Every trial draws what the budget states: noise on both scans,
trueness and seating as one common error of the space, the opaquer's true thickness. A firm verdict
is wrong where «too thin» is firm on a layer that is enough, or where nothing at all is found on one
that is not. The rule of ISO 14253-1 and JCGM 106 (from memory) allows 5 % at the limit itself.
"""

from __future__ import annotations

import dataclasses
import sys
from collections.abc import Callable

import numpy as np

from phantom.scanned import noisy
from veneercheck import check_meshes
from veneercheck.core.types import Decision, FindingKind, Limits, Verdict
from veneercheck.phantom.bodies import KnownBody, concentric_spheres, parallel_plates
from veneercheck.profile import built_in

TRIALS = 60
BESIDE_MM = (0.005, 0.010, 0.020, 0.040)
NOISE_MM = 0.010
_EDGE_MM = 0.14
"""Below what would be refined."""

BODIES: dict[str, Callable[[float], KnownBody]] = {
    "plates": lambda space: parallel_plates(_EDGE_MM, space, 5.0),
    "balls": lambda space: concentric_spheres(_EDGE_MM, 2.0, 2.0 + space),
}


def wrong(body: str, beside_mm: float, rng: np.random.Generator, limits: Limits) -> bool:
    """One trial: whether its verdict was firm, and wrong."""
    opaquer = rng.normal(limits.opaquer_mm, limits.opaquer_u_mm)
    true_space = limits.layer.least_mm + beside_mm + opaquer
    common = rng.normal(scale=np.hypot(limits.trueness_u_mm, limits.seating_u_mm))
    pair = BODIES[body](true_space + common)
    scans = [noisy(mesh, NOISE_MM, 0.0, rng) for mesh in (pair.inner, pair.outer)]
    found = check_meshes(*scans, limits=limits, aligned=True).check
    firm_thin = any(
        zone.finding is FindingKind.TOO_THIN and zone.decision is Decision.FIRM
        for zone in found.zones
    )
    if beside_mm > 0:
        return firm_thin
    return found.verdict is Verdict.NO_FINDINGS


def main() -> None:
    trials = int(sys.argv[1]) if len(sys.argv) > 1 else TRIALS
    limits = dataclasses.replace(built_in(), name="trials")
    print(f"{'body':<10}{'beside µm':>10}{'wrong and firm %':>18}{'trials':>8}")
    for body in sys.argv[2:] or BODIES:
        for size in BESIDE_MM:
            for beside in (-size, size):
                rng = np.random.default_rng([round(1e6 * size), beside > 0, len(body)])
                count = sum(wrong(body, beside, rng, limits) for _ in range(trials))
                print(
                    f"{body:<10}{1e3 * beside:>+10.0f}{100 * count / trials:>18.1f}{trials:>8}",
                    flush=True,
                )


if __name__ == "__main__":
    main()
