"""Place every point of a framework: directions first, then teeth, then surfaces."""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from veneercheck.core.divide.anatomy import arch, codes, sides, surfaces, teeth
from veneercheck.core.divide.anatomy.places import Places, Surface, Third
from veneercheck.core.mesh.triangles import corner_cross, sum_at_vertices, unit, vertex_normals
from veneercheck.core.types import Bools, Case, Floats, Ints, TriangleMesh

_FEW = 25_000
"""Points that are enough to find axis and valleys."""

_CROWN_MM, _FRONT_CROWN_MM = 4.5, 5.5
"""Under the top, this much of a crown surely stands above the gingiva; front teeth are higher."""

_NO_TEETH = "The framework has not the size of teeth: teeth and surfaces are not told."
_NO_DIRECTION = (
    "The occlusal direction is not in the case file and does not show from the shape: teeth and "
    'surfaces are not told. Give it under [frame], such as occlusal = "+z".'
)

_POINTS_APART = (
    "The points on teeth in the case file do not lie in the order of the units: they were left out."
)

_LONG_FORM, _LONG_MM = 1.4, 12.0
"""An outline this much longer than wide, and longer than a tooth, is a bridge even if no units
are named."""

_SMALLEST_MM, _LARGEST_MM = 3.0, 150.0
"""No tooth is smaller, no jaw larger."""

_LEAST_UNIT_MM, _LEAST_POINTS = 3.0, 30
"""A bridge shorter than this times its units is not the one named; with fewer points a unit its
outline does not show."""

_MOST = 0.5
"""The crowns' largest connected part is the bridge if it has so much of their surface; else the
mesh is too coarse to hang together."""

_UNKNOWN_UNITS = 3
"""A bend as of three is allowed to a bridge whose units are not named."""

_FAR_MM = 3.0
"""A contour point farther than a veneer is thick is not that point's own contour."""

_CLEAR_MM = 0.1
"""From this distance on the way to the nearest contour point is the contour's own normal there;
nearer, scan noise may turn it round."""

_PROUD_MM = 0.5
"""A framework stands no farther outside its contour; behind it lies another surface."""

_RINGS = 3
"""The foot of a finish line's step is no wider."""

_AGREE_COS = 0.5
"""Two ways to tell occlusal that lie farther apart than 60° contradict each other; nearer, each
errs by up to 25°, and not the same way."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class _Found:
    """Teeth on their axis, and what had to be guessed for it."""

    teeth: teeth.Teeth
    judged: sides.Judged
    words: tuple[str, ...]

    @property
    def guessed(self) -> bool:
        """Whether the case does not say which side is buccal."""
        return self.judged is not sides.SAID


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
    occlusal, said, words = _occlusal(_exact(cloud, framework), case)
    if occlusal is None:
        return _nowhere(len(points), _NO_DIRECTION)
    named, remarks = _named(case)
    # Contour for outlines, but the cut's own walls to tell which side was cut.
    sample = dataclasses.replace(cloud, normals=own)[:: 1 + len(points) // _FEW]
    found = _find_teeth(sample, arch.plane_of(occlusal), named, case)
    seen = surfaces.see(
        found.teeth,
        cloud,
        case.pontics,
        own_points_mm=framework.points_mm,
        tell_model=bridge is None,
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
        buccal=_mean_left(split.axis),
        occlusal_guessed=not said,
        buccal_guessed=found.guessed,
        order_guessed=found.guessed and len(named) != 1,
        words=(*words, *remarks, *found.words),
        teeth=split,
        unit=unit_of,
        certainty=found.judged.certainty,
        veneered_side=found.judged.veneered,
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


def _axis_vector(name: str) -> Floats:
    """`+z`, `-x` … as a unit vector."""
    vector = np.zeros(3)
    vector["xyz".index(name[1])] = -1.0 if name[0] == "-" else 1.0
    return vector


def _occlusal(cloud: arch.Cloud, case: Case) -> tuple[Floats | None, bool, tuple[str, ...]]:
    if case.occlusal:
        return _axis_vector(case.occlusal), True, ()
    opened, drawn = arch.open_side(cloud), arch.drawn_side(cloud)
    if opened is not None and drawn is not None and opened @ drawn < _AGREE_COS:
        return None, False, ()
    found, how = opened, "away from where the scan is open"
    if opened is not None and drawn is not None:
        found = unit((opened + drawn)[None])[0]
    elif found is None:
        found, how = drawn, "away from where the retainers open"
    if found is None:
        return None, False, ()
    words = f"The occlusal direction is not in the case file; taken {how}: {_vector_words(found)}."
    return found, False, (words,)


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


def _find_teeth(cloud: arch.Cloud, plane: Floats, named: tuple[int, ...], case: Case) -> _Found:
    crowns = _crowns(cloud, plane, named)
    flat = crowns.points_mm @ plane[:2].T
    short = _length_mm(flat) < _LEAST_UNIT_MM * len(named)
    if len(named) > 1 and (short or len(flat) < _LEAST_POINTS * len(named)):
        found = _single(cloud, crowns, plane, (), case)
        said = "The framework is too short or coarse for the units named: teeth are not told."
        return dataclasses.replace(found, words=(said, *found.words))
    if len(named) == 1 or (not named and not _is_long(flat)):
        return _single(cloud, crowns, plane, named, case)
    axis = arch.find_axis(flat, plane, len(named) or _UNKNOWN_UNITS)
    return _bridge(cloud, crowns, axis, named or (0,), case)


def _crowns(cloud: arch.Cloud, plane: Floats, named: tuple[int, ...]) -> arch.Cloud:
    """The upper parts of the crowns, without model, dust and the insides."""
    local = cloud.points_mm @ plane.T
    front = any(codes.is_front(code) for code in named)
    reach = _FRONT_CROWN_MM if front else _CROWN_MM
    below = arch.crown_tops(local, cloud.area_mm2) - local[:, 2]
    upper = np.flatnonzero((below < reach) & cloud.bridge & ~cloud.fitting)
    if not len(upper):
        return cloud
    main = upper[arch.largest_patch(local[upper])]
    whole = cloud.area_mm2[main].sum() > _MOST * cloud.area_mm2[upper].sum()
    return cloud[main if whole else upper]


def _is_long(flat: Floats) -> bool:
    spread = np.linalg.eigvalsh(np.cov(flat.T))
    enough = len(flat) >= _LEAST_POINTS and _length_mm(flat) > _LONG_MM
    return bool(enough and spread[1] > _LONG_FORM**2 * spread[0])


def _length_mm(flat: Floats) -> float:
    """Diagonal of the outline's box: an arch is no shorter."""
    return float(np.linalg.norm(flat.max(axis=0) - flat.min(axis=0)))


