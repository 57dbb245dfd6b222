"""How often buccal and lingual are stated, and how often rightly, on bridges of varied anatomy.

    python tests/benchmarks/direction_trials.py [TRIALS, default 200] [SEED, default 1] [beside]

Every trial draws a bridge: either jaw and side, one to four units, pontics or none, with or
without model; teeth turned, shifted, tipped and of other sizes than the textbook's, cusps worn or
of swapped heights, arches flatter or rounder, the cut on the buccal walls, on occlusal and buccal
ones, all around, on the lingual walls or on top alone, in any pose. The case names the units, in
half of the trials the veneered surfaces, and no direction. Expected: the generator's own
directions. With `beside`, up to three teeth stand uncut at either end, as in a scan of a quadrant.
Printed for each class of bridge: how many, share stated, share right where stated.
"""

from __future__ import annotations

import dataclasses
import sys

import numpy as np

from phantom.arch import Unit, lay_out
from phantom.body import Body
from phantom.cutback import Cut, cut_extent
from phantom.scanned import random_pose
from phantom.surface import triangulate
from phantom.teeth import Ridge, ToothForm
from veneercheck.core.divide.anatomy import Places, place
from veneercheck.core.mesh.triangles import vertex_areas, vertex_normals
from veneercheck.core.types import Bools, Case, Floats, TriangleMesh

EDGE_MM = 0.6
"""Coarse, for speed: directions are read from whole walls."""

DEPTH_MM = 1.3

CUTS = {
    "occlusal + buccal": ("occlusal", "buccal"),
    "buccal": ("buccal",),
    "all around": ("occlusal", "buccal", "lingual"),
    "lingual": ("lingual",),
    "occlusal + lingual": ("occlusal", "lingual"),
    "occlusal": ("occlusal",),
}
SHARES = (0.3, 0.2, 0.2, 0.1, 0.1, 0.1)
"""A bench sees fewer lingual veneers than this: they are what deceives."""

ROWS = {
    "upper right": (11, 12, 13, 14, 15, 16, 17),
    "lower left": (31, 32, 33, 34, 35, 36, 37),
    "upper left": (21, 22, 23, 24, 25, 26, 27),
    "lower right": (41, 42, 43, 44, 45, 46, 47),
    "upper front": (13, 12, 11, 21, 22, 23),
    "lower front": (43, 42, 41, 31, 32, 33),
}


@dataclasses.dataclass(frozen=True)
class Drawn:
    """A bridge with its case, and what is true of it in the wax-up's frame."""

    kind: str
    cut: str
    case: Case
    mesh: TriangleMesh
    contour_mm: Floats
    veneered: Bools
    fitting: Bools
    model: Bools
    buccal: Floats
    occlusal: Floats

    def placed(self, case: Case | None = None) -> Places:
        """The places as a check would tell them."""
        return place(
            self.mesh,
            case or self.case,
            area_mm2=vertex_areas(self.mesh),
            bridge=~self.model if self.model.any() else None,
            veneered=self.veneered,
            fitting=self.fitting,
            contour_mm=self.contour_mm,
        )


def draw(rng: np.random.Generator, beside: bool = False) -> Drawn:
    """A bridge by chance, among its neighbours if these stand beside it."""
    row = ROWS[rng.choice(list(ROWS))]
    count = int(rng.choice([1, 2, 3, 3, 4]))
    first = int(rng.integers(len(row) - count + 1))
    units = row[first : first + count]
    if rng.random() < 0.5:
        units = units[::-1]
    pontics = tuple(code for code in units[1:-1] if rng.random() < 0.7)
    if count > 1 and rng.random() < 0.15:
        pontics = (*pontics, units[-1])
    before, after = rng.integers(0, 4, 2) if beside else (0, 0)
    others = (*row[max(first - before, 0) : first], *row[first + count : first + count + after])
    standing = row[max(first - before, 0) : first + count + after]
    standing = standing if units == row[first : first + count] else standing[::-1]
    body = Body(_varied(standing, rng), (*pontics, *others), bool(rng.random() < 0.5))
    name = str(rng.choice(list(CUTS), p=SHARES))
    surfaces = CUTS[name]
    kind = "single crown" if count == 1 else f"{count} units"
    wanted = surfaces if rng.random() < 0.5 else ()
    case = Case(units=units, pontics=pontics, veneered=wanted)
    return _made(body, Cut(DEPTH_MM, surfaces=surfaces), rng, kind=kind, name=name, case=case)


