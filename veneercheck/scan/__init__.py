"""Scan files in, sound meshes in millimetres out, with every fault told.

Files may be STL (binary or ASCII), PLY, OBJ, OFF, 3MF or GLB. STL, PLY, OBJ and OFF carry no unit:
a scan that cannot be in millimetres, or could as well be in another unit, is refused until you say
`--unit`; no other unit is ever guessed. A pair that might take more than 2 GB of memory is refused,
too: cut off what is not the work, or set `VENEERCHECK_MEMORY_GB=4`. Case files, profiles and lists
are text of a megabyte at most.

Beads and sprues are best added after the framework was scanned: they are recognised, but what lies
under them was not seen.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from veneercheck.scan.crossings import self_crossings
    from veneercheck.scan.limits import ReadCaps
    from veneercheck.scan.noise import estimate_noise_mm
    from veneercheck.scan.paint import PAINT_COLOURS
    from veneercheck.scan.pair import ScanPair, read_pair
    from veneercheck.scan.reading import Scan, read_scan
    from veneercheck.scan.writing import painted_ply_bytes, stl_bytes, write_stl

__all__ = [
    "PAINT_COLOURS",
    "ReadCaps",
    "Scan",
    "ScanPair",
    "estimate_noise_mm",
    "painted_ply_bytes",
    "read_pair",
    "read_scan",
    "self_crossings",
    "stl_bytes",
    "write_stl",
]

_HOME = {
    "PAINT_COLOURS": "paint",
    "ReadCaps": "limits",
    "Scan": "reading",
    "ScanPair": "pair",
    "estimate_noise_mm": "noise",
    "painted_ply_bytes": "writing",
    "read_pair": "pair",
    "read_scan": "reading",
    "self_crossings": "crossings",
    "stl_bytes": "writing",
    "write_stl": "writing",
}
"""In which module each name lives."""


def __getattr__(name: str) -> Any:
    """Load a module when it is first asked for: a refusal must come before numpy does."""
    if name in _HOME:
        return getattr(importlib.import_module(f"{__name__}.{_HOME[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
