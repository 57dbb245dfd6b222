"""A laboratory's step wedge from its table: thickness and colour of every step."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import TYPE_CHECKING

from veneercheck.core.errors import ProfileError, Told

if TYPE_CHECKING:
    from veneercheck.core.plan.shade import Wedge

_HEAD = ("thickness_mm", "L", "a", "b")
_MOST_BYTES = 100_000
_THICKEST_MM = 10.0
_NEXT = Told("Measure the wedge on your own opaquer and save one line a step: thickness_mm,L,a,b.")


def read_wedge(path: Path) -> Wedge:
    """Read a step wedge from CSV: a head with `thickness_mm`, `L`, `a`, `b`, then a line a step.

    Columns in any order, parted by comma, semicolon or tab; with the latter two a decimal comma
    is read, too.

    Raises
    ------
    ProfileError
        If it cannot be read, holds too few steps or one that is none; says which line.
    """
    import numpy as np

    from veneercheck.core.plan.shade import LEAST_STEPS, Wedge

    lines = _text(path).splitlines()
    mark = max(",;\t", key=lines[0].count) if lines else ","
    rows = list(csv.reader(lines, delimiter=mark))
    head = [cell.strip() for cell in rows[0]] if rows else []
    if any(head.count(name) != 1 for name in _HEAD):
        raise _refused(
            path, Told("its first line does not name {known}, each once.", known=", ".join(_HEAD))
        )
    at = [head.index(name) for name in _HEAD]
    steps = sorted(
        _step(path, number, row, at, mark)
        for number, row in enumerate(rows[1:], start=2)
        if any(cell.strip() for cell in row)
    )
    if len(steps) < LEAST_STEPS:
        raise _refused(
            path,
            Told(
                "it holds {count} step(s); {least_steps} are the fewest.",
                count=len(steps),
                least_steps=LEAST_STEPS,
            ),
        )
    table = np.array(steps)
    if not (np.diff(table[:, 0]) > 0).all():
        raise _refused(path, "two steps have the same thickness.")
    return Wedge(table[:, 0], table[:, 1:])


def _text(path: Path) -> str:
    try:
        data = path.read_bytes()
        if len(data) > _MOST_BYTES:
            raise _refused(path, "this is no table of a few steps.")
        return data.decode("utf-8-sig")
    except OSError as error:
        raise _refused(
            path, Told("the file cannot be read ({strerror}).", strerror=error.strerror)
        ) from error
    except UnicodeDecodeError:
        raise _refused(path, "this is no text in UTF-8.") from None


def _step(path: Path, number: int, row: list[str], at: list[int], mark: str) -> tuple[float, ...]:
    try:
        cells = [row[k].strip() for k in at]
        step = tuple(float(c if mark == "," else c.replace(",", ".")) for c in cells)
    except (ValueError, IndexError):
        raise _refused(
            path, Told("line {number} does not hold four numbers.", number=number)
        ) from None
    thickness, light, a, b = step
    if not (0.0 < thickness <= _THICKEST_MM and 0.0 <= light <= 100.0 and max(a, b, -a, -b) < 128):
        raise _refused(
            path, Told("line {number} is no thickness in mm with its L*, a* and b*.", number=number)
        )
    return step


def _refused(path: Path, what: str) -> ProfileError:
    return ProfileError(what, where=path.name, next_step=_NEXT)
