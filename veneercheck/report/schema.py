"""The JSON Schema of `result.json` and its page of fields, both made from one description."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from importlib import resources
from pathlib import Path
from typing import Any

from veneercheck.core.types import (
    BEADS,
    SHARP_EDGE,
    UNSUPPORTED,
    VENEER,
    AlignmentState,
    Decision,
    FindingKind,
    Trend,
    Verdict,
    Weight,
)
from veneercheck.report.document import SCHEMA_ID

SCHEMA_FILE, FIELDS_FILE = "result.schema.json", "result.fields.md"
_DIALECT = "https://json-schema.org/draft/2020-12/schema"

Schema = dict[str, Any]


def result_schema() -> Schema:
    """The schema of a result (JSON Schema 2020-12)."""
    fields = {
        "schema": {"const": SCHEMA_ID, "description": "Names the meaning of all fields."},
        "program": _object(
            "What wrote the result.", name=_text("Its name."), version=_text("Its version.")
        ),
        "checked_at_utc": _text("When the check was made, ISO 8601 with offset.", "date-time"),
        "case": _case(),
        "scans": _object("What was read.", framework=_scan("framework"), waxup=_scan("wax-up")),
        "profile": _profile(),
        "alignment": _alignment(),
        "space": _reading("Space along the outward normal to the contour, over the cut area."),
        "layer": _reading("What opaquer and beads leave of the space, over the cut area."),
        "zones": _list(_zone(), "Findings, the most pressing first."),
        "questions": _list(_question(), "What only the technician can answer; no findings."),
        "recheck": _recheck(),
        "structure": _structure(),
        "sections": _list(_section(), "Where sections are drawn."),
        "beads": _beads(),
        "remarks": _list(_fault(), "What the two scans told when laid side by side."),
        "verdict": _one_of([v.value for v in Verdict], "The outcome; none of them is a release."),
    }
    described = _object("Result of one check; unknown values are null, never 0.", **fields)
    return {"$schema": _DIALECT, "title": SCHEMA_ID, **described}


def shipped_schema() -> Schema:
    """The schema as it is installed with the program."""
    text = resources.files(__package__).joinpath(SCHEMA_FILE).read_text(encoding="utf-8")
    return dict(json.loads(text))


def write_schema(folder: Path) -> None:
    """Write the schema and its page of fields where they are shipped or published."""
    text = json.dumps(result_schema(), indent=1, ensure_ascii=False)
    (folder / SCHEMA_FILE).write_text(text + "\n", encoding="utf-8")
    (folder / FIELDS_FILE).write_text(fields_page(), encoding="utf-8")


def fields_page() -> str:
    """Every field, its kind and its meaning, as one Markdown table."""
    rows = [f"| `{name}` | {kind} | {words} |" for name, kind, words in _walk("", result_schema())]
    head = ["# Fields of `result.json`", "", "| field | kind | meaning |", "|---|---|---|"]
    return "\n".join([*head, *rows]) + "\n"


def _walk(prefix: str, schema: Mapping[str, Any]) -> Iterator[tuple[str, str, str]]:
    for name, field in schema.get("properties", {}).items():
        place = f"{prefix}{name}"
        yield place, _kind(field), str(field.get("description", ""))
        yield from _walk(f"{place}.", field)
        yield from _walk(f"{place}[].", field.get("items", {}))


def _kind(field: Mapping[str, Any]) -> str:
    if "const" in field:
        return f"«{field['const']}»"
    if "enum" in field:
        return ", ".join(f"«{value}»" for value in field["enum"])
    kind = field.get("type", "")
    return kind if isinstance(kind, str) else " or ".join(kind)


def _object(description: str, /, **fields: Schema) -> Schema:
    return {
        "type": "object",
        "description": description,
        "properties": fields,
        "required": list(fields),
        "additionalProperties": False,
    }


def _text(description: str, form: str | None = None) -> Schema:
    return {"type": "string", "description": description, **({"format": form} if form else {})}


def _text_or_null(description: str) -> Schema:
    return {"type": ["string", "null"], "description": description}


def _number(description: str) -> Schema:
    return {"type": ["number", "null"], "description": description}


def _length(description: str, **bounds: float) -> Schema:
    return {"type": "number", "description": description, **bounds}


def _whole(description: str) -> Schema:
    return {"type": "integer", "minimum": 0, "description": description}


def _one_of(values: list[str], description: str) -> Schema:
    return {"enum": values, "description": description}


def _list(items: Schema, description: str) -> Schema:
    return {"type": "array", "items": items, "description": description}


def _vector(description: str) -> Schema:
    return {
        "type": ["array", "null"],
        "items": {"type": "number"},
        "minItems": 3,
        "maxItems": 3,
        "description": description,
    }


def _case() -> Schema:
    return _object(
        "What the laboratory said.",
        number=_text_or_null("Pseudonymous case number."),
        units=_list({"type": "integer"}, "Two-digit tooth codes in order along the bridge."),
        pontics=_list({"type": "integer"}, "Those of them that are pontics."),
        stage=_text("Stage of the work, such as wax."),
        frame=_object(
            "The bridge's directions in the wax-up's frame.",
            occlusal=_vector("Unit vector, or null where the case does not tell it."),
            buccal=_vector("Unit vector, or null where the case does not tell it."),
            guessed={"type": "boolean", "description": "Judged from the shape, not given."},
            words=_list({"type": "string"}, "What was guessed, or could not be told."),
            sides_known={
                "type": "boolean",
                "description": "Buccal is told as a fact; else its vector points to side A.",
            },
            certainty=_number("Probability that the likelier side is buccal; 1: the case says it."),
        ),
        veneered=_list({"type": "string"}, "Surfaces meant for veneer; empty: all that was cut."),
        veneered_units={
            "type": "object",
            "description": "The same for single units that differ, by code.",
            "additionalProperties": {"type": "array", "items": {"type": "string"}},
        },
        metal_stops=_text("Uncut spots within a cut area: ask about them, or forbidden."),
        notes=_text("Free words."),
        alloy=_text("Alloy of the framework, as the laboratory names it."),
        composite=_text("Veneering composite, as the laboratory names it."),
        shade=_text("Shade ordered."),
        lots={
            "type": "object",
            "description": "Lot numbers by material.",
            "additionalProperties": {"type": "string"},
        },
        scanner_checked=_text_or_null("Date of the scanner's last check."),
    )


def _scan(name: str) -> Schema:
    return _object(
        f"The {name}'s file.",
        file=_text("File name."),
        sha256=_text("Fingerprint of the file's bytes."),
        unit=_text("Unit the file's numbers were read in."),
        triangles=_whole("Triangles after reading."),
        area_mm2=_number("Surface area, mm²."),
        faults=_list(_fault(), "What was found in it and what was done about it."),
    )


def _fault() -> Schema:
    return _object(
        "One kind of fault.",
        kind=_text("Short name."),
        count=_whole("How many."),
        words=_text("What was found and done."),
        code=_text("Of the sentence, for other languages."),
        values=_values(),
        centre_mm=_vector("Where, in the scan's own frame, mm."),
    )


def _coded() -> Schema:
    return _object("One reason.", code=_text("Of the sentence."), values=_values())


def _values() -> Schema:
    return {
        "type": "object",
        "description": "What the sentence holds, by name.",
        "additionalProperties": {"type": ["number", "string", "null"]},
    }


def _profile() -> Schema:
    own: Schema = {
        "type": "object",
        "description": "Limits of single surfaces, by name.",
        "additionalProperties": _layer_limits(),
    }
    told: Schema = {
        "type": "object",
        "description": "Where each limit comes from, by section.field.",
        "additionalProperties": {"type": "string"},
    }
    return _object(
        "Every limit in force; limits are of the layer.",
        name=_text("Name of the profile."),
        layer=_layer_limits(),
        allowance=_object(
            "What is taken off the space.",
            opaquer_mm=_length("Opaquer, two coats, mm.", minimum=0),
            opaquer_u_mm=_length("Its standard uncertainty, mm.", minimum=0),
            beads_mm=_length("Retention beads, mm.", minimum=0),
        ),
        finish_line=_object(
            "The band along the finish line.",
            width_mm=_length("The least layer grows from nothing over this width, mm.", minimum=0),
        ),
        finishing_mm=_length("Taken off everywhere by finishing and blasting, mm.", minimum=0),
        scan=_object(
            "Uncertainty that the scans share.",
            trueness_u_mm=_length("Scanner's trueness, standard uncertainty, mm.", minimum=0),
            seating_u_mm=_length("Taking off and seating again, standard uncertainty, mm."),
        ),
        zone=_object(
            "Zones.",
            smallest_mm2=_length("Smaller ones are not listed, mm²."),
            narrowest_mm=_length("Nor those that are nowhere so wide, mm."),
        ),
        metal=_object(
            "Metal under the veneer.",
            least_mm=_length("Least metal, mm."),
            to_come_mm=_length("What finishing is still to take off it, mm."),
        ),
        beads=_object(
            "Retention beads.", least_cover_mm=_length("Least from their tops to the contour, mm.")
        ),
        connector=_object(
            "Connectors.",
            least_mm2=_length("Least section, mm²."),
            advice_mm2=_length("Below this more is advised, mm²."),
        ),
        edge=_object("Edges under the veneer.", least_radius_mm=_length("Least radius, mm.")),
        curing=_object("Light-curing.", increment_mm=_length("Deepest increment, mm.")),
        surfaces=own,
        certainty=told,
    )


def _layer_limits() -> Schema:
    return _object(
        "Limits of the layer.",
        least_mm=_length("Least layer, mm."),
        greatest_mm=_length("Greatest layer, mm."),
    )


def _alignment() -> Schema:
    row = {"type": "array", "items": {"type": "number"}, "minItems": 4, "maxItems": 4}
    return _object(
        "How the framework was laid on the wax-up.",
        waxup_from_framework={
            "type": "array",
            "items": row,
            "minItems": 4,
            "maxItems": 4,
            "description": "Homogeneous matrix, row-major, mm.",
        },
        rms_mm=_number("Residual on the uncut surface, mm."),
        reference_area_mm2=_number("Uncut surface used, mm²."),
        reference_share=_number("Its share of the framework, 0…1."),
        u_max_mm=_number("Largest standard uncertainty of any vertex, from the fit alone, mm."),
        state=_one_of([state.value for state in AlignmentState], "How far it may be believed."),
        weakest=_text("Least certain direction."),
        noise_mm=_number("Noise of both surfaces together, standard deviation, mm."),
        stopped=_text("How the fit ended."),
        reasons=_list({"type": "string"}, "Why the state is not better."),
        coded=_list(_coded(), "The same reasons, for other languages."),
        evidence=_evidence(),
    )


def _evidence() -> Schema:
    return _object(
        "What else speaks for the fit or against it; null where it was not looked at.",
        condition=_number("Strongest over weakest direction of the fit."),
        weakest_layer_mm=_number(
            "Standard uncertainty that the least certain direction gives a layer at worst, mm."
        ),
        halves_mm=_number(
            "How far two fits, each on every other patch of the uncut surface, part at most, mm."
        ),
        rival_share=_number("Rank of the best other pose over that of the pose taken."),
        seating_mm=_number("How far the bridge's own fit and its model's part, mm."),
        scale=_number("Size of the framework over that of the wax-up; never applied."),
        bow_mm=_number("Middle of the span against its ends, mm."),
        part_mm=_number("Largest shift of a part of about a tooth's width, mm."),
        frame_mm=_number("How far the uncut surface fits from a shared frame that was given, mm."),
    )


def _reading(description: str) -> Schema:
    return _object(
        description,
        veneered_area_mm2=_number("Surface meant for veneer, mm²."),
        measured_share=_number("Share of it that was measured, 0…1."),
        min_mm=_number("Least, mm."),
        p05_mm=_number("5 % of the area lie below, mm."),
        median_mm=_number("Half of the area lies below, mm."),
        mean_mm=_number("Area-weighted mean, mm."),
        p95_mm=_number("5 % of the area lie above, mm."),
        max_mm=_number("Greatest, mm."),
    )


def _zone() -> Schema:
    kinds = [kind.word for kind in FindingKind if kind is not FindingKind.NONE]
    return _object(
        "Connected surface with one finding.",
        id={"type": "integer", "minimum": 1, "description": "Number in lists and pictures."},
        finding=_one_of(kinds, "What is wrong."),
        decision=_one_of([d.value for d in Decision], "Whether it clears its limit surely."),
        area_mm2=_number("Area, mm²."),
        extreme_mm=_number("Worst mean over 0.25 mm²: layer, or space where over contour, mm."),
        u_mm=_number("Its standard uncertainty, mm."),
        centre_mm=_vector("Middle of its worst spot, in the wax-up's frame, mm."),
        tooth=_text_or_null("Two-digit tooth code."),
        surface=_text_or_null("Surface of the tooth."),
        place=_text("Tooth, surface, third and part in words; empty where nothing is known."),
        about=_one_of([VENEER, BEADS], "Veneer over the surface, or cover over tops of beads."),
        limit_mm=_number("What the worst spot was judged against, mm; 0: the contour itself."),
        typical_mm=_number("Median reading over the zone, mm."),
        amount_mm=_number("To take off at the worst spot along the knife's path; < 0: to add, mm."),
        volume_mm3=_number("Of what is taken off or added, running out all round, mm³."),
        functional={"type": "boolean", "description": "On cusps that bite into a fossa."},
        measured_share=_number("Of the zone and what could not be read in or beside it, 0 to 1."),
        metal_mm=_number(
            "Least metal under the zone, mm; null where its inside is not known or it is covered."
        ),
        metal_left_mm=_number("What the least layer would leave of it; < 0: no room, mm."),
        across_mm=_number("How far it reaches in its longest direction, mm."),
        action=_text("What to do at the bench."),
    )


def _recheck() -> Schema:
    kinds = [kind.word for kind in FindingKind if kind is not FindingKind.NONE]
    gone = _object(
        "A zone of the earlier result that is corrected.",
        id={"type": "integer", "minimum": 1, "description": "Its number then."},
        finding=_one_of(kinds, "What was wrong."),
        place=_text("Where, in words."),
        area_mm2=_number("Area, mm²."),
        extreme_mm=_number("Worst reading then, mm."),
    )
    trend = _object(
        "What became of a zone of now.",
        id={"type": "integer", "minimum": 1, "description": "Its number now."},
        trend=_one_of([trend.value for trend in Trend], "Beyond the uncertainty of both."),
    )
    found = _object(
        "What changed since an earlier result of the same wax-up; null if none was given.",
        earlier_sha256=_text("Fingerprint of the earlier framework's file."),
        corrected=_list(gone, "Zones that are no more."),
        zones=_list(trend, "Zones of now beside those of then."),
        taken_off_mm=_number("Farthest that the surface lies under the earlier one, mm."),
        added_mm=_number("Farthest that it lies above it, mm."),
    )
    return {**found, "type": ["object", "null"]}


def _beads() -> Schema:
    found = _object(
        "Retention beads, taken off before measuring; null where none were found.",
        count=_whole("How many."),
        diameter_mm=_number("Of the foot, median, mm."),
        height_mm=_number("How far they stand out, median, mm."),
        proud=_whole("Those that stand out farther than the opaquer is thick."),
        cover_least_mm=_number("Least from a top to the contour, opaquer included, mm."),
        cover_median_mm=_number("The same, median, mm."),
        places_mm=_list(_vector("In the wax-up's frame, mm."), "Their feet."),
    )
    found["required"].remove("places_mm")  # results of before they were told hold none
    return {**found, "type": ["object", "null"]}


def _structure() -> Schema:
    weight = [weight.value for weight in Weight]
    connector = _object(
        "What holds two units together.",
        teeth=_text("Both tooth codes."),
        area_mm2=_number("Least section beside the valley; null where it was not seen all round."),
        u_mm2=_number("Its standard uncertainty."),
        height_mm=_number("Height of that section, mm."),
        width_mm=_number("Width of that section, mm."),
        centre_mm=_vector("Its middle, in the wax-up's frame."),
        weight=_one_of(weight, "What it weighs in the verdict."),
        words=_text("The same in words."),
    )
    spot = _object(
        "Where the framework serves its veneer badly.",
        kind=_one_of([UNSUPPORTED, SHARP_EDGE], "What is amiss."),
        tooth=_text_or_null("Two-digit code."),
        surface=_text_or_null("Surface of the tooth."),
        place=_text("Where, in words."),
        value_mm=_number("Composite over the nearest metal (mean), or radius of the edge, mm."),
        u_mm=_number("Its standard uncertainty, mm."),
        limit_mm=_number("What it is held against, mm."),
        size=_number("Area in mm² of composite without support, length in mm of an edge."),
        centre_mm=_vector("Its middle, in the wax-up's frame."),
        weight=_one_of(weight, "What it weighs in the verdict."),
        words=_text("The same in words."),
    )
    paste = _object(
        "How much composite a unit takes, opaquer and beads taken off.",
        tooth=_text("Two-digit code; empty where units are not named."),
        volume_mm3=_number("mm³."),
        u_mm3=_number("Its standard uncertainty, mm³."),
        deepest_mm=_number("The layer that all but a hundredth of the area keeps below, mm."),
        increments=_whole("Layers in which the deepest place must be cured."),
    )
    return _object(
        "The framework as what carries the veneer.",
        connectors=_list(connector, "Between neighbouring units."),
        spots=_list(spot, "Composite without support, and sharp edges under it."),
        material=_list(paste, "By unit."),
    )


def _section() -> Schema:
    return _object(
        "A section, in the wax-up's frame.",
        kind=_one_of(["unit", "along"], "Across a unit's middle, or along the bridge's axis."),
        name=_text("Tooth code; empty along the axis."),
        across=_vector("Direction to the right in the drawing."),
        above=_vector("Direction upwards in the drawing."),
        path_mm=_list(_vector("A place."), "A point of the plane, or the nodes of the axis."),
        sides=_list(_text("A surface's name."), "What lies left, right, above and below."),
    )


def _question() -> Schema:
    return _object(
        "Something to look at.",
        kind=_text("Short name."),
        area_mm2=_number("Area, mm²."),
        centre_mm=_vector("Centre in the wax-up's frame, mm."),
        words=_text("The question."),
        place=_text("Where, in words; empty where nothing is known."),
    )
