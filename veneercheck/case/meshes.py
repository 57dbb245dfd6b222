"""The door for surfaces in memory: what is a triangle mesh to others becomes one here."""

from __future__ import annotations

import dataclasses
import hashlib
import math
import os
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from veneercheck import scan
from veneercheck.case import found
from veneercheck.core.errors import MeshError, Told
from veneercheck.core.mesh.triangles import face_areas
from veneercheck.core.types import (
    Case,
    Ints,
    Limits,
    Outcome,
    Region,
    ScanSource,
    TriangleMesh,
)
from veneercheck.profile import GENERIC, load_profile
from veneercheck.scan.merge import merge_equal
from veneercheck.scan.pair import pair_of

if TYPE_CHECKING:
    from veneercheck.case.result import Result
    from veneercheck.report import FiledResult

_SPOKEN = (("vertices", "faces"), ("vertices", "triangles"), ("points", "regular_faces"))
"""What others call vertices and triangles."""

_NEXT = Told(
    "Give a TriangleMesh, a triangle mesh of trimesh, open3d or pyvista, (points, faces) in mm, "
    "or the path of a scan."
)
_PAINTS = (-1, *Region)


def _silent(_: str) -> None:
    pass


def check_meshes(
    framework: Any,
    waxup: Any,
    *,
    case: Case | None = None,
    limits: Limits | str | os.PathLike[str] | None = None,
    aligned: bool = False,
    die: Any = None,
    reference: npt.ArrayLike | str | os.PathLike[str] | None = None,
    earlier: Outcome | FiledResult | str | os.PathLike[str] | None = None,
    noise_mm: tuple[float, float] | None = None,
    unit: str | None = None,
    now: datetime | None = None,
    say: Callable[[str], None] = _silent,
) -> Result:
    """Check two surfaces, in mm, normals outward.

    What is in memory is taken as it is: equal vertices become one, triangles with two corners at
    one place are left out, and nothing else is put right. What is given as a path is read and put
    right as `check_files` does.

    Parameters
    ----------
    framework, waxup, die : TriangleMesh, mesh, (points, faces), Scan or path
        A mesh is anything with `vertices` and `faces` (trimesh) or `triangles` (open3d), or with
        `points` and `regular_faces` (pyvista). The die, in the wax-up's frame, may be left out.
    case : Case, optional
    limits : Limits, or name or path of a profile, optional
    aligned : bool
        Take the surfaces' common frame as given.
    reference : ndarray, shape (n,), or path, optional
        Which of the framework's vertices were left uncut (bool), or `Region` codes, −1 where
        nothing is said; or a painted copy as for `check_files`.
    earlier : Outcome, FiledResult or path, optional
        An earlier result of the same wax-up, or its folder: what changed is told.
    noise_mm : tuple of float, optional
        Of framework and wax-up, standard deviation; else estimated.
    unit : str, optional
        Of files that do not say.
    now : datetime, optional
        Stands in the result in place of the time of the check.
    say : callable
        Told in a few words what is being done.

    Returns
    -------
    Result
        Its `space_mm`, `layer_mm`, `u_mm` and `zone` are on the framework's own vertices; a
        surface from memory has the hash of its arrays in place of a file's.

    Raises
    ------
    VeneerCheckError
        If something is refused: what, where and what to do next.

    Examples
    --------
    >>> from veneercheck.phantom.bodies import concentric_spheres
    >>> body = concentric_spheres(0.5, inner_mm=4.0, outer_mm=5.5)
    >>> points, faces = body.inner.points_mm, body.inner.faces
    >>> result = check_meshes((points, faces), body.outer, aligned=True)
    >>> len(result.layer_mm) == len(points), result.verdict.value
    (True, 'no findings')
    """
    one, vertex = _as_scan(framework, "framework", unit)
    other, _ = _as_scan(waxup, "wax-up", unit)
    if noise_mm is not None:
        one, other = _with_noise(one, other, noise_mm)
    for surface in (one, other):
        found.refuse_scraps(surface)
    if earlier is not None and not hasattr(earlier, "check") and not hasattr(earlier, "document"):
        earlier = Path(earlier)
    return found.found(
        pair_of(one, other),
        case=case or Case(),
        limits=limits if isinstance(limits, Limits) else load_profile(str(limits or GENERIC)),
        aligned=aligned,
        paint=_paint(reference, one, vertex, unit),
        die=None if die is None else _as_scan(die, "die", unit)[0],
        earlier=None if earlier is None else found.earlier_result(earlier, other),  # type: ignore[arg-type]
        now=now,
        vertex=vertex,
        say=say,
    )


