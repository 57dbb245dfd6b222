"""The report's drawing for other pages: the same scripts, as one module.

Notes
-----
The view that turns has no smoothing of its own while it moves. Without a graphics card the engine's
smoothing costs as much as the drawing itself. Choice: half the pixels while it moves, twice as many
once it rests; stills and view read the same packed numbers, and readings are packed only where the
map shows them. Instead of: smoothing by the engine, 85 ms of processor time a frame instead of 50.
Cost: the picture sharpens a third of a second after it has come to rest.
"""

from __future__ import annotations

from importlib import resources

SCRIPTS = ("decode.js", "surface.js", "camera.js", "painter.js", "pointer.js")
"""Unpacking, geometry, camera, WebGL and pointer: what any view needs."""

_NAMES = (
    "unpack", "readMesh", "Camera", "Painter", "Pointer", "dot", "sum", "unit", "vertexNormals",
    "coarse", "isolines", "NOT_MEASURED",
)  # fmt: skip


def scripts(names: tuple[str, ...]) -> str:
    """Scripts of the view, one behind the other."""
    folder = resources.files(__package__).joinpath("view")
    return "\n".join(folder.joinpath(name).read_text(encoding="utf-8") for name in names)


def view_module() -> str:
    """All that another page's view needs, to be imported by name."""
    return f"{scripts(SCRIPTS)}\nexport {{ {', '.join(_NAMES)} }};\n"
