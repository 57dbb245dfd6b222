"""HTML in which data can never become markup: everything is escaped unless built here."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterable
from html import escape
from importlib import resources
from pathlib import Path


class Markup(str):
    """Text that is already HTML."""

    __slots__ = ()


NOTHING = "'none'"

_VOID = frozenset({"img", "meta", "link", "br", "input"})


def tag(name: str, /, *children: str, **attributes: str | None) -> Markup:
    """Build an element; plain strings among the children are escaped.

    An attribute's trailing underscore is dropped and inner ones become hyphens
    (`class_`, `aria_label`); None leaves the attribute out.

    Examples
    --------
    >>> tag("p", "1 < 2", class_="note")
    '<p class="note">1 &lt; 2</p>'
    """
    given = "".join(
        f' {key.rstrip("_").replace("_", "-")}="{escape(value)}"'
        for key, value in attributes.items()
        if value is not None
    )
    if name in _VOID:
        return Markup(f"<{name}{given}>")
    return Markup(f"<{name}{given}>{joined(children)}</{name}>")


def joined(parts: Iterable[str]) -> Markup:
    """Parts one after another, plain strings escaped."""
    return Markup("".join(p if isinstance(p, Markup) else escape(p) for p in parts))


def table(
    head: Iterable[str] | None, rows: Iterable[Iterable[str]], *, row_heads: bool = True
) -> Markup:
    """A table in a box that scrolls sideways on a narrow screen."""
    parts = []
    if head is not None:
        cells = [tag("th", cell, scope="col") for cell in head]
        parts.append(tag("thead", tag("tr", *cells)))
    body = [tag("tr", *_cells(list(row), row_heads)) for row in rows]
    parts.append(tag("tbody", *body))
    return tag("div", tag("table", *parts), class_="wide", tabindex="0")


def _cells(row: list[str], row_heads: bool) -> list[Markup]:
    first = tag("th", row[0], scope="row") if row_heads else tag("td", row[0])
    return [first, *(tag("td", cell) for cell in row[1:])]


def picture(file: Path, words: str) -> Markup:
    """A PNG within the page, described in words."""
    data = base64.b64encode(file.read_bytes()).decode("ascii")
    return tag("img", src=f"data:image/png;base64,{data}", alt=words, decoding="async")


def drawing(svg: str, words: str) -> Markup:
    """A vector drawing within the page, described in words."""
    data = base64.b64encode(svg.encode("utf-8")).decode("ascii")
    return tag("img", src=f"data:image/svg+xml;base64,{data}", alt=words, decoding="async")


def digest(code: str) -> str:
    """The source expression that lets one inline style or script pass the page's policy."""
    return "'sha256-" + base64.b64encode(hashlib.sha256(code.encode()).digest()).decode() + "'"


def read_style(*names: str) -> str:
    """Style sheets as they are installed, one after another."""
    sheets = resources.files(__package__)
    return "\n".join(sheets.joinpath(name).read_text(encoding="utf-8") for name in names)


def offline_page(title: str, body: Markup, style: str, *, lang: str, code: str = "") -> str:
    """A whole page that asks nothing of any network: only its own style and script may act.

    Parameters
    ----------
    title : str
    body : Markup
    style, code : str
        Style sheet and script; they are written into the page.
    lang : str
        Language of its words.
    """
    policy = (
        f"default-src 'none'; img-src data:; style-src {digest(style)}; "
        f"script-src {digest(code) if code else NOTHING}; "
        "base-uri 'none'; form-action 'none'"
    )
    head = joined(
        [
            tag("meta", charset="utf-8"),
            tag("meta", http_equiv="Content-Security-Policy", content=policy),
            tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
            tag("title", title),
            tag("style", Markup(style)),
        ]
    )
    script = tag("script", Markup(code)) if code else Markup("")
    return (
        f"<!doctype html>\n{tag('html', tag('head', head), tag('body', body, script), lang=lang)}\n"
    )
