"""Closed meshes as one 3MF package in millimetres; the same meshes give the same bytes."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Mapping
from xml.sax.saxutils import quoteattr

from veneercheck.core.types import TriangleMesh

_STAMP = (1980, 1, 1, 0, 0, 0)
"""Of every entry in an archive, so that the same plan has the same bytes."""


def threemf_bytes(parts: Mapping[str, TriangleMesh], colour: str = "#B8BCC2FF") -> bytes:
    """Meshes by their names, as objects of one package.

    Parameters
    ----------
    parts : mapping of str to TriangleMesh
        Each closed, and where it is to lie.
    colour : str
        In which they are shown, #RRGGBBAA.
    """
    objects = "".join(_object(number, *part) for number, part in enumerate(parts.items(), 2))
    items = "".join(f'<item objectid="{number}"/>' for number in range(2, len(parts) + 2))
    model = (
        f'{_XML}<model unit="millimeter" xml:lang="en-US" xmlns="{_CORE}">'
        f'<resources><basematerials id="1"><base name="material" displaycolor="{colour}"/>'
        f"</basematerials>{objects}</resources><build>{items}</build></model>"
    )
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as package:
        for place, text in (
            ("[Content_Types].xml", _TYPES_OF_PARTS),
            ("_rels/.rels", _RELATIONS),
            ("3D/3dmodel.model", model),
        ):
            entry = zipfile.ZipInfo(place, _STAMP)
            entry.compress_type = zipfile.ZIP_DEFLATED
            package.writestr(entry, text)
    return out.getvalue()


def _object(number: int, name: str, mesh: TriangleMesh) -> str:
    corners, triangles = mesh.points_mm.tolist(), mesh.faces.tolist()
    points = "".join(f'<vertex x="{x!r}" y="{y!r}" z="{z!r}"/>' for x, y, z in corners)
    faces = "".join(f'<triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in triangles)
    return (
        f'<object id="{number}" type="model" name={quoteattr(name)} pid="1" pindex="0"><mesh>'
        f"<vertices>{points}</vertices><triangles>{faces}</triangles></mesh></object>"
    )


_XML = '<?xml version="1.0" encoding="UTF-8"?>'
_CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
_PACKAGE = "http://schemas.openxmlformats.org/package/2006"
_TYPES_OF_PARTS = (
    f'{_XML}<Types xmlns="{_PACKAGE}/content-types">'
    '<Default Extension="rels" '
    'ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
    '<Default Extension="model" '
    'ContentType="application/vnd.ms-package.3dmanufacturing-3dmodel+xml"/></Types>'
)
_RELATIONS = (
    f'{_XML}<Relationships xmlns="{_PACKAGE}/relationships">'
    '<Relationship Target="/3D/3dmodel.model" Id="model" '
    'Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/></Relationships>'
)
