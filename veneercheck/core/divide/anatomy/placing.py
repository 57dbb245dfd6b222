"""Place every point of a framework: directions first, then teeth, then surfaces."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
from scipy.spatial import cKDTree

from veneercheck.core.divide.anatomy import arch, codes, sides, surfaces
from veneercheck.core.divide.anatomy.bridge import find_teeth, mean_left
from veneercheck.core.divide.anatomy.occlusal import occlusal_of
from veneercheck.core.divide.anatomy.places import Places, Surface, Third
from veneercheck.core.mesh.triangles import corner_cross, sum_at_vertices, unit, vertex_normals
from veneercheck.core.types import Bools, Case, Floats, Ints, TriangleMesh, unit_way

_FEW = 25_000
"""Points that are enough to find axis and valleys."""

_NO_TEETH = "The framework has not the size of teeth: teeth and surfaces are not told."
_NO_DIRECTION = (
    "The occlusal direction is not in the case file and does not show from the shape: surfaces, "
    "and which of several teeth, are not told. Give it under [frame], such as "
    'occlusal = "+z" or a vector [x, y, z].'
)

_TAKEN = "The occlusal direction is not in the case file; taken {how}: {vector}."

_SMALLEST_MM, _LARGEST_MM = 3.0, 150.0
"""No tooth is smaller, no jaw larger."""

_FAR_MM = 3.0
"""A contour point farther than a veneer is thick is not that point's own contour."""

_CLEAR_MM = 0.1
"""From this distance on the way to the nearest contour point is the contour's own normal there;
nearer, scan noise may turn it round."""

_PROUD_MM = 0.5
"""A framework stands no farther outside its contour; behind it lies another surface."""

_UNCUT_MM = 0.15
"""Nearer, a framework lies on its wax-up: noise and pose together."""

_RINGS = 3
"""The foot of a finish line's step is no wider."""


