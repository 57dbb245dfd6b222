"""What the view of the page carries, packed: meshes, readings, zones, places and ways to look."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from veneercheck.core.divide.anatomy import surface_word
from veneercheck.core.mesh.triangles import any_in, select_faces
from veneercheck.core.types import Bools, FindingKind, Floats, Ints, Region, TriangleMesh
from veneercheck.report.amounts import amounts_of
from veneercheck.report.asked import question_words
from veneercheck.report.captions import case_words, limits_words, stated, zone_words
from veneercheck.report.carrying import spots_named
from veneercheck.report.colours import AMOUNT_STEP_MM, NOTHING_MM, Amounts, Bands, taken_mm
from veneercheck.report.pack import (
    VALUE_STEP_MM,
    Pack,
    add_codes,
    add_mesh,
    add_values,
    page_order,
)
from veneercheck.report.scene import Scene, bead_places, on_metal, what_matters
from veneercheck.report.sections import told_apart
from veneercheck.report.views import VIEW_NAMES, close_up, six_views, view_word
from veneercheck.report.zone_words import measures_words

if TYPE_CHECKING:
    pass

_MOST_BYTE = 255
"""A vertex's zone is packed in a byte; zones beyond it stay in the list and the stills."""

_TENS = 10
"""Tooth and surface in one number: there are fewer than ten surfaces."""

_TOP_U_MM = 0.02
"""The scale of the uncertainty ends at a multiple of this."""

_DIE_BESIDE_MM = 6.0
"""A section shows less than this beside what is veneered; the rest of a die would only weigh."""

_METAL_STEP_MM = 1e-3
"""The metal is only written in the section, to a hundredth; finer steps would only weigh."""

_AMOUNT_PACK_MM = 1e-3
"""Amounts are told to a hundredth, too."""

_UNSAFE = re.compile(r"[^A-Za-z0-9_-]+")

_PIXELS = 100


def view_plan(scene: Scene, origin: Floats | None = None) -> tuple[dict[str, Any], str]:
    """What the script needs to know, and the packed arrays as text."""
    filed, document = scene.filed, scene.filed.document
    mesh, old = page_order(scene.surface.mesh)
    focus = what_matters(scene.surface)
    if origin is None:
        origin = origin_of(scene)
    pack = Pack()
    plan: dict[str, Any] = {
        "framework": add_mesh(pack, mesh, origin),
        "contour": None,
        "die": None,
        "values": _readings(pack, scene, mesh.faces, old),
    }
    places, names = _places(scene)
    codes = [add_codes(pack, mesh.faces, column[old]) for column in _codes(scene, places)]
    plan |= {"codes": codes, "places": names}
    if filed.contour is not None:
        plan["contour"] = add_mesh(pack, page_order(filed.contour)[0], origin)
    die = _die_near(filed.die, focus)
    if die is not None:
        plan["die"] = add_mesh(pack, page_order(die)[0], origin)
    limits = document["profile"]["layer"]
    plan |= {
        "limits": [limits["least_mm"], limits["greatest_mm"]],
        "top": scene.surface.bands.top_mm,
        "steps": _steps(scene.surface.bands),
        "amounts": _amounts(scene),
        "wanted": scene.amount_kind == "amount",
        "taken": taken_mm(document),
        "beads": _beads(scene, origin),
        "uTop": _top_u(filed.u_mm),
        "low": (focus - origin).min(axis=0).tolist(),
        "high": (focus - origin).max(axis=0).tolist(),
        "views": _views(scene),
        "axes": _axes(scene, focus - origin),
        "zones": [_zone(zone, scene, origin) for zone in document["zones"]],
        "questions": [
            _question(asked, scene, origin) for asked in document["questions"] if asked["centre_mm"]
        ],
        "spots": [_spot(*named, scene, origin) for named in spots_named(document, scene.words)],
        "listed": _listed(document),
        "title": f"{case_words(document, scene.words)} · {scene.words('picture.aid')}",
        "footing": [limits_words(document, scene.words), stated(document, scene.words)],
        "names": {name: view_word(name, scene.bridge, scene.words) for name in VIEW_NAMES},
        "file": _file_name(document),
    }
    return plan, pack.text()


