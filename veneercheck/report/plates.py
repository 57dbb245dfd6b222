"""Pictures drawn for paper: their signs are as large as the hand's distance from it asks.

Notes
-----
What is drawn for paper is drawn anew. Stills cut down to a close-up lose their numbers at arm's
length. Choice: small pictures with large signs for the sheets, the amounts for the bench, the layer
for the designer. Cost: about 0.1 s of work a picture.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from functools import partial

from veneercheck.report.amounts import amounts_of
from veneercheck.report.palette import png
from veneercheck.report.scene import Scene, drawn, what_matters, whole_tones
from veneercheck.report.stills import PICTURES_AT_ONCE, picture_of
from veneercheck.report.views import Camera, close_up, six_views

WHOLE, SIZE, CLOSE = (1200, 660), (760, 446), (760, 446)
"""Pixels of the picture to work by, of a view among six and of a close-up."""

_LARGE, _LARGER = 1.3, 1.9
"""How much larger than in a still the signs are: in the picture to work by, in small ones."""


def plates(scene: Scene, most_close_ups: int) -> Iterator[tuple[str, bytes]]:
    """File names and PNGs: what is to be done from occlusal and at each zone, then as measured.

    `do.png` and `do-1.png` … show amounts, where they are known; `see-occlusal.png` … are the six
    views and `see-1.png` … so many close-ups of the layer.
    """
    work = dataclasses.replace(amounts_of(scene) or scene, amounts=True, large=_LARGE)
    seen, near = (dataclasses.replace(one, large=_LARGER) for one in (scene, work))
    ground = what_matters(scene.surface)
    todo: dict[str, Callable[[], bytes]] = {
        "do.png": partial(_plate, work, six_views(scene.bridge, ground, *WHOLE)["occlusal"])
    }
    for name, camera in six_views(scene.bridge, ground, *SIZE).items():
        todo[f"see-{name}.png"] = partial(_plate, seen, camera, measured=False)
    for index, zone in enumerate(scene.filed.document["zones"]):
        camera = close_up(zone, scene.bridge, scene.surface.mesh, *CLOSE)
        own = {"own": zone["id"], "measured": False}
        todo[f"do-{zone['id']}.png"] = partial(_plate, near, camera, **own)
        if index < most_close_ups:
            todo[f"see-{zone['id']}.png"] = partial(_plate, seen, camera, **own)
    with ThreadPoolExecutor(PICTURES_AT_ONCE) as pool:
        yield from zip(todo, pool.map(lambda made: made(), todo.values()), strict=True)


def _plate(scene: Scene, camera: Camera, *, own: int | None = None, measured: bool = True) -> bytes:
    picture, _ = picture_of(scene, camera, drawn(scene, camera), own=own, measured=measured)
    return png(picture, tones=whole_tones(scene))
