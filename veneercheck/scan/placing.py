"""Objects placed into one scene by matrices, with a limit on what the placing may multiply."""

from __future__ import annotations

import dataclasses

import numpy as np

from veneercheck.core.types import Floats, Ints
from veneercheck.scan.limits import ReadCaps
from veneercheck.scan.raw import not_understood

MOST_PLACINGS = 10_000
"""More copies of objects than any scan has; a file that multiplies itself is stopped here."""

MOST_LEVELS = 32
"""Deeper nesting of objects than any scan has; a file that contains itself is stopped here."""


@dataclasses.dataclass(slots=True, eq=False)
class Scene:
    """Triangles collected from placed objects.

    Parameters
    ----------
    name : str
        The file, for refusals.
    """

    name: str
    caps: ReadCaps
    points: list[Floats] = dataclasses.field(default_factory=list)
    faces: list[Ints] = dataclasses.field(default_factory=list)
    _vertices: int = 0
    _triangles: int = 0
    _visits: int = 0

    def visit(self, level: int) -> None:
        """Count one more node of the scene; refuse endless ones."""
        self._visits += 1
        if level > MOST_LEVELS or self._visits > MOST_PLACINGS:
            raise not_understood(self.name, "its objects contain one another without end.")

    def place(self, points: Floats, faces: Ints, scene_from_object: Floats) -> None:
        """Add an object, moved by a 4×4 matrix; a mirrored one keeps its outside outside."""
        self._triangles += len(faces)
        self.caps.check_triangles(self._triangles, self.name)
        # A point may be in no triangle: a flood of those counts, too.
        self.caps.check_triangles((self._vertices + len(points)) // 3, self.name)
        if len(faces) and (faces.min() < 0 or faces.max() >= len(points)):
            raise not_understood(self.name, "a triangle names a vertex that does not exist.")
        with np.errstate(over="ignore", invalid="ignore"):
            moved = points @ scene_from_object[:3, :3].T + scene_from_object[:3, 3]
            mirrored = np.linalg.det(scene_from_object[:3, :3]) < 0
        self.points.append(moved)
        self.faces.append((faces[:, ::-1] if mirrored else faces) + self._vertices)
        self._vertices += len(points)

    def surface(self) -> tuple[Floats, Ints]:
        """Everything placed, as one surface; refused if there is none."""
        if not self._triangles:
            raise not_understood(self.name, "it holds no triangle.")
        return np.concatenate(self.points), np.concatenate(self.faces)
