"""The still pictures: six views and a close-up of each zone, complete in themselves."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from veneercheck.core.mesh.sections import crossing
from veneercheck.core.types import Floats, Ints, Region
from veneercheck.machine.aside import put
from veneercheck.report.colours import INK, Rgb
from veneercheck.report.drawing import (
    WHITE,
    facing,
    font,
    lay_lines,
    legend_bar,
    name_sign,
    name_width,
    number_sign,
    orientation,
    scale_bar,
    sign_reach,
    swatch,
)
from veneercheck.report.filed import FiledResult
from veneercheck.report.levels import LINE_PX, Level, figures, levels_of
from veneercheck.report.palette import png
from veneercheck.report.raster import Raster, draw
from veneercheck.report.surface import Surface, surface_of, unseen_patches
from veneercheck.report.verdict import action_words, amount_words, finding_words, reading_words
from veneercheck.report.views import (
    Camera,
    Directions,
    close_up,
    directions,
    six_views,
    view_word,
)
from veneercheck.report.words import Words

if TYPE_CHECKING:
    from PIL import Image as Pillow
    from PIL import ImageDraw

STILLS = "stills"
WIDTH, HEIGHT = 1600, 940
"""The drawn part of a picture in pixels."""

HEAD, _FOOT = 84, 176

_HEAD_SIZES = (36, 32, 28, 24)
FOOT_SIZES = (24, 22, 20, 18)
_EDGE = 36
_BAR = (620, 40)
_SWATCH = (46, 30)
_PICTURES_AT_ONCE = 2
"""As many as the cores that were measured on; each more holds its arrays in memory as well."""

SIGNS = (
    "over", "unmeasured", "metal", "unscanned", "undecided",
    "finish_line", "firm_number", "open_number",
)  # fmt: skip
"""What a picture may hold beside the bands, in the order of the legend."""

_SIGN_SIZES, _SIGN_ROWS, _SIGN_ROW_PX, _SIGN_GAP_PX = (23, 21, 19), 3, 42, 26
_ZONES, _VIEW = "Zones", "View"
"""Keyword of the PNG text that names the zones in the picture."""

_HIDDEN_CENTRE_MM = 0.8
"""A zone's centre may lie this far under the surface (it is a mean) and still be marked."""

_AT_SURFACE_MM, _LEAST_SEEN = 0.05, 6
"""What lies so little under what is drawn is seen; of fewer vertices a pattern hardly shows."""

_ALL_BUT_MEASURED = 0.95
"""A triangle is coloured only where all its corners were measured; the border line runs there."""

