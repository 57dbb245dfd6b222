"""Which bridges the veneer trials try, and what each scan adds to them.

Body and scan are drawn apart: the first round tries every body once, later ones try them again
under other noise, poses and with other things in the scan.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from typing import Any

import numpy as np

import scan_programs
from phantom.attached import put_beads, put_sprue, spread
from phantom.scanned import noisy
from veneer_plans import Made, Plan, Runout, Spec, least_space_mm
from veneercheck.core.mesh.triangles import select_faces, vertex_normals
from veneercheck.core.types import Floats, TriangleMesh

BODIES, ROUNDS = 120, 4
MARGINS_MM = (0.0, 0.05, 0.1, 0.2, 0.3)
WIDTHS_MM = (0.3, 0.5, 0.8, 1.0, 1.5)
RUNOUTS = ("shoulder", "chamfer", "knife", "steep")
FAMILIES = (
    *("molar", "pair", "plate", "front", "terrace", "molar", "three", "slot", "premolar", "gap"),
    *("model", "pool", "pair", "four", "groove", "crown"),
)
"""In turn, so that the first bodies hold all of them."""

STRANGE = ("molar", "pair", "front", "premolar", "three", "crown", "model")

EXTRAS = (
    *("", "", "", "sprue uncut", "", "fragment beside", "", "crop framework", "", "sprue cut"),
    *("", "fragment near", "", "beads apart", "", "fragment inside", "", "crop waxup", ""),
    "beads touching",
)
NOISES_MM = ((0.0, 0.0), (0.005, 0.0), (0.01, 0.0), (0.01, 0.2), (0.015, 0.15), (0.02, 0.0))
POSED_EVERY = 5
_BEAD_MM = 0.4
_DEEPEST_MM = 2.05
"""Clear of the greatest layer over its opaquer, 2.2 mm."""

_STEPPED = {"terrace": 0.6, "groove": 0.7}


@dataclasses.dataclass(frozen=True)
class Trial:
    """A body under one scan."""

    name: str
    family: str
    spec: Spec
    seed: int
    noise_mm: float
    noise_length_mm: float
    posed: bool
    extra: str
    kept_share: float = 1.0
    holes: int = 0
    treated: str = ""

    @property
    def words(self) -> str:
        """What the scan adds."""
        kind = f" over {self.noise_length_mm:g} mm" if self.noise_length_mm else ""
        pose = ", posed" if self.posed else ""
        thin = f", thinned to {100 * self.kept_share:.0f} %" if self.kept_share < 1 else ""
        torn = f", {self.holes} holes" if self.holes else ""
        extra = ", " * bool(self.extra) + self.extra + ", " * bool(self.treated) + self.treated
        return f"{1e3 * self.noise_mm:g} µm{kind}{pose}{thin}{torn}{extra}"

    @property
    def foreign(self) -> bool:
        """Whether something is to be put on or beside the framework."""
        return self.extra.startswith(("sprue", "fragment", "beads"))

    @property
    def workable(self) -> bool:
        """Whether a knife can work on it point by point."""
        return not self.extra.startswith(("beads", "sprue"))

    def noisy(self, mesh: TriangleMesh, rng: np.random.Generator) -> TriangleMesh:
        """One more scan of a surface, as the scanner's program writes it."""
        scan = noisy(mesh, self.noise_mm, self.noise_length_mm, rng)
        if self.kept_share < 1:
            scan = _thinned(scan, self.kept_share * float(rng.uniform(0.6, 1.4)))
        return _with_holes(scan, self.holes, rng) if self.holes else scan


def jobs(kind: str) -> Iterator[Trial]:
    """All trials of a kind, `sound`, `strange`, `treated` (sound as well) or `faulty`, always the
    same."""
    if kind == "treated":
        yield from _treated()
        return
    for round_ in range(ROUNDS):
        for number in range(BODIES):
            yield job(kind, number, round_)


def _treated() -> Iterator[Trial]:
    """Sound bodies, each as every scanner's program would leave it."""
    for number in range(BODIES):
        one = job("sound", number)
        for treated in (*scan_programs.BOTH, *scan_programs.FRAMEWORK):
            yield dataclasses.replace(one, name=f"{treated}-{one.name}", treated=treated)


