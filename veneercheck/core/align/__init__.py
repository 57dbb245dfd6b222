"""The framework placed on the wax-up although one of them was cut on purpose."""

from veneercheck.core.align.alignment import align, given
from veneercheck.core.align.options import AlignOptions

__all__ = ["AlignOptions", "align", "given"]
