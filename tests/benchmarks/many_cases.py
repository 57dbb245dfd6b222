"""Generated cases for trials of many: small lumps, each cut back to a depth of its own.

Run it to write a list of them: ``python tests/benchmarks/many_cases.py FOLDER COUNT``.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from veneercheck.core.types import Floats, TriangleMesh
from veneercheck.phantom.bodies import concentric_spheres
from veneercheck.scan import write_stl

RADIUS_MM = 2.4
"""About half a crown: its cap is cut over 18 mm², and a check takes a fraction of a second."""

STARTS_WITHIN = "10 minutes"
"""How long a worker that was killed may take to start again: without it, Dask drops for good one
that takes longer than 15 s, as on a busy machine."""

OPAQUER_MM, LEAST_MM, GREATEST_MM = 0.2, 1.0, 2.0
"""What the built-in limits ask for; a cap cut to a depth has that depth less the opaquer."""


@cache
def _ball() -> TriangleMesh:
    return concentric_spheres(1.8).inner


def uneven(way: Floats) -> Floats:
    """Radius of a lump, nearly a ball of 1, in some directions: it fits in one way only.

    A ball turns freely, and to see that takes a third of its check.
    """
    x, y, _ = way.T
    return np.asarray(1.0 + 0.05 * x + 0.04 * x * y + 0.03 * (3.0 * x * x - 1.0) * y)


def write_case(folder: Path, name: str, depth_mm: float) -> tuple[Path, Path]:
    """A lump whose upper cap is cut back evenly: framework and wax-up, 320 triangles each."""
    way = _ball().points_mm / 4.0
    size = RADIUS_MM * uneven(way)
    cut = depth_mm * np.clip((way[:, 2] + 0.1) / 0.2, 0.0, 1.0)
    folder.mkdir(parents=True, exist_ok=True)
    framework, waxup = folder / f"{name}_framework.stl", folder / f"{name}_waxup.stl"
    write_stl(framework, TriangleMesh(way * (size - cut)[:, None], _ball().faces))
    write_stl(waxup, TriangleMesh(way * size[:, None], _ball().faces))
    return framework, waxup


def depth_of(at: int) -> float:
    """Depths that differ by a micrometre: no two cases are the same check."""
    return 0.7 + 0.001 * (at % 1000) + 1e-6 * (at // 1000)


def write_cases(folder: Path, count: int) -> Path:
    """So many cases and a list of them (CSV)."""
    rows = ["number,framework,waxup,unit,aligned"]
    for at in range(count):
        name = f"C-{at:06d}"
        one, other = write_case(folder / f"{at // 1000:03d}", name, depth_of(at))
        rows.append(f"{name},{one.relative_to(folder)},{other.relative_to(folder)},mm,yes")
    listing = folder / "cases.csv"
    listing.write_text("\n".join(rows) + "\n", encoding="utf-8")
    return listing


@contextmanager
def two_workers(folder: Path) -> Iterator[Any]:
    """A Dask cluster of two workers, each in a process of its own; all it writes lies there."""
    import dask
    import distributed

    patient = {"distributed.deploy.lost-worker-timeout": STARTS_WITHIN}
    with (
        dask.config.set(patient),
        distributed.LocalCluster(
            n_workers=2,
            threads_per_worker=1,
            processes=True,
            dashboard_address=":0",  # without one, the port that is usual is taken, or warned of
            local_directory=str(folder / "dask"),
        ) as cluster,
    ):
        yield cluster


if __name__ == "__main__":
    print(write_cases(Path(sys.argv[1]), int(sys.argv[2])))