def job(kind: str, number: int, round_: int = 0) -> Trial:
    """One trial: body and scan, each drawn by its number."""
    rng = np.random.default_rng([number, round_, kind == "faulty", 29])
    count = number + round_ * BODIES
    extra = EXTRAS[(number + 7 * round_) % len(EXTRAS)]
    if kind == "faulty":
        extra = extra if extra.startswith("fragment") else ""
    spec = body(kind, number, beads=extra.startswith("beads"))
    noise, length = NOISES_MM[int(rng.integers(len(NOISES_MM)))]
    one = Trial(
        f"{spec.name}-{round_}",
        spec.name.split("-")[2],
        spec,
        1000 * round_ + number,
        noise,
        length,
        count % POSED_EVERY == 3,
        extra,
    )
    return _as_written(one, count) if kind == "strange" else one


def _as_written(one: Trial, count: int) -> Trial:
    """Two of three scans are thinned by their quadric error, one of three has holes."""
    rng = np.random.default_rng([count, 41])
    share = round(float(rng.uniform(0.2, 0.5)), 2) if count % 3 else 1.0
    return dataclasses.replace(one, kept_share=share, holes=3 * (count % 3 == 2))


def _thinned(mesh: TriangleMesh, share: float) -> TriangleMesh:
    import pyvista

    faces = np.column_stack([np.full(len(mesh.faces), 3), mesh.faces]).ravel()
    kept = pyvista.PolyData(mesh.points_mm, faces).decimate(1.0 - share)
    return TriangleMesh(np.asarray(kept.points, np.float64), kept.faces.reshape(-1, 4)[:, 1:])


def _with_holes(mesh: TriangleMesh, count: int, rng: np.random.Generator) -> TriangleMesh:
    middle = mesh.points_mm[mesh.faces].mean(axis=1)
    kept = np.ones(len(middle), dtype=bool)
    for at in rng.integers(len(middle), size=count):
        kept &= np.linalg.norm(middle - middle[at], axis=1) > rng.uniform(0.3, 1.0)
    return select_faces(mesh, kept)[0]


