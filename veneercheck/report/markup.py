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


_MOST_COLUMNS = 2
"""So many a phone can show side by side where there are sentences in them."""

_ROLES = {"table": "table", "thead": "rowgroup", "tbody": "rowgroup", "tr": "row", "td": "cell"}
_HEADS = {"col": "columnheader", "row": "rowheader"}


def table(
    head: Iterable[str] | None,
    rows: Iterable[Iterable[str]],
    *,
    row_heads: bool = True,
    class_: str = "",
) -> Markup:
    """A table in a box that scrolls sideways on a narrow screen, or becomes cards if it is wide.

    On a card every cell names its column, and the roles say what its looks no longer do.
    """
    heads = list(head or ())
    parts = []
    if heads:
        parts.append(_part("thead", _part("tr", *(_head(cell, "col") for cell in heads))))
    parts.append(_part("tbody", *(_row(list(row), row_heads, heads) for row in rows)))
    cards = "cards" if len(heads) > _MOST_COLUMNS else ""
    name = " ".join(filter(None, ("wide", cards, class_)))
    return tag("div", _part("table", *parts), class_=name, tabindex="0")


def _row(cells: list[str], row_heads: bool, heads: list[str]) -> Markup:
    names: Iterable[str | None] = heads or [None] * len(cells)
    made = [_part("td", cell, data_head=name) for cell, name in zip(cells, names, strict=True)]
    return _part("tr", *([_head(cells[0], "row")] if row_heads else made[:1]), *made[1:])


def _head(cell: str, scope: str) -> Markup:
    return tag("th", cell, scope=scope, role=_HEADS[scope])


def _part(name: str, *children: str, **attributes: str | None) -> Markup:
    return tag(name, *children, role=_ROLES[name], **attributes)


def folded(line: str, *content: str) -> Markup:
    """One line that unfolds; on paper it lies open."""
    return tag("details", tag("summary", line), tag("div", *content, class_="box"))


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


def offline_page(
    title: str, body: Markup, style: str, *, lang: str, code: str = "", first: str = ""
) -> str:
    """A whole page that asks nothing of any network: only its own style and script may act.

    Parameters
    ----------
    title : str
    body : Markup
    style, code, first : str
        Style sheet, script, and what of it has to run before anything is painted; they are
        written into the page.
    lang : str
        Language of its words.
    """
    scripts = " ".join(digest(one) for one in (first, code) if one) or NOTHING
    policy = (
        f"default-src 'none'; img-src data:; style-src {digest(style)}; script-src {scripts}; "
        "base-uri 'none'; form-action 'none'"
    )
    head = joined(
        [
            tag("meta", charset="utf-8"),
            tag("meta", http_equiv="Content-Security-Policy", content=policy),
            tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
            tag("title", title),
            tag("style", Markup(style)),
            tag("script", Markup(first)) if first else Markup(""),
        ]
    )
    script = tag("script", Markup(code)) if code else Markup("")
    return (
        f"<!doctype html>\n{tag('html', tag('head', head), tag('body', body, script), lang=lang)}\n"
    )
