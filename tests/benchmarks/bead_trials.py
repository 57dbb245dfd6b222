"""How many retention beads are found, and how true the base under them is.

    python tests/benchmarks/bead_trials.py [NAME ...]

Truth: beads put on generated bridges by code, so the surface under them is known at every vertex.
One line a bridge, diameter and spacing; noise is 8 µm at every vertex. Never asserted.
"""

from __future__ import annotations

import sys

import numpy as np

from veneercheck.core import beads
from veneercheck.core.mesh import edge_pairs, refine, row_dot, vertex_normals
from veneercheck.core.types import TriangleMesh
from veneercheck.phantom.attached import put_beads, spread
from veneercheck.phantom.bridge import BridgeSpec, Phantom, make_bridge
from veneercheck.phantom.sample import SAMPLE

BRIDGES = {
    "sample": SAMPLE,
    "crown": BridgeSpec(units=(16,), seed=3),
    "three": BridgeSpec(units=(34, 35, 36), pontics=(35,), seed=7),
    "four": BridgeSpec(units=(24, 25, 26, 27), pontics=(25, 26), seed=11),
}
DIAMETERS_MM = (0.4, 0.6)
SPACINGS_MM = (1.2, 0.8, 0.5)
NOISE_MM = 0.008
LEAST_DEPTH_MM = 0.9
OFF_MM = 0.05


def trial(made: Phantom, diameter_mm: float, spacing_mm: float) -> str:
    """One line of figures."""
    plain = made.clean
    rng = np.random.default_rng(5)
    seats = spread(plain.points_mm, made.cut & (made.depth_mm > LEAST_DEPTH_MM), spacing_mm, rng)
    put = put_beads(plain, seats, diameter_mm=diameter_mm)
    # Where the points of the beads were before: put_beads refines alike.
    bare, _, _ = refine(plain, 0.375 * diameter_mm)
    noise = rng.normal(scale=NOISE_MM, size=bare.points_mm.shape)
    scan = TriangleMesh(put.mesh.points_mm + noise, put.mesh.faces)
    inside = np.full(len(scan.points_mm), -1.0)
    inside[: len(made.depth_mm)] = np.nan_to_num(made.depth_mm)
    inside[len(made.depth_mm) :] = LEAST_DEPTH_MM
    found = beads.find(scan, edge_pairs(scan.faces), inside)
    if found is None:
        return f"{len(seats):5} put, none found"
    off = np.abs(row_dot(found.base.points_mm - bare.points_mm, vertex_normals(bare)))
    under = put.under >= 0
    known = under & (found.bead >= 0)
    return (
        f"{len(seats):5} put, {len(found.top):5} found; under beads off by more than 0.05 mm: "
        f"{np.mean(off[under] > OFF_MM):.3f}, under found ones {np.mean(off[known] > OFF_MM):.3f}; "
        f"95 % within {np.quantile(off[under], 0.95):.3f} mm"
    )


def main() -> None:
    for name in sys.argv[1:] or BRIDGES:
        made = make_bridge(BRIDGES[name])
        for diameter_mm in DIAMETERS_MM:
            for spacing_mm in SPACINGS_MM:
                told = trial(made, diameter_mm, spacing_mm)
                print(f"{name:7} {diameter_mm} mm, {spacing_mm} apart: {told}", flush=True)


if __name__ == "__main__":
    main()
