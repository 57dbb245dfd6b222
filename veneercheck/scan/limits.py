"""How much a scan file may hold before it is refused, set before any memory is taken."""

from __future__ import annotations

import dataclasses

from veneercheck.core.errors import ScanError

_MIB = 1 << 20


@dataclasses.dataclass(frozen=True, slots=True)
class ReadCaps:
    """Limits on what is read, against mistakes and hostile files.

    The defaults leave room for five times the densest full-arch scans met (2 million triangles,
    100 MB as binary STL) and stay below the memory of a common workstation.

    Parameters
    ----------
    file_bytes : int
        Largest file.
    unpacked_bytes : int
        Largest content of a compressed file.
    triangles : int
        Most triangles of one scan.
    files : int
        Most files that make up one scan.
    """

    file_bytes: int = 1024 * _MIB
    unpacked_bytes: int = 1024 * _MIB
    triangles: int = 10_000_000
    files: int = 64

    def check_triangles(self, count: int, where: str) -> None:
        """Refuse a surface with more triangles than allowed.

        Raises
        ------
        ScanError
        """
        if count > self.triangles:
            raise ScanError(
                f"it names {count:,} triangles; the limit is {self.triangles:,}.",
                where=where,
                next_step="Thin the mesh out or raise the limit.",
            )

    def check_unpacked(self, count: int, where: str) -> None:
        """Refuse content that grows beyond the limit when it is unpacked.

        Raises
        ------
        ScanError
        """
        if count > self.unpacked_bytes:
            raise ScanError(
                f"it unpacks to more than {self.unpacked_bytes // _MIB} MB.",
                where=where,
                next_step="Give the file unpacked, or raise the limit if it is meant to be so big.",
            )
