"""Pictures of few colours show what they showed, and every pixel its nearest triangle."""

from __future__ import annotations

import dataclasses
import io

import numpy as np
from PIL import Image

from edges.test_report_pictures import filed_ball
from veneercheck.core.types import TriangleMesh
from veneercheck.report import colours, palette
from veneercheck.report.palette import all_colours, few_colours, plain_colours, png
from veneercheck.report.raster import draw, first_outside, projected
from veneercheck.report.scanlines import faces_seen
from veneercheck.report.scene import drawn, scene_of
from veneercheck.report.stills import cameras, lettered
from veneercheck.report.words import Words


def test_plain_colours_stay_and_the_rest_is_near() -> None:
    """By comparison, pixel by pixel, with the picture in all its colours."""
    scene = scene_of(filed_ball(), Words("en"))
    camera = cameras(scene)["occlusal"]
    picture = lettered(scene, "occlusal", camera, drawn(scene, camera))
    few = few_colours(picture)
    before, after = np.asarray(picture).astype(int), np.asarray(few.convert("RGB")).astype(int)
    off = np.abs(before - after).max(axis=2)
    assert few.mode == "P" and off.max() < 48 and off.mean() < 2.0 and (off > 12).mean() < 0.01
    for colour in plain_colours().tolist():
        met = (before == colour).all(axis=2)
        assert (after[met] == colour).all()
    with io.BytesIO() as stream:
        picture.save(stream, "PNG", compress_level=6)
        assert 2.5 * len(png(picture)) < len(stream.getvalue())


def test_no_two_steps_of_a_scale_become_one() -> None:
    """Each tone put in comes out as it was, in a picture full of other colours."""
    steps = np.concatenate([colours.Bands(1.0, 3.0).tones, colours.Amounts(1.0).tones])
    tones = np.rint(steps).astype(np.uint8)
    picture = Image.fromarray(np.repeat(np.repeat(tones[None], 50, axis=0), 20, axis=1))
    with Image.open(
        io.BytesIO(png(picture, tones=[tuple(tone) for tone in tones.tolist()]))
    ) as few:
        found = np.asarray(few.convert("RGB"))
    assert np.abs(found[10, ::20].astype(int) - tones).max() <= 3
    assert len(np.unique(found[10, ::20], axis=0)) == len(tones)


def test_white_plaster_and_metal_are_told_apart() -> None:
    """Three pale colours on a picture full of others: an adaptive palette would merge them."""
    rng = np.random.default_rng(1)
    every = all_colours()
    noise = every[rng.integers(0, len(every), 40_000)].reshape(200, 200, 3)
    pale = np.array([(255, 255, 255), colours.PLASTER, colours.METAL], dtype=np.uint8)
    noise[:, :3] = pale
    found = np.asarray(few_colours(Image.fromarray(noise)).convert("RGB"))
    assert (found[:, :3] == pale).all()


def test_colours_that_are_named_anew_are_in_the_palette(monkeypatch) -> None:
    """A band and a colour of the map need not be told a second time."""
    plain_colours.cache_clear(), all_colours.cache_clear()
    monkeypatch.setattr(colours, "VIOLET", (0x70, 0x10, 0xA0), raising=False)
    monkeypatch.setattr(colours, "GREENS", ((0, 0x80, 0), (0x80, 0xF0, 0x80)), raising=False)
    try:
        plain, every = plain_colours().tolist(), all_colours().tolist()
    finally:
        monkeypatch.undo()
        plain_colours.cache_clear(), all_colours.cache_clear()
    for colour in ([0x70, 0x10, 0xA0], [0, 0x80, 0], [0x80, 0xF0, 0x80]):
        assert colour in plain
    assert [0x40, 0xB8, 0x40] in every  # half way along the band
    assert [0x70, 0x10, 0xA0] not in plain_colours().tolist()
    assert len(palette.plain_colours()) < 64


def test_a_picture_file_tells_its_words() -> None:
    """Read back by the picture library."""
    made = png(Image.new("RGB", (9, 9), (255, 255, 255)), {"Zones": "1 3"})
    with Image.open(io.BytesIO(made)) as picture:
        assert picture.info["Zones"] == "1 3" and picture.convert("RGB").getpixel((4, 4)) == (
            255, 255, 255,
        )  # fmt: skip


def test_every_pixel_shows_the_triangle_that_its_ray_meets() -> None:
    """Witness: the ray engine, which looks through back sides, pixel by pixel."""
    filed = filed_ball()
    height = filed.mesh.points_mm[filed.mesh.faces][..., 2].mean(axis=1)
    lower = TriangleMesh(filed.mesh.points_mm, filed.mesh.faces[height < 1.0])
    for mesh in (filed.mesh, lower):
        scene = scene_of(dataclasses.replace(filed, mesh=mesh), Words("en"))
        for name in ("occlusal", "buccal"):
            camera = cameras(scene)[name]
            laid = projected(scene.surface, camera)
            shape = camera.height, camera.width
            found, _ = faces_seen(laid.place, mesh.faces, laid.front, *shape)
            y, x = np.divmod(np.arange(len(found)), camera.width)
            met = first_outside(scene.surface, camera, laid, x + 0.5, y + 0.5)
            assert (found != met).mean() < 1e-4
            assert (met >= 0).sum() > 20_000
            assert np.isfinite(draw(scene.surface, camera).depth_mm).sum() == (found >= 0).sum()


def test_a_net_without_gaps_covers_every_pixel_once() -> None:
    """A rectangle cut into triangles, corners on middles of pixels among them: no pixel twice."""
    from scipy.spatial import Delaunay

    rng = np.random.default_rng(2)
    middles = np.floor(rng.uniform(0, 60, (40, 2))) + 0.5
    flat = np.concatenate([rng.uniform(0, 60, (300, 2)), middles, rng.uniform(-9, 69, (60, 2))])
    corners = [(-9, -9), (69, -9), (-9, 69), (69, 69)]
    flat = np.unique(np.concatenate([flat, corners]), axis=0)
    faces = Delaunay(flat).simplices
    count = np.zeros(60 * 50, dtype=int)
    place = np.column_stack([flat, np.zeros(len(flat))])
    for one in range(len(faces)):
        count[faces_seen(place, faces, np.array([one]), 50, 60)[0] >= 0] += 1
    assert (count == 1).all()
    together, _ = faces_seen(place, faces, np.arange(len(faces)), 50, 60)
    assert (together >= 0).all() and len(np.unique(together)) > 300


def test_the_nearest_of_slanting_triangles_is_seen() -> None:
    """Two that cross: each is seen where its plane lies nearer, left and right of x = 30."""
    corners = np.array([[-50.0, -100.0], [110.0, -100.0], [30.0, 220.0]])
    rising = np.column_stack([corners, corners[:, 0]])
    falling = np.column_stack([corners, 60.0 - corners[:, 0]])
    faces = np.arange(6).reshape(2, 3)
    seen, depth = faces_seen(np.concatenate([rising, falling]), faces, np.arange(2), 40, 60)
    x = np.tile(np.arange(60) + 0.5, 40)
    np.testing.assert_array_equal(seen, np.where(x < 30, 0, 1))
    np.testing.assert_allclose(depth, np.minimum(x, 60.0 - x), atol=1e-4)
