"""The framework placed on the wax-up although one of them was cut on purpose."""

from veneercheck.core.align.alignment import align, given
from veneercheck.core.align.frame import examine
from veneercheck.core.align.options import AlignOptions
from veneercheck.core.align.repeatability import Repeatability, repeatability

__all__ = [
    "AlignOptions",
    "Repeatability",
    "align",
    "examine",
    "given",
    "repeatability",
]
