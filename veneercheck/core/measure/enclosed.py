"""What of a framework's surface the metal closes in on all sides: sheets of folds under it.

Notes
-----
A surface that was pushed inward by more than its radius folds, and between its sheets lies what is
neither wax nor air. Metal was measured to them («no room for metal, 1.34 mm short: a
question for the dentist», over several millimetres of wax), and together they passed for the inside
of retainers, from which occlusal was told, up to 52° off. Choice: surface that looks at the
framework itself is enclosed where none of 24 glances reaches the open, if that holds for much of
what hangs together with it, the framework is near, and winding numbers say of a tenth of it that no
air is there. Instead of: winding numbers alone, which are nought in some pockets of folds; or
glances alone, which took the closed gap between a crown and its die in one mesh. Cost: 24 rays from
each such vertex, one from the others, and a tree where folds are suspected.
"""

from __future__ import annotations

import numpy as np

from veneercheck.core.mesh.prepared import Prepared
from veneercheck.core.mesh.rays import RayScene, glances
from veneercheck.core.mesh.triangles import parts_in
from veneercheck.core.types import Bools, Floats, Ints

_GLANCES = 24
_MOST_ASKED = 10_000

_FOLD_MM, _FOLD_SHARE = 1.0, 0.4
"""Sheets of a fold lie so near to one another, and from so much of them nothing open is seen: from
the large folds of five bodies 0.55 to 0.92."""

_AIR, _NO_AIR = 0.5, 0.1
"""Winding number beyond which a place is no air, and the share of such places over the sheets of a
fold. Over a closed gap, such as a crown and its die in one mesh have, all is air."""

_LEAST_MM2 = 0.5
"""Less of such surface is the bottom of a groove."""

_LIFT_MM = 1e-3


def enclosed(inner: Prepared, edges: Ints, metal: RayScene, meets_itself_mm: Floats) -> Bools:
    """Vertices of sheets under the surface, from which nothing open is seen, shape (n,).

    Parameters
    ----------
    edges : ndarray of int64, shape (e, 2)
    metal : RayScene
        Of the framework itself.
    meets_itself_mm : ndarray, shape (n,)
        How far out along its normal each vertex meets it; NaN where it does not.
    """

    def shut(vertices: Ints) -> Bools:
        normals = inner.normals[vertices]
        starts = np.repeat(inner.mesh.points_mm[vertices] + _LIFT_MM * normals, _GLANCES, axis=0)
        face = metal.first_face(starts, glances(normals, _GLANCES).reshape(-1, 3))
        return np.asarray((face >= 0).reshape(-1, _GLANCES).all(axis=1))

    looks = np.isfinite(meets_itself_mm)
    found = np.zeros(len(looks), dtype=bool)
    asked = np.flatnonzero(looks)
    every = max(len(asked) // _MOST_ASKED, 1)
    asked = asked[::every]
    if not len(asked):
        return found
    folded = meets_itself_mm[asked] <= _FOLD_MM
    if not folded.any():
        return found
    folded[folded] = shut(asked[folded])
    part = parts_in(looks, edges)
    number = np.bincount(part[asked], minlength=len(looks))
    folds = np.bincount(part[asked], weights=folded, minlength=len(looks))
    many = (number > 0) & (folds >= _FOLD_SHARE * number)
    asked = asked[folded & many[part[asked]]]
    if every * float(inner.area_mm2[asked].sum()) < _LEAST_MM2:
        return found
    no_air = np.bincount(part[asked], weights=_is_no_air(inner, asked), minlength=len(looks))
    left = np.flatnonzero(looks & (many & (no_air >= _NO_AIR * folds))[part])
    for first in range(0, len(left), _MOST_ASKED):
        some = left[first : first + _MOST_ASKED]
        found[some] = shut(some)
    return found


def _is_no_air(inner: Prepared, vertices: Ints) -> Bools:
    """Whether a body lies over vertices, or its reverse, as within a fold."""
    import igl

    over = inner.mesh.points_mm[vertices] + _LIFT_MM * inner.normals[vertices]
    turns = igl.fast_winding_number(inner.mesh.points_mm, inner.mesh.faces, over)
    return np.asarray(np.abs(turns) > _AIR)
