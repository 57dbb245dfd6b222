"""How the cut runs out at its finish line: a profile over the way inward and the depth."""

from __future__ import annotations

import dataclasses
import itertools
from typing import Literal

import numpy as np

from veneercheck.core.types import Floats

Form = Literal["chamfer", "shoulder", "knife edge"]
FORMS: tuple[Form, ...] = ("chamfer", "shoulder", "knife edge")

_ARC_STEPS = 24
"""Chords of a quarter circle: they leave it by 0.05 % of its radius."""

_ABOVE_MM = 3.0
"""The profile goes on above the contour, so that it crosses the contour at its own angle."""


@dataclasses.dataclass(frozen=True, slots=True)
class Runout:
    """A profile, square to the finish line.

    Parameters
    ----------
    form : {"chamfer", "shoulder", "knife edge"}
        A quarter of an ellipse; a wall at right angles with a rounded foot; a plain slope.
    depth_mm : float
        Full depth.
    width_mm : float
        Way inward to the full depth; of a shoulder the radius of its foot.
    """

    form: Form
    depth_mm: float
    width_mm: float

    def line(self) -> Floats:
        """Corners of the profile: (way inward, depth), shape (k, 2), from above the contour."""
        angle = np.linspace(0.0, 0.5 * np.pi, _ARC_STEPS + 1)
        depth, width = self.depth_mm, self.width_mm
        if self.form == "knife edge":
            slope = width / depth
            start = np.array([[-slope * _ABOVE_MM, -_ABOVE_MM], [width, depth]])
        elif self.form == "chamfer":
            arc = np.stack([width * (1.0 - np.cos(angle)), depth * np.sin(angle)], axis=1)
            start = np.concatenate([[[0.0, -_ABOVE_MM]], arc])
        else:
            foot = min(width, depth)
            arc = np.stack([1.0 - np.cos(angle), np.sin(angle) - 1.0], axis=1) * foot
            start = np.concatenate([[[0.0, -_ABOVE_MM]], arc + [0.0, depth]])
        return start

    def depth_at(self, way_mm: Floats) -> Floats:
        """Depth below the contour at a way inward from the finish line, shape (n,); 0 outside."""
        line = self.line()
        found: Floats = np.interp(way_mm, line[:, 0], line[:, 1], right=self.depth_mm)
        return np.where(way_mm > 0.0, np.maximum(found, 0.0), 0.0)

    def distance(self, way_mm: Floats, depth_mm: Floats) -> Floats:
        """Distance of places (way inward, depth) from the profile, shape (n,), mm.

        Negative where the veneer is, above the profile; positive in the metal.
        """
        line = self.line()
        at = np.stack([way_mm, depth_mm], axis=1)
        nearest = np.full(len(at), np.inf)
        for start, end in itertools.pairwise(line):
            along = end - start
            share = np.clip((at - start) @ along / (along @ along), 0.0, 1.0)
            gap = at - start - share[:, None] * along
            nearest = np.minimum(nearest, np.einsum("ij,ij->i", gap, gap))
        beyond = at - line[-1]  # the floor goes on without end
        beyond[:, 0] = np.minimum(beyond[:, 0], 0.0)
        nearest = np.minimum(nearest, np.einsum("ij,ij->i", beyond, beyond))
        wall = np.interp(depth_mm, line[:, 1], line[:, 0])
        inside = (depth_mm < self.depth_mm) & (way_mm > wall)
        return np.asarray(np.where(inside, -1.0, 1.0) * np.sqrt(nearest))
