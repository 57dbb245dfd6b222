"""Places on a bridge, per point, and the words for them."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from enum import IntEnum

import numpy as np

from veneercheck.core.anatomy.codes import is_front, is_upper
from veneercheck.core.types import Floats, Ints

_PART = 1.0 / 3.0
"""Beyond a third of the half width from the middle a place is in a part, not in the middle."""

_LEAST_SHARE = 0.5
"""A third or a surface is named where at least half of the area lies in it."""


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
        NaN where there is no tooth.
    occlusal, buccal : ndarray, shape (3,)
        Unit vectors in the wax-up's frame, buccal for the bridge as a whole.
    occlusal_guessed, buccal_guessed, order_guessed : bool
        Not said by the case: judged from the shape. The order is which end of the bridge is the
        first unit named.
    words : tuple of str
        What was guessed, or could not be told, for the technician.
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
    return "" if surface == Surface.NONE else Surface(surface).name.lower()


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
    tooth = _most(places.tooth[vertices], weight)
    of_tooth = vertices[places.tooth[vertices] == tooth]
    surface = _most(places.surface[of_tooth], weights[of_tooth])
    word = surface_word(surface, tooth)
    named = [str(tooth)] if tooth else []
    named += [word] if word else []
    if word:
        on_it = of_tooth[places.surface[of_tooth] == surface]
        named += _finer(places, on_it, weights[on_it], tooth, surface)
    others = _others(places, vertices, weight, tooth)
    return str(tooth) if tooth else None, word or None, ", ".join(named) + others


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
    if surface not in (Surface.MESIAL, Surface.DISTAL) and tooth:
        words.append(_part(places.mesial_share[vertices], weights, "mesial", "distal"))
    if surface not in (Surface.BUCCAL, Surface.LINGUAL):
        inner = surface_word(Surface.LINGUAL, tooth)
        words.append(_part(places.buccal_share[vertices], weights, "buccal", inner))
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


def _others(places: Places, vertices: Ints, weights: Floats, tooth: int) -> str:
    """The neighbour that a zone reaches well into."""
    codes = places.tooth[vertices]
    rest = (codes != tooth) & (codes > 0)
    if not weights[rest].sum() > 0.25 * weights.sum():
        return ""
    return f", reaching on to {_most(codes[rest], weights[rest])}"
