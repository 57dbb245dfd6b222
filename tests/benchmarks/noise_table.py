"""What scan noise does to the three readings, on bridges whose depth is known at every vertex.

    python tests/benchmarks/noise_table.py [--edge MM]

Five bridges of our own, white noise of 0, 5, 10 and 20 µm on both scans, in the true pose. Errors
against the true distance to the contour (from the field that the body was made from), in µm.
«smooth» are cut points away from the finish line where the true ray and the true nearest distance
agree to 0.3 %; «whole» is all of the cut area, ridges, fissures and chamfers with it. Nothing is
asserted; the bounds that must hold are in `tests/core/test_noise_of_readings.py`.
"""

from __future__ import annotations

import argparse

import numpy as np

from phantom.bridge import BridgeSpec, Phantom, make_bridge
from phantom.cutback import Cut
from phantom.scanned import Scanner, noisy
from veneercheck.core import align
from veneercheck.core.measure.space import measure
from veneercheck.core.types import Bools, Floats
from veneercheck.profile import built_in
from veneercheck.scan import estimate_noise_mm

NOISES_MM = (0.0, 0.005, 0.010, 0.020)
READINGS = ("space_mm", "ball_mm", "nearest_mm", "judged_low_mm", "judged_high_mm")
_FROM_LINE_MM = 1.5
_SMOOTH = 1.003
_UNITS: tuple[tuple[tuple[int, ...], tuple[int, ...]], ...] = (
    ((46,), ()),
    ((36, 37), ()),
    ((14, 15), ()),
    ((24, 25, 26), (25,)),
    ((45, 46, 47), (46,)),
)


def bridges(edge_mm: float) -> list[Phantom]:
    """Five bridges as made, before any noise."""
    scanner = Scanner(edge_mm, 1.07 * edge_mm, 0.0, 0.0, hole=False, fragment=False, crop=False)
    return [
        make_bridge(
            BridgeSpec(units, pontics, Cut(depth_mm=1.2 + 0.1 * seed), False, scanner, seed=seed)
        )
        for seed, (units, pontics) in enumerate(_UNITS)
    ]


def errors(
    bridge: Phantom, noise_mm: float, rng: np.random.Generator
) -> tuple[dict[str, Floats], Floats, Bools, Bools]:
    """Errors of every reading, claimed uncertainty, and which points are smooth and which cut."""
    framework = noisy(bridge.clean, noise_mm, 0.0, rng)
    waxup = noisy(bridge.waxup, noise_mm, 0.0, rng)
    estimated = [estimate_noise_mm(mesh) for mesh in (framework, waxup)]
    space = measure(
        framework,
        waxup,
        alignment=align.given(framework, waxup),
        limits=built_in(),
        framework_noise_mm=estimated[0],
        waxup_noise_mm=estimated[1],
    ).space
    with np.errstate(invalid="ignore"):
        smooth = bridge.cut & (bridge.inward_mm > _FROM_LINE_MM)
        smooth &= bridge.space_mm < _SMOOTH * bridge.depth_mm
    found = {name: getattr(space, name) - bridge.depth_mm for name in READINGS}
    return found, space.u_judged_mm, smooth, bridge.cut


def told(error_mm: Floats, where: Bools) -> tuple[float, float]:
    """Median and 95th percentile of the size of errors, µm."""
    known = 1e3 * error_mm[where & np.isfinite(error_mm)]
    return float(np.median(known)), float(np.percentile(np.abs(known), 95))


def main() -> None:
    asked = argparse.ArgumentParser()
    asked.add_argument("--edge", type=float, default=0.15)
    made = bridges(asked.parse_args().edge)
    head = "".join(f"{name.removesuffix('_mm'):>18}" for name in READINGS)
    print(f"{'noise µm':>9} {'bridge':<16}{head}{'u':>7}    (smooth: median / p95 · whole: p95)")
    for noise_mm in NOISES_MM:
        for number, bridge in enumerate(made):
            rng = np.random.default_rng([number, round(1e6 * noise_mm)])
            found, u, smooth, cut = errors(bridge, noise_mm, rng)
            cells = ""
            for error in found.values():
                median, p95 = told(error, smooth)
                cells += f"{median:+7.1f}/{p95:4.0f} ·{told(error, cut)[1]:5.0f}"
            units = "-".join(map(str, bridge.spec.units))
            print(f"{1e3 * noise_mm:9.0f} {units:<16}{cells}{1e3 * np.nanmedian(u[smooth]):7.1f}")


if __name__ == "__main__":
    main()
