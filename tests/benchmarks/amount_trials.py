"""Whether the advice clears what was found: bridges worked on as advised, and checked again.

    python tests/benchmarks/amount_trials.py FILE [SECONDS]

Every trial makes a bridge with planted faults of every kind, scans it from any pose with noise,
checks it, takes the advised amounts off (or adds them) by an offset along the vertex normals,
scans what was worked on anew, and checks it once more; two rounds at most. Trials are appended to
FILE, one line of JSON each, so that a run broken off goes on where it stopped; at the end, or with
no seconds left, the table is printed. Source of what is expected: nothing else is wrong with the
bridges, so that after the knife nothing is left, and a zone where no paint and no knife was is a
fault of the advice.

A spot that stands proud amid the veneer («proud») is asked about, a metal stop or not: brought to
the contour it may show more of its flank as too thin than it did, and need a round more.

«left» counts zones, firm or not, but for those of which the check itself said that no cut makes
room; «new» those that lie where none was before, and nothing was worked on.
"""

from __future__ import annotations

import dataclasses
import json
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import trimesh
from scipy.spatial import cKDTree

from coverage_trials import read
from phantom.arch import lay_out
from phantom.bridge import BridgeSpec, FaultPlan, make_bridge
from phantom.cutback import Cut
from phantom.scanned import Scanner, noisy, random_pose
from phantom.teeth import ToothForm
from veneercheck import check_meshes
from veneercheck.core.mesh.rays import RayScene
from veneercheck.core.mesh.triangles import row_dot, unit, vertex_normals
from veneercheck.core.types import (
    Case,
    Check,
    Decision,
    FindingKind,
    Floats,
    Ints,
    LayerLimits,
    Limits,
    RigidMotion,
    TriangleMesh,
    Zone,
)
from veneercheck.profile import built_in

ROUNDS = 2
_SCANNER = Scanner(hole=False, fragment=False)
_NOISE_LENGTHS_MM = (0.0, 0.2)
_BESIDE_MM = 1.0
"""A zone whose middle lies no farther from the last one's surface is what was left of it."""

_CROWN_GREATEST_MM, _CROWN_DEEPER_MM = 1.6, 0.6
"""Under a crown's veneer lies the tooth: it cannot be cut deep enough for the usual limit."""

_ON_COLLAR_MM = 1.1

_CLEAR_MM, _AROUND = 0.15, 12
"""Nearer to the contour, noise tells the way to it."""

_SLOPES_MM, _SURELY_MM = 2.0, 0.1
"""So far round what stands out of the contour the knife comes straight from the contour; by so much
more than the space asked for it goes, to have it surely."""

_FINE_MM = 0.15
"""Edges so short follow a flank."""

_FIN_MM, _TIP_MM, _ALIKE_COS = 0.8, 0.25, 0.8
"""The knife's tip is half a millimetre across."""

_SAME_SIDE_COS, _SHEETS, _PAST_MM = 0.6, 16, 1e-4
"""Through a crest a ray meets what was cut from its other side as well."""

LAYOUTS: tuple[tuple[tuple[int, ...], tuple[int, ...]], ...] = (
    ((36,), ()),
    ((16,), ()),
    ((45,), ()),
    ((37, 36, 35), (36,)),
    ((45, 46, 47), (46,)),
    ((14, 15, 16), (15,)),
    ((27, 26, 25), (26,)),
    ((34, 35, 36, 37), (35, 36)),
    ((14, 15, 16, 17), (15, 16)),
    ((12, 11, 21, 22), (11, 21)),
    ((42, 41, 31, 32, 33, 34), (41, 31, 32)),
    ((48, 47, 46, 45, 44, 43), (47, 46, 44)),
)

