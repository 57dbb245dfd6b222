"""`result.json`: every field once, with where it comes from, what it is and how it is written.

The document and its JSON Schema are both made from the table below.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from datetime import UTC
from typing import Any

from veneercheck.core.types import (
    LIMITS,
    AlignmentState,
    Check,
    Decision,
    FindingKind,
    Frame,
    Limits,
    Outcome,
    Verdict,
    Zone,
    by_section,
    unit_way,
)
from veneercheck.report.fields import (
    Field,
    Schema,
    at,
    constant,
    flag,
    group,
    length,
    listed,
    named,
    number,
    one_of,
    or_null,
    page,
    plain,
    text,
    text_or_null,
    vector,
    whole,
)
from veneercheck.report.found import (
    BEADS_FIELDS,
    QUESTION_FIELDS,
    RECHECK_FIELDS,
    SECTION_FIELDS,
    STRUCTURE_FIELDS,
    ZONE_FIELDS,
)
from veneercheck.report.words import Words

SCHEMA_ID = "veneercheck result 3"
"""Names the meaning of the fields; the number rises when a field changes its meaning."""

_DIALECT = "https://json-schema.org/draft/2020-12/schema"


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
    described: dict[str, Any] = _RESULT.write(outcome)
    return described


def result_schema() -> Schema:
    """The schema of a result (JSON Schema 2020-12)."""
    return {"$schema": _DIALECT, "title": SCHEMA_ID, **_RESULT.schema}


def fields_page() -> str:
    """Every field, its kind and its meaning, as one Markdown table."""
    return page("Fields of `result.json`", result_schema())


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


def _frame(check: Check) -> Frame:
    """The directions that were judged, or else those that the case names."""
    case, frame = check.case, check.frame
    return dataclasses.replace(
        frame,
        occlusal=frame.occlusal or (unit_way(case.occlusal) if case.occlusal else None),
        buccal=frame.buccal or (unit_way(case.buccal) if case.buccal else None),
        guessed=frame.guessed and (case.occlusal is None or case.buccal is None),
    )


_CASE = group(
    "What the laboratory said.",
    number=at("case.number", text_or_null("Pseudonymous case number.")),
    units=at(
        "case.units",
        listed(plain("integer"), "Two-digit tooth codes in order along the bridge."),
    ),
    pontics=at("case.pontics", listed(plain("integer"), "Those of them that are pontics.")),
    stage=at("case.stage", text("Stage of the work, such as wax.")),
    frame=at(
        _frame,
        group(
            "The bridge's directions in the wax-up's frame.",
            occlusal=vector("Unit vector, or null where the case does not tell it."),
            buccal=vector("Unit vector, or null where the case does not tell it."),
            guessed=flag("Judged from the shape, not given."),
            words=listed(plain("string"), "What was guessed, or could not be told."),
            sides_known=flag("Buccal is told as a fact; else its vector points to side A."),
            certainty=number("Probability that the likelier side is buccal; 1: the case says it."),
        ),
    ),
    veneered=at(
        "case.veneered",
        listed(plain("string"), "Surfaces meant for veneer; empty: all that was cut."),
    ),
    veneered_units=at(
        "case.veneered_units",
        named(
            Field({"type": "array", "items": {"type": "string"}}, list),
            "The same for single units that differ, by code.",
        ),
    ),
    metal_stops=at(
        "case.metal_stops",
        text("Spots left uncut amid a cut: ask, meant as stops, or forbidden."),
    ),
    notes=at("case.notes", text("Free words.")),
    alloy=at("case.alloy", text("Alloy of the framework, as the laboratory names it.")),
    composite=at("case.composite", text("Veneering composite, as the laboratory names it.")),
    shade=at("case.shade", text("Shade ordered.")),
    lots=at("case.lots", named(plain("string"), "Lot numbers by material.")),
    scanner_checked=at("case.scanner_checked", text_or_null("Date of the scanner's last check.")),
)

_ANY = Field(
    {"type": ["number", "string", "null"]},
    lambda value: value if isinstance(value, (str, int)) else number("").write(value),
)
_VALUES = named(_ANY, "What the sentence holds, by name.")

_FAULT = group(
    "One kind of fault.",
    kind=text("Short name."),
    count=whole("How many."),
    words=text("What was found and done."),
    code=at(lambda fault: fault.code or fault.kind, text("Of the sentence, for other languages.")),
    values=_VALUES,
    centre_mm=vector("Where, in the scan's own frame, mm."),
)


def _scan(name: str) -> Field:
    return group(
        f"The {name}'s file.",
        file=text("File name."),
        sha256=text("Fingerprint of the file's bytes."),
        unit=text("Unit the file's numbers were read in."),
        triangles=whole("Triangles after reading."),
        area_mm2=number("Surface area, mm²."),
        faults=listed(_FAULT, "What was found in it and what was done about it."),
    )


_LAYER_LIMITS = group(
    "Limits of the layer.",
    least_mm=length("Least layer, mm."),
    greatest_mm=length("Greatest layer, mm."),
)


def _limits(limits: Limits) -> dict[str, Any]:
    return {
        **by_section({**limits.values(), "metal.to_come_mm": limits.metal_to_come_mm}),
        "name": limits.name,
        "finishing_mm": limits.finishing_mm,
        "surfaces": limits.surfaces,
        "certainty": limits.certainty,
    }


def _profile() -> Field:
    words = Words("en")
    told = {key: f"{words(f'limit.{key}').capitalize()}, {_unit(key)}." for key in LIMITS}
    told["metal.to_come_mm"] = "What finishing is still to take off it, mm."
    fields = by_section({key: length(says, minimum=0) for key, says in told.items()})
    sections = {name: group(f"[{name}] of the profile.", **own) for name, own in fields.items()}
    return group(
        "Every limit in force; limits are of the layer.",
        name=text("Name of the profile."),
        **sections,
        finishing_mm=length("Taken off everywhere by finishing and blasting, mm.", minimum=0),
        surfaces=named(_LAYER_LIMITS, "Limits of single surfaces, by name."),
        certainty=named(plain("string"), "Where each limit comes from, by section.field."),
    )


def _unit(key: str) -> str:
    return "mm²" if key.endswith("_mm2") else "mm"


_ROW: Schema = {"type": "array", "items": {"type": "number"}, "minItems": 4, "maxItems": 4}
_MATRIX: Schema = {
    "type": "array",
    "items": _ROW,
    "minItems": 4,
    "maxItems": 4,
    "description": "Homogeneous matrix, row-major, mm.",
}

_EVIDENCE = group(
    "What else speaks for the fit or against it; null where it was not looked at.",
    condition=number("Strongest over weakest direction of the fit."),
    weakest_layer_mm=number(
        "Standard uncertainty that the least certain direction gives a layer at worst, mm."
    ),
    halves_mm=number(
        "How far two fits, each on every other patch of the uncut surface, part at most, mm."
    ),
    rival_share=number(
        "Rank of the best other pose over that of the pose taken; one that fits nowhere closely is "
        "no other pose of one that does."
    ),
    seating_mm=number("How far the bridge's own fit and its model's part, mm."),
    scale=number("Size of the framework over that of the wax-up; never applied."),
    bow_mm=number("Middle of the span against its ends, mm."),
    part_mm=number("Largest shift of a part of about a tooth's width, mm."),
    frame_mm=number("How far the uncut surface fits from a shared frame that was given, mm."),
    even_mm=number(
        "How far the uncut surface stands out of the contour, everywhere alike, mm; 0: not surely."
    ),
)

_ALIGNMENT = group(
    "How the framework was laid on the wax-up.",
    waxup_from_framework=Field(_MATRIX, lambda motion: motion.matrix().tolist()),
    rms_mm=number("Residual on the uncut surface, mm."),
    reference_area_mm2=number("Uncut surface used, mm²."),
    reference_share=number("Its share of the framework, 0…1."),
    u_max_mm=number("Largest standard uncertainty of any vertex, from the fit alone, mm."),
    state=one_of(AlignmentState, "How far it may be believed."),
    weakest=text("Least certain direction."),
    noise_mm=number("Noise of both surfaces together, standard deviation, mm."),
    stopped=text("How the fit ended."),
    reasons=at(
        lambda fit: [reason.words for reason in fit.reasons],
        listed(plain("string"), "Why the state is not better."),
    ),
    coded=at(
        "reasons",
        listed(
            group(
                "One reason.",
                code=text("Of the sentence."),
                values=_VALUES,
                tooth=text('Unit that it tells of, "" for the whole.'),
            ),
            "The same reasons, for other languages.",
        ),
    ),
    evidence=_EVIDENCE,
)


def _reading(name: str, says: str) -> Field:
    """Of one of a check's statistics, «space» or «layer»."""
    figures = {
        "min_mm": "Least of the cut without its run-out at the finish line, mm.",
        "p05_mm": "5 % of the same area lie below, mm.",
        "median_mm": "Half of the same area lies below, mm.",
        "mean_mm": "Mean over the same area, mm.",
        "mean_u_mm": "Standard uncertainty of that mean, mm.",
        "p95_mm": "5 % of the same area lie above, mm.",
        "max_mm": "Greatest of the same area, mm.",
    }
    own = {key: at(f"{name}_statistics.{key}", number(told)) for key, told in figures.items()}
    return at(
        "check",
        group(
            says,
            veneered_area_mm2=number("Surface meant for veneer, mm²."),
            measured_share=number("Share of it that was measured, 0…1."),
            **own,
        ),
    )