def _varied(codes: tuple[int, ...], rng: np.random.Generator) -> tuple[Unit, ...]:
    """The units of a bridge, as people have them."""
    flat = rng.choice([0.0, 0.5, 1.0])
    units = lay_out(codes)
    middle = np.mean([unit.centre_mm for unit in units], axis=0)
    made = []
    for unit in units:
        centre = unit.centre_mm - middle
        # Flattened towards the line of the bridge, and each tooth a little out of the row.
        centre = centre * [1.0, 1.0 - 0.7 * flat * (rng.random() < 0.5), 1.0]
        turn = np.radians(rng.normal(0.0, 6.0))
        spin = np.eye(3)
        spin[:2, :2] = [[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]
        aside = np.array([0.0, rng.normal(0.0, 0.35), rng.normal(0.0, 0.2)])
        axes = unit.axes @ spin.T
        made.append(Unit(unit.code, _form(unit.form, rng), centre + aside @ axes, axes))
    return tuple(made)


def _form(form: ToothForm, rng: np.random.Generator) -> ToothForm:
    """Another size, cusps worn or of other heights, walls leaning otherwise."""
    width, depth = rng.normal(1.0, 0.06, 2)
    worn = rng.choice([0.0, 0.6, 1.4])
    mirrored = rng.random() < 0.2  # cusps of swapped heights
    tops = [ridge.start_height_mm for ridge in form.ridges]

    def other(ridge: Ridge) -> Ridge:
        off = rng.normal(0.0, 0.25)
        heights = [ridge.start_height_mm + off, ridge.end_height_mm + off]
        if mirrored and len(tops) > 3:
            lean = 0.12 * ridge.start[1]
            heights = [height - 2.0 * lean for height in heights]
        least = max(tops) - worn
        low, high = (min(height, least) for height in heights)
        return dataclasses.replace(ridge, start_height_mm=low, end_height_mm=high)

    def leaning(shares: tuple[float, float, float]) -> tuple[float, float, float]:
        low, half, top = np.array(shares) + rng.normal(0.0, [0.03, 0.02, 0.06])
        return float(low), float(half), float(top)

    return dataclasses.replace(
        form,
        width_mm=form.width_mm * width,
        depth_mm=form.depth_mm * depth,
        ridges=tuple(other(ridge) for ridge in form.ridges),
        buccal=leaning(form.buccal),
        lingual=leaning(form.lingual),
    )


def _made(
    body: Body, cut: Cut, rng: np.random.Generator, *, kind: str, name: str, case: Case
) -> Drawn:
    """The framework, cut square to its contour, in any pose."""
    low, high = body.box()
    solid = triangulate(body.solid, low, high, EDGE_MM)
    points = solid.points_mm
    fitting = (np.abs(body.cavities(points)) < 0.05) & (body.outer(points) < -0.05)
    centre = np.array([unit.centre_mm[:2] for unit in body.units])
    nearest = np.linalg.norm(points[:, None, :2] - centre, axis=2).argmin(axis=1)
    own = np.isin([unit.code for unit in body.units], case.units)[nearest]
    veneered = (cut_extent(body, cut, points) > 0) & ~fitting & own
    inward = np.where(veneered, DEPTH_MM, 0.0)[:, None] * vertex_normals(solid)
    pose = random_pose(rng)
    axes = np.sum([unit.axes for unit in body.units], axis=0)
    model = body.on_model(points) & ~fitting
    return Drawn(
        kind,
        name,
        case,
        TriangleMesh(pose.apply(points - inward), solid.faces),
        pose.apply(points),
        veneered & ~model,
        fitting,
        model,
        pose.turn(axes[1:2] / np.linalg.norm(axes[1]))[0],
        pose.turn([[0.0, 0.0, 1.0]])[0],
    )


def main() -> None:
    """Print share stated and share right where stated, class by class."""
    trials = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    beside = "beside" in sys.argv
    told: dict[str, list[tuple[bool, bool]]] = {}
    for number in range(trials):
        drawn = draw(np.random.default_rng([seed, number]), beside)
        places = drawn.placed()
        stated = places.sides_known
        right = bool(places.buccal @ drawn.buccal > 0)
        jaw = "upper" if drawn.case.units[0] < 30 else "lower"
        named = "surfaces named" if drawn.case.veneered else "surfaces not named"
        for key in ("all", drawn.kind, drawn.cut, jaw, named):
            told.setdefault(key, []).append((stated, right))
    print("class                 trials  stated %  right where stated %")
    for key, found in sorted(told.items()):
        both = np.array(found)
        stated, right = both.T
        share = 100.0 * right[stated].mean() if stated.any() else np.nan
        print(f"{key:20s} {len(both):7d} {100.0 * stated.mean():9.1f} {share:21.1f}")


if __name__ == "__main__":
    main()
