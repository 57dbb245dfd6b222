"""Plans of generated bridges: a cut made exactly to plan must check as no findings.

    python tests/benchmarks/plan_trials.py sound 100 FILE
    python tests/benchmarks/plan_trials.py tight 100 FILE
    python tests/benchmarks/plan_trials.py beside 100 FILE
    python tests/benchmarks/plan_trials.py crowded 200 FILE

The check knows nothing of the plan. Over a `sound` bridge's preparations there is room, and nothing
may be said by either. In a `tight` one they leave none beside the margin of some unit: the plan
says so; there, and nowhere else, the check may find the layer short, and where a conflict is firm
it must not find all well. `beside` its plan by 0.2 mm over a disc, a cut is held against the plan
and must show it there, and nowhere else. `crowded` raises a knob on a die until there is no room,
and compares the conflicts with distances that libigl finds over all of the die.
"""

from __future__ import annotations

import dataclasses
import json
import sys
import time
from pathlib import Path
from typing import Any

import igl
import numpy as np
from scipy.spatial import cKDTree

from phantom.arch import lay_out
from phantom.body import Body
from phantom.scanned import Scanner, random_pose, scan_waxup
from phantom.shapes import onto_surface
from phantom.surface import triangulate
from veneercheck import check_meshes
from veneercheck.core.mesh.triangles import select_faces, vertex_areas, vertex_normals
from veneercheck.core.plan.planned import Cutting, Plan
from veneercheck.core.types import (
    Case,
    Check,
    Floats,
    Limits,
    Outcome,
    Region,
    TriangleMesh,
    Verdict,
)
from veneercheck.plan import Surfaces, off_plan_mm, plan
from veneercheck.profile import built_in
from veneercheck.report.plan_compare import TELLABLE_MM
from veneercheck.scan import estimate_noise_mm

BRIDGES = (
    ((46,), ()),
    ((45, 46), ()),
    ((45, 46, 47), (46,)),
    ((34, 35, 36), (35,)),
    ((15, 16), ()),
    ((14, 15, 16), (15,)),
    ((24, 25, 26), (25,)),
    ((36,), ()),
    ((44, 45, 46), (45,)),
    ((25, 26, 27), (26,)),
)
FORMS = ("chamfer", "shoulder", "chamfer", "knife edge")
CROP_MM = -2.4
"""Where the scan of a framework ends on the model, as in the other generated bridges."""

NOISE_MM = 0.008

SAME_PLACE_MM = 2.0
"""A conflict lies on the contour and a zone on the metal below it: no farther apart than this."""


ROOM_MM = 0.5
"""A sound bridge's preparations are smaller by this all round than a tight one's."""


OFF_MM, DISC_MM = 0.2, 1.2


class Prepared(Body):
    """A bridge over preparations that leave room for metal and layers."""

    def cavities(self, points_mm: Floats) -> Floats:
        return super().cavities(points_mm) + ROOM_MM


@dataclasses.dataclass(frozen=True, eq=False)
class Job:
    """One generated bridge: its true body, the scan of its wax-up and its case."""

    body: Body
    waxup: TriangleMesh
    case: Case
    cutting: Cutting
    rng: np.random.Generator


def job(
    number: int,
    units: tuple[int, ...] = (),
    pontics: tuple[int, ...] = (),
    form: type[Body] = Body,
) -> Job:
    """The bridge of a number; the same number gives the same bridge."""
    rng = np.random.default_rng(1000 + number)
    if not units:
        units, pontics = BRIDGES[number % len(BRIDGES)]
    body = form(lay_out(units), pontics, True)
    surfaces = ("occlusal", "buccal", "basal") if pontics else ("occlusal", "buccal")
    case = Case(units=units, pontics=pontics, occlusal="+z", buccal="+y", veneered=surfaces)
    cutting = Cutting(FORMS[number % len(FORMS)], width_mm=float(rng.uniform(0.6, 0.8)))
    edge = float(rng.uniform(0.22, 0.28))
    waxup = scan_waxup(body, Scanner(waxup_edge_mm=edge, waxup_noise_mm=NOISE_MM), rng)
    return Job(body, waxup, case, cutting, rng)


def planned(one: Job, limits: Limits, die: TriangleMesh | None = None) -> Plan:
    noise = estimate_noise_mm(one.waxup)
    surfaces = Surfaces(one.waxup, noise if np.isfinite(noise) else 0.0, die=die)
    return plan(surfaces, case=one.case, limits=limits, cutting=one.cutting)


