"""Sound bridges that must raise no alarm, and faulty ones whose faults must be told rightly.

    python tests/benchmarks/veneer_trials.py sound FILE [SECONDS] [--only NAME] [--dump FOLDER]
    python tests/benchmarks/veneer_trials.py strange FILE [SECONDS] [--only NAME] [--dump FOLDER]
    python tests/benchmarks/veneer_trials.py treated FILE [SECONDS] [--only NAME] [--dump FOLDER]
    python tests/benchmarks/veneer_trials.py faulty FILE [SECONDS] [--only NAME] [--dump FOLDER]
    python tests/benchmarks/veneer_trials.py table FILE

Trials are appended to FILE, one line of JSON each, so that a run broken off goes on where it
stopped. `--only` tries the bridges whose names contain NAME, says everything about their zones and
appends nothing; `treated` are the sound ones as scanners' programs leave them (`scan_programs`),
read from files; `--dump` writes their scans as STL, with the case and profile to check them by.
Bodies are kept in the folder that VENEER_BODIES names, so that they are made once.

Source of what is expected: the plan of each body, see `veneer_bodies`. A sound bridge is cut to
the plan or beyond it by a margin, and nowhere deeper than the greatest layer, so any zone is false
and any amount an error; within the guard band of the limit a zone may be undecided. Of a faulty one
all is sound but the planted discs, and the slopes that lead to them; it is worked on as advised and
checked again, twice where the first time left anything that advice could have cleared.
"""

from __future__ import annotations

import dataclasses
import json
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import igl
import numpy as np
from scipy.spatial import cKDTree

from amount_trials import capped, worked
from coverage_trials import read
from phantom.scanned import random_pose
from veneer_bodies import LEAST_FAULT_MM, make
from veneer_forms import contour_of
from veneer_jobs import Trial, jobs, scans
from veneer_plans import Made, least_space_mm
from veneer_tables import still_left, table
from veneercheck import check_meshes
from veneercheck.core.mesh.rays import RayScene
from veneercheck.core.mesh.triangles import vertex_normals
from veneercheck.core.types import (
    UNSUPPORTED,
    Bools,
    Case,
    Check,
    Decision,
    Floats,
    Limits,
    RigidMotion,
    TriangleMesh,
    Zone,
)
from veneercheck.scan import write_stl

POINTER_MM = 0.3
"""A pointer so near to the flat part of a fault stands on it."""

COVERAGE = 2.0
_LIFT_MM, _IN_SIGHT = 0.1, 700
_WAY_STEPS, _LEAST_GAIN, _CLOSE_MM = 20, 0.2, 1e-3
_AROUND_MM = 0.4
"""A knife works on no less: the need of a point is the greatest so near to it."""

_CHORD_MM = 0.05
"""In a sharp fillet two triangulations of one surface stand apart by so much."""

_ROUND_ZONE = 0.8
"""Reach of a zone twice as long as wide, as a share of the root of its area."""

_TORN_MM2 = 0.1
"""A body torn over more than this was never made as planned, and is left out."""

_NEED_MM, _BORNE = 0.05, 0.5
_OWN_MM = 0.1
_ENDS_MM = 0.03
"""Beyond a limit by more than three times the noise, after the knife."""


