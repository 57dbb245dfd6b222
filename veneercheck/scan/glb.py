"""GLB: glTF 2 in one file, in metres by its standard; nothing outside the file is followed."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import numpy.typing as npt

from veneercheck.core.errors import Told
from veneercheck.core.types import Floats, Ints
from veneercheck.scan.limits import ReadCaps
from veneercheck.scan.placing import Scene
from veneercheck.scan.raw import RawSurface, cut_short, not_understood

_MAGIC = b"glTF"
_JSON_CHUNK, _BINARY_CHUNK = 0x4E4F534A, 0x004E4942
_COMPONENTS = {5120: "<i1", 5121: "<u1", 5122: "<i2", 5123: "<u2", 5125: "<u4", 5126: "<f4"}
_WIDTHS = {"SCALAR": 1, "VEC3": 3}
_TRIANGLES, _STRIP, _FAN = 4, 5, 6
_LARGEST_JSON = 64 << 20
"""The JSON names buffers and nodes; a scan's is a few kilobytes."""


def is_glb(data: bytes) -> bool:
    """Whether the file starts as a GLB."""
    return data[:4] == _MAGIC


def read_glb(data: bytes, name: str, caps: ReadCaps) -> RawSurface:
    """Read a GLB in metres.

    Raises
    ------
    ScanError
        If it is compressed by an extension, refers to other files, or contradicts itself.
    """
    try:
        return _Document(data, name, caps).surface()
    except (KeyError, IndexError, TypeError, ValueError, AttributeError, OverflowError):
        raise not_understood(name, "its description contradicts itself.") from None
    except RecursionError:
        raise not_understood(name, "its description is nested without end.") from None


class _Document:
    def __init__(self, data: bytes, name: str, caps: ReadCaps) -> None:
        self._name, self._caps = name, caps
        text, self._binary = _chunks(data, name)
        self._json: dict[str, Any] = json.loads(text)
        self._check_extensions()

    def _check_extensions(self) -> None:
        needed = self._json.get("extensionsRequired", [])
        unknown = [one for one in needed if one != "KHR_mesh_quantization"]
        if unknown:
            raise not_understood(
                self._name,
                Told("it needs the extension «{unknown}».", unknown=str(unknown[0])[:40]),
            )

    def surface(self) -> RawSurface:
        scene = Scene(self._name, self._caps)
        for node in self._roots():
            self._place(scene, node, np.eye(4), 0)
        points, faces = scene.surface()
        return RawSurface(points, faces, "m")

    def _roots(self) -> list[int]:
        scenes = self._json.get("scenes", [])
        if scenes:
            return list(scenes[_index(self._json.get("scene", 0))].get("nodes", []))
        nodes = self._json.get("nodes", [])
        children = {child for node in nodes for child in node.get("children", [])}
        return [place for place in range(len(nodes)) if place not in children]

    def _place(self, scene: Scene, index: int, scene_from_parent: Floats, level: int) -> None:
        scene.visit(level)
        node = self._json["nodes"][_index(index)]
        scene_from_node = scene_from_parent @ _matrix(node)
        if not np.isfinite(scene_from_node).all():
            raise ValueError
        if "mesh" in node:
            for primitive in self._json["meshes"][_index(node["mesh"])]["primitives"]:
                self._place_primitive(scene, primitive, scene_from_node)
        for child in node.get("children", []):
            self._place(scene, child, scene_from_node, level + 1)

    def _place_primitive(self, scene: Scene, primitive: dict[str, Any], matrix: Floats) -> None:
        scene.visit(0)
        mode = primitive.get("mode", _TRIANGLES)
        if mode not in (_TRIANGLES, _STRIP, _FAN):
            return
        points = self._accessor(primitive["attributes"]["POSITION"], "VEC3").astype(np.float64)
        if "indices" in primitive:
            order = self._accessor(primitive["indices"], "SCALAR").reshape(-1).astype(np.int64)
        else:
            order = np.arange(len(points), dtype=np.int64)
        scene.place(points, _triangles(order, mode), matrix)

    def _accessor(self, index: int, kind: str) -> npt.NDArray[Any]:
        accessor = self._json["accessors"][_index(index)]
        if accessor["type"] != kind or "sparse" in accessor or "bufferView" not in accessor:
            raise ValueError
        view = self._json["bufferViews"][_index(accessor["bufferView"])]
        buffer = self._json["buffers"][_index(view["buffer"])]
        if "uri" in buffer or view["buffer"] != 0:
            raise not_understood(self._name, "its data lie in another file, which is not followed.")
        component = np.dtype(_COMPONENTS[accessor["componentType"]])
        width, count = _WIDTHS[kind], _index(accessor["count"])
        step = _index(view.get("byteStride", 0)) or component.itemsize * width
        start = _index(view.get("byteOffset", 0)) + _index(accessor.get("byteOffset", 0))
        if start + step * (count - 1) + component.itemsize * width > len(self._binary):
            raise cut_short(self._name, "it names more data than it holds.")
        values = np.ndarray(
            (count, width), component, self._binary, start, (step, component.itemsize)
        )
        return _scaled(values) if accessor.get("normalized", False) else values


