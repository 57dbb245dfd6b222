"""A case as HL7 FHIR: a DiagnosticReport with an Observation for each zone.

Only what R4 and R5 have in common is used, so that one document serves both.

Notes
-----
One FHIR document for R4 and R5. The two differ little where we write. Choice: only what they share;
no coded terms but UCUM and the interpretation, since no published code for a layer of veneering
composite is known to us; numbers rounded to a micrometre, since in FHIR every digit claims to be
known. Instead of: a form for each. Cost: nothing that is new in R5; R4 as such is read by
`fhirclient` alone, `fhir.resources` has R4B.
"""

from __future__ import annotations

import base64
import uuid
from collections.abc import Iterable, Mapping
from typing import Any

from veneercheck.core.types import BEADS
from veneercheck.record.nameless import identifier as as_identifier
from veneercheck.record.register import Entry, standing

_SPACE = "urn:veneercheck:"
_UCUM = "http://unitsofmeasure.org"
_INTERPRETATION = "http://terminology.hl7.org/CodeSystem/v3-ObservationInterpretation"

_FINAL = "accepted"
"""The decision of a person that makes a report final; until then it is preliminary."""

_MM_DIGITS, _MM2_DIGITS = 3, 1
"""In FHIR every digit of a decimal claims to be known; `result.json` keeps them all."""

_CODES = {"too_thin": ("L", "Low"), "too_thick": ("H", "High"), "over_contour": ("L", "Low")}
"""How a reading lies to the limit that it was judged by."""

_READINGS = {
    "too_thin": "Layer of veneering composite, least",
    "too_thick": "Layer of veneering composite, greatest",
    "over_contour": "Space from framework to contour, least",
}
_BEADS_READING = "Cover over the tops of retention beads, least"

_VERDICTS = {
    "no findings": "No findings.",
    "findings": "At least one firm finding.",
    "undecided": "Undecided.",
}
_CAUTION = (
    "An aid, not a release: instructions for use and local rules first; "
    "the decision lies with the licensed person."
)

Resource = dict[str, Any]


def fhir_bundle(
    check: Entry, decisions: Iterable[Entry], pdf: bytes | None, patient_id: str | None
) -> Resource:
    """The check as a FHIR Bundle: the report first, then its observations.

    Parameters
    ----------
    check : Entry
    decisions : iterable of Entry
        The decisions on it, the oldest first.
    pdf : bytes, optional
        The printed report, carried within.
    patient_id : str, optional
        The identifier to write; without it, the case number.

    Returns
    -------
    dict
        Valid in R4 and in R5; the same record gives the same document.
    """
    some = list(decisions)
    result, taken = check.body["result"], [entry.body for entry in some]
    holds = [entry.body["what"] for entry in standing(some)]
    told = {
        "status": "final" if holds and holds[-1] == _FINAL else "preliminary",
        **_subject(result["case"]["number"] if patient_id is None else patient_id),
        "effectiveDateTime": result["checked_at_utc"],
    }
    zones = [(_address(check, f"zone {zone['id']}"), zone) for zone in result["zones"]]
    report = _report(check, told, [address for address, _ in zones], taken)
    if pdf is not None:
        data = base64.b64encode(pdf).decode("ascii")
        report["presentedForm"] = [{"contentType": "application/pdf", "data": data}]
    entries = [
        (_address(check, "report"), report),
        *((address, _observation(check, told, zone)) for address, zone in zones),
    ]
    return {
        "resourceType": "Bundle",
        "type": "collection",
        "identifier": {"system": f"{_SPACE}check", "value": check.key},
        "timestamp": result["checked_at_utc"],
        "entry": [{"fullUrl": address, "resource": one} for address, one in entries],
    }


def _report(
    check: Entry, told: Mapping[str, Any], results: list[str], decisions: list[Mapping[str, Any]]
) -> Resource:
    result = check.body["result"]
    words = [_VERDICTS[result["verdict"]]]
    words += [f"Alignment {result['alignment']['state']}."]
    words += [f"Decided by {d['who']}: {d['what']}. {d['why']}".strip() for d in decisions]
    found: Resource = {
        "resourceType": "DiagnosticReport",
        "identifier": [{"system": f"{_SPACE}check", "value": check.key}],
        **told,
        "code": {"text": "Room for veneering composite between framework and wax-up"},
        "issued": result["checked_at_utc"],
        "conclusion": " ".join([*words, _CAUTION]),
    }
    if check.body["who"]:
        found["performer"] = [{"display": check.body["who"]}]
    if results:
        found["result"] = [{"reference": address} for address in results]
    return found


def _observation(check: Entry, told: Mapping[str, Any], zone: Mapping[str, Any]) -> Resource:
    result, beads = check.body["result"], zone["about"] == BEADS
    bound = "high" if zone["finding"] == "too_thick" else "low"
    program = result["program"]
    found: Resource = {
        "resourceType": "Observation",
        "identifier": [{"system": f"{_SPACE}check", "value": f"{check.key}/{zone['id']}"}],
        **told,
        "code": {"text": _BEADS_READING if beads else _READINGS[zone["finding"]]},
        "valueQuantity": _mm(zone["extreme_mm"]),
        "interpretation": [_interpretation(zone)],
        "method": {"text": f"{program['name']} {program['version']}"},
        "component": [
            _component("Standard uncertainty of the reading", _mm(zone["u_mm"])),
            _component("Area of the zone", _mm2(zone["area_mm2"])),
        ],
        "note": [{"text": zone["action"]}] if zone["action"] else [],
    }
    if zone["limit_mm"] is not None:
        told_limit = f"limit of profile {result['profile']['name']}"
        limit = {bound: _mm(zone["limit_mm"]), "text": told_limit}
        found["referenceRange"] = [limit]
    place = zone["place"] or " ".join(one for one in (zone["tooth"], zone["surface"]) if one)
    if place:
        found["bodySite"] = {"text": place}
    return {name: value for name, value in found.items() if value != []}


def _interpretation(zone: Mapping[str, Any]) -> Resource:
    code, display = _CODES[zone["finding"]]
    if zone["decision"] != "firm":
        code, display = "IND", "Indeterminate"
    words = f"{zone['finding'].replace('_', ' ')}, {zone['decision']}"
    coding = {"system": _INTERPRETATION, "code": code, "display": display}
    return {"coding": [coding], "text": words}


def _component(words: str, quantity: Resource) -> Resource:
    return {"code": {"text": words}, "valueQuantity": quantity}


def _mm(value: float) -> Resource:
    return _quantity(round(value, _MM_DIGITS), "mm", "mm")


def _mm2(value: float) -> Resource:
    return _quantity(round(value, _MM2_DIGITS), "mm²", "mm2")


def _quantity(value: float, unit: str, code: str) -> Resource:
    return {"value": value, "unit": unit, "system": _UCUM, "code": code}


def _subject(identifier: str | None) -> Resource:
    """Whom it is about, by an identifier alone."""
    if identifier is None:
        return {}
    value = as_identifier(identifier)
    return {"subject": {"identifier": {"system": f"{_SPACE}case", "value": value}}}


def _address(check: Entry, what: str) -> str:
    return uuid.uuid5(uuid.NAMESPACE_URL, f"{_SPACE}{check.key}/{what}").urn