def trial(one: Trial, *, say: bool = False) -> dict[str, Any]:
    """Make or fetch the body, scan it, check it, score it; a faulty one is worked on as advised."""
    made = make(one.spec, contour_of)
    torn = made.torn_mm2()
    if torn > _TORN_MM2:
        left_out = {"name": one.name, "torn": round(torn, 2)}
        if say:
            print(json.dumps(left_out))
        return left_out
    rng = np.random.default_rng([one.seed, 17])
    clean, framework, waxup = scans(made, one, rng)
    limits = made.limits()
    began = time.process_time()
    check = _checked(made, one, framework, waxup, rng)
    seconds = time.process_time() - began
    zones = [_told(zone, check, made) for zone in check.zones]
    result: dict[str, Any] = {
        "name": one.name,
        "class": one.family,
        "runout": one.spec.runout.kind,
        "width": round(one.spec.runout.reach_mm, 2),
        "margin": one.spec.margin_mm,
        "scan": one.words
        + " (no room)" * (one.foreign and len(clean.faces) == len(made.framework.faces)),
        "state": str(check.alignment.state),
        "verdict": str(check.verdict),
        "asked": [[one.kind, round(one.area_mm2, 2)] for one in check.questions],
        "seconds": round(seconds, 1),
        "zones": zones,
        "spots": _spots_told(check, made, clean),
        **_amounts_told(check, made, limits),
    }
    if made.faults:
        result["faults"] = _faults(zones, made, check.alignment.beyond_budget)
        result["extra"] = [zone for zone in zones if zone["firm"] and _false(zone, made)]
        if one.workable and check.amount_mm is not None:
            after = worked(check, clean)
            result |= _worked_on(made, check, after, len(clean.points_mm), limits)
            for round_ in ("left", "left again"):
                check = _checked(made, one, one.noisy(after, rng), waxup, rng)
                left = [_told(zone, check, made) for zone in check.zones]
                result[round_] = [zone | {"on_fault": _explained(zone, made)} for zone in left]
                if check.amount_mm is None or not still_left(result, round_):
                    break
                after = worked(check, after)
    if say:
        print(json.dumps(result, indent=1))
    return result


def _checked(
    made: Made,
    one: Trial,
    framework: TriangleMesh,
    waxup: TriangleMesh,
    rng: np.random.Generator,
) -> Check:
    case = Case(**made.case)
    pose = random_pose(rng) if one.posed else RigidMotion.identity()
    framework = TriangleMesh(pose.apply(framework.points_mm), framework.faces)
    asked: dict[str, Any] = {"case": case, "limits": made.limits(), "aligned": not one.posed}
    if one.treated:
        # What lies on itself is put right where a file is read.
        with tempfile.TemporaryDirectory() as folder:
            files = [Path(folder) / name for name in ("framework.stl", "waxup.stl")]
            for file, mesh in zip(files, (framework, waxup), strict=True):
                write_stl(file, mesh)
            check = check_meshes(*files, unit="mm", **asked).check
    else:
        check = check_meshes(framework, waxup, **asked).check
    return _on_the_framework(check, pose) if one.posed else check


def _on_the_framework(check: Check, pose: RigidMotion) -> Check:
    """What was told, where it lies on the framework that was posed: it is there that the hand
    works, and a body that looks alike when it is turned is told rightly either way."""
    back = pose.inverse().after(check.alignment.waxup_from_framework.inverse())

    def there(place: tuple[float, float, float]) -> tuple[float, float, float]:
        x, y, z = back.apply(np.array(place)[None])[0]
        return float(x), float(y), float(z)

    framework, space, structure = check.framework, check.space, check.structure
    if space is not None:
        space = dataclasses.replace(space, contour_mm=back.apply(space.contour_mm))
    return dataclasses.replace(
        check,
        framework=TriangleMesh(back.apply(framework.points_mm), framework.faces),
        space=space,
        zones=tuple(
            dataclasses.replace(zone, centre_mm=there(zone.centre_mm)) for zone in check.zones
        ),
        structure=dataclasses.replace(
            structure,
            spots=tuple(
                dataclasses.replace(spot, centre_mm=there(spot.centre_mm))
                for spot in structure.spots
            ),
        ),
    )


def pointer(zone: Zone) -> Floats:
    """Where the hand is sent."""
    return np.array(zone.centre_mm, dtype=np.float64)


def _told(zone: Zone, check: Check, made: Made) -> dict[str, Any]:
    at, limits = pointer(zone), made.limits()
    depth, way, foot = (part[0] for part in made.at(at[None]))
    return {
        "finding": zone.finding.word,
        "firm": zone.decision is Decision.FIRM,
        "place": zone.place,
        "action": zone.action,
        "no_room": capped(zone),
        "at": [round(float(c), 2) for c in at],
        "foot": [round(float(c), 2) for c in foot],
        "extreme": round(zone.extreme_mm, 3),
        "u": round(zone.u_mm, 3),
        "limit": round(zone.limit_mm, 3),
        "area": round(zone.area_mm2, 2),
        "amount": round(zone.amount_mm, 2),
        "true": round(float(depth) - limits.taken_mm, 3),
        "from_line": round(float(way), 2),
        **_needed(zone, check, made),
    }


