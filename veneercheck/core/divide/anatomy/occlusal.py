"""Which way is occlusal: away from where the scans or the retainers open, or crowns end flat."""

from __future__ import annotations

import numpy as np

from veneercheck.core.divide.anatomy.arch import Cloud
from veneercheck.core.divide.anatomy.plinth import upright
from veneercheck.core.mesh.nearest import NearestPoints
from veneercheck.core.mesh.triangles import (
    calmed,
    components,
    corner_cross,
    edge_pairs,
    row_dot,
)
from veneercheck.core.types import Bools, Floats, Ints, TriangleMesh

OPEN_SCAN = "away from where the scan is open"
PLINTH = "along the walls of the model's plinth, away from where the scan is open"
OPEN_RETAINERS = "away from where the retainers open"
FLAT_ENDS = "away from its flat ends"
OPEN_WAXUP = "away from where the wax-up is open"

_LEAST_OPEN = 0.05
"""Share of the surface that is missing below, from which the opening tells the direction: what no
view saw within retainers summed up to 0.02 once, any way. Of the wax-up it is not enough alone,
since its scan may have been cropped at any side."""

_LEAST_FITTING = 0.02
"""Share of the surface that insides of retainers must have."""

_LEAST_MOUTH = 0.1
"""Share of a hollow's surface that its mouth must have: a cylinder four times as deep as wide has
6 %, a retainer's inside 15 to 30 %."""

_LEAST_SHALLOW = 0.05
"""The same where the wax-up is open to that side, too: a hollow whose walls are known in part."""

_UNDERCUT, _MOST_UNDERCUT = 0.2, 0.07
"""Surface so turned from the mouth, and its share in a hollow: up to 0.06 in 117 of 120 bridges of
our own making, 0.08 and 0.33 in two where walls of embrasures passed for one."""

_SHARP_PER_MM = 1.0
"""A rim bends more than a ball of this radius would, in 1/mm; cusps do, too, but round nothing."""

_CALMINGS = 2
"""Normals are taken with their neighbours' so often: scan noise bends as well."""

_LEAST_END_MM2, _FLAT = 6.0, 0.9
"""An end is larger, and its area vectors sum up to this share of its area: a cone of 26°."""

_MOST_ALIKE = 0.1
"""An end faces no more the way that the veneer does, as a cosine: a slope of a cusp would."""

_MOST_CUT, _NEAR_MM = 0.7, 0.7
"""Share of an end's rim that may lie so near a cut: with a cut all round, what is flat is a spot
that was left uncut."""

_ONE_WAY = 0.6
"""The area vectors of all ends together sum up to this share of their area: contact facets and the
sides of a plinth cancel one another, and now and then a cusp's slope left uncut is among them."""

_LEAST_SEEN = 0.13
"""Share of what the work shows from there that ends make up: a neck is two fifths of a crown, and
one of three units one. A flat wall was 0.11 of a bridge held by inlays, and buccal was told as
occlusal; of bridges of our own making with true ends 0.09 to 0.30, so that the least are asked."""

_LONG_FORM, _ACROSS = 1.4, 0.5
"""A body so much longer than wide has its end across its length, within 60° as a cosine."""

_VENEERED_BELOW = -0.5
"""As a cosine: no bridge is veneered so far below and so little elsewhere."""

_AGREE_COS = 0.5
"""Two ways to tell occlusal that lie farther apart than 60° contradict each other; nearer, each
errs by up to 25°, and not the same way."""


def occlusal_of(
    cloud: Cloud, framework: TriangleMesh, calm: Floats, shared: Bools, waxup: TriangleMesh | None
) -> tuple[Floats | None, str]:
    """The occlusal direction, and how it shows.

    Parameters
    ----------
    cloud : Cloud
        The framework's vertices with their exact area vectors.
    calm : ndarray, shape (n, 3)
        Outward unit normals of its vertices with little noise.
    shared : ndarray of bool, shape (n,)
        Which lie on the wax-up, uncut: a flat cut says nothing.
    waxup : TriangleMesh, optional

    Returns
    -------
    direction : ndarray, shape (3,), or None
        None where nothing shows it, or two things contradict each other.
    how : str
    """
    opened = open_side(cloud)
    bare = cloud.area_mm2 * (cloud.bridge & ~cloud.veneered)
    square = None if opened is None else upright(calm, bare, opened)
    scan = _agreed(
        (opened, OPEN_SCAN) if square is None else (square, PLINTH),
        (drawn_side(cloud), OPEN_RETAINERS),
    )
    found = scan or _by_form(cloud, framework, calm, shared, waxup)
    faces = _veneer_faces(cloud)
    if found[0] is not None and found[0] @ faces < _VENEERED_BELOW * np.linalg.norm(faces):
        return None, ""
    return found


def _by_form(
    cloud: Cloud, framework: TriangleMesh, calm: Floats, shared: Bools, waxup: TriangleMesh | None
) -> tuple[Floats | None, str]:
    """By what shows where neither scan nor retainers tell: flat ends, or an open wax-up."""
    flat = flat_ends(cloud, edge_pairs(framework.faces), calm, shared)
    opened = None if waxup is None else _open_waxup(waxup)
    hollow = drawn_side(cloud, _LEAST_SHALLOW)
    if opened is None or hollow is None or opened @ hollow < _AGREE_COS:
        opened = hollow = None
    return _agreed((flat, FLAT_ENDS), (opened, OPEN_WAXUP), (hollow, "")) or (None, "")


