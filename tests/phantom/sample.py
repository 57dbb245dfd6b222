"""The sample bridge: an invented laboratory's work, with planted faults and a known answer.

    python tests/phantom/sample.py

makes the files anew, for people in sample_meshes and for the demo in the package.
"""

from __future__ import annotations

import dataclasses
import gzip
import json
from pathlib import Path
from typing import Any

import numpy as np

from phantom.bridge import BridgeSpec, FaultPlan, Phantom, make_bridge
from veneercheck.core.mesh.triangles import vertex_areas
from veneercheck.core.types import Floats
from veneercheck.scan import write_stl

ROOT = Path(__file__).resolve().parents[2]
FOR_PEOPLE = ROOT / "sample_meshes"
FOR_THE_DEMO = ROOT / "veneercheck" / "phantom" / "demo"

SAMPLE = BridgeSpec(
    units=(45, 46, 47),
    pontics=(46,),
    faults=(
        FaultPlan("too_thin", 45, (0.1, 2.2, 7.6), 3.4, -0.75, "buccal cusp cut too little"),
        FaultPlan("too_thick", 46, (0.4, 5.2, 4.3), 3.0, 1.25, "hollow cut too deep, buccal face"),
        FaultPlan("over_contour", 46, (0.0, -5.0, 4.0), 1.2, -0.28, "lingual collar stands proud"),
        FaultPlan("metal_stop", 47, (0.0, 0.0, 6.0), 0.75, 0.0, "metal stop in the fossa"),
    ),
    seed=45,
)
"""Lower right, retainers 45 and 47, pontic 46."""

_CASE = """\
# An invented laboratory's work: made by code, no patient.
case = "DEMO-0451"
units = [45, 46, 47]
pontics = [46]
stage = "wax"
profile = "generic"
notes = "Sample bridge with planted faults; the answer is in truth.json."

[scans]
framework = "framework.stl"
waxup = "waxup.stl"

[frame]
occlusal = "+z"
buccal = "+y"

[veneered]
surfaces = ["occlusal", "buccal", "basal"]
metal_stops = "ask"
"""


def make_sample() -> Phantom:
    """Make the sample bridge; always the same arrays."""
    return make_bridge(SAMPLE)


def sample_case_toml() -> str:
    """The text of the sample's `case.toml`."""
    return _CASE


def sample_truth(phantom: Phantom | None = None) -> dict[str, Any]:
    """What is true of the sample, ready for JSON; lengths in mm, wax-up frame.

    Parameters
    ----------
    phantom : Phantom, optional
        The sample, where it was made already.
    """
    made = phantom or make_sample()
    area = vertex_areas(made.clean)
    return {
        "origin": "made by code; invented laboratory, no patient",
        "units": list(made.spec.units),
        "pontics": list(made.spec.pontics),
        "waxup_from_framework": made.waxup_from_framework.matrix().tolist(),
        "noise_mm": {
            "framework": made.spec.scanner.framework_noise_mm,
            "waxup": made.spec.scanner.waxup_noise_mm,
        },
        "cut_area_mm2": float(area[made.cut].sum()),
        "depth_mm": _statistics(made.depth_mm[made.cut], area[made.cut]),
        "space_mm": _statistics(made.space_mm[made.cut], area[made.cut]),
        "faults": [dataclasses.asdict(fault) for fault in made.faults],
    }


def _statistics(values_mm: Floats, area_mm2: Floats) -> dict[str, float]:
    known = np.isfinite(values_mm)
    values, area = values_mm[known], area_mm2[known]
    order = np.argsort(values)
    share = (np.cumsum(area[order]) - 0.5 * area[order]) / area.sum()
    p05, median, p95 = np.interp([0.05, 0.5, 0.95], share, values[order])
    return {
        "min": float(values.min()),
        "p05": float(p05),
        "median": float(median),
        "mean": float(np.average(values, weights=area)),
        "p95": float(p95),
        "max": float(values.max()),
    }


def main() -> None:
    """Write the sample into the two places where it is kept; scans are packed for the demo."""
    made = make_sample()
    write_stl(FOR_PEOPLE / "framework.stl", made.framework)
    write_stl(FOR_PEOPLE / "waxup.stl", made.waxup)
    truth = json.dumps(sample_truth(made), indent=1, ensure_ascii=False) + "\n"
    for name, text in (("case.toml", sample_case_toml()), ("truth.json", truth)):
        for place in (FOR_PEOPLE, FOR_THE_DEMO):
            (place / name).write_bytes(text.encode())
    for scan in sorted(FOR_PEOPLE.glob("*.stl")):
        packed = gzip.compress(scan.read_bytes(), 9, mtime=0)
        (FOR_THE_DEMO / f"{scan.name}.gz").write_bytes(packed)


if __name__ == "__main__":
    main()