_SIGN_AWAY_PX = (58.0, 92.0, 130.0, 180.0)
_NAME_AWAY_PX = (120.0, 170.0, 230.0)
_SIGN_APART_PX = 52.0
_SIGN_ROOM_PX = 24.0
"""Half the side of the square that a sign keeps clear of figures."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """All that every picture of one result shares.

    Parameters
    ----------
    amounts : bool
        What is to be taken off or added stands beside the numbers.
    amount_kind : {"amount", "change"}
        Section of the catalogue that names them: to be done, or done since an earlier check.
    large : float
        How much larger than in a still the signs are, where a picture will be looked at small.
    """

    filed: FiledResult
    surface: Surface
    bridge: Directions
    lines: tuple[tuple[Floats, Ints, float], ...]
    levels: tuple[Level, ...]
    unseen: tuple[tuple[float, Floats], ...]
    words: Words
    amounts: bool = False
    amount_kind: str = "amount"
    large: float = 1.0


def scene_of(filed: FiledResult, words: Words) -> Scene:
    """Prepare a measured result for its pictures."""
    surface = surface_of(filed)
    aside = np.asarray(filed.region) == Region.ATTACHMENT
    bridge = directions(filed.document, surface.mesh, surface.veneer >= 0.5, aside)
    unseen = tuple(unseen_patches(surface))
    return Scene(filed, surface, bridge, lines_of(surface), levels_of(surface), unseen, words)


def render_stills(folder: Path, scene: Scene, progress: Callable[[str], None]) -> dict[str, Path]:
    """Draw and write every still; those of an earlier result are removed.

    Returns
    -------
    dict
        File by name: the six views, then "zone-1", "zone-2", …
    """
    from concurrent.futures import ThreadPoolExecutor

    place = folder / STILLS
    place.mkdir(parents=True, exist_ok=True)
    tones = whole_tones(scene)

    def finished(told: tuple[str, Camera]) -> bytes:
        picture = lettered(scene, *told, drawn(scene, told[1]))
        info = {name: picture.info[name] for name in (_ZONES, _VIEW)}
        return png(picture, info, tones)

    written = {}
    todo = cameras(scene)
    with ThreadPoolExecutor(_PICTURES_AT_ONCE) as pool:
        for name, content in zip(todo, pool.map(finished, todo.items()), strict=True):
            progress(name)
            written[name] = put(place / f"{name}.png", [content])
    for stale in set(place.glob("*.png")) - set(written.values()):
        stale.unlink()
    return written


def whole_tones(scene: Scene) -> list[Rgb]:
    """The colours of the steps as a picture holds them."""
    surface = scene.surface
    steps = np.rint(np.concatenate([surface.bands.tones, surface.scale.tones])).astype(int)
    return [(red, green, blue) for red, green, blue in dict.fromkeys(map(tuple, steps.tolist()))]


def zones_shown(still: Path) -> list[str]:
    """Numbers of the zones that a still shows, as the file itself tells."""
    from PIL import Image as Pillow

    with Pillow.open(still) as picture:
        return str(picture.info.get(_ZONES, "")).split()


def view_shown(still: Path, words: Words) -> str:
    """What the direction is called from which a still is taken, as the file itself tells."""
    from PIL import Image as Pillow

    with Pillow.open(still) as picture:
        return words.known("view", str(picture.info.get(_VIEW) or still.stem))


def without_words(still: Path) -> bytes:
    """The drawn part of a still alone, without what is empty above it, as PNG."""
    from PIL import Image as Pillow
    from PIL import ImageOps

    with Pillow.open(still) as picture:
        part = picture.convert("RGB").crop((0, HEAD, WIDTH, HEAD + HEIGHT))
    box = ImageOps.invert(part.convert("L")).getbbox() or (0, 0, 0, 0)
    top = max(box[1] - _EDGE, 0)
    return png(part.crop((0, top, WIDTH, HEIGHT)))


def cameras(scene: Scene) -> dict[str, Camera]:
    """Cameras of all stills by name."""
    found = six_views(scene.bridge, what_matters(scene.surface), WIDTH, HEIGHT)
    for zone in scene.filed.document["zones"]:
        found[f"zone-{zone['id']}"] = close_up(
            zone, scene.bridge, scene.surface.mesh, WIDTH, HEIGHT
        )
    return found


def what_matters(surface: Surface) -> Floats:
    """Points the views are framed on: what is veneered, or all where nothing is."""
    meant = surface.veneer >= 0.5
    return surface.mesh.points_mm[meant] if meant.any() else surface.mesh.points_mm


def drawn(scene: Scene, camera: Camera) -> Raster:
    """The picture without words: bands, patterns, limit and finish lines."""
    raster = draw(scene.surface, camera)
    facing_eye = [
        (facing(scene.surface, camera, segments, face), width)
        for segments, face, width in (
            *scene.lines,
            *((level.pieces_mm, level.face, LINE_PX) for level in scene.levels),
        )
    ]
    lay_lines(raster.colours, camera, raster.depth_mm, facing_eye)
    return raster


def lettered(scene: Scene, name: str, camera: Camera, raster: Raster) -> Pillow.Image:
    """One finished picture, 1600 × 1200 pixels."""
    from PIL import Image as Pillow
    from PIL import ImageDraw

    picture, zones = picture_of(scene, camera, raster)
    sheet = Pillow.new("RGB", (WIDTH, HEAD + HEIGHT + _FOOT), WHITE)
    sheet.paste(picture, (0, HEAD))
    heading(ImageDraw.Draw(sheet), scene, _title(scene, name))
    _legend(sheet, scene)
    sheet.info[_ZONES] = " ".join(zones)
    sheet.info[_VIEW] = scene.bridge.names.get(name, "")
    return sheet


def picture_of(
    scene: Scene,
    camera: Camera,
    raster: Raster,
    *,
    measured: bool = True,
    own: int | None = None,
) -> tuple[Pillow.Image, list[str]]:
    """The picture with its signs, and with scale and directions if asked; the zones it shows.

    With the number of a zone as its `own`, a close-up holds that number whatever hides its place,
    and no other.
    """
    from PIL import Image as Pillow
    from PIL import ImageDraw

    picture = Pillow.fromarray(raster.colours)
    _beads(ImageDraw.Draw(picture), scene, camera, raster)
    zones = _signs(ImageDraw.Draw(picture), scene, camera, raster, own)
    if measured:
        _measures(ImageDraw.Draw(picture), scene, camera)
    return picture, zones


def bead_places(document: Mapping[str, Any]) -> Floats:
    """The feet of retention beads that were found, shape (k, 3), mm."""
    found = document.get("beads") or {}
    return np.asarray(found.get("places_mm", []), dtype=np.float64).reshape(-1, 3)


def _beads(pen: ImageDraw.ImageDraw, scene: Scene, camera: Camera, raster: Raster) -> None:
    """A ring for each retention bead that is seen: the map shows the surface between them."""
    document = scene.filed.document
    for place in bead_places(document):
        at = _seen(place, camera, raster)
        if at is not None:
            radius = 0.5 * document["beads"]["diameter_mm"] / camera.mm_per_px
            box = (at[0] - radius, at[1] - radius, at[0] + radius, at[1] + radius)
            pen.ellipse(box, outline=INK, width=2)


def lines_of(surface: Surface) -> tuple[tuple[Floats, Ints, float], ...]:
    """Strong lines with their triangles and widths: limits, what was measured, finish line."""
    meant = surface.veneer[surface.mesh.faces].mean(axis=1) >= 0.5
    measured = np.isfinite(surface.shown_mm).astype(np.float64)
    passed = [
        *(
            (crossing(surface.mesh, surface.shown_mm, bound, meant), 2.2)
            for bound in surface.scale.bounds_mm
        ),
        (crossing(surface.mesh, measured, _ALL_BUT_MEASURED, meant), 1.6),
        (crossing(surface.mesh, surface.veneer, 0.5), 3.4),
    ]
    return tuple((line.at(surface.mesh.points_mm), line.face, width) for line, width in passed)


def _signs(
    pen: ImageDraw.ImageDraw, scene: Scene, camera: Camera, raster: Raster, own: int | None
) -> list[str]:
    """Numbers and question marks at their zones, and the names of what was not measured.

    Returns
    -------
    list of str
        Numbers of the zones that are seen.
    """
    document, large = scene.filed.document, scene.large
    marks = [
        (str(z["id"]), z["decision"] == "firm", z["centre_mm"],
         amount_words(z, scene.words) if scene.amounts else "")
        for z in document["zones"]
    ]  # fmt: skip
    marks += [("?", False, q["centre_mm"], "") for q in document["questions"] if q["centre_mm"]]
    if own is not None:
        marks = [mark for mark in marks if mark[0] == str(own)]
    taken: list[_Taken] = []
    numbers = []
    for text, firm, centre, beside in marks:
        place = np.asarray(centre, dtype=np.float64)
        at = _seen(place, camera, raster) if own is None else _projected(place, camera)
        if at is None and text.isdigit():
            at = _seen_of(scene.surface, int(text), place, camera, raster)
        if at is not None:
            wide = sign_reach(pen, beside, large)
            far = tuple(away * large + 0.6 * wide for away in _SIGN_AWAY_PX)
            to = _free_place(at, taken, camera, far, wide=wide, large=large)
            taken.append((*to, wide))
            numbers.append((at, to, text, firm, beside))
    taken += [(*at, 0.0) for at, *_ in numbers]
    _names(pen, scene, camera, raster, taken)
    _figures(pen, scene, camera, raster, taken)
    for at, to, text, firm, beside in numbers:
        number_sign(pen, at, to, text, firm=firm, beside=beside, large=large)
    return [text for _, _, text, *_ in numbers if text.isdigit()]


def _figures(
    pen: ImageDraw.ImageDraw, scene: Scene, camera: Camera, raster: Raster, taken: list[_Taken]
) -> None:
    """The figures of the lines between two steps, clear of signs, names and measures."""
    room, large, (width, height) = (
        _SIGN_ROOM_PX * scene.large, scene.large, (camera.width, camera.height)
    )  # fmt: skip
    boxes = [(x - wide - room, y - room, x + wide + room, y + room) for x, y, wide in taken]
    boxes += [
        (0, height - 160 * large, 2 * _EDGE + 260 * large, height),
        (width - 360, height - 96 * large, width, height),
    ]
    figures(
        pen, scene.surface, camera, raster.depth_mm, scene.levels,
        taken=boxes, words=scene.words, large=large,
    )  # fmt: skip


def _names(
    pen: ImageDraw.ImageDraw, scene: Scene, camera: Camera, raster: Raster, taken: list[_Taken]
) -> None:
    for area_mm2, place in scene.unseen:
        at = _seen(place, camera, raster)
        if at is not None:
            text = scene.words("picture.unseen", area=scene.words.mm2(area_mm2))
            wide = 0.5 * name_width(pen, text)
            to = _free_place(at, taken, camera, _NAME_AWAY_PX, wide=wide)
            taken.append((*to, wide))
            name_sign(pen, at, to, text)


def _projected(place: Floats, camera: Camera) -> tuple[float, float]:
    """Where a place lies in a picture, hidden or not."""
    x, y, _ = camera.project(place[None])[0]
    return float(x), float(y)


def _seen(place: Floats, camera: Camera, raster: Raster) -> tuple[float, float] | None:
    """Where a place of the surface lies in a picture; None where it is out of it or hidden."""
    x, y, depth = camera.project(place[None])[0]
    column, row = math.floor(x), math.floor(y)
    if not (0 <= column < camera.width and 0 <= row < camera.height):
        return None
    if not depth <= raster.depth_mm[row, column] + _HIDDEN_CENTRE_MM:
        return None
    return float(x), float(y)


def _seen_of(
    surface: Surface, zone: int, centre: Floats, camera: Camera, raster: Raster
) -> tuple[float, float] | None:
    """Of a zone whose centre is hidden, as on a steep wall, the seen place nearest to it."""
    laid = camera.project(surface.mesh.points_mm[surface.zone == zone])
    pixel = np.floor(laid[:, :2]).astype(np.int64)
    laid = laid[((pixel >= 0) & (pixel < [camera.width, camera.height])).all(axis=1)]
    column, row = np.floor(laid[:, :2]).astype(np.int64).T
    seen = laid[laid[:, 2] <= raster.depth_mm[row, column] + _AT_SURFACE_MM, :2]
    if len(seen) < _LEAST_SEEN:
        return None
    x, y = seen[np.argmin(np.linalg.norm(seen - _projected(centre, camera), axis=1))]
    return float(x), float(y)


_Taken = tuple[float, float, float]
"""A sign's middle in pixels, and how far its words reach to either side."""


