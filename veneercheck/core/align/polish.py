"""From a fair pose to the exact one: narrow first, then on the uncut surface alone."""

from __future__ import annotations

import dataclasses

import numpy as np

from veneercheck.core.align.pairs import Followed, Pairs, Target, pair
from veneercheck.core.align.reference import touching_vertices, uncut_vertices
from veneercheck.core.align.sampling import Samples, Surface, centre_and_radius, sample
from veneercheck.core.align.solver import rows, step
from veneercheck.core.align.weights import (
    LEAST_NOISE_MM,
    NOISE_WIDTH,
    estimate_noise,
    one_sided,
    tukey,
)
from veneercheck.core.mesh.motion import nearest_rotation, small_motion
from veneercheck.core.mesh.triangles import all_in, any_in
from veneercheck.core.types import Bools, Floats, RigidMotion

_NARROW_MM = ((0.3, 0.1), (0.3, 0.1), (0.3, 0.1), (0.2, 0.1), (0.2, 0.1))
"""Weights of the first rounds, inside and outside: never wider, or the cut-back pulls."""

_NARROWING_MM = (0.2, 0.14, 0.1, 0.07, 0.07)
"""Symmetric from here on: at this stage an outer point may be noise as well as an inner one."""

_ASLANT = 2.0
"""Where contour and gap are aslant the foot lies farther than the residual says, by so much."""

REACH_MM, CLOSE_REACH_MM = 1.0, 0.35
"""The latter where putty that held one scan stands over the gum of the other: from 0.5 mm on its
pull, the same at any distance, moved a fit by 0.8 mm even from the true pose."""

_MOST_NOISE_MM = 0.06
"""What differs by more is no noise."""

FIT_WIDTH = 4.685
"""In the last fit they reach to this many: 95 % of what least squares would make of normal noise
(Holland and Welsch 1977, from memory, and recomputed); at three it would be 77 %, and what was cut
is out of the reference already."""

_SEARCH_POINTS = 3000
QUICK_POINTS = 1500
_CONTACT_NOISES = 3.0
LEAST_CONTACT_MM = 0.03
LEAST_REFERENCE_MM2 = 5.0
VICINITY_MM = 0.3
_OUTSIDE_MM = 0.15
_OUTSIDE_REACH_MM = 2.0

_LEAST_HELD, _ONE_WAY = 0.025, 0.7
"""On a plate under both scans 0.001 to 0.016 of the contact held what was held third least; on
bridges 0.04 or more, on a crown's round collar as little, but its normals go all ways."""

_STILL_MM = 2e-3
"""Over so small a step nearest points slide by nothing that counts: (2 µm)² over the radius of a
tooth is below a nanometre. So the step is taken, the pairs move along, and the fit stands still."""

_LINEAR_MM = 0.02
"""Over so small a change the nearest points slide less than the surfaces bend."""

_MOST_ROUNDS = 6
_LINEAR_ROUNDS = 3
_REFERENCE_ROUNDS = 2
"""The reference is found, fitted, and found once more at the better pose."""


@dataclasses.dataclass(frozen=True, slots=True)
class Quality:
    """What speaks for a pose.

    Parameters
    ----------
    contact_mm2 : float
        Framework area that lies on the contour within the noise.
    outside_mm2 : float
        Framework area that stands outside it.
    sharpness : float
        Share of the contact in all that lies within 0.3 mm: surfaces that merely cross have
        little, about a fifth.
    slides : bool
        The contact is nearly all one plane, along which the framework slides.
    closest_mm2 : float
        Of the framework, what lies within 0.03 mm of the contour.
    """

    contact_mm2: float
    outside_mm2: float
    sharpness: float
    noise_mm: float
    slides: bool
    closest_mm2: float

    @property
    def score_mm2(self) -> float:
        """What touches by the pose's own noise, less what stands outside."""
        return self.contact_mm2 - self.outside_mm2

    @property
    def rank_mm2(self) -> float:
        """The same by one measure for every pose: a blunt one touches by three times as wide a
        one of its own, and would come before the true one where putty stands outside."""
        return self.closest_mm2 - self.outside_mm2


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Body:
    """The framework ready to be placed.

    Parameters
    ----------
    centre_mm : ndarray, shape (3,)
    radius_mm : float
        Distance of the farthest vertex from the centre.
    allowed : ndarray of bool, shape (m,)
        Triangles that may be taken as uncut.
    may_touch : ndarray of bool, shape (n,)
        Vertices that may be taken as uncut, those on the border too.
    """

    surface: Surface
    centre_mm: Floats
    radius_mm: float
    allowed: Bools
    may_touch: Bools

    @staticmethod
    def of(surface: Surface, reference: Bools | None) -> Body:
        """Measure a surface; a given reference mask confines the fit to its triangles."""
        centre, radius = centre_and_radius(surface)
        faces = surface.mesh.faces
        allowed = ~any_in(surface.border, faces)
        if reference is not None:
            allowed &= all_in(reference, faces)
        may_touch = np.ones(len(surface.area_mm2), dtype=bool) if reference is None else reference
        return Body(surface, centre, radius, np.asarray(allowed), may_touch)

    def allowed_vertices(self) -> Bools:
        """Vertices of the triangles that may be taken as uncut, shape (n,)."""
        mask = np.zeros(len(self.surface.mesh.points_mm), dtype=bool)
        mask[self.surface.mesh.faces[self.allowed].reshape(-1)] = True
        return mask


