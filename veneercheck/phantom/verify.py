"""Measure bodies with known answers on this machine: trueness and precision, told apart."""

from __future__ import annotations

import dataclasses
import math
import platform
from collections.abc import Callable
from typing import Any

import numpy as np

from veneercheck.core.align import given
from veneercheck.core.errors import Told
from veneercheck.core.measure.space import measure
from veneercheck.core.mesh.motion import rotation_from_vector
from veneercheck.core.mesh.rays import default_engine
from veneercheck.core.types import Floats, LayerLimits, Limits, RigidMotion, TriangleMesh
from veneercheck.phantom.bodies import KnownBody, known_bodies

_EDGE_MM = 0.2
"""As coarse as a laboratory's scan: its own faceting stays below a few hundredths of a mm."""

_REPEATS = 5
_SEED = 12836
_FARTHEST_MM = 50.0
"""Every repeat lies elsewhere in space, turned at random: a body's answer must not care."""

_EXACT = Limits("exact", LayerLimits(0.0, 1.0), 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.25)
"""No allowance and no stated uncertainty: the bodies are judged against their formulas."""


@dataclasses.dataclass(frozen=True, slots=True)
class BodyResult:
    """One body: trueness is the mean minus the reference, precision the spread of repeats.

    Parameters
    ----------
    name : str
    reference_mm : float
        Mean of the formula over the body.
    trueness_mm : float
        Mean reading minus the formula (ISO 5725-1, from memory).
    precision_mm : float
        Standard deviation of one vertex's readings over the repeats, pooled.
    worst_mm : float
        Largest single departure from the formula.
    allowed_mm : float
        Bound that the body's own facets set, derived from their size.
    measured_share : float
    """

    name: str
    reference_mm: float
    trueness_mm: float
    precision_mm: float
    worst_mm: float
    allowed_mm: float
    measured_share: float

    @property
    def holds(self) -> bool:
        """Whether every vertex was measured and lies within the bound."""
        return self.measured_share == 1.0 and self.worst_mm <= self.allowed_mm


@dataclasses.dataclass(frozen=True, slots=True)
class Verification:
    """All bodies, and where they were measured."""

    bodies: tuple[BodyResult, ...]
    repeats: int
    engine: str
    machine: str

    @property
    def holds(self) -> bool:
        """Whether every body holds."""
        return all(body.holds for body in self.bodies)

    def as_dict(self) -> dict[str, Any]:
        """The figures for filing; lengths in mm."""
        bodies = [dataclasses.asdict(body) | {"holds": body.holds} for body in self.bodies]
        return {
            "holds": self.holds,
            "repeats": self.repeats,
            "engine": self.engine,
            "machine": self.machine,
            "bodies": bodies,
        }


def verify(say: Callable[[str], None]) -> Verification:
    """Measure every known body several times, each time lying elsewhere.

    Parameters
    ----------
    say : callable
        Told the name of each body.

    Returns
    -------
    Verification
    """
    rng = np.random.default_rng(_SEED)
    results = []
    for body in known_bodies(_EDGE_MM):
        say(Told(body.name))
        results.append(_result(body, rng))
    machine = f"{platform.system()} {platform.machine()}, Python {platform.python_version()}"
    return Verification(tuple(results), _REPEATS, default_engine(), machine)


def _result(body: KnownBody, rng: np.random.Generator) -> BodyResult:
    inside = body.interior
    reference = body.space_mm[inside]
    readings = np.stack([_read(body, _pose(rng))[inside] for _ in range(_REPEATS)])
    error = readings - reference
    known = np.isfinite(error)
    return BodyResult(
        name=body.name,
        reference_mm=float(reference.mean()),
        trueness_mm=float(error[known].mean()) if known.any() else math.nan,
        precision_mm=float(np.sqrt(np.mean(np.var(readings, axis=0, ddof=1)))),
        worst_mm=float(np.abs(error[known]).max()) if known.any() else math.nan,
        allowed_mm=body.faceting_mm,
        measured_share=float(known.mean()),
    )


def _pose(rng: np.random.Generator) -> RigidMotion:
    turn = rotation_from_vector(rng.normal(size=3))
    return RigidMotion(turn, rng.uniform(-_FARTHEST_MM, _FARTHEST_MM, size=3))


def _read(body: KnownBody, pose: RigidMotion) -> Floats:
    inner = TriangleMesh(pose.apply(body.inner.points_mm), body.inner.faces)
    outer = TriangleMesh(pose.apply(body.outer.points_mm), body.outer.faces)
    return measure(inner, outer, alignment=given(inner, outer), limits=_EXACT).space.space_mm


def words(result: Verification) -> list[str]:
    """The figures as a table, in micrometres, trueness and precision in columns of their own."""
    head = Told(
        "{body:<22}{reference:>11}{trueness:>11}{precision:>11}{worst:>9}{allowed:>9}",
        body=Told("body"),
        reference=Told("reference"),
        trueness=Told("trueness"),
        precision=Told("precision"),
        worst=Told("worst"),
        allowed=Told("allowed"),
    )
    unit = f"{'':<22}{'mm':>11}{'µm':>11}{'µm':>11}{'µm':>9}{'µm':>9}"
    rows = [
        Told(
            "{body:<22}{reference:>11.4f}{trueness:>+11.4f}{precision:>11.4f}{worst:>9.4f}"
            "{allowed:>9.4f}  {holds}",
            body=Told(body.name),
            reference=body.reference_mm,
            trueness=1e3 * body.trueness_mm,
            precision=1e3 * body.precision_mm,
            worst=1e3 * body.worst_mm,
            allowed=1e3 * body.allowed_mm,
            holds=Told("holds") if body.holds else Told("DOES NOT HOLD"),
        )
        for body in result.bodies
    ]
    end = Told(
        "{repeats} repeats in random poses, ray engine {engine}, {machine}. Allowed is what the "
        "bodies' own facets explain. Scanner and model are not tested by this.",
        repeats=result.repeats,
        engine=result.engine,
        machine=result.machine,
    )
    return [head, unit, *rows, "", end]
