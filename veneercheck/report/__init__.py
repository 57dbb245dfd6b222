"""The outcome written down: data first, then pictures and pages rendered from that data.

What comes out
--------------
`veneercheck check framework.stl waxup.stl --out check` writes into the folder `check`:

- `report.html`, `report.pdf` and the stills, and `bench.pdf`, one sheet for the bench: the
  framework from six sides, coloured by the layer. Wine with white lines is too thin, porcelain is
  enough (in steps of 0.25 mm, the lighter the thicker, thin lines between them with their figures),
  blue with dots is too thick, plaster was not measured, since the wax-up was not seen over it (a
  hole or an edge of its scan), and from half a square millimetre on stands named with its area;
  white is nothing scanned, as the rim of a retainer that stands on the model; a sparse pattern is
  too near a limit to decide. Within two or three triangles of a zone's border the colour follows
  that border evenly and may differ from the reading by up to 0.1 mm; figures, areas and verdicts do
  not.
- `amount.png`: how much to take off or add, in steps of 0.1 mm, each place's amount beside its
  number; plain where nothing is to be done. The bench sheet shows it, and the page as a view of its
  own.
- `result.json`: everything as numbers. `veneercheck fields --schema` prints its schema. A value
  that is not known is `null`, never 0.
- `space.ply`: the framework in the wax-up's frame with `layer_mm` (as judged, with `u_judged_mm`),
  `space_mm` (the ray, with `u_mm`), `nearest_mm`, `ball_mm`, `judged_low_mm`, `judged_high_mm`,
  `p_thin` and `p_thick` (probability that the true layer is below the least, above the greatest),
  `metal_mm` (thickness of the metal straight inward, to its other side or the die, where one was
  scanned), `region`, `finding`, `tooth`, `surface` and `zone` at every vertex, and colours for any
  viewer.
  The codes are explained in its header.
- `contour.ply`, and `die.ply` where a die was given: the wax-up and the die, for outlines and
  sections when the report is drawn anew.
- `zones.csv`: the places to change, one a line. It is data as `result.json` is, in English under
  any `--lang`: it is filed, hashed and compared, and the same check must give the same bytes in
  every language.
- `sections/*.svg`: vector drawings to scale, across every unit's middle, along the bridge's own
  axis and through every zone's worst place: framework, contour, limits as dashed lines, the layer
  in figures; where a die was given or the insides were scanned, these too, with the metal over them
  in figures, and the model that a scan carries in grey, as far as it can be told from the
  framework.

Names and notes may be in any script; Chinese, Japanese and Korean need
`pip install 'veneercheck[cjk]'` to stand on paper. What no typeface holds, and what is longer than
a line or 20 000 signs, is shown as � or cut, and stands whole in `result.json`; over the stills
other scripts stand as empty boxes.

The fields of `result.json`
---------------------------
`veneercheck fields` prints each of them with its kind and meaning; in short:

- `schema`, `program`, `checked_at_utc`: what wrote it, and when
- `case`: what the case file said
- `scans`: of each scan: file, SHA-256, unit, triangles, area, and faults found in it
- `profile`: every limit that was used, and where it comes from
- `alignment`: `waxup_from_framework` (4×4, row by row, mm), `rms_mm` on what was uncut,
  `reference_area_mm2`, `reference_share`, `u_max_mm` (the largest uncertainty that the fit alone
  gives any point), `state`, `evidence` (fit by halves, best other pose, bridge against model,
  difference in size, bow of the span, shifted part)
- `space`, `layer`: over the cut area, weighted by area: least, 5 %, median, mean, 95 %, greatest;
  `veneered_area_mm2`, `measured_share`
- `zones`: `finding`, `decision`, `area_mm2`, `extreme_mm`, `u_mm`, `centre_mm`, `tooth`, `surface`,
  `place` (in words, with the distance from the finish line on walls), `about` (the veneer, or its
  cover over beads), `limit_mm`, `typical_mm`, `amount_mm` (to take off; negative: to add),
  `volume_mm3`, `functional`, `across_mm` (how far it reaches), `action`; `centre_mm` is the middle
  of its worst spot
- `recheck`: what changed since an earlier result (`--earlier`), or null
- `structure`: `connectors` (least section about the valley, height, width; null where it was not
  seen all round), `spots` (thin metal, composite without support, sharp edges), `material`
  (composite by unit, and the increments to cure it in); `weight` says what each counts in the
  verdict
- `sections`: where sections are drawn
- `beads`: retention beads: how many, how high, how well covered; or null
- `questions`: what only you can answer, such as an uncut spot within the cut
- `remarks`: what the two scans told when they were laid side by side
- `verdict`: `no findings`, `findings` or `undecided`

The state of the alignment: `trusted`; `doubtful` (numbers are shown, the verdict is at most
undecided); `failed` (no number of space is given); `given` (you said `--aligned`; where the uncut
surface fits more than 30 µm away from that frame it is `doubtful` instead). `reasons` say why it is
not better.

Two results side by side
------------------------
`veneercheck compare` lays two results of the same wax-up on one page, `compare.html`: linked maps,
what was taken off or added, a wipe, and what became better, worse, new or corrected.

Notes
-----
Figures in a section stand where ray and nearest contour agree within a tenth. In a chamfer the two
differ, and one line would say more than is known. Choice: elsewhere no figure; a zone's own section
always has its reading. Cost: some sections carry few figures.
"""

from __future__ import annotations

from veneercheck.report.filed import (
    ZONES,
    FiledResult,
    clear,
    language_of,
    read_result,
    write_result,
)
from veneercheck.report.render import Paper, render
from veneercheck.report.result import SCHEMA_ID, document, fields_page, result_schema, zones_of
from veneercheck.report.words import Language

__all__ = [
    "SCHEMA_ID",
    "ZONES",
    "FiledResult",
    "Language",
    "Paper",
    "clear",
    "document",
    "fields_page",
    "language_of",
    "read_result",
    "render",
    "result_schema",
    "write_result",
    "zones_of",
]
