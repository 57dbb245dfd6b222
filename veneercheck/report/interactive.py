"""The part of the page that turns: its data, its plan and its controls; script only adds."""

from __future__ import annotations

import base64
import io
import json
import math
import re
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from veneercheck.core.divide.anatomy import surface_word
from veneercheck.core.mesh.triangles import select_faces
from veneercheck.core.types import Bools, FindingKind, Floats, Ints, Region, TriangleMesh
from veneercheck.report import viewing
from veneercheck.report.amounts import amounts_of
from veneercheck.report.captions import case_words, limits_words, stated, zone_words
from veneercheck.report.colours import AMOUNT_STEP_MM, NOTHING_MM, Amounts, Bands, taken_mm
from veneercheck.report.drawing import amount_bar, legend_bar, swatch
from veneercheck.report.markup import Markup, tag
from veneercheck.report.pack import (
    VALUE_STEP_MM,
    Pack,
    add_codes,
    add_mesh,
    add_values,
    page_order,
)
from veneercheck.report.scene import Scene, bead_places, what_matters
from veneercheck.report.sections import told_apart
from veneercheck.report.verdict import measures_words, question_words
from veneercheck.report.views import VIEW_NAMES, close_up, six_views, view_word
from veneercheck.report.words import sections

if TYPE_CHECKING:
    from PIL import Image as Pillow

SCRIPTS = (*viewing.SCRIPTS, "section.js", "page.js")

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

_PIXELS = 100
_LEGEND, _SWATCH = (360, 22), (34, 22)
NO_MARKUP = Markup("")

_SIGNS = ("over", "unmeasured", "metal")
"""What the view shows beside the bands; its zones carry their numbers, its lines no words."""

_UNSAFE = re.compile(r"[^A-Za-z0-9_-]+")


def script(*more: str) -> str:
    """The page's own script, one closed block, with the scripts of a page that shows more."""
    return f'(() => {{\n"use strict";\n{viewing.scripts((*SCRIPTS, *more))}\n}})();\n'


def view_section(
    scene: Scene,
    places: Markup = NO_MARKUP,
    beside: Markup = NO_MARKUP,
    still: Markup = NO_MARKUP,
    *,
    name: str = "view",
    origin: Floats | None = None,
) -> Markup:
    """The first screen: the list and the section on one side, the model on the other.

    The model with its controls is hidden behind the still until the script has drawn. On a page
    with two of them each has a name, and both one origin, so that one can follow the other.
    """
    words = scene.words
    plan, data = view_plan(scene, origin)
    return tag(
        "section",
        tag(
            "div",
            places,
            tag("div", _section_box(scene), data_part="stage-section", class_="screen-only",
                hidden=""),
            beside,
            class_="places",
        ),
        tag(
            "div",
            tag("h2", words("view_page.title"), id=f"{name}-title", class_="unseen"),
            tag("div", *_stage(scene), data_part="stage", class_="stage screen-only", hidden=""),
            tag("div", still, tag("p", words("report.words_only"), class_="note screen-only"),
                data_part="without"),
            class_="see",
        ),
        _data(f"{name}-plan", "application/json", _json(plan)),
        _data(f"{name}-words", "application/json", _json(_script_words(scene))),
        _data(f"{name}-data", "text/plain", data),
        id=name,
        class_="first-screen",
        aria_labelledby=f"{name}-title",
    )  # fmt: skip


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
    kept, _ = select_faces(die, np.asarray(near[die.faces].any(axis=1)))
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


def _script_words(scene: Scene) -> dict[str, Any]:
    words, kind = scene.words, scene.amount_kind
    own = dict(sections(words.lang)["view_page"])
    own["readings"] = [
        words("report.layer"), words("report.space"), own["nearest"], own["u"], own[kind],
    ]  # fmt: skip
    own |= {f"work_{name}": words(f"{kind}.{name}") for name in ("take_off", "add", "nothing")}
    own |= {name: words(f"legend.{name}") for name in ("thin", "enough", "thick")}
    return {**own, "decimal": words("format.decimal")}


def _json(value: object) -> str:
    # «<» would let a text end the block it stands in.
    return json.dumps(value, ensure_ascii=False, allow_nan=False).replace("<", "\\u003c")


def _data(name: str, kind: str, text: str) -> Markup:
    return tag("script", Markup(text), type=kind, id=name)


def _stage(scene: Scene) -> list[Markup]:
    words, told = scene.words, amounts_of(scene)
    tools = _toolbar(scene, told is not None)
    return [
        tag("div", tools[0], class_="tools"),
        tag(
            "div",
            tag("canvas", data_part="canvas", tabindex="0", role="application",
                aria_label=words("view_page.canvas")),
            tag("div", data_part="labels", class_="labels", aria_hidden="true"),
            tag("div", tag("span", data_part="scale"), tag("span", data_part="scale-words"),
                class_="ruler", aria_hidden="true"),
            class_="canvas-box",
        ),
        tag("p", words("view_page.hint"), data_part="reading", class_="reading", role="status"),
        tag("div", tag("span", _bands(scene), *_amount_bar(told),
            tag("span", data_part="ticks", class_="ticks", aria_hidden="true"), class_="bar"),
            tag("span", data_part="scale-u", class_="scale-u", hidden=""),
            tag("span", data_part="legend-words"),
            *(_sign(kind, scene) for kind in _signs_of(scene)), *_plain_sign(scene, told),
            tag("span", tag("span", class_="ground"), words("view_page.unscanned"),
                class_="one-sign"), class_="legend"),
        tag("div", *tools[1:], class_="tools"),
        tag("p", words("view_page.judged"), class_="note judged"),
    ]  # fmt: skip