def as_mesh(thing: Any, where: str = "") -> TriangleMesh:
    """A surface in memory as a TriangleMesh of its own arrays, whosever type it is.

    Parameters
    ----------
    thing : TriangleMesh, mesh or (points, faces)
    where : str
        What it is, for a refusal.

    Raises
    ------
    MeshError
        If it is none of these, or its arrays describe no surface.
    """
    if isinstance(thing, TriangleMesh):
        return thing
    points, faces = _arrays(thing, where)
    try:
        corners = np.asarray(faces)
        if corners.size and corners.dtype.kind not in "iu":
            raise MeshError("its triangles are not whole numbers of vertices.")
        return TriangleMesh(np.array(points, dtype=np.float64), corners.astype(np.int64))
    except MeshError as error:
        place = ", ".join(filter(None, (where, error.where)))
        raise MeshError(error.what, where=place, next_step=_NEXT) from None
    except (TypeError, ValueError):
        what = Told("its vertices and triangles are no arrays of numbers.")
        raise MeshError(what, where=where, next_step=_NEXT) from None


def _arrays(thing: Any, where: str) -> tuple[Any, Any]:
    """Vertices and triangles of a mesh of another library, or of a pair of arrays."""
    if isinstance(thing, tuple | list) and len(thing) == 2:
        return thing[0], thing[1]
    for points, faces in _SPOKEN:
        try:
            return getattr(thing, points), getattr(thing, faces)
        except AttributeError:
            continue
        except ValueError:  # as pyvista says where a face has more corners than another
            what = Told("not all of its faces are triangles.")
            raise MeshError(what, where=where, next_step="Triangulate it first.") from None
    kind = type(thing).__name__
    raise MeshError(
        Told("a «{kind}» is no triangle mesh.", kind=kind), where=where, next_step=_NEXT
    )


def _as_scan(thing: Any, name: str, unit: str | None) -> tuple[scan.Scan, Ints]:
    """A surface as if it had been read, and which of its vertices each one given became."""
    if isinstance(thing, str | os.PathLike):
        thing = scan.read_scan(thing, unit=unit)
    if isinstance(thing, scan.Scan):
        return thing, np.arange(len(thing.mesh.points_mm))
    mesh, vertex = _merged(as_mesh(thing, name))
    called = f"{name} in memory"
    return scan.Scan(mesh, _source_of(mesh, called), noise_mm=scan.estimate_noise_mm(mesh)), vertex


def _merged(mesh: TriangleMesh) -> tuple[TriangleMesh, Ints]:
    """Equal vertices made one, for triangles that do not share them are no surface; without those
    that have two corners at one place, as thinning leaves them."""
    points = mesh.points_mm + 0.0  # −0 becomes 0, so that equal means alike
    first, number = merge_equal(points)
    faces = number[mesh.faces]
    faces = faces[(faces != np.roll(faces, 1, axis=1)).all(axis=1)]
    used = np.zeros(len(first), dtype=bool)
    used[faces] = True
    if used.all() and len(first) == len(points) and len(faces) == len(mesh.faces):
        return mesh, number
    new = np.where(used, np.cumsum(used) - 1, -1)
    return TriangleMesh(points[first][used], new[faces]), new[number]


def _source_of(mesh: TriangleMesh, name: str) -> ScanSource:
    digest = hashlib.sha256(mesh.points_mm.tobytes() + mesh.faces.tobytes()).hexdigest()
    return ScanSource(name, digest, "mm", len(mesh.faces), float(face_areas(mesh).sum()))


def _with_noise(
    one: scan.Scan, other: scan.Scan, noise_mm: tuple[float, float]
) -> tuple[scan.Scan, scan.Scan]:
    """Both with the noise that was said."""
    try:
        a, b = (float(value) for value in noise_mm)
    except (TypeError, ValueError):
        a = b = math.nan
    if not (0 <= a < math.inf and 0 <= b < math.inf):
        raise MeshError(
            "noise is two finite lengths in mm, framework first.",
            where="noise_mm",
            next_step="Give two standard deviations, such as (0.01, 0.01), or leave it out.",
        )
    return dataclasses.replace(one, noise_mm=a), dataclasses.replace(other, noise_mm=b)


def _paint(reference: Any, framework: scan.Scan, vertex: Ints, unit: str | None) -> Ints | None:
    """`Region` codes of the framework's vertices: what was said, over paint of its own."""
    if reference is None:
        return framework.paint
    if isinstance(reference, str | os.PathLike):
        return found.painted_copy(Path(reference), unit, framework)
    said = np.asarray(reference)
    if said.shape != vertex.shape or said.dtype.kind not in "biu":
        raise MeshError(
            Told(
                "it has shape {shape} and type {dtype}, not ({count},) and bool.",
                shape=said.shape,
                dtype=said.dtype,
                count=len(vertex),
            ),
            where="reference",
            next_step="Give True or False, or a Region code, for every vertex of the framework.",
        )
    code = np.where(said, Region.UNCUT, -1) if said.dtype.kind == "b" else said.astype(np.int64)
    if not np.isin(code, _PAINTS).all() or not (code >= 0).any():
        raise MeshError(
            "it names no vertex, or a code that is none of Region.",
            where="reference",
            next_step="Mark what was left uncut.",
        )
    count = len(framework.mesh.points_mm)
    paint = np.full(count, -1, dtype=np.int64) if framework.paint is None else framework.paint
    paint = paint.copy()
    told = (code >= 0) & (vertex >= 0)
    paint[vertex[told]] = code[told]
    return paint