SIZES: dict[str, dict[str, tuple[float, float]]] = {
    "small": {"too_thin": (2.4, -0.7), "too_thick": (2.4, 1.2), "over_contour": (0.9, -0.15)},
    "large": {"too_thin": (3.6, -0.9), "too_thick": (3.2, 1.4), "over_contour": (1.4, -0.30)},
    "proud": {"too_thin": (3.0, -0.7), "too_thick": (2.8, 1.2), "over_contour": (2.2, -1.80)},
    "proud low": {"too_thin": (2.7, -0.6), "too_thick": (2.6, 1.1), "over_contour": (1.8, -1.65)},
    "proud high": {"too_thin": (3.3, -0.8), "too_thick": (3.0, 1.3), "over_contour": (2.6, -2.05)},
}
"""Radius and change of depth by kind, mm; «proud» stands out of the contour amid the veneer, by
about 0.26, 0.1 and 0.5 mm at most."""


@dataclasses.dataclass(frozen=True)
class Job:
    """A bridge to be tried."""

    name: str
    spec: BridgeSpec
    limits: Limits


def jobs() -> Iterator[Job]:
    """All bridges, every layout in every size."""
    for units, pontics in LAYOUTS:
        for size in SIZES:
            yield job(units, pontics, size)


def job(units: tuple[int, ...], pontics: tuple[int, ...], size: str) -> Job:
    """A bridge with one fault of each kind, on different units where there are enough."""
    roomy = bool(pontics)
    limits = built_in()
    if not roomy:
        limits = dataclasses.replace(limits, layer=LayerLimits(1.0, _CROWN_GREATEST_MM))
    seed = sum(units) + 100 * list(SIZES).index(size)
    length_mm = _NOISE_LENGTHS_MM[seed % len(_NOISE_LENGTHS_MM)]
    spec = BridgeSpec(
        units,
        pontics,
        Cut(),
        base=seed % 3 > 0,
        scanner=dataclasses.replace(_SCANNER, noise_length_mm=length_mm),
        faults=tuple(_faults(units, pontics, size)),
        seed=seed,
    )
    return Job(f"{'-'.join(map(str, units))} {size}", spec, limits)


def _faults(units: tuple[int, ...], pontics: tuple[int, ...], size: str) -> Iterator[FaultPlan]:
    form = {unit.code: unit.form for unit in lay_out(units)}
    hollow = pontics[0] if pontics else units[0]
    on = {"too_thin": units[0], "too_thick": hollow, "over_contour": units[-1]}
    for kind, (radius, change) in SIZES[size].items():
        code = on[kind]
        most = change if pontics or kind != "too_thick" else _CROWN_DEEPER_MM
        proud = kind == "over_contour" and size.startswith("proud")
        near = _seat(form[code], "proud" if proud else kind, alone=len(units) == 1)
        yield FaultPlan(kind, code, near, radius, min(change, most), size)


def _seat(form: ToothForm, kind: str, *, alone: bool) -> tuple[float, float, float]:
    """Where on its tooth a fault is planted: (mesial, buccal, occlusal)."""
    aside = 0.3 * form.width_mm if alone else 0.0
    cusp = form.ridges[0]
    if cusp.start != cusp.end:  # a front tooth: an edge, and the veneer reaches down its back
        return {
            "too_thin": (0.0, 0.5 * form.depth_mm, 0.55 * form.height_mm),
            "too_thick": (0.0, 0.5 * form.depth_mm, 0.55 * form.height_mm),
            "over_contour": (0.0, -0.5 * form.depth_mm, _ON_COLLAR_MM),
            "proud": (0.0, 0.5 * form.depth_mm, 0.55 * form.height_mm),
        }[kind]
    return {
        "too_thin": (*cusp.start, cusp.start_height_mm),
        "too_thick": (-aside, 0.5 * form.depth_mm, 0.55 * form.height_mm),
        "over_contour": (0.0, -0.5 * form.depth_mm, 0.45 * form.height_mm),
        "proud": (-aside, 0.0, form.height_mm),
    }[kind]


