"""What a check found, as fields of `result.json`: zones, questions, changes, beads, structure."""

from __future__ import annotations

from veneercheck.core.types import (
    BEADS,
    SHARP_EDGE,
    THIN_METAL,
    UNSUPPORTED,
    VENEER,
    Decision,
    FindingKind,
    Trend,
    Weight,
)
from veneercheck.report.fields import (
    at,
    flag,
    group,
    listed,
    number,
    one_of,
    text,
    text_or_null,
    vector,
    whole,
)

_FINDINGS = [kind.word for kind in FindingKind if kind is not FindingKind.NONE]

ZONE_FIELDS = group(
    "Connected surface with one finding.",
    id=whole("Number in lists and pictures.", minimum=1),
    finding=at("finding.word", one_of(_FINDINGS, "What is wrong.")),
    decision=one_of(Decision, "Whether it clears its limit surely."),
    area_mm2=number("Area, mm²."),
    extreme_mm=number("Worst mean over 0.25 mm²: layer, or space where over contour, mm."),
    u_mm=number("Its standard uncertainty, mm."),
    centre_mm=vector("Middle of its worst spot, in the wax-up's frame, mm."),
    tooth=text_or_null("Two-digit tooth code."),
    surface=text_or_null("Surface of the tooth."),
    place=text("Tooth, surface, third and part in words; empty where nothing is known."),
    about=one_of([VENEER, BEADS], "Veneer over the surface, or cover over tops of beads."),
    limit_mm=number("What the worst spot was judged against, mm; 0: the contour itself."),
    typical_mm=number("Median reading over the zone, mm."),
    amount_mm=number("To take off at the worst spot along the knife's path; < 0: to add, mm."),
    volume_mm3=number("Of what is taken off or added, running out all round, mm³."),
    functional=flag("On cusps that bite into a fossa."),
    measured_share=number("Of the zone and what could not be read in or beside it, 0 to 1."),
    metal_mm=number(
        "Least metal under the zone, mm; null where its inside is not known or it is covered."
    ),
    metal_left_mm=number("What the least layer would leave of it; < 0: no room, mm."),
    across_mm=number("How far it reaches in its longest direction, mm."),
    action=text("What to do at the bench."),
)

QUESTION_FIELDS = group(
    "Something to look at.",
    kind=text("Short name."),
    area_mm2=number("Area, mm²."),
    centre_mm=vector("Centre in the wax-up's frame, mm."),
    words=text("The question."),
    place=text("Where, in words; empty where nothing is known."),
)


_GONE = group(
    "A zone of the earlier result that is corrected.",
    id=whole("Its number then.", minimum=1),
    finding=at("finding.word", one_of(_FINDINGS, "What was wrong.")),
    place=text("Where, in words."),
    area_mm2=number("Area, mm²."),
    extreme_mm=number("Worst reading then, mm."),
)

_TREND = group(
    "What became of a zone of now.",
    id=at(lambda pair: pair[0], whole("Its number now.", minimum=1)),
    trend=at(
        lambda pair: pair[1],
        one_of(Trend, "Beyond the uncertainty of both; of one not listed then, whether it moved."),
    ),
)

RECHECK_FIELDS = group(
    "What changed since an earlier result of the same wax-up; null if none was given.",
    earlier_sha256=at("earlier", text("Fingerprint of the earlier framework's file.")),
    corrected=listed(_GONE, "Zones that are no more."),
    zones=at("trends", listed(_TREND, "Zones of now beside those of then.")),
    taken_off_mm=at(
        "most_off_mm",
        number("Farthest that 0.25 mm² lie under the earlier surface, mm; 0: may be noise."),
    ),
    added_mm=at("most_added_mm", number("Farthest that they lie above it, mm; 0: may be noise.")),
)

BEADS_FIELDS = group(
    "Retention beads, taken off before measuring; null where none were found.",
    count=whole("How many."),
    diameter_mm=number("Of the foot, median, mm."),
    height_mm=number("How far they stand out, median, mm."),
    proud=whole("Those that stand out farther than the opaquer is thick."),
    cover_least_mm=number("Least from a top to the contour, opaquer included, mm."),
    cover_median_mm=number("The same, median, mm."),
    places_mm=listed(vector("In the wax-up's frame, mm."), "Their feet."),
)

_CONNECTOR = group(
    "What holds two units together.",
    teeth=text("Both tooth codes."),
    area_mm2=number("Least section beside the valley; null where it was not seen all round."),
    u_mm2=number("Its standard uncertainty."),
    height_mm=number("Height of that section, mm."),
    width_mm=number("Width of that section, mm."),
    centre_mm=vector("Its middle, in the wax-up's frame."),
    weight=one_of(Weight, "What it weighs in the verdict."),
    words=text("The same in words."),
)

_SPOT = group(
    "Where the framework serves its veneer badly.",
    kind=one_of([UNSUPPORTED, SHARP_EDGE, THIN_METAL], "What is amiss."),
    tooth=text_or_null("Two-digit code."),
    surface=text_or_null("Surface of the tooth."),
    place=text("Where, in words."),
    value_mm=number(
        "Composite over the nearest metal, an edge's radius, or metal at its thinnest, mm."
    ),
    u_mm=number("Its standard uncertainty, mm."),
    limit_mm=number("What it is held against, mm."),
    size=number("Length in mm of an edge, else area in mm²."),
    centre_mm=vector("Its middle, in the wax-up's frame."),
    weight=one_of(Weight, "What it weighs in the verdict."),
    words=text("The same in words."),
)

_PASTE = group(
    "How much composite a unit takes, opaquer and beads taken off.",
    tooth=text("Two-digit code; empty where units are not named."),
    volume_mm3=number("mm³."),
    u_mm3=number("Its standard uncertainty, mm³."),
    deepest_mm=number("The layer that all but a hundredth of the area keeps below, mm."),
    increments=whole("Layers in which the deepest place must be cured."),
    beyond_mm3=number("At least so much more lies past the end of the framework's scan, mm³."),
)

STRUCTURE_FIELDS = group(
    "The framework as what carries the veneer.",
    connectors=listed(_CONNECTOR, "Between neighbouring units."),
    spots=listed(_SPOT, "Thin metal, composite without support, and sharp edges under it."),
    material=listed(_PASTE, "By unit."),
    metal_share=number("Of the cut surface, how much has metal whose thickness was judged, 0…1."),
)

SECTION_FIELDS = group(
    "A section, in the wax-up's frame.",
    kind=one_of(["unit", "along"], "Across a unit's middle, or along the bridge's axis."),
    name=text("Tooth code; empty along the axis."),
    across=vector("Direction to the right in the drawing."),
    above=vector("Direction upwards in the drawing."),
    path_mm=listed(vector("A place."), "A point of the plane, or the nodes of the axis."),
    sides=listed(text("A surface's name."), "What lies left, right, above and below."),
)
