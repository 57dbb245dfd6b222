"""A plan of the page with all that may be handed in beside the wax-up, and put on record."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

import browsing
from veneercheck.cli.main import app
from veneercheck.core.types import Region, TriangleMesh
from veneercheck.phantom.bodies import concentric_spheres
from veneercheck.record import Register
from veneercheck.scan import painted_ply_bytes, write_stl

WEDGE = "thickness_mm,L,a,b\n0.1,85,9,-1\n0.4,80,13,0.5\n0.8,75,15,1\n1.4,72,17,1.5\n2,71,18,2\n"


@pytest.fixture
def files(tmp_path: Path) -> dict[str, Path]:
    """A ball of 3 mm as wax-up, a cap of it painted, one of its size above it, and a wedge."""
    ball = concentric_spheres(0.6, inner_mm=1.5, outer_mm=3.0).outer
    named = {"waxup": "waxup.stl", "antagonist": "jaw.stl", "mask": "mask.ply", "wedge": "w.csv"}
    found = {role: tmp_path / name for role, name in named.items()}
    write_stl(found["waxup"], ball)
    write_stl(found["antagonist"], TriangleMesh(ball.points_mm + [0.0, 0.0, 5.98], ball.faces))
    paint = np.where(ball.points_mm[:, 2] > 1.0, int(Region.CUT), -1)
    found["mask"].write_bytes(painted_ply_bytes(ball.points_mm, ball.faces, paint))
    found["wedge"].write_text(WEDGE, encoding="utf-8")
    return found


def _handed(page: browsing.Page, path: Path) -> str:
    return page.json_of(*page.patient("PUT", f"/api/scans?name={path.name}", path.read_bytes()))


def _ended(page: browsing.Page, number: str) -> Any:
    for _ in browsing.tries():
        found = page.json("GET", f"/api/plans/{number}")
        if found["state"] not in ("waiting", "running"):
            return found
    raise TimeoutError(number)


def test_mask_antagonist_wedge_and_register_give_what_the_command_line_gives(
    files: dict[str, Path], tmp_path: Path
) -> None:
    """Source: the command line on the same files; the same bytes, and the same plan on record."""
    place = str(tmp_path / "register.sqlite")
    Register(place).close()
    with browsing.entered(tmp_path / "bench", "--register", place) as page:
        numbers = {role: _handed(page, path) for role, path in files.items()}
        order = {**numbers, "occlusal": "+z", "buccal": "+y", "off_border_mm": 4.0, "lang": "de"}
        code, _, told = page.patient("POST", "/api/plans", json.dumps({**order, "mask": "f" * 24}))
        assert (code, b"choose it again" in told) == (422, True), told
        two = tmp_path / "two.csv"
        two.write_text("\n".join(WEDGE.splitlines()[:3]), encoding="utf-8")
        short = page.json("POST", "/api/plans", {**order, "wedge": _handed(page, two)})["number"]
        refused = _ended(page, short)
        assert refused["state"] == "refused"
        assert (
            refused["end"]["where"] == "two.csv" and "2 von mindestens 4" in refused["end"]["what"]
        )
        number = page.json("POST", "/api/plans", order)["number"]
        found = _ended(page, number)
        assert found["state"] == "done" and found["register"], found
        assert {"shade.svg", "depth.ply"} <= set(found["files"])
        code, _, told = page.patient("POST", f"/api/plans/{number}/record", '{"who": "Long Name"}')
        assert code == 422, told
        filed = page.json("POST", f"/api/plans/{number}/record", {"who": "AB"})
        job = tmp_path / "bench" / "plans" / number
    (tmp_path / "case.toml").write_text('[frame]\nocclusal = "+z"\nbuccal = "+y"\n')
    words = ["plan", str(files["waxup"]), "--case", str(tmp_path / "case.toml"), "--lang", "de",
             "--off-border", "4", "--out", str(tmp_path / "plan")]  # fmt: skip
    for role in ("mask", "antagonist", "wedge"):
        words += [f"--{role}", str(files[role])]
    CliRunner().invoke(app, words)
    for name in ("target.stl", "depth.ply", "marks.csv", "shade.svg", "depths.svg"):
        assert (tmp_path / "plan" / name).read_bytes() == (job / "check" / name).read_bytes(), name
    document = json.loads((job / "check" / "plan.json").read_text(encoding="utf-8"))
    (contact,) = document["contacts"]
    assert contact["too_near"]  # the pole is 3.0 x acos(1/3) = 3.7 mm of surface from the line
    listed = CliRunner().invoke(app, ["records", "entries", "plan", "--register", place])
    assert "AB" in listed.output, listed.output
    assert filed["told"].split(" as ")[1].split(",")[0] in listed.output, (filed, listed.output)
