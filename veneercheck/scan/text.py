"""Numbers in text files: read strictly, with decimal commas understood and told."""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence

import numpy as np

from veneercheck.core.errors import Told
from veneercheck.core.types import Fault, Floats, Ints
from veneercheck.scan.raw import not_understood

_SHOWN = 24
"""Characters of a broken word that a refusal repeats."""


def lines_of(data: bytes) -> Iterator[bytes]:
    """Lines of a text one by one, whatever ends them: all at once they take many times its size."""
    return iter(io.BytesIO(data.replace(b"\r", b"\n") if b"\r" in data else data))


def shown(token: bytes) -> str:
    """A word of the file, short and printable."""
    text = token[:_SHOWN].decode("utf-8", "backslashreplace")
    return "".join(c if c.isprintable() else "?" for c in text)


def floats_of(tokens: Sequence[bytes], name: str) -> Floats:
    """Turn words into numbers, shape (k,).

    Raises
    ------
    ScanError
        If a word is not a number.
    """
    try:
        return np.fromiter(map(float, tokens), dtype=np.float64, count=len(tokens))
    except ValueError:
        bad = next(token for token in tokens if not _is(float, token))
        raise not_understood(
            name, Told("«{bad}» stands where a number should be.", bad=shown(bad))
        ) from None


def ints_of(tokens: Sequence[bytes], name: str) -> Ints:
    """Turn words into whole numbers, shape (k,).

    Raises
    ------
    ScanError
        If a word is not a whole number.
    """
    try:
        return np.fromiter(map(int, tokens), dtype=np.int64, count=len(tokens))
    except (ValueError, OverflowError):
        bad = next((token for token in tokens if not _is(_small_int, token)), b"?")
        raise not_understood(
            name, Told("«{bad}» stands where an index should be.", bad=shown(bad))
        ) from None


def _small_int(token: bytes) -> np.int64:
    return np.int64(int(token))


def _is(kind: type | object, token: bytes) -> bool:
    try:
        kind(token)  # type: ignore[operator]
    except (ValueError, OverflowError):
        return False
    return True


def decimal_points(tokens: list[bytes], name: str) -> tuple[list[bytes], tuple[Fault, ...]]:
    """Read decimal commas as points, where no decimal point shows another meaning.

    Raises
    ------
    ScanError
        If commas and points stand in one file: either may part the thousands.
    """
    commas = [token for token in tokens if b"," in token]
    if not commas:
        return tokens, ()
    if any(b"." in token for token in tokens):
        raise not_understood(
            name,
            Told("it mixes decimal points and commas, as in «{commas}».", commas=shown(commas[0])),
        )
    words = "{count:,} numbers are written with a decimal comma; read as decimal points."
    told = Fault.of("decimal_commas", len(commas), words)
    return [t.replace(b",", b".") for t in tokens], (told,)
