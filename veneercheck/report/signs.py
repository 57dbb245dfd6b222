"""Words of users as they can be shown: no sign, and no number of signs, may keep a report away.

The true text stays in `result.json`; what a report shows of it is made here.

Notes
-----
Further typefaces are packages of fonts, looked into only where a sign asks for them. PDF/A refuses
a sign that no typeface holds, and with it the whole report. Choice: `manimgx-fonts` (Noto faces of
20 scripts and emoji, SIL Open Font License, made for the same typesetter, 3.5 MB) comes with the
program, `manimgx-fonts-cjk` (20 MB) as `[cjk]`; which signs a face holds is asked of Pillow; what
none holds becomes U+FFFD, and where signs cannot stand together the sheet is set anew without them.
Instead of: faces of our own in the package; the faces of the system, which differ. Cost: a report
with such words may differ where `[cjk]` is installed; on stills, other scripts show as boxes, since
shaping them there needs a library of the system.
"""

from __future__ import annotations

import functools
import importlib.util
import unicodedata
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from veneercheck.report.drawing import font_folder

if TYPE_CHECKING:
    from PIL import ImageFont

SUBSTITUTE = "\ufffd"
"""Unicode's own sign for one that cannot be shown."""

_LONG = ("notes", "why")
"""Fields in which sentences stand, over several lines."""

_LONGEST, _LONGEST_LINE, _LONGEST_NAME = 20_000, 500, 64
"""Signs that are shown of a field of sentences, of any other text, and of what is called so."""

_NAMES = ("number", "name", "file", "who")

_JOINERS = frozenset("\u200c\u200d\ufe0e\ufe0f\u200e\u200f\u00ad\u200b")
"""Invisible signs that shape their neighbours or say which way they run, and do no harm."""

_SPACES = " \u00a0\u202f"
"""Those that the report's own typeface holds; any other becomes an ordinary one."""

_UNSHOWN = frozenset(("Cc", "Cf", "Cs", "Co", "Cn"))
"""Categories of control signs, invisible formats, half, private and unassigned characters."""

_MOST_MARKS = 4
"""Marks over one letter; more would run over the lines around it."""

_LONGEST_RUN, _BREAK = 70, "\u200b"
"""A word longer than that may be broken anywhere: a line of print holds some ninety signs."""

_FURTHER = ("manimgx_fonts", "manimgx_fonts_cjk")
"""Packages of further typefaces (SIL Open Font License): scripts and signs; Chinese, Japanese and
Korean, where installed."""

_LOOKED_AT_PX = 16


def harmless(document: Mapping[str, Any]) -> dict[str, Any]:
    """A result's document with every text as a report may show it.

    Examples
    --------
    >>> harmless({"case": {"number": "A\\x1b1"}})
    {'case': {'number': 'A\ufffd1'}}
    """
    return {key: _shown(value, key) for key, value in document.items()}


def _shown(value: Any, key: str) -> Any:
    if isinstance(value, str):
        most = _LONGEST if key in _LONG else _LONGEST_NAME if key in _NAMES else _LONGEST_LINE
        return _harmless(value, most, lines=key in _LONG)
    if isinstance(value, Mapping):
        return {name: _shown(one, name) for name, one in value.items()}
    if isinstance(value, list):
        return [_shown(one, key) for one in value]
    return value


def _harmless(text: str, most: int, *, lines: bool) -> str:
    if text.isascii() and text.isprintable() and len(text) <= most:
        return text  # nearly all of them
    found, marks = [], 0
    for sign in text[:most]:
        kind = unicodedata.category(sign)
        marks = marks + 1 if kind in ("Mn", "Me") else 0
        if marks > _MOST_MARKS + 1:
            continue  # one substitute stands for all the marks beyond
        if sign in "\t\r\n" or (kind in ("Zs", "Zl", "Zp") and sign not in _SPACES):
            found.append("\n" if lines and sign == "\n" else " ")
        elif marks > _MOST_MARKS or (kind in _UNSHOWN and sign not in _JOINERS):
            found.append(SUBSTITUTE)
        else:
            found.append(sign)
    return "".join(found) + ("…" if len(text) > most else "")


