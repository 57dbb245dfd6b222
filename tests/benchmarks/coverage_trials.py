"""How often the claimed uncertainty holds the truth: many whole trials on bodies of known depth.

    python tests/benchmarks/coverage_trials.py FILE [TRIALS a body, default 250] [SECONDS]

Every trial draws what the budget states. Noise: correlated, on both scans. Trueness: a slow random
warp between the two scans. Seating: a shift after the fit, because what the fit takes up is no
error. Pose: any, found again from a start some millimetres and degrees off. The noise is estimated
from the scans, the framework aligned, and the space measured, as in a check; then the readings are
held against the truth. Trials are appended to FILE, one line of JSON each, so that a run broken off
goes on where it stopped; at the end, or without a second argument above what is there, the table
is printed. Sources: JCGM 101 (propagation by trials, from memory) for the method; the truth is the
field that the bodies were made from.

«smooth» are cut points away from the finish line where the true ray and the true nearest distance
agree to 0.3 %. «inside» counts true values within two claimed standard uncertainties. The mean
layer is that of the smooth occlusal points; «no fit» leaves the alignment's covariance out.
"""

from __future__ import annotations

import dataclasses
import json
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np

from phantom.bridge import BridgeSpec, Surface, make_bridge
from phantom.cutback import Cut
from phantom.scanned import Scanner, noisy, random_pose
from veneercheck.core import align
from veneercheck.core.measure.space import measure
from veneercheck.core.measure.uncertainty import mean_uncertainty
from veneercheck.core.mesh.motion import rotation_from_vector
from veneercheck.core.mesh.triangles import select_faces
from veneercheck.core.types import (
    AlignmentState,
    Bools,
    Floats,
    Limits,
    RigidMotion,
    TriangleMesh,
)
from veneercheck.profile import built_in
from veneercheck.scan import estimate_noise_mm

TRIALS = 250
FIRST = 1000
"""Seeds below this were looked at while the budget was made."""

COVERAGE = 2.0
_CLEAN = Scanner(0.32, 0.34, 0.0, 0.0, hole=False, fragment=False, crop=False)
_FINE = dataclasses.replace(_CLEAN, framework_edge_mm=0.15, waxup_edge_mm=0.16)
_ALL_ROUND = ("occlusal", "buccal", "lingual", "basal")
_WARP_LENGTH_MM = 4.0
"""ℓ of the warp: a scanner's trueness varies from tooth to tooth (our estimate)."""

_START_OFF_RAD, _START_OFF_MM = 0.05, 1.0
_ON_CONTOUR_MM = 0.05
_FROM_LINE_MM = 1.5
_SMOOTH = 1.003


@dataclasses.dataclass(frozen=True)
class Body:
    """A bridge to be tried, and what its laboratory states."""

    name: str
    spec: BridgeSpec
    noise_mm: float
    noise_length_mm: float
    trueness_u_mm: float
    seating_u_mm: float
    inside: bool = True
    """Whether the inside of the retainers was scanned."""


BODIES = (
    Body(
        "three units on the model",
        BridgeSpec((45, 46, 47), (46,), Cut(surfaces=_ALL_ROUND, collar_mm=0.6), True, _CLEAN),
        0.010,
        0.2,
        0.010,
        0.030,
    ),
    # Off the model nothing is seated: the bridge is fitted on itself.
    Body(
        "three units off the model",
        BridgeSpec((35, 36, 37), (36,), Cut(), False, _CLEAN, seed=2),
        0.010,
        0.2,
        0.010,
        0.0,
    ),
    Body(
        "four upper units",
        BridgeSpec((14, 15, 16, 17), (15, 16), Cut(depth_mm=1.2), False, _CLEAN, seed=3),
        0.015,
        0.15,
        0.015,
        0.0,
    ),
    # On its die: a band at the margin is all that was left. The scanner is true.
    Body(
        "crown with a band",
        BridgeSpec((46,), (), Cut(surfaces=_ALL_ROUND[:3], collar_mm=0.5), False, _FINE, seed=4),
        0.010,
        0.2,
        0.001,
        0.0,
        inside=False,
    ),
)


