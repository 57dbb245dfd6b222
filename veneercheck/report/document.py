"""The outcome as one JSON document: what every face of the report is rendered from."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from datetime import UTC
from typing import Any

import numpy as np

from veneercheck.core.types import (
    Alignment,
    Case,
    Check,
    Connector,
    Decision,
    Fault,
    FindingKind,
    Frame,
    Limits,
    Material,
    Outcome,
    Question,
    Recheck,
    ScanSource,
    Spot,
    Statistics,
    Structure,
    Values,
    Zone,
    by_section,
)

SCHEMA_ID = "veneercheck result 3"
"""Names the meaning of the fields; the number rises when a field changes its meaning."""

_AXES = {"x": 0, "y": 1, "z": 2}


def document(outcome: Outcome) -> dict[str, Any]:
    """Describe an outcome in the fields of `result.json`.

    Unknown values are None, never 0; lengths are mm, areas mm², shares 0…1.

    Parameters
    ----------
    outcome : Outcome

    Returns
    -------
    dict
        Ready for `json.dumps(..., allow_nan=False)`.
    """
    check = outcome.check
    return {
        "schema": SCHEMA_ID,
        "program": {"name": "veneercheck", "version": outcome.version},
        "checked_at_utc": outcome.checked_at.astimezone(UTC).isoformat(timespec="seconds"),
        "case": _case(check.case, check.frame),
        "scans": {"framework": _scan(outcome.framework), "waxup": _scan(outcome.waxup)},
        "profile": _profile(check.limits),
        "alignment": _alignment(check.alignment),
        "space": _reading(check, check.space_statistics),
        "layer": _reading(check, check.layer_statistics),
        "zones": [_zone(zone) for zone in check.zones],
        "questions": [_question(question) for question in check.questions],
        "recheck": _recheck(outcome.recheck),
        "structure": _structure(check.structure),
        "sections": [dataclasses.asdict(one) for one in check.structure.sections],
        "beads": None if check.beads is None else dataclasses.asdict(check.beads),
        "remarks": [_fault(remark) for remark in (*outcome.remarks, *check.told)],
        "verdict": check.verdict.value,
    }


def number(value: float) -> float | None:
    """A float for JSON: None where it is not a finite number."""
    value = float(value)
    return value if math.isfinite(value) else None


def axis_direction(axis: str | None) -> list[float] | None:
    """Turn an axis such as "+z" or "-x" into a unit vector; None stays None.

    Examples
    --------
    >>> axis_direction("-x")
    [-1.0, 0.0, 0.0]
    """
    if not axis or axis[-1].lower() not in _AXES:
        return None
    direction = [0.0, 0.0, 0.0]
    direction[_AXES[axis[-1].lower()]] = -1.0 if axis[0] == "-" else 1.0
    return direction


def _case(case: Case, frame: Frame) -> dict[str, Any]:
    occlusal = frame.occlusal or axis_direction(case.occlusal)
    buccal = frame.buccal or axis_direction(case.buccal)
    return {
        "number": case.number,
        "units": list(case.units),
        "pontics": list(case.pontics),
        "stage": case.stage,
        "frame": {
            "occlusal": None if occlusal is None else list(occlusal),
            "buccal": None if buccal is None else list(buccal),
            "guessed": frame.guessed and (case.occlusal is None or case.buccal is None),
            "words": list(frame.words),
            "sides_known": frame.sides_known,
            "certainty": number(frame.certainty),
        },
        "veneered": list(case.veneered),
        "veneered_units": {str(unit): list(own) for unit, own in case.veneered_units.items()},
        "metal_stops": case.metal_stops,
        "notes": case.notes,
        "alloy": case.alloy,
        "composite": case.composite,
        "shade": case.shade,
        "lots": dict(case.lots),
        "scanner_checked": case.scanner_checked,
    }


def _scan(scan: ScanSource) -> dict[str, Any]:
    return {
        "file": scan.file,
        "sha256": scan.sha256,
        "unit": scan.unit,
        "triangles": scan.triangles,
        "area_mm2": number(scan.area_mm2),
        "faults": [_fault(fault) for fault in scan.faults],
    }


def _fault(fault: Fault) -> dict[str, Any]:
    return {
        "kind": fault.kind,
        "count": fault.count,
        "words": fault.words,
        "code": fault.code or fault.kind,
        "values": {"count": fault.count, **_values(fault.values)},
        "centre_mm": _place(fault.centre_mm),
    }


def _values(values: Values) -> dict[str, Any]:
    return {
        name: value if isinstance(value, str) else number(value) for name, value in values.items()
    }


def _profile(limits: Limits) -> dict[str, Any]:
    sections = by_section({**limits.values(), "metal.to_come_mm": limits.metal_to_come_mm})
    return {
        "name": limits.name,
        **sections,
        "finishing_mm": limits.finishing_mm,
        "surfaces": {name: dataclasses.asdict(own) for name, own in limits.surfaces.items()},
        "certainty": dict(limits.certainty),
    }


def _alignment(alignment: Alignment) -> dict[str, Any]:
    return {
        "waxup_from_framework": alignment.waxup_from_framework.matrix().tolist(),
        "rms_mm": number(alignment.rms_mm),
        "reference_area_mm2": number(alignment.reference_area_mm2),
        "reference_share": number(alignment.reference_share),
        "u_max_mm": number(alignment.u_max_mm),
        "state": alignment.state.value,
        "weakest": alignment.weakest,
        "noise_mm": number(alignment.noise_mm),
        "stopped": alignment.stopped,
        "reasons": [reason.words for reason in alignment.reasons],
        "coded": [
            {"code": reason.code, "values": _values(reason.values)} for reason in alignment.reasons
        ],
        "evidence": {
            name: number(value) for name, value in dataclasses.asdict(alignment.evidence).items()
        },
    }


def _reading(check: Check, statistics: Statistics) -> dict[str, Any]:
    figures: Mapping[str, float] = dataclasses.asdict(statistics)
    return {
        "veneered_area_mm2": number(check.veneered_area_mm2),
        "measured_share": number(check.measured_share),
        **{name: number(value) for name, value in figures.items()},
    }


def _zone(zone: Zone) -> dict[str, Any]:
    return {
        "id": zone.id,
        "finding": zone.finding.word,
        "decision": zone.decision.value,
        "area_mm2": number(zone.area_mm2),
        "extreme_mm": number(zone.extreme_mm),
        "u_mm": number(zone.u_mm),
        "centre_mm": _place(zone.centre_mm),
        "tooth": zone.tooth,
        "surface": zone.surface,
        "place": zone.place,
        "about": zone.about,
        "limit_mm": number(zone.limit_mm),
        "typical_mm": number(zone.typical_mm),
        "amount_mm": number(zone.amount_mm),
        "volume_mm3": number(zone.volume_mm3),
        "functional": zone.functional,
        "measured_share": number(zone.measured_share),
        "metal_mm": number(zone.metal_mm),
        "metal_left_mm": number(zone.metal_left_mm),
        "across_mm": number(zone.across_mm),
        "action": zone.action,
    }


def zones_of(document: Mapping[str, Any]) -> tuple[Zone, ...]:
    """The zones of a filed result, as the check knew them."""
    return tuple(
        Zone(
            id=zone["id"],
            finding=FindingKind[zone["finding"].upper()],
            decision=Decision(zone["decision"]),
            area_mm2=zone["area_mm2"],
            extreme_mm=zone["extreme_mm"],
            u_mm=zone["u_mm"],
            centre_mm=tuple(zone["centre_mm"]),
            tooth=zone["tooth"],
            surface=zone["surface"],
            action=zone["action"],
            place=zone["place"],
            about=zone["about"],
            limit_mm=zone["limit_mm"],
        )
        for zone in document["zones"]
    )


def _recheck(recheck: Recheck | None) -> dict[str, Any] | None:
    if recheck is None:
        return None
    off = recheck.taken_off_mm[np.isfinite(recheck.taken_off_mm)]
    return {
        "earlier_sha256": recheck.earlier,
        "corrected": [
            {
                "id": gone.id,
                "finding": gone.finding.word,
                "place": gone.place,
                "area_mm2": number(gone.area_mm2),
                "extreme_mm": number(gone.extreme_mm),
            }
            for gone in recheck.corrected
        ],
        "zones": [{"id": zone, "trend": trend.value} for zone, trend in recheck.trends],
        "taken_off_mm": number(off.max()) if len(off) else None,
        "added_mm": number(-off.min()) if len(off) else None,
    }


def _structure(structure: Structure) -> dict[str, Any]:
    def described(one: Connector | Spot | Material) -> dict[str, Any]:
        fields: Mapping[str, Any] = dataclasses.asdict(one)
        return {
            name: number(value) if isinstance(value, float) else value
            for name, value in fields.items()
        }

    return {
        "connectors": [described(one) for one in structure.connectors],
        "spots": [described(one) for one in structure.spots],
        "material": [described(one) for one in structure.material],
    }


def _question(question: Question) -> dict[str, Any]:
    return {
        "kind": question.kind,
        "area_mm2": number(question.area_mm2),
        "centre_mm": _place(question.centre_mm),
        "words": question.words,
        "place": question.place,
    }


def _place(centre_mm: tuple[float, float, float] | None) -> list[float | None] | None:
    return None if centre_mm is None else [number(value) for value in centre_mm]
