"""A refusal in the language of who reads it: the English pattern is its code."""

from __future__ import annotations

import functools
import tomllib
from importlib import resources

from veneercheck.core.errors import Told, VeneerCheckError
from veneercheck.report.words import Words


def refused(refusal: VeneerCheckError, words: Words) -> str:
    """What, where and what next, in one line.

    Parameters
    ----------
    refusal : VeneerCheckError
    words : Words
        Names the language.
    """
    place = f"{refusal.where}: " if refusal.where else ""
    parts = (said(part, words) for part in (refusal.what, refusal.next_step) if part)
    return place + " ".join(parts)


def said(sentence: str, words: Words) -> str:
    """One sentence of a refusal; as it came where the language has none for it.

    Examples
    --------
    >>> said(Told("there is no profile «{name_or_path}».", name_or_path="x"), Words("de"))
    'es gibt kein Profil «x».'
    """
    pattern = sentence.pattern if isinstance(sentence, Told) else sentence
    known = german().get(pattern) if words.lang == "de" else None
    if known is None:
        return sentence
    values = sentence.values if isinstance(sentence, Told) else {}
    return known.format(**{name: _shown(value, words) for name, value in values.items()})


def _shown(value: object, words: Words) -> object:
    if isinstance(value, VeneerCheckError):
        return refused(value, words)
    if isinstance(value, Told):
        return said(value, words)
    if isinstance(value, str):  # what the system itself says stands in English everywhere
        return _german()["system"].get(value, value) if words.lang == "de" else value
    number = isinstance(value, int | float) and not isinstance(value, bool)
    return words.written(value) if number else value  # type: ignore[arg-type]


def german() -> dict[str, str]:
    """Every pattern with its German sentence."""
    return _german()["said"]


@functools.cache
def _german() -> dict[str, dict[str, str]]:
    text = resources.files(__package__).joinpath("refused_de.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)