@dataclasses.dataclass(frozen=True, eq=False)
class Made:
    """A body as made: both surfaces before any scan, and the truth at framework vertices."""

    body: Body
    framework: TriangleMesh
    waxup: TriangleMesh
    depth_mm: Floats
    space_mm: Floats
    smooth: Bools
    biting: Bools
    """The smooth points of the occlusal surface."""


def make(body: Body) -> Made:
    """Make a body without noise."""
    phantom = make_bridge(body.spec)
    with np.errstate(invalid="ignore"):
        smooth = phantom.cut & (phantom.inward_mm > _FROM_LINE_MM)
        smooth &= phantom.space_mm < _SMOOTH * phantom.depth_mm
    biting = smooth & (phantom.surface == Surface.OCCLUSAL)
    framework, waxup, kept = phantom.clean, phantom.waxup, np.arange(len(smooth))
    if not body.inside:
        outside = phantom.surface != Surface.FITTING
        framework, kept = select_faces(framework, outside[framework.faces].all(axis=1))
        contour = np.abs(phantom.body.outer(waxup.points_mm)) < _ON_CONTOUR_MM
        waxup, _ = select_faces(waxup, contour[waxup.faces].all(axis=1))
    truth = phantom.depth_mm[kept], phantom.space_mm[kept]
    return Made(body, framework, waxup, *truth, smooth[kept], biting[kept])


def limits_of(body: Body) -> Limits:
    """The profile of a laboratory that has measured its own scanner and seating."""
    return dataclasses.replace(
        built_in(), trueness_u_mm=body.trueness_u_mm, seating_u_mm=body.seating_u_mm
    )


def trial(made: Made, seed: int) -> dict[str, Any]:
    """Scan both bodies once, measure, and compare with the truth."""
    body = made.body
    rng = np.random.default_rng([seed, *body.name.encode()])
    framework, waxup, start = scans(made, rng)
    noise = estimate_noise_mm(framework), estimate_noise_mm(waxup)
    framework = TriangleMesh(start.apply(framework.points_mm), framework.faces)
    found = align.align(framework, waxup)
    if found.state is AlignmentState.FAILED:
        return {"body": body.name, "seed": seed, "state": str(found.state)}
    seat = rng.normal(scale=body.seating_u_mm, size=3)
    placed = TriangleMesh(
        found.waxup_from_framework.apply(framework.points_mm) + seat, framework.faces
    )
    limits = limits_of(body)
    reading = measure(
        placed,
        waxup,
        alignment=found,
        limits=limits,
        framework_noise_mm=noise[0],
        waxup_noise_mm=noise[1],
    )
    space = reading.space
    result: dict[str, Any] = {"body": body.name, "seed": seed, "state": str(found.state)}
    smooth = made.smooth & np.isfinite(space.space_mm)
    readings = {
        "ray": (space.space_mm - made.space_mm, space.u_mm),
        "low": (space.judged_low_mm - made.depth_mm, space.u_judged_mm),
        "high": (space.judged_high_mm - made.depth_mm, space.u_judged_mm),
    }
    for name, (error, u) in readings.items():
        inside = np.abs(error[smooth]) <= COVERAGE * u[smooth]
        result[name] = [int(inside.sum()), len(inside)]
    error = readings["high"][0]
    biting = made.biting & smooth
    area = space.area_mm2[biting]
    result["mean_error_mm"] = float(area @ error[biting] / area.sum())
    mean = mean_uncertainty(
        placed.points_mm, reading.normals, space, biting, alignment=found, limits=limits
    )
    result["mean_u_mm"] = mean.u_mm
    result["bare_u_mm"] = dataclasses.replace(mean, fit_mm=0.0).u_mm
    result["rms_error_mm"] = float(np.sqrt(np.mean(error[smooth] ** 2)))
    result["rms_u_mm"] = float(np.sqrt(np.mean(space.u_judged_mm[smooth] ** 2)))
    return result


