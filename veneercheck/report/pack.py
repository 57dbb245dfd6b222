"""The map packed small for the page: what its neighbours let expect is left out, the rest gzipped.

Vertices are numbered so that neighbours stand close together (Cuthill and McKee 1969, reversed,
from memory). Each triangle is told with its highest vertex, round which those that it closes lie
as fans. So a vertex is told when the triangles to lower ones are known, and only how far it lies
from where these let expect it: over a side of such a triangle the parallelogram's fourth corner.
A triangle's third corner is expected where the rim of all that was told before goes on.

Notes
-----
The page's map told by what neighbours let expect. As plain differences it weighed 2.7 MB. Choice:
Cuthill–McKee order, fans, parallelograms, readings by lower neighbours, gzip (`report/pack.py`,
`report/view/decode.js`). Instead of: mesh coders whose decoders are larger than our script. Cost:
vertices and triangles have another order on the page than in `space.ply`.
"""

from __future__ import annotations

import base64
import dataclasses
import gzip
from typing import Any

import numpy as np
import numpy.typing as npt

from veneercheck.core.types import Bools, Floats, Ints, TriangleMesh

VALUE_STEP_MM = 1e-4
"""Readings are kept to 0.1 µm."""

PLACE_STEP_MM = 1e-3
"""Places are kept to 1 µm: a tenth of what a scanner scatters, and far below a screen's pixel."""

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

    def add_whole(self, numbers: Ints) -> list[int]:
        """Append whole numbers as planes of bytes; start, planes and how many there are.

        A number n is told as 2 n, and as −2 n − 1 where it is negative.
        """
        told = np.where(numbers < 0, -2 * numbers - 1, 2 * numbers).astype("<u4")
        planes = max(1, (int(told.max(initial=0)).bit_length() + 7) // 8)
        data = told.view(np.uint8).reshape(-1, 4)[:, :planes].T.tobytes()
        return [self.add(data), planes, len(numbers)]

    def add_bits(self, bits: Bools) -> int:
        """Append yes and no, eight a byte, and tell where they start."""
        return self.add(np.packbits(bits).tobytes())

    def text(self) -> str:
        """All of it as gzip in base64; the same bytes for the same parts."""
        packed = gzip.compress(b"".join(self.parts), _LEVEL, mtime=0)
        return base64.b64encode(packed).decode("ascii")


def page_order(mesh: TriangleMesh) -> tuple[TriangleMesh, Ints]:
    """The mesh as the page numbers it, and for each of its vertices the old number.

    Triangles begin with their highest corner, turn as before, and lie as fans round it. Vertices
    without a triangle, and triangles that name one twice, are left out.
    """
    from scipy.sparse import csr_matrix
    from scipy.sparse.csgraph import reverse_cuthill_mckee

    count, faces = len(mesh.points_mm), mesh.faces
    faces = faces[(faces != faces[:, [1, 2, 0]]).all(axis=1)]
    start, end = faces.reshape(-1), faces[:, [1, 2, 0]].reshape(-1)
    both = (np.concatenate([start, end]), np.concatenate([end, start]))
    graph = csr_matrix((np.ones(len(both[0]), dtype=np.int8), both), shape=(count, count))
    used = np.zeros(count, dtype=bool)
    used[start] = True
    old = np.asarray(reverse_cuthill_mckee(graph, symmetric_mode=True), dtype=np.int64)
    old = old[used[old]]
    number = np.empty(count, dtype=np.int64)
    number[old] = np.arange(len(old))
    told = number[faces]
    turn = (told.argmax(axis=1)[:, None] + np.arange(3)) % 3
    told = np.take_along_axis(told, turn, axis=1)
    return TriangleMesh(mesh.points_mm[old], told[_fans(told)]), old


def _fans(told: Ints) -> Ints:
    """The order of triangles by their highest corner, each behind the one beside which it lies."""
    a, b, c = told.T
    count, bits = len(told), max(int(told.max(initial=0)), 1).bit_length()
    key = (a << bits) | b
    order = np.argsort(key, kind="stable")
    place = np.minimum(np.searchsorted(key[order], (a << bits) | c), max(count - 1, 0))
    beside = order[place]
    follows = np.flatnonzero(key[beside] == ((a << bits) | c))
    # One follower each: the first that claims it.
    _, first = np.unique(beside[follows], return_index=True)
    follows = follows[first]
    after, begins = np.full(count, -1), np.ones(count, dtype=bool)
    after[follows], begins[beside[follows]] = beside[follows], False
    fan, rank = np.arange(count), np.zeros(count, dtype=np.int64)
    at, depth = np.flatnonzero(begins), 0
    while len(at):
        rank[at] = depth
        at = at[after[at] >= 0]
        fan[after[at]] = fan[at]
        at, depth = after[at], depth + 1
    return np.lexsort((rank, fan, a))


def add_mesh(pack: Pack, mesh: TriangleMesh, origin_mm: Floats) -> dict[str, Any]:
    """Pack a mesh in the page's order.

    Returns
    -------
    dict
        Its plan: counts, starts, and how steps become mm from `origin_mm`.
    """
    a, b, c = np.ascontiguousarray(mesh.faces.T)
    points = mesh.points_mm - origin_mm
    low = points.min(axis=0)
    steps = np.rint((points - low) / PLACE_STEP_MM).astype(np.int64)
    follows = np.zeros(len(a), dtype=bool)
    follows[1:] = (a[1:] == a[:-1]) & (b[1:] == c[:-1])
    off = steps - _expected_places(mesh.faces, steps)
    return {
        "vertices": len(points),
        "triangles": len(a),
        "low": low.tolist(),
        "step": PLACE_STEP_MM,
        "fans": pack.add_whole(np.bincount(a, minlength=len(points))),
        "follows": pack.add_bits(follows),
        "second": pack.add_whole(np.diff((a - b)[~follows], prepend=0)),
        "third": pack.add_whole(c - expected_thirds(mesh.faces)),
        "places": [pack.add_whole(column) for column in off.T],
    }


def _expected_places(faces: Ints, steps: Ints) -> Ints:
    """Where each vertex is expected from lower ones, shape (n, 3), in steps.

    The mean of the parallelograms over those sides that a triangle told before has; else of the
    neighbours; else the place of the vertex before.
    """
    a, b, c = np.ascontiguousarray(faces.T)
    over = _opposite(faces)
    known = np.flatnonzero(over >= 0)
    sides = steps[b] + steps[c]
    fourth, owner = sides[known] - steps[over[known]], a[known]
    count = len(steps)
    number = np.bincount(owner, minlength=count)
    around = 2 * np.bincount(a, minlength=count)
    found = np.concatenate([np.zeros((1, 3), dtype=np.int64), steps[:-1]])
    for axis in range(3):
        for shares, total in (
            (around, np.bincount(a, sides[:, axis], minlength=count)),
            (number, np.bincount(owner, fourth[:, axis], minlength=count)),
        ):
            told = shares > 0
            found[told, axis] = np.floor(total[told] / shares[told] + 0.5).astype(np.int64)
    return found


def _opposite(faces: Ints) -> Ints:
    """Over the side b–c of each triangle the corner of the first that has this side, told before.

    Shape (m,); −1 where no lower vertex tells one.
    """
    a, b, c = np.ascontiguousarray(faces.T)
    bits = max(int(faces.max(initial=0)), 1).bit_length()

    def key(u: Ints, v: Ints) -> Ints:
        return (np.minimum(u, v) << bits) | np.maximum(u, v)

    sides = np.stack([key(a, b), key(b, c), key(c, a)], axis=1).reshape(-1)
    corner = np.stack([c, a, b], axis=1).reshape(-1)
    order = np.argsort(sides, kind="stable")
    first = order[np.searchsorted(sides[order], key(b, c))]
    return np.where(a[first // 3] < a, corner[first], -1)


def expected_thirds(faces: Ints) -> Ints:
    """The third corner expected of each triangle, shape (m,): where the rim goes on at its second.

    The last side into that corner which a lower vertex was the first to tell; the corner itself
    where there is none.
    """
    count, m = int(faces.max(initial=0)) + 1, len(faces)
    start, end = faces.reshape(-1), faces[:, [1, 2, 0]].reshape(-1)
    _, first = np.unique(np.minimum(start, end) * count + np.maximum(start, end), return_index=True)
    told = end[first] * (3 * m) + first
    order = np.argsort(told)
    told, tail, head = told[order], start[first][order], end[first][order]
    begins = 3 * np.searchsorted(faces[:, 0], faces[:, 0])
    last = np.searchsorted(told, faces[:, 1] * (3 * m) + begins) - 1
    return np.where((last >= 0) & (head[last] == faces[:, 1]), tail[last], faces[:, 1])


def add_values(pack: Pack, faces: Ints, values_mm: Floats, step_mm: float) -> dict[str, Any]:
    """Pack readings at the vertices, shape (n,), mm, NaN where not measured.

    Only what was measured is told: how far it lies from the mean of the lower neighbours, or from
    the one told before where none of these was measured.
    """
    known = np.isfinite(values_mm)
    codes = np.rint(np.where(known, values_mm, 0.0) / step_mm).astype(np.int64)
    a, b, c = np.ascontiguousarray(faces.T)
    number = np.bincount(a, known[b].astype(np.float64) + known[c], minlength=len(codes))
    total = np.bincount(a, (codes[b] + codes[c]).astype(np.float64), minlength=len(codes))
    told = codes[known]
    expected = np.concatenate([[0], told[:-1]])
    number, total = number[known], total[known]
    met = number > 0
    expected[met] = np.floor(total[met] / number[met] + 0.5).astype(np.int64)
    return {
        "known": pack.add_bits(known),
        "off": pack.add_whole(told - expected),
        "step": step_mm,
    }


def add_codes(pack: Pack, faces: Ints, codes: npt.NDArray[np.uint8]) -> int:
    """Pack a byte a vertex as what has changed from a lower neighbour; where it starts."""
    a, b, _ = np.ascontiguousarray(faces.T)
    before = np.arange(len(codes)) - 1
    before[a[::-1]] = b[::-1]
    last = np.where(before >= 0, codes[before], 0).astype(np.uint8)
    return pack.add((codes ^ last).tobytes())