def _beads(scene: Scene, origin: Floats) -> dict[str, Any] | None:
    """Foot and normal of each retention bead that was found; None without any."""
    places = bead_places(scene.filed.document)
    if not len(places):
        return None
    _, nearest = cKDTree(scene.surface.mesh.points_mm).query(places)
    feet = np.concatenate([places - origin, scene.surface.normals[nearest]], axis=1)
    radius = 0.5 * scene.filed.document["beads"]["diameter_mm"]
    return {"feet": np.round(feet, 3).tolist(), "radius": radius}


def _file_name(document: Mapping[str, Any]) -> list[str]:
    """Case and date, between which the view stands in the name of a saved picture."""
    case = _UNSAFE.sub("-", str(document["case"]["number"] or "case"))
    return [f"veneercheck-{case}", str(document["checked_at_utc"])[:10]]


def origin_of(scene: Scene) -> Floats:
    """The middle of what is veneered, to a thousandth."""
    focus = what_matters(scene.surface)
    return np.asarray(np.round(0.5 * (focus.min(axis=0) + focus.max(axis=0)), 3))


def _steps(bands: Bands) -> dict[str, Any]:
    """Where the steps of what is enough begin and end, and their colours, 0…1."""
    tones = np.round(bands.tones.astype(np.float64) / 255.0, 4)
    return {"edges": list(bands.edges_mm), "tones": tones.tolist()}


def _amounts(scene: Scene) -> dict[str, Any] | None:
    """The scale of what is to be taken off or added; None where that is not known."""
    told = amounts_of(scene)
    if told is None or not isinstance(told.surface.scale, Amounts):
        return None
    scale = told.surface.scale
    tones = np.round(scale.tones.astype(np.float64) / 255.0, 4).tolist()
    levels = [round(level, 6) for level in scale.levels_mm]
    return {
        "step": AMOUNT_STEP_MM, "end": scale.end_mm, "least": NOTHING_MM, "levels": levels,
        "off": tones[: scale.steps], "on": tones[scale.steps :],
    }  # fmt: skip


def _readings(pack: Pack, scene: Scene, faces: Ints, old: Ints) -> dict[str, dict[str, Any]]:
    """Pack what was read, where the page shows it; where each reading starts, by name.

    The nearest contour is told as what it lies off the space, and by itself where there is none.
    """
    filed, meant = scene.filed, _meant(scene)[old]
    layer, nearest = filed.layer_mm, filed.nearest_mm
    assert layer is not None and nearest is not None
    space = layer + taken_mm(filed.document)  # as it was judged, not the ray's length
    readings = {
        "space": (space, VALUE_STEP_MM),
        "beside": (nearest - space, VALUE_STEP_MM),
        "nearest": (np.where(np.isfinite(space), np.nan, nearest), VALUE_STEP_MM),
        "u": (filed.u_mm, VALUE_STEP_MM),
        "metal": (filed.metal_mm, _METAL_STEP_MM),
        "amount": (filed.amount_mm, _AMOUNT_PACK_MM),
    }
    return {
        name: add_values(pack, faces, np.where(meant, values[old], np.nan), step_mm)
        for name, (values, step_mm) in readings.items()
        if values is not None
    }


def _meant(scene: Scene) -> Bools:
    """Vertices whose readings the page shows; on the rest they would only make it larger."""
    region, finding = np.asarray(scene.filed.region), np.asarray(scene.filed.finding)
    veneered = np.isin(region, (Region.CUT, Region.FINISH_LINE_BAND))
    meant: Bools = np.logical_or(veneered, finding == FindingKind.OVER_CONTOUR)
    return meant


def _die_near(die: TriangleMesh | None, focus: Floats) -> TriangleMesh | None:
    """The triangles of the die that a section may show; None where there are none."""
    if die is None:
        return None
    low, high = focus.min(axis=0) - _DIE_BESIDE_MM, focus.max(axis=0) + _DIE_BESIDE_MM
    near = ((die.points_mm > low) & (die.points_mm < high)).all(axis=1)
    kept, _ = select_faces(die, any_in(near, die.faces))
    return kept if len(kept.faces) else None


def _codes(scene: Scene, places: Ints) -> list[npt.NDArray[np.uint8]]:
    """A byte a vertex: region, finding, zone, place, and 1 where it is fitting surface, 2 model."""
    region, finding = scene.filed.region, scene.filed.finding
    assert region is not None and finding is not None
    zone = np.where(scene.surface.zone <= _MOST_BYTE, scene.surface.zone, 0)
    apart = told_apart(scene.filed)
    part = np.where(apart["model"], 2, apart["fitting"])
    return [column.astype(np.uint8) for column in (region, finding, zone, places, part)]