def scans(made: Made, rng: np.random.Generator) -> tuple[TriangleMesh, TriangleMesh, RigidMotion]:
    """One scan of each: warped within the scanner's trueness, noisy, in any pose; a rough start."""
    body = made.body
    framework = noisy(made.framework, body.noise_mm, body.noise_length_mm, rng)
    waxup = noisy(made.waxup, body.trueness_u_mm, _WARP_LENGTH_MM, rng)
    waxup = noisy(waxup, body.noise_mm, body.noise_length_mm, rng)
    pose = random_pose(rng)
    turn = rotation_from_vector(rng.normal(scale=_START_OFF_RAD, size=3))
    off = RigidMotion(turn, rng.normal(scale=_START_OFF_MM, size=3))
    moved = TriangleMesh(pose.apply(framework.points_mm), framework.faces)
    return moved, waxup, off.after(pose.inverse())


def summary(lines: list[dict[str, Any]]) -> str:
    """The table: shares inside two standard uncertainties, body by body and pooled."""
    head = (
        f"{'body':<28}{'trials':>7}{'failed':>7}{'ray %':>8}{'low %':>8}{'high %':>8}"
        f"{'rms µm':>8}{'u µm':>7}{'mean %':>8}{'u µm':>7}{'no fit %':>9}"
    )
    rows = [head]
    for name in [*dict.fromkeys(line["body"] for line in lines), None]:
        mine = [line for line in lines if name in (None, line["body"])]
        known = [line for line in mine if "ray" in line]
        if not known:
            continue
        shares = [_share([line[key] for line in known]) for key in ("ray", "low", "high")]
        error = np.array([line["mean_error_mm"] for line in known])
        full, bare = (np.array([line[k] for line in known]) for k in ("mean_u_mm", "bare_u_mm"))
        rms, u = (
            np.sqrt(np.mean(np.square([line[k] for line in known])))
            for k in ("rms_error_mm", "rms_u_mm")
        )
        rows.append(
            f"{name or 'pooled':<28}{len(mine):>7}{len(mine) - len(known):>7}"
            + "".join(f"{share:>8.2f}" for share in shares)
            + f"{1e3 * rms:>8.1f}{1e3 * u:>7.1f}"
            + f"{100 * np.mean(np.abs(error) <= COVERAGE * full):>8.1f}"
            + f"{1e3 * np.sqrt(np.mean(full**2)):>7.1f}"
            + f"{100 * np.mean(np.abs(error) <= COVERAGE * bare):>9.1f}"
        )
    return "\n".join(rows)


def _share(counts: list[list[int]]) -> float:
    inside, total = np.sum(counts, axis=0)
    return float(100.0 * inside / total)


def run(file: Path, trials: int, seconds: float) -> None:
    """Go on where the file ends, until every body has its trials or the time is up."""
    began = time.monotonic()
    done = {(line["body"], line["seed"]) for line in read(file)}
    made = [make(body) for body in BODIES]
    for seed in range(FIRST, FIRST + trials):
        for one in made:
            if (one.body.name, seed) in done:
                continue
            if time.monotonic() - began > seconds:
                return
            with file.open("a", encoding="utf-8") as out:
                out.write(json.dumps(trial(one, seed)) + "\n")


def read(file: Path) -> list[dict[str, Any]]:
    """Trials done so far; a line broken off in the middle is not one."""
    lines = []
    for text in file.read_text(encoding="utf-8").splitlines() if file.exists() else []:
        try:
            lines.append(json.loads(text))
        except json.JSONDecodeError:
            continue
    return lines


def main() -> None:
    file = Path(sys.argv[1])
    trials = int(sys.argv[2]) if len(sys.argv) > 2 else TRIALS
    run(file, trials, float(sys.argv[3]) if len(sys.argv) > 3 else float("inf"))
    print(summary(read(file)))


if __name__ == "__main__":
    main()