def scanned(target: TriangleMesh, rng: np.random.Generator) -> TriangleMesh:
    """The target as a scan in a frame of its own: cropped on the model, with noise."""
    corners = target.points_mm[target.faces][:, :, 2]
    part, _ = select_faces(target, corners.min(axis=1) > CROP_MM)
    off = rng.normal(0.0, NOISE_MM, len(part.points_mm))
    points = part.points_mm + off[:, None] * vertex_normals(part)
    return TriangleMesh(random_pose(rng).inverse().apply(points), part.faces)


def checked(one: Job, framework: TriangleMesh, limits: Limits) -> Outcome:
    return check_meshes(framework, one.waxup, case=one.case, limits=limits)


def sound(number: int) -> dict[str, Any]:
    """Made to plan where there is room: neither says anything."""
    row = made_to_plan(number, Prepared)
    row["holds"] = row["verdict"] == Verdict.NO_FINDINGS.value and not row["conflicts"]
    return row


def tight(number: int) -> dict[str, Any]:
    """Made to plan where the preparations leave no room beside a margin."""
    return made_to_plan(number, Body)


def made_to_plan(number: int, form: type[Body]) -> dict[str, Any]:
    """Plan, make exactly to plan, check."""
    limits, one = built_in(), job(number, form=form)
    start = time.process_time()
    found = planned(one, limits)
    took = time.process_time() - start
    check = checked(one, scanned(found.target, one.rng), limits).check
    surprising, invented = _told_otherwise(found, check)
    return {
        "number": number,
        "units": list(one.case.units),
        "form": one.cutting.form,
        "verdict": check.verdict.value,
        "zones": [f"{z.finding.word} {z.decision.value} {z.place}" for z in check.zones],
        "questions": [q.kind for q in check.questions],
        "conflicts": [f"{c.kind} {c.place} {c.short_mm:.2f}" for c in found.conflicts],
        "surprising": surprising,
        "invented": invented,
        "holds": surprising == 0
        and invented == 0
        and (len(found.conflicts) > 0 or check.verdict is Verdict.NO_FINDINGS),
        "plan_cpu_s": round(took, 1),
    }


def _told_otherwise(found: Plan, check: Check) -> tuple[int, int]:
    """Zones where the plan saw room enough, and firm conflicts where the check finds none."""
    short = found.contour.points_mm[found.short_mm > 0]
    zones = [check.framework.points_mm[zone.vertices] for zone in check.zones]
    surprising = sum(_apart_mm(short, zone) > SAME_PLACE_MM for zone in zones)
    firm = [c.centre_mm for c in found.conflicts if c.firm and c.tooth]
    within = np.concatenate([*zones, np.empty((0, 3))])
    invented = sum(_apart_mm(within, np.array([place])) > SAME_PLACE_MM for place in firm)
    return surprising, invented


def _apart_mm(some: Floats, others: Floats) -> float:
    return float(cKDTree(some).query(others)[0].min()) if len(some) else np.inf


def beside(number: int) -> dict[str, Any]:
    """0.2 mm left standing, or cut too deep, round a place of the floor: seen where it is."""
    limits, one = built_in(), job(number, form=Prepared)
    found = planned(one, limits)
    target, off_mm = found.target, (OFF_MM, -OFF_MM)[number % 2]
    points, inside = found.contour.points_mm, found.extent_mm > 0
    line = np.zeros(len(points))
    line[inside] = cKDTree(points[~inside]).query(points[inside])[0]
    floor = inside & (line > DISC_MM + one.cutting.width_mm)
    at = points[one.rng.choice(np.flatnonzero(floor))]
    middle = target.points_mm[np.linalg.norm(target.points_mm - at, axis=1).argmin()]
    near = np.linalg.norm(target.points_mm - middle, axis=1) < DISC_MM
    moved = target.points_mm + off_mm * near[:, None] * vertex_normals(target)
    check = checked(one, scanned(TriangleMesh(moved, target.faces), one.rng), limits).check
    points, area = check.framework.points_mm, vertex_areas(check.framework)
    off, away = off_plan_mm(points, target), np.linalg.norm(points - middle, axis=1)
    veneered = np.isin(check.region, (Region.CUT, Region.FINISH_LINE_BAND))
    told = veneered & (np.abs(off) > TELLABLE_MM) & (np.sign(off) == np.sign(off_mm))
    inside = veneered & (away < 0.8 * DISC_MM)
    other = veneered & (np.abs(off) > TELLABLE_MM) & (away > DISC_MM + 0.3)
    share = float(area[told & inside].sum() / max(float(area[inside].sum()), 1e-9))
    row = {
        "number": number,
        "off_mm": off_mm,
        "read_mm": round(float(np.median(off[inside])), 3) if inside.any() else None,
        "share": round(share, 3),
        "elsewhere_mm2": round(float(area[other].sum()), 3),
    }
    row["holds"] = share > 0.9 and row["elsewhere_mm2"] < limits.smallest_zone_mm2
    return row


