"""The part of the page that turns: its place on the page and its controls; script only adds."""

from __future__ import annotations

import base64
import io
import json
from typing import TYPE_CHECKING, Any

import numpy as np

from veneercheck.core.types import Floats
from veneercheck.report import viewing
from veneercheck.report.amounts import amounts_of
from veneercheck.report.carried import view_plan
from veneercheck.report.colours import Amounts
from veneercheck.report.drawing import amount_bar, legend_bar, swatch
from veneercheck.report.markup import Markup, tag
from veneercheck.report.scene import Scene, bead_places
from veneercheck.report.sections import told_apart
from veneercheck.report.views import VIEW_NAMES, view_word
from veneercheck.report.words import sections

if TYPE_CHECKING:
    from PIL import Image as Pillow

SCRIPTS = (*viewing.SCRIPTS, "section.js", "page.js")

_LEGEND, _SWATCH = (360, 22), (34, 22)
NO_MARKUP = Markup("")

_SIGNS = ("over", "unmeasured", "metal")
"""What the view shows beside the bands; its zones carry their numbers, its lines no words."""


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
    more = {"undecided": scene.undecided, "bead": len(bead_places(scene.filed.document)) > 0}
    return (*_SIGNS, *(name for name, shown in more.items() if shown))


def _sign(kind: str, scene: Scene) -> Markup:
    of = {"data_of": "0"} if kind in ("over", "undecided") else {}
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
    lines["wanted"] = scene.amount_kind == "amount" and amounts_of(scene) is not None
    told = [scene.words(f"carrying.line_{name}") for name, drawn in lines.items() if drawn]
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
