"""The framework placed on the wax-up although one of them was cut on purpose.

What the alignment rests on
---------------------------
What serves the alignment is whatever stayed the same: the stone base and fixed neighbours are
identical, the lingual wax nearly so. Dies are lifted and seated again, collars and margins may be
resealed; the program allows for that in its uncertainty. Two files that come out of the scanner in
one frame were often put there by the scanner's own best fit, which also pulls on what was cut: do
not tell the program `--aligned` unless you know the frame is true.

The state of the alignment: `trusted`; `doubtful` (numbers are shown, the verdict is at most
undecided); `failed` (no number of space is given); `given` (you said `--aligned`; where the uncut
surface fits more than 30 µm away from that frame it is `doubtful` instead). `reasons` say why it is
not better.
"""

from veneercheck.core.align.alignment import align, given
from veneercheck.core.align.frame import examine
from veneercheck.core.align.options import AlignOptions
from veneercheck.core.align.picked import Bodies, apart_mm, by_paint, held, lay, start_of
from veneercheck.core.align.repeatability import Repeatability, repeatability
from veneercheck.core.align.swapped import doubted

__all__ = [
    "AlignOptions",
    "Bodies",
    "Repeatability",
    "align",
    "apart_mm",
    "by_paint",
    "doubted",
    "examine",
    "given",
    "held",
    "lay",
    "repeatability",
    "start_of",
]
