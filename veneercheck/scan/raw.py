"""What a format reader hands on: a surface as the file states it, before any condition."""

from __future__ import annotations

import dataclasses

import numpy as np
import numpy.typing as npt

from veneercheck.core.errors import ScanError
from veneercheck.core.types import Fault, Ints

NO_PAINT = -1
"""Code of a vertex whose colour says nothing: its region is found automatically."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class RawSurface:
    """A surface in the unit of its file.

    Parameters
    ----------
    points : ndarray of float32 or float64, shape (n, 3)
        In the file's own unit.
    faces : ndarray of int64, shape (m, 3), or None
        None: every three points make a triangle, as in STL.
    unit : str or None
        The unit that the format states, None where it states none.
    paint : ndarray of int64, shape (n,), or None
        Region code of each point from its colour.
    faults : tuple of Fault
        What the reader found odd and how it took it.
    """

    points: npt.NDArray[np.floating]
    faces: Ints | None
    unit: str | None = None
    paint: Ints | None = None
    faults: tuple[Fault, ...] = ()

    @property
    def triangles(self) -> int:
        """Number of triangles."""
        return len(self.points) // 3 if self.faces is None else len(self.faces)


def cut_short(name: str, what: str) -> ScanError:
    """The refusal of a file that ends before it has said everything."""
    return ScanError(what, where=name, next_step="Copy or export the file again.")


def not_understood(name: str, what: str) -> ScanError:
    """The refusal of a file that breaks the rules of its format."""
    return ScanError(what, where=name, next_step="Export the scan again, best as binary STL.")
