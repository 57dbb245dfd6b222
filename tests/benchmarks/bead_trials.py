"""How many retention beads are found, what is falsely called one, and how true base and cover are.

    python tests/benchmarks/bead_trials.py [NAME ...]

Truth: beads put on generated bridges by code, so the surface under them is known at every vertex.
The space that says where beads can stand is the distance from the scan of the wax-up. One line a
bridge, diameter, spacing and noise; then the same bridges without any beads, with the space as it
is and, harder, as if every vertex lay deep (margins and the model's edge are looked at too). None
of these bridges was used while the constants were chosen. Never asserted; figures in
`bead_trials.md`.
"""

from __future__ import annotations

import sys

import numpy as np

from phantom.attached import Beaded, put_beads, spread
from phantom.bridge import BridgeSpec, Phantom, make_bridge
from veneercheck.core.measure import beads
from veneercheck.core.mesh.densify import refine
from veneercheck.core.mesh.nearest import NearestSurface
from veneercheck.core.mesh.triangles import edge_pairs, face_normals, row_dot, vertex_normals
from veneercheck.core.types import Floats, Ints, TriangleMesh

BRIDGES = {
    "37": BridgeSpec(units=(37,), seed=41),
    "14-16": BridgeSpec(units=(14, 15, 16), pontics=(15,), seed=42),
    "46-43": BridgeSpec(units=(46, 45, 44, 43), pontics=(45, 44), seed=43),
}
DIAMETERS_MM = {"37": (0.2, 0.3, 0.4, 0.6), "14-16": (0.3, 0.4, 0.6), "46-43": (0.4, 0.6)}
SPACINGS = {"sparse": 3.0, "dense": 1.5, "touching": 1.0, "overlapping": 0.83}
"""Least distance between two middles, in diameters; strewn as close as that lets them."""

NOISES_MM = (0.0, 0.01, 0.02)
EDGES_MM = (0.4, 0.2, 0.1)
"""Longest edges of the scans without beads; most are two thirds of it."""

LEAST_DEPTH_MM = 0.9
DEEP_MM = 1.5
OFF_MM = 0.05
HEAD = (
    "bridge  mm   apart        noise µm    put  found  missed %  false  "
    "base off %  of found %  95 % µm  cover µm"
)


def main() -> None:
    for name in sys.argv[1:] or BRIDGES:
        made = make_bridge(BRIDGES[name])
        print(HEAD)
        for diameter_mm in DIAMETERS_MM[name]:
            for apart, share in SPACINGS.items():
                for noise_mm in NOISES_MM:
                    told = trial(made, diameter_mm, share * diameter_mm, noise_mm)
                    at = f"{name:7} {diameter_mm:3}  {apart:11} {1000 * noise_mm:9.0f}"
                    print(f"{at} {told}", flush=True)
        print("bridge  longest edge mm  noise µm  vertices  beads  if all were deep")
        for edge_mm in EDGES_MM:
            for noise_mm in NOISES_MM:
                told = none_there(made, edge_mm, noise_mm)
                print(f"{name:7} {edge_mm:15} {1000 * noise_mm:9.0f} {told}", flush=True)


