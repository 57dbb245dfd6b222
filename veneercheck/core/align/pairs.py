"""Pairs of a framework point and its nearest contour point, the unfit ones refused."""

from __future__ import annotations

import dataclasses

import numpy as np

from veneercheck.core.align.sampling import Samples, Surface, at_faces, barycentric
from veneercheck.core.mesh import unit
from veneercheck.core.nearest import NearestSurface
from veneercheck.core.types import Bools, Floats, RigidMotion

_AGREE = 0.8
"""Cosine from which on two normals agree: 37°, so that a thin wall's far side never pairs."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Target:
    """A surface together with its search tree.

    Parameters
    ----------
    surface : Surface
    tree : NearestSurface
        Of the smoothed mesh.
    """

    surface: Surface
    tree: NearestSurface


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Pairs:
    """What the nearest contour point says about every framework point.

    Parameters
    ----------
    point_mm : ndarray, shape (k, 3)
        Framework points, moved into the wax-up frame.
    normal : ndarray, shape (k, 3)
        Of the contour, at the nearest point.
    residual_mm : ndarray, shape (k,)
        Along `normal`; positive where the framework stands outside.
    distance_mm : ndarray, shape (k,)
        To the nearest point, not signed.
    good : ndarray of bool, shape (k,)
        Not on an open border, and the normals agree.
    """

    point_mm: Floats
    normal: Floats
    residual_mm: Floats
    distance_mm: Floats
    good: Bools


def target_of(surface: Surface) -> Target:
    """Build the search tree of a surface."""
    return Target(surface, NearestSurface(surface.mesh))


def pair(samples: Samples, motion: RigidMotion, target: Target) -> Pairs:
    """Move framework points and pair each with its nearest contour point.

    Parameters
    ----------
    samples : Samples
        In the framework frame.
    motion : RigidMotion
        `waxup_from_framework`.
    target : Target

    Returns
    -------
    Pairs
    """
    point, normal = motion.apply(samples.point_mm), motion.turn(samples.normal)
    found = target.tree.query(point)
    corners = target.surface.mesh.faces[found.face]
    bary = barycentric(target.surface.mesh, found.face, found.point_mm)
    contour_normal = unit(at_faces(target.surface.normal, corners, bary))
    residual = np.einsum("ij,ij->i", contour_normal, point - found.point_mm)
    agree = np.einsum("ij,ij->i", contour_normal, normal) > _AGREE
    good = agree & ~target.surface.border[corners].any(axis=1)
    return Pairs(point, contour_normal, residual, found.distance_mm, good)