def _spots_told(check: Check, made: Made, clean: TriangleMesh) -> list[dict[str, Any]]:
    """Composite without support, and how far from metal any contour round about truly lies."""
    told = [spot for spot in check.structure.spots if spot.kind == UNSUPPORTED]
    if not told:
        return []
    contour = made.contour.points_mm[made.inward_mm > 0]
    away = np.linalg.norm(
        contour[None] - np.array([spot.centre_mm for spot in told])[:, None], axis=2
    )
    found = []
    for spot, off in zip(told, away, strict=True):
        near = contour[off < _ROUND_ZONE * np.sqrt(spot.size) + _CHORD_MM]
        square, _, _ = igl.point_mesh_squared_distance(near, clean.points_mm, clean.faces)
        deepest = float(np.sqrt(np.max(square, initial=0.0))) - made.limits().taken_mm
        found.append(
            {
                "weight": str(spot.weight),
                "value": round(spot.value_mm, 3),
                "area": round(spot.size, 2),
                "deepest": round(deepest, 3),
            }
        )
    return found


def _needed(zone: Zone, check: Check, made: Made) -> dict[str, float]:
    """How much the plan itself is beyond its limit on the zone, and over what area."""
    points, limits = check.framework.points_mm, made.limits()
    reach = _ROUND_ZONE * np.sqrt(zone.area_mm2) + 1.0
    own = (check.finding == zone.finding) & (
        np.linalg.norm(points - np.array(zone.centre_mm), axis=1) < reach
    )
    if not own.any():
        return {"need": 0.0, "need_area": 0.0}
    # Of the bare metal: beads and noise are none of the plan's.
    bare = made.framework
    square, _, on_bare = igl.point_mesh_squared_distance(points[own], bare.points_mm, bare.faces)
    off, on = needs_mm(made, limits, on_bare)
    need = np.where(square < _OWN_MM**2, on if zone.finding.word == "too_thick" else off, 0.0)
    area = check.space.area_mm2[own]
    return {
        "need": round(float(need.max()), 3),
        "need_area": round(float(area[need > _NEED_MM].sum()), 2),
    }


def needs_mm(made: Made, limits: Limits, points: Floats) -> tuple[Floats, Floats]:
    """What truly has to come off, and to be added, at points of the framework: from the plan."""
    depth, way, _ = made.at(points)
    share = np.clip(way / limits.finish_line_width_mm, 0.0, 1.0)
    asked = least_space_mm(made.spec) * share
    off = np.maximum(np.maximum(asked - depth, -depth - _CHORD_MM), 0.0)
    on = np.maximum(depth - _most_mm(limits), 0.0)
    return off, on


def _on_the_way(made: Made, limits: Limits, points: Floats, ways: Floats) -> tuple[Floats, Floats]:
    """What the plan needs off, and on, along the knife's own way: square to the framework.

    Over a contour that leans or bends, the need over the cosine at the start is not how far the
    knife has to go; so the way is gone, never farther at once than what is missing, to where the
    plan's need ends or is hardly any more met.
    """
    own = _own(made, points)
    found = []
    for which, sign in enumerate((-1.0, 1.0)):
        gone, need = np.zeros(len(points)), needs_mm(made, limits, points)[which] * own
        going = need > 0
        for _ in range(_WAY_STEPS):
            at = np.flatnonzero(going)
            there = points[at] + sign * (gone[at] + need[at])[:, None] * ways[at]
            left = needs_mm(made, limits, there)[which]
            gone[at] += need[at]
            going[at] = (need[at] - left >= _LEAST_GAIN * need[at]) & (left > _CLOSE_MM)
            need[at] = left
        found.append(gone)
    return found[0], found[1]


