"""3MF: a zip of XML; all units, build transforms, components, several objects.

Read with the standard library's expat alone: any document type is refused, so that no entity
can be declared, and nothing is ever written to disk.
"""

from __future__ import annotations

import dataclasses
import io
import posixpath
import zipfile
import zlib
from array import array
from collections.abc import Callable
from xml.parsers import expat

import numpy as np

from veneercheck.core.errors import Told
from veneercheck.core.types import Floats, Ints
from veneercheck.scan.limits import ReadCaps
from veneercheck.scan.placing import Scene
from veneercheck.scan.raw import RawSurface, not_understood
from veneercheck.scan.text import floats_of, ints_of

_UNITS = {
    "micron": "um", "millimeter": "mm", "centimeter": "cm",
    "inch": "in", "foot": "ft", "meter": "m",
}  # fmt: skip
_MODEL_RELATION = "/3dmodel"
_RELATIONS_PART = "_rels/.rels"
_USUAL_MODEL_PART = "3D/3dmodel.model"
_NOT_PRINTED = ("support", "solidsupport")

_PIECE_BYTES = 1 << 20
"""Unpacked at a time, so that a limit is noticed before it is far behind."""

Attributes = dict[str, str]
Handler = Callable[[str, Attributes], None]


@dataclasses.dataclass(slots=True)
class _Placed:
    part: str
    object: str
    transform: str


@dataclasses.dataclass(slots=True)
class _Object:
    kind: str
    coordinates: array[float] = dataclasses.field(default_factory=lambda: array("d"))
    corners: array[int] = dataclasses.field(default_factory=lambda: array("q"))
    components: list[_Placed] = dataclasses.field(default_factory=list)

    def arrays(self) -> tuple[Floats, Ints]:
        """Points and triangles, as often as it is placed."""
        return (
            np.frombuffer(self.coordinates, dtype=np.float64).reshape(-1, 3),
            np.frombuffer(self.corners, dtype=np.int64).reshape(-1, 3),
        )


@dataclasses.dataclass(slots=True)
class _Model:
    unit: str = "millimeter"
    objects: dict[str, _Object] = dataclasses.field(default_factory=dict)
    build: list[_Placed] = dataclasses.field(default_factory=list)


def is_zip(data: bytes) -> bool:
    """Whether the file is a zip, as every 3MF is."""
    return data[:4] == b"PK\x03\x04"