def _free_place(
    at: tuple[float, float],
    taken: list[_Taken],
    camera: Camera,
    far_px: tuple[float, ...],
    *,
    wide: float = 0.0,
    large: float = 1.0,
) -> tuple[float, float]:
    """Where a sign stands beside its place, apart from the others if there is room."""

    def free(x: float, y: float) -> bool:
        room = 30 * large
        beside = room + wide < x < camera.width - room - wide
        inside = beside and room < y < camera.height - room
        return inside and all(
            math.hypot(max(abs(x - other) - wide - reach, 0.0), y - above) > _SIGN_APART_PX * large
            for other, above, reach in taken
        )

    for away in far_px:
        for turn in (-0.25, -0.75, 0.25, 0.75, -0.5, 0.0, 1.0, 0.5):
            x, y = at[0] + away * math.cos(turn * math.pi), at[1] + away * math.sin(turn * math.pi)
            if free(x, y):
                return x, y
    return at[0], at[1]


def _measures(pen: ImageDraw.ImageDraw, scene: Scene, camera: Camera) -> None:
    height = camera.height
    scale_bar(pen, camera, camera.width - _EDGE - 270, height - 36, "{} mm", large=scene.large)
    names = ("occlusal", "basal", "buccal", "lingual", "mesial", "distal")
    words = {name: view_word(name, scene.bridge, scene.words) for name in names}
    orientation(pen, camera, scene.bridge, words, (_EDGE + 132, height - 84))


