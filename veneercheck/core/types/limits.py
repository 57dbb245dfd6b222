"""The limits: one table, from which profiles, results, their schema, page and report are made.

A field of `Limits` that has a key stands under it in a profile («allowance.opaquer_mm» is
`opaquer_mm` in `[allowance]`) and in the catalogues, which say in words what it is.

Notes
-----
One table of limits, flat in the code and nested in the file. A limit stood in nine places. Choice:
each field of `core/types/limits.Limits` carries its key, built-in value and source; profile,
result, schema, page and report walk that table, and the catalogues name each key once a language.
Instead of: a dataclass for each section, which lengthens every use in the core and changes the keys
of filed orders. Cost: a field and its key may differ in name.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Mapping
from typing import Any

PRACTICE = "common practice, no source"
ESTIMATE = "our estimate, until the laboratory has measured its own"


@dataclasses.dataclass(frozen=True, slots=True)
class Limit:
    """One row of the table; its unit stands at the end of its key."""

    key: str
    standard: float
    source: str
    above_zero: bool


def _limit(key: str, standard: float, source: str, *, above_zero: bool = False) -> Any:
    return dataclasses.field(
        default=standard, metadata={"limit": Limit(key, standard, source, above_zero)}
    )


@dataclasses.dataclass(frozen=True, slots=True)
class LayerLimits:
    """Least and greatest composite over the opaquer, in mm."""

    least_mm: float = _limit("layer.least_mm", 1.0, f"{PRACTICE}; read as net of opaquer and beads")
    greatest_mm: float = _limit(
        "layer.greatest_mm", 2.0, f"{PRACTICE}; borrowed from metal-ceramics"
    )


WAX, CAST = "wax", "cast"
"""The first two stages of the work: the cut-back pattern, and its casting."""

OPAQUED, DENTINE, FINISHED = "opaqued", "dentine", "finished"
COVERED = (OPAQUED, DENTINE)
"""Stages at which a scan of the framework shows what was built on the metal, not the metal."""


@dataclasses.dataclass(frozen=True, slots=True)
class StageLimits:
    """What differs at one stage of the work, lengths in mm; None: as at the others.

    Parameters
    ----------
    least_mm, greatest_mm : float, optional
        Limits of what is still to be layered.
    opaquer_mm, beads_mm : float, optional
        What is still to be taken off the space.
    finishing_mm : float
        What finishing and blasting took off everywhere, so that nothing is quite uncut.
    """

    least_mm: float | None = None
    greatest_mm: float | None = None
    opaquer_mm: float | None = None
    beads_mm: float | None = None
    finishing_mm: float = 0.0


@dataclasses.dataclass(frozen=True, slots=True)
class Limits:
    """The profile: every limit and allowance the judgement uses, lengths in mm."""

    name: str
    layer: LayerLimits = LayerLimits()
    opaquer_mm: float = _limit(
        "allowance.opaquer_mm", 0.2, f"{PRACTICE}: two coats together 0.1–0.3 mm"
    )
    opaquer_u_mm: float = _limit("allowance.opaquer_u_mm", 0.03, ESTIMATE)
    beads_mm: float = _limit(
        "allowance.beads_mm", 0.0, f"{PRACTICE}: half the bead's diameter where beads are used"
    )
    finish_line_width_mm: float = _limit("finish_line.width_mm", 0.8, PRACTICE, above_zero=True)
    trueness_u_mm: float = _limit("scan.trueness_u_mm", 0.01, ESTIMATE)
    seating_u_mm: float = _limit("scan.seating_u_mm", 0.03, ESTIMATE)
    smallest_zone_mm2: float = _limit("zone.smallest_mm2", 0.25, ESTIMATE, above_zero=True)
    narrowest_zone_mm: float = _limit("zone.narrowest_mm", 0.4, ESTIMATE)
    metal_least_mm: float = _limit(
        "metal.least_mm", 0.5, f"{PRACTICE}: retainers of bridges; single crowns 0.3 mm"
    )
    bead_cover_mm: float = _limit("beads.least_cover_mm", 0.8, ESTIMATE)
    connector_least_mm2: float = _limit(
        "connector.least_mm2", 6.0, f"{PRACTICE}: posterior, three units; longer spans need more"
    )
    connector_advice_mm2: float = _limit(
        "connector.advice_mm2", 9.0, f"{PRACTICE}: posterior, three units; longer spans need more"
    )
    edge_radius_mm: float = _limit("edge.least_radius_mm", 0.2, ESTIMATE)
    increment_mm: float = _limit(
        "curing.increment_mm",
        2.0,
        "Oper Dent 2008;33:408: less in dark or opaque shades",
        above_zero=True,
    )
    finishing_mm: float = 0.0
    """What finishing took off everywhere at this stage; `metal_to_come_mm`: what it still will."""
    metal_to_come_mm: float = 0.0
    density_g_cm3: float | None = None
    """Of the composite; without it no mass is told. No limit: nothing is judged by it."""
    calibration_needed: bool = False
    """On record, a check without a valid calibration of its scanner is at most undecided."""
    stages: Mapping[str, StageLimits] = dataclasses.field(default_factory=dict)
    surfaces: Mapping[str, LayerLimits] = dataclasses.field(default_factory=dict)
    certainty: Mapping[str, str] = dataclasses.field(default_factory=dict)
    """Where each value comes from, by key."""

    @classmethod
    def of(cls, name: str, value: Mapping[str, float], **others: Any) -> Limits:
        """The limits whose values are given by key."""
        layer = LayerLimits(*(value[row.key] for _, row in _rows(LayerLimits)))
        own: dict[str, Any] = {field: value[row.key] for field, row in _rows(cls)}
        return cls(name, layer, **own, **others)

    def values(self) -> dict[str, float]:
        """Every value of the table, by key, in the table's order."""
        holders = (self.layer, self)
        return {
            row.key: getattr(holder, field) for holder in holders for field, row in _rows(holder)
        }

    @property
    def taken_mm(self) -> float:
        """What opaquer and beads take of the space."""
        return self.opaquer_mm + self.beads_mm

    @property
    def least_metal_mm(self) -> float:
        """Least metal at this stage, with what finishing is still to take."""
        return self.metal_least_mm + self.metal_to_come_mm

    def at(self, stage: str) -> Limits:
        """The limits in force at a stage of the work.

        A stage with limits of its own is about another layer: the surfaces' own are left out.
        In wax, what finishing will take off the cast is still to be there.
        """
        here = self
        if stage == WAX and CAST in self.stages:
            here = dataclasses.replace(self, metal_to_come_mm=self.stages[CAST].finishing_mm)
        own = self.stages.get(stage)
        if own is None:
            return here
        least = self.layer.least_mm if own.least_mm is None else own.least_mm
        greatest = self.layer.greatest_mm if own.greatest_mm is None else own.greatest_mm
        opaquer = self.opaquer_mm if own.opaquer_mm is None else own.opaquer_mm
        another = own.least_mm is not None or own.greatest_mm is not None
        return dataclasses.replace(
            here,
            layer=LayerLimits(least, greatest),
            opaquer_mm=opaquer,
            opaquer_u_mm=self.opaquer_u_mm if opaquer > 0 else 0.0,
            beads_mm=self.beads_mm if own.beads_mm is None else own.beads_mm,
            finishing_mm=own.finishing_mm,
            surfaces={} if another else self.surfaces,
        )


def _rows(kind: Any) -> Iterator[tuple[str, Limit]]:
    for field in dataclasses.fields(kind):
        if "limit" in field.metadata:
            yield field.name, field.metadata["limit"]


LIMITS: Mapping[str, Limit] = {
    row.key: row for kind in (LayerLimits, Limits) for _, row in _rows(kind)
}
"""Every limit of a profile by its key, with its built-in value and where that comes from."""


def by_section(values: Mapping[str, Any]) -> dict[str, dict[str, Any]]:
    """Values by key, nested as in a profile's file: «allowance.opaquer_mm» into «allowance»."""
    found: dict[str, dict[str, Any]] = {}
    for key, value in values.items():
        section, field = key.split(".")
        found.setdefault(section, {})[field] = value
    return found
