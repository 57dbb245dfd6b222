"""Good, odd and bad scan files, made here byte by byte, each with the outcome it must have.

The expected values come from how each file is made: a ball of known triangles is written in a
known way, and something known is done to it. Layouts follow the published format descriptions.
"""

from __future__ import annotations

import base64
import dataclasses
import gzip
import io
import json
import struct
import zipfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from veneercheck.case.found import painted_copy
from veneercheck.core.errors import ScanError
from veneercheck.core.types import Region, TriangleMesh
from veneercheck.report.words import Words
from veneercheck.scan import ReadCaps, read_scan, stl_bytes
from veneercheck.scan.paint import paint_of, unlike_paint

# --- bodies -----------------------------------------------------------------------------------


def ball(rounds: int = 2, radius: float = 5.0) -> tuple[np.ndarray, np.ndarray]:
    """An octahedron, each triangle cut in four `rounds` times and put on a sphere."""
    p = [(1, 0, 0), (-1, 0, 0), (0, 1, 0), (0, -1, 0), (0, 0, 1), (0, 0, -1)]
    f = [(0, 2, 4), (2, 1, 4), (1, 3, 4), (3, 0, 4), (2, 0, 5), (1, 2, 5), (3, 1, 5), (0, 3, 5)]
    corners = np.array(p, dtype=float)[np.array(f)]
    for _ in range(rounds):
        a, b, c = (corners[:, k] for k in range(3))
        ab, bc, ca = a + b, b + c, c + a
        quarters = [(a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca)]
        corners = np.concatenate([np.stack(q, axis=1) for q in quarters])
        corners /= np.linalg.norm(corners, axis=2, keepdims=True)
    flat = np.round(corners.reshape(-1, 3), 12) + 0.0
    points, number = np.unique(flat, axis=0, return_inverse=True)
    return points * radius, number.reshape(-1, 3)


P, F = ball()
N = len(F)


def area_of(points: np.ndarray, faces: np.ndarray) -> float:
    a, b, c = (points[faces[:, k]] for k in range(3))
    return float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum() / 2)


AREA = area_of(P, F)
CUBE = np.array(list(np.ndindex(2, 2, 2)), dtype=float) * 10.0
QUADS = [[0, 1, 3, 2], [4, 6, 7, 5], [0, 4, 5, 1], [2, 3, 7, 6], [0, 2, 6, 4], [1, 5, 7, 3]]

# --- writers: each as its format says -----------------------------------------------------------


def stl(p=P, f=F, *, header=b"made by hand", count=None, tail=b"") -> bytes:
    body = b"".join(
        struct.pack("<12fH", 0, 0, 0, *np.asarray(p, float)[t].reshape(-1), 0) for t in f
    )
    number = len(f) if count is None else count
    return header.ljust(80, b"\0")[:80] + struct.pack("<I", number) + body + tail


def ascii_stl(p=P, f=F, *, number="{:.9g}", newline="\n", name="ball", end="endsolid ball\n"):
    lines = [f"solid {name}"]
    for t in f:
        lines += ["facet normal 0 0 0", " outer loop"]
        lines += ["  vertex " + " ".join(number.format(x) for x in p[v]) for v in t]
        lines += [" endloop", "endfacet"]
    return (newline.join(lines) + newline + end).encode()


def ply(
    p=P,
    f=F,
    *,
    form="ascii",
    real="float",
    extra=(),
    colours=None,
    before="",
    nv=None,
    nf=None,
    index="i",
    flags=False,
):
    order = {"ascii": None, "binary_little_endian": "<", "binary_big_endian": ">"}[form]
    head = ["ply", f"format {form} 1.0", "comment made by hand"]
    head += [f"element vertex {len(p) if nv is None else nv}"]
    head += [f"property {real} {axis}" for axis in "xyz"]
    head += [f"property float {name}" for name in extra]
    head += [f"property uchar {c}" for c in ("red", "green", "blue")] if colours is not None else []
    head += [
        f"element face {len(f) if nf is None else nf}",
        f"property list uchar {INDEX[index]} vertex_indices",
    ]
    head += ["property uchar flags"] if flags else []
    out = ("\n".join(head) + "\nend_header\n" + before).encode()
    for i, point in enumerate(p):
        rgb = [int(c) for c in colours[i]] if colours is not None else []
        if order is None:
            out += " ".join([repr(float(x)) for x in point] + ["1.5"] * len(extra)).encode()
            out += ("".join(f" {c}" for c in rgb) + "\n").encode()
        else:
            kind = "3d" if real == "double" else "3f"
            out += struct.pack(order + kind, *point) + struct.pack(
                order + f"{len(extra)}f", *[1.5] * len(extra)
            )
            out += bytes(rgb)
    for face in f:
        if order is None:
            out += (" ".join(str(v) for v in [len(face), *face]) + " 7" * flags + "\n").encode()
        else:
            out += struct.pack(order + f"B{len(face)}{index}", len(face), *face) + b"\7" * flags
    return out


INDEX = {"i": "int", "Q": "uint64"}


def crlf_header(data: bytes) -> bytes:
    head, mark, body = data.partition(b"end_header\n")
    return head.replace(b"\n", b"\r\n") + mark.replace(b"\n", b"\r\n") + body


def obj(p=P, f=F, *, vertex="v {:.9g} {:.9g} {:.9g}", corner="{}", negative=False, head=""):
    lines = [head] if head else []
    lines += [vertex.format(*point) for point in p]
    for face in f:
        index = [v - len(p) if negative else v + 1 for v in face]
        lines.append("f " + " ".join(corner.format(i) for i in index))
    return ("\n".join(lines) + "\n").encode()


def off(p=P, f=F, *, head="OFF", point="{:.9g} {:.9g} {:.9g}", tail="", counts=None):
    nv, nf = counts or (len(p), len(f))
    lines = [head, "# made by hand", f"{nv} {nf} 0"]
    lines += [point.format(*x) for x in p]
    lines += [" ".join(str(v) for v in [len(face), *face]) + tail for face in f]
    return ("\n".join(lines) + "\n").encode()


CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
RELATION = "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"


def mesh_xml(p=P, f=F) -> str:
    vertices = "".join(f'<vertex x="{x:.9g}" y="{y:.9g}" z="{z:.9g}"/>' for x, y, z in p)
    triangles = "".join(f'<triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in f)
    return f"<mesh><vertices>{vertices}</vertices><triangles>{triangles}</triangles></mesh>"


def model_xml(objects: str, items: str, *, unit=' unit="millimeter"', head="") -> str:
    return (
        f'<?xml version="1.0" encoding="UTF-8"?>{head}<model{unit} xmlns="{CORE}">'
        f"<resources>{objects}</resources><build>{items}</build></model>"
    )


def package(model: str, *, part="3D/3dmodel.model", target="/3D/3dmodel.model", more=()) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as file:
        relation = f'<Relationship Target="{target}" Id="r" Type="{RELATION}"/>'
        file.writestr("_rels/.rels", f"<Relationships>{relation}</Relationships>")
        file.writestr(part, model)
        for name, content in more:
            file.writestr(name, content)
    return out.getvalue()


def threemf(p=P, f=F, *, unit="millimeter", transform="", head="") -> bytes:
    place = f' transform="{transform}"' if transform else ""
    objects = f'<object id="1" type="model">{mesh_xml(p, f)}</object>'
    unit_text = f' unit="{unit}"' if unit else ""
    return package(model_xml(objects, f'<item objectid="1"{place}/>', unit=unit_text, head=head))


def glb(
    p=P,
    f=F,
    *,
    scale=0.001,
    change: Callable[[dict], None] | None = None,
    index="<u2",
    packed: bytes | None = None,
) -> bytes:
    points = packed or (np.asarray(p) * scale).astype("<f4").tobytes()
    indices = np.asarray(f).astype(index).tobytes()
    kind = {"<u2": 5123, "<u4": 5125}[index]
    description = {
        "asset": {"version": "2.0"},
        "scene": 0,
        "scenes": [{"nodes": [0]}],
        "nodes": [{"mesh": 0}],
        "meshes": [{"primitives": [{"attributes": {"POSITION": 0}, "indices": 1}]}],
        "accessors": [
            {"bufferView": 0, "componentType": 5126, "count": len(p), "type": "VEC3"},
            {"bufferView": 1, "componentType": kind, "count": 3 * len(f), "type": "SCALAR"},
        ],
        "bufferViews": [
            {"buffer": 0, "byteOffset": 0, "byteLength": len(points)},
            {"buffer": 0, "byteOffset": len(points), "byteLength": len(indices)},
        ],
        "buffers": [{"byteLength": len(points) + len(indices)}],
    }
    if change:
        change(description)
    return glb_of(json.dumps(description).encode(), points + indices)


TETRA = np.array([[0, 0, 0], [20, 0, 0], [0, 20, 0], [0, 0, 20]], dtype=float)
TETRA_AREA = 3 * 200 + 200 * 3**0.5


def glb_mode(mode: int, order: list[int]) -> bytes:
    """A tetrahedron as a strip (5) or a fan (6)."""

    def change(description: dict) -> None:
        description["meshes"][0]["primitives"][0]["mode"] = mode
        description["accessors"][1]["count"] = len(order)

    return glb(TETRA, [order], change=change)


def glb_quantised() -> bytes:
    """Coordinates as 16-bit fractions of 5 mm."""

    def change(description: dict) -> None:
        description["accessors"][0] |= {"componentType": 5122, "normalized": True}
        description["nodes"][0]["scale"] = [0.005] * 3
        description["extensionsRequired"] = ["KHR_mesh_quantization"]

    return glb(change=change, packed=np.round(P / 5 * 32767).astype("<i2").tobytes())


def glb_of(text: bytes, binary: bytes) -> bytes:
    text += b" " * (-len(text) % 4)
    binary += b"\0" * (-len(binary) % 4)
    chunks = struct.pack("<II", len(text), 0x4E4F534A) + text
    chunks += struct.pack("<II", len(binary), 0x004E4942) + binary
    return b"glTF" + struct.pack("<II", 2, 12 + len(chunks)) + chunks


# --- outcomes -----------------------------------------------------------------------------------


@dataclasses.dataclass
class Mesh:
    """The file is read: so many triangles, so much area, and just these faults."""

    triangles: int = N
    faults: dict[str, int] = dataclasses.field(default_factory=dict)
    area: float = AREA
    unit: str = "mm"


@dataclasses.dataclass
class Refused:
    """The file is refused in words that contain these."""

    words: str


ALWAYS = {"unit_judged", "unit_stated", "unit_given", "coarse_areas"}
"""Faults of every file here: the balls are coarse, and every unit has its reason told."""

Entry = tuple[Callable[[], bytes], Mesh | Refused]


def swapped_faces(share: int) -> np.ndarray:
    f = F.copy()
    f[:share] = f[:share, ::-1]
    return f


def with_point(value: float) -> np.ndarray:
    p = P.copy()
    p[7, 1] = value
    return p


def with_ball(centre: tuple[float, float, float], radius: float) -> tuple[np.ndarray, np.ndarray]:
    return np.concatenate([P, P * radius / 5 + centre]), np.concatenate([F, F + len(P)])


def cut_open(below: float = -2.0) -> np.ndarray:
    return F[P[F].mean(axis=1)[:, 2] > below]


def edit(key: str, value: object) -> Callable[[dict], None]:
    """Change one entry of a GLB's description: «nodes.0.scale»."""

    def change(description: dict) -> None:
        *path, last = key.split(".")
        at: object = description
        for step in path:
            at = at[int(step)] if isinstance(at, list) else at[step]
        if isinstance(at, list):
            at[int(last)] = value
        else:
            at[last] = value

    return change


def half_mirrored() -> bytes:
    return threemf(transform="-1 0 0 0 1 0 0 0 1 0 0 0")


def component_loop() -> bytes:
    loop = '<object id="1"><components><component objectid="1"/></components></object>'
    return package(model_xml(loop, '<item objectid="1"/>'))


def component_flood() -> bytes:
    objects = f'<object id="0">{mesh_xml()}</object>'
    for level in range(1, 20):
        part = f'<component objectid="{level - 1}"/>' * 10
        objects += f'<object id="{level}"><components>{part}</components></object>'
    return package(model_xml(objects, '<item objectid="19"/>'))


def several() -> bytes:
    objects = f'<object id="1">{mesh_xml()}</object>'
    part = '<component objectid="1" transform="1 0 0 0 1 0 0 0 1 0 20 0"/><component objectid="1"/>'
    objects += f'<object id="2"><components>{part}</components></object>'
    far = '<item objectid="1" transform="1 0 0 0 1 0 0 0 1 40 0 0"/>'
    return package(model_xml(objects, f'<item objectid="2"/>{far}'))


def entity_bomb() -> bytes:
    head = '<!DOCTYPE m [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;&a;&a;">]>'
    return threemf(head=head)


def file_entity() -> bytes:
    return threemf(head='<!DOCTYPE m [<!ENTITY a SYSTEM "file:///etc/passwd">]>')


def zip_bomb() -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as file:
        file.writestr("3D/3dmodel.model", b"\0" * 30_000_000)
    return out.getvalue()


def lying_zip() -> bytes:
    """A directory that names a smaller size than the content unpacks to."""
    data = bytearray(zip_bomb())
    at = data.find(b"PK\x01\x02")
    data[at + 24 : at + 28] = struct.pack("<I", 1000)
    return bytes(data)


def crowded() -> tuple[np.ndarray, np.ndarray]:
    """A fin on an edge of the ball: three triangles share it."""
    a, b = F[0][:2]
    fin = P[[a, b]].mean(axis=0) * 1.4
    return np.concatenate([P, [fin]]), np.concatenate([F, [[a, b, len(P)]]])


def cracked() -> tuple[np.ndarray, np.ndarray]:
    """One triangle's corners moved by half a micrometre, so that nothing joins them."""
    p = np.concatenate([P, P[F[5]] + 0.0005 / np.sqrt(3)])
    f = F.copy()
    f[5] = np.arange(len(P), len(P) + 3)
    return p, f


PLY_MASK = [(0, 0, 255) if z > 3 else (0, 255, 0) if z < -3 else (200, 190, 180) for z in P[:, 2]]
SMALL = ReadCaps(file_bytes=20_000_000, unpacked_bytes=20_000_000, triangles=200_000)

CORPUS: dict[str, Entry] = {
    # binary STL
    "stl": (stl, Mesh()),
    "stl header says solid": (lambda: stl(header=b"solid ball facet"), Mesh()),
    "stl trailing bytes": (lambda: stl(tail=b"more"), Mesh(faults={"trailing_bytes": 4})),
    "stl count too small": (
        lambda: stl(f=np.concatenate([F, F[:2]]), count=N),
        Mesh(faults={"trailing_bytes": 100}),
    ),
    "stl count too large": (lambda: stl(count=N + 1), Refused(f"names {N + 1} triangles")),
    "stl count enormous": (lambda: stl(count=2**32 - 1), Refused("names 4,294,967,295 triangles")),
    "stl count nought": (lambda: stl(count=0), Refused("names no triangle")),
    "stl cut in a triangle": (lambda: stl()[:-20], Refused(f"holds bytes for {N - 1}")),
    "stl header only": (lambda: stl()[:84], Refused(f"names {N} triangles")),
    "stl nan": (lambda: stl(with_point(np.nan)), Refused("no numbers (NaN or infinite)")),
    "stl infinite": (lambda: stl(with_point(-np.inf)), Refused("no numbers (NaN or infinite)")),
    "stl far coordinate": (lambda: stl(with_point(1e30)), Refused("mm from the origin")),
    "stl metres": (lambda: stl(P * 1e-3), Refused("saved in metres? Give --unit m,")),
    "stl inches": (lambda: stl(P / 25.4), Refused("saved in inches? Give --unit inch,")),
    "stl micrometres": (lambda: stl(P * 1e3), Refused("saved in micrometres? Give --unit um,")),
    "stl micrometres, two metres away": (
        lambda: stl(P * 1e3 + np.array([0, 2e6, 0])),
        Refused("saved in micrometres? Give --unit um,"),
    ),
    "stl two kilometres away": (
        lambda: ascii_stl(P + np.array([0, 2e6, 0]), number="{:.9f}"),
        Refused("2e+06 mm from the origin"),
    ),
    "stl unit unclear": (lambda: stl(P / 2), Refused("Give --unit mm or --unit inch.")),
    "stl no such size": (lambda: stl(P * 30), Refused("no unit makes that the size")),
    "stl inside out": (lambda: stl(f=F[:, ::-1]), Mesh(faults={"inside_out": N})),
    "stl some turned": (lambda: stl(f=swapped_faces(40)), Mesh(faults={"mixed_orientation": 40})),
    "stl most turned": (
        lambda: stl(f=swapped_faces(N - 20)),
        Mesh(faults={"mixed_orientation": 20, "inside_out": N}),
    ),
    "stl open": (
        lambda: stl(f=cut_open()),
        Mesh(len(cut_open()), {"holes": 1}, area_of(P, cut_open())),
    ),
    "stl open and inside out": (
        lambda: stl(f=cut_open()[:, ::-1]),
        Mesh(
            len(cut_open()),
            {"holes": 1, "inside_out": len(cut_open())},
            area_of(P, cut_open()),
        ),
    ),
    "stl two holes": (
        lambda: stl(
            f=np.delete(F, [0, int(np.argmin(P[F].mean(axis=1) @ P[F[0]].mean(axis=0)))], 0)
        ),
        Mesh(N - 2, {"holes": 2}, AREA - 2 * area_of(P, F[:1])),
    ),
    "stl doubled triangles": (
        lambda: stl(f=np.concatenate([F, F[:9], F[3:6, ::-1]])),
        Mesh(faults={"duplicate_triangles": 12}),
    ),
    "stl one doubled triangle": (
        lambda: stl(f=np.concatenate([F, F[:1]])),
        Mesh(faults={"duplicate_triangles": 1}),
    ),
    "stl one triangle of two corners": (
        lambda: stl(f=np.concatenate([F, [[1, 1, 2]]])),
        Mesh(faults={"degenerate_triangles": 1}),
    ),
    "stl every triangle twice": (
        lambda: stl(f=np.concatenate([F, F[:, ::-1]])),
        Mesh(faults={"duplicate_triangles": N}),
    ),
    "stl two corners alike": (
        lambda: stl(f=np.concatenate([F, [[1, 1, 2], [3, 4, 3]]])),
        Mesh(faults={"degenerate_triangles": 2}),
    ),
    "stl nothing but points": (
        lambda: stl(f=np.repeat(np.arange(len(P)), 3).reshape(-1, 3)),
        Refused("none of its triangles has an area"),
    ),
    "stl nothing but lines": (
        lambda: stl([[0, 0, 0], [5, 0, 0], [10, 0, 0]], [[0, 1, 2]]),
        Refused("none of its triangles has an area"),
    ),
    "stl floating fragment": (
        lambda: stl(*with_ball((8, 0, 0), 0.3)),
        Mesh(faults={"floating_fragments": 1}),
    ),
    "stl two bodies": (
        lambda: stl(*with_ball((15, 0, 0), 5.0)),
        Mesh(2 * N, {"loose_parts": 2}, 2 * AREA),
    ),
    "stl hollow body": (
        lambda: stl(np.concatenate([P, P * 0.8]), np.concatenate([F, F[:, ::-1] + len(P)])),
        Mesh(2 * N, {"loose_parts": 2, "enclosed_hollows": 1}, AREA * 1.64),
    ),
    "stl fin on an edge": (
        lambda: stl(*crowded()),
        Mesh(N + 1, {"nonmanifold_edges": 1, "holes": 1}, area_of(*crowded())),
    ),
    "stl crack": (lambda: stl(*cracked()), Mesh(faults={"unmerged_vertices": 3})),
    "stl far from the origin": (
        lambda: stl(P + np.array([5000, 0, 0])),
        Mesh(faults={"far_from_origin": 1}),
    ),
    "stl endless strip": (
        lambda: stl(*moebius()),
        Mesh(40, {"not_orientable": 40, "holes": 1}, -1.0),
    ),
    "stl compressed": (lambda: gzip.compress(stl()), Mesh()),
    "stl compressed in two members": (
        lambda: gzip.compress(stl()[:500]) + gzip.compress(stl()[500:]),
        Mesh(),
    ),
    "gzip cut short": (lambda: gzip.compress(stl())[:-400], Refused("ends too early")),
    "gzip damaged": (
        lambda: gzip.compress(stl())[:60] + b"\xff" * 40 + gzip.compress(stl())[100:],
        Refused("damaged"),
    ),
    "gzip twice": (lambda: gzip.compress(gzip.compress(stl())), Refused("compressed twice")),
    "gzip of nothing": (lambda: gzip.compress(b""), Refused("empty")),
    "gzip bomb": (lambda: gzip.compress(b"\0" * 30_000_000), Refused("unpacks to more than")),
    # ASCII STL
    "ascii stl": (ascii_stl, Mesh()),
    "ascii stl crlf": (lambda: ascii_stl(newline="\r\n"), Mesh()),
    "ascii stl cr": (lambda: ascii_stl(newline="\r"), Mesh()),
    "ascii stl capitals": (lambda: ascii_stl().upper(), Mesh()),
    "ascii stl byte order mark": (lambda: b"\xef\xbb\xbf" + ascii_stl(), Mesh()),
    "ascii stl name in latin": (
        lambda: ascii_stl().replace(b"solid ball", b"solid br\xfccke", 1),
        Mesh(),
    ),
    "ascii stl decimal commas": (
        lambda: ascii_stl(number="{:.6f}").replace(b".", b","),
        Mesh(faults={"decimal_commas": 9 * N}),
    ),
    "ascii stl commas and points": (
        lambda: ascii_stl(number="{:.6f}").replace(b".", b",", 5),
        Refused("mixes decimal points and commas"),
    ),
    "ascii stl no closing line": (lambda: ascii_stl(end=""), Mesh(faults={"no_closing_line": 1})),
    "ascii stl two bodies": (
        lambda: ascii_stl(f=F[:100]) + ascii_stl(f=F[100:]),
        Mesh(faults={"several_bodies": 2}),
    ),
    "ascii stl cut short": (lambda: ascii_stl()[:-100], Refused("middle of a triangle")),
    "ascii stl loop without end": (
        lambda: ascii_stl().replace(b"endloop", b"", 1),
        Refused("middle of a triangle"),
    ),
    "ascii stl word for number": (
        lambda: ascii_stl().replace(b"vertex 0 ", b"vertex zero ", 1),
        Refused("«zero»"),
    ),
    "ascii stl nan": (lambda: ascii_stl(with_point(np.nan)), Refused("NaN")),
    "ascii stl four corners": (
        lambda: ascii_stl().replace(b"  vertex", b"  vertex 1 2 3\n  vertex\t", 3),
        Refused("three corners"),
    ),
    "ascii stl no facet": (lambda: b"solid nothing\nendsolid nothing\n", Refused("no triangle")),
    # PLY
    "ply ascii": (ply, Mesh()),
    "ply little endian": (lambda: ply(form="binary_little_endian"), Mesh()),
    "ply big endian": (lambda: ply(form="binary_big_endian"), Mesh()),
    "ply doubles": (lambda: ply(form="binary_little_endian", real="double"), Mesh()),
    "ply extra properties": (
        lambda: ply(
            form="binary_big_endian", extra=("quality", "nx"), colours=[(1, 2, 3)] * len(P)
        ),
        Mesh(),
    ),
    "ply quads": (
        lambda: ply(CUBE, QUADS, form="binary_little_endian"),
        Mesh(12, {"polygons_cut": 6}, 600.0),
    ),
    "ply quads and triangles": (
        lambda: ply(CUBE, [*QUADS[:5], [1, 5, 7], [1, 7, 3]]),
        Mesh(12, {"polygons_cut": 5}, 600.0),
    ),
    "ply decimal commas": (
        lambda: ply(P + 0.25).replace(b" 1.0\n", b" @\n").replace(b".", b",").replace(b"@", b"1.0"),
        Mesh(faults={"decimal_commas": 3 * len(P)}),
    ),
    "ply count too large": (
        lambda: ply(form="binary_little_endian", nf=N + 5),
        Refused("but its bytes end early"),
    ),
    "ply ascii count too large": (lambda: ply(nf=N + 5), Refused("but its lines end early")),
    "ply vertices enormous": (
        lambda: ply(form="binary_little_endian", nv=10**15),
        Refused("but its bytes end early"),
    ),
    "ply triangles enormous": (lambda: ply(nf=10**12), Refused("the limit is")),
    "ply cloud": (lambda: ply(f=[]), Refused("a point cloud is no surface")),
    "ply index too large": (
        lambda: ply(f=np.concatenate([F, [[0, 1, 9999]]])),
        Refused("vertex 9,999"),
    ),
    "ply index negative": (lambda: ply(f=np.concatenate([F, [[0, 1, -1]]])), Refused("vertex -1")),
    "ply strange type": (
        lambda: ply().replace(b"property float x", b"property half x"),
        Refused("names a type"),
    ),
    "ply faces of no and two corners": (
        lambda: ply(f=[[], [0, 1], *F.tolist()]),
        Mesh(faults={"degenerate_triangles": 2}),
    ),
    "ply empty format line": (
        lambda: ply().replace(b"format ascii 1.0", b"format"),
        Refused("names no known format"),
    ),
    "ply binary with an empty element": (
        lambda: ply(form="binary_little_endian").replace(
            b"element face", b"element empty 7\nelement face"
        ),
        Mesh(),
    ),
    "ply blank after its header": (
        lambda: ply(form="binary_little_endian").replace(b"end_header\n", b"end_header  \n"),
        Mesh(),
    ),
    "ply crlf in a binary header": (
        lambda: crlf_header(ply(form="binary_little_endian")),
        Mesh(),
    ),
    "ply other elements": (
        lambda: ply().replace(
            b"element face",
            b"element empty 7\nelement none 0\nproperty list int int what\nelement face",
        ),
        Mesh(),
    ),
    "ply element before its vertices": (
        lambda: ply(form="binary_big_endian", before="\0\0\0\2ab\0\0\0\1c").replace(
            b"element vertex", b"element note 2\nproperty list int char text\nelement vertex"
        ),
        Mesh(),
    ),
    "ply colours beyond their type": (lambda: ply(colours=[(999, -1, 255)] * len(P)), Mesh()),
    "ply long indices": (
        lambda: ply(form="binary_little_endian", index="Q"),
        Mesh(),
    ),
    "ply long index too large": (
        lambda: ply(f=[*F.tolist(), [0, 1, 2**64 - 1]], form="binary_little_endian", index="Q"),
        Refused("names vertex 9,223,372,036,854,775,807"),
    ),
    "ply quads with more than indices": (
        lambda: ply(CUBE, QUADS, form="binary_little_endian", flags=True),
        Mesh(12, {"polygons_cut": 6}, 600.0),
    ),
    "ply triangles with more than indices": (
        lambda: ply(form="binary_little_endian", flags=True),
        Mesh(),
    ),
    "ply ascii faces with more than indices": (lambda: ply(flags=True), Mesh()),
    "ply property without a type": (
        lambda: ply().replace(b"property list uchar int vertex_indices", b"property list"),
        Refused("its header line «property list»"),
    ),
    "ply property without a name": (
        lambda: ply().replace(b"property float z", b"property float"),
        Refused("its header line «property float»"),
    ),
    "ply property before any element": (
        lambda: ply().replace(b"comment made", b"property float w\ncomment made"),
        Refused("its header line «property float w»"),
    ),
    "ply list counted by broken numbers": (
        lambda: ply().replace(b"list uchar int", b"list float int"),
        Refused("no whole number"),
    ),
    "ply faces by broken numbers": (
        lambda: ply(form="binary_little_endian").replace(b"list uchar int", b"list uchar float"),
        Refused("broken numbers"),
    ),
    "ply strange format": (lambda: ply().replace(b"ascii 1.0", b"rot13 1.0"), Refused("format")),
    "ply header without end": (lambda: ply()[:60], Refused("header has no end")),
    "ply without z": (
        lambda: ply().replace(b"property float z", b"property float w"),
        Refused("no x, y and z"),
    ),
    "ply count is a word": (
        lambda: ply().replace(b"element face", b"element face many #"),
        Refused("no proper count"),
    ),
    # OBJ
    "obj": (obj, Mesh()),
    "obj groups and material": (
        lambda: obj(
            head="mtllib /etc/passwd\nmtllib http://example.invalid/a.mtl\no a\ng b\nusemtl c"
        ),
        Mesh(),
    ),
    "obj texture and normal indices": (lambda: obj(corner="{0}/7/{0}"), Mesh()),
    "obj normals only": (lambda: obj(corner="{0}//{0}"), Mesh()),
    "obj negative indices": (lambda: obj(negative=True), Mesh()),
    "obj quads": (lambda: obj(CUBE, QUADS), Mesh(12, {"polygons_cut": 6}, 600.0)),
    "obj hollow polygon": (
        lambda: obj(*ell()),
        Mesh(20, {"polygons_cut": 8}, 2 * 300 + 80 * 10),
    ),
    "obj colours on vertices": (lambda: obj(vertex="v {:.9g} {:.9g} {:.9g} 0.1 0.2 0.3"), Mesh()),
    "obj continued lines": (lambda: obj().replace(b"f ", b"f \\\n"), Mesh()),
    "obj decimal commas": (
        lambda: obj(vertex="v {:.6f} {:.6f} {:.6f}").replace(b".", b","),
        Mesh(faults={"decimal_commas": 3 * len(P)}),
    ),
    "obj index nought": (lambda: obj() + b"f 0 1 2\n", Refused("vertex -1")),
    "obj index too large": (lambda: obj() + b"f 1 2 99999\n", Refused("vertex 99,998")),
    "obj index enormous": (lambda: obj() + b"f 1 2 " + b"9" * 40, Refused("where an index")),
    "obj two coordinates": (lambda: b"v 1 2\n" + obj(), Refused("fewer than three coordinates")),
    "obj no faces": (lambda: obj(f=[]), Refused("no triangle")),
    "obj unmerged": (
        lambda: obj(P[F].reshape(-1, 3), np.arange(3 * N).reshape(-1, 3)),
        Mesh(faults={"unmerged_vertices": 3 * N - len(P)}),
    ),
    # OFF
    "off": (off, Mesh()),
    "off colours": (
        lambda: off(head="COFF", point="{:.9g} {:.9g} {:.9g} 9 8 7 255", tail=" 0.5 0.5 0.5"),
        Mesh(),
    ),
    "off counts on first line": (lambda: off().replace(b"OFF\n# made by hand\n", b"OFF "), Mesh()),
    "off quads": (lambda: off(CUBE, QUADS), Mesh(12, {"polygons_cut": 6}, 600.0)),
    "off no faces": (lambda: off(f=[]), Refused("no triangle")),
    "off binary": (lambda: b"OFF BINARY\n" + b"\0" * 99, Refused("this kind of OFF")),
    "off four dimensions": (lambda: off(head="4OFF"), Refused("this kind of OFF")),
    "off counts too large": (
        lambda: off(counts=(len(P), N + 9)),
        Refused("its lines end before"),
    ),
    "off counts negative": (lambda: off(counts=(-1, N)), Refused("its lines end before")),
    "off face cut short": (lambda: off()[:-4] + b"\n", Refused("fewer corners than it promises")),
    # 3MF
    "3mf": (threemf, Mesh()),
    "3mf no unit": (lambda: threemf(unit=""), Mesh()),
    "3mf inch": (lambda: threemf(P / 25.4, unit="inch"), Mesh(unit="in")),
    "3mf micron": (lambda: threemf(P * 1e3, unit="micron"), Mesh(unit="um")),
    "3mf centimeter": (lambda: threemf(P / 10, unit="centimeter"), Mesh(unit="cm")),
    "3mf foot": (lambda: threemf(P / 304.8, unit="foot"), Mesh(unit="ft")),
    "3mf meter": (lambda: threemf(P / 1000, unit="meter"), Mesh(unit="m")),
    "3mf unknown unit": (lambda: threemf(unit="cubit"), Refused("«cubit»")),
    "3mf wrong unit": (lambda: threemf(unit="meter"), Refused("saved in millimetres?")),
    "3mf moved": (lambda: threemf(transform="0 1 0 -1 0 0 0 0 1 30 40 50"), Mesh()),
    "3mf enlarged": (
        lambda: threemf(transform="2 0 0 0 2 0 0 0 2 0 0 0"),
        Mesh(area=4 * AREA),
    ),
    "3mf mirrored": (half_mirrored, Mesh()),
    "3mf several objects": (several, Mesh(3 * N, {"loose_parts": 3}, 3 * AREA)),
    "3mf component loop": (component_loop, Refused("without end")),
    "3mf component flood": (component_flood, Refused("the limit is 200,000")),
    "3mf entities": (entity_bomb, Refused("document type")),
    "3mf file entity": (file_entity, Refused("document type")),
    "3mf zip bomb": (zip_bomb, Refused("unpacks to more than")),
    "3mf lying directory": (lying_zip, Refused("package")),
    "3mf path that climbs": (
        lambda: package("<model/>", part="other", target="../../../../etc/passwd"),
        Refused("names no model"),
    ),
    "3mf broken xml": (lambda: package("<model><resources>"), Refused("XML is broken")),
    "3mf no build": (
        lambda: package(model_xml(f'<object id="1">{mesh_xml()}</object>', "")),
        Refused("no triangle"),
    ),
    "3mf missing object": (
        lambda: package(model_xml("", '<item objectid="7"/>')),
        Refused("object that does not exist"),
    ),
    "3mf bad index": (
        lambda: threemf(f=np.concatenate([F, [[0, 1, 5000]]])),
        Refused("vertex that does not exist"),
    ),
    "3mf cut short": (lambda: threemf()[:-200], Refused("package is damaged")),
    "zip of something else": (lambda: package("x", part="word/a.xml", target="/b"), Refused("3MF")),
    # GLB
    "glb": (glb, Mesh(unit="m")),
    "glb long indices": (lambda: glb(index="<u4"), Mesh(unit="m")),
    "glb node scale": (
        lambda: glb(scale=1.0, change=edit("nodes.0.scale", [0.001] * 3)),
        Mesh(unit="m"),
    ),
    "glb node turned": (
        lambda: glb(change=edit("nodes.0.rotation", [0.5, 0.5, 0.5, 0.5])),
        Mesh(unit="m"),
    ),
    "glb node matrix": (
        lambda: glb(
            change=edit("nodes.0.matrix", [0, 1, 0, 0, -1, 0, 0, 0, 0, 0, 1, 0, 0.02, 0, 0, 1])
        ),
        Mesh(unit="m"),
    ),
    "glb strip": (lambda: glb_mode(5, [0, 2, 1, 3, 0, 2]), Mesh(4, {}, TETRA_AREA, "m")),
    "glb fan": (
        lambda: glb_mode(6, [3, 0, 1, 2, 0]),
        Mesh(3, {"holes": 1}, TETRA_AREA - 200, "m"),
    ),
    "glb points only": (lambda: glb_mode(0, [0, 1, 2, 3]), Refused("no triangle")),
    "glb half a triangle": (lambda: glb_mode(4, [0, 1, 2, 3]), Refused("contradicts itself")),
    "glb quantised": (glb_quantised, Mesh(unit="m")),
    "glb mirrored": (lambda: glb(change=edit("nodes.0.scale", [-1, 1, 1])), Mesh(unit="m")),
    "glb in millimetres": (lambda: glb(scale=1.0), Refused("saved in millimetres? Give --unit mm")),
    "glb external buffer": (
        lambda: glb(change=edit("buffers.0.uri", "../../secret.bin")),
        Refused("another file, which is not followed"),
    ),
    "glb buffer on the net": (
        lambda: glb(change=edit("buffers.0.uri", "http://example.invalid/x")),
        Refused("another file, which is not followed"),
    ),
    "glb compressed": (
        lambda: glb(change=edit("extensionsRequired", ["KHR_draco_mesh_compression"])),
        Refused("KHR_draco_mesh_compression"),
    ),
    "glb node in itself": (lambda: glb(change=edit("nodes.0.children", [0])), Refused("end")),
    "glb count too large": (
        lambda: glb(change=edit("accessors.0.count", 10**9)),
        Refused("more data than it holds"),
    ),
    "glb count negative": (
        lambda: glb(change=edit("accessors.0.count", -5)),
        Refused("contradicts itself"),
    ),
    "glb missing accessor": (
        lambda: glb(change=edit("meshes.0.primitives.0.indices", 77)),
        Refused("contradicts itself"),
    ),
    "glb sparse": (lambda: glb(change=edit("accessors.0.sparse", {})), Refused("contradicts")),
    "glb version one": (lambda: b"glTF\1\0\0\0" + glb()[8:], Refused("version 2")),
    "glb cut short": (lambda: glb()[:-100], Refused("shorter than it says")),
    "glb nested": (
        lambda: glb_of(b'{"a":' + b"[" * 100_000 + b"]" * 100_000 + b"}", b""),
        Refused("description"),
    ),
    "glb not json": (lambda: glb_of(b"{{{{", b""), Refused("contradicts itself")),
    # strangers
    "binary of no triangles": (lambda: stl(f=[]), Refused("names no triangle")),
    "a letter on something solid": (lambda: b"solid as a rock", Refused("none of the formats")),
    "a pdf": (lambda: b"%PDF-1.7 and so on", Refused("a PDF, not a scan")),
    "a picture": (lambda: b"\x89PNG\r\n\x1a\n" + b"\0" * 200, Refused("a picture, not a scan")),
    "a web page": (lambda: b"<!DOCTYPE html><html></html>", Refused("a web page, not a scan")),
    "gltf as text": (lambda: b'{"asset": {}}', Refused("a JSON file, not a scan")),
    "nothing": (lambda: b"", Refused("the file is empty")),
    "one byte": (lambda: b"\0", Refused("none of the formats")),
    "noise": (
        lambda: np.random.default_rng(3).integers(128, 255, 5000, dtype=np.uint8).tobytes(),
        Refused("none of the formats"),
    ),
    "a letter": (lambda: b"Sehr geehrte Damen und Herren", Refused("none of the formats")),
    "base64": (lambda: base64.b64encode(stl()), Refused("none of the formats")),
}


def moebius(count: int = 20) -> tuple[np.ndarray, np.ndarray]:
    turn = np.linspace(0, 2 * np.pi, count, endpoint=False)
    half = np.array([-2.0, 2.0])
    radius = 10 + half[None, :] * np.cos(turn / 2)[:, None]
    height = half[None, :] * np.sin(turn / 2)[:, None]
    p = np.stack(
        [radius * np.cos(turn)[:, None], radius * np.sin(turn)[:, None], height], axis=2
    ).reshape(-1, 3)
    faces = []
    for k in range(count):
        a, b = 2 * k, 2 * k + 1
        c, d = (2 * k + 2, 2 * k + 3) if k + 1 < count else (1, 0)
        faces += [[a, c, b], [b, c, d]]
    return p, np.array(faces)


def ell() -> tuple[np.ndarray, list[list[int]]]:
    """A prism over an L of three squares, 10 mm each: two hexagons with a hollow corner."""
    plan = [(0, 0), (20, 0), (20, 10), (10, 10), (10, 20), (0, 20)]
    p = np.array([(x, y, z) for z in (0, 10) for x, y in plan], dtype=float)
    sides = [[k, (k + 1) % 6, (k + 1) % 6 + 6, k + 6] for k in range(6)]
    return p, [[5, 4, 3, 2, 1, 0], [6, 7, 8, 9, 10, 11], *sides]


def test_corpus_is_large_enough() -> None:
    assert len(CORPUS) >= 80


@pytest.mark.parametrize("name", CORPUS)
def test_corpus(name: str, tmp_path: Path) -> None:
    make, outcome = CORPUS[name]
    path = tmp_path / "scan.dat"  # the name says nothing: the content must
    if name.startswith("stl"):
        path = tmp_path / "scan.stl"
    path.write_bytes(make())
    if isinstance(outcome, Refused):
        with pytest.raises(ScanError) as refusal:
            read_scan(path, caps=SMALL)
        assert outcome.words in str(refusal.value)
        assert refusal.value.where == path.name
        assert refusal.value.next_step
        return
    scan = read_scan(path, caps=SMALL)
    told = {fault.kind: fault.count for fault in scan.source.faults if fault.kind not in ALWAYS}
    assert told == outcome.faults
    for fault in scan.source.faults:
        german = Words("de").told(fault.code or fault.kind, fault.values, fault.words)
        assert german != fault.words
    assert len(scan.mesh.faces) == outcome.triangles == scan.source.triangles
    assert scan.source.unit == outcome.unit
    if outcome.area >= 0:
        assert scan.source.area_mm2 == pytest.approx(outcome.area, rel=1e-3)


SOUND = [
    name
    for name, (_, outcome) in CORPUS.items()
    if isinstance(outcome, Mesh) and outcome.triangles == N and outcome.area == AREA
    if outcome.faults.keys() <= {"decimal_commas", "unmerged_vertices", "mixed_orientation"}
    if name not in ("3mf moved", "glb node turned", "glb node matrix")
]


@pytest.mark.parametrize("name", SOUND)
def test_same_ball_from_every_format(name: str, tmp_path: Path) -> None:
    """Vertex by vertex to 1 µm, one to one."""
    path = tmp_path / "ball"
    path.write_bytes(CORPUS[name][0]())
    points = read_scan(path).mesh.points_mm
    points = points - points.mean(axis=0)
    assert len(points) == len(P)
    gaps = np.linalg.norm(points[:, None, :] - P[None, :, :], axis=2)
    assert gaps.min(axis=1).max() < 1e-3
    assert len(set(gaps.argmin(axis=1).tolist())) == len(P)


@pytest.mark.parametrize("name", SOUND)
def test_limit_of_triangles_is_the_same_in_every_format(name: str, tmp_path: Path) -> None:
    path = tmp_path / "ball"
    path.write_bytes(CORPUS[name][0]())
    assert read_scan(path, caps=ReadCaps(triangles=N)).source.triangles == N
    with pytest.raises(ScanError, match=f"the limit is {N - 1}"):
        read_scan(path, caps=ReadCaps(triangles=N - 1))


def test_outside_is_outside_in_every_read_ball(tmp_path: Path) -> None:
    """By the divergence theorem the signed volume of an outward ball is positive."""
    volume = (4 / 3) * np.pi * 125
    for name, (make, outcome) in CORPUS.items():
        if isinstance(outcome, Refused) or outcome.area != AREA:
            continue
        path = tmp_path / "ball.stl"
        path.write_bytes(make())
        mesh = read_scan(path).mesh
        a, b, c = (mesh.points_mm[mesh.faces[:, k]] - mesh.points_mm.mean(axis=0) for k in range(3))
        found = float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6)
        assert 0.9 * volume < found < volume, name