def _chunks(data: bytes, name: str) -> tuple[bytes, bytes]:
    if int.from_bytes(data[4:8], "little") != 2:
        raise not_understood(name, "only version 2 of GLB is read.")
    if int.from_bytes(data[8:12], "little") > len(data):
        raise cut_short(name, "it is shorter than it says.")
    found: dict[int, bytes] = {}
    at = 12
    while at + 8 <= len(data):
        length = int.from_bytes(data[at : at + 4], "little")
        kind = int.from_bytes(data[at + 4 : at + 8], "little")
        if length > len(data) - at - 8:
            raise cut_short(name, "it is shorter than it says.")
        found.setdefault(kind, data[at + 8 : at + 8 + length])
        at += 8 + length + (-length % 4)
    text = found.get(_JSON_CHUNK, b"")
    if not text or len(text) > _LARGEST_JSON:
        raise not_understood(name, "its description is missing or far too long.")
    return text, found.get(_BINARY_CHUNK, b"")


def _index(value: Any) -> int:
    """A whole number from 0 upward, as every index, count and offset must be."""
    if not isinstance(value, int) or isinstance(value, bool) or value < 0:
        raise ValueError
    return value


def _matrix(node: dict[str, Any]) -> Floats:
    if "matrix" in node:
        return np.array(node["matrix"], dtype=np.float64).reshape(4, 4).T
    matrix = np.eye(4)
    x, y, z, w = (float(part) for part in node.get("rotation", (0.0, 0.0, 0.0, 1.0)))
    length = x * x + y * y + z * z + w * w
    if not length > 0:
        raise ValueError
    double = 2.0 / length
    turn = np.array(
        [
            [1 - double * (y * y + z * z), double * (x * y - z * w), double * (x * z + y * w)],
            [double * (x * y + z * w), 1 - double * (x * x + z * z), double * (y * z - x * w)],
            [double * (x * z - y * w), double * (y * z + x * w), 1 - double * (x * x + y * y)],
        ]
    )
    scale = np.array(node.get("scale", (1.0, 1.0, 1.0)), dtype=np.float64).reshape(3)
    matrix[:3, :3] = turn * scale
    matrix[:3, 3] = np.array(node.get("translation", (0.0, 0.0, 0.0)), dtype=np.float64).reshape(3)
    return matrix


def _scaled(values: npt.NDArray[Any]) -> Floats:
    """Whole numbers that stand for fractions of their type's greatest."""
    if values.dtype.kind == "f":
        return values.astype(np.float64)
    return np.maximum(values / np.iinfo(values.dtype).max, -1.0)


def _triangles(order: Ints, mode: int) -> Ints:
    if mode == _TRIANGLES:
        if len(order) % 3:
            raise ValueError
        return order.reshape(-1, 3)
    if len(order) < 3:
        raise ValueError
    if mode == _FAN:
        return np.stack([np.full(len(order) - 2, order[0]), order[1:-1], order[2:]], axis=1)
    strip = np.stack([order[:-2], order[1:-1], order[2:]], axis=1)
    strip[1::2] = strip[1::2][:, [1, 0, 2]]
    return strip