def body(kind: str, number: int, *, beads: bool = False) -> Spec:
    """The plan of a body."""
    rng = np.random.default_rng([number, kind == "faulty", 31])
    family = FAMILIES[number % len(FAMILIES)]
    if kind == "strange":
        family = STRANGE[number % len(STRANGE)]
    if kind == "faulty" and family == "gap":  # between its walls there is no room for a fault
        family = "plate"
    name, form = _form(family, rng)
    if kind == "strange":
        form |= _strange(number)
    margin = MARGINS_MM[(number + number // len(FAMILIES)) % len(MARGINS_MM)]
    beads_mm = 0.5 * _BEAD_MM if beads else 0.0
    spec = Spec(f"{kind}-{number:03d}-{family}", name, form, Runout("knife", 1.0), margin)
    spec = dataclasses.replace(spec, beads_mm=beads_mm, seed=number)
    depth = round(least_space_mm(spec) + margin, 3)
    spec = dataclasses.replace(spec, runout=_runout(family, number, depth, rng))
    if name == "teeth":
        edge = float(rng.choice([0.2, 0.22, 0.26]))
        spec = dataclasses.replace(spec, edges_mm=(edge, round(edge + 0.02, 2)))
    return dataclasses.replace(spec, faults=_faults(family, rng)) if kind == "faulty" else spec


def _runout(family: str, number: int, depth: float, rng: np.random.Generator) -> Runout:
    shape = RUNOUTS[(number + number // len(RUNOUTS)) % len(RUNOUTS)]
    width = float(rng.choice(WIDTHS_MM))
    if shape == "shoulder":
        width = float(rng.choice([0.0, 0.0, 0.3, 0.5]))
    steps: tuple[tuple[float, float], ...] = ()
    if family in _STEPPED:
        at = round(float(rng.uniform(2.2, 3.2)), 2)
        after = round(min(depth + _STEPPED[family], _DEEPEST_MM), 3)
        steps = ((at, after),) if family == "terrace" else ((at, after), (at + 1.6, depth))
    return Runout(shape, depth, width, steps)


_UNITS = {
    "molar": ((36,), (16,), (47,), (26,)),
    "premolar": ((45,), (14,), (34,), (25,)),
    "front": ((11,), (13,), (42,), (33,)),
    "pair": ((45, 46), (11, 21), (15, 16), (36, 37)),
    "three": ((34, 35, 36), (12, 11, 21), (45, 46, 47)),
    "four": ((14, 15, 16, 17), (12, 11, 21, 22)),
    "model": ((35, 36), (46,), (15, 16)),
    "crown": ((46,), (15,), (37,)),
}


def _form(family: str, rng: np.random.Generator) -> tuple[str, dict[str, Any]]:
    """The contour's own family, and its measures."""
    if family not in _UNITS:
        name = {"terrace": "plate", "groove": "plate"}.get(family, family)
        return name, {"radius_mm": round(float(rng.uniform(0.5, 1.6)), 2)}
    units = _UNITS[family][int(rng.integers(len(_UNITS[family])))]

    def between(low: float, high: float) -> float:
        return round(float(rng.uniform(low, high)), 2)

    form: dict[str, Any] = {
        "units": units,
        "pontics": units[1:-1],
        "slope": between(1.0, 2.0),
        "fissure_mm": float(rng.choice([0.0, 0.5, 0.8, 1.0])),
        "groove_mm": between(0.2, 0.8),
        "bulge": between(0.0, 0.12),
        "embrasure_mm": float(rng.choice([0.3, 0.3, 0.5, 0.8])),
        "connector": (between(1.5, 2.4), between(1.4, 2.2)),
        "clear_mm": between(0.1, 0.5),
        "collar_mm": between(0.2, 0.6),
        "border_mm": None if family == "crown" or rng.random() < 0.25 else between(2.5, 6.0),
    }
    form["base"] = family == "model"
    form["floor"] = bool(rng.random() < 0.4)
    return "teeth", form


def _strange(number: int) -> dict[str, Any]:
    """What hands and programs leave: carved unevenly, leaning, deeply folded, moved triangles."""
    rng = np.random.default_rng([number, 37])
    return {
        "slope": round(float(rng.uniform(0.9, 1.6)), 2),
        "fissure_mm": float(rng.choice([0.3, 0.6, 0.9])),
        "rough_mm": float(rng.choice([0.0, 0.02, 0.04, 0.07])),
        "rough_seed": number,
        "lean": round(float(rng.uniform(-0.3, 0.3)), 2),
        "moved": bool(rng.random() < 0.5),
    }


def _faults(family: str, rng: np.random.Generator) -> tuple[Plan, ...]:
    kinds = ["too_thin", "too_thick", "over_contour"]
    count = 1 if family in ("premolar", "front", "slot", "pool", "gap", "groove") else 2
    chosen = rng.permutation(kinds)[: int(rng.integers(1, count + 1))]
    plans = []
    for kind in chosen:
        most = {"too_thin": 10.0, "too_thick": 3.0, "over_contour": 4.0}[str(kind)]
        area = round(float(np.exp(rng.uniform(np.log(0.5), np.log(most)))), 2)
        plans.append(Plan(str(kind), round(float(rng.uniform(0.1, 0.8)), 2), area))
    return tuple(plans)


def scans(
    made: Made, one: Trial, rng: np.random.Generator
) -> tuple[TriangleMesh, TriangleMesh, TriangleMesh]:
    """The framework with what the scan adds, without and with noise, and the wax-up's scan."""
    clean, waxup = made.framework, made.waxup
    kind, _, how = one.extra.partition(" ")
    if kind == "sprue":
        clean = _with_sprue(made, clean, how, rng)
    if kind == "fragment":
        clean = _with_fragment(made, clean, how, rng)
    if kind == "beads":
        clean = _with_beads(made, clean, how, rng)
    if kind == "crop":
        far = made.framework.points_mm.max(axis=0)[0] - rng.uniform(0.5, 2.5)
        clean, waxup = (
            _cropped(mesh, far) if name == how else mesh
            for mesh, name in ((clean, "framework"), (waxup, "waxup"))
        )
    framework, waxup = one.noisy(clean, rng), one.noisy(waxup, rng)
    if one.treated:
        both = scan_programs.BOTH.get(one.treated)
        alone = scan_programs.FRAMEWORK.get(one.treated)
        framework = (both or alone)(framework, rng)
        waxup = waxup if both is None else both(waxup, rng)
    return clean, framework, waxup


def _cropped(mesh: TriangleMesh, far_mm: float) -> TriangleMesh:
    middle = mesh.points_mm[mesh.faces].mean(axis=1)
    return select_faces(mesh, middle[:, 0] + 0.1 * middle[:, 1] < far_mm)[0]


def _seat(made: Made, mesh: TriangleMesh, *, cut: bool, rng: np.random.Generator) -> int | None:
    """A vertex on the cut or uncut surface, as clear of the finish line as there is."""
    _, way, _ = made.at(mesh.points_mm)
    # Nothing is waxed on under the bridge.
    upward = vertex_normals(mesh)[:, 2] > -0.3
    clear = np.where(upward, way if cut else -way, -np.inf)
    best = np.flatnonzero(clear > min(2.2, np.quantile(clear, 0.98)))
    # A sprue does not run through another wall: what stands straight over a seat is free.
    ways = vertex_normals(mesh)[best]
    free = np.ones(len(best), dtype=bool)
    for out in np.arange(2.2, 7.5, 0.4):
        free &= made.outside(mesh.points_mm[best] + out * ways)
    return int(rng.choice(best[free])) if free.any() else None


def _with_sprue(made: Made, mesh: TriangleMesh, how: str, rng: np.random.Generator) -> TriangleMesh:
    seat = _seat(made, mesh, cut=how == "cut", rng=rng)
    if seat is None:
        return mesh
    way = vertex_normals(mesh)[seat]
    return put_sprue(
        mesh,
        mesh.points_mm[seat],
        way,
        diameter_mm=float(rng.uniform(1.8, 3.0)),
        length_mm=float(rng.uniform(4.0, 7.0)),
    )[0]


def _with_fragment(
    made: Made, mesh: TriangleMesh, how: str, rng: np.random.Generator
) -> TriangleMesh:
    """A crumb beside the bridge, close over its contour, or afloat in the room for the veneer."""
    from veneercheck.phantom.bodies import concentric_spheres

    seat = _seat(made, mesh, cut=True, rng=rng)
    if seat is None:
        return mesh
    depth, _, foot = (part[0] for part in made.at(mesh.points_mm[[seat]]))
    away = {"beside": -4.0, "near": -0.8, "inside": 0.5 * float(depth)}[how]
    radius = {"beside": 0.5, "near": 0.45, "inside": 0.25}[how]
    way = (mesh.points_mm[seat] - foot) / max(float(depth), 1e-6)
    ball = concentric_spheres(0.15, radius, 2.0 * radius).inner
    crumb = ball.points_mm * rng.uniform(0.8, 1.2, size=3) + foot + away * way
    faces = np.concatenate([mesh.faces, ball.faces + len(mesh.points_mm)])
    return TriangleMesh(np.concatenate([mesh.points_mm, crumb]), faces)


def _with_beads(made: Made, mesh: TriangleMesh, how: str, rng: np.random.Generator) -> TriangleMesh:
    _, way, _ = made.at(mesh.points_mm)
    chosen = way > made.spec.runout.reach_mm + 0.6
    apart = 1.0 if how == "apart" else 0.75 * _BEAD_MM
    seats = spread(mesh.points_mm, chosen, apart, rng)
    if how == "touching":  # groups of two and three, not a carpet
        seats = _in_groups(mesh.points_mm, seats, rng)
    return put_beads(mesh, seats, diameter_mm=_BEAD_MM).mesh


def _in_groups(points: Floats, seats, rng: np.random.Generator):
    middles = points[seats[spread(points[seats], np.ones(len(seats), bool), 1.6, rng)]]
    away = np.linalg.norm(points[seats][:, None] - middles[None], axis=2).min(axis=1)
    return seats[away < 1.2 * _BEAD_MM]
