"""How much a scan file may hold before it is refused, set before any memory is taken."""

from __future__ import annotations

import dataclasses

from veneercheck.core.errors import ScanError, Told
from veneercheck.machine.memory import memory_gb, more_memory

_MIB = 1 << 20


_FILE_BYTES_PER_GB, _TRIANGLES_PER_GB = 256 * _MIB, 1_000_000
"""Of a scan for each gigabyte that a check may take: more could not be checked within it."""

_POINTS_PER_TRIANGLE = 3
"""Where every triangle has corners of its own, as in STL."""

_PACKED_FREELY = 32 * _MIB
"""So much may be unpacked whatever it was packed in: a model of one small number repeated."""

_HIGHEST_RATIO = 100
"""Scans pack to a half (binary) or a tenth (text): what grows further was made to do harm."""


@dataclasses.dataclass(frozen=True, slots=True)
class ReadCaps:
    """Limits on what is read, against mistakes and hostile files.

    The defaults follow what a check may take (`memory.memory_gb`): at the usual 2 GB they are the
    densest full-arch scans met (2 million triangles, 100 MB as binary STL).

    Parameters
    ----------
    file_bytes : int
        Largest file.
    unpacked_bytes : int
        Largest content of a compressed file.
    triangles : int
        Most triangles of one scan; of points thrice as many.
    """

    file_bytes: int = dataclasses.field(default_factory=lambda: _for_memory(_FILE_BYTES_PER_GB))
    unpacked_bytes: int = dataclasses.field(default_factory=lambda: _for_memory(_FILE_BYTES_PER_GB))
    triangles: int = dataclasses.field(default_factory=lambda: _for_memory(_TRIANGLES_PER_GB))

    @property
    def most_points(self) -> int:
        """Most points of one scan."""
        return _POINTS_PER_TRIANGLE * self.triangles

    def check_triangles(self, count: int, where: str) -> None:
        """Refuse a surface with more triangles than allowed."""
        if count > self.triangles:
            raise too_large(
                Told(
                    "it names {count:,} triangles; the limit is {triangles:,}.",
                    count=count,
                    triangles=self.triangles,
                ),
                where,
            )

    def check_points(self, count: int, where: str) -> None:
        """Refuse more points than so many triangles can have: they may be in no triangle at all."""
        if count > self.most_points:
            raise too_large(
                Told(
                    "it names {count:,} points; the limit is {most_points:,}.",
                    count=count,
                    most_points=self.most_points,
                ),
                where,
            )

    def check_unpacked(self, count: int, packed: int, where: str) -> None:
        """Refuse what grows beyond the limit, or beyond all measure, when it is unpacked."""
        if count > self.unpacked_bytes:
            raise too_large(
                Told(
                    "it unpacks to more than {unpacked_bytes} MB.",
                    unpacked_bytes=self.unpacked_bytes // _MIB,
                ),
                where,
            )
        if count > max(_PACKED_FREELY, _HIGHEST_RATIO * packed):
            raise ScanError(
                Told(
                    "it unpacks to more than {highest_ratio} times its size: no scan does.",
                    highest_ratio=_HIGHEST_RATIO,
                ),
                where=where,
                next_step="Export the scan again, best as binary STL.",
            )


def too_large(what: str, where: str) -> ScanError:
    """The refusal of what is beyond a limit that memory sets."""
    return ScanError(
        what,
        where=where,
        next_step=Told(
            "Thin the mesh out or, where there is memory for it, {more_memory}.",
            more_memory=more_memory(),
        ),
    )


def _for_memory(each_gb: int) -> int:
    return round(each_gb * memory_gb())