def worked(check: Check, mesh: TriangleMesh) -> TriangleMesh:
    """A framework with the advised amounts taken off along its normals, or added.

    What is taken off is all that lies over the surface which the advised depths reach. Where
    normals converge, over a bump or a crest, vertices that were moved along their own would pass
    each other and turn the triangles between them over, which no knife does: so each is let down
    onto that surface, straight away from the contour. What is added goes towards the contour, as
    wax flows. Over what stands out of the contour triangles are halved first, or those between a
    top that is let down and a foot that is not would stand for a flank.

    Parameters
    ----------
    check : Check
    mesh : TriangleMesh
        In the wax-up's frame; its vertices are the first of those that were checked, and of the
        result's.
    """
    if (check.finding == FindingKind.OVER_CONTOUR).any():
        check, mesh = _halved(check, mesh)
    count = len(mesh.points_mm)
    amount, space = check.amount_mm[:count], check.space
    toward = unit(space.contour_mm[:count] - check.framework.points_mm[:count])
    toward = np.where(np.isfinite(toward), toward, 0.0)
    adds = (amount < 0) & toward.any(axis=1)
    way = np.where(adds[:, None], toward, vertex_normals(mesh))
    moved = mesh.points_mm - amount[:, None] * way
    off = np.flatnonzero(amount > 0)
    if len(off):
        outward = _outward(mesh, toward, np.nan_to_num(space.nearest_mm[:count]))
        depth = _let_down(mesh, moved, amount, off, outward)
        # A place comes down by no less than is told of it.
        depth = np.fmax(depth, row_dot(mesh.points_mm - moved, outward)[off])
        depth = np.fmax(depth, _straight(check, mesh, amount)[off])
        depth = _by_its_tip(mesh.points_mm[off], depth, outward[off])
        moved[off] = mesh.points_mm[off] - depth[:, None] * outward[off]
    return TriangleMesh(moved, mesh.faces)


def _halved(check: Check, mesh: TriangleMesh) -> tuple[Check, TriangleMesh]:
    """Both with every edge halved, unless they are fine; new vertices read as the nearest."""
    edges = mesh.points_mm[mesh.faces] - mesh.points_mm[np.roll(mesh.faces, 1, axis=1)]
    if np.median(np.linalg.norm(edges, axis=2)) < _FINE_MM:
        return check, mesh
    points, faces = trimesh.remesh.subdivide(mesh.points_mm, mesh.faces)
    _, near = cKDTree(check.framework.points_mm).query(points)
    near[: len(mesh.points_mm)] = np.arange(len(mesh.points_mm))
    space, framework = check.space, check.framework.points_mm
    finer = dataclasses.replace(
        check,
        amount_mm=check.amount_mm[near],
        finding=check.finding[near],
        framework=TriangleMesh(framework[near], faces),
        space=dataclasses.replace(
            space, contour_mm=space.contour_mm[near], nearest_mm=space.nearest_mm[near]
        ),
    )
    return finer, TriangleMesh(points, faces)


def _straight(check: Check, mesh: TriangleMesh, amount: Floats) -> Floats:
    """How deep a knife goes that comes straight from the contour, over what stands out of it and on
    its slopes, shape (n,), mm: as deep as told, but to no more than the space asked for."""
    proud = check.framework.points_mm[check.finding == FindingKind.OVER_CONTOUR]
    if not len(proud):
        return np.zeros(len(amount))
    away, _ = cKDTree(proud).query(mesh.points_mm, distance_upper_bound=_SLOPES_MM)
    asked = check.limits.layer.least_mm + check.limits.taken_mm + _SURELY_MM
    short = asked - np.nan_to_num(check.space.nearest_mm[: len(amount)], nan=np.inf)
    return np.where(np.isfinite(away), np.clip(short, 0.0, np.maximum(amount, 0.0)), 0.0)