def test_paint_of_a_mask(tmp_path: Path) -> None:
    path = tmp_path / "mask.ply"
    for form in ("ascii", "binary_little_endian", "binary_big_endian"):
        path.write_bytes(ply(form=form, colours=PLY_MASK))
        scan = read_scan(path)
        assert scan.paint is not None
        z = scan.mesh.points_mm[:, 2]
        expected = np.where(z > 3, Region.CUT, np.where(z < -3, Region.UNCUT, -1))
        np.testing.assert_array_equal(scan.paint, expected)


def test_black_and_mixed_colours_are_no_mask(tmp_path: Path) -> None:
    path = tmp_path / "photo.ply"
    path.write_bytes(ply(colours=[(0, 0, 0), (9, 9, 255)] * (len(P) // 2)))
    assert read_scan(path).paint is None


@pytest.mark.parametrize(
    ("shade", "pure"), [((0, 200, 0), "(0, 255, 0)"), ((20, 40, 250), "(0, 0, 255)")]
)
def test_paint_that_is_no_pure_colour_is_told_beside_a_mask(shade, pure, tmp_path: Path) -> None:
    """Source: by hand, half of the vertices in pure blue and a quarter in a shade; without a mask
    any colour is a photograph's."""
    count = len(P) // 4
    colours = [(0, 0, 255)] * (2 * count) + [shade] * count
    colours += [(90, 90, 90)] * (len(P) - len(colours))
    path = tmp_path / "mask.ply"
    path.write_bytes(ply(colours=colours))
    scan = read_scan(path)
    told = [fault for fault in scan.source.faults if fault.kind == "unlike_paint"]
    assert [(one.count, one.values) for one in told] == [
        (count, {"count": count, "colour": "({}, {}, {})".format(*shade), "pure": pure})
    ]
    assert "({}, {}, {})".format(*shade) in told[0].words and f"pure {pure} of" in told[0].words
    with pytest.raises(ScanError, match="which is not the pure"):
        painted_copy(path, None, scan)
    path.write_bytes(ply(colours=[shade] * count + [(90, 90, 90)] * (len(P) - count)))
    assert not [one for one in read_scan(path).source.faults if one.kind == "unlike_paint"]


def test_many_shades_beside_a_mask_are_a_soft_brush_and_no_colour_of_it() -> None:
    """Source: by hand, 200 shades of green, each half a hundredth of what is painted."""
    shades = [[0, 40 + k, 0] for k in range(200)]
    assert unlike_paint(np.uint8([[0, 255, 0]] * 50 + shades)) == ()
    assert len(unlike_paint(np.uint8([[0, 255, 0]] * 50 + [[0, 200, 0]] * 200))) == 1


@pytest.mark.parametrize(
    ("colours", "painted", "told"),
    [
        (np.float32([[0, 0, 1], [0, 0.999, 0], [0.5, 0.5, 0.5]]), 2, ""),
        (np.uint16([[0, 0, 65535], [0, 50000, 0], [9000, 9000, 9000]]), 1, "(0, 195, 0)"),
        (np.float64([[0, 0, 1], [np.nan, np.inf, 0], [1.5, 0, 0]]), 2, ""),
    ],
)
def test_paint_in_any_type_of_number(colours: np.ndarray, painted: int, told: str) -> None:
    """Source: by hand; what rounds to a pure colour of 255 is that colour."""
    paint = paint_of(colours)
    assert paint is not None and (paint >= 0).sum() == painted
    assert [one.values["colour"] for one in unlike_paint(colours)] == ([told] if told else [])


def test_numbers_are_given_in_order_of_first_use(tmp_path: Path) -> None:
    path = tmp_path / "ball.ply"
    path.write_bytes(ply())
    flat = read_scan(path).mesh.faces.reshape(-1)
    first = np.unique(flat, return_index=True)[1]
    assert (np.diff(first) > 0).all()


def test_binary_stl_written_here_is_the_same_to_the_byte(tmp_path: Path) -> None:
    path = tmp_path / "ball.stl"
    path.write_bytes(stl())
    mesh = read_scan(path).mesh
    again = tmp_path / "again.stl"
    again.write_bytes(stl_bytes(mesh))
    reread = read_scan(again).mesh
    np.testing.assert_array_equal(reread.points_mm, mesh.points_mm)
    np.testing.assert_array_equal(reread.faces, mesh.faces)
    assert stl_bytes(TriangleMesh(P, F)) == stl_bytes(TriangleMesh(P, F))
    assert len(stl_bytes(mesh)) == 84 + 50 * N  # the published size of a binary STL
