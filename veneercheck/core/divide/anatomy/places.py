"""Places on a bridge, per point, and the words for them."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from enum import IntEnum

import numpy as np

from veneercheck.core.divide.anatomy.codes import is_front, is_upper
from veneercheck.core.divide.anatomy.teeth import Teeth
from veneercheck.core.types import Bools, Floats, Ints

_PART = 1.0 / 3.0
"""Beyond a third of the half width from the middle a place is in a part, not in the middle."""

_LEAST_SHARE = 0.5
"""A third or a surface is named where at least half of the area lies in it."""


_LAST_FRONT = 3
"""Incisors and canines are numbers 1 to 3 of each quadrant."""

_STEEP = 0.5
"""Sine from which a way up or down a wall is told as above or below; flatter, as «from»."""


class Surface(IntEnum):
    """What surface of its tooth a point belongs to."""

    NONE = 0
    """Model, fitting surface, margin, or not to be told."""
    OCCLUSAL = 1
    BUCCAL = 2
    LINGUAL = 3
    MESIAL = 4
    DISTAL = 5
    BASAL = 6
    SIDE_A = 7
    """One of the two long sides, where it is not known which of them is buccal."""
    SIDE_B = 8
    END_A = 9
    """The end of a tooth, or of the bridge, on the left as seen from side A, occlusal up."""
    END_B = 10


class Third(IntEnum):
    """Which third of the crown's height a point belongs to."""

    NONE = 0
    CERVICAL = 1
    MIDDLE = 2
    OCCLUSAL = 3


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Places:
    """Where on the bridge each point lies.

    Parameters
    ----------
    tooth : ndarray of int64, shape (n,)
        Two-digit codes (ISO 3950); 0 on the model, and everywhere if no units are named.
    surface : ndarray of int64, shape (n,)
        `Surface` codes.
    third : ndarray of int64, shape (n,)
        `Third` codes.
    mesial_share, buccal_share : ndarray, shape (n,)
        Place within the tooth, −1 at its distal (lingual) and 1 at its mesial (buccal) end;
        NaN where there is no tooth. Where sides have letters, 1 at end (side) A.
    occlusal, buccal : ndarray, shape (3,)
        Unit vectors in the wax-up's frame, buccal for the bridge as a whole; where sides have
        letters, towards side A.
    occlusal_guessed, buccal_guessed, order_guessed : bool
        Not said by the case: judged from the shape. The order is which end of the bridge is the
        first unit named.
    words : tuple of str
        What was guessed, or could not be told, for the technician.
    teeth : Teeth, optional
        The bridge's own axis and its units along it, where they are known.
    unit : ndarray of int64, shape (n,), optional
        Only where it does not show surely which side is buccal: number of each point's unit,
        counted from end A, 0 on the model. Sides and ends then have letters, and only the middle
        one of an odd number of units keeps its code.
    certainty : float
        Probability that the likelier side is buccal; NaN where there are no teeth.
    veneered_side : bool
        Whether one side is plainly the more veneered one.
    asked : str
        What is to be asked of the units named, as they are not those that show.
    """

    tooth: Ints
    surface: Ints
    third: Ints
    mesial_share: Floats
    buccal_share: Floats
    occlusal: Floats
    buccal: Floats
    occlusal_guessed: bool
    buccal_guessed: bool
    order_guessed: bool
    words: tuple[str, ...]
    teeth: Teeth | None = None
    unit: Ints | None = None
    certainty: float = 1.0
    veneered_side: bool = False
    asked: str = ""

    @property
    def owner(self) -> Ints:
        """Code of the unit each point belongs to, or where codes do not show, its number."""
        return self.tooth if self.unit is None else self.unit

    def owner_name(self, owner: int) -> str:
        """What a unit is called; empty for the model, and where no units are named."""
        if not owner or self.unit is None or self.teeth is None:
            return str(owner) if owner else ""
        return self.teeth.names[-owner]

    @property
    def sides_known(self) -> bool:
        """Whether buccal and lingual, mesial and distal are told; else letters."""
        return self.teeth is not None and self.unit is None


