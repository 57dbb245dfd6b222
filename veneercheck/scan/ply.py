"""PLY: ASCII and both byte orders, any extra elements and properties, painted masks."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import numpy.typing as npt

from veneercheck.core.errors import ScanError, Told
from veneercheck.core.types import Fault, Floats, Ints
from veneercheck.scan.limits import ReadCaps
from veneercheck.scan.paint import paint_of, unlike_paint
from veneercheck.scan.polygons import triangles_of
from veneercheck.scan.raw import RawSurface, cut_short, not_understood
from veneercheck.scan.text import decimal_points, floats_of, ints_of, shown

_TYPES = {
    "char": "i1", "int8": "i1", "uchar": "u1", "uint8": "u1",
    "short": "i2", "int16": "i2", "ushort": "u2", "uint16": "u2",
    "int": "i4", "int32": "i4", "uint": "u4", "uint32": "u4",
    "float": "f4", "float32": "f4", "double": "f8", "float64": "f8",
    "int64": "i8", "uint64": "u8",
}  # fmt: skip
_ORDERS = {"ascii": "", "binary_little_endian": "<", "binary_big_endian": ">"}
_LONGEST_HEADER = 1 << 16
"""Far beyond any header met; past it the file is something else."""
_INDEX_NAMES = ("vertex_indices", "vertex_index")
_COLOUR_NAMES = (("red", "green", "blue"), ("diffuse_red", "diffuse_green", "diffuse_blue"))


@dataclasses.dataclass(frozen=True, slots=True)
class _Property:
    name: str
    kind: str
    count_kind: str | None = None


@dataclasses.dataclass(slots=True)
class _Element:
    name: str
    count: int
    properties: list[_Property]

    @property
    def lists(self) -> list[_Property]:
        return [p for p in self.properties if p.count_kind is not None]


@dataclasses.dataclass(frozen=True, slots=True)
class _Header:
    order: str
    ascii: bool
    elements: list[_Element]
    body: int


Columns = dict[str, Any]
"""Property name → its column; of a list the pair (counts, all its values)."""


def is_ply(data: bytes) -> bool:
    """Whether the file starts as a PLY."""
    return data[:4] in (b"ply\n", b"ply\r")


def read_ply(data: bytes, name: str, caps: ReadCaps) -> RawSurface:
    """Read a PLY.

    Raises
    ------
    ScanError
        If the header is not understood or promises more than the bytes hold.
    """
    header = _header(data, name)
    found: dict[str, Columns] = {}
    faults: tuple[Fault, ...] = ()
    source = _Words(data[header.body :], name) if header.ascii else _Bytes(data, header, name)
    for element in header.elements:
        if element.name == "face":
            caps.check_triangles(element.count, name)
        found[element.name] = source.element(element)
        if element.name == "vertex" and element.properties:  # and its bytes hold so many
            caps.check_points(element.count, name)
        if element.name == "face" and "vertex" in found:
            break
    faults = source.faults
    if not found.get("vertex") or not found.get("face"):
        raise not_understood(name, "it holds points but no faces: a point cloud is no surface.")
    points = _points(found["vertex"], name)
    counts, flat = _indices(found["face"], name)
    faces, cut = triangles_of(points, counts, flat, name, caps)
    paint, unlike = _paint(found["vertex"])
    return RawSurface(points, faces, None, paint, (*faults, *cut, *unlike))


def _header(data: bytes, name: str) -> _Header:
    end = data.find(b"end_header", 0, _LONGEST_HEADER)
    if end < 0:
        raise cut_short(name, "its header has no end.")
    lines = [line.split() for line in data[:end].splitlines()]
    order: str | None = None
    elements: list[_Element] = []
    for words in lines[1:]:
        tag = words[0] if words else b""
        if tag == b"format" and len(words) > 1:
            order = words[1].decode("ascii", "replace")
        elif tag == b"element":
            elements.append(_element(words, name))
        elif tag == b"property":
            _add_property(elements, words, name)
    if order not in _ORDERS:
        raise not_understood(name, "its header names no known format.")
    return _Header(_ORDERS[order], order == "ascii", elements, _body(data, end))


def _body(data: bytes, end: int) -> int:
    after = end + len(b"end_header")
    newline = b"\r\n" if data[3:5] == b"\r\n" else data[3:4]
    rest = data[after : after + 64]
    blanks = len(rest) - len(rest.lstrip(b" \t"))
    return after + blanks + (len(newline) if rest[blanks:].startswith(newline) else 1)


def _element(words: list[bytes], name: str) -> _Element:
    if len(words) != 3 or not words[2].isdigit() or len(words[2]) > 18:
        raise not_understood(name, "an element in its header has no proper count.")
    return _Element(words[1].decode("ascii", "replace"), int(words[2]), [])


def _add_property(elements: list[_Element], words: list[bytes], name: str) -> None:
    texts = [word.decode("ascii", "replace") for word in words]
    is_list = texts[1:2] == ["list"]
    kinds = texts[2:4] if is_list else texts[1:2]
    if not elements or len(texts) != (5 if is_list else 3):
        raise not_understood(
            name,
            Told("its header line «{known}» is not understood.", known=shown(b" ".join(words))),
        )
    if any(kind not in _TYPES for kind in kinds):
        raise not_understood(
            name, Told("its header names a type «{known}».", known=shown(b" ".join(words[1:])))
        )
    types = [_TYPES[kind] for kind in kinds]
    if len(types) == 2 and types[0][0] == "f":
        raise not_understood(name, "the length of a list in its header is no whole number.")
    count_kind = types[0] if len(types) == 2 else None
    elements[-1].properties.append(_Property(texts[-1], types[-1], count_kind))


class _Bytes:
    """Elements of a binary body, one after the other."""

    def __init__(self, data: bytes, header: _Header, name: str) -> None:
        self._data, self._at, self._order, self._name = data, header.body, header.order, name
        self.faults: tuple[Fault, ...] = ()

    def element(self, element: _Element) -> Columns:
        if not element.properties or not element.count:
            return {}
        if not element.lists:
            return self._rows(element, self._row_type(element, 0))
        return self._same_lists(element) or self._walk(element)

    def _row_type(self, element: _Element, length: int) -> np.dtype[Any]:
        fields: list[tuple[str, Any]] = []
        for place, prop in enumerate(element.properties):
            if prop.count_kind is None:
                fields.append((f"{place}", self._order + prop.kind))
            else:
                fields.append((f"n{place}", self._order + prop.count_kind))
                fields.append((f"{place}", (self._order + prop.kind, (length,))))
        return np.dtype(fields)

    def _rows(self, element: _Element, row: np.dtype[Any]) -> Columns:
        if row.itemsize * element.count > len(self._data) - self._at:
            raise self._short(element)
        table = np.frombuffer(self._data, dtype=row, count=element.count, offset=self._at)
        self._at += row.itemsize * element.count
        return {prop.name: table[f"{place}"] for place, prop in enumerate(element.properties)}

    def _same_lists(self, element: _Element) -> Columns | None:
        """All lists three long: the common case, read at one stroke; None if it is not so."""
        row = self._row_type(element, 3)
        if len(element.lists) != 1 or row.itemsize * element.count > len(self._data) - self._at:
            return None
        place = element.properties.index(element.lists[0])
        start = self._at
        table = np.frombuffer(self._data, dtype=row, count=element.count, offset=start)
        if not (table[f"n{place}"] == 3).all():
            return None
        columns = self._rows(element, row)
        lists = element.lists[0].name
        columns[lists] = (np.full(element.count, 3), columns[lists].reshape(-1))
        return columns

    def _walk(self, element: _Element) -> Columns:
        kept: list[list[npt.NDArray[Any]]] = [[] for _ in element.properties]
        for _ in range(element.count):
            for values, prop in zip(kept, element.properties, strict=True):
                length = 1
                if prop.count_kind is not None:
                    length = int(self._take(element, prop.count_kind, 1)[0])
                values.append(self._take(element, prop.kind, length))
        return {
            prop.name: _column(values, prop)
            for values, prop in zip(kept, element.properties, strict=True)
        }

    def _take(self, element: _Element, kind: str, length: int) -> npt.NDArray[Any]:
        row = np.dtype(self._order + kind)
        if not 0 <= length * row.itemsize <= len(self._data) - self._at:
            raise self._short(element)
        values = np.frombuffer(self._data, dtype=row, count=length, offset=self._at)
        self._at += length * row.itemsize
        return values

    def _short(self, element: _Element) -> ScanError:
        return cut_short(
            self._name,
            Told(
                "its header names {count:,} of «{name}», but its bytes end early.",
                count=element.count,
                name=element.name,
            ),
        )


def _column(values: list[npt.NDArray[Any]], prop: _Property) -> Any:
    joined = np.concatenate(values)
    if prop.count_kind is None:
        return joined
    return np.array([len(part) for part in values], dtype=np.int64), joined


class _Words:
    """Elements of an ASCII body, one after the other."""

    def __init__(self, body: bytes, name: str) -> None:
        self._words, self._at, self._name = body.split(), 0, name
        self.faults: tuple[Fault, ...] = ()

    def element(self, element: _Element) -> Columns:
        if not element.properties or not element.count:
            return {}
        if not element.lists:
            return self._rows(element)
        return self._same_lists(element) or self._walk(element)

    def _take(self, element: _Element, length: int) -> list[bytes]:
        if not 0 <= length <= len(self._words) - self._at:
            raise cut_short(
                self._name,
                Told(
                    "its header names {count:,} of «{name}», but its lines end early.",
                    count=element.count,
                    name=element.name,
                ),
            )
        words = self._words[self._at : self._at + length]
        self._at += length
        return words

    def _rows(self, element: _Element) -> Columns:
        width = len(element.properties)
        words, commas = decimal_points(self._take(element, element.count * width), self._name)
        self.faults += commas
        table = floats_of(words, self._name).reshape(-1, width)
        return {
            prop.name: _as_kind(table[:, place], prop)
            for place, prop in enumerate(element.properties)
        }

    def _same_lists(self, element: _Element) -> Columns | None:
        """Only a list, three long on every line; None if it is not so."""
        if len(element.properties) != 1 or 4 * element.count > len(self._words) - self._at:
            return None
        if set(self._words[self._at : self._at + 4 * element.count : 4]) != {b"3"}:
            return None
        table = ints_of(self._take(element, 4 * element.count), self._name).reshape(-1, 4)
        return {element.lists[0].name: (table[:, 0], table[:, 1:].reshape(-1))}

    def _walk(self, element: _Element) -> Columns:
        kept: list[list[bytes]] = [[] for _ in element.properties]
        lengths: list[list[int]] = [[] for _ in element.properties]
        for _ in range(element.count):
            for values, sizes, prop in zip(kept, lengths, element.properties, strict=True):
                size = 1
                if prop.count_kind is not None:
                    size = int(ints_of(self._take(element, 1), self._name)[0])
                sizes.append(size)
                values.extend(self._take(element, size))
        columns: Columns = {}
        for values, sizes, prop in zip(kept, lengths, element.properties, strict=True):
            joined: Any = floats_of(values, self._name)
            if prop.name in _INDEX_NAMES:
                joined = ints_of(values, self._name)
            columns[prop.name] = joined if prop.count_kind is None else (np.array(sizes), joined)
        return columns


def _as_kind(column: Floats, prop: _Property) -> npt.NDArray[Any]:
    """Numbers of an ASCII file in the type its header names, where that holds them."""
    if prop.kind[0] == "f" or not np.isfinite(column).all():
        return column
    bounds = np.iinfo(prop.kind)
    fits = len(column) == 0 or (column.min() >= bounds.min and column.max() <= bounds.max)
    return column.astype(prop.kind) if fits else column


def _points(vertex: Columns, name: str) -> Floats:
    axes = [vertex.get(axis) for axis in "xyz"]
    if any(not isinstance(axis, np.ndarray) for axis in axes):
        raise not_understood(name, "its vertices have no x, y and z.")
    columns: list[npt.NDArray[Any]] = [axis for axis in axes if axis is not None]
    return np.stack([column.astype(np.float64) for column in columns], axis=1)


def _indices(face: Columns, name: str) -> tuple[Ints, Ints]:
    lists = next((face[key] for key in _INDEX_NAMES if key in face), None)
    if not isinstance(lists, tuple):
        raise not_understood(name, "its faces name no vertices.")
    counts, flat = lists
    return _whole(counts, name), _whole(flat, name)


def _whole(values: npt.NDArray[Any], name: str) -> Ints:
    if values.dtype.kind == "f":
        raise not_understood(name, "its faces name vertices by broken numbers.")
    if values.dtype.kind == "u" and values.dtype.itemsize == 8:
        values = np.minimum(values, np.uint64(np.iinfo(np.int64).max))
    return values.astype(np.int64)


def _paint(vertex: Columns) -> tuple[Ints | None, tuple[Fault, ...]]:
    """The mask, and what beside it was meant as one."""
    for names in _COLOUR_NAMES:
        parts = [vertex.get(part) for part in names]
        if all(isinstance(part, np.ndarray) for part in parts):
            columns: list[npt.NDArray[Any]] = [part for part in parts if part is not None]
            if len({column.dtype for column in columns}) == 1:
                colours = np.stack(columns, axis=1)
                paint = paint_of(colours)
                return paint, () if paint is None else unlike_paint(colours)
    return None, ()