def heading(pen: ImageDraw.ImageDraw, scene: Scene, title: str) -> None:
    """Case and title over a picture, and what it is not."""
    words, document = scene.words, scene.filed.document
    left = f"{case_words(document, words)} · {title}"
    right = words("picture.aid")
    if scene.bridge.guessed:
        right = f"{words('picture.guessed')} · {right}"
    room = WIDTH - 3 * _EDGE - pen.textlength(right, font(26))
    text, size = fitted(pen, left, room)
    pen.text((_EDGE, 16 + 36 - size), text, INK, font(size, bold=True))
    pen.text((WIDTH - _EDGE, 24), right, INK, font(26), anchor="ra")
    pen.line((_EDGE, HEAD - 12, WIDTH - _EDGE, HEAD - 12), fill=INK, width=2)


def fitted(
    pen: ImageDraw.ImageDraw,
    text: str,
    room_px: float,
    sizes: tuple[int, ...] = _HEAD_SIZES,
    *,
    bold: bool = True,
) -> tuple[str, int]:
    """A line in the largest letters that its room holds, cut with a mark if in none."""
    for size in sizes:
        if pen.textlength(text, font(size, bold=bold)) <= room_px:
            return text, size
    while len(text) > 1 and pen.textlength(text, font(size, bold=bold)) > room_px:
        text = text[:-2].rstrip(" …") + "…"
    return text, size


