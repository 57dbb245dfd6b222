"""The report's words, one catalogue a language, and numbers as that language writes them."""

from __future__ import annotations

import functools
import tomllib
from collections.abc import Mapping
from importlib import resources
from typing import Any, Literal, get_args

Language = Literal["en", "de"]
LANGUAGES: tuple[Language, ...] = get_args(Language)

_COVERAGE = 2.0
"""± in the report is twice the standard uncertainty, about 95 % (JCGM 100, from memory)."""

_NARROW_SPACE = "\u202f"
_MINUS = "−"


class Words:
    """Sentences and numbers in one language.

    Parameters
    ----------
    lang : {"en", "de"}

    Examples
    --------
    >>> Words("de").mm(0.4)
    '0,40 mm'
    """

    def __init__(self, lang: Language = "en") -> None:
        self.lang: Language = lang
        self._catalogue = _catalogue(lang)
        self._decimal = self("format.decimal")

    def __call__(self, key: str, **values: object) -> str:
        """The sentence under "section.name", with values filled in."""
        section, name = key.split(".", 1)
        sentence: str = self._catalogue[section][name]
        return sentence.format(**values) if values else sentence

    def known(self, section: str, name: str | None) -> str:
        """The word for a code; the code itself where the catalogue has none."""
        if name is None:
            return self("format.none")
        return str(self._catalogue[section].get(name, name))

    def told(self, code: str, values: Mapping[str, Any], filed: str, section: str = "told") -> str:
        """A fault or reason by its code; as filed in English, or where the code is not known."""
        sentences = self._catalogue.get(section, {})
        one = f"{code}_one"
        code = one if values.get("count") == 1 and one in sentences else code
        if code not in sentences:
            return filed
        shown = {name: self._shown(value) for name, value in values.items()}
        return str(sentences[code].format(**shown))

    def _shown(self, value: object) -> object:
        if isinstance(value, str):
            return self._catalogue.get("told_words", {}).get(value, value)
        if value is None:
            return self("format.none")
        return self.written(value)  # type: ignore[arg-type]

    def written(self, value: float) -> object:
        """A number that a sentence writes in its own precision, as the language does."""
        return _Number(value, self)

    def number(self, value: float | None, digits: int = 2) -> str:
        """A number with the language's decimal sign; a dash where it is unknown."""
        if value is None:
            return self("format.none")
        text = f"{value:.{digits}f}"
        if float(text) == 0.0:
            text = text.lstrip("-")
        return text.replace("-", _MINUS).replace(".", self._decimal)

    def day(self, moment_utc: str) -> str:
        """The day of an ISO 8601 moment, as the language writes it."""
        year, month, day = moment_utc[:10].split("-")
        return self("format.day", year=year, month=month, day=day)

    def minute(self, moment_utc: str) -> str:
        """Day and minute; the zone stands in the head of the table, and is UTC."""
        return f"{self.day(moment_utc)} {moment_utc[11:16]}".rstrip()

    def moment(self, moment_utc: str) -> str:
        """Day, minute and zone.

        Examples
        --------
        >>> Words("de").moment("2026-03-31T10:00:59+00:00")
        '31.03.2026 10:00 UTC'
        """
        return f"{self.minute(moment_utc)} UTC"

    def mm(self, value: float | None, digits: int = 2) -> str:
        """A length with its unit; one that rounds to nothing is told as below the last digit."""
        if value is not None and 0 < value < 0.5 * 10.0**-digits:
            return f"< {self.number(10.0**-digits, digits)} mm"
        return self.number(value, digits) + (" mm" if value is not None else "")

    def mm_sure(self, value: float | None, u_mm: float | None) -> str:
        """A length with its expanded uncertainty, such as "0.62 ± 0.08 mm"."""
        if value is None or u_mm is None:
            return self.mm(value)
        return f"{self.number(value)} ± {self.number(_COVERAGE * u_mm)} mm"

    def mm2(self, value: float | None, digits: int = 1) -> str:
        """An area with its unit."""
        return self.number(value, digits) + (" mm²" if value is not None else "")

    def mm2_sure(self, value: float | None, u_mm2: float | None) -> str:
        """An area with its expanded uncertainty."""
        return self._sure(value, u_mm2, "mm²")

    def mm3_sure(self, value: float | None, u_mm3: float | None) -> str:
        """A volume with its expanded uncertainty, to a whole mm³."""
        return self._sure(value, u_mm3, "mm³", 0)

    def _sure(self, value: float | None, u: float | None, unit: str, digits: int = 1) -> str:
        if value is None:
            return self("format.none")
        doubt = "" if u is None else f" ± {self.number(_COVERAGE * u, digits)}"
        return f"{self.number(value, digits)}{doubt} {unit}"

    def percent(self, share: float | None) -> str:
        """A share as a percentage, never rounded up to the whole."""
        if share is None:
            return self("format.none")
        shown = 100.0 * share
        return (
            self.number(min(shown, 99.9) if share < 1.0 else shown, 1 if share < 1.0 else 0) + " %"
        )

    def count(self, value: int) -> str:
        """A whole number in groups of three."""
        return f"{value:,}".replace(",", _NARROW_SPACE)


class _Number:
    """A number that a sentence asks for in its own precision, written as the language does."""

    def __init__(self, value: float, words: Words) -> None:
        self._value, self._words = value, words

    def __repr__(self) -> str:
        return format(self)

    def __format__(self, form: str) -> str:
        text = format(self._value, form)
        if self._words.lang == "en":
            return text
        text = text.replace(",", _NARROW_SPACE).replace("-", _MINUS).replace(".", ",")
        return text.replace("%", f"{_NARROW_SPACE}%")


@functools.cache
def _catalogue(lang: Language) -> dict[str, dict[str, Any]]:
    text = resources.files(__package__).joinpath(f"words_{lang}.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


def sections(lang: Language) -> dict[str, dict[str, Any]]:
    """The whole catalogue, for the page's own script and for comparing languages."""
    return _catalogue(lang)