def moved(motion: RigidMotion, change: Floats, centre_mm: Floats) -> RigidMotion:
    """A motion followed by a small one about a centre; kept a rotation."""
    after = small_motion(change, centre_mm).after(motion)
    return RigidMotion(nearest_rotation(after.rotation), after.translation_mm)


def search_fit(
    body: Body, target: Target, start: RigidMotion, points: int, reach_mm: float = REACH_MM
) -> RigidMotion:
    """Fit narrowly and one-sidedly, then narrower and symmetric down to the noise.

    What stands outside pulls by a constant force as far as `reach_mm`.
    """
    followed = Followed(sample(body.surface, points, body.allowed), target)
    motion, noise = start, LEAST_CONTACT_MM
    for inside, outside in _NARROW_MM:
        found = followed.pair(motion, _ASLANT * inside, reach_mm)
        motion = _once(body, motion, found, one_sided(found.residual_mm, inside, outside))
    for scale in _NARROWING_MM:
        found = followed.pair(motion, _ASLANT * scale, _ASLANT * scale)
        motion = _once(body, motion, found, tukey(found.residual_mm, scale))
    for _ in range(3):
        found = followed.pair(motion, VICINITY_MM, VICINITY_MM)
        noise = estimate_noise(found.residual_mm[found.good], noise)
        width = NOISE_WIDTH * max(noise, LEAST_NOISE_MM)
        motion = _once(body, motion, found, tukey(found.residual_mm, width))
    return motion


def _once(body: Body, motion: RigidMotion, found: Pairs, weight: Floats) -> RigidMotion:
    centre = motion.apply(body.centre_mm[None])[0]
    jacobian = rows(found.point_mm, found.normal, centre)
    change = step(jacobian, found.residual_mm, weight * found.good, body.radius_mm)
    return moved(motion, _bounded(change, body.radius_mm), centre)


def _bounded(change: Floats, radius_mm: float, most_mm: float = 0.5) -> Floats:
    """No leap: a step moves no vertex by more than half a millimetre."""
    size = float(np.linalg.norm(change[:3]) * radius_mm + np.linalg.norm(change[3:]))
    return change * min(1.0, most_mm / max(size, 1e-12))


def judge(
    body: Body,
    target: Target,
    motion: RigidMotion,
    points: int = QUICK_POINTS,
    noise_mm: float | None = None,
) -> Quality:
    """Measure what speaks for a pose; by a given noise, or by the noise that the pose shows."""
    samples = sample(body.surface, points)
    each = float(body.surface.area_mm2.sum()) / max(points, 1)
    found = pair(samples, motion, target)
    residual = found.residual_mm
    noise = noise_mm or estimate_noise(residual[found.good], LEAST_CONTACT_MM)
    close = found.good & (found.distance_mm < VICINITY_MM)
    touch = close & (np.abs(residual) < max(LEAST_CONTACT_MM, _CONTACT_NOISES * noise))
    beyond = found.good & (residual > _OUTSIDE_MM) & (found.distance_mm < _OUTSIDE_REACH_MM)
    return Quality(
        each * float(touch.sum()),
        each * float(beyond.sum()),
        float(touch.sum()) / max(int(close.sum()), 1),
        noise,
        _slides(found.point_mm[touch], found.normal[touch]),
        each * float((close & (np.abs(residual) < LEAST_CONTACT_MM)).sum()),
    )


def _slides(point_mm: Floats, normal: Floats) -> bool:
    """Whether points face one way, and hardly any of them hold the third least certain way of
    moving, turns at their own spread (Gelfand and others 2003: three ways are free on a plane)."""
    if not len(point_mm):
        return True
    centre = point_mm.mean(axis=0)
    spread = float(np.sqrt(np.mean(np.sum((point_mm - centre) ** 2, axis=1))))
    lying = rows(point_mm, normal, centre) / np.array([max(spread, 1e-9)] * 3 + [1.0] * 3)
    held = float(np.linalg.eigvalsh(lying.T @ lying)[2]) / len(point_mm)
    return held < _LEAST_HELD and float(np.linalg.norm(normal.mean(axis=0))) > _ONE_WAY


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """What a pose shows at every framework vertex.

    Parameters
    ----------
    residual_mm : ndarray, shape (n,)
        Signed distance from the contour; NaN where no pair is fit.
    normal : ndarray, shape (n, 3)
        Of the contour, at the nearest point.
    bulge_mm : ndarray, shape (n,)
        How far a smooth contour lies outside its facets there.
    reference : ndarray of bool, shape (n,)
        Vertices taken as uncut.
    contact : ndarray of bool, shape (n,)
        All vertices that touch, those beside what was cut as well.
    """

    motion: RigidMotion
    residual_mm: Floats
    normal: Floats
    bulge_mm: Floats
    reference: Bools
    noise_mm: float
    contact: Bools

    @property
    def level_mm(self) -> Floats:
        """Residual from a smooth contour: facets lie inside, as if the framework were larger."""
        return self.residual_mm - self.bulge_mm

    @property
    def facets_mm(self) -> float:
        """How far facets of the contour lie inside it on the reference, root mean square."""
        bulge = self.bulge_mm[self.reference]
        return float(np.sqrt(np.mean(bulge**2))) if len(bulge) else 0.0


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Polished:
    """The last fit.

    Parameters
    ----------
    samples : Samples
        Points on the reference, spread evenly.
    pairs : Pairs
        Of those points, at the final pose.
    weight : ndarray, shape (k,)
    area_mm2 : float
        Of the reference.
    seen : Seen
        The pose the reference was taken from.
    """

    motion: RigidMotion
    samples: Samples
    pairs: Pairs
    weight: Floats
    area_mm2: float
    seen: Seen
    noise_mm: float
    stopped: str

    @property
    def sample_area_mm2(self) -> float:
        """Area that each point stands for."""
        return self.area_mm2 / max(len(self.samples.point_mm), 1)