def _amount_bar(told: Scene | None) -> list[Markup]:
    if told is None or not isinstance(told.surface.scale, Amounts):
        return []
    bar = amount_bar(told.surface.scale, *_LEGEND)
    return [tag("img", src=_inline(bar), alt="", data_part="scale-amount", hidden="")]


def _toolbar(scene: Scene, with_amounts: bool) -> list[Markup]:
    """Three groups of buttons: what is shown, from where, and with what."""
    words = scene.words
    names = [words("report.layer"), words("report.space"), words("view_page.nearest"),
             words("view_page.u")]  # fmt: skip
    if with_amounts:
        names.append(words(f"view_page.{scene.amount_kind}"))
    readings = [
        tag("button", name, type="button", data_reading=str(index), aria_pressed="false")
        for index, name in enumerate(names)
    ]
    views = [
        tag("button", view_word(name, scene.bridge, words), type="button", data_view=name)
        for name in VIEW_NAMES
    ]
    tools = [
        tag("button", words("view_page.contour"), type="button", data_part="contour",
            aria_pressed="true"),
        tag("button", words("view_page.distance_tool"), type="button", data_part="distance",
            aria_pressed="false"),
        tag("button", words("view_page.relief"), type="button", data_part="relief",
            aria_pressed="false"),
        tag("button", words("view_page.dark"), type="button", data_part="dark",
            aria_pressed="false"),
        tag("button", words("view_page.shot"), type="button", data_part="shot"),
    ]  # fmt: skip
    groups = (("readings", readings), ("views", views), ("tools", tools))
    return [
        tag("div", *buttons, role="group", aria_label=words(f"view_page.{name}"))
        for name, buttons in groups
    ]


def _bands(scene: Scene) -> Markup:
    bar = legend_bar(scene.surface.bands, *_LEGEND)
    return tag("img", src=_inline(bar), alt="", data_part="scale-bands")


def _signs_of(scene: Scene) -> tuple[str, ...]:
    return (*_SIGNS, "bead") if len(bead_places(scene.filed.document)) else _SIGNS


def _sign(kind: str, scene: Scene) -> Markup:
    of = {"data_of": "0"} if kind == "over" else {}
    return _signed(kind, scene.words(f"legend.{kind}"), **of)


def _plain_sign(scene: Scene, told: Scene | None) -> list[Markup]:
    """The sign of where nothing is to be done, shown with the amounts alone."""
    if told is None:
        return []
    return [_signed("nothing", scene.words(f"{scene.amount_kind}.nothing"), data_of="4", hidden="")]


def _signed(kind: str, told: str, **more: str) -> Markup:
    field = swatch(kind, *_SWATCH)
    return tag("span", tag("img", src=_inline(field), alt=""), told, class_="one-sign", **more)


def _inline(image: Pillow.Image) -> str:
    stream = io.BytesIO()
    image.save(stream, "PNG")
    return f"data:image/png;base64,{base64.b64encode(stream.getvalue()).decode('ascii')}"


def _section_note(scene: Scene) -> str:
    """What the lines of the section mean, those told that it may hold."""
    filed, apart = scene.filed, told_apart(scene.filed)
    lines = {
        "fitting": apart["fitting"].any(),
        "die": filed.die is not None,
        "model": apart["model"].any(),
    }
    known = filed.metal_mm is not None and np.isfinite(filed.metal_mm).any()
    lines["metal"] = known and (lines["fitting"] or lines["die"])
    told = [scene.words(f"carrying.line_{name}") for name, drawn in lines.items() if drawn]
    if scene.amount_kind == "amount" and amounts_of(scene) is not None:
        told.append(scene.words("view_page.section_wanted"))
    return " ".join([scene.words("view_page.section_grid"), *told])


def _section_box(scene: Scene) -> Markup:
    words = scene.words
    options = [
        tag("option", words(f"view_page.axis_{name}"), value=name)
        for name in ("mesial", "buccal", "occlusal")
    ]
    return tag(
        "div",
        tag("h3", words("view_page.section")),
        tag("p", data_part="measures", class_="measures"),
        tag("svg", data_part="section", class_="section", role="img",
            aria_label=words("view_page.section")),
        tag("div",
            tag("label", words("view_page.axis"), " ", tag("select", *options, data_part="axis")),
            tag("label", words("view_page.slider"), " ",
                tag("input", type="range", data_part="slider")),
            class_="section-tools"),
        tag("p", _section_note(scene), class_="note"),
        class_="section-box",
    )  # fmt: skip
