"""One way to write a document down, so that the same content always has the same hash."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

_PIECE_BYTES = 1 << 20


def canonical(document: Mapping[str, Any]) -> str:
    """JSON with sorted keys, no blanks and no number that is none.

    Examples
    --------
    >>> canonical({"b": 1, "a": [0.1, None]})
    '{"a":[0.1,null],"b":1}'
    """
    return json.dumps(
        document, sort_keys=True, separators=(",", ":"), ensure_ascii=True, allow_nan=False
    )


def sha256_of(text: str) -> str:
    """SHA-256 of a text in UTF-8, in hexadecimal digits."""
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def sha256_of_file(path: Path) -> str:
    """SHA-256 of a file's bytes, read in pieces."""
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while piece := file.read(_PIECE_BYTES):
            digest.update(piece)
    return digest.hexdigest()