def vertices_as_samples(surface: Surface) -> Samples:
    """Every vertex as a sample."""
    return Samples(surface.mesh.points_mm, surface.normal, np.zeros(0, dtype=np.int64))


def look(body: Body, target: Target, motion: RigidMotion, noise_mm: float) -> Seen:
    """Pair every framework vertex, and find the reference among them."""
    found = pair(vertices_as_samples(body.surface), motion, target)
    residual = np.where(found.good, found.residual_mm, np.nan)
    return _seen(body, motion, residual, found.normal, found.bulge_mm, noise_mm=noise_mm)


def _seen(
    body: Body,
    motion: RigidMotion,
    residual: Floats,
    normal: Floats,
    bulge_mm: Floats,
    *,
    noise_mm: float,
) -> Seen:
    border = body.surface.border
    inner = np.where(border, np.nan, residual)
    reference = uncut_vertices(body.surface, inner, noise_mm) & body.allowed_vertices()
    contact = touching_vertices(body.surface, residual, noise_mm) & body.may_touch
    return Seen(motion, residual, normal, bulge_mm, reference, noise_mm, contact)


def look_again(
    body: Body, target: Target, seen: Seen, motion: RigidMotion, noise_mm: float
) -> Seen:
    """The same at another pose: after a small change residuals change along their normals."""
    points = body.surface.mesh.points_mm
    gap = motion.apply(points) - seen.motion.apply(points)
    if float(np.abs(gap).max()) > _LINEAR_MM:
        return look(body, target, motion, noise_mm)
    residual = seen.residual_mm + np.einsum("ij,ij->i", gap, seen.normal)
    return _seen(body, motion, residual, seen.normal, seen.bulge_mm, noise_mm=noise_mm)


def fit_reference(
    body: Body,
    target: Target,
    seen: Seen,
    points: int,
) -> Polished:
    """Fit on given reference vertices until nothing moves."""
    keep = all_in(seen.reference, body.surface.mesh.faces) & body.allowed
    samples = sample(body.surface, points, keep)
    motion, noise, stopped = seen.motion, seen.noise_mm, "round limit"
    found = pair(samples, motion, target, touching=True)
    weight = np.zeros(len(samples.point_mm))
    for _ in range(_MOST_ROUNDS):
        centre = motion.apply(body.centre_mm[None])[0]
        jacobian = rows(found.point_mm, found.normal, centre)
        total, residual = np.zeros(6), found.residual_mm
        for _ in range(_LINEAR_ROUNDS):
            noise = max(estimate_noise(residual[found.good], _MOST_NOISE_MM), LEAST_NOISE_MM)
            weight = tukey(residual, FIT_WIDTH * noise) * found.good
            change = step(jacobian, residual, weight, body.radius_mm)
            total, residual = total + change, residual + jacobian @ change
        motion = moved(motion, _bounded(total, body.radius_mm), centre)
        size = np.linalg.norm(total[:3]) * body.radius_mm + np.linalg.norm(total[3:])
        if size < _STILL_MM:
            found = dataclasses.replace(
                found, point_mm=motion.apply(samples.point_mm), residual_mm=residual
            )
            stopped = "stands still"
            break
        found = pair(samples, motion, target, touching=True)
    area = float(body.surface.area_mm2[seen.reference].sum())
    return Polished(motion, samples, found, weight, area, seen, noise, stopped)


def last_fit(
    body: Body, target: Target, motion: RigidMotion, noise_mm: float, points: int
) -> Polished | None:
    """Fit on the uncut surface until it stands still; None if there is no such surface."""
    seen = look(body, target, motion, noise_mm)
    result: Polished | None = None
    for _ in range(_REFERENCE_ROUNDS):
        if result is not None:
            seen = look_again(body, target, seen, result.motion, result.noise_mm)
        if not (all_in(seen.reference, body.surface.mesh.faces) & body.allowed).any():
            return None
        result = fit_reference(body, target, seen, points)
        if not result.weight.any():
            return None
    return result