def trial(made: Phantom, diameter_mm: float, spacing_mm: float, noise_mm: float) -> str:
    """Figures of one field of beads.

    *Base off*: points under beads that are farther than 0.05 mm from the surface without beads, of
    all beads and of those found. *Cover*: 95 % of the least covers over found beads lie as near to
    the true one.
    """
    plain = made.clean
    rng = np.random.default_rng(5)
    seats = spread(plain.points_mm, made.cut & (made.depth_mm > LEAST_DEPTH_MM), spacing_mm, rng)
    put = put_beads(plain, seats, diameter_mm=diameter_mm)
    # Where the points of the beads were before: put_beads refines alike.
    bare, _, _ = refine(plain, 0.375 * diameter_mm)
    scan = roughened(put.mesh, noise_mm, rng)
    cover = distance_inside(made.waxup, scan.points_mm)
    found = beads.find(scan, edge_pairs(scan.faces), cover)
    if found is None:
        return f"{len(seats):6} {0:6} {100:9.1f}"
    bead, false = matched(put, found)
    under = put.under >= 0
    wrong = np.abs(cover[found.top] - least_covers(made, put, bare)[bead])[bead >= 0]
    off = np.abs(row_dot(found.base.points_mm - bare.points_mm, vertex_normals(bare)))
    known = under & (found.bead >= 0)
    return (
        f"{len(seats):6} {len(found.top):6} {100 * (1 - (bead >= 0).sum() / len(seats)):9.1f} "
        f"{false:6} {100 * np.mean(off[under] > OFF_MM):11.1f} "
        f"{100 * np.mean(off[known] > OFF_MM):11.1f} {1000 * np.quantile(off[under], 0.95):8.0f} "
        f"{1000 * np.quantile(wrong, 0.95):9.0f}"
    )


def least_covers(made: Phantom, put: Beaded, bare: TriangleMesh) -> Floats:
    """Least distance of every bead's upper half from the contour, without noise, shape (k,)."""
    rise = np.linalg.norm(put.mesh.points_mm - bare.points_mm, axis=1)
    highest, least = np.zeros(len(put.centres_mm)), np.full(len(put.centres_mm), np.inf)
    under = np.flatnonzero(put.under >= 0)
    np.maximum.at(highest, put.under[under], rise[under])
    upper = under[rise[under] >= 0.5 * highest[put.under[under]]]
    np.minimum.at(least, put.under[upper], distance_inside(made.waxup, put.mesh.points_mm[upper]))
    return least


def none_there(made: Phantom, edge_mm: float, noise_mm: float) -> str:
    """How many beads are found where there are none."""
    bare, _, _ = refine(made.clean, edge_mm)
    scan = roughened(bare, noise_mm, np.random.default_rng(6))
    edges = edge_pairs(scan.faces)
    spaces = (distance_inside(made.waxup, scan.points_mm), np.full(len(scan.points_mm), DEEP_MM))
    as_is, deep = (beads.find(scan, edges, space) for space in spaces)
    many, many_deep = (0 if found is None else len(found.top) for found in (as_is, deep))
    return f"{len(scan.points_mm):9} {many:6} {many_deep:17}"


def roughened(mesh: TriangleMesh, noise_mm: float, rng: np.random.Generator) -> TriangleMesh:
    noise = rng.normal(scale=noise_mm, size=mesh.points_mm.shape)
    return TriangleMesh(mesh.points_mm + noise, mesh.faces)


def distance_inside(contour: TriangleMesh, points_mm: Floats) -> Floats:
    """Distance from the contour, positive inside, shape (n,)."""
    nearest = NearestSurface(contour).query(points_mm)
    outward = face_normals(contour)[nearest.face]
    inside = row_dot(nearest.point_mm - points_mm, outward) >= 0
    return np.where(inside, nearest.distance_mm, -nearest.distance_mm)


def matched(put: Beaded, found: beads.Beads) -> tuple[Ints, int]:
    """The bead that each one found shares most vertices with, −1 for none; how many are −1.

    Of several on one bead, that with most counts and the others are −1.
    """
    both = (found.bead >= 0) & (put.under >= 0)
    pairs = np.stack([found.bead[both], put.under[both]])
    (one, other), shared = np.unique(pairs, axis=1, return_counts=True)
    bead = np.full(len(found.top), -1)
    order = np.argsort(shared, kind="stable")
    bead[one[order]] = other[order]
    holder = np.full(len(put.centres_mm), -1)
    holder[other[order]] = one[order]
    bead[holder[bead] != np.arange(len(bead))] = -1
    return bead, int((bead < 0).sum())


if __name__ == "__main__":
    main()