def _agreed(*told: tuple[Floats | None, str]) -> tuple[Floats | None, str] | None:
    """What some say, in the words of the first of them; no way if they contradict each other."""
    known = [(way, how) for way, how in told if way is not None]
    if not known:
        return None
    ways = np.stack([way for way, _ in known])
    if (ways @ ways.T < _AGREE_COS).any():
        return None, ""
    return _way(ways.sum(axis=0)), known[0][1]


def open_side(cloud: Cloud) -> Floats | None:
    """The occlusal direction as the side away from where the surface is open.

    The sum of all area vectors of a closed surface is zero, so that of one with openings is
    what would close them, reversed (Gauss). Retainers, a model and their scans are open below.

    Returns
    -------
    ndarray, shape (3,), or None
        None where nothing is open.
    """
    weight = cloud.area_mm2 * cloud.bridge
    total = weight @ cloud.normals
    if np.linalg.norm(total) < _LEAST_OPEN * weight.sum():
        return None
    return _way(total)


def _way(vector: Floats) -> Floats:
    return np.asarray(vector / np.linalg.norm(vector))


def _open_waxup(waxup: TriangleMesh) -> Floats | None:
    """The same of the wax-up as a whole: its framework may have been closed by a program."""
    cross = corner_cross(waxup)
    total, area = cross.sum(axis=0), np.sqrt(row_dot(cross, cross)).sum()
    if np.linalg.norm(total) < _LEAST_OPEN * area:
        return None
    return _way(total)


def drawn_side(cloud: Cloud, least_mouth: float = _LEAST_MOUTH) -> Floats | None:
    """The occlusal direction as the side away from which the retainers open.

    The area vectors of a hollow sum up to that of its mouth, reversed (Gauss).

    Returns
    -------
    ndarray, shape (3,), or None
        None where no inside of a retainer is known, or only walls whose sum says nothing, or some
        that face away from the mouth: those of embrasures do, a hollow's hardly anywhere.
    """
    weight = cloud.area_mm2 * cloud.fitting
    total = weight @ cloud.normals
    known = weight.sum() >= _LEAST_FITTING * cloud.area_mm2.sum()
    if not known or np.linalg.norm(total) < least_mouth * weight.sum():
        return None
    mouth = _way(total)
    turned = weight @ (cloud.normals @ mouth < -_UNDERCUT)
    return None if turned > _MOST_UNDERCUT * weight.sum() else -mouth


def flat_ends(cloud: Cloud, edges: Ints, calm: Floats, shared: Bools) -> Floats | None:
    """The occlusal direction as the side away from which crowns end flat.

    Where a scan was closed at its margins a crown ends in a plane or a shallow cone with a sharp
    rim all round; little else of its contour does. A chewing surface of flat metal over a round
    base would be taken for such an end: how the direction was found is told with it.

    Parameters
    ----------
    edges : ndarray of int64, shape (e, 2)
    calm : ndarray, shape (n, 3)
    shared : ndarray of bool, shape (n,)

    Returns
    -------
    ndarray, shape (3,), or None
    """
    a, b = edges.T
    calm = calmed(calm, edges, _CALMINGS)
    way = cloud.points_mm[b] - cloud.points_mm[a]
    square = np.maximum(row_dot(way, way), np.finfo(float).tiny)
    known = shared & cloud.bridge
    inner = known.copy()
    inner[edges[row_dot(calm[b] - calm[a], way) > _SHARP_PER_MM * square]] = False
    label = components(len(inner), edges[inner[a] & inner[b]])
    area = np.bincount(label, cloud.area_mm2 * inner)
    vector = np.stack([np.bincount(label, cloud.area_mm2 * inner * n) for n in calm.T], axis=1)
    end = (area > _LEAST_END_MM2) & (np.linalg.norm(vector, axis=1) > _FLAT * area)
    end &= vector @ _veneer_faces(cloud) < _MOST_ALIKE * area
    rim = edges[(inner[a] != inner[b]) & (end[label[a]] | end[label[b]])]
    within, beside = np.where(inner[rim[:, :1]], rim, rim[:, ::-1]).T
    if known.all() or not len(rim):
        at_cut = np.zeros(len(rim), dtype=bool)
    else:
        at_cut = NearestPoints(cloud.points_mm[~known]).query(cloud.points_mm[beside])[0] < _NEAR_MM
    border = np.bincount(label[within], minlength=len(area))
    end &= np.bincount(label[within], at_cut, len(area)) < _MOST_CUT * border
    total = vector[end].sum(axis=0)
    if not end.any() or np.linalg.norm(total) < _ONE_WAY * area[end].sum():
        return None
    below = _way(total)
    weight = cloud.area_mm2 * cloud.bridge
    shown = 0.5 * float(weight @ np.abs(cloud.normals @ below))
    if float(vector[end].sum(axis=0) @ below) < _LEAST_SEEN * shown:
        return None
    return None if _along(cloud, below) else -below


def _veneer_faces(cloud: Cloud) -> Floats:
    """Mean outward normal of what is to be veneered, shorter the more sides there are of it."""
    weight = cloud.area_mm2 * cloud.veneered
    return np.asarray(weight @ cloud.normals / max(weight.sum(), _LEAST_END_MM2))


def _along(cloud: Cloud, way: Floats) -> bool:
    """Whether a direction runs along a long body."""
    weight = cloud.area_mm2 * cloud.bridge
    arm = cloud.points_mm - np.average(cloud.points_mm, axis=0, weights=weight)
    value, axes = np.linalg.eigh((arm * weight[:, None]).T @ arm)
    return bool(value[2] > _LONG_FORM**2 * value[1] and abs(axes[:, 2] @ way) > _ACROSS)