def surface_word(surface: int, tooth: int) -> str:
    """The trade's word for a surface of a tooth.

    Parameters
    ----------
    surface : int
        `Surface` code.
    tooth : int
        Two-digit code, 0 if unknown.

    Examples
    --------
    >>> surface_word(Surface.LINGUAL, 16), surface_word(Surface.OCCLUSAL, 41)
    ('palatal', 'incisal')
    """
    if surface == Surface.LINGUAL and tooth and is_upper(tooth):
        return "palatal"
    if surface == Surface.OCCLUSAL and tooth and is_front(tooth):
        return "incisal"
    if surface in _LETTERED:
        return _LETTERED[surface]
    return "" if surface == Surface.NONE else Surface(surface).name.lower()


_LETTERED: Mapping[int, str] = {
    Surface.SIDE_A: "side A",
    Surface.SIDE_B: "side B",
    Surface.END_A: "end A",
    Surface.END_B: "end B",
}


def surface_words(places: Places) -> Mapping[tuple[int, int], str]:
    """The word for every pair of tooth and surface that occurs.

    Returns
    -------
    mapping
        (tooth code, `Surface` code) → word, without the pairs that have none. With it a limit
        given for a word finds its points: `(places.tooth == tooth) & (places.surface == surface)`.
    """
    pairs = np.unique(100 * places.tooth + places.surface)
    words = {
        (int(pair // 100), int(pair % 100)): surface_word(int(pair % 100), int(pair // 100))
        for pair in pairs
    }
    return {pair: word for pair, word in words.items() if word}


def place_words(
    places: Places, vertices: Ints, weights: Floats
) -> tuple[str | None, str | None, str]:
    """Where some points lie, in words.

    Parameters
    ----------
    places : Places
    vertices : ndarray of int64
        The points of a zone.
    weights : ndarray, shape (n,)
        Area that each point stands for.

    Returns
    -------
    tooth, surface : str or None
        Those with most of the area; None where there is none.
    words : str
        Such as «46, buccal, middle third, mesial part»; empty where nothing is known.
    """
    weight = weights[vertices]
    own = _most(places.owner[vertices], weight)
    of_tooth = vertices[places.owner[vertices] == own]
    tooth = int(places.tooth[of_tooth].max(initial=0))
    surface = _most(places.surface[of_tooth], weights[of_tooth])
    word = surface_word(surface, tooth)
    named = [one for one in (places.owner_name(own), word) if one]
    if word:
        on_it = of_tooth[places.surface[of_tooth] == surface]
        named += _finer(places, on_it, weights[on_it], tooth, surface)
    others = _others(places, vertices, weight, own)
    return str(tooth) if tooth else None, word or None, ", ".join(named) + others


def line_words(
    places: Places,
    vertices: Ints,
    weights: Floats,
    contour_mm: Floats,
    line_mm: Floats,
    *,
    normals: Floats,
    line_normals: Floats,
    seen: Bools | None = None,
) -> str:
    """How far some points of a wall stand above or below the finish line, in words.

    Straight from the middle of their contour, as dividers measure it, and not through the tooth to
    the line of its other side.

    Parameters
    ----------
    places : Places
    vertices : ndarray of int64
        The points of a zone.
    weights : ndarray, shape (n,)
        Area that each point stands for.
    contour_mm : ndarray, shape (n, 3)
        The nearest contour point of each, NaN where there is none.
    line_mm : ndarray, shape (k, 3)
        Points of the finish line, and of where the cut leaves the scan before it.
    normals : ndarray, shape (n, 3)
    line_normals : ndarray, shape (k, 3)
        Outward, of the points and of the contour at the line.
    seen : ndarray of bool, shape (k,), optional
        Which of them are the finish line. Nearer to another, how far off it lies is not known.

    Returns
    -------
    str
        Such as «1.8 mm above the finish line»; empty on surfaces that are no walls, and where it
        is not known.
    """
    surface = _most(places.surface[vertices], weights[vertices])
    known = vertices[np.isfinite(contour_mm[vertices, 0]) & (places.surface[vertices] == surface)]
    if surface not in _WALLS or not len(line_mm) or not weights[known].sum() > 0:
        return ""
    middle = np.average(contour_mm[known], axis=0, weights=weights[known])
    way = middle - line_mm
    length = np.sqrt(np.einsum("ij,ij->i", way, way))
    outward = weights[known] @ normals[known]
    other_side = line_normals @ outward < _SAME_SIDE_COS * np.linalg.norm(outward)
    if other_side.all():
        return ""
    nearest = int(np.where(other_side, np.inf, length).argmin())
    if seen is not None and not seen[nearest]:
        return ""
    rise = float(way[nearest] @ places.occlusal)
    steep = abs(rise) > _STEEP * length[nearest]
    where = ("above" if rise > 0 else "below") if steep else "from"
    return f"{length[nearest]:.1f} mm {where} the finish line"


_SAME_SIDE_COS = 0.25
"""A line where the contour faces away by more than 75° is that of another side of the tooth."""

_SIDES = (Surface.BUCCAL, Surface.LINGUAL, Surface.SIDE_A, Surface.SIDE_B)
_BETWEEN = (Surface.MESIAL, Surface.DISTAL, Surface.END_A, Surface.END_B)
_WALLS = (*_SIDES, *_BETWEEN)


def on_functional_cusps(places: Places, vertices: Ints, weights: Floats) -> bool:
    """Whether most of some points lie on cusps that bite into the opposing fossae.

    The buccal cusps of lower and the palatal cusps of upper posterior teeth (textbook, from
    memory; a crossbite turns it round).
    """
    if places.unit is not None:
        return False
    total = float(weights[vertices].sum())
    return bool(weights[vertices[_functional(places, vertices)]].sum() > _LEAST_SHARE * total)


def _functional(places: Places, vertices: Ints) -> Bools:
    tooth, share = places.tooth[vertices], places.buccal_share[vertices]
    upper = np.isin(tooth // 10, (1, 2, 5, 6))
    posterior = tooth % 10 > _LAST_FRONT
    towards = np.where(upper, -share, share)
    top = places.surface[vertices] == Surface.OCCLUSAL
    return np.asarray(top & posterior & (towards > _PART))


def _most(codes: Ints, weights: Floats) -> int:
    """The code with the greatest weight; 0 only if there is no other."""
    if not len(codes):
        return 0
    total = np.bincount(codes, weights=weights)
    total[0] = -1.0 if (total[1:] > 0).any() else total[0]
    return int(total.argmax())


def _finer(places: Places, vertices: Ints, weights: Floats, tooth: int, surface: int) -> list[str]:
    words = []
    if surface not in (Surface.OCCLUSAL, Surface.BASAL):
        words.append(_third(places.third[vertices], weights, tooth))
    lettered = places.unit is not None
    if surface not in _BETWEEN and (tooth or lettered):
        ends = ("end A", "end B") if lettered else ("mesial", "distal")
        words.append(_part(places.mesial_share[vertices], weights, *ends))
    if surface not in _SIDES:
        inner = surface_word(Surface.LINGUAL, tooth)
        across = ("side A", "side B") if lettered else ("buccal", inner)
        words.append(_part(places.buccal_share[vertices], weights, *across))
    return [word for word in words if word]


def _third(thirds: Ints, weights: Floats, tooth: int) -> str:
    total = np.bincount(thirds, weights=weights, minlength=4)
    third = int(total[1:].argmax()) + 1
    if not total[third] >= _LEAST_SHARE * weights.sum():
        return ""
    top = "incisal" if tooth and is_front(tooth) else "occlusal"
    return {Third.CERVICAL: "cervical", Third.MIDDLE: "middle"}.get(Third(third), top) + " third"


def _part(shares: Floats, weights: Floats, positive: str, negative: str) -> str:
    known = np.isfinite(shares)
    if not weights[known].sum() > 0:
        return ""
    mean = float(np.average(shares[known], weights=weights[known]))
    if abs(mean) <= _PART:
        return ""
    return (positive if mean > 0 else negative) + " part"


def _others(places: Places, vertices: Ints, weights: Floats, own: int) -> str:
    """The neighbour that a zone reaches well into."""
    owner = places.owner[vertices]
    rest = (owner != own) & (owner > 0)
    if not weights[rest].sum() > 0.25 * weights.sum():
        return ""
    return f", reaching on to {places.owner_name(_most(owner[rest], weights[rest]))}"