def place(
    framework: TriangleMesh,
    case: Case,
    *,
    area_mm2: Floats,
    bridge: Bools | None,
    veneered: Bools,
    fitting: Bools | None = None,
    normals: Floats | None = None,
    contour_mm: Floats | None = None,
    over: surfaces.Over | None = None,
    waxup: TriangleMesh | None = None,
) -> Places:
    """Say of every point which tooth and which surface it belongs to.

    Parameters
    ----------
    framework : TriangleMesh
        In the wax-up's frame, normals outward.
    case : Case
        Its units, pontics and directions; what it does not say is judged from the shape.
    area_mm2 : ndarray, shape (n,)
        Area that each vertex stands for.
    bridge : ndarray of bool, shape (n,), or None
        Which vertices are not model; None: told apart here.
    veneered : ndarray of bool, shape (n,)
        Which vertices were cut back.
    fitting : ndarray of bool, shape (n,), optional
        Which are known to lie inside a retainer. Others are looked for all the same.
    normals : ndarray, shape (n, 3), optional
        Outward unit normals, if noise has been taken off them already.
    contour_mm : ndarray, shape (n, 3), optional
        Nearest contour point of every vertex, NaN where there is none. Tooth and surface are
        then those of the contour over a vertex; without it those of the cut surface itself, whose
        finish line and corners lean otherwise than the contour did.
    over : tuple of ndarray, optional
        Points of the contour, shape (k, 3), and the vertex under each: how high a crown is.
    waxup : TriangleMesh, optional
        Where it is open may tell the occlusal direction.

    Returns
    -------
    Places

    Notes
    -----
    Seen from occlusal with the front teeth up, the lower right and the upper left quadrant lie on
    the right (`codes.side_of`). Running along the arch from the left over the front to the right,
    buccal lies on the left-hand side: buccal = occlusal × direction of travel. So the codes with
    the buccal direction give the order of the units along the bridge and which way is mesial;
    or the order and the codes give buccal.

    Examples
    --------
    >>> from veneercheck.core.mesh.triangles import vertex_areas
    >>> corners = [[x, y, z] for x in (0, 9) for y in (0, 8) for z in (0, 7)]
    >>> faces = [[0, 1, 3], [0, 3, 2], [4, 6, 7], [4, 7, 5], [0, 4, 5], [0, 5, 1], [2, 3, 7],
    ...          [2, 7, 6], [1, 5, 7], [1, 7, 3], [0, 2, 6], [0, 6, 4]]
    >>> block = TriangleMesh(corners, faces)
    >>> none = np.zeros(8, dtype=bool)
    >>> case = Case(units=(36,), occlusal="+z", buccal="+y")
    >>> place(block, case, area_mm2=vertex_areas(block), bridge=None, veneered=none).tooth[1]
    np.int64(36)
    """
    if not _is_a_bridge(framework.points_mm):
        return _nowhere(len(framework.points_mm), _NO_TEETH, certainty=math.nan)
    own = vertex_normals(framework) if normals is None else normals
    points, outward, clear = _on_contour(framework.points_mm, own, contour_mm)
    if contour_mm is not None:
        outward = _mended(framework.faces, outward, veneered, clear)
    none = np.zeros(len(points), dtype=bool)
    cloud = arch.Cloud(
        points,
        outward,
        area_mm2,
        none if fitting is None else fitting,
        veneered,
        ~none if bridge is None else bridge,
    )
    words: tuple[str, ...] = ()
    if case.occlusal:
        occlusal = np.array(unit_way(case.occlusal))
    else:
        shared = _shared(framework.points_mm, contour_mm, veneered)
        seen_from, how = occlusal_of(_exact(cloud, framework), framework, own, shared, waxup)
        if seen_from is None:
            alone = _alone(case, framework.points_mm, veneered)
            return dataclasses.replace(_nowhere(len(points), _NO_DIRECTION), tooth=alone)
        occlusal, words = seen_from, (_TAKEN.format(how=how, vector=_vector_words(seen_from)),)
    named, remarks = _named(case)
    # Contour for outlines, but the cut's own walls to tell which side was cut.
    sample = dataclasses.replace(cloud, normals=own)[:: 1 + len(points) // _FEW]
    found = find_teeth(sample, arch.plane_of(occlusal), named, case)
    seen = surfaces.see(
        found.teeth,
        cloud,
        case.pontics,
        own_points_mm=framework.points_mm,
        tell_model=bridge is None,
        over=over,
    )
    split, unit_of = found.teeth, None
    if not found.judged.stated:
        seen, split, unit_of = sides.lettered(seen, split)
    return Places(
        tooth=seen.tooth,
        surface=seen.surface,
        third=seen.third,
        mesial_share=seen.mesial_share,
        buccal_share=seen.buccal_share,
        occlusal=occlusal,
        buccal=mean_left(split.axis),
        occlusal_guessed=not case.occlusal,
        buccal_guessed=found.guessed,
        order_guessed=found.guessed and len(named) != 1,
        words=(*words, *remarks, *found.words),
        teeth=split,
        unit=unit_of,
        certainty=found.judged.certainty,
        veneered_side=found.judged.veneered,
        asked=found.asked,
    )


def _exact(cloud: arch.Cloud, framework: TriangleMesh) -> arch.Cloud:
    """The framework's own area vectors: only theirs sum up to those of its openings."""
    vector = sum_at_vertices(framework, corner_cross(framework)) / 6.0
    area = np.sqrt(np.einsum("ij,ij->i", vector, vector))
    normals = vector / np.where(area > 0, area, 1.0)[:, None]
    left_out = cloud.area_mm2 > 0
    return dataclasses.replace(
        cloud, points_mm=framework.points_mm, normals=normals, area_mm2=area * left_out
    )


def _is_a_bridge(points_mm: Floats) -> bool:
    """Whether a body has a size that teeth may have."""
    if not len(points_mm):
        return False
    size = points_mm.max(axis=0) - points_mm.min(axis=0)
    return bool(np.sort(size)[1] >= _SMALLEST_MM and size.max() <= _LARGEST_MM)


def _nowhere(count: int, why: str, *, certainty: float = 0.5) -> Places:
    none = np.zeros(count, dtype=np.int64)
    return Places(
        tooth=none,
        surface=none + Surface.NONE,
        third=none + Third.NONE,
        mesial_share=np.full(count, np.nan),
        buccal_share=np.full(count, np.nan),
        occlusal=np.full(3, np.nan),
        buccal=np.full(3, np.nan),
        occlusal_guessed=True,
        buccal_guessed=True,
        order_guessed=True,
        words=(why,),
        certainty=certainty,
    )


def _alone(case: Case, points_mm: Floats, veneered: Bools) -> Ints:
    """The code of the only unit named where it can be no other, shape (n,); else 0: on and beside
    what was cut, if that is no longer than one tooth is."""
    code = np.zeros(len(points_mm), dtype=np.int64)
    cut = points_mm[veneered]
    if len(case.units) != 1 or not len(cut):
        return code
    along = np.linalg.svd(cut[:: 1 + len(cut) // _FEW] - cut.mean(axis=0), full_matrices=False)[2]
    if np.ptp(cut @ along[0]) > _ONE_TOOTH * codes.usual_width_mm(case.units[0]):
        return code
    code[cKDTree(cut).query(points_mm, distance_upper_bound=_FAR_MM)[0] <= _FAR_MM] = case.units[0]
    return code


_ONE_TOOTH = 1.5
"""Two units side by side are at least 1.6 times as long as the one that is named is wide."""


def _on_contour(
    points_mm: Floats, normals: Floats, contour_mm: Floats | None
) -> tuple[Floats, Floats, Bools]:
    """Points and outward directions of the contour over each vertex, and where it shows them."""
    if contour_mm is None:
        return points_mm, normals, np.zeros(len(points_mm), dtype=bool)
    way = contour_mm - points_mm
    distance = np.sqrt(np.einsum("ij,ij->i", way, way))
    sign = np.sign(np.einsum("ij,ij->i", way, normals))
    over = (distance < _FAR_MM) & ((sign > 0) | (distance < _PROUD_MM))
    clear = over & (distance > _CLEAR_MM)
    scale = np.where(clear, sign / np.where(distance > 0, distance, 1.0), 0.0)
    outward = np.where(clear[:, None], way * scale[:, None], normals)
    return np.where(over[:, None], contour_mm, points_mm), outward, clear


def _mended(faces: Ints, outward: Floats, veneered: Bools, clear: Bools) -> Floats:
    """Directions at the finish line, where the step of the cut itself is not the contour's.

    Taken over from the neighbours, ring by ring.
    """
    doubtful = np.zeros(len(outward), dtype=bool)
    doubtful[faces[_touching(veneered, faces)]] = True
    doubtful &= ~clear
    mended = outward.copy()
    for _ in range(_RINGS):
        near = faces[_touching(doubtful, faces)]
        given = np.where(doubtful[near][:, :, None], 0.0, mended[near]).sum(axis=1)
        total = _at_corners(near, given, len(outward))
        reached = np.flatnonzero(doubtful & total.any(axis=1))
        mended[reached] = unit(total[reached])
        doubtful[reached] = False
    return mended


def _touching(chosen: Bools, faces: Ints) -> Bools:
    """Triangles with a corner among the chosen vertices, shape (m,)."""
    first, second, third = (chosen[faces[:, k]] for k in range(3))
    return np.asarray(first | second | third)


def _at_corners(faces: Ints, given: Floats, count: int) -> Floats:
    """Add what every triangle gives at each of its corners, shape (count, 3)."""
    corner = faces.reshape(-1)
    columns = [np.bincount(corner, np.repeat(given[:, k], 3), count) for k in range(3)]
    return np.stack(columns, axis=1)


def _shared(points_mm: Floats, contour_mm: Floats | None, veneered: Bools) -> Bools:
    """Which vertices lie on the wax-up and are not to be veneered, shape (n,)."""
    if contour_mm is None:
        return ~veneered
    away = np.linalg.norm(contour_mm - points_mm, axis=1)
    return np.asarray((away < _UNCUT_MM) & ~veneered)


def _vector_words(vector: Floats) -> str:
    return "({:+.2f}, {:+.2f}, {:+.2f})".format(*vector)


def _named(case: Case) -> tuple[tuple[int, ...], tuple[str, ...]]:
    """The codes along the arch, from −x over the front to +x; empty if they are of no use."""
    if not case.units:
        return (), ("No units in the case file: teeth, mesial and distal are not told.",)
    if not codes.one_arch(case.units):
        return (), ("The units named do not stand side by side in one jaw: teeth are not told.",)
    words = "The units are not named in order along the bridge; taken in the order of the arch."
    remarks = () if codes.in_order(case.units) else (words,)
    return tuple(sorted(case.units, key=codes.station)), remarks
