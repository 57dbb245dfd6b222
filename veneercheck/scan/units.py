"""Which unit a scan is in: stated, or millimetres where no other reading is plausible."""

from __future__ import annotations

import functools
from collections.abc import Iterable

import numpy as np
import numpy.typing as npt

from veneercheck.core.errors import ScanError, Told
from veneercheck.core.types import Fault

MM_PER_UNIT = {
    "um": 1e-3,
    "mm": 1.0,
    "cm": 10.0,
    "m": 1000.0,
    "in": 25.4,
    "ft": 304.8,
}
"""Units that may be named; the inch is 25.4 mm by definition."""

_SPELLINGS = {
    "µm": "um", "μm": "um", "micron": "um", "micrometre": "um", "micrometer": "um",
    "millimetre": "mm", "millimeter": "mm",
    "centimetre": "cm", "centimeter": "cm",
    "metre": "m", "meter": "m",
    "inch": "in", "inches": "in", "foot": "ft",
}  # fmt: skip

_WORDS = {
    "um": "micrometres", "mm": "millimetres", "cm": "centimetres",
    "m": "metres", "in": "inches", "ft": "feet",
}  # fmt: skip

_GUESSED = ("mm", "m", "in", "um")
"""Units that scanners and drawing programs write without saying so. Centimetres are not among
them: with them a crown in millimetres could be an arch in centimetres."""

USUAL_MM = (6.0, 100.0)
"""From a single crown to a whole arch, over the longest side (common practice, no source)."""

POSSIBLE_MM = (4.0, 150.0)
"""A small stump at the one end, an arch with its base plate at the other; our margin."""

_OUTLIERS = 0.005
"""Share of points at either end that may fly off without changing what size a scan is."""

_FARTHEST_MM = 1e6
"""A kilometre: beyond it a coordinate is a fault of the file, not a place."""


def known_unit(word: str) -> str:
    """The short name of a unit.

    Raises
    ------
    ScanError
        If it is none of those that are understood.

    Examples
    --------
    >>> known_unit("inches")
    'in'
    """
    unit = _SPELLINGS.get(word.strip().lower(), word.strip().lower())
    if unit not in MM_PER_UNIT:
        raise ScanError(
            Told("«{word}» is not a unit that is understood.", word=word),
            next_step=Told("Use one of {known}.", known=", ".join(MM_PER_UNIT)),
        )
    return unit


def extent(points: npt.NDArray[np.floating]) -> float:
    """Longest side of the box around the points, a few stray ones left out."""
    if not len(points):
        return 0.0
    skip = int(_OUTLIERS * len(points))
    if not skip:
        return float((points.max(axis=0).astype(float) - points.min(axis=0)).max())
    ends = [skip, len(points) - 1 - skip]
    sides = [
        float(np.diff(np.partition(points[:, axis], ends)[ends].astype(float))[0])
        for axis in range(3)
    ]
    return max(sides)


def judge_unit(size: float, stated: str | None, asked: str | None, name: str) -> tuple[str, Fault]:
    """Settle the unit of a scan.

    Parameters
    ----------
    size : float
        Longest side in the file's own numbers.
    stated : str or None
        The unit by the format.
    asked : str or None
        The unit by the user, which goes before everything else.
    name : str
        The file, for refusals.

    Returns
    -------
    unit : str
    fault : Fault
        The reason, in words.

    Raises
    ------
    ScanError
        If neither format nor user says it and millimetres are not the one plausible reading.
    """
    if asked is not None:
        unit = known_unit(asked)
        kind, how = "unit_given", "read in {unit}, as asked"
    elif stated is not None:
        if not _within(size * MM_PER_UNIT[stated], POSSIBLE_MM):
            raise _refusal(size, (stated,), name)
        unit, kind, how = stated, "unit_stated", "read in {unit}, as it states"
    else:
        possible = [unit for unit in _GUESSED if _within(size * MM_PER_UNIT[unit], POSSIBLE_MM)]
        if possible != ["mm"]:
            # One other unit that would fit is a guess: a thousandfold error is not guessed at.
            raise _refusal(size, tuple(possible) if len(possible) > 1 else (), name)
        unit, kind = "mm", "unit_judged"
        how = "it states no unit; read in {unit}, the only reading of a usual size"
    across = size * MM_PER_UNIT[unit]
    words = how + "; {across:.1f} mm across."
    return unit, Fault.of(kind, 1, words, unit=_WORDS[unit], across=across)


def _within(size_mm: float, bounds: tuple[float, float]) -> bool:
    return bounds[0] <= size_mm <= bounds[1]


def _refusal(size: float, possible: tuple[str, ...], name: str) -> ScanError:
    if len(possible) > 1:
        readings = _either(
            Told("{size:.3g} mm in {unit}", size=size * MM_PER_UNIT[u], unit=Told(_WORDS[u]))
            for u in possible
        )
        asked = _either(f"--unit {_asked(unit)}" for unit in possible)
        return ScanError(
            Told("its unit is not clear: it is {readings} across.", readings=readings),
            where=name,
            next_step=Told("Give {asked}.", asked=asked),
        )
    stated = possible[0] if possible else "mm"
    said = Told("{size:.3g} {unit} across", size=size, unit=Told(_WORDS[stated]))
    guess = [u for u in _GUESSED if _within(size * MM_PER_UNIT[u], POSSIBLE_MM)]
    if len(guess) == 1:
        return ScanError(
            Told("{said}; saved in {words}?", said=said, words=Told(_WORDS[guess[0]])),
            where=name,
            next_step=Told(
                "Give --unit {guess}, or --unit {stated} if it is so.",
                guess=_asked(guess[0]),
                stated=_asked(stated),
            ),
        )
    return ScanError(
        Told("{said}: no unit makes that the size of a dental scan.", said=said),
        where=name,
        next_step="Check the file; if it is right, name its unit with --unit.",
    )


def _either(parts: Iterable[str]) -> str:
    return functools.reduce(lambda one, more: Told("{one} or {more}", one=one, more=more), parts)


def _asked(unit: str) -> str:
    """A unit as the commands know it."""
    return "inch" if unit == "in" else unit


def check_coordinates(points: npt.NDArray[np.floating], mm_per_unit: float, name: str) -> None:
    """Refuse coordinates that are no numbers or lie beyond any place."""
    finite = np.isfinite(points)
    if not finite.all():
        count = int((~finite.all(axis=1)).sum())
        raise ScanError(
            Told(
                "{count:,} points have coordinates that are no numbers (NaN or infinite).",
                count=count,
            ),
            where=name,
            next_step="Export the scan again.",
        )
    farthest = float(max(points.max(), -points.min())) * mm_per_unit if len(points) else 0.0
    if not farthest <= _FARTHEST_MM:
        raise ScanError(
            Told("a coordinate lies {farthest:.3g} mm from the origin.", farthest=farthest),
            where=name,
            next_step="Export the scan again, in millimetres near the origin.",
        )
