"""An independent renderer sees the same body and reads the same values as our own rays."""

from __future__ import annotations

import importlib.util
import subprocess
import sys

import numpy as np
import pytest
from PIL import Image

from edges.test_report_data import outcome_of
from veneercheck.core.mesh.rays import RayScene
from veneercheck.core.types import TriangleMesh
from veneercheck.report import write_result
from veneercheck.report.views import Camera
from veneercheck.report.window import to_pyvista

pytestmark = pytest.mark.skipif(
    importlib.util.find_spec("pyvista") is None,
    reason="a heavy witness: pip install '.[witness]'",
)

WIDTH, HEIGHT, MM_PER_PX = 320, 240, 0.05
WITNESS = f"""
import sys
import numpy as np, pyvista
kept = np.load(sys.argv[1])
faces = np.column_stack([np.full(len(kept["faces"]), 3), kept["faces"]])
mesh = pyvista.PolyData(kept["points"], faces.ravel())
plot = pyvista.Plotter(off_screen=True, window_size=({WIDTH}, {HEIGHT}))
plot.add_mesh(mesh, color="black", lighting=False)
plot.set_background("white")
plot.camera.parallel_projection = True
plot.camera.position = kept["centre"] + 50 * kept["toward"]
plot.camera.focal_point = kept["centre"]
plot.camera.up = kept["up"]
plot.camera.parallel_scale = {HEIGHT * MM_PER_PX / 2}
picture = plot.screenshot(return_img=True)
starts = kept["starts"]
read = []
for start in starts:
    place, _ = mesh.ray_trace(start, start - 200 * kept["toward"], first_point=True)
    read.append(np.linalg.norm(place - start) if len(place) else np.nan)
np.savez(sys.argv[2], dark=picture[..., 0] < 128, read=read)
"""


def bumpy_ball() -> TriangleMesh:
    """A closed body with hollows, so that parts of it hide others."""
    rings, around = 60, 120
    tilt = np.linspace(0.02, np.pi - 0.02, rings)[:, None]
    turn = np.linspace(0, 2 * np.pi, around, endpoint=False)[None]
    radius = 4 + 0.8 * np.cos(5 * turn) * np.sin(tilt) ** 2
    points = np.stack(
        np.broadcast_arrays(
            radius * np.sin(tilt) * np.cos(turn),
            radius * np.sin(tilt) * np.sin(turn),
            radius * np.cos(tilt),
        ),
        -1,
    ).reshape(-1, 3)
    at = np.arange(rings * around).reshape(rings, around)
    a, c = at[:-1], at[1:]
    b, d = np.roll(a, -1, 1), np.roll(c, -1, 1)
    return TriangleMesh(
        points, np.concatenate([np.stack(t, -1).reshape(-1, 3) for t in ((a, c, b), (b, c, d))])
    )


def test_pyvista_sees_the_same(tmp_path) -> None:
    """VTK's rasteriser agrees on 99.5 % of the pixels, its own rays to 1 µm."""
    mesh = bumpy_ball()
    toward = np.array([0.48, -0.6, 0.64])
    up = np.array([0.0, 0.64, 0.6]) / np.hypot(0.64, 0.6)
    up -= (up @ toward) * toward
    up /= np.linalg.norm(up)
    camera = Camera(np.zeros(3), np.cross(up, toward), up, toward, MM_PER_PX, WIDTH, HEIGHT, 50.0)
    y, x = np.divmod(np.arange(WIDTH * HEIGHT), WIDTH)
    starts = camera.origins(x + 0.5, y + 0.5)
    hits = RayScene(mesh).first_hit(starts, np.broadcast_to(-toward, starts.shape))
    chosen = np.random.default_rng(3).choice(np.flatnonzero(hits.met), 100, replace=False)
    given = tmp_path / "given.npz"
    np.savez(
        given, points=mesh.points_mm, faces=mesh.faces, centre=camera.centre_mm, toward=toward,
        up=up, starts=starts[chosen],
    )  # fmt: skip
    told = subprocess.run(
        [sys.executable, "-c", WITNESS, given, tmp_path / "seen.npz"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    if told.returncode != 0:
        pytest.skip(f"VTK cannot draw here: {told.stderr[-200:]}")
    seen = np.load(tmp_path / "seen.npz")
    agreed = seen["dark"] == hits.met.reshape(HEIGHT, WIDTH)
    assert 0.2 < hits.met.mean() < 0.9 and agreed.mean() >= 0.995
    np.testing.assert_allclose(seen["read"], hits.distance_mm[chosen], atol=1e-3)


WINDOW = """
import sys
from pathlib import Path
from veneercheck.report.window import open_window
open_window(Path(sys.argv[1]), shot=Path(sys.argv[2]))
"""


def test_the_window_shows_what_was_filed(tmp_path) -> None:
    """The readings go over as they are, and the map's wine stands in the picture."""
    outcome = outcome_of()
    body = to_pyvista(outcome)
    np.testing.assert_array_equal(body.point_data["space_mm"], outcome.check.space.space_mm)
    np.testing.assert_array_equal(body.points, outcome.check.framework.points_mm)
    assert body.n_cells == len(outcome.check.framework.faces)
    write_result(tmp_path, outcome)
    told = subprocess.run(
        [sys.executable, "-c", WINDOW, tmp_path, tmp_path / "seen.png"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    if told.returncode != 0:
        pytest.skip(f"VTK cannot draw here: {told.stderr[-200:]}")
    with Image.open(tmp_path / "seen.png") as shown:
        red, green, blue = np.asarray(shown.convert("RGB"), dtype=int).reshape(-1, 3).T
    # wine of the map, shaded: far more red than green or blue
    assert np.count_nonzero((red > 2 * green) & (red > 1.3 * blue) & (red > 30)) > 200