def _places(scene: Scene) -> tuple[Ints, list[str]]:
    """Tooth and surface of every vertex as a number, and the words that each number stands for."""
    tooth, surface = scene.filed.tooth, scene.filed.surface
    if tooth is None or surface is None:
        return np.zeros(len(scene.surface.zone), dtype=np.int64), [""]
    pairs, place = np.unique(_TENS * tooth + surface, return_inverse=True)
    names = []
    for pair in pairs[: _MOST_BYTE + 1].tolist():
        code, face = divmod(pair, _TENS)
        word = scene.words.known("surface", surface_word(face, code))
        names.append(", ".join(filter(None, (str(code) if code else "", word))))
    return np.where(place <= _MOST_BYTE, place, 0), names


def _top_u(u_mm: Floats | None) -> float:
    known = u_mm[np.isfinite(u_mm)] if u_mm is not None else np.zeros(0)
    largest = float(np.quantile(known, 0.99)) if len(known) else 0.0
    return max(math.ceil(largest / _TOP_U_MM), 1) * _TOP_U_MM


def _views(scene: Scene) -> dict[str, list[list[float]]]:
    cameras = six_views(scene.bridge, scene.surface.mesh.points_mm, _PIXELS, _PIXELS)
    return {name: [cameras[name].toward.tolist(), cameras[name].up.tolist()] for name in VIEW_NAMES}


def _axes(scene: Scene, focus: Floats) -> dict[str, dict[str, Any]]:
    bridge = scene.bridge
    along = ("mesial", "distal")
    spans = {
        "mesial": (bridge.mesial, -bridge.buccal, bridge.occlusal,
                   ("buccal", "lingual", "occlusal", "basal")),
        "buccal": (bridge.buccal, -bridge.mesial, bridge.occlusal, (*along, "occlusal", "basal")),
        "occlusal": (bridge.occlusal, -bridge.mesial, bridge.buccal,
                     (*along, "buccal", "lingual")),
    }  # fmt: skip
    return {
        name: {
            "way": way.tolist(),
            "across": across.tolist(),
            "above": above.tolist(),
            "sides": [view_word(side, bridge, scene.words) for side in sides],
            "low": round(float((focus @ way).min()), 2),
            "high": round(float((focus @ way).max()), 2),
        }
        for name, (way, across, above, sides) in spans.items()
    }


def _question(asked: Mapping[str, Any], scene: Scene, origin: Floats) -> dict[str, Any]:
    words = question_words(asked, scene.words)
    return {"id": "?", "firm": False, **_place(asked, scene, origin), "words": words}


def _spot(text: str, spot: Mapping[str, Any], scene: Scene, origin: Floats) -> dict[str, Any]:
    centre_mm = on_metal(scene, spot["centre_mm"]).tolist()
    placed = _place({"centre_mm": centre_mm, "area_mm2": spot["size"]}, scene, origin)
    return {"id": text, "firm": spot["weight"] == "finding", **placed, "words": text}


def _zone(zone: Mapping[str, Any], scene: Scene, origin: Floats) -> dict[str, Any]:
    firm, words = zone["decision"] == "firm", zone_words(zone, scene.words)
    return {
        "id": zone["id"], "firm": firm, **_place(zone, scene, origin), "words": words,
        "measures": measures_words(zone, scene.words),
    }  # fmt: skip


def _place(zone: Mapping[str, Any], scene: Scene, origin: Floats) -> dict[str, Any]:
    camera = close_up(zone, scene.bridge, scene.surface.mesh, _PIXELS, _PIXELS)
    return {
        "centre": (np.asarray(zone["centre_mm"]) - origin).tolist(),
        "normal": camera.toward.tolist(),
        "field": camera.mm_per_px * _PIXELS,
    }


def _listed(document: Mapping[str, Any]) -> list[int]:
    listed = [0] * (_MOST_BYTE + 1)
    for zone in document["zones"]:
        if zone["id"] <= _MOST_BYTE:
            listed[zone["id"]] = 2 if zone["decision"] == "firm" else 1
    return listed