def _title(scene: Scene, name: str) -> str:
    words = scene.words
    if not name.startswith("zone-"):
        return words("picture.view", view=view_word(name, scene.bridge, words))
    zone = next(z for z in scene.filed.document["zones"] if f"zone-{z['id']}" == name)
    return zone_words(zone, words)


def zone_words(zone: Mapping[str, Any], words: Words) -> str:
    """A zone in one line: number, finding, worst reading, decision, what to do."""
    return " · ".join(
        [
            words("picture.zone", id=zone["id"]),
            finding_words(zone, words),
            reading_words(zone, words),
            words.known("decision", zone["decision"]),
            action_words(zone, words),
        ]
    )


def case_words(document: Mapping[str, Any], words: Words) -> str:
    """The case's number, or that none was named."""
    number = document["case"]["number"]
    return words("picture.case", number=number) if number else words("picture.no_case")


def stated(document: Mapping[str, Any], words: Words) -> str:
    """When the check was made, and how the scans lie: what every picture carries."""
    when = str(document["checked_at_utc"])[:16].replace("T", " ") + " UTC"
    state = words.known("state", document["alignment"]["state"])
    return f"{when} · {words('picture.state', state=state)}"


def limits_words(document: Mapping[str, Any], words: Words) -> str:
    """The limits in force and what was taken off the space, in one line."""
    layer, allowance = document["profile"]["layer"], document["profile"]["allowance"]
    limits = words(
        "picture.limits",
        least=words.mm(layer["least_mm"]),
        greatest=words.mm(layer["greatest_mm"]),
        profile=document["profile"]["name"],
    )
    taken = words(
        "picture.taken",
        opaquer=words.mm(allowance["opaquer_mm"]),
        beads=words.mm(allowance["beads_mm"]),
    )
    return f"{limits} · {taken}"


