"""veneercheck: is there room for the veneer between a cut-back framework and its wax-up?"""

from __future__ import annotations

TYPE_CHECKING = False  # nothing is loaded yet: Ctrl-C would not be caught meanwhile
if TYPE_CHECKING:
    from typing import Any

    from veneercheck.case.meshes import check_meshes
    from veneercheck.case.run import check_files
    from veneercheck.core.errors import VeneerCheckError
    from veneercheck.core.types import Case, Limits, Region, TriangleMesh
    from veneercheck.report import read_result
    from veneercheck.report.window import to_pyvista
    from veneercheck.scan import read_scan

__version__ = "0.1.0"
__all__ = [
    "Case",
    "Limits",
    "Region",
    "TriangleMesh",
    "VeneerCheckError",
    "__version__",
    "check_files",
    "check_meshes",
    "read_result",
    "read_scan",
    "to_pyvista",
]

_HOME = {
    "Case": "core.types",
    "Limits": "core.types",
    "Region": "core.types",
    "TriangleMesh": "core.types",
    "VeneerCheckError": "core.errors",
    "check_files": "case.run",
    "check_meshes": "case.meshes",
    "read_result": "report",
    "read_scan": "scan",
    "to_pyvista": "report.window",
}
"""In which module each name lives."""


def __getattr__(name: str) -> Any:
    """Load a module when it is first asked for: the program must start fast."""
    if name in _HOME:
        import importlib

        return getattr(importlib.import_module(f"{__name__}.{_HOME[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    """The public names alone."""
    return __all__
