"""Which side of a scan is outside, and setting right what is not."""

from __future__ import annotations

import dataclasses

import numpy as np

from veneercheck.core.mesh.rays import RayScene, glances
from veneercheck.core.mesh.triangles import bounding_box, components, row_cross, row_dot
from veneercheck.core.types import Bools, Fault, Floats, Ints, TriangleMesh
from veneercheck.scan.repair import middle
from veneercheck.scan.shape import Shape, shape_of
from veneercheck.scan.topology import Rims, Sides, sides_of

_CLEAR_VOLUME = 0.005
"""Volume over area^1.5 from which an open part, its rims covered, encloses something without
doubt: a ball has 0.094, a hollow crown with a 0.5 mm wall about 0.012."""

_VOTERS = 256
"""Triangles that look out for the sky; one in 16 may err and the vote still stands."""

GLANCES = 24
"""Directions in which each of them looks, on either side."""

_CLEAR_VOTE = 0.05
"""Difference in open sky between the two sides below which the vote is a tie; chance alone
gives about 1/√(256·24) = 0.013."""

_LIFT = 1e-4
"""Start of a glance above its triangle, over the size of the scan: past float32 rounding."""

_INSIDE = 0.5
"""Winding number beyond which a point lies inside: halfway between none and one turn."""


MOST_JUDGED = 32
"""Doubtful parts looked at one by one, the largest first; a shattered scan has thousands."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Turning:
    """Triangles to be turned round, and the reasons.

    Parameters
    ----------
    turn : ndarray of bool, shape (m,), or None
        None: all stand right.
    scene : RayScene or None
        Of the triangles, whichever way they face, if it was made.
    """

    turn: Bools | None
    faults: tuple[Fault, ...]
    scene: RayScene | None = None


def set_right(
    mesh: TriangleMesh,
    sides: Sides,
    rims: Rims,
    part: Ints,
    shape: Shape,
    *,
    declared: bool,
) -> Turning:
    """Find triangles that stand inside out.

    First neighbours are made to agree, then each part that hangs together is judged: a closed one
    by its signed volume, an open one by the volume under its covered rims and, where that says
    little, by which side sees more of the sky.

    Parameters
    ----------
    part : ndarray of int64, shape (m,)
        Label of the part of every triangle.
    shape : Shape
        Of the mesh as it stands.
    declared : bool
        The orientation is declared (a silicone key faces inward): neighbours are made to agree
        with the majority, but nothing is turned by guess.
    """
    turn = np.zeros(len(mesh.faces), dtype=bool)
    faults: tuple[Fault, ...] = ()
    scene: RayScene | None = None
    if sides.mixed.any():
        turn, part, faults = _agree(mesh, sides, shape.area_mm2)
        mesh = turned(mesh, turn)
        sides, shape = sides_of(mesh), shape_of(mesh)
    if not declared:
        judged = _judge(mesh, sides, rims, part, shape)
        faults, scene = faults + judged.faults, judged.scene
        turn = turn if judged.turn is None else turn ^ judged.turn
    return Turning(turn if turn.any() else None, faults, scene)


def turned(mesh: TriangleMesh, turn: Bools) -> TriangleMesh:
    """The mesh with some triangles running the other way."""
    faces = mesh.faces.copy()
    faces[turn] = faces[turn][:, [0, 2, 1]]
    return TriangleMesh(mesh.points_mm, faces)


def _agree(
    mesh: TriangleMesh, sides: Sides, area_mm2: Floats
) -> tuple[Bools, Ints, tuple[Fault, ...]]:
    """Let neighbours run alike; the greater area of each patch stays.

    Every triangle stands twice in a graph, as it is and turned; sides shared by two triangles
    link the copies that agree. A patch whose two copies meet has but one side.
    """
    count = len(mesh.faces)
    one, other = sides.triangle[sides.shared], sides.triangle[sides.shared + 1]
    crossed = np.where(sides.mixed, count, 0)
    pairs = np.concatenate(
        [
            np.stack([one, other + crossed], axis=1),
            np.stack([one + count, other + count - crossed], axis=1),
        ]
    )
    label = components(2 * count, pairs)
    as_is, reverse = label[:count], label[count:]
    one_sided = as_is == reverse
    patch = np.unique(np.minimum(as_is, reverse), return_inverse=True)[1].reshape(-1)
    minority = as_is > reverse
    patches = int(patch.max()) + 1
    of_minority = np.bincount(patch, weights=area_mm2 * minority, minlength=patches)
    of_all = np.bincount(patch, weights=area_mm2, minlength=patches)
    turn = minority ^ (2 * of_minority > of_all)[patch]
    turn &= ~one_sided
    return turn, patch.astype(np.int64), _told_mixed(mesh, turn, one_sided)


def _told_mixed(mesh: TriangleMesh, turn: Bools, one_sided: Bools) -> tuple[Fault, ...]:
    faults: list[Fault] = []
    count, endless = int(turn.sum()), int(one_sided.sum())
    if count:
        words = "{count:,} triangles faced the other way than their neighbours; turned."
        faults.append(Fault.of("mixed_orientation", count, words, _place(mesh, turn)))
    if endless:
        words = "{count:,} triangles belong to a surface with one side only; left as they are."
        faults.append(Fault.of("not_orientable", endless, words, _place(mesh, one_sided)))
    return tuple(faults)


def _place(mesh: TriangleMesh, which: Bools) -> tuple[float, float, float]:
    return middle(mesh.points_mm[mesh.faces[which, 0]])


def _judge(mesh: TriangleMesh, sides: Sides, rims: Rims, part: Ints, shape: Shape) -> Turning:
    count = int(part.max()) + 1
    area_mm2 = shape.area_mm2
    area = np.bincount(part, weights=area_mm2, minlength=count)
    rim_sides = np.bincount(part[sides.triangle[sides.border]], minlength=count)
    closed = rim_sides == 0
    volume = _volumes(mesh, sides, rims, part, shape)
    clear = np.where(closed, volume >= 0, volume > _CLEAR_VOLUME * area**1.5)
    if clear.all():
        return Turning(None, ())
    turn_part = np.zeros(count, dtype=bool)
    faults: list[Fault] = []
    if (closed & ~clear).any():
        faults += _settle_closed(mesh, part, closed, volume, turn_part)
    doubtful = ~closed & ~clear
    scene = RayScene(mesh) if doubtful.any() else None
    if scene is not None:
        faults += _settle_open(mesh, scene, part, area_mm2, doubtful=doubtful, turn_part=turn_part)
    turn = turn_part[part]
    if turn.any():
        words = "{count:,} triangles faced inward ({area:.0f} mm²); turned round."
        turned_mm2, place = float(area_mm2[turn].sum()), _place(mesh, turn)
        faults.append(Fault.of("inside_out", int(turn.sum()), words, place, area=turned_mm2))
    return Turning(turn if turn.any() else None, tuple(faults), scene)


def _volumes(mesh: TriangleMesh, sides: Sides, rims: Rims, part: Ints, shape: Shape) -> Floats:
    """Signed volume of each part, its rims covered by cones to their middles, in mm³."""
    centre = mesh.points_mm.mean(axis=0)
    corner = np.take(mesh.points_mm, mesh.faces[:, 0], axis=0) - centre
    volume = np.bincount(part, weights=np.einsum("ij,ij->i", corner, shape.cross))
    border = sides.border
    if len(border):
        start = mesh.points_mm[sides.start[border]] - centre
        end = mesh.points_mm[sides.end[border]] - centre
        cover = _triple(end, start, rims.centre_mm[rims.rim_of_side] - centre)
        volume += np.bincount(part[sides.triangle[border]], weights=cover, minlength=len(volume))
    return np.asarray(volume / 6.0)


def _triple(a: Floats, b: Floats, c: Floats) -> Floats:
    return (
        a[:, 0] * (b[:, 1] * c[:, 2] - b[:, 2] * c[:, 1])
        + a[:, 1] * (b[:, 2] * c[:, 0] - b[:, 0] * c[:, 2])
        + a[:, 2] * (b[:, 0] * c[:, 1] - b[:, 1] * c[:, 0])
    )


def _settle_closed(
    mesh: TriangleMesh, part: Ints, closed: Bools, volume: Floats, turn_part: Bools
) -> list[Fault]:
    """A closed part must hold a positive volume, unless it is a hollow inside another."""
    order = np.argsort(-np.abs(volume), kind="stable")
    order = order[closed[order]][:MOST_JUDGED]
    hollows = 0
    for here in order.tolist():
        corner = mesh.points_mm[mesh.faces[int(np.argmax(part == here)), 0]]
        turns = np.abs(_windings(mesh, part, corner, len(volume))) > _INSIDE
        turns &= closed & (np.abs(volume) > abs(volume[here]))
        around = np.flatnonzero(turns)
        if len(around):
            container = around[np.abs(volume[around]).argmin()]
            turn_part[here] = turn_part[container]
            hollows += int((volume[here] < 0) != bool(turn_part[here]))
        else:
            turn_part[here] = volume[here] < 0
    if not hollows:
        return []
    words = "closed hollows inside the body ({count}) face inward, as they should; kept."
    return [Fault.of("enclosed_hollows", hollows, words)]


def _windings(mesh: TriangleMesh, part: Ints, point: Floats, count: int) -> Floats:
    """How often each part winds round a point (solid angles: Van Oosterom and Strackee 1983)."""
    a, b, c = (mesh.points_mm[mesh.faces[:, k]] - point for k in range(3))
    la, lb, lc = (np.sqrt(np.einsum("ij,ij->i", v, v)) for v in (a, b, c))
    below = (
        la * lb * lc
        + np.einsum("ij,ij->i", a, b) * lc
        + np.einsum("ij,ij->i", b, c) * la
        + np.einsum("ij,ij->i", c, a) * lb
    )
    angle = 2.0 * np.arctan2(_triple(a, b, c), below)
    return np.asarray(np.bincount(part, weights=angle, minlength=count) / (4.0 * np.pi))


def _settle_open(
    mesh: TriangleMesh,
    scene: RayScene,
    part: Ints,
    area_mm2: Floats,
    *,
    doubtful: Bools,
    turn_part: Bools,
) -> list[Fault]:
    """An open part shows its outside to the sky, whence it was scanned."""
    area = np.bincount(part, weights=area_mm2, minlength=len(doubtful))
    order = np.argsort(-area, kind="stable")
    order = order[doubtful[order]]
    unclear = len(order[MOST_JUDGED:])
    for here in order[:MOST_JUDGED].tolist():
        members = np.flatnonzero(part == here)
        lead = _sky(mesh, scene, members, area_mm2[members])
        turn_part[here] = lead < -_CLEAR_VOTE
        unclear += int(abs(lead) <= _CLEAR_VOTE)
    if not unclear:
        return []
    parts = "one open part" if unclear == 1 else "{count:,} open parts"
    words = f"it is not clear which side of {parts} is outside; left as found."
    return [Fault.of("unclear_orientation", unclear, words)]


def _sky(mesh: TriangleMesh, scene: RayScene, members: Ints, area_mm2: Floats) -> float:
    """How much more open sky the outside of some triangles sees than their inside, −1 to 1."""
    if not area_mm2.sum() > 0:
        return 0.0
    seen = [
        float((scene.first_face(starts, ways) < 0).mean())
        for starts, ways in from_both_sides(mesh, members, area_mm2)
    ]
    return seen[0] - seen[1]


def from_both_sides(
    mesh: TriangleMesh, members: Ints, area_mm2: Floats
) -> tuple[tuple[Floats, Floats], tuple[Floats, Floats]]:
    """Rays from some triangles, spread by their area: outward from them, and inward.

    Returns
    -------
    tuple of two pairs (starts, ways), ndarrays of shape (k, 3)
        `GLANCES` in a row from every place.
    """
    total = np.cumsum(area_mm2)
    at = np.searchsorted(total, (np.arange(_VOTERS) + 0.5) / _VOTERS * total[-1])
    corners = mesh.points_mm[mesh.faces[members[np.minimum(at, len(members) - 1)]]]
    cross = row_cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    length = np.sqrt(row_dot(cross, cross))
    corners, cross, length = corners[length > 0], cross[length > 0], length[length > 0]
    normal = cross / length[:, None]
    ways, normal = glances(normal, GLANCES), normal[:, None, :]
    low, high = bounding_box(mesh.points_mm)
    lift = _LIFT * float((high - low).max())
    centre = corners.mean(axis=1)[:, None, :]

    def on(side: float) -> tuple[Floats, Floats]:
        starts = np.broadcast_to(centre + side * lift * normal, ways.shape)
        return starts.reshape(-1, 3), side * ways.reshape(-1, 3)

    return on(1.0), on(-1.0)
