"""The still pictures: six views and a close-up of each zone, complete in themselves."""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from veneercheck.machine.aside import put
from veneercheck.report.captions import zone_words
from veneercheck.report.drawing import WHITE, image_of, orientation, scale_bar
from veneercheck.report.legend import EDGE, FOOT, HEAD, HEIGHT, WIDTH, heading, legend
from veneercheck.report.numbering import put_signs, ring_beads
from veneercheck.report.palette import LEVEL, png
from veneercheck.report.raster import Raster
from veneercheck.report.scene import Scene, drawn, what_matters, whole_tones
from veneercheck.report.views import Camera, close_up, six_views, view_word
from veneercheck.report.words import Words

if TYPE_CHECKING:
    from PIL import Image as Pillow
    from PIL import ImageDraw

STILLS = "stills"

PICTURES_AT_ONCE = 2
"""As many as the cores that were measured on; each more holds its arrays in memory as well."""

_ZONES, _VIEW = "Zones", "View"
"""Keyword of the PNG text that names the zones in the picture."""


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
    tones, blank = whole_tones(scene), _blank(scene)

    def finished(told: tuple[str, Camera]) -> bytes:
        picture = lettered(scene, *told, drawn(scene, told[1]), blank)
        info = {name: picture.info[name] for name in (_ZONES, _VIEW)}
        return png(picture, info, tones)

    written = {}
    todo = cameras(scene)
    with ThreadPoolExecutor(PICTURES_AT_ONCE) as pool:
        for name, content in zip(todo, pool.map(finished, todo.items()), strict=True):
            progress(name)
            written[name] = put(place / f"{name}.png", [content])
    for stale in set(place.glob("*.png")) - set(written.values()):
        stale.unlink()
    return written


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

    with Pillow.open(still) as picture:  # its own palette holds all that is in a part of it
        box = (0, HEAD, WIDTH, HEAD + HEIGHT)
        empty = ImageOps.invert(picture.convert("L").crop(box)).getbbox() or (0, 0, 0, 0)
        top = HEAD + max(empty[1] - EDGE, 0)
        stream = io.BytesIO()
        picture.crop((0, top, WIDTH, HEAD + HEIGHT)).save(stream, "PNG", compress_level=LEVEL)
    return stream.getvalue()


def cameras(scene: Scene) -> dict[str, Camera]:
    """Cameras of all stills by name."""
    found = six_views(scene.bridge, what_matters(scene.surface), WIDTH, HEIGHT)
    for zone in scene.filed.document["zones"]:
        found[f"zone-{zone['id']}"] = close_up(
            zone, scene.bridge, scene.surface.mesh, WIDTH, HEIGHT
        )
    return found


def lettered(
    scene: Scene, name: str, camera: Camera, raster: Raster, blank: Pillow.Image | None = None
) -> Pillow.Image:
    """One finished picture, 1600 × 1200 pixels; `blank` is one with the legend alone."""
    from PIL import ImageDraw

    picture, zones = picture_of(scene, camera, raster)
    sheet = (blank or _blank(scene)).copy()
    sheet.paste(picture, (0, HEAD))
    heading(ImageDraw.Draw(sheet), scene, _title(scene, name))
    sheet.info[_ZONES] = " ".join(zones)
    sheet.info[_VIEW] = scene.bridge.names.get(name, "")
    return sheet


def _blank(scene: Scene) -> Pillow.Image:
    from PIL import Image as Pillow

    sheet = Pillow.new("RGB", (WIDTH, HEAD + HEIGHT + FOOT), WHITE)
    legend(sheet, scene)
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
    from PIL import ImageDraw

    picture = image_of(raster.colours)
    ring_beads(ImageDraw.Draw(picture), scene, camera, raster)
    zones = put_signs(ImageDraw.Draw(picture), scene, camera, raster, own, measured=measured)
    if measured:
        _measures(ImageDraw.Draw(picture), scene, camera)
    return picture, zones


def _measures(pen: ImageDraw.ImageDraw, scene: Scene, camera: Camera) -> None:
    height = camera.height
    scale_bar(pen, camera, camera.width - EDGE - 270, height - 36, "{} mm", large=scene.large)
    names = ("occlusal", "basal", "buccal", "lingual", "mesial", "distal")
    words = {name: view_word(name, scene.bridge, scene.words) for name in names}
    orientation(pen, camera, scene.bridge, words, (EDGE + 132, height - 84))


def _title(scene: Scene, name: str) -> str:
    words = scene.words
    if not name.startswith("zone-"):
        return words("picture.view", view=view_word(name, scene.bridge, words))
    zone = next(z for z in scene.filed.document["zones"] if f"zone-{z['id']}" == name)
    return zone_words(zone, words)
