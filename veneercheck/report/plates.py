"""Pictures drawn for paper: their signs are as large as the hand's distance from it asks.

Notes
-----
What is drawn for paper is drawn anew. Stills cut down to a close-up lose their numbers at arm's
length. Choice: small pictures with large signs for the sheets, the amounts for the bench, the layer
for the designer. Cost: about 0.1 s of work a picture.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator

from veneercheck.report.amounts import amounts_of
from veneercheck.report.palette import png
from veneercheck.report.scene import Scene, drawn, what_matters, whole_tones
from veneercheck.report.stills import picture_of
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
    seen = dataclasses.replace(scene, large=_LARGER)
    ground = what_matters(scene.surface)
    yield "do.png", _plate(work, six_views(scene.bridge, ground, *WHOLE)["occlusal"])
    for name, camera in six_views(scene.bridge, ground, *SIZE).items():
        yield f"see-{name}.png", _plate(seen, camera, measured=False)
    near = dataclasses.replace(work, large=_LARGER)
    for index, zone in enumerate(scene.filed.document["zones"]):
        camera = close_up(zone, scene.bridge, scene.surface.mesh, *CLOSE)
        yield f"do-{zone['id']}.png", _plate(near, camera, own=zone["id"], measured=False)
        if index < most_close_ups:
            yield f"see-{zone['id']}.png", _plate(seen, camera, own=zone["id"], measured=False)


def _plate(scene: Scene, camera: Camera, *, own: int | None = None, measured: bool = True) -> bytes:
    picture, _ = picture_of(scene, camera, drawn(scene, camera), own=own, measured=measured)
    return png(picture, tones=whole_tones(scene))
