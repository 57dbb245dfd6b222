"""Whether a file name or a case number seems to hold a person's name: it is patient data then."""

from __future__ import annotations

import re

_DATE = re.compile(r"(?<!\d)(?:\d{1,2}[.\-_]\d{1,2}[.\-_](?:19|20)\d{2}|(?:19|20)\d{2}[.\-_]\d{1,2}"
                   r"[.\-_]\d{1,2})(?!\d)")  # fmt: skip
_NAME = re.compile(r"[^\W\d_][^\W\d_]+")
_TRADE = frozenset(
    re.findall(
        r"\S+",
        """
        framework frameworks frame gerüst geruest gerust wax waxup wachs wachsup up cut cutback
        back reduced reduziert full contour kontur scan scans scanned upper lower jaw ober unter
        kiefer oberkiefer unterkiefer bridge brücke bruecke model modell die stumpf final new neu
        export case fall mesh left right links rechts copy kopie modellation brückengerüst
        """,
    )
)
"""Words of the trade that stand in file names with a capital letter."""


def looks_like_a_name(text: str) -> bool:
    """Whether a file name or a case number seems to hold a person's name or a date of birth.

    Two words with a capital letter that the trade does not use; it only warns.

    Examples
    --------
    >>> looks_like_a_name("Huber_Anna_waxup.stl"), looks_like_a_name("D-0417 framework.stl")
    (True, False)
    """
    stem = re.sub(r"\.\w{2,4}$", "", text)
    names = [
        word
        for word in _NAME.findall(stem.replace("_", " "))
        if word[0].isupper() and word[1:].islower() and word.casefold() not in _TRADE
    ]
    return len(names) >= 2 or bool(_DATE.search(stem))