def printable(data: Any) -> tuple[Any, list[Path]]:
    """Texts as they can be set, and the folders of the typefaces that they need.

    Parameters
    ----------
    data : dict, list, text, or anything else
        What a sheet says; only texts in it are changed.

    Returns
    -------
    data
        Signs of no typeface replaced, endless words made breakable.
    folders : list of Path
        The report's own, and further ones only where a sign asks for them: words in Latin, Greek
        or Cyrillic letters give the same bytes whatever else is installed.
    """
    signs = {sign for text in _texts(data) for sign in text}
    missing = {sign for sign in signs if not sign.isspace() and not _own()(sign)}
    missing -= _JOINERS | {SUBSTITUTE}
    folders = [font_folder()]
    for package in _FURTHER:
        folder = _folder_of(package)
        if missing and folder is not None:
            held = {sign for sign in missing if any(holds(sign) for holds in _faces(folder))}
            missing -= held
            folders += [folder] if held else []
    table = str.maketrans(dict.fromkeys(missing, SUBSTITUTE))
    return _each(data, lambda text: breakable(text.translate(table))), folders


def has_substitutes(data: Any) -> bool:
    """Whether a sign stands for one that cannot be shown."""
    return any(SUBSTITUTE in text for text in _texts(data))


def plain(data: Any) -> Any:
    """Texts with no sign but single ones that the report's own typeface holds."""

    def kept(sign: str) -> str:
        single = not unicodedata.category(sign).startswith("M") and sign not in _JOINERS
        return sign if sign.isspace() or (single and _own()(sign)) else SUBSTITUTE

    return _each(data, lambda text: breakable("".join(map(kept, text))))


def breakable(text: str) -> str:
    """A text whose endless words may be broken."""
    if len(text) <= _LONGEST_RUN:
        return text
    return " ".join(
        word if len(word) <= _LONGEST_RUN else _BREAK.join(_pieces(word))
        for word in text.split(" ")
    )


def _pieces(word: str) -> Iterator[str]:
    """Parts of a word, none of which begins with a mark of the sign before."""
    start = 0
    for end in range(1, len(word) + 1):
        joined = end < len(word) and (
            unicodedata.combining(word[end]) or word[end] in _JOINERS or word[end - 1] in _JOINERS
        )
        if end == len(word) or (end - start >= _LONGEST_RUN // 2 and not joined):
            yield word[start:end]
            start = end


def _texts(data: Any) -> Iterator[str]:
    if isinstance(data, str):
        yield data
    elif isinstance(data, Mapping):
        for one in data.values():
            yield from _texts(one)
    elif isinstance(data, list | tuple):
        for one in data:
            yield from _texts(one)


def _each(data: Any, change: Callable[[str], str]) -> Any:
    if isinstance(data, str):
        return change(data)
    if isinstance(data, Mapping):
        return {name: _each(one, change) for name, one in data.items()}
    if isinstance(data, list | tuple):
        return [_each(one, change) for one in data]
    return data


def _folder_of(package: str) -> Path | None:
    found = importlib.util.find_spec(package)
    places = [] if found is None else list(found.submodule_search_locations or ())
    return Path(places[0]) if places else None


@functools.cache
def _own() -> Callable[[str], bool]:
    """Whether the report's own typeface holds a sign."""
    return _holder(font_folder() / "SourceSansPro-Regular.ttf")


@functools.cache
def _faces(folder: Path) -> tuple[Callable[[str], bool], ...]:
    files = sorted(path for path in folder.iterdir() if path.suffix in (".ttf", ".otf", ".ttc"))
    return tuple(_holder(path) for path in files)


def _holder(path: Path) -> Callable[[str], bool]:
    """Whether a typeface holds a sign: it draws something else than for no sign at all."""
    from PIL import ImageFont

    face = ImageFont.truetype(str(path), _LOOKED_AT_PX, layout_engine=ImageFont.Layout.BASIC)
    nothing = _drawn(face, "\uffff")
    return functools.cache(lambda sign: _drawn(face, sign) != nothing)


def _drawn(face: ImageFont.FreeTypeFont, sign: str) -> bytes:
    return bytes(face.getmask(sign))
