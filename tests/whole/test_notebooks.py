"""Notebooks are stored without outputs: what a reader sees there was computed on his machine."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

NOTEBOOKS = sorted((Path(__file__).resolve().parents[2] / "notebooks").glob("*.ipynb"))


def test_there_is_one_notebook() -> None:
    """Its cells are run by `test_sample_bridge`; another one would be run by nobody."""
    assert [path.name for path in NOTEBOOKS] == ["sample.ipynb"]


@pytest.mark.parametrize("notebook", NOTEBOOKS, ids=lambda path: path.name)
def test_a_notebook_holds_no_outputs(notebook: Path) -> None:
    cells = json.loads(notebook.read_text(encoding="utf-8"))["cells"]
    code = [cell for cell in cells if cell["cell_type"] == "code"]
    assert code
    assert all(cell["outputs"] == [] for cell in code)
    assert all(cell["execution_count"] is None for cell in code)