def knob(one: Job, limits: Limits) -> tuple[TriangleMesh, Floats]:
    """A die with a knob that comes too near to the contour, and the contour's place over it."""
    rng, body = one.rng, one.body
    unit = [u for u in body.units if u.code not in body.pontics][int(rng.integers(2)) % 1]
    near = unit.place([[float(rng.uniform(-1, 1)), float(rng.uniform(-1, 1)), 9.0]])
    top = onto_surface(body.outer, near - [0.0, 0.0, 1.5], steps=30)[0]
    radius = float(rng.uniform(1.0, 1.6))
    need = limits.layer.least_mm + limits.taken_mm + limits.at("wax").least_metal_mm
    room = need - float(rng.uniform(0.25, 1.0))
    slope = onto_surface(body.outer, top[None] + [0.0, 0.0, 1e-3])[0]
    out = _normal(body, slope)
    centre = top - (room + radius) * out

    def field(points: Floats) -> Floats:
        ball = np.linalg.norm(points - centre, axis=1) - radius
        return np.minimum(body.cavities(points), ball)

    low, high = body.box()
    low[2] = -1.5
    return triangulate(field, low, high, 0.25), top


def _normal(body: Body, place: Floats) -> Floats:
    step = 1e-4 * np.eye(3)
    slope = body.outer(place + step) - body.outer(place - step)
    return np.asarray(slope / np.linalg.norm(slope))


def crowded(number: int) -> dict[str, Any]:
    """A knob under the contour: every conflict named, none invented."""
    limits, one = built_in(), job(number, *BRIDGES[(0, 1, 4, 7)[number % 4]])
    die, top = knob(one, limits)
    found = planned(one, limits, die)
    over = [c for c in found.conflicts if "room" in c.kind or "thin" in c.kind]
    over = [c for c in over if c.kind != "connector too thin"]
    places = np.array([c.centre_mm for c in over]).reshape(-1, 3)
    inside = np.flatnonzero(found.extent_mm > 0)
    square, _, _ = igl.point_mesh_squared_distance(
        np.ascontiguousarray(found.contour.points_mm[inside]), die.points_mm, die.faces
    )
    need = limits.layer.least_mm + limits.taken_mm + limits.at("wax").least_metal_mm
    true_room = np.sqrt(square)
    at = found.contour.points_mm[inside]
    near = np.linalg.norm(at - top, axis=1) < 2.5
    tightest = at[near][true_room[near].argmin()] if near.any() else top
    # Where two places touch they are one conflict, told at the worse of them.
    patch = found.short_mm[inside][np.linalg.norm(at - tightest, axis=1) < 0.3]
    named = bool(len(places)) and bool((patch > 0).any())
    worst = [float(true_room[np.linalg.norm(at - p, axis=1).argmin()]) for p in places]
    return {
        "number": number,
        "named": named,
        "planted": bool(true_room[np.linalg.norm(at - top, axis=1) < 1.0].min(initial=9) < need),
        "invented": sum(room >= need for room in worst),
        "conflicts": [f"{c.kind} {c.place} {c.short_mm:.2f}" for c in over],
        "holds": named and all(room < need for room in worst),
    }


def main(kind: str, count: int, file: Path, first: int = 0) -> None:
    run = {"sound": sound, "tight": tight, "beside": beside, "crowded": crowded}[kind]
    held = 0
    with file.open("a", encoding="utf-8") as out:
        for number in range(first, first + count):
            row = run(number)
            held += row["holds"]
            out.write(json.dumps(row, ensure_ascii=False) + "\n")
            out.flush()
    print(f"{held} of {count} hold")


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]), Path(sys.argv[3]), *map(int, sys.argv[4:5]))