def _single(
    cloud: arch.Cloud, crown: arch.Cloud, plane: Floats, named: tuple[int, ...], case: Case
) -> _Found:
    judged, buccal = sides.SAID, None
    if case.buccal:
        buccal = _axis_vector(case.buccal)
    else:
        buccal, judged = sides.of_crown(cloud, plane, case)
    axis = arch.straight_axis(crown.points_mm @ plane[:2].T, plane, np.cross(buccal, plane[2]))
    split = teeth.split(axis, named or (0,), axis.locate(crown.points_mm))
    return _Found(split, judged, _side_words(judged))


def _bridge(
    cloud: arch.Cloud, crowns: arch.Cloud, axis: arch.Axis, named: tuple[int, ...], case: Case
) -> _Found:
    """Run the axis so that buccal, or side A, lies on its left, and divide it."""
    one, other = (
        teeth.split(way, named, way.locate(crowns.points_mm), _known_places(way, case))
        for way in (axis, axis.reversed())
    )
    order = _order_of_points(_known_places(axis, case), named)
    judged = sides.SAID
    if order:
        score = order
    elif case.buccal:
        score = float(_mean_left(axis) @ _axis_vector(case.buccal))
    else:
        judged = sides.of_bridge(one, other, crowns, cloud[cloud.fitting], case)
        score = _way_to_a(judged, axis)
    words = _side_words(judged)
    chosen = one if score >= 0 else other
    if not np.isfinite(chosen.cost):
        located = chosen.axis.locate(crowns.points_mm)
        chosen, words = teeth.split(chosen.axis, named, located), (*words, _POINTS_APART)
    return _Found(chosen, judged, words)


def _way_to_a(judged: sides.Judged, axis: arch.Axis) -> float:
    """Positive where the left of the axis is buccal or, in doubt, side A.

    That is the side that shows on the bench, the more veneered one; else the one towards the
    positive end of the scan's nearest axis.
    """
    if judged.stated:
        return judged.odds
    left = _mean_left(axis)
    return judged.one_sided if judged.veneered else float(left[np.abs(left).argmax()])


def _side_words(judged: sides.Judged) -> tuple[str, ...]:
    if judged is sides.SAID:
        return ()
    if judged.stated:
        return (f"{_NO_BUCCAL}; judged from the veneer, the arch and the retainers.",)
    which = "is the more veneered one" if judged.veneered else "is shown in the pictures"
    return (f"{_NO_BUCCAL} and does not show surely: sides have letters. Side A {which}; {_ENDS}",)


_NO_BUCCAL = "The buccal direction is not in the case file"
_ENDS = (
    "seen from it, the biting surface up, end A is on the left, "
    "and units count from there: A1, A2 …"
)


def _known_places(axis: arch.Axis, case: Case) -> dict[int, float]:
    """Arc lengths of the points that the case gives on teeth."""
    if not case.tooth_points_mm:
        return {}
    located = axis.locate(np.array(list(case.tooth_points_mm.values())))
    return dict(zip(case.tooth_points_mm, located[:, 0].tolist(), strict=True))


def _order_of_points(known_mm: dict[int, float], named: tuple[int, ...]) -> float:
    """Way of the axis in which the points lie in the order of the arch; 0 if it does not show."""
    along = [known_mm[code] for code in named if code in known_mm]
    return along[-1] - along[0] if len(along) > 1 else 0.0


def _mean_left(axis: arch.Axis) -> Floats:
    """The left of the axis on the whole: across the line between its ends."""
    low, high = axis.ends_mm
    middle = [axis.tangent_at(low + share * (high - low)) for share in (0.1, 0.3, 0.5, 0.7, 0.9)]
    left = np.cross(axis.plane[2], np.sum(middle, axis=0))
    return np.asarray(left / np.linalg.norm(left))
