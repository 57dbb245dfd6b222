"""Which format a file is, by its content, and the reader that belongs to it.

Notes
-----
Our own readers for scan files. A file may be broken, huge or hostile, and an error must be told in
one sentence. Choice: a reader for each format that counts before it takes memory. Instead of:
trimesh, which loads six times as many modules and guesses where we must refuse. Cost: a thousand
lines; a corpus of files in the tests.
"""

from __future__ import annotations

from collections.abc import Callable

from veneercheck.core.errors import ScanError, Told
from veneercheck.scan import glb, obj, off, ply, stl, threemf
from veneercheck.scan.intake import Intake
from veneercheck.scan.limits import ReadCaps
from veneercheck.scan.raw import RawSurface

Reader = Callable[[bytes, str, ReadCaps], RawSurface]

_READERS: tuple[tuple[Callable[[bytes], bool], Reader], ...] = (
    (glb.is_glb, glb.read_glb),
    (threemf.is_zip, threemf.read_3mf),
    (stl.is_exact_binary, stl.read_binary),
    (ply.is_ply, ply.read_ply),
    (stl.is_ascii, stl.read_ascii),
    (off.is_off, off.read_off),
    (obj.is_obj, obj.read_obj),
)
"""Surest signs first: magic numbers, then a size that fits to the byte, then words."""

_STRANGERS = {
    b"%PDF": Told("a PDF"),
    b"\x89PNG": Told("a picture"),
    b"\xff\xd8\xff": Told("a picture"),
    b"GIF8": Told("a picture"),
    b"Rar!": Told("a RAR archive"),
    b"7z\xbc\xaf": Told("a 7z archive"),
    b"<!DO": Told("a web page"),
    b"<htm": Told("a web page"),
    b"<?xm": Told("an XML file"),
    b"{": Told("a JSON file"),
}
"""First bytes of what is dropped on the program by mistake."""

_READ = Told("Export the scan as STL, PLY, OBJ, OFF, 3MF or GLB.")


def parse(intake: Intake, caps: ReadCaps) -> RawSurface:
    """Read a surface, whatever its name says it is.

    Raises
    ------
    ScanError
        If no format fits, or the one that fits is broken.
    """
    for fits, read in _READERS:
        if fits(intake.data):
            return read(intake.data, intake.name, caps)
    if _may_be_binary_stl(intake):
        return stl.read_binary(intake.data, intake.name, caps)
    raise _unknown(intake)


def _may_be_binary_stl(intake: Intake) -> bool:
    """Binary STL has no sign of its own: a count that the bytes can hold, or the name, speaks."""
    promised = stl.promised_triangles(intake.data)
    held = (len(intake.data) - stl.HEADER_BYTES) // stl.TRIANGLE_BYTES
    named = intake.name.lower().removesuffix(".gz").endswith(".stl")
    binary = b"\x00" in intake.data[:512]
    return promised >= 0 and ((0 < promised <= held and binary) or named)


def _unknown(intake: Intake) -> ScanError:
    start = intake.data[:16].lstrip(b"\xef\xbb\xbf \t\r\n")
    for magic, what in _STRANGERS.items():
        if start.startswith(magic):
            return ScanError(
                Told("this is {what}, not a scan.", what=what), where=intake.name, next_step=_READ
            )
    return ScanError(
        "this is none of the formats that are read.", where=intake.name, next_step=_READ
    )