def _outward(mesh: TriangleMesh, toward: Floats, nearest_mm: Floats) -> Floats:
    """The way to the contour, or on from it, at every vertex; close to it that of those around."""
    ways = toward * np.sign(nearest_mm)[:, None]
    clear = np.flatnonzero((np.abs(nearest_mm) > _CLEAR_MM) & ways.any(axis=1))
    _, near = cKDTree(mesh.points_mm[clear]).query(mesh.points_mm, k=_AROUND)
    return unit(ways[clear][near].sum(axis=1))


def _let_down(
    mesh: TriangleMesh, moved: Floats, amount: Floats, off: Ints, outward: Floats
) -> Floats:
    """How far below its place each vertex meets the deepest surface that was cut there, mm."""
    cut = mesh.faces[(amount[mesh.faces] > 0).any(axis=1)]
    facing, scene = outward[cut].mean(axis=1), RayScene(TriangleMesh(moved, cut))
    outward = outward[off]
    points = mesh.points_mm[off]
    near = cKDTree(points).query_ball_point(points, _BESIDE_MM)
    below = 2.0 * np.array([amount[off[at]].max() for at in near])
    depth = np.full(len(off), np.nan)
    for _ in range(_SHEETS):
        asked = np.flatnonzero(np.isnan(depth) & (below > 0))
        hits = scene.first_hit(points[asked] - below[asked, None] * outward[asked], outward[asked])
        below[asked] -= hits.distance_mm + _PAST_MM
        own = row_dot(facing[hits.face], outward[asked]) > _SAME_SIDE_COS
        found = hits.met & own & (below[asked] > 0)
        depth[asked[found]] = below[asked[found]] + _PAST_MM
    return depth


def _by_its_tip(points: Floats, depth: Floats, outward: Floats) -> Floats:
    """Depths of a knife that is as wide as its tip: it leaves no fin between two deep cuts."""
    ends = points - depth[:, None] * outward
    pairs = cKDTree(ends).query_pairs(_FIN_MM, output_type="ndarray")
    one, other = np.concatenate([pairs, pairs[:, ::-1]]).T
    gap = ends[one] - ends[other]
    deeper = row_dot(gap, outward[one])
    beside = np.sqrt(np.maximum(row_dot(gap, gap) - deeper**2, 0.0))
    cut = (beside < _TIP_MM) & (row_dot(outward[one], outward[other]) > _ALIKE_COS)
    found = depth.copy()
    np.maximum.at(found, one[cut], depth[one[cut]] + deeper[cut])
    return found


def trial(one: Job, *, posed: bool = True) -> dict[str, Any]:
    """Make, check, work and check again; each scan in a pose of its own, or on the wax-up."""
    rng = np.random.default_rng([one.spec.seed, 7])
    made = make_bridge(one.spec)
    scanner, clean = one.spec.scanner, made.clean
    outward = sum(unit.axes[1, 1] for unit in made.body.units)
    case = Case(
        units=one.spec.units,
        pontics=one.spec.pontics,
        occlusal="+z",
        buccal="+y" if outward > 0 else "-y",
    )
    result: dict[str, Any] = {"name": one.name, "planted": [f.kind for f in made.faults]}
    rounds: list[dict[str, Any]] = []
    before: Check | None = None
    for _ in range(1 + ROUNDS):
        pose = random_pose(rng) if posed else RigidMotion.identity()
        scan = noisy(clean, scanner.framework_noise_mm, scanner.noise_length_mm, rng)
        scan = TriangleMesh(pose.apply(scan.points_mm), scan.faces)
        check = check_meshes(
            scan, made.waxup, case=case, limits=one.limits, aligned=not posed
        ).check
        rounds.append(_told(check, before))
        if not _workable(check):
            break
        clean, before = worked(check, clean), check
    return {**result, "rounds": rounds}


def _workable(check: Check) -> bool:
    return bool(np.abs(check.amount_mm).max(initial=0.0) > 0)


def _told(check: Check, before: Check | None) -> dict[str, Any]:
    return {
        "state": str(check.alignment.state),
        "verdict": str(check.verdict),
        "zones": [_zone(zone, before) for zone in check.zones],
    }