def _most_mm(limits: Limits) -> float:
    return limits.layer.greatest_mm + limits.taken_mm


def _seen_mm(made: Made, points: Floats) -> Floats:
    """Distance to the nearest vertex of the true contour that no metal hides; NaN where none is."""
    contour, metal = made.contour.points_mm[made.inward_mm > 0], made.framework
    if not len(points):
        return np.zeros(0)
    start = points + _LIFT_MM * vertex_normals(metal)[cKDTree(metal.points_mm).query(points)[1]]
    away, which = cKDTree(contour).query(points, k=min(_IN_SIGHT, len(contour)))
    way = contour[which] - start[:, None]
    length = np.linalg.norm(way, axis=2)
    scene = RayScene(metal, engine="portable")
    origins = np.repeat(start, which.shape[1], axis=0)
    met = scene.first_hit(origins, (way / length[..., None]).reshape(-1, 3)).distance_mm
    hidden = met.reshape(length.shape) < length - _LIFT_MM
    found = np.where(hidden, np.nan, away)
    return np.fmin.reduce(found, axis=1)


def _own(made: Made, points: Floats) -> Bools:
    """Which points lie on the framework, and not on a sprue or a crumb."""
    mesh = made.framework
    square, _, _ = igl.point_mesh_squared_distance(points, mesh.points_mm, mesh.faces)
    return np.asarray(square < _OWN_MM**2)


def _amounts_told(check: Check, made: Made, limits: Limits) -> dict[str, Any]:
    """How large the amounts are, over what area, and by how much they exceed the true need."""
    amount = check.amount_mm
    if amount is None or not np.abs(amount).max(initial=0.0) > 0:
        return {"amount_area": 0.0, "amount_most": 0.0, "amount_beyond": 0.0}
    framework = check.framework
    points = framework.points_mm
    told = np.flatnonzero(amount != 0)
    tree = cKDTree(points)
    near = np.unique(np.concatenate(tree.query_ball_point(points[told], _AROUND_MM)))
    ways = vertex_normals(framework)[near]
    off, on = _on_the_way(made, limits, points[near], ways)
    around = cKDTree(points[near]).query_ball_point(points[told], _AROUND_MM)
    need = np.array(
        [(off if amount[k] > 0 else on)[at].max() for k, at in zip(told, around, strict=True)]
    )
    beyond = np.abs(amount[told]) - need
    # Deep on a wall the contour that is nearest of all may lie behind the metal.
    walls = np.flatnonzero((beyond > 0) & (amount[told] < 0))
    need[walls] = np.fmax(need[walls], _seen_mm(made, points[told[walls]]) - _most_mm(limits))
    beyond = np.abs(amount[told]) - need
    area = check.space.area_mm2
    return {
        "amount_area": round(float(area[told].sum()), 2),
        "amount_most": round(float(np.abs(amount).max()), 2),
        "amount_beyond": round(float(beyond.max()), 3),
    }


def _faults(zones: list[dict[str, Any]], made: Made, doubtful: bool) -> list[dict[str, Any]]:
    """For each planted fault whether a firm zone told of it, pointed at it and read it rightly; in
    a doubtful pose, where none is firm, whether any did."""
    taken = made.limits().taken_mm
    found = []
    for fault in made.faults:
        # Where the sound veneer is wide, the body's own greatest layer is more than was planted.
        if fault.kind == "too_thick" and fault.worst_mm < _most_mm(made.limits()) + LEAST_FAULT_MM:
            continue
        # Out of the contour it is the space that is told, elsewhere the layer.
        true = fault.worst_mm - (0.0 if fault.kind == "over_contour" else taken)
        alike = [zone for zone in zones if zone["finding"] == fault.kind]
        mine = [zone for zone in alike if zone["firm"] or doubtful]
        away = [_away(zone, fault.on_contour_mm) for zone in mine]
        within = [k for k, off in enumerate(away) if off <= fault.reach_mm + POINTER_MM]
        told = min(within, key=lambda k: away[k]) if within else None
        line: dict[str, Any] = {
            "kind": fault.kind,
            "beyond": fault.beyond_mm,
            "area": fault.area_mm2,
            "true": round(true, 3),
            "found": told is not None,
        }
        if told is not None:
            zone = mine[told]
            line |= {
                "pointed": away[told] <= fault.radius_mm + POINTER_MM,
                "off_pointer": round(away[told] - fault.radius_mm, 2),
                "read": zone["extreme"],
                "within_u": abs(zone["extreme"] - true) <= COVERAGE * zone["u"],
            }
        found.append(line)
    return found


