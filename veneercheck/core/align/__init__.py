"""The framework placed on the wax-up although one of them was cut on purpose."""

from veneercheck.core.align.alignment import align, given, with_residual
from veneercheck.core.align.frame import Residual
from veneercheck.core.align.options import AlignOptions
from veneercheck.core.align.repeatability import Repeatability, repeatability

__all__ = [
    "AlignOptions",
    "Repeatability",
    "Residual",
    "align",
    "given",
    "repeatability",
    "with_residual",
]
