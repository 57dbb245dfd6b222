"""The map packed small for the page: steps of less than a micrometre, differences, gzip."""

from __future__ import annotations

import base64
import dataclasses
import gzip
from typing import Any

import numpy as np
import numpy.typing as npt

from veneercheck.core.mesh import renumber_by_first_use
from veneercheck.core.types import Floats, Ints, TriangleMesh

_TOP_CODE = 65535
VALUE_STEP_MM = 1e-4
"""Readings are kept to 0.1 µm, coarser only where their range needs it."""

_LEVEL = 6
"""gzip: level 9 takes three times as long for 1 % less."""


@dataclasses.dataclass(slots=True)
class Pack:
    """Bytes laid one behind another, with a plan that tells the page where each part starts."""

    parts: list[bytes] = dataclasses.field(default_factory=list)
    size: int = 0

    def add(self, data: bytes) -> int:
        """Append a part and tell where it starts."""
        start, self.size = self.size, self.size + len(data)
        self.parts.append(data)
        return start

    def text(self) -> str:
        """All of it as gzip in base64; the same bytes for the same parts."""
        packed = gzip.compress(b"".join(self.parts), _LEVEL, mtime=0)
        return base64.b64encode(packed).decode("ascii")


def first_use_order(mesh: TriangleMesh) -> tuple[TriangleMesh, Ints]:
    """The mesh numbered by first use, and for each of its vertices the old number."""
    renumbered = renumber_by_first_use(mesh)
    old = np.empty(len(renumbered.points_mm), dtype=np.int64)
    old[renumbered.faces.reshape(-1)] = mesh.faces.reshape(-1)
    return renumbered, old


def add_mesh(pack: Pack, mesh: TriangleMesh, origin_mm: Floats) -> dict[str, Any]:
    """Pack a mesh that is numbered by first use.

    Returns
    -------
    dict
        Its plan: counts, starts, and how steps become mm from `origin_mm`.
    """
    points = mesh.points_mm - origin_mm
    low = points.min(axis=0)
    step = max(float(np.ptp(points, axis=0).max()) / _TOP_CODE, np.finfo(np.float32).eps)
    codes = np.rint((points - low) / step).astype(np.uint16)
    places = pack.add(b"".join(differences(codes[:, axis]) for axis in range(3)))
    return {
        "vertices": len(points),
        "triangles": len(mesh.faces),
        "low": low.tolist(),
        "step": step,
        "places": places,
        "faces": pack.add(corners(mesh.faces)),
    }


def add_values(pack: Pack, values_mm: Floats, step_mm: float) -> dict[str, float]:
    """Pack readings, shape (n,), mm, in steps or coarser; code 0 stands for not measured."""
    known = values_mm[np.isfinite(values_mm)]
    low, high = (float(known.min()), float(known.max())) if len(known) else (0.0, 0.0)
    step = max(step_mm, (high - low) / (_TOP_CODE - 1))
    codes = np.rint((np.nan_to_num(values_mm, nan=low) - low) / step) + 1.0
    codes[~np.isfinite(values_mm)] = 0.0
    start = pack.add(differences(codes.astype(np.uint16)))
    return {"start": start, "low": low, "step": step}


def differences(codes: npt.NDArray[np.uint16]) -> bytes:
    """Each code less the one before, as a plane of low bytes and a plane of high bytes."""
    steps = np.diff(codes, prepend=np.uint16(0)).astype("<u2")
    return np.ascontiguousarray(steps.view(np.uint8).reshape(-1, 2).T).tobytes()


def corners(faces: Ints) -> bytes:
    """Each corner as its distance below the highest number so far, in three byte planes."""
    flat = faces.reshape(-1)
    following = np.concatenate([[0], np.maximum.accumulate(flat)[:-1] + 1]) if len(flat) else flat
    back = (following - flat).astype("<u4")
    return np.ascontiguousarray(back.view(np.uint8).reshape(-1, 4)[:, :3].T).tobytes()