def read_3mf(data: bytes, name: str, caps: ReadCaps) -> RawSurface:
    """Read a 3MF in the unit it states.

    Raises
    ------
    ScanError
        If the package is damaged, encrypted, too large unpacked, or declares entities.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as package:
            return _Package(package, len(data), name, caps).surface()
    except (zipfile.BadZipFile, zlib.error, EOFError, OSError, NotImplementedError) as error:
        raise not_understood(
            name, Told("its package is damaged ({name}).", name=type(error).__name__)
        ) from None
    except (RuntimeError, ValueError, LookupError, OverflowError) as error:
        if "encrypted" in str(error):
            raise not_understood(name, "its package is locked with a password.") from None
        raise not_understood(name, "its package breaks the rules of 3MF.") from None


class _Package:
    def __init__(self, package: zipfile.ZipFile, packed: int, name: str, caps: ReadCaps) -> None:
        self._zip, self._name, self._caps = package, name, caps
        self._models: dict[str, _Model] = {}
        self._unpacked, self._packed = 0, packed
        # The directory at the end tells the sizes: a bomb is refused before it is unpacked, and
        # one that lies about them while it is.
        caps.check_unpacked(sum(entry.file_size for entry in package.infolist()), packed, name)

    def surface(self) -> RawSurface:
        start = self._model_part()
        model = self._model(start)
        scene = Scene(self._name, self._caps)
        for item in model.build:
            self._place(scene, start, item, np.eye(4), 0)
        points, faces = scene.surface()
        unit = _UNITS.get(model.unit)
        if unit is None:
            raise not_understood(
                self._name, Told("it states the unknown unit «{unit}».", unit=model.unit[:24])
            )
        return RawSurface(points, faces, unit)

    def _place(
        self, scene: Scene, part: str, item: _Placed, scene_from_here: Floats, level: int
    ) -> None:
        scene.visit(level)
        part = item.part or part
        placed = self._model(part).objects.get(item.object)
        if placed is None:
            raise not_understood(self._name, "it places an object that does not exist.")
        if placed.kind in _NOT_PRINTED:
            return
        scene_from_object = scene_from_here @ _matrix(item.transform, self._name)
        if placed.corners:
            scene.place(*placed.arrays(), scene_from_object)
        for component in placed.components:
            self._place(scene, part, component, scene_from_object, level + 1)

    def _model_part(self) -> str:
        names = set(self._zip.namelist())
        targets: list[str] = []

        def relation(tag: str, attributes: Attributes) -> None:
            if tag == "Relationship" and attributes.get("Type", "").endswith(_MODEL_RELATION):
                targets.append(attributes.get("Target", ""))

        if _RELATIONS_PART in names:
            self._parse(_RELATIONS_PART, relation)
        for part in [*(_part_name(target) for target in targets), _USUAL_MODEL_PART]:
            if part in names:
                return part
        raise not_understood(self._name, "this zip is not a 3MF: it names no model.")

    def _model(self, part: str) -> _Model:
        if part not in self._models:
            model = _Model()
            self._parse(part, _Collector(model, self._name, self._caps).start)
            self._models[part] = model
        return self._models[part]

    def _parse(self, part: str, start: Handler) -> None:
        if part not in self._zip.namelist():
            raise not_understood(self._name, "it refers to a part that is not in its package.")
        parser = expat.ParserCreate()
        parser.StartDoctypeDeclHandler = self._refuse_doctype
        parser.StartElementHandler = lambda tag, found: start(tag.rpartition(":")[2], found)
        try:
            with self._zip.open(part) as stream:
                while piece := stream.read(_PIECE_BYTES):
                    self._unpacked += len(piece)
                    self._caps.check_unpacked(self._unpacked, self._packed, self._name)
                    parser.Parse(piece, False)
            parser.Parse(b"", True)
        except expat.ExpatError as error:
            raise not_understood(
                self._name, Told("its XML is broken at line {lineno}.", lineno=error.lineno)
            ) from None

    def _refuse_doctype(self, *_: object) -> None:
        raise not_understood(self._name, "its XML declares a document type, which 3MF forbids.")


class _Collector:
    """Start tags of a model part, gathered into objects and build items."""

    def __init__(self, model: _Model, name: str, caps: ReadCaps) -> None:
        self._model, self._name, self._caps = model, name, caps
        self._object = _Object("none")
        self._points = self._triangles = 0
        self._handlers: dict[str, Callable[[Attributes], None]] = {
            "vertex": self._vertex,
            "triangle": self._triangle,
            "object": self._start_object,
            "component": lambda found: self._object.components.append(_placed(found)),
            "item": lambda found: self._model.build.append(_placed(found)),
            "model": self._start_model,
        }

    def start(self, tag: str, found: Attributes) -> None:
        handler = self._handlers.get(tag)
        if handler is not None:
            handler(found)

    def _start_model(self, found: Attributes) -> None:
        self._model.unit = found.get("unit", "millimeter")

    def _start_object(self, found: Attributes) -> None:
        self._object = _Object(found.get("type", "model"))
        self._model.objects[found.get("id", "")] = self._object

    def _vertex(self, found: Attributes) -> None:
        words = self._words(found, "x", "y", "z")
        try:
            self._object.coordinates.extend(map(float, words))
        except ValueError:
            floats_of(words, self._name)  # refuses, and says which
        self._points += 1
        self._caps.check_points(self._points, self._name)

    def _triangle(self, found: Attributes) -> None:
        words = self._words(found, "v1", "v2", "v3")
        try:
            self._object.corners.extend(map(int, words))
        except (ValueError, OverflowError):
            ints_of(words, self._name)  # refuses, and says which
        self._triangles += 1
        self._caps.check_triangles(self._triangles, self._name)

    def _words(self, found: Attributes, *keys: str) -> list[bytes]:
        try:
            return [found[key].encode() for key in keys]
        except (KeyError, UnicodeEncodeError):
            raise not_understood(self._name, "a vertex or triangle lacks a number.") from None


def _placed(found: Attributes) -> _Placed:
    path = next((value for key, value in found.items() if key.rpartition(":")[2] == "path"), "")
    return _Placed(
        _part_name(path) if path else "", found.get("objectid", ""), found.get("transform", "")
    )


def _part_name(target: str) -> str:
    """Name inside the package; one that climbs out names nothing in it."""
    return posixpath.normpath(target.lstrip("/"))


def _matrix(transform: str, name: str) -> Floats:
    """The 4×4 matrix of the 12 numbers that 3MF writes column after column."""
    matrix = np.eye(4)
    if transform:
        words = [word.encode("utf-8", "replace") for word in transform.split()]
        if len(words) != 12:
            raise not_understood(name, "a transform has not 12 numbers.")
        matrix[:3, :] = floats_of(words, name).reshape(4, 3).T
        if not np.isfinite(matrix).all():
            raise not_understood(name, "a transform holds a number that is not finite.")
    return matrix
