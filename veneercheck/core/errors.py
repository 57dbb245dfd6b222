"""The refusals: what is wrong with an input, where, and what to do next.

Notes
-----
A refusal is made in English where it arises, and keeps its pattern and values: whoever shows it to
a person says the same pattern in that person's language (`veneercheck.report.refused`). The English
pattern is its own code, so that no sentence stands twice in one language. What scans and alignment
tell (`Fault`, `Reason`) is made so, too; it is filed with a code, by which German says it.
"""

from __future__ import annotations

from typing import Any


class Told(str):
    """A sentence with its values filled in, which still knows its pattern and them.

    Parameters
    ----------
    pattern : str
        The sentence in English, with a name in braces for each value.
    **values
        What is filled in; a `Told` among them is a part that has a pattern of its own.

    Examples
    --------
    >>> sentence = Told("{count} scans are needed.", count=2)
    >>> sentence, sentence.pattern
    ('2 scans are needed.', '{count} scans are needed.')
    """

    __slots__ = ("pattern", "values")

    pattern: str
    values: dict[str, Any]

    def __new__(cls, pattern: str, /, **values: Any) -> Told:
        """Fill the values in."""
        told = super().__new__(cls, pattern.format(**values) if values else pattern)
        told.pattern, told.values = pattern, values
        return told

    def __reduce__(self) -> tuple[Any, ...]:
        """Go to another process whole."""
        return _again, (self.pattern, self.values)


def _again(pattern: str, values: dict[str, Any]) -> Told:
    return Told(pattern, **values)


class VeneerCheckError(Exception):
    """Wrong input, told in one sentence.

    Parameters
    ----------
    what : str
        What is wrong, in the user's words; a `Told` where it holds a value.
    where : str, optional
        The file, field or place it was found in.
    next_step : str, optional
        What the user can do about it.
    """

    def __init__(self, what: str, *, where: str = "", next_step: str = "") -> None:
        self.what = what
        self.where = where
        self.next_step = next_step
        place = f"{where}: " if where else ""
        advice = f" {next_step}" if next_step else ""
        super().__init__(f"{place}{what}{advice}")


class ScanError(VeneerCheckError):
    """A scan file cannot be read as a surface in millimetres."""


class MeshError(VeneerCheckError):
    """Arrays do not describe a surface that can be measured."""


class ProfileError(VeneerCheckError):
    """A profile of limits or a case file cannot be understood."""


class RecordError(VeneerCheckError):
    """A result or a record cannot be written, read or trusted."""