def _away(zone: dict[str, Any], place: tuple[float, float, float]) -> float:
    return float(np.linalg.norm(np.array(zone["foot"]) - np.array(place)))


def _false(zone: dict[str, Any], made: Made) -> bool:
    """Whether a zone lies neither on a fault that counts nor where the plan itself is beyond its
    limit: a planted disc too small to count is in the body all the same."""
    return not _explained(zone, made) and zone["need_area"] < _BORNE * zone["area"]


def _explained(zone: dict[str, Any], made: Made) -> bool:
    """Whether a zone lies on a planted fault; the slopes of one over the contour are thin."""
    return any(
        zone["finding"] in (fault.kind, "too_thin" if fault.kind == "over_contour" else "")
        and _away(zone, fault.on_contour_mm) <= fault.reach_mm + POINTER_MM
        for fault in made.faults
    )


def _worked_on(
    made: Made, check: Check, after: TriangleMesh, count: int, limits: Limits
) -> dict[str, Any]:
    """Where the knife was: area that ends below the least layer, and above the greatest, mm², by
    the first `count` vertices, which were scanned."""
    touched = check.amount_mm[:count] != 0
    if not touched.any():
        return {"ends_below": 0.0, "ends_above": 0.0}
    off, on = needs_mm(made, limits, after.points_mm[:count][touched])
    area = check.space.area_mm2[:count][touched]
    share = float(check.space.area_mm2.sum() / check.space.area_mm2[:count].sum())
    return {
        "ends_below": round(share * float(area[off > _ENDS_MM].sum()), 2),
        "ends_above": round(share * float(area[on > _ENDS_MM].sum()), 2),
    }


def run(kind: str, file: Path, seconds: float) -> None:
    """Go on where the file ends, until every bridge was tried or the time is up."""
    began = time.monotonic()
    done = {line["name"] for line in read(file)}
    for one in jobs(kind):
        if one.name in done:
            continue
        if time.monotonic() - began > seconds:
            return
        with file.open("a", encoding="utf-8") as out:
            out.write(json.dumps(trial(one), default=lambda value: value.item()) + "\n")


def dump(one: Trial, folder: Path) -> None:
    """Write both scans, with the profile and the case, so that the program can check them."""
    from veneercheck.profile import profile_toml

    made = make(one.spec, contour_of)
    _, framework, waxup = scans(made, one, np.random.default_rng([one.seed, 17]))
    folder.mkdir(parents=True, exist_ok=True)
    for mesh, name in ((framework, "framework"), (waxup, "waxup")):
        write_stl(folder / f"{one.name}-{name}.stl", mesh)
    (folder / f"{one.name}.toml").write_text(profile_toml(made.limits()), encoding="utf-8")


def _options(words: list[str]) -> tuple[list[str], dict[str, str]]:
    plain, named, rest = [], {}, iter(words)
    for word in rest:
        if word.startswith("--"):
            named[word] = next(rest)
        else:
            plain.append(word)
    return plain, named


def main() -> None:
    (kind, file, *seconds), named = _options(sys.argv[1:])
    chosen = [one for one in jobs(kind) if named.get("--only", "") in one.name] if named else []
    for one in chosen:
        if "--dump" in named:
            dump(one, Path(named["--dump"]))
        trial(one, say=True)
    if kind != "table" and not named:
        run(kind, Path(file), float(seconds[0]) if seconds else float("inf"))
    if not named:
        print(table(read(Path(file))))


if __name__ == "__main__":
    main()