_RESULT = group(
    "Result of one check; unknown values are null, never 0.",
    schema=constant(SCHEMA_ID, "Names the meaning of all fields."),
    program=at(
        lambda outcome: {"name": "veneercheck", "version": outcome.version},
        group("What wrote the result.", name=text("Its name."), version=text("Its version.")),
    ),
    checked_at_utc=at(
        lambda outcome: outcome.checked_at.astimezone(UTC).isoformat(timespec="seconds"),
        text("When the check was made, ISO 8601 with offset.", "date-time"),
    ),
    case=at("check", _CASE),
    scans=at(
        lambda outcome: outcome,
        group("What was read.", framework=_scan("framework"), waxup=_scan("wax-up")),
    ),
    profile=at(lambda outcome: _limits(outcome.check.limits), _profile()),
    alignment=at("check.alignment", _ALIGNMENT),
    space=_reading("space", "Space along the outward normal to the contour, over the cut area."),
    layer=_reading("layer", "What opaquer and beads leave of the space, over the cut area."),
    zones=at("check.zones", listed(ZONE_FIELDS, "Findings, the most pressing first.")),
    questions=at(
        "check.questions",
        listed(QUESTION_FIELDS, "What only the technician can answer; no findings."),
    ),
    recheck=or_null(RECHECK_FIELDS),
    structure=at("check.structure", STRUCTURE_FIELDS),
    sections=at("check.structure.sections", listed(SECTION_FIELDS, "Where sections are drawn.")),
    beads=at("check.beads", or_null(BEADS_FIELDS)),
    remarks=at(
        lambda outcome: (*outcome.remarks, *outcome.check.told),
        listed(_FAULT, "What the two scans told when laid side by side."),
    ),
    verdict=at("check.verdict", one_of(Verdict, "The outcome; none of them is a release.")),
)