def _zone(zone: Zone, before: Check | None) -> dict[str, Any]:
    told: dict[str, Any] = {
        "finding": zone.finding.word,
        "firm": zone.decision is Decision.FIRM,
        "place": zone.place,
        "centre": [round(c, 2) for c in zone.centre_mm],
        "extreme": round(zone.extreme_mm, 3),
        "limit": round(zone.limit_mm, 3),
        "u": round(zone.u_mm, 3),
        "amount": round(zone.amount_mm, 2),
        "area": round(zone.area_mm2, 2),
        "action": zone.action,
        "no_cut": capped(zone),
    }
    if before is not None:
        told["new"] = _away(before, np.array(zone.centre_mm)) > _BESIDE_MM
    return told


def capped(zone: Zone) -> bool:
    """Whether the budget of space says that the layer cannot be had."""
    return (
        zone.finding is FindingKind.TOO_THIN
        and zone.action.startswith(("take off", "do not cut", "no room"))
        and ("below its limit" in zone.action or "no room" in zone.action)
    )


def _away(before: Check, place: Floats) -> float:
    """How far a place lies from what was painted or worked before."""
    touched = (before.finding != FindingKind.NONE) | (before.amount_mm != 0)
    away = np.linalg.norm(before.framework.points_mm[touched] - place, axis=1)
    return float(away.min(initial=np.inf))


def left(round_: dict[str, Any]) -> list[dict[str, Any]]:
    """Zones that advice could have cleared."""
    return [zone for zone in round_["zones"] if not zone["no_cut"]]


def summary(lines: list[dict[str, Any]]) -> str:
    """The table: zones found at first, left after each round, and new ones."""
    head = f"{'bridge':<36}{'first':>6}{'left 1':>8}{'left 2':>8}{'new':>5}{'no room':>9}  verdict"
    rows, total = [head], np.zeros(5, dtype=int)
    for line in lines:
        rounds = line["rounds"]
        first, *later = rounds
        ends = [len(left(one)) for one in later] or [0]
        new = sum(zone["new"] for one in later for zone in left(one))
        row = len(left(first)), ends[0], ends[1] if len(ends) > 1 else 0, new
        no_room = sum(zone["no_cut"] for zone in rounds[-1]["zones"])
        total += [*row, no_room]
        rows.append(
            f"{line['name']:<36}{row[0]:>6}{row[1]:>8}{row[2]:>8}{row[3]:>5}{no_room:>9}"
            f"  {rounds[-1]['verdict']}"
        )
    cleared = sum(not left(line["rounds"][-1]) for line in lines)
    planted = sum(len(line["planted"]) for line in lines)
    found = sum(len(_found(line)) for line in lines)
    rows.append(f"planted {planted}, found at first {found}")
    rows.append(
        f"{f'{cleared} of {len(lines)} cleared':<36}{total[0]:>6}{total[1]:>8}{total[2]:>8}"
        f"{total[3]:>5}{total[4]:>9}"
    )
    return "\n".join(rows)


def _found(line: dict[str, Any]) -> set[str]:
    """Kinds of planted faults that the first check told of."""
    return set(line["planted"]) & {zone["finding"] for zone in line["rounds"][0]["zones"]}


def run(file: Path, seconds: float) -> None:
    """Go on where the file ends, until every bridge was tried or the time is up."""
    began = time.monotonic()
    done = {line["name"] for line in read(file)}
    for one in jobs():
        if one.name in done:
            continue
        if time.monotonic() - began > seconds:
            return
        with file.open("a", encoding="utf-8") as out:
            out.write(json.dumps(trial(one)) + "\n")


def main() -> None:
    file = Path(sys.argv[1])
    run(file, float(sys.argv[2]) if len(sys.argv) > 2 else float("inf"))
    print(summary(read(file)))


if __name__ == "__main__":
    main()
