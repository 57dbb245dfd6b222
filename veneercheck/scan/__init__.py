"""Scan files in, sound meshes in millimetres out, with every fault told."""

from veneercheck.scan.crossings import self_crossings
from veneercheck.scan.limits import ReadCaps
from veneercheck.scan.noise import estimate_noise_mm
from veneercheck.scan.paint import PAINT_COLOURS
from veneercheck.scan.pair import ScanPair, read_pair, swapped
from veneercheck.scan.reading import Scan, read_scan
from veneercheck.scan.writing import stl_bytes, write_stl

__all__ = [
    "PAINT_COLOURS",
    "ReadCaps",
    "Scan",
    "ScanPair",
    "estimate_noise_mm",
    "read_pair",
    "read_scan",
    "self_crossings",
    "stl_bytes",
    "swapped",
    "write_stl",
]
