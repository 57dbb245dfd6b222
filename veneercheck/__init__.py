"""veneercheck: is there room for the veneer between a cut-back framework and its wax-up?"""

from __future__ import annotations

TYPE_CHECKING = False  # nothing is loaded yet: Ctrl-C would not be caught meanwhile
if TYPE_CHECKING:
    from typing import Any

    from veneercheck.case.run import check_files, check_meshes
    from veneercheck.report.window import to_pyvista

__version__ = "0.1.0"
__all__ = ["__version__", "check_files", "check_meshes", "to_pyvista"]


def __getattr__(name: str) -> Any:
    """Load the workflow when it is first asked for: the program must start fast."""
    if name in ("check_files", "check_meshes"):
        from veneercheck.case import run as workflow

        return getattr(workflow, name)
    if name == "to_pyvista":
        from veneercheck.report.window import to_pyvista

        return to_pyvista
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