def _legend(sheet: Pillow.Image, scene: Scene) -> None:
    from PIL import ImageDraw

    pen = ImageDraw.Draw(sheet)
    words = scene.words
    top, (width, height) = HEAD + HEIGHT + 48, _BAR
    layer_bar(sheet, scene, (_EDGE, top), _BAR, 24)
    _swatches(sheet, scene, _EDGE + width + 90, top - 34)
    line = f"{limits_words(scene.filed.document, words)} · {stated(scene.filed.document, words)}"
    line, size = fitted(pen, line, WIDTH - 2 * _EDGE, FOOT_SIZES, bold=False)
    pen.text((_EDGE, top + height + 48), line, INK, font(size))


def layer_bar(
    sheet: Pillow.Image, scene: Scene, at: tuple[int, int], size: tuple[int, int], letters: int
) -> None:
    """The bar of the legend at its upper left corner: bands named above, figures below."""
    from PIL import ImageDraw

    pen = ImageDraw.Draw(sheet)
    (left, top), (width, height), words = at, size, scene.words
    bands, bold = scene.surface.bands, font(letters, bold=True)
    sheet.paste(legend_bar(bands, width, height), at)
    pen.rectangle((left, top, left + width, top + height), outline=INK, width=2)
    ends = (0.0, bands.least_mm, bands.greatest_mm, bands.top_mm)

    def place(value: float) -> float:
        return left + value / bands.top_mm * width

    _step_figures(pen, scene, place, top + height + 8, letters)
    for value in ends:
        x = round(place(value))
        pen.line((x, top - 4, x, top + height + 4), fill=INK, width=3)
        anchor = "la" if value == 0 else "ma"
        pen.text((x, top + height + 6), words.number(value), INK, bold, anchor=anchor)
    names = ("thin", "enough", "thick")
    for name, low, high in zip(names, ends[:-1], ends[1:], strict=True):
        middle = place(0.5 * (low + high))
        pen.text((middle, top - 6), words(f"legend.{name}"), INK, bold, anchor="mb")
    pen.text((left + width + 14, top + 4), "mm", INK, font(letters))


def _step_figures(
    pen: ImageDraw.ImageDraw,
    scene: Scene,
    place: Callable[[float], float],
    top: int,
    letters: int,
) -> None:
    """Figures under the steps of the legend's bar, as many as stand apart."""
    bands, small = scene.surface.bands, font(letters - 4)
    room = pen.textlength(scene.words.number(bands.greatest_mm), font(letters, True)) + 8
    ends = [place(bands.least_mm), place(bands.greatest_mm)]
    for value in bands.levels_mm:
        x = place(value)
        if all(abs(x - other) >= room for other in ends):
            pen.text((x, top), scene.words.number(value), INK, small, anchor="ma")
            ends.append(x)


def _swatches(sheet: Pillow.Image, scene: Scene, left: int, top: int) -> None:
    """Every sign with its meaning, one behind another in as many rows as there is room for."""
    from PIL import ImageDraw

    pen, gap = ImageDraw.Draw(sheet), _SWATCH[0] + 10
    beads = ("bead",) if len(bead_places(scene.filed.document)) else ()
    told = [(kind, scene.words(f"legend.{kind}")) for kind in (*SIGNS, *beads)]
    room = WIDTH - _EDGE - left
    for size in _SIGN_SIZES:
        widths = [gap + pen.textlength(words, font(size)) for _, words in told]
        rows = _rows(widths, room)
        if len(rows) <= _SIGN_ROWS:
            break
    for row, own in enumerate(rows):
        x, y = float(left), top + row * _SIGN_ROW_PX
        for index in own:
            kind, words = told[index]
            sheet.paste(swatch(kind, *_SWATCH), (round(x), y))
            pen.text((x + gap, y + 15), words, INK, font(size), anchor="lm")
            x += widths[index] + _SIGN_GAP_PX


def _rows(widths: list[float], room: float) -> list[list[int]]:
    """Numbers of the entries in each row, none wider than the room unless it stands alone."""
    rows: list[list[int]] = []
    used = room
    for index, width in enumerate(widths):
        if not rows or used + _SIGN_GAP_PX + width > room:
            rows.append([])
            used = -_SIGN_GAP_PX
        rows[-1].append(index)
        used += _SIGN_GAP_PX + width
    return rows
